"""Commands about people and the log, as somebody types them."""

from __future__ import annotations

import io
import json
import sys
import zipfile
from pathlib import Path

import duckdb
import pytest

from dashboard.cli import main

STORE = "fleet.duckdb"


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    """Runs a command in an empty folder; gives its exit code and its result."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PLEDGEWATT_STORE", STORE)

    def typed(*words: str, says: str = "", code: int = 0):
        monkeypatch.setattr(sys, "argv", ["pledgewatt", *words, "--json"])
        monkeypatch.setattr(sys, "stdin", io.StringIO(says))
        with pytest.raises(SystemExit) as ended:
            main()
        shown = capsys.readouterr()
        assert ended.value.code == code, shown.err
        return json.loads(shown.out) if shown.out else shown.err

    typed("init")
    return typed


def test_a_person_is_invited_given_their_data_and_erased(run, tmp_path: Path) -> None:
    words = ("--name", "Wanda", "--role", "warranty", "--address", "https://watt.firm.example/")
    made = run("users", "invite", "wanda@firm.example", *words)
    assert made["link"].startswith("https://watt.firm.example/join/")
    assert made["sees"] == "every site"
    assert len(run("users", "invitations")) == 1
    assert run("users", "invitations", "--withdraw", "1") == []
    run("users", "add", "wanda@firm.example", *words[:4], says="nine green bottles\n")
    assert run("users", "lock", "wanda@firm.example")["locked"]
    assert run("users", "invite", "wanda@firm.example")["new_account"] is False
    assert not run("users", "unlock", "wanda@firm.example")["locked"]
    assert run("users", "unbind", "wanda@firm.example")["email"] == "wanda@firm.example"
    run("users", "export", "wanda@firm.example", "--out", "wanda.zip")
    with zipfile.ZipFile(tmp_path / "wanda.zip") as archive:
        assert json.loads(archive.read("about.json"))["name"] == "Wanda"
    again = run("users", "export", "wanda@firm.example", "--out", "wanda.zip", code=2)
    assert "will not be overwritten" in again
    refused = run("users", "erase", "wanda@firm.example", says="no\n", code=2)
    assert "Nothing was erased" in refused
    assert run("users", "erase", "wanda@firm.example", says="Wanda@firm.example\n")["person"] == 1
    assert run("users", "list") == []
    run("users", "export", "wanda@firm.example", code=3)
    done = [row["action"] for row in run("audit", "list", "--person", "1")]
    assert done[0] == "person erased"
    assert done[-1] == "account added"
    assert {row["by"] for row in run("audit", "list")} == {"command"}
    assert run("audit", "verify")["whole"]


def test_an_unknown_person_needs_a_name_and_a_role(run) -> None:
    assert "give --name and --role" in run("users", "invite", "x@firm.example", code=2)


def test_a_log_that_is_not_whole_ends_with_a_code_of_its_own(run, tmp_path: Path) -> None:
    for n in range(3):
        words = ("--name", "Ann", "--role", "installer")
        run("users", "add", f"ann{n}@firm.example", *words, says="nine green bottles\n")
    noted = run("audit", "verify")["head"]
    assert run("audit", "verify", "--expect", noted)["whole"]
    with duckdb.connect(str(tmp_path / STORE)) as touched:
        touched.execute("DELETE FROM audit WHERE number = 2")
    found = run("audit", "verify", code=6)
    assert not found["whole"]
    assert "Row 2 is missing before row 3." in found["problems"]
    assert "colon" in run("audit", "verify", "--expect", "x", code=2)
