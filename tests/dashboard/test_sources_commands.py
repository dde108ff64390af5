"""The commands about sources, as a person types them."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.ingest_store.intake import wait_for
from tests.test_command_line import PROFILE, SITE, Shell

PROGRAM = (sys.executable, "-c", "from dashboard.cli import main; main()")

SOURCES = """
[[source]]
name = "logger"
site = "mill-lane-1"
profile = "profile.toml"
kind = "folder"
folder = "incoming"
complete = "renamed"

[[source]]
name = "portal"
site = "mill-lane-1"
profile = "none.toml"
kind = "http"
url = "https://127.0.0.1:1/export.csv"
token_env = "PORTAL_TOKEN"
"""


@pytest.fixture
def shell(tmp_path, capsys, monkeypatch) -> Shell:
    made = Shell(tmp_path, capsys, monkeypatch)
    (tmp_path / "sources.toml").write_text(SOURCES)
    (tmp_path / "incoming").mkdir()
    made.json("init")
    made.json("site", "add", "site.toml")
    return made


def test_the_list_says_what_each_source_lacks(shell, monkeypatch):
    monkeypatch.delenv("PORTAL_TOKEN", raising=False)
    logger, portal = shell.json("sources", "list")
    assert (logger["name"], logger["kind"], logger["lacks"]) == ("logger", "folder", [])
    assert portal["lacks"][0] == "PORTAL_TOKEN is not set"
    assert "There is no profile file" in portal["lacks"][1]
    code, out, _ = shell.run("sources", "list")
    assert code == 0
    assert "incoming" in out
    assert "15 minutes" in out.replace("\u00a0", " ")


def test_one_go_takes_in_what_is_there_and_says_what_became_of_it(shell):
    for name in ("a", "b"):
        (shell.folder / "incoming" / f"{name}.csv").write_text("")
    (shell.folder / "export.csv").rename(shell.folder / "incoming" / "export.csv")
    code, out, err = shell.run("sources", "run", "--once", "--source", "logger")
    assert (code, err) == (2, "")
    assert "logger: 1 file taken, 2 failed" in out.replace("\u00a0", " ")
    assert (
        "1,490 readings read = 1,489 accepted + 0 duplicates + 0 conflicts + 1 quarantined" in out
    )
    (state,) = [s for s in shell.json("sources", "status") if s["name"] == "logger"]
    assert (state["files"], state["readings"], state["rejects"], state["failed"]) == (1, 1489, 1, 2)
    assert sorted(f["file"][:2] for f in state["failed_files"]) == ["a-", "b-"]
    assert state["silent"] is True
    code, out, _ = shell.run("sources", "status")
    assert (code, "silent" in out) == (0, True)


def test_a_source_that_fails_is_said_and_the_others_go_on(shell):
    (shell.folder / "export.csv").rename(shell.folder / "incoming" / "export.csv")
    code, out, err = shell.run("sources", "run", "--once")
    assert code == 2
    assert "logger: 1 file taken" in out.replace("\u00a0", " ")
    assert "PORTAL_TOKEN" in err
    assert "Traceback" not in err


def test_what_is_not_described_is_said(shell):
    assert shell.run("sources", "run", "--once", "--source", "attic")[0] == 3
    assert shell.run("sources", "run", "--source", "logger")[0] == 2
    (shell.folder / "sources.toml").unlink()
    code, _, err = shell.run("sources", "list")
    assert code == 2
    assert "There is no sources file at sources.toml" in err


@pytest.mark.parametrize("words", [["serve", "--port", "0"], ["sources", "run"]])
def test_files_come_in_while_the_program_runs(tmp_path: Path, words: list[str]) -> None:
    for name, content in (("site", SITE), ("profile", PROFILE), ("sources", SOURCES)):
        (tmp_path / f"{name}.toml").write_text(content)
    (tmp_path / "incoming").mkdir()

    def command(*given: str) -> list[str]:
        return [*PROGRAM, *given]

    for given in (["init"], ["site", "add", "site.toml"]):
        subprocess.run(command(*given), cwd=tmp_path, check=True, capture_output=True)
    start = datetime(2024, 1, 10, tzinfo=UTC)
    lines = [f"{start + timedelta(hours=h):%Y-%m-%dT%H:%M:%SZ},{3 * h},{h}" for h in range(48)]
    (tmp_path / "incoming" / "export.csv").write_text("\n".join(["time,heat,unit", *lines]))
    done = tmp_path / "incoming" / "done" / "logger"
    with subprocess.Popen(
        command(*words, "--sources", "sources.toml"),
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stdout.readline().strip()
            wait_for(lambda: done.is_dir() and len(list(done.iterdir())) == 2, 60)
            process.send_signal(signal.SIGTERM)
            _, err = process.communicate(timeout=30)
        finally:
            process.kill()
    assert process.returncode == 0, err
    assert "Traceback" not in err
    (report,) = done.glob("*.report.json")
    assert json.loads(report.read_text())["import"]["accepted"] == 96


@pytest.mark.parametrize("words", [["serve", "--port", "0"], ["sources", "run"]])
@pytest.mark.parametrize("after_s", [0.0, 0.1, 0.5])
def test_the_program_ends_when_told_to_whatever_it_is_doing(
    shell: Shell, words: list[str], after_s: float
) -> None:
    (shell.folder / "export.csv").rename(shell.folder / "incoming" / "export.csv")
    with subprocess.Popen(
        [*PROGRAM, *words, "--sources", "sources.toml", "--store", "fleet.duckdb"],
        cwd=shell.folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stdout.readline().strip()
            time.sleep(after_s)
            process.send_signal(signal.SIGTERM)
            _, err = process.communicate(timeout=30)
        finally:
            process.kill()
    assert process.returncode == 0, err
    assert "Traceback" not in err
