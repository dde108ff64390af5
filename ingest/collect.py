"""From a source to the store: fetch, take in hand, import, put away with a report.

Whatever the source, the way is one. A file is first moved to where only this process
works, then imported in one transaction, then put away. A process may be killed between
any two steps: the store knows each content by its hash, so a file that is met again
becomes no second import, and every move can be done again.
"""

from __future__ import annotations

import logging
import random
import stat
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from ingest.errors import IngestError, Terminal, Transient
from ingest.fetch_http import fetch_http
from ingest.fetched import Fetched
from ingest.inbox import content_hash, import_file
from ingest.messages import MessageSpool
from ingest.profile import Profile
from ingest.sources import FolderSource, HttpSource, MqttSource, Source, Sources
from ingest.spool import Ripe, Settling, Spool, Taken, final_name, ripe
from monitor.errors import PledgewattError
from monitor.store import sources as kept
from monitor.store.changes import pending
from monitor.store.connection import Store
from monitor.store.sites import load_site

log = logging.getLogger(__name__)

Refresh = Callable[[Store, str, datetime], object]


@dataclass(frozen=True)
class Backoff:
    """How long to wait after a failure: longer each time, and never all at once.

    Attributes
    ----------
    first, most
        Wait after the first failure, and the longest; in between it doubles.
    tries
        How often a file is tried before it counts as failed. Common practice, no source.
    """

    first: timedelta = timedelta(seconds=30)
    most: timedelta = timedelta(hours=6)
    tries: int = 10

    def wait(self, failures: int, chance: float) -> timedelta:
        """Wait after so many failures in a row; `chance` (0 to 1) spreads it by half."""
        doubled = self.first.total_seconds() * 2.0 ** min(failures - 1, 40)
        return timedelta(seconds=min(doubled, self.most.total_seconds()) * (0.5 + chance))


@dataclass(frozen=True)
class Visit:
    """What looking at a source gave: something fetched, or why not."""

    fetched: Fetched | None = None
    problem: PledgewattError | None = None


@dataclass
class Pass:
    """What became of the files of one source in one go.

    Attributes
    ----------
    done, failed, waiting
        Files imported, files that cannot be, and files to be tried again.
    due
        When there is something to do before the next regular look.
    problem
        What is wrong with the source as a whole.
    sentences
        What a person should read, a line a file.
    """

    source: str
    done: int = 0
    failed: int = 0
    waiting: int = 0
    due: datetime | None = None
    problem: str | None = None
    sentences: list[str] = field(default_factory=list)

    def due_by(self, moment: datetime | None) -> None:
        """Note that there is something to do at a time."""
        if moment is not None and (self.due is None or moment < self.due):
            self.due = moment


