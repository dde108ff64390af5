"""The command that proposes a profile, as a person types it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingest.profile import profile_from_toml
from monitor.store.connection import open_store
from monitor.store.sites import save_site
from tests.ingest.homes_to_propose import hours, site, table
from tests.test_command_line import Shell

NAMES = {"heat": "Wärme [kWh]", "elec": "Strom [kWh]", "outdoor": "Außen [°C]"}


@pytest.fixture
def shell(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Shell:
    """A store with one home, and an export of its meters."""
    made = Shell(tmp_path, capsys, monkeypatch)
    made.json("init")
    with open_store(tmp_path / "fleet.duckdb") as opened:
        save_site(opened, site(), datetime(2024, 1, 1, tzinfo=UTC))
    (tmp_path / "export.csv").write_text(table(hours(20), NAMES))
    (tmp_path / "local.csv").write_text(table(hours(20), NAMES, stamps="%d.%m.%Y %H:%M"))
    return made


def test_a_proposal_says_how_sure_it_is_and_why(shell: Shell) -> None:
    code, out, err = shell.run("propose", "export.csv", "--site", "mill-bank-2")
    assert (code, err) == (0, "")
    for wanted in (
        "export.csv is delimited; 3 columns are read",
        "heat_total",
        "sure (0.95)",
        "'warme' in 'Wärme [kWh]' speaks for it.",
        "as a register's do",
    ):
        assert wanted in out


def test_the_document_holds_the_profile_and_every_reason(shell: Shell) -> None:
    found = shell.json("propose", "export.csv", "--preview")
    assert [one["role"]["value"] for one in found["columns"]] == [
        "heat_total",
        "elec_total",
        "outdoor_temp",
    ]
    assert all(one["confidence"] > 0.7 and one["role"]["reasons"] for one in found["columns"])
    assert found["questions"] == []
    assert found["preview"]["rows_read"] == found["preview"]["accepted"] == 3 * 481
    assert found["toml"].startswith('name = "Export like export.csv"')


def test_a_profile_that_is_kept_imports_the_file(shell: Shell) -> None:
    written = shell.json("propose", "export.csv", "--site", "mill-bank-2", "--out", "p.toml")
    assert written["written"] == "p.toml"
    assert profile_from_toml(shell.folder / "p.toml").model_dump(mode="json") == written["profile"]
    brought = shell.json("import", "export.csv", "--site", "mill-bank-2", "--profile", "p.toml")
    assert brought["imports"][0]["accepted"] == 3 * 481
    assert brought["imports"][0]["quarantined"] == 0


def test_a_file_that_is_there_is_not_overwritten(shell: Shell) -> None:
    code, _, err = shell.run("propose", "export.csv", "--out", "export.csv")
    assert code == 2
    assert "will not be overwritten" in err


def test_nothing_is_asked_where_nobody_can_answer(shell: Shell) -> None:
    code, out, _ = shell.run("propose", "local.csv", "--out", "p.toml")
    assert code == 2
    assert "1 question has to be answered first" in out
    assert "Answer with --set 'zone=...'" in out
    assert not (shell.folder / "p.toml").exists()
    answered = shell.json("propose", "local.csv", "--set", "zone=UTC")
    assert answered["profile"]["zone"] == "UTC"


def test_what_a_person_sets_goes_first(shell: Shell) -> None:
    found = shell.json("propose", "export.csv", "--set", "Strom [kWh].role=elec_unit")
    assert found["columns"][1]["role"] == {
        "value": "elec_unit",
        "confidence": 1.0,
        "reasons": ["You said so."],
    }


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("export.csv", "--set", "zone"), 2, "is no answer"),
        (("export.csv", "--site", "nowhere"), 3, "no site 'nowhere'"),
    ],
)
def test_what_cannot_be_used_is_a_sentence(
    shell: Shell, words: tuple[str, ...], code: int, said: str
) -> None:
    ended, _, err = shell.run("propose", *words)
    assert ended == code
    assert said in err


@pytest.mark.parametrize("content", [b"", b"\x00\x01\x02", b"PK\x03\x04", b"hello\n"])
def test_a_file_that_is_no_export_is_said_to_be_none(shell: Shell, content: bytes) -> None:
    (shell.folder / "odd").write_bytes(content)
    code, out, err = shell.run("propose", "odd")
    assert code == 2
    assert "cannot be read as an export" in out
    assert "Traceback" not in out + err


def test_a_person_at_a_terminal_is_asked(shell: Shell) -> None:
    shell.monkeypatch.setattr("dashboard.cli_propose.at_a_terminal", lambda: True)
    shell.monkeypatch.setattr("typer.prompt", lambda *_, **__: "Europe/Berlin")
    code, out, _ = shell.run("propose", "local.csv", "--out", "p.toml")
    assert code == 0
    assert "The profile was written to p.toml" in out
    assert profile_from_toml(shell.folder / "p.toml").zone == "Europe/Berlin"
