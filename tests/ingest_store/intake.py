"""A store, a home and sources for tests of what comes in by itself."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from ingest.collect import Backoff, Collector, Pass
from ingest.sources import Source, Sources, sources_from_toml
from monitor.store.changes import pending
from monitor.store.connection import Store, open_store
from monitor.store.readings import imports
from monitor.store.sites import save_site
from monitor.store.sources import SourceState, source_states
from tests.monitor.homes import at, home

NOW = datetime(2024, 6, 1, 8, 30, tzinfo=UTC)

PROFILE = """
name = "logger"
format = "delimited"

[delimited]
time = "time"

[[column]]
column = "heat"
role = "heat_total"
kind = "register"
unit = "kWh"

[[column]]
column = "unit"
role = "elec_unit"
kind = "register"
unit = "kWh"
"""


def rows(*hours: float) -> bytes:
    """An export of these hours; two readings each."""
    lines = [f"{at(h):%Y-%m-%dT%H:%M:%SZ},{3 * h},{h}" for h in hours]
    return ("\n".join(["time,heat,unit", *lines]) + "\n").encode()


class Clock:
    """A clock that tests set."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> datetime:
        return self.now

    def forward(self, **length: float) -> None:
        self.now += timedelta(**length)


class Intake:
    """A folder with a store and a description of sources."""

    def __init__(self, folder: Path, described: str, *, profile: str = PROFILE) -> None:
        self.folder, self.clock = folder, Clock()
        (folder / "logger.toml").write_text(profile)
        (folder / "sources.toml").write_text(described)
        self.sources: Sources = sources_from_toml(folder / "sources.toml")
        self.store: Store = open_store(folder / "homes.duckdb", create=True)
        save_site(self.store, home({"role": "heat_total"}, {"role": "elec_unit"}), NOW)
        self.refreshed: list[str] = []
        self.start()

    def start(self, **settings: Any) -> Collector:
        """A collector as a process that has just begun has it."""
        settings = {"backoff": Backoff(), "chance": lambda: 0.5} | settings
        self.collector = Collector(
            self.store, self.sources, self._refresh, clock=self.clock, **settings
        )
        self.collector.describe()
        return self.collector

    def _refresh(self, store: Store, site_id: str, now: datetime) -> None:
        self.refreshed.append(site_id)

    def source(self, name: str | None = None) -> Source:
        return next(s for s in self.sources.source if name in {None, s.name})

    def run(self, name: str | None = None) -> Pass:
        return self.collector.run(self.source(name))

    def state(self, name: str | None = None) -> SourceState:
        return next(s for s in source_states(self.store) if name in {None, s.name})

    def counts(self) -> list[tuple[str, int, int, int]]:
        """File, accepted, duplicates, quarantined of every import, oldest first."""
        frame = imports(self.store).sort("import_id")
        return frame.select("file_name", "accepted", "duplicates", "quarantined").rows()

    def unseen_changes(self) -> bool:
        return pending(self.store, "mill-lane-1") is not None

    def reports(self, outcome: str) -> dict[str, dict[str, Any]]:
        """Reports in the folder of an outcome, by the name of the file that each lies beside."""
        found = {}
        for path in sorted(self.folder.rglob(f"{outcome}/**/*.report.json")):
            file = path.with_name(path.name.removesuffix(".report.json"))
            assert file.is_file(), f"{path.name} reports a file that is not there"
            found[file.name] = json.loads(path.read_text())
        return found


def wait_for(what: Callable[[], object], seconds: float = 20.0) -> None:
    """Wait until something holds."""
    import time

    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "it did not come to pass"
        time.sleep(0.02)
