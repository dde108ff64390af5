"""One go over all sources, for a timer of the system or a person who waits."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final

from ingest.collect import Collector, Pass, Visit
from ingest.listen_mqtt import Listener
from ingest.sources import FolderSource, MqttSource, SftpSource, Source
from monitor.errors import PledgewattError

#: A broker is waited for so long; then so long a silence means that all has come.
_PATIENCE_S: Final = 10.0
_QUIET_S: Final = 1.0
_LISTEN_S: Final = 60.0


def run_once(
    collector: Collector,
    sources: list[Source],
    *,
    told: Callable[[Pass], None] = lambda _: None,
    sleep: Callable[[float], None] = time.sleep,
) -> list[Pass]:
    """Look at each source, and again after files that were still changing had time to settle.

    Returns
    -------
    list of Pass
        What became of the files of each source.
    """
    collector.describe()
    results = []
    for source in sources:
        result = _first(collector, source)
        settle = source.settle if isinstance(source, FolderSource | SftpSource) else timedelta(0)
        end = collector.clock() + settle
        # What waits for another reason than to settle waits for the next go.
        while settle and _settles(result.due, collector.clock(), end):
            sleep(_seconds(result.due, collector.clock()))
            more = collector.run(source)
            more.done += result.done
            more.failed += result.failed
            more.sentences = result.sentences + more.sentences
            result = more
        told(result)
        results.append(result)
    return results


def _settles(due: datetime | None, now: datetime, end: datetime) -> bool:
    return due is not None and now < due <= end


def _seconds(due: datetime | None, now: datetime) -> float:
    return max(0.0, (due - now).total_seconds()) if due else 0.0


def _first(collector: Collector, source: Source) -> Pass:
    if not isinstance(source, MqttSource):
        return collector.run(source)
    try:
        listener = Listener(source, source.layout(), collector.messages(source), collector.clock)
    except PledgewattError as error:
        return collector.take(source, Visit(problem=error))
    listener.start()
    try:
        listener.drain(patience_s=_PATIENCE_S, quiet_s=_QUIET_S, most_s=_LISTEN_S)
    finally:
        listener.stop()
    problem = PledgewattError(listener.error) if listener.error else None
    visit = collector.visit(source)
    return collector.take(
        source, Visit(visit.fetched, visit.problem or problem), note=listener.note()
    )
