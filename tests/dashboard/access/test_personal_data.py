"""What is held on a person: all of it on request, gone on request, and each look at it logged."""

from __future__ import annotations

import io
import json
import shutil
import zipfile
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest

from dashboard.app import create_app
from monitor.errors import NotFoundError
from monitor.guarantee.settlement import Exclusion
from monitor.refresh import refresh_site
from monitor.store import audit, cases, claims, invitations, personal, readings, users
from monitor.store.connection import Store, open_store
from monitor.store.sites import load_site, save_site
from monitor.store.users import User
from tests.dashboard.access.conftest import FOREIGN, OWN
from tests.dashboard.conftest import NOW, PASSWORD, SITES, clock, fill, signed_in


@pytest.fixture(scope="module")
def made(tmp_path_factory, _quick_hashes) -> Path:
    """A store with two homes, their people and an installer who has entered something."""
    path = tmp_path_factory.mktemp("made") / "own.duckdb"
    with open_store(path, create=True) as opened:
        for site_id in (OWN, FOREIGN):
            save_site(opened, SITES[site_id][0], NOW)
        fill(opened, SITES[OWN][0])
        for name, role, homes in (
            ("hugo", "homeowner", [OWN]),
            ("olga", "homeowner", [FOREIGN]),
            ("ines", "installer", []),
        ):
            users.add_user(
                opened,
                email=f"{name}@example.org",
                name=f"{name.capitalize()} Somebody",
                role=role,
                password=PASSWORD,
                sites=homes,
                now=NOW,
            )
        claims.add_exclusion(
            opened,
            OWN,
            Exclusion(
                start_utc=NOW - timedelta(hours=30, minutes=20),
                end_utc=NOW - timedelta(hours=20, minutes=20),
                reason="Power cut.",
                by="Ines Somebody",
                at=NOW,
            ),
        )
        cases.raise_claim(opened, OWN, user_id=1, role="homeowner", said="It is cold.", now=NOW)
        refresh_site(opened, OWN, now=NOW)
    return path


@pytest.fixture
def own(made, tmp_path) -> Iterator[Store]:
    shutil.copy(made, tmp_path / "own.duckdb")
    with open_store(tmp_path / "own.duckdb") as opened:
        yield opened


def person(store: Store, name: str) -> User:
    return users.account(store, f"{name}@example.org")


def taken(store: Store, user: User) -> dict[str, str]:
    target = io.BytesIO()
    personal.export(store, user, target)
    with zipfile.ZipFile(target) as archive:
        return {name: archive.read(name).decode() for name in archive.namelist()}


def remaining(store: Store, text: str) -> list[str]:
    """Tables in which a text still stands, however it is written."""
    cursor = store.cursor()
    return [
        name
        for name in personal._tables(cursor)
        if cursor.execute(
            f'SELECT count(*) FROM "{name}" t WHERE contains(lower(t::VARCHAR), ?)',
            [text.casefold()],
        ).fetchall()[0][0]
    ]


def test_every_table_says_how_it_bears_on_a_person(own):
    assert set(personal._tables(own.cursor())) == set(personal.HELD)


def test_every_table_with_a_person_or_a_home_in_it_is_one_of_somebody(own):
    rows = own.cursor().execute(
        "SELECT DISTINCT table_name FROM duckdb_columns() SEMI JOIN duckdb_tables() "
        "USING (table_name) WHERE column_name IN ('user_id', 'site_id', 'email', 'channel_id')"
    ).fetchall()  # fmt: skip
    nobodys = {name for name, held in personal.HELD.items() if held == personal.Held()}
    assert {name for (name,) in rows} & nobodys == {"audit_pending", "changed"}


def test_a_homeowner_gets_the_account_and_the_home_with_every_reading(own):
    found = taken(own, person(own, "hugo"))
    about = json.loads(found["about.json"])
    assert about["email"] == "hugo@example.org"
    count = own.cursor().execute("SELECT count(*) FROM reading").fetchall()[0][0]
    assert about["rows"]["reading"] == count > 20_000
    assert pl.read_csv(io.BytesIO(found["reading.csv"].encode())).height == count
    assert json.loads(found["site_version.json"])[0]["document"]["name"] == "3 Alder Row"
    assert "It is cold." in found["claim_step.json"]
    assert "Power cut." in found["exclusion.json"]


def test_an_export_opens_no_door_and_holds_nobody_else(own):
    text = "".join(taken(own, person(own, "hugo")).values())
    kept = own.cursor().execute("SELECT password_hash, session_key FROM account").fetchall()
    assert not any(str(secret) in text for row in kept for secret in row)
    for other in ("olga@example.org", "Brook Cottage", FOREIGN):
        assert other not in text


def test_an_installer_gets_the_account_and_what_bears_their_name_but_no_readings(own):
    found = taken(own, person(own, "ines"))
    assert "Power cut." in found["exclusion.json"]
    assert "reading.csv" not in found
    assert "Alder Row" not in "".join(found.values())


def test_everybody_takes_their_own_data_by_the_page(own):
    hugo = person(own, "hugo")
    answer = signed_in(create_app(own, clock=clock), hugo).get("/own-data.zip")
    with zipfile.ZipFile(io.BytesIO(answer.get_data())) as archive:
        assert json.loads(archive.read("about.json"))["account"] == hugo.user_id
    assert audit.entries(own)[0].person == hugo.user_id


