"""The commands about telling, as a person types them, and telling while pages are served."""

from __future__ import annotations

import shutil
import time
import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dashboard import serve
from dashboard.telling.described import telling_from_toml
from monitor.findings.finding import Topic
from monitor.models import Site
from monitor.store import users
from monitor.store.connection import open_store
from monitor.store.findings import keep_findings
from monitor.store.sites import save_site
from tests.dashboard.telling_people import PASSWORD, MailServer, body, finding
from tests.test_command_line import SITE, Shell


@pytest.fixture(scope="module")
def server() -> Iterator[MailServer]:
    made = MailServer()
    yield made
    made.close()


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a home, a finding, an installer and a homeowner."""
    path: Path = tmp_path_factory.mktemp("filled") / "fleet.duckdb"
    now = datetime.now(UTC)
    with open_store(path, create=True) as store:
        save_site(store, Site.model_validate(tomllib.loads(SITE)), now)
        # A topic of which a home without readings finds nothing.
        keep_findings(store, "mill-lane-1", [finding("curve", Topic.UNIT)], now)
        for email, role, sites in (
            ("ines@firm.example", "installer", ()),
            ("hugo@home.example", "homeowner", ("mill-lane-1",)),
        ):
            users.add_user(
                store,
                email=email,
                name="Somebody",
                role=role,
                password=PASSWORD,
                sites=sites,
                now=now,
            )
    return path


@pytest.fixture
def shell(tmp_path, capsys, monkeypatch, server, filled) -> Shell:
    server.letters.clear()
    server.refused.clear()
    monkeypatch.delenv("PLEDGEWATT_TELLING", raising=False)
    (tmp_path / "telling.toml").write_text(
        f'[mail]\nhost = "127.0.0.1"\nport = {server.port}\nsecurity = "none"\n'
        'sender = "fleet@firm.example"\n'
    )
    shutil.copy(filled, tmp_path)
    return Shell(tmp_path, capsys, monkeypatch)


def test_what_would_be_sent_is_shown_and_not_sent(shell, server, monkeypatch):
    monkeypatch.setattr("dashboard.cli_telling.refresh_all", lambda *_: 0)
    (one,) = shell.json("telling", "preview")
    assert (one["to"], one["way"]) == ("ines@firm.example", "e-mail")
    assert one["subject"] == "1 new finding: Something about curve (mill-lane-1)"
    code, out, _ = shell.run("telling", "preview", "--to", "ines@firm.example")
    assert code == 0
    assert "To ines@firm.example by e-mail\nSubject: 1 new finding" in out
    assert shell.json("telling", "preview", "--to", "hugo@home.example") == []
    assert server.letters == []


def test_what_is_new_is_sent_once_and_what_failed_is_said(shell, server, monkeypatch):
    monkeypatch.setattr("dashboard.cli_telling.refresh_all", lambda *_: 0)
    server.refused["ines@firm.example"] = "550 unknown"
    code, out, err = shell.run("telling", "send")
    assert (code, out) == (2, "Nobody was told.\n")
    assert "ines@firm.example was not told. The mail server 127.0.0.1, port" in err
    (ines,) = [p for p in shell.json("telling", "list") if p["email"] == "ines@firm.example"]
    assert ines["failures"] == 1
    assert "550 unknown" in ines["last_error"]
    assert ines["retry_at"] is not None
    server.refused.clear()
    code, out, _ = shell.run("telling", "send")
    assert code == 0
    assert "ines@firm.example was told by e-mail of 1\u00a0open finding and 0 cleared." in out
    assert len(server.letters) == 1
    assert shell.run("telling", "send")[1] == "There is nothing new to tell.\n"
    assert shell.json("telling", "list")[1]["failures"] == 0


def test_figures_are_brought_up_to_date_before_anything_is_sent(shell, server):
    # Nothing is wrong any more at a home without readings.
    assert shell.run("telling", "send")[1] == "There is nothing new to tell.\n"
    assert server.letters == []


def test_how_a_person_is_told_is_shown_and_changed(shell):
    hugo, ines = shell.json("telling", "list", "--telling", "telling.toml")
    assert (hugo["way"], ines["way"]) == ("none", "e-mail")
    assert ines["at_once"] == ["household"]
    changed = shell.json(
        "telling", "prefer", "ines@firm.example", "--least", "meter", "--at-once", "data"
    )
    assert changed == {
        "email": "ines@firm.example",
        "way": "e-mail",
        "topics": ["household", "data", "meter"],
        "at_once": ["household", "data"],
    }
    shell.json("telling", "prefer", "ines@firm.example", "--at-once", "nothing")
    _, ines = shell.json("telling", "list")
    assert (ines["topics"], ines["at_once"]) == (["household", "data", "meter"], [])
    code, out, _ = shell.run("telling", "prefer", "ines@firm.example", "--by", "none")
    assert (code, out) == (0, "ines@firm.example is told nothing.\n")
    code, out, _ = shell.run("telling", "list")
    assert code == 0
    assert "hugo@home.example" in out


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("prefer", "ines@firm.example"), 2, "Say what to change"),
        (("prefer", "nobody@firm.example", "--by", "none"), 3, "There is no account"),
        (("prefer", "ines@firm.example", "--by", "pigeon"), 2, "is no way to tell a person"),
        (("prefer", "hugo@home.example", "--by", "webhook:desk"), 2, "A homeowner is told by"),
        (
            ("prefer", "ines@firm.example", "--by", "webhook:desk", "--telling", "telling.toml"),
            2,
            "There is no webhook 'desk' in the telling file",
        ),
        (("send", "--to", "nobody@firm.example"), 3, "There is no account"),
        (("send", "--telling", "none.toml"), 2, "There is no telling file at none.toml"),
    ],
)
def test_what_cannot_be_done_is_a_sentence(shell, words, code, says):
    ended, out, err = shell.run("telling", *words)
    assert (ended, out) == (code, "")
    assert says in err


def test_people_are_told_while_pages_are_served(shell, server, monkeypatch):
    monkeypatch.setattr(serve, "TELL_EVERY", timedelta(seconds=0.05))
    monkeypatch.setattr(serve, "refresh_all", lambda *_: 0)
    telling = telling_from_toml(shell.folder / "telling.toml")
    with open_store(shell.folder / "fleet.duckdb") as store:
        cold = finding("cold", Topic.HOUSEHOLD)
        with serve._working(store, None, telling):
            # After the first look, so that it is news.
            keep_findings(store, "mill-lane-1", [cold], datetime.now(UTC))
            end = time.monotonic() + 10
            while not server.letters and time.monotonic() < end:
                time.sleep(0.02)
            time.sleep(0.2)
    (letter,) = server.letters
    assert "Something about cold" in body(letter)