class Collector:
    """Takes in the files of all sources, one file at a time.

    Parameters
    ----------
    refresh
        Brings the figures of a site up to date.
    """

    def __init__(
        self,
        store: Store,
        sources: Sources,
        refresh: Refresh,
        *,
        backoff: Backoff = Backoff(),
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        chance: Callable[[], float] = random.random,
    ) -> None:
        self.store, self.sources, self._refresh = store, sources, refresh
        self.backoff, self.clock, self._chance = backoff, clock, chance
        #: Once set, work ends after the file in hand.
        self.stopping = threading.Event()
        self._there: dict[str, Settling] = {s.name: Settling() for s in sources.source}
        self._here: dict[str, Settling] = {s.name: Settling() for s in sources.source}
        self._mended: set[str] = set()
        self._cleared: set[str] = set()
        self._messages: dict[str, MessageSpool] = {}

    def describe(self) -> None:
        """Tell the store which sources there are."""
        kept.describe_sources(
            self.store,
            (kept.Described(s.name, s.site, s.kind, s.silent_after) for s in self.sources.source),
            self.clock(),
        )

    def spool(self, source: Source) -> Spool:
        """The folders of a source."""
        shared = source.name if isinstance(source, FolderSource) else ""
        return Spool(self.sources.root(source), shared)

    def messages(self, source: MqttSource) -> MessageSpool:
        """Where the messages of a source are put together."""
        if source.name not in self._messages:
            spool = self.spool(source)
            spool.prepare(make_root=True)
            self._messages[source.name] = MessageSpool(spool, source.roll)
        return self._messages[source.name]

    def visit(self, source: Source) -> Visit:
        """Fetch what is new; several sources may be visited at once."""
        try:
            return Visit(self._fetch(source, self.clock()))
        except PledgewattError as problem:
            return Visit(problem=problem)
        except Exception as error:
            log.exception("Source %s could not be visited", source.name)
            return Visit(problem=_fault(error))

    def _fetch(self, source: Source, now: datetime) -> Fetched:
        spool = self.spool(source)
        spool.prepare(make_root=not isinstance(source, FolderSource))
        if source.name not in self._cleared:
            spool.clear()
            self._cleared.add(source.name)
        if isinstance(source, FolderSource):
            return Fetched()
        if isinstance(source, MqttSource):
            messages = self.messages(source)
            return Fetched(files=messages.roll(now), due=messages.next_roll(now))
        remembered = kept.memory(self.store, source.name)
        if isinstance(source, HttpSource):
            return fetch_http(source, spool, remembered, now, self.stopping)
        there = self._there[source.name]
        # Its library takes longer to load than all of ours: only who has such a source waits.
        from ingest.fetch_sftp import fetch_sftp

        return fetch_sftp(source, spool, remembered, there, now, self.stopping)

    def take(self, source: Source, visit: Visit, *, note: str | None = None) -> Pass:
        """Import what has arrived; only one source at a time, for the store has one writer.

        Parameters
        ----------
        note
            What a person should know of the source beside what the visit says.
        """
        now = self.clock()
        result = Pass(source.name)
        problem = visit.problem
        try:
            self._take(source, visit, result, now)
        except PledgewattError as error:
            problem = problem or error
        except (OSError, kept.StoreTrouble) as error:
            log.exception("Source %s: the disk or the store is in trouble", source.name)
            problem = problem or Transient(f"The disk or the store is in trouble: {error}.")
        self._bring_up_to_date(source, now)
        retry_at = None
        if problem is not None:
            result.problem = problem.user_message
            if isinstance(problem, Transient):
                retry_at = now + self._wait(self._failures(source) + 1)
                result.due_by(retry_at)
        notes = [n for n in (visit.fetched.note if visit.fetched else None, note) if n]
        kept.record_visit(
            self.store,
            source.name,
            now,
            error=result.problem,
            retry_at=retry_at,
            note=" ".join(notes) or None,
        )
        return result

    def run(self, source: Source) -> Pass:
        """Visit one source and import what has arrived."""
        return self.take(source, self.visit(source))

    def _take(self, source: Source, visit: Visit, result: Pass, now: datetime) -> None:
        spool = self.spool(source)
        spool.prepare(make_root=not isinstance(source, FolderSource))
        if visit.fetched is not None:
            # Only now: what is remembered as fetched lies safe in the spool.
            kept.remember(
                self.store,
                source.name,
                validators=visit.fetched.validators,
                fetched=visit.fetched.fetched,
                gone=visit.fetched.gone,
            )
            result.due_by(visit.fetched.due)
        # Without its profile or its site no file can be judged: all wait where they are.
        profile = source.layout()
        load_site(self.store, source.site)
        if source.name not in self._mended:
            self._mend(source, spool)
            self._mended.add(source.name)
        self._claim(source, spool, result, now)
        for taken in spool.in_hand():
            if self.stopping.is_set():
                return
            self._one(source, spool, profile, taken, result)

    def _claim(self, source: Source, spool: Spool, result: Pass, now: datetime) -> None:
        arrived = spool.arrived()
        if isinstance(source, FolderSource):
            settling = self._here[source.name]
            found = ripe(arrived, source.wants, source.complete, source.settle, settling, now)
        else:
            # What was fetched got its name here once it was whole.
            found = Ripe(tuple(sorted(arrived, key=lambda e: (e.changed, e.name))), None)
        result.due_by(found.due)
        for entry in found.whole:
            spool.claim(entry)

    def _one(
        self, source: Source, spool: Spool, profile: Profile, taken: Taken, result: Pass
    ) -> None:
        """Try one file in hand, unless it was tried too short a while ago."""
        now = self.clock()
        before, next_at = kept.tries(self.store, taken.claim)
        if next_at is not None and next_at > now:
            result.waiting += 1
            result.due_by(next_at)
            return
        next_at = now + self._wait(before + 1)
        count, last = kept.begin_try(self.store, taken.claim, source.name, taken.path.name, next_at)
        if count > self.backoff.tries:
            why = last or "Each time the process ended while it was being read."
            self._give_up(source, spool, taken, result, now, f"Tried {count - 1} times. {why}")
            return
        try:
            self._import(source, spool, profile, taken, result, now, count)
        except BaseException as error:
            if isinstance(error, KeyboardInterrupt | SystemExit | GeneratorExit):
                raise
            reason = _reason(error, taken.path)
            if _passing(error) and count < self.backoff.tries:
                kept.put_off(self.store, taken.claim, next_at, reason)
                result.waiting += 1
                result.due_by(next_at)
                result.sentences.append(f"{taken.path.name}: {reason} It is tried again.")
                return
            if not isinstance(error, PledgewattError):
                log.exception("%s of source %s failed", taken.path.name, source.name)
            tried = f"Tried {count} times. " if _passing(error) else ""
            self._give_up(source, spool, taken, result, now, tried + reason)

    def _import(
        self,
        source: Source,
        spool: Spool,
        profile: Profile,
        taken: Taken,
        result: Pass,
        now: datetime,
        count: int,
    ) -> None:
        look = _plain_file(source, taken.path)
        sha256 = content_hash(taken.path)
        report = import_file(self.store, source.site, taken.path, profile, now=now)
        if _plain_file(source, taken.path) != look:
            message = f"{taken.path.name} changed while it was read, so it is read again."
            raise Transient(message)
        facts = kept.record_taken(
            self.store, source.name, taken.claim, report.counts.import_id, sha256
        )
        repeated = report.already is not None and spool.repeats(sha256)
        document = _report(source, profile, taken.path.name, sha256, look[0], now)
        document |= _brought(facts, taken.path.name, repeated=repeated) | {"tries": count}
        spool.put_away(taken, sha256, document)
        result.done += 1
        result.sentences.append(document["sentence"])

    def _give_up(
        self, source: Source, spool: Spool, taken: Taken, result: Pass, now: datetime, reason: str
    ) -> None:
        try:
            size = _plain_file(source, taken.path)[0]
            sha256 = content_hash(taken.path)
        except PledgewattError:
            size, sha256 = None, None
        name = final_name(taken.path.name, sha256 or taken.claim)
        kept.record_failed(
            self.store,
            source.name,
            taken.claim,
            file_name=name,
            content_hash=sha256 or taken.claim,
            reason=reason,
            now=now,
        )
        document = _report(source, None, taken.path.name, sha256, size, now)
        sentence = f"{taken.path.name} was not taken: {reason}"
        document |= {
            "outcome": "failed",
            "sentence": sentence,
            "what_to_do": f"Once the cause is put right, move the file back to {spool.root}.",
        }
        spool.put_away(taken, sha256, document)
        result.failed += 1
        result.sentences.append(sentence)

    def _mend(self, source: Source, spool: Spool) -> None:
        """Put right what a process that was killed, or a person, left half done."""
        claims = {taken.claim for taken in spool.in_hand()}
        lost = [c for c in kept.open_claims(self.store, source.name) if c not in claims]
        names = [name for name, _ in kept.failed_files(self.store, source.name)]
        gone = [name for name in names if not (spool.failed / name).exists()]
        kept.forget_lost(self.store, source.name, failed=gone, claims=lost)
        for path in spool.unreported():
            sha256 = content_hash(path)
            imports = kept.imports_of(self.store, source.site, sha256)
            if not imports:
                # The store does not know it, as after a return to an older one: take it again.
                spool.give_back(path)
                continue
            size = path.stat().st_size
            document = _report(source, None, path.name, sha256, size, self.clock())
            spool.report(path, document | _brought(imports[0], path.name, repeated=False))

    def _bring_up_to_date(self, source: Source, now: datetime) -> None:
        """Compute the site anew if its readings changed; a failure keeps no file from the store."""
        try:
            if pending(self.store, source.site) is not None:
                self._refresh(self.store, source.site, now)
        except Exception:
            log.exception("The figures of site %s could not be refreshed", source.site)

    def _wait(self, failures: int) -> timedelta:
        return self.backoff.wait(failures, self._chance())

    def _failures(self, source: Source) -> int:
        states = {state.name: state for state in kept.source_states(self.store)}
        return states[source.name].failures if source.name in states else 0