def test_an_erased_person_and_the_name_of_their_home_are_gone(own):
    hugo = person(own, "hugo")
    invitations.new_password(own, hugo, now=NOW)
    done = personal.erase(own, hugo)
    assert done.sites == (OWN,)
    for trace in ("hugo", "Alder Row,", "3 Alder Row", "Marlbeck", "XV4"):
        assert remaining(own, trace) == [], trace
    assert users.load_user(own, hugo.user_id) is None
    assert load_site(own, OWN).name == OWN


def test_an_erased_person_leaves_readings_claims_and_a_log_that_verifies(own):
    hugo = person(own, "hugo")
    count = own.cursor().execute("SELECT count(*) FROM reading").fetchall()
    before = audit.entries(own)
    done = personal.erase(own, hugo)
    assert own.cursor().execute("SELECT count(*) FROM reading").fetchall() == count
    assert cases.load_claims(own, OWN)[0].steps[0].said == "It is cold."
    assert audit.verify(own).problems == ()
    assert audit.entries(own)[1:] == before
    assert "1 × step of claims" in done.kept[0]
    # The home is computed on as before.
    assert refresh_site(own, OWN, now=NOW).account is not None
    assert readings.imports(own, OWN).height == 1


def test_a_home_in_which_somebody_else_lives_keeps_its_name(own):
    users.add_user(
        own, email="heidi@example.org", name="Heidi", role="homeowner", password=PASSWORD,
        sites=[OWN], now=NOW,
    )  # fmt: skip
    assert personal.erase(own, person(own, "hugo")).sites == ()
    assert load_site(own, OWN).name == "3 Alder Row"


def test_the_name_of_an_erased_installer_becomes_a_number(own):
    ines = person(own, "ines")
    personal.erase(own, ines)
    (exclusion,) = claims.exclusions(own, OWN).values()
    assert exclusion.by == f"person {ines.user_id}"
    assert remaining(own, "Ines Somebody") == []
    assert load_site(own, OWN).name == "3 Alder Row"


def test_a_number_is_never_given_again(own):
    hugo = person(own, "hugo")
    personal.erase(own, hugo)
    again = users.add_user(
        own, email="hugo@example.org", name="Hugo", role="homeowner", password=PASSWORD,
        sites=[OWN], now=NOW,
    )  # fmt: skip
    assert again.user_id > hugo.user_id


def test_nobody_can_be_erased_twice(own):
    personal.erase(own, person(own, "hugo"))
    with pytest.raises(NotFoundError, match="no account"):
        users.account(own, "hugo@example.org")


# Looks ---------------------------------------------------------------------------------------


def looks(store: Store) -> list[tuple[str, int | None, str | None, str]]:
    return [
        (e.action, e.actor.person, e.site, e.detail)
        for e in audit.entries(store)
        if e.action.startswith(("looked", "refused"))
    ]


def test_each_look_at_a_home_is_logged_once_with_who_and_where(own):
    hugo = person(own, "hugo")
    signed_in(create_app(own, clock=clock), hugo).get("/home")
    assert looks(own) == [("looked", hugo.user_id, OWN, "/home")]


def test_a_download_is_a_look_and_so_is_a_list_of_homes(own):
    ines = person(own, "ines")
    client = signed_in(create_app(own, clock=clock), ines)
    client.get(f"/download/{OWN}/months.csv")
    client.get("/people")
    assert looks(own)[::-1] == [
        ("looked", ines.user_id, OWN, "/download/<site_id>/<what>.csv"),
        ("looked at many", ines.user_id, None, "/people"),
    ]


def test_who_asks_for_a_foreign_home_sees_nothing_and_is_seen(own):
    hugo = person(own, "hugo")
    client = signed_in(create_app(own, clock=clock), hugo)
    assert client.get(f"/site/{FOREIGN}").status_code == 404
    assert looks(own) == [("refused", hugo.user_id, FOREIGN, "")]


def test_what_cannot_be_logged_is_not_shown(own, monkeypatch):
    app = create_app(own, clock=clock)
    app.server.config["PROPAGATE_EXCEPTIONS"] = False
    client = signed_in(app, person(own, "hugo"))

    def full(*_, **__):
        raise OSError("no space left on the device")

    monkeypatch.setattr(audit, "record_all", full)
    answer = client.get("/home")
    assert answer.status_code == 500
    assert "Alder Row" not in answer.get_data(as_text=True)


def test_a_change_names_who_made_it_by_whatever_way(own):
    hugo = person(own, "hugo")
    client = signed_in(create_app(own, clock=clock), hugo)
    client.post("/home/claim", data={"csrf": "token", "words": "Still cold."})
    with audit.acting("command"):
        save_site(own, SITES["fen-view"][0], NOW)
    newest, _, claim, *_ = audit.entries(own)
    assert (newest.action, newest.actor.kind, newest.site) == ("site described", "command",
                                                               "fen-view")  # fmt: skip
    assert (claim.action, claim.actor.person) == ("claim step taken", hugo.user_id)
