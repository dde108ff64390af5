"""The warranty desk: evidence, exclusions with their effect, and two people who settle."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path

import pytest

from dashboard import data, demo_claims, desk_acts, desk_data, home_data, site_claims
from dashboard.app import create_app
from dashboard.desk_data import State
from dashboard.pages import claim as page
from dashboard.pages import claim_of_site, desk, home_parts
from monitor.errors import DescriptionError, NotFoundError
from monitor.refresh import refresh_site
from monitor.store import cases, claims, users
from monitor.store.cases import What
from monitor.store.connection import Store, open_store
from monitor.store.sites import save_site
from monitor.store.users import User
from tests.dashboard.conftest import NOW, PASSWORD, _site, fill, signed_in
from tests.dashboard.test_site_page import text

OVER, RUNNING = "gorse-lane-2", "heath-end"


@pytest.fixture(scope="module")
def desk_store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    path: Path = tmp_path_factory.mktemp("desk") / "homes.duckdb"
    with open_store(path, create=True) as opened:
        for site_id, months in ((OVER, 4), (RUNNING, 12)):
            site = _site(site_id, site_id.title(), "Marlbeck", promise=3.9, start="2025-10-01")
            terms = site.terms[0].model_copy(
                update={
                    "months": months,
                    "conditions": ("The flow stays at or below 50 degC.",),
                }
            )
            site = site.model_copy(update={"terms": (terms,)})
            save_site(opened, site, NOW)
            fill(opened, site)
            refresh_site(opened, site_id, now=NOW)
        yield opened


def person(store: Store, name: str, role: str = "warranty", sites: tuple[str, ...] = ()) -> User:
    email = f"{name}@example.org"
    for user in users.list_users(store):
        if user.email == email:
            return user
    return users.add_user(
        store, email=email, name=name, role=role, password=PASSWORD, sites=sites, now=NOW
    )


@pytest.fixture
def ada(desk_store: Store) -> User:
    return person(desk_store, "ada")


@pytest.fixture
def ben(desk_store: Store) -> User:
    return person(desk_store, "ben")


@pytest.fixture
def raised(desk_store: Store) -> int:
    return cases.raise_claim(
        desk_store, OVER, user_id=99, role="homeowner", said="High bills.", now=NOW
    )


def test_the_desk_shows_what_waits_and_what_is_due(desk_store: Store, ada: User, raised: int):
    found = desk_data.desk(ada, desk_store, NOW)
    assert [case.claim.number for case in found.waiting if case.claim] == [raised]
    assert found.due == [], "the other promise still runs for half a year"
    found = desk_data.desk(ada, desk_store, NOW + timedelta(days=150))
    assert [case.site.id for case in found.due] == [RUNNING]
    words = text(desk.layout(ada, desk_store, None, NOW))
    assert f"Claim {raised}" in words
    assert "off course" in words


def test_a_long_desk_is_shown_a_page_at_a_time(
    desk_store: Store, ada: User, raised: int, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(desk_data, "PAGE", 1)
    second = cases.raise_claim(
        desk_store, RUNNING, user_id=98, role="homeowner", said="Cold rooms.", now=NOW
    )
    count = desk_data.desk(ada, desk_store, NOW).waiting_in_all
    assert count >= 2
    numbers = []
    for page_number in range(1, count + 1):
        found = desk_data.desk(ada, desk_store, NOW, waiting_page=page_number)
        numbers += [case.claim.number for case in found.waiting]
    assert numbers == sorted(set(numbers)), "each once, the oldest first"
    assert {raised, second} <= set(numbers)
    beyond = text(desk.layout(ada, desk_store, "?claims=99999&due=x", NOW))
    assert f"{count} to {count} of {count}" in beyond
    assert "← Previous" in beyond
    assert "Next →" not in beyond
    closed = {"user_id": ada.user_id, "role": "warranty", "said": "Said twice.", "now": NOW}
    cases.add_step(desk_store, second, What.CLOSED, **closed)


def test_evidence_says_what_is_there_and_what_is_missing(desk_store: Store, ada: User, raised: int):
    record = data.record(ada, desk_store, OVER, NOW)
    claim = cases.claim(desk_store, raised)
    items = {i.name: i for i in desk_data.evidence(desk_store, record.site, record.standing, claim)}
    assert items["Terms as signed"].state is State.THERE
    assert items["Coverage"].state is State.THERE
    assert items["Price of the electricity"].state is State.THERE
    assert items["The household was heard"].state is State.TO_CONFIRM
    desk_acts.step(ada, desk_store, raised, What.CHECKED, "Warm.", NOW, item="household")
    claim = cases.claim(desk_store, raised)
    items = {i.name: i for i in desk_data.evidence(desk_store, record.site, record.standing, claim)}
    assert items["The household was heard"].state is State.THERE
    with pytest.raises(NotFoundError):
        desk_acts.step(ada, desk_store, raised, What.CHECKED, "", NOW, item="invented")


def test_an_installer_adds_a_visit_that_the_desk_reads_and_the_household_is_told_of(
    desk_store: Store, ada: User
):
    ines = person(desk_store, "ines", role="installer", sites=(RUNNING,))
    number = cases.raise_claim(
        desk_store, RUNNING, user_id=99, role="homeowner", said="It is cold.", now=NOW
    )
    desk_acts.step(ada, desk_store, number, What.NOTE, "Ask the insurer.", NOW)
    site_claims.add(ines, desk_store, number, " Bled the radiators. ", "2026-03-18", NOW)
    site_claims.add(ines, desk_store, number, "Pressure holds.", "", NOW)
    claim = cases.claim(desk_store, number)
    assert [(s.what, s.role, s.said) for s in claim.steps[2:]] == [
        (What.VISIT, "installer", "Bled the radiators."),
        (What.NOTE, "installer", "Pressure holds."),
    ]
    record = data.record(ada, desk_store, RUNNING, NOW)
    lines = desk_data.timeline(desk_store, record, claim)
    assert "18 March 2026: Bled the radiators. (installer)" in {line.said for line in lines}
    household = home_data.home(ada, desk_store, RUNNING, NOW)
    told = [one.said for one in home_parts.claim_lines(claim, household)]
    assert told == [
        "You wrote: It is cold.",
        "Your installer says that they came on 18 March 2026.",
    ]
    page_of_ines = text(claim_of_site.layout(ines, desk_store, number, NOW))
    assert "Bled the radiators." in page_of_ines
    assert "It is cold." in page_of_ines
    assert "insurer" not in page_of_ines, "what the warranty team writes for itself"
    assert "Propose" not in page_of_ines
    assert "Confirm" not in page_of_ines
    desk_acts.step(ada, desk_store, number, What.CLOSED, "Put right.", NOW)
    assert "Put right." in text(claim_of_site.layout(ines, desk_store, number, NOW))
    with pytest.raises(DescriptionError, match="closed"):
        site_claims.add(ines, desk_store, number, "More.", "", NOW)


@pytest.mark.parametrize(
    ("words", "day", "why"),
    [
        ("  ", "", "a few words"),
        ("Seen.", "yesterday", "no day such as"),
        ("Seen.", "2026-03-21", "yet to come"),
    ],
)
def test_what_cannot_be_added_to_a_claim_is_refused_in_a_sentence(
    desk_store: Store, raised: int, words: str, day: str, why: str
):
    ines = person(desk_store, "ivo", role="installer", sites=(OVER,))
    before = cases.claim(desk_store, raised).steps
    with pytest.raises(DescriptionError, match=why):
        site_claims.add(ines, desk_store, raised, words, day, NOW)
    assert cases.claim(desk_store, raised).steps == before


def test_a_claim_on_a_home_of_others_is_not_there_for_an_installer(desk_store: Store, raised: int):
    iris = person(desk_store, "iris", role="installer", sites=(RUNNING,))
    for reach in (
        lambda: site_claims.add(iris, desk_store, raised, "Mine?", "", NOW),
        lambda: claim_of_site.layout(iris, desk_store, raised, NOW),
    ):
        with pytest.raises(NotFoundError):
            reach()


def test_an_exclusion_shows_its_effect_before_it_is_entered(
    desk_store: Store, ada: User, raised: int
):
    record = data.record(ada, desk_store, OVER, NOW)
    draft = desk_acts.drafted(
        record.site, "2025-12-01 00:00", "2025-12-15 00:00", "Heating curve", 0, ada.email, NOW
    )
    assert draft.condition == "The flow stays at or below 50 degC."
    effect = desk_acts.effect(record, draft)
    assert effect.before.account.hours.total - effect.after.account.hours.total == 14 * 24
    assert effect.before.account.spf != effect.after.account.spf
    assert claims.exclusions(desk_store, OVER) == {}
    desk_acts.exclude_hours(ada, desk_store, raised, draft, NOW)
    entered = data.record(ada, desk_store, OVER, NOW)
    assert entered.standing.account.spf == pytest.approx(effect.after.account.spf)
    (number,) = claims.exclusions(desk_store, OVER)
    desk_acts.withdraw(ada, desk_store, raised, number, NOW)
    back = data.record(ada, desk_store, OVER, NOW)
    assert back.standing.account.spf == pytest.approx(effect.before.account.spf)


@pytest.mark.parametrize(
    ("begin", "end", "reason", "says"),
    [
        ("yesterday", "2025-12-15 00:00", "Why", "is no time"),
        ("2025-12-01 00:30", "2025-12-15 00:00", "Why", "on the hour"),
        ("2025-12-15 00:00", "2025-12-01 00:00", "Why", "after the start"),
        ("2025-12-01 00:00", "2025-12-15 00:00", " ", "Say why"),
    ],
)
def test_an_exclusion_that_is_none_is_refused_in_a_sentence(
    desk_store: Store, ada: User, begin: str, end: str, reason: str, says: str
):
    site = data.record(ada, desk_store, OVER, NOW).site
    with pytest.raises(DescriptionError, match=says):
        desk_acts.drafted(site, begin, end, reason, None, ada.email, NOW)


def test_it_takes_two_people_to_settle(desk_store: Store, ada: User, ben: User, raised: int):
    with pytest.raises(DescriptionError, match="Nothing is proposed"):
        desk_acts.confirm(ben, desk_store, raised, "", NOW)
    proposed = desk_acts.propose(ada, desk_store, raised, "As measured.", NOW)
    assert claims.settlements(desk_store, OVER).height == 0
    with pytest.raises(DescriptionError, match="second person"):
        desk_acts.confirm(ada, desk_store, raised, "", NOW)
    settled = desk_acts.confirm(ben, desk_store, raised, "", NOW)
    assert settled.decision == proposed.decision == "not kept"
    assert claims.settlements(desk_store, OVER).height == 1
    assert not cases.claim(desk_store, raised).is_open


def test_a_claim_that_is_sent_twice_at_once_is_one(desk_store: Store):
    together = threading.Barrier(4)

    def sent(_: int) -> int:
        together.wait()
        return cases.raise_claim(
            desk_store, RUNNING, user_id=98, role="homeowner", said="Cold rooms.", now=NOW
        )

    with ThreadPoolExecutor(4) as clicks:
        (number,) = set(clicks.map(sent, range(4)))
    cases.add_step(
        desk_store, number, What.CLOSED, user_id=1, role="warranty", said="Twice.", now=NOW
    )


def test_two_who_confirm_at_the_same_time_settle_once(desk_store: Store, ada: User, ben: User):
    number = cases.raise_claim(
        desk_store, OVER, user_id=99, role="homeowner", said="Once more.", now=NOW
    )
    desk_acts.propose(ada, desk_store, number, "", NOW)
    before = claims.settlements(desk_store, OVER).height
    together = threading.Barrier(4)

    def confirmed() -> str:
        together.wait()
        try:
            return desk_acts.confirm(ben, desk_store, number, "", NOW).decision
        except DescriptionError as error:
            return error.user_message

    with ThreadPoolExecutor(4) as people:
        done = [one.result(60) for one in [people.submit(confirmed) for _ in range(4)]]
    late = "Nothing is proposed that could be confirmed."
    assert sorted(done) == [late, late, late, "not kept"]
    assert claims.settlements(desk_store, OVER).height == before + 1
    assert [step.what for step in cases.claim(desk_store, number).steps].count(What.CONFIRMED) == 1


def test_neither_settlement_nor_confirmation_stays_where_the_other_fails(
    desk_store: Store, ada: User, ben: User, monkeypatch: pytest.MonkeyPatch
):
    number = cases.raise_claim(
        desk_store, OVER, user_id=99, role="homeowner", said="And again.", now=NOW
    )
    desk_acts.propose(ada, desk_store, number, "", NOW)
    before = claims.settlements(desk_store, OVER).height
    with monkeypatch.context() as patched:
        patched.setattr(cases, "_insert_step", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            desk_acts.confirm(ben, desk_store, number, "", NOW)
    assert claims.settlements(desk_store, OVER).height == before
    assert cases.claim(desk_store, number).proposal is not None
    desk_acts.step(ben, desk_store, number, What.CLOSED, "Withdrawn.", NOW)


def unclaimed(store: Store, site_id: str, name: str) -> None:
    """A home whose promise was kept, and whose period is over."""
    site = _site(site_id, name, "Marlbeck", promise=3.1, start="2025-10-01")
    terms = site.terms[0].model_copy(update={"months": 4})
    save_site(store, site.model_copy(update={"terms": (terms,)}), NOW)
    fill(store, site)
    refresh_site(store, site_id, now=NOW)


def test_a_promise_that_nobody_claims_is_taken_up_once_and_settled_by_two(
    desk_store: Store, ada: User, ben: User
):
    site_id = "gorse-lane-4"
    unclaimed(desk_store, site_id, "4 Gorse Lane")
    assert "the promise of 4 Gorse Lane" in text(desk.layout(ada, desk_store, None, NOW))
    number = desk_acts.take_up(ada, desk_store, site_id, NOW)
    assert desk_acts.take_up(ben, desk_store, site_id, NOW) == number
    assert len(cases.claim(desk_store, number).steps) == 1
    household = home_data.home(ada, desk_store, site_id, NOW)
    (line,) = home_parts.claim_lines(household.claims[0], household)
    assert (
        line.said == "The time of the promise is over. It is being looked at whether it was kept."
    )
    desk_acts.propose(ada, desk_store, number, "Nobody claims; kept by far.", NOW)
    assert desk_acts.confirm(ben, desk_store, number, "", NOW).decision == "kept"
    with pytest.raises(NotFoundError):
        desk_acts.take_up(ada, desk_store, site_id, NOW)
    assert "4 Gorse Lane" not in text(desk.layout(ada, desk_store, None, NOW))


def test_the_button_of_the_desk_leads_to_the_claim_and_needs_the_token_of_the_session(
    desk_store: Store, ada: User
):
    unclaimed(desk_store, "gorse-lane-6", "6 Gorse Lane")
    client = signed_in(create_app(desk_store, clock=lambda: NOW), ada)
    assert client.post("/site/gorse-lane-6/settle").status_code == 400
    assert cases.load_claims(desk_store, "gorse-lane-6") == []
    answer = client.post("/site/gorse-lane-6/settle", data={"csrf": "token"})
    (claim,) = cases.load_claims(desk_store, "gorse-lane-6")
    assert (answer.status_code, answer.location) == (303, f"/claim/{claim.number}")
    assert client.post(f"/site/{RUNNING}/settle", data={"csrf": "token"}).status_code == 404


def test_nothing_is_taken_up_that_still_runs_or_is_not_theirs(desk_store: Store, ada: User):
    with pytest.raises(NotFoundError):
        desk_acts.take_up(ada, desk_store, RUNNING, NOW)
    other = person(desk_store, "cora", sites=(RUNNING,))
    with pytest.raises(NotFoundError):
        desk_acts.take_up(other, desk_store, OVER, NOW)


def test_what_changed_since_the_proposal_must_be_proposed_anew(
    desk_store: Store, ada: User, ben: User
):
    number = cases.raise_claim(
        desk_store, OVER, user_id=99, role="homeowner", said="Again.", now=NOW
    )
    desk_acts.propose(ada, desk_store, number, "", NOW)
    site = data.record(ada, desk_store, OVER, NOW).site
    draft = desk_acts.drafted(
        site, "2025-11-01 00:00", "2025-11-03 00:00", "Outage", None, ada.email, NOW
    )
    desk_acts.exclude_hours(ada, desk_store, number, draft, NOW)
    with pytest.raises(DescriptionError, match="has changed"):
        desk_acts.confirm(ben, desk_store, number, "", NOW)
    desk_acts.step(ben, desk_store, number, What.REFUSED, "Look at November.", NOW)
    assert cases.claim(desk_store, number).proposal is None
    with pytest.raises(DescriptionError, match="few words"):
        desk_acts.step(ben, desk_store, number, What.CLOSED, "", NOW)
    desk_acts.step(ben, desk_store, number, What.CLOSED, "Withdrawn.", NOW)


def test_a_promise_that_still_runs_cannot_be_settled(desk_store: Store, ada: User):
    number = cases.raise_claim(
        desk_store, RUNNING, user_id=99, role="homeowner", said="Cold.", now=NOW
    )
    with pytest.raises(DescriptionError, match="lasts until"):
        desk_acts.propose(ada, desk_store, number, "", NOW)
    assert cases.claim(desk_store, number).proposal is None


def test_the_demo_leaves_one_claim_new_and_one_for_a_second_person(
    desk_store: Store, ada: User, ben: User, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(demo_claims, "RAISED", RUNNING)
    monkeypatch.setattr(demo_claims, "PROPOSED", OVER)
    for claim in cases.load_claims(desk_store):
        if claim.is_open:
            desk_acts.step(ada, desk_store, claim.number, What.CLOSED, "Before the demo.", NOW)
    before = {claim.number for claim in cases.load_claims(desk_store)}
    households = {
        site_id: person(desk_store, f"home-of-{site_id}", "homeowner", (site_id,))
        for site_id in (OVER, RUNNING)
    }
    demo_claims.make(desk_store, households, ada, NOW)
    made = {c.site_id: c for c in cases.load_claims(desk_store) if c.number not in before}
    assert [step.what for step in made[RUNNING].steps] == [What.RAISED]
    assert made[OVER].proposal.user_id == ada.user_id
    settled = desk_acts.confirm(ben, desk_store, made[OVER].number, "", NOW)
    assert settled.decision == "not kept"


def test_a_claim_on_a_site_that_is_not_theirs_is_not_there(desk_store: Store, raised: int):
    elsewhere = person(desk_store, "cleo", sites=(RUNNING,))
    with pytest.raises(NotFoundError):
        page.layout(elsewhere, desk_store, raised, NOW)
    waiting = desk_data.desk(elsewhere, desk_store, NOW).waiting
    assert raised not in [case.claim.number for case in waiting if case.claim]


def test_the_page_of_a_claim_has_terms_evidence_and_timeline(
    desk_store: Store, ada: User, raised: int
):
    words = text(page.layout(ada, desk_store, raised, NOW))
    order = ["Hours that do not count", "Your words", "Newest first"]
    places = [words.index(one) for one in order]
    assert places == sorted(places)
    assert "High bills." in words
    moments = desk_data.timeline(
        desk_store, data.record(ada, desk_store, OVER, NOW), cases.claim(desk_store, raised)
    )
    assert {"commissioned", "meter fitted", "import", "claim raised"} <= {m.what for m in moments}


def test_a_proposal_names_what_it_rests_on(desk_store: Store, ada: User):
    number = cases.raise_claim(
        desk_store, OVER, user_id=99, role="homeowner", said="Once more.", now=NOW
    )
    desk_acts.propose(ada, desk_store, number, "", NOW)
    waiting = cases.claim(desk_store, number).proposal
    assert len(json.loads(waiting.document)["input_hash"]) == 64
    assert "you proposed it" in text(page.layout(ada, desk_store, number, NOW))