def _plain_file(source: Source, path: Path) -> tuple[int, int]:
    """Size and time of change of a file that may be read."""
    try:
        at = path.lstat()
    except OSError as error:
        message = f"{path.name} cannot be read: {error.strerror or error}."
        raise Terminal(message) from error
    if not stat.S_ISREG(at.st_mode):
        message = f"{path.name} is not a plain file, and what it points to is not followed."
        raise Terminal(message)
    if at.st_size > source.max_bytes:
        message = (
            f"{path.name} has {at.st_size:,} bytes, more than the {source.max_bytes:,} of "
            f"'max_bytes' of source '{source.name}'."
        )
        raise Terminal(message)
    return at.st_size, at.st_mtime_ns


def _passing(error: BaseException) -> bool:
    """Whether a later try may succeed."""
    return isinstance(error, Transient | OSError | MemoryError | kept.StoreTrouble)


def _reason(error: BaseException, path: Path) -> str:
    """Why a file failed, in a sentence that names the file as its sender knows it."""
    if isinstance(error, PledgewattError):
        return error.user_message.replace(str(path), path.name)
    if isinstance(error, OSError | MemoryError | kept.StoreTrouble):
        return f"The disk, the memory or the store is in trouble: {error}."
    return _fault(error).user_message


def _fault(error: BaseException) -> IngestError:
    return Terminal(
        f"This is a fault of pledgewatt, not of the file: {type(error).__name__}: {error}. The log "
        "says where it arose."
    )


