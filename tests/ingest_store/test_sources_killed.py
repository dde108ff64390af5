"""A process that is killed at any instant: afterwards each file was imported exactly once."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.refresh import refresh_site
from monitor.store.changes import pending
from monitor.store.connection import open_store, query
from monitor.store.sites import save_site
from monitor.store.sources import source_states
from tests.ingest_store.intake import NOW, PROFILE, rows
from tests.ingest_store.killed_intake import take_in
from tests.monitor.homes import home

ROOT = Path(__file__).parents[2]
DESCRIBED = """
[[source]]
name = "logger"
site = "mill-lane-1"
profile = "logger.toml"
kind = "folder"
folder = "incoming"
complete = "renamed"
"""


def content(number: int) -> bytes:
    """Exports that do not overlap; one in five has a bad row, one in seven is no export."""
    if number % 7 == 3:
        return f"<html>{number}</html>\n".encode()
    bad = f"nonsense,{number},1\n".encode() if number % 5 == 2 else b""
    return rows(*[number * 10 + hour for hour in range(10)]) + bad


class Machine:
    """A folder with a store, and processes that take files in there."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "incoming").mkdir(parents=True)
        (folder / "logger.toml").write_text(PROFILE)
        (folder / "sources.toml").write_text(DESCRIBED)
        with open_store(folder / "homes.duckdb", create=True) as store:
            save_site(store, home({"role": "heat_total"}, {"role": "elec_unit"}), NOW)
        self.process: subprocess.Popen[str] | None = None

    def start(self) -> None:
        """Begin the process whose children can be killed."""
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.ingest_store.killed_intake", str(self.folder)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self._hear() == "ready"

    def _hear(self) -> str:
        assert self.process is not None
        assert self.process.stdout is not None
        return self.process.stdout.readline().strip()

    def order(self, words: str, *, kill_after_s: float | None = None, opened: bool = False) -> int:
        """Let a process work, and kill it some time after its start or its opening the store."""
        assert self.process is not None
        assert self.process.stdin is not None
        self.process.stdin.write(words + "\n")
        self.process.stdin.flush()
        child = int(self._hear())
        if kill_after_s is not None:
            if opened:
                assert self._hear() == "open"
            time.sleep(kill_after_s)
            os.kill(child, signal.SIGKILL)
        heard = self._hear()
        return int(self._hear() if heard == "open" else heard)

    def once(self) -> None:
        """Take in what is there, undisturbed."""
        take_in(
            self.folder,
            for_ever=False,
            refresh=lambda store, site, now: refresh_site(store, site, now=now),
        )

    def drop(self, number: int) -> None:
        path = self.folder / f"{number}.writing"
        path.write_bytes(content(number))
        path.rename(self.folder / "incoming" / f"{number:03}.csv")

    def left(self) -> int:
        """Files that have not been put away."""
        incoming = self.folder / "incoming"
        arrived = sum(path.is_file() for path in incoming.iterdir())
        return arrived + sum(path.is_file() for path in (incoming / "taken").rglob("*"))

    def outcome(self) -> dict[str, Any]:
        """Everything that the store and the folders hold, but for times and numbers."""
        with open_store(self.folder / "homes.duckdb") as store:
            cursor = store.cursor()
            (state,) = source_states(store)
            found: dict[str, Any] = {
                "imports": query(
                    cursor,
                    "SELECT file_name, content_hash, lines, rows_read, accepted, duplicates, "
                    "conflicts, quarantined FROM import ORDER BY ALL",
                ).rows(),
                "readings": query(
                    cursor,
                    "SELECT r.channel_id, r.t_utc, r.value, r.line, i.file_name FROM reading r "
                    "JOIN import i USING (import_id) ORDER BY ALL",
                ).rows(),
                "quarantine": query(
                    cursor,
                    "SELECT i.file_name, q.line, q.raw, q.reason FROM quarantine q "
                    "JOIN import i USING (import_id) ORDER BY ALL",
                ).rows(),
                "slots": query(cursor, "SELECT * FROM slot ORDER BY ALL").rows(),
                "state": (state.files, state.readings, state.rejects, state.failed, state.waiting),
                "newest": state.newest,
                "unseen": pending(store, "mill-lane-1"),
            }
        incoming = self.folder / "incoming"
        for outcome in ("done", "failed"):
            reports = {}
            for path in sorted((incoming / outcome).rglob("*.csv")):
                report = json.loads(path.with_name(path.name + ".report.json").read_text())
                assert report["bytes"] == path.stat().st_size
                told = report.get("import", {})
                counts = {k: v for k, v in told.items() if k not in {"import_id", "at"}}
                reports[path.name] = (report["sentence"], report["sha256"], counts)
            found[outcome] = reports
        strays = list((incoming / "taken").rglob("*")) + list(incoming.rglob("*.part"))
        found["strays"] = [p.name for p in strays if p.is_file()]
        return found

    def close(self) -> None:
        """End the process."""
        assert self.process is not None
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.wait(20)
        self.process.stdout.close()


@pytest.fixture
def machines(tmp_path: Path) -> Iterator[tuple[Machine, Machine]]:
    calm, killed = Machine(tmp_path / "calm"), Machine(tmp_path / "killed")
    killed.start()
    yield calm, killed
    killed.close()


def test_a_process_that_is_killed_time_and_again_imports_each_file_once(
    machines: tuple[Machine, Machine],
) -> None:
    calm, killed = machines
    files, kills = 16, 0
    chance = random.Random()
    for number in range(files):
        calm.drop(number)
    calm.once()
    dropped = 0
    while dropped < files or (killed.left() and kills < 400):
        for _ in range(min(files - dropped, chance.randint(0, 2))):
            killed.drop(dropped)
            dropped += 1
        opened = chance.random() < 0.8
        wait = chance.uniform(0, 0.4 if opened else 0.2)
        assert killed.order("run", kill_after_s=wait, opened=opened) == signal.SIGKILL
        kills += 1
    assert kills >= 8
    killed.once()
    assert killed.left() == 0
    expected = calm.outcome()
    assert len(expected["done"]) + len(expected["failed"]) == files
    assert expected["state"][0] == len(expected["done"])
    assert killed.outcome() == expected


def test_a_process_that_ends_before_any_line_of_its_code_imports_each_file_once(
    machines: tuple[Machine, Machine],
) -> None:
    calm, killed = machines
    chance = random.Random()
    files, line, step = 0, 1, 150
    # On and on through the code of one go, from wherever the last process was ended.
    while True:
        for _ in range(4 - killed.left()):
            calm.drop(files)
            killed.drop(files)
            files += 1
        status = killed.order(f"line {line}")
        if status == 0:
            break
        assert os.waitstatus_to_exitcode(status) == 9
        line += chance.randint(1, step)
    assert line > 500
    killed.once()
    calm.once()
    assert killed.outcome() == calm.outcome()
