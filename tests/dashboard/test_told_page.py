"""Each person says on a page of their own how they are told of findings, and of which."""

from __future__ import annotations

import re

import pytest

from dashboard.app import create_app
from dashboard.pages.told import wished
from dashboard.telling.described import Telling
from monitor.store import audit, told, users
from monitor.store.connection import open_store
from monitor.store.sites import save_site
from monitor.store.told import Mailed, Wish
from tests.dashboard.conftest import NOW, PASSWORD, SITES, clock, signed_in

TELLING = Telling.model_validate(
    {
        "zone": "Europe/London",
        "mail": {"host": "mail.firm.example", "sender": "fleet@firm.example"},
        "webhook": [{"name": "desk", "url": "https://desk.firm.example/in", "secret_env": "S"}],
    }
)
PEOPLE = {"ines": "installer", "wanda": "warranty", "hugo": "homeowner", "agnes": "administrator"}


@pytest.fixture(scope="module")
def own(tmp_path_factory, _quick_hashes):
    with open_store(tmp_path_factory.mktemp("told") / "s.duckdb", create=True) as store:
        save_site(store, SITES["alder-row-3"][0], NOW)
        for name, role in PEOPLE.items():
            users.add_user(
                store,
                email=f"{name}@example.org",
                name=name.capitalize(),
                role=role,
                password=PASSWORD,
                sites=["alder-row-3"] if role == "homeowner" else (),
                now=NOW,
            )
        yield store


@pytest.fixture(scope="module")
def apps(own):
    return {
        telling: create_app(own, clock=clock, telling=TELLING if telling else None)
        for telling in (True, False)
    }


def person(store, name):
    return next(user for user in users.list_users(store) if user.email == f"{name}@example.org")


@pytest.fixture
def client(own, apps):
    return lambda name, telling=True: signed_in(apps[telling], person(own, name))


def chosen(page: str) -> set[str]:
    """What the form holds: radio buttons that are checked, options that are selected."""
    return set(re.findall(r'value="([^"]*)" (?:checked|selected)', page))


def kept(store, name) -> Wish | None:
    return told.wishes(store).get(person(store, name).user_id)


def test_the_page_begins_with_what_is_usual_for_one_like_them(client):
    for name, way in (("ines", "e-mail"), ("wanda", "none"), ("hugo", "none")):
        page = client(name).get("/told").get_data(as_text=True)
        assert way in chosen(page), name
        assert "at 07:00 (Europe/London)" in page or way == "none"


def test_an_installer_chooses_way_and_topics_and_the_log_keeps_that_they_did(own, client):
    ines = client("ines")
    form = {"way": "webhook:desk", "least": "meter", "at_once": "data"}
    answer = ines.post("/told", data=form | {"csrf": "token"})
    page = answer.get_data(as_text=True)
    assert (answer.status_code, chosen(page)) == (200, set(form.values()))
    assert "Kept." in page
    assert kept(own, "ines") == Wish("webhook:desk", "meter", "data")
    number = person(own, "ines").user_id
    entry = next(one for one in audit.entries(own) if one.action == "telling changed")
    assert (entry.actor.person, entry.person, entry.detail) == (number, number, "")
    # What is usual here is left to whoever runs the server, also when that changes.
    ines.post("/told", data={"csrf": "token", "way": "none", "least": "promise", "at_once": ""})
    assert kept(own, "ines") == Wish("none", "promise", None)


def test_the_same_again_is_no_change(own, client):
    form = {"csrf": "token", "way": "e-mail", "least": "promise", "at_once": "nothing"}
    client("wanda").post("/told", data=form)
    before = len([one for one in audit.entries(own) if one.action == "telling changed"])
    client("wanda").post("/told", data=form)
    assert len([one for one in audit.entries(own) if one.action == "telling changed"]) == before


def test_a_household_says_yes_or_no_in_plain_words_and_nothing_else(own, client):
    hugo = client("hugo")
    page = hugo.get("/told").get_data(as_text=True)
    assert "When something is found at my home, or is over" in page
    for word in ("webhook", "topic", "<select"):
        assert word not in page
    form = {"csrf": "token", "way": "e-mail", "least": "household", "at_once": "promise"}
    assert hugo.post("/told", data=form).status_code == 200
    assert kept(own, "hugo") == Wish("e-mail", None, None)
    page = hugo.post("/told", data=form | {"way": "webhook:desk"})
    assert page.status_code == 400
    assert "A homeowner is told by" in page.get_data(as_text=True).replace("&#39;", "'")
    assert kept(own, "hugo") == Wish("e-mail", None, None)


@pytest.mark.parametrize(
    ("form", "why"),
    [
        ({"way": "pigeon"}, "is no way to tell a person"),
        ({"way": "webhook:elsewhere"}, "There is no webhook"),
        ({"way": "e-mail", "least": "gossip"}, "is not a topic"),
        ({"way": "e-mail", "at_once": "gossip"}, "is not a topic"),
        ({"way": "<script>"}, "&lt;script&gt;"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence_and_changes_nothing(own, client, form, why):
    before = kept(own, "wanda")
    answer = client("wanda").post("/told", data={"csrf": "token"} | form)
    assert answer.status_code == 400
    assert why in answer.get_data(as_text=True)
    assert "<script>" not in answer.get_data(as_text=True)
    assert kept(own, "wanda") == before


def test_without_the_token_of_the_form_nothing_is_changed(own, client):
    before = kept(own, "hugo")
    assert client("hugo").post("/told", data={"way": "none"}).status_code == 400
    assert kept(own, "hugo") == before


def test_an_administrator_has_no_homes_and_no_such_page(client):
    assert client("agnes").get("/told").status_code == 404
    assert client("agnes").post("/told", data={"csrf": "token"}).status_code == 404


def test_where_nobody_is_told_yet_the_page_says_so_and_keeps_what_is_chosen(own, client):
    hugo = client("hugo", telling=False)
    assert "Messages are not switched on here" in hugo.get("/told").get_data(as_text=True)
    hugo.post("/told", data={"csrf": "token", "way": "none"})
    assert kept(own, "hugo") == Wish("none", None, None)


def test_the_page_says_when_a_message_was_sent_and_that_one_failed(own):
    ines = person(own, "ines")
    shown = wished(ines, Wish("e-mail"), Mailed(NOW, 2, NOW, "550 no such box"), TELLING, NOW)
    assert "You were last sent a message within the hour." in shown.state
    assert any("did not succeed" in line for line in shown.state)
    assert not any("550" in line for line in shown.state)
