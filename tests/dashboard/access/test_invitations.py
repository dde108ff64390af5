"""Links by which a person comes in: once, for some days, and nobody else's."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from threading import Barrier, Thread

import pytest

from dashboard.app import create_app
from monitor.errors import NotFoundError
from monitor.store import audit, invitations, users
from monitor.store.connection import Store, open_store
from monitor.store.invitations import LinkError
from monitor.store.users import AccountError
from tests.dashboard.conftest import signed_in

NOW = datetime(2026, 3, 20, 12, 20, tzinfo=UTC)
PASSWORD = "nine green bottles"


@pytest.fixture
def own(tmp_path, described) -> Iterator[Store]:
    with open_store(shutil.copy(described, tmp_path / "own.duckdb")) as opened:
        yield opened


def invite(store: Store, **more):
    usual = {
        "email": "Hugo@Example.org",
        "name": "Hugo",
        "role": "homeowner",
        "sites": ["alder-row-3"],
        "now": NOW,
    }
    return invitations.invite(store, **(usual | more))


def test_a_link_makes_the_account_that_was_meant_and_is_spent(own):
    _, token = invite(own)
    user = invitations.accept(own, token, PASSWORD, NOW)
    assert (user.email, user.role, user.sites) == (
        "hugo@example.org",
        "homeowner",
        ("alder-row-3",),
    )
    assert users.verify(own, "hugo@example.org", PASSWORD) == user
    with pytest.raises(LinkError, match="not good any more"):
        invitations.accept(own, token, "ten green bottles", NOW)


def test_only_the_hash_of_a_token_is_kept(own):
    _, token = invite(own)
    rows = own.cursor().execute("SELECT * FROM invitation").fetchall()
    assert token not in repr(rows)
    assert token not in repr(audit.entries(own))
    assert len(token) == 43  # 256 bits


def test_a_link_is_not_good_after_its_days(own):
    _, token = invite(own, days=2)
    late = NOW + timedelta(days=2)
    assert invitations.find(own, token, late - timedelta(seconds=1)).name == "Hugo"
    with pytest.raises(LinkError):
        invitations.accept(own, token, PASSWORD, late)
    assert invitations.open_invitations(own, late) == []


def test_a_newer_link_takes_the_place_of_an_older_one(own):
    _, first = invite(own)
    _, second = invite(own)
    with pytest.raises(LinkError):
        invitations.find(own, first, NOW)
    assert invitations.find(own, second, NOW)


def test_a_withdrawn_link_leads_nowhere(own):
    made, token = invite(own)
    invitations.withdraw(own, made.number)
    with pytest.raises(LinkError):
        invitations.accept(own, token, PASSWORD, NOW)
    with pytest.raises(NotFoundError, match="No invitation 1 is open"):
        invitations.withdraw(own, made.number)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"days": 0}, "1 to 30 days, not 0"),
        ({"days": 31}, "1 to 30 days, not 31"),
        ({"email": "hugo"}, "not an e-mail address"),
        ({"sites": []}, "exactly one site"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(own, wrong, says):
    with pytest.raises(AccountError, match=says):
        invite(own, **wrong)


def test_whoever_has_an_account_is_not_invited_again(own):
    _, token = invite(own)
    invitations.accept(own, token, PASSWORD, NOW)
    with pytest.raises(AccountError, match="already"):
        invite(own)


def test_a_password_that_is_too_short_leaves_the_link_good(own):
    _, token = invite(own)
    with pytest.raises(AccountError, match="10 to 256"):
        invitations.accept(own, token, "short", NOW)
    assert invitations.accept(own, token, PASSWORD, NOW)


def test_a_new_password_ends_sessions_and_undoes_a_lock(own):
    _, token = invite(own)
    user = invitations.accept(own, token, PASSWORD, NOW)
    users.lock(own, user.email, locked=True)
    _, another = invitations.new_password(own, user, now=NOW)
    after = invitations.accept(own, another, "ten green bottles", NOW)
    assert after.user_id == user.user_id
    assert after.session_key != user.session_key
    assert users.verify(own, user.email, "ten green bottles") == after


def test_two_who_use_one_link_at_once_make_one_account(own):
    _, token = invite(own)
    together, done = Barrier(2), []

    def take_up():
        together.wait()
        try:
            done.append(invitations.accept(own, token, PASSWORD, NOW).user_id)
        except LinkError:
            done.append("spent")

    threads = [Thread(target=take_up) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert "spent" in done
    assert len(users.list_users(own)) == 1


# The page ------------------------------------------------------------------------------------


@pytest.fixture
def app(own):
    return create_app(own, clock=lambda: NOW)


def send(client, **form):
    page = client.get("/join").get_data(as_text=True)
    found = re.search(r'name="csrf" value="([^"]+)"', page)
    return client.post("/join", data={"csrf": found[1] if found else ""} | form)


def test_the_invited_person_chooses_the_password(own, app):
    _, token = invite(own)
    client = app.server.test_client()
    arrived = client.get(f"/join/{token}")
    # The token does not stay in the address.
    assert (arrived.status_code, arrived.location) == (303, "/join")
    page = client.get("/join").get_data(as_text=True)
    assert "hugo@example.org" in page
    assert token not in page
    assert send(client, password=PASSWORD, again="ten green bottles").status_code == 400
    assert send(client, password="short", again="short").status_code == 400
    assert send(client, password=PASSWORD, again=PASSWORD, csrf="wrong").status_code == 400
    assert users.list_users(own) == []
    done = send(client, password=PASSWORD, again=PASSWORD)
    assert (done.status_code, done.location) == (303, "/login")
    assert users.verify(own, "hugo@example.org", PASSWORD) is not None
    assert client.get("/join").status_code == 404
    again = app.server.test_client()
    again.get(f"/join/{token}")
    assert again.get("/join").status_code == 404


@pytest.mark.parametrize("token", ["x" * 43, "x", "x" * 44, "..%2f" + "x" * 38])
def test_a_guessed_link_says_nothing(own, app, token):
    invite(own)
    client = app.server.test_client()
    first = client.get(f"/join/{token}")
    assert first.status_code == 303
    assert "Hugo" not in client.get("/join").get_data(as_text=True)


def test_looking_at_a_link_does_not_spend_it(own, app):
    # Some mail programs open every link before the person does.
    _, token = invite(own)
    for _ in range(3):
        robot = app.server.test_client()
        robot.get(f"/join/{token}")
        robot.get("/join")
    assert invitations.find(own, token, NOW)


def staff(own, app, role, **given):
    user = users.add_user(
        own, email=f"{role}@example.org", name=role, role=role, password=PASSWORD, now=NOW, **given
    )
    return user, signed_in(app, user)


def form(**more):
    usual = {"csrf": "token", "email": "hugo@example.org", "name": "Hugo", "role": "homeowner"}
    return usual | {"sites": "alder-row-3"} | more


def test_an_installer_invites_the_people_of_homes_they_see(own, app):
    _, client = staff(own, app, "installer", sites=["alder-row-3"])
    page = client.post("/people/invite", data=form()).get_data(as_text=True)
    token = re.search(r"http://localhost/join/([\w-]{43})", page)[1]
    assert invitations.find(own, token, NOW).scope.sites == ("alder-row-3",)
    # It is shown once.
    assert token not in client.get("/people").get_data(as_text=True)


@pytest.mark.parametrize(
    "wrong", [{"sites": "brook-cottage"}, {"sites": ""}, {"sites": "alder-row-3 brook-cottage"}]
)
def test_an_installer_invites_nobody_to_a_foreign_home(own, app, wrong):
    _, client = staff(own, app, "installer", sites=["alder-row-3"])
    assert client.post("/people/invite", data=form(**wrong)).status_code == 400
    assert invitations.open_invitations(own, NOW) == []


def test_an_installer_makes_nobody_more_than_a_homeowner(own, app):
    _, client = staff(own, app, "installer")
    client.post("/people/invite", data=form(role="administrator"))
    assert [one.role for one in invitations.open_invitations(own, NOW)] == ["homeowner"]


def test_an_installer_withdraws_no_foreign_invitation(own, app):
    made, _ = invite(own, sites=["brook-cottage"])
    _, client = staff(own, app, "installer", sites=["alder-row-3"])
    assert client.post(f"/people/withdraw/{made.number}", data={"csrf": "token"}).status_code == 404
    assert len(invitations.open_invitations(own, NOW)) == 1


def test_an_administrator_lets_in_locks_renews_and_erases(own, app):
    agnes, client = staff(own, app, "administrator")
    page = client.post(
        "/people/invite",
        data=form(role="warranty", sites="", email="wanda@example.org", name="<b>Wanda"),
    ).get_data(as_text=True)
    assert "<b>Wanda" not in page
    token = re.search(r"/join/([\w-]{43})", page)[1]
    wanda = invitations.accept(own, token, PASSWORD, NOW)
    assert wanda.everywhere
    there = f"/people/{wanda.user_id}"
    token_of = {"csrf": "token"}
    assert client.post(f"{there}/lock", data=token_of).status_code == 303
    assert users.load_user(own, wanda.user_id).locked
    client.post(f"{there}/unlock", data=token_of)
    assert not users.load_user(own, wanda.user_id).locked
    page = client.post(f"{there}/password", data=token_of).get_data(as_text=True)
    assert "/join/" in page
    assert client.post(f"{there}/erase", data=token_of | {"email": "x"}).status_code == 400
    assert users.load_user(own, wanda.user_id) is not None
    client.post(f"{there}/erase", data=token_of | {"email": "Wanda@example.org"})
    assert users.load_user(own, wanda.user_id) is None
    done = [e.action for e in audit.entries(own) if e.actor.person == agnes.user_id]
    assert {"invited", "account locked", "account unlocked", "new password offered",
            "person erased"} <= set(done)  # fmt: skip


def test_nobody_locks_or_erases_themselves(own, app):
    agnes, client = staff(own, app, "administrator")
    for what in ("lock", "erase"):
        answer = client.post(
            f"/people/{agnes.user_id}/{what}", data={"csrf": "token", "email": agnes.email}
        )
        assert answer.status_code == 400
        assert "your own account" in answer.get_data(as_text=True)
    assert not users.load_user(own, agnes.user_id).locked
