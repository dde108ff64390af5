"""Webhooks: signed, refused, broken off, and each opening told exactly once."""

from __future__ import annotations

import hashlib
import hmac
import itertools
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.telling.described import Telling
from monitor.findings.finding import Topic
from monitor.store import told
from monitor.store.connection import Store, open_store
from monitor.store.findings import load_findings
from monitor.store.told import Wish
from tests.dashboard.telling_people import People, Receiver, costing, finding, forget

SECRET = "seven small stones"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    with open_store(tmp_path_factory.mktemp("told") / "told.duckdb", create=True) as opened:
        yield opened


@pytest.fixture(scope="module")
def receiver() -> Iterator[Receiver]:
    made = Receiver()
    yield made
    made.close()


@pytest.fixture(autouse=True)
def _secret(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DESK_SECRET", SECRET)


def telling(url: str, **more: object) -> Telling:
    hook = {"name": "desk", "url": url, "secret_env": "DESK_SECRET", "timeout": "PT5S"}
    return Telling.model_validate({"webhook": [{**hook, **more}]})


def desk(store: Store, receiver: Receiver, **more: object) -> People:
    forget(store)
    receiver.status = 200
    receiver.requests.clear()
    made = People(store, telling(receiver.url, **more))
    user = made.person("desk@firm.example")
    told.save_wish(store, user.user_id, Wish(way="webhook:desk"), made.clock(), anew=True)
    return made


@pytest.fixture
def people(store: Store, receiver: Receiver) -> People:
    return desk(store, receiver)


def test_what_is_posted_is_signed_over_time_and_body(people, receiver):
    people.found("alder-row-3", costing("curve", 90.0, title="Too <steep>\r\n"))
    (outcome,) = people.teller.tell(due=False)
    assert outcome.problem is None
    ((headers, sent),) = receiver.requests
    timestamp = headers["Pledgewatt-Timestamp"]
    assert int(timestamp) == int(people.clock().timestamp())
    # Computed here by hand, as docs/telling.md tells a receiver to.
    by_hand = hmac.new(SECRET.encode(), timestamp.encode() + b"." + sent, hashlib.sha256)
    assert headers["Pledgewatt-Signature"] == f"sha256={by_hand.hexdigest()}"
    (document,) = receiver.documents
    assert headers["Pledgewatt-Delivery"] == document["delivery"]
    (opened,) = document["opened"]
    assert opened["title"] == "Too <steep>"
    assert opened["site"] == "alder-row-3"
    assert opened["effect"]["money_year"] == 90.0
    assert "desk@firm.example" not in sent.decode()


@pytest.mark.parametrize(
    ("status", "wait", "says"),
    [
        (503, 300, "answered with HTTP 503"),
        (410, 3600, "answered with HTTP 410"),
        (302, 3600, "It is not followed elsewhere; correct 'url'"),
        (0, 300, "gave no answer"),
    ],
)
def test_a_receiver_that_does_not_take_it_is_tried_again(people, receiver, status, wait, says):
    people.found("alder-row-3", finding("curve"))
    receiver.status = status
    (outcome,) = people.teller.tell(due=False)
    assert says in outcome.problem
    (record,) = told.mailed(people.store).values()
    assert (record.retry_at - people.clock()).total_seconds() == wait
    receiver.status = 200
    (outcome,) = people.teller.tell(due=False)
    assert outcome.problem is None
    assert len(receiver.requests) == 1


def test_one_receiver_that_fails_stops_no_other(store, receiver, monkeypatch):
    made = desk(store, receiver)
    broken = {"name": "broken", "url": "http://127.0.0.1:1/", "secret_env": "DESK_SECRET"}
    unset = {"name": "unset", "url": receiver.url, "secret_env": "NOT_SET"}
    hooks = [hook.model_dump() for hook in made.telling.webhook]
    made.use(Telling.model_validate({"webhook": [*hooks, broken, unset]}))
    monkeypatch.delenv("NOT_SET", raising=False)
    for name in ("broken", "unset", "gone"):
        user = made.person(f"{name}@firm.example")
        wish = Wish(way=f"webhook:{name}")
        told.save_wish(store, user.user_id, wish, made.clock(), anew=True)
    made.found("alder-row-3", finding("curve"))
    said = {o.email.split("@")[0]: o.problem or "" for o in made.teller.tell(due=False)}
    assert "cannot be reached" in said["broken"]
    assert said["desk"] == ""
    assert "No [[webhook]] of the name 'gone' is described" in said["gone"]
    assert "NOT_SET" in said["unset"]
    assert len(receiver.requests) == 1


def test_a_certificate_file_that_is_none_is_said(store, receiver, tmp_path):
    (tmp_path / "ca.pem").write_text("none")
    made = desk(store, receiver)
    hook = {
        "name": "desk", "url": "https://127.0.0.1:1/", "secret_env": "DESK_SECRET",
        "ca_file": tmp_path / "ca.pem",
    }  # fmt: skip
    made.use(Telling.model_validate({"webhook": [hook]}))
    made.found("alder-row-3", finding("curve"))
    (outcome,) = made.teller.tell(due=False)
    assert "cannot be read as certificates" in outcome.problem


KINDS = ("cold", "silent", "curve")
REFRESH = st.frozensets(st.sampled_from(KINDS)).map(lambda kinds: ("refresh", kinds))
#: How a try goes: taken, busy, broken off, taken with the answer lost, never made.
TRY = st.sampled_from((200, 503, 0, -1)).map(lambda status: ("try", status))


@settings(max_examples=12, deadline=None)
@given(st.lists(REFRESH | TRY, min_size=1, max_size=10))
def test_over_any_course_of_refreshes_and_failures_each_opening_is_told_exactly_once(
    store, receiver, steps
):
    made = desk(store, receiver)
    known: dict[int, tuple[str, int]] = {}
    seen: set[str] = set()

    def read() -> None:
        """What a reader comes to know who skips what carries a mark that they have seen."""
        for document in receiver.documents:
            if document["delivery"] in seen:
                continue
            seen.add(document["delivery"])
            assert document["opened"] or document["cleared"], "no message says nothing"
            for kind, one in itertools.chain(
                (("opened", one) for one in document["opened"]),
                (("cleared", one) for one in document["cleared"]),
            ):
                now = (kind, one["times_opened"])
                assert known.get(one["finding"]) != now, "told a second time"
                assert known.get(one["finding"], ("", 0))[1] <= one["times_opened"]
                known[one["finding"]] = now
        receiver.requests.clear()

    def truth() -> dict[int, tuple[str, int]]:
        return {
            kept.number: ("opened" if kept.cleared_at is None else "cleared", kept.times_opened)
            for kept in load_findings(store, cleared=True)
        }

    for what, how in steps:
        if what == "refresh":
            made.found("alder-row-3", *[finding(k, Topic.HOUSEHOLD) for k in sorted(how)])
            continue
        receiver.status = how
        outcomes = made.teller.tell(due=False)
        read()
        if how == 200:
            assert all(o.problem is None for o in outcomes)
            assert known == truth()
        else:
            assert all(o.problem for o in outcomes)
    receiver.status = 200
    made.teller.tell(due=False)
    read()
    assert known == truth()
    assert made.teller.tell(due=False) == []
