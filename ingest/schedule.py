"""When each source is looked at: visits side by side, imports one after the other."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from concurrent import futures
from contextlib import contextmanager
from datetime import datetime, timedelta
from threading import Condition
from typing import Final

from apscheduler.executors.pool import BasePoolExecutor, ThreadPoolExecutor
from apscheduler.jobstores.base import JobLookupError
from apscheduler.schedulers.base import BaseScheduler

from ingest.collect import Collector, Pass, Visit
from ingest.listen_mqtt import Listener
from ingest.sources import MqttSource, Source
from monitor.errors import PledgewattError

log = logging.getLogger(__name__)

#: Everything that writes readings or figures runs here, one job after the other.
WRITER: Final = "writer"
_VISITORS: Final = "visitors"
_VISITS_AT_ONCE: Final = 4

#: A look that was brought forward waits at least this long, so that nothing spins.
_LEAST_WAIT: Final = timedelta(seconds=1)


class _Shared(BasePoolExecutor):  # type: ignore[misc]
    def __init__(self, pool: futures.Executor) -> None:
        super().__init__(pool)


def add_writer(scheduler: BaseScheduler) -> futures.Executor:
    """Give a scheduler the one worker that writes, and give it to whoever hands it work."""
    writer = futures.ThreadPoolExecutor(1, thread_name_prefix="writer")
    scheduler.add_executor(_Shared(writer), WRITER)
    return writer


class Intake:
    """Keeps all sources running on a scheduler, with the worker that `add_writer` gave."""

    def __init__(
        self, collector: Collector, scheduler: BaseScheduler, writer: futures.Executor
    ) -> None:
        self._collector, self._scheduler, self._writer = collector, scheduler, writer
        self._listeners: dict[str, Listener] = {}
        self._busy = 0
        self._change = Condition()

    def start(self) -> None:
        """Look at every source at once, and then as often as its description says."""
        self._collector.describe()
        self._scheduler.add_executor(ThreadPoolExecutor(_VISITS_AT_ONCE), _VISITORS)
        for source in self._collector.sources.source:
            self._scheduler.add_job(
                self._visit,
                "interval",
                seconds=source.every.total_seconds(),
                next_run_time=self._collector.clock(),
                args=[source],
                id=f"visit {source.name}",
                executor=_VISITORS,
                max_instances=1,
                coalesce=True,
                misfire_grace_time=None,
            )

    def stop(self) -> None:
        """End after the file in hand; whoever owns the scheduler shuts it down afterwards.

        A scheduler that is being shut down waits for its jobs with its locks held, so no
        job may still be about to ask something of it.
        """
        with self._change:
            self._collector.stopping.set()
            self._change.wait_for(lambda: self._busy == 0)
        for listener in self._listeners.values():
            listener.stop()

    @contextmanager
    def _at_work(self) -> Iterator[bool]:
        """Be counted as at work; gives False once everything is to end."""
        with self._change:
            going = not self._collector.stopping.is_set()
            self._busy += going
        try:
            yield going
        finally:
            with self._change:
                self._busy -= going
                self._change.notify_all()

    def _visit(self, source: Source) -> None:
        with self._at_work() as going:
            if not going:
                return
            visit = self._collector.visit(source)
            note = None
            if isinstance(source, MqttSource):
                problem, note = self._listen(source)
                visit = Visit(visit.fetched, visit.problem or problem)
            # Not a job: a scheduler that is shut down stumbles over one that runs but once.
            self._writer.submit(self._take, source, visit, note)

    def _listen(self, source: MqttSource) -> tuple[PledgewattError | None, str | None]:
        """See to it that a source is listened to; what hinders it, and what is to be known."""
        listener = self._listeners.get(source.name)
        if listener is None:
            try:
                listener = Listener(
                    source,
                    source.layout(),
                    self._collector.messages(source),
                    self._collector.clock,
                )
            except PledgewattError as error:
                return error, None
            self._listeners[source.name] = listener
            listener.start()
            listener.drain(patience_s=5.0, quiet_s=0.1, most_s=0.1)
        problem = PledgewattError(listener.error) if listener.error else None
        return problem, listener.note()

    def _take(self, source: Source, visit: Visit, note: str | None) -> None:
        with self._at_work() as going:
            if not going:
                return
            try:
                result = self._collector.take(source, visit, note=note)
                _tell(result)
                self._again(source, result.due)
            except Exception:
                log.exception("What source %s brought could not be taken in", source.name)

    def _again(self, source: Source, due: datetime | None) -> None:
        """Bring the next look forward where there is something to do before it."""
        if due is None:
            return
        try:
            job = self._scheduler.get_job(f"visit {source.name}")
            soon = max(due, self._collector.clock() + _LEAST_WAIT)
            if job is not None and (job.next_run_time is None or soon < job.next_run_time):
                job.modify(next_run_time=soon)
        except JobLookupError:
            log.debug("Source %s is no longer looked at", source.name)


def _tell(result: Pass) -> None:
    """Leave in the log what a person would want to find there."""
    for sentence in result.sentences:
        log.info("Source %s: %s", result.source, sentence)
    if result.problem:
        log.warning("%s", result.problem)
