"""Sources on their schedule: beside one another, with one that writes."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from apscheduler.schedulers.background import BackgroundScheduler

from ingest.collect import Visit
from ingest.schedule import WRITER, add_writer
from ingest.schedule import Intake as Running
from monitor.store.sources import source_states
from tests.ingest_store.broker import Broker
from tests.ingest_store.intake import Intake, rows, wait_for

FOLDER = """
[[source]]
name = "{name}"
site = "mill-lane-1"
profile = "logger.toml"
kind = "folder"
folder = "{name}"
every = "PT1H"
settle = "PT0.3S"
"""


class Works:
    """Sources that run on a scheduler until the test ends."""

    def __init__(self, folder: Path, described: str, **more: str) -> None:
        self.intake = Intake(folder, described, **more)
        self.intake.clock = lambda: datetime.now(UTC)  # type: ignore[assignment]
        self.collector = self.intake.start()
        self.scheduler = BackgroundScheduler(timezone=UTC)
        self.running = Running(self.collector, self.scheduler, add_writer(self.scheduler))

    def begin(self) -> None:
        self.scheduler.start()
        self.running.start()

    def end(self) -> None:
        self.running.stop()
        self.scheduler.shutdown(wait=True)
        self.intake.store.close()

    def files(self, name: str) -> int:
        return next(s.files for s in source_states(self.intake.store) if s.name == name)


@pytest.fixture
def works(tmp_path: Path) -> Iterator[Works]:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    made = Works(tmp_path, FOLDER.format(name="one") + FOLDER.format(name="two"))
    yield made
    made.end()


def drop(works: Works, name: str, *hours: float) -> None:
    path = works.intake.folder / f"{name}{hours[0]}.writing"
    path.write_bytes(rows(*hours))
    path.rename(works.intake.folder / name / f"{hours[0]}.csv")


def test_files_come_in_by_themselves_once_they_have_settled(works: Works) -> None:
    """Long before the hour is over: a file that settles brings the next look forward."""
    drop(works, "one", 0)
    drop(works, "two", 1)
    works.begin()
    wait_for(lambda: works.files("one") == works.files("two") == 1)
    assert works.intake.counts()[0][1:] == (2, 0, 0)


def test_a_source_that_hangs_keeps_no_other_waiting(
    works: Works, monkeypatch: pytest.MonkeyPatch
) -> None:
    free = threading.Event()
    visit = works.collector.visit

    def hangs(source: Any) -> Visit:
        if source.name == "one":
            free.wait(20)
        return visit(source)

    monkeypatch.setattr(works.collector, "visit", hangs)
    drop(works, "one", 0)
    drop(works, "two", 1)
    works.begin()
    wait_for(lambda: works.files("two") == 1)
    assert works.files("one") == 0
    free.set()
    wait_for(lambda: works.files("one") == 1)


def test_only_one_thread_ever_writes(works: Works, monkeypatch: pytest.MonkeyPatch) -> None:
    take, threads = works.collector.take, set()

    def watched(*given: Any, **more: Any) -> Any:
        threads.add(threading.current_thread().name)
        return take(*given, **more)

    monkeypatch.setattr(works.collector, "take", watched)
    for hour in range(6):
        drop(works, ("one", "two")[hour % 2], hour)
    works.begin()
    wait_for(lambda: works.files("one") + works.files("two") == 6)
    done = threading.Event()
    works.scheduler.add_job(
        lambda: (threads.add(threading.current_thread().name), done.set()), executor=WRITER
    )
    assert done.wait(20)
    assert len(threads) == 1


def test_a_fault_in_one_source_leaves_the_others_running(
    works: Works, monkeypatch: pytest.MonkeyPatch
) -> None:
    fetch = works.collector._fetch

    def broken(source: Any, now: datetime) -> Any:
        if source.name == "one":
            raise RuntimeError("bug")
        return fetch(source, now)

    monkeypatch.setattr(works.collector, "_fetch", broken)
    drop(works, "two", 1)
    works.begin()
    wait_for(lambda: works.files("two") == 1)
    wait_for(lambda: source_states(works.intake.store)[0].error is not None)
    assert "This is a fault of pledgewatt" in str(source_states(works.intake.store)[0].error)


def test_a_broker_is_listened_to_from_the_start_to_the_end(tmp_path: Path) -> None:
    broker = Broker()
    profile = (
        'name = "m"\nformat = "jsonl"\n[jsonl]\ntime = "received"\n[[column]]\n'
        'column = "heat"\nrole = "heat_total"\nkind = "register"\nunit = "kWh"\n'
    )
    works = Works(
        tmp_path,
        '[[source]]\nname = "wire"\nsite = "mill-lane-1"\nprofile = "logger.toml"\n'
        f'kind = "mqtt"\nhost = "127.0.0.1"\nport = {broker.port}\ntls = false\n'
        'topics = ["meter"]\nevery = "PT1S"\n',
        profile=profile,
    )
    works.begin()
    try:
        wait_for(lambda: bool(broker.sessions) and bool(broker.sessions["pledgewatt-wire"].topics))
        broker.publish("meter", b'{"heat": 100}')
        wait_for(lambda: broker.acknowledged == 1)
        wait_for(lambda: source_states(works.intake.store)[0].succeeded_at is not None)
        broker.close()
        wait_for(lambda: source_states(works.intake.store)[0].error is not None)
    finally:
        works.end()
    assert len(list((tmp_path / "spool" / "wire" / "part").glob("*.filling"))) == 1


@pytest.mark.parametrize("after_s", [0.0, 0.05, 0.2])
def test_stopping_waits_for_what_is_at_work_and_for_nothing_else(
    works: Works, after_s: float
) -> None:
    for hour in range(20):
        drop(works, "one", hour)
    works.begin()
    threading.Event().wait(after_s)
    began = datetime.now(UTC)
    works.running.stop()
    works.scheduler.shutdown(wait=True)
    assert (datetime.now(UTC) - began).total_seconds() < 20
    arrived = [p for p in (works.intake.folder / "one").rglob("*.csv") if "failed" not in p.parts]
    assert len(arrived) == 20
    works.scheduler.start()


def test_a_server_that_does_not_answer_does_not_hold_up_the_end(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        works = Works(
            tmp_path,
            '[[source]]\nname = "portal"\nsite = "mill-lane-1"\nprofile = "logger.toml"\n'
            f'kind = "http"\nurl = "http://127.0.0.1:{silent.getsockname()[1]}/x"\n',
        )
        works.begin()
        link, _ = silent.accept()
        with link:
            began = datetime.now(UTC)
            works.end()
            assert (datetime.now(UTC) - began).total_seconds() < 10
