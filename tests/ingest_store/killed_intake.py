"""Takes files in, in a process that may be killed at any instant; run by the tests.

Reads one order a line from standard input and carries it out in a child of its own, so
that what takes long to import is imported once: `run` goes on until it is killed,
`once` ends after one go, `line N` ends at once before the N-th line of the intake's code.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from datetime import timedelta
from pathlib import Path
from types import FrameType
from typing import Any

from ingest.collect import Backoff, Collector, Refresh
from ingest.registry import adapter
from ingest.sources import sources_from_toml
from ingest.units import conversion
from monitor.models import Kind, Role
from monitor.refresh import refresh_site
from monitor.store.connection import open_store

TRACED = ("/ingest/collect.py", "/ingest/spool.py", "/ingest/inbox.py", "/store/sources.py")


def take_in(folder: Path, *, for_ever: bool, refresh: Refresh) -> None:
    with open_store(folder / "homes.duckdb") as store:
        sources = sources_from_toml(folder / "sources.toml")
        patience = Backoff(timedelta(milliseconds=1), timedelta(milliseconds=5), tries=10**6)
        collector = Collector(store, sources, refresh, backoff=patience)
        collector.describe()
        print("open", flush=True)
        parent = os.getppid()
        while os.getppid() == parent:
            waiting = 0
            for source in sources.source:
                result = collector.run(source)
                waiting += result.waiting
            if not for_ever and not waiting:
                return
            time.sleep(0.005)


def end_before_line(number: int) -> None:
    seen = 0

    def trace(frame: FrameType, event: str, _: Any) -> Any:
        nonlocal seen
        if not frame.f_code.co_filename.endswith(TRACED):
            return None
        if event == "line":
            seen += 1
            if seen == number:
                os._exit(9)
        return trace

    threading.settrace(trace)
    sys.settrace(trace)


def main() -> None:
    folder = Path(sys.argv[1])
    # Read once here, or every child would be killed while it reads definitions of units.
    adapter("delimited")
    conversion("kWh", Role.HEAT_TOTAL, Kind.REGISTER, where="heat")
    print("ready", flush=True)
    for order in sys.stdin:
        word, *rest = order.split()
        child = os.fork()
        if child == 0:
            refresh: Refresh = lambda store, site, now: refresh_site(store, site, now=now)  # noqa: E731
            if word == "line":
                # To trace the mathematics would take long and tell nothing.
                refresh = lambda *_: None  # noqa: E731
                end_before_line(int(rest[0]))
            take_in(folder, for_ever=word == "run", refresh=refresh)
            os._exit(0)
        print(child, flush=True)
        _, status = os.waitpid(child, 0)
        print(status, flush=True)


if __name__ == "__main__":
    main()