def _report(
    source: Source,
    profile: Profile | None,
    name: str,
    sha256: str | None,
    size: int | None,
    now: datetime,
) -> dict[str, Any]:
    return {
        "sentence": "",
        "outcome": "done",
        "source": source.name,
        "site": source.site,
        "file": name,
        "bytes": size,
        "sha256": sha256,
        "profile": profile.name if profile else None,
        "at": f"{now:%Y-%m-%dT%H:%M:%SZ}",
    }


_COUNTS: Final = (
    "import_id",
    "lines",
    "blank",
    "rows_read",
    "accepted",
    "duplicates",
    "conflicts",
    "quarantined",
)


def _brought(facts: kept.ImportFacts, name: str, *, repeated: bool) -> dict[str, Any]:
    """What an import made of a file, from the store: the same however often it is asked."""
    sentence = (
        f"{name}: {facts.rows_read:,} readings read = {facts.accepted:,} accepted + "
        f"{facts.duplicates:,} duplicates + {facts.conflicts:,} conflicts + "
        f"{facts.quarantined:,} quarantined."
    )
    if repeated:
        sentence = (
            f"{name}: the same content was imported on {facts.imported_at:%Y-%m-%d %H:%M} UTC; "
            "nothing was changed."
        )
    return {
        "sentence": sentence,
        "import": {key: getattr(facts, key) for key in _COUNTS}
        | {"at": f"{facts.imported_at:%Y-%m-%dT%H:%M:%SZ}", "notes": list(facts.notes)},
        "repeated": repeated,
    }
