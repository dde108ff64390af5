"""What is known of each source: when it last brought something, and what became of it."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime, timedelta
from typing import Any

import duckdb

from monitor.store.connection import NO_SITE, Store

#: What the store raises where it is at odds with the disk or with another thread.
StoreTrouble = duckdb.Error


@dataclass(frozen=True)
class Described:
    """A source as its description names it."""

    name: str
    site_id: str
    kind: str
    silent_after: timedelta


@dataclass(frozen=True)
class SourceState:
    """Where a source stands.

    Attributes
    ----------
    described_at
        Since when it is known.
    attempted_at, succeeded_at
        Last time it was looked at, and last time that went well.
    error
        Why the last look went wrong; None if it did not.
    note
        What else a person should know of it.
    failures, retry_at
        Looks in a row that went wrong, and when the next one is due because of that.
    files, readings, rejects
        Files taken; readings in them that became figures, and that were set aside.
    failed, waiting
        Files that could not be taken, and files that are in hand.
    newest
        Time of the newest reading that it brought.
    file_at
        Time at which its last file was imported.
    """

    name: str
    site_id: str
    kind: str
    silent_after: timedelta
    described_at: datetime
    attempted_at: datetime | None
    succeeded_at: datetime | None
    error: str | None
    note: str | None
    failures: int
    retry_at: datetime | None
    files: int
    readings: int
    rejects: int
    failed: int
    waiting: int
    newest: datetime | None
    file_at: datetime | None

    def lag(self, now: datetime) -> timedelta | None:
        """Age of the newest reading; None where none ever came."""
        return None if self.newest is None else now - self.newest

    def is_silent(self, now: datetime) -> bool:
        """Whether it should have brought something newer by now."""
        return now - (self.newest or self.described_at) > self.silent_after


@dataclass(frozen=True)
class ImportFacts:
    """What the store knows of one import."""

    import_id: int
    file_name: str
    imported_at: datetime
    lines: int
    blank: int
    rows_read: int
    accepted: int
    duplicates: int
    conflicts: int
    quarantined: int
    notes: tuple[str, ...]


_FACTS = tuple(part.name for part in fields(ImportFacts))


@dataclass(frozen=True)
class Memory:
    """What a source has to remember from one visit to the next.

    Attributes
    ----------
    validators
        What the server said of the version that was fetched last, and its address.
    fetched
        Size and time of change of the files that were fetched, by name.
    newest
        Time of the newest reading that the source brought.
    """

    validators: Mapping[str, str] = field(default_factory=dict)
    fetched: Mapping[str, tuple[int, float]] = field(default_factory=dict)
    newest: datetime | None = None


def describe_sources(store: Store, sources: Iterable[Described], now: datetime) -> None:
    """Record which sources there are; one that is no longer described is retired."""
    with store.transaction(NO_SITE) as cursor:
        cursor.execute("UPDATE source SET retired_at = ? WHERE retired_at IS NULL", [now])
        for source in sources:
            cursor.execute(
                "INSERT INTO source (name, site_id, kind, silent_after_s, described_at) "
                "VALUES (?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET site_id = excluded.site_id, "
                "kind = excluded.kind, silent_after_s = excluded.silent_after_s, "
                "retired_at = NULL",
                [
                    source.name,
                    source.site_id,
                    source.kind,
                    source.silent_after.total_seconds(),
                    now,
                ],
            )


def source_states(store: Store) -> list[SourceState]:
    """Every source that is described at present, by name."""
    rows = (
        store.cursor()
        .execute(
            """
            WITH brought AS (
                SELECT b.source, count(*) AS files, sum(i.accepted) AS readings,
                    sum(i.quarantined) AS rejects, max(b.newest_utc) AS newest,
                    max(i.imported_at) AS file_at
                FROM source_import b JOIN import i USING (import_id) GROUP BY ALL
            )
            SELECT s.name, s.site_id, s.kind, s.silent_after_s, s.described_at, s.attempted_at,
                s.succeeded_at, s.error, s.note, s.failures, s.retry_at,
                coalesce(b.files, 0), coalesce(b.readings, 0), coalesce(b.rejects, 0),
                (SELECT count(*) FROM source_failed f WHERE f.source = s.name),
                (SELECT count(*) FROM source_try t WHERE t.source = s.name),
                b.newest, b.file_at
            FROM source s LEFT JOIN brought b ON b.source = s.name
            WHERE s.retired_at IS NULL ORDER BY s.name
            """
        )
        .fetchall()
    )
    return [_state(row) for row in rows]


def _state(row: tuple[Any, ...]) -> SourceState:
    name, site_id, kind, silent_after_s, described, attempted, succeeded, error, note = row[:9]
    failures, retry, files, readings, rejects, failed, waiting, newest, file_at = row[9:]
    return SourceState(
        name=name,
        site_id=site_id,
        kind=kind,
        silent_after=timedelta(seconds=silent_after_s),
        described_at=described.astimezone(UTC),
        attempted_at=_utc(attempted),
        succeeded_at=_utc(succeeded),
        error=error,
        note=note,
        failures=failures,
        retry_at=_utc(retry),
        files=int(files),
        readings=int(readings),
        rejects=int(rejects),
        failed=failed,
        waiting=waiting,
        newest=newest.replace(tzinfo=UTC) if newest else None,
        file_at=_utc(file_at),
    )


def _utc(moment: datetime | None) -> datetime | None:
    return moment.astimezone(UTC) if moment else None


def record_visit(
    store: Store,
    name: str,
    now: datetime,
    *,
    error: str | None,
    retry_at: datetime | None = None,
    note: str | None = None,
) -> None:
    """Record that a source was looked at, and how that went."""
    store.cursor().execute(
        "UPDATE source SET attempted_at = $now, error = $error, retry_at = $retry, note = $note, "
        "succeeded_at = CASE WHEN $error IS NULL THEN $now ELSE succeeded_at END, "
        "failures = CASE WHEN $error IS NULL THEN 0 ELSE failures + 1 END WHERE name = $name",
        {"now": now, "error": error, "retry": retry_at, "note": note, "name": name},
    )


def memory(store: Store, name: str) -> Memory:
    """What a source remembers of its earlier visits."""
    cursor = store.cursor()
    kept = cursor.execute("SELECT validators FROM source WHERE name = ?", [name]).fetchall()
    fetched = cursor.execute(
        "SELECT remote_name, size, changed FROM source_fetched WHERE source = ?", [name]
    ).fetchall()
    ((newest,),) = cursor.execute(
        "SELECT max(newest_utc) FROM source_import WHERE source = ?", [name]
    ).fetchall()
    return Memory(
        validators=json.loads(kept[0][0]) if kept and kept[0][0] else {},
        fetched={remote: (size, changed) for remote, size, changed in fetched},
        newest=newest.replace(tzinfo=UTC) if newest else None,
    )


def remember(
    store: Store,
    name: str,
    *,
    validators: Mapping[str, str] | None = None,
    fetched: Mapping[str, tuple[int, float]] | None = None,
    gone: Iterable[str] = (),
) -> None:
    """Keep what a visit learned; call it after what was fetched lies safe on disk."""
    with store.transaction(NO_SITE) as cursor:
        if validators is not None:
            cursor.execute(
                "UPDATE source SET validators = ? WHERE name = ?",
                [json.dumps(dict(validators)), name],
            )
        for remote, (size, changed) in (fetched or {}).items():
            cursor.execute(
                "INSERT INTO source_fetched VALUES (?, ?, ?, ?) "
                "ON CONFLICT DO UPDATE SET size = excluded.size, changed = excluded.changed",
                [name, remote, size, changed],
            )
        for remote in gone:
            cursor.execute(
                "DELETE FROM source_fetched WHERE source = ? AND remote_name = ?", [name, remote]
            )


def begin_try(
    store: Store, claim: str, name: str, file_name: str, next_at: datetime
) -> tuple[int, str]:
    """Write down that a file is about to be tried, so that a process that dies is counted.

    Parameters
    ----------
    next_at
        When it may be tried again, should nothing more be heard of this try.

    Returns
    -------
    tuple
        How many tries there have been, this one included, and why the last one failed.
    """
    rows = (
        store.cursor()
        .execute(
            "INSERT INTO source_try VALUES (?, ?, ?, 1, ?, '') ON CONFLICT DO UPDATE SET "
            "tries = tries + 1, next_at = excluded.next_at RETURNING tries, reason",
            [claim, name, file_name, next_at],
        )
        .fetchall()
    )
    return rows[0][0], rows[0][1]


def tries(store: Store, claim: str) -> tuple[int, datetime | None]:
    """How often a file in hand was tried, and when it may be tried next."""
    rows = (
        store.cursor()
        .execute("SELECT tries, next_at FROM source_try WHERE claim = ?", [claim])
        .fetchall()
    )
    return (rows[0][0], rows[0][1].astimezone(UTC)) if rows else (0, None)


def put_off(store: Store, claim: str, next_at: datetime, reason: str) -> None:
    """Record why a try failed and when the next one is due."""
    store.cursor().execute(
        "UPDATE source_try SET next_at = ?, reason = ? WHERE claim = ?", [next_at, reason, claim]
    )


def record_taken(
    store: Store, name: str, claim: str, import_id: int, content_hash: str
) -> ImportFacts:
    """Record which import a file has become; the same again changes nothing."""
    with store.transaction(NO_SITE) as cursor:
        cursor.execute(
            "INSERT INTO source_import SELECT ?, ?, max(t_utc) FROM reading WHERE import_id = ? "
            "ON CONFLICT DO NOTHING",
            [name, import_id, import_id],
        )
        cursor.execute(
            "DELETE FROM source_failed WHERE source = ? AND content_hash = ?",
            [name, content_hash],
        )
        cursor.execute("DELETE FROM source_try WHERE claim = ?", [claim])
    return import_facts(store, import_id)


def record_failed(
    store: Store,
    name: str,
    claim: str,
    *,
    file_name: str,
    content_hash: str,
    reason: str,
    now: datetime,
) -> None:
    """Record that a file could not be taken."""
    with store.transaction(NO_SITE) as cursor:
        cursor.execute(
            "INSERT INTO source_failed VALUES (?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET "
            "failed_at = excluded.failed_at, reason = excluded.reason",
            [name, file_name, content_hash, now, reason],
        )
        cursor.execute("DELETE FROM source_try WHERE claim = ?", [claim])


def failed_files(store: Store, name: str) -> list[tuple[str, str]]:
    """Name and reason of each file that could not be taken, newest first."""
    rows = (
        store.cursor()
        .execute(
            "SELECT file_name, reason FROM source_failed WHERE source = ? ORDER BY failed_at DESC",
            [name],
        )
        .fetchall()
    )
    return [(file_name, reason) for file_name, reason in rows]


def forget_lost(
    store: Store, name: str, *, failed: Iterable[str] = (), claims: Iterable[str] = ()
) -> None:
    """Forget failed files and tries whose files a person has removed."""
    cursor = store.cursor()
    for file_name in failed:
        cursor.execute(
            "DELETE FROM source_failed WHERE source = ? AND file_name = ?", [name, file_name]
        )
    for claim in claims:
        cursor.execute("DELETE FROM source_try WHERE source = ? AND claim = ?", [name, claim])


def open_claims(store: Store, name: str) -> list[str]:
    """Claims of the files of a source that are in hand."""
    rows = (
        store.cursor().execute("SELECT claim FROM source_try WHERE source = ?", [name]).fetchall()
    )
    return [claim for (claim,) in rows]


def import_facts(store: Store, import_id: int) -> ImportFacts:
    """What the store knows of an import that exists."""
    return _facts(store, "import_id = ?", [import_id])[0]


def imports_of(store: Store, site_id: str, content_hash: str) -> list[ImportFacts]:
    """Imports that brought a content to a site, under whichever profile; newest first."""
    return _facts(store, "site_id = ? AND content_hash = ?", [site_id, content_hash])


def _facts(store: Store, where: str, values: list[object]) -> list[ImportFacts]:
    rows = (
        store.cursor()
        .execute(
            f"SELECT {', '.join(_FACTS)} FROM import WHERE {where} ORDER BY import_id DESC",  # noqa: S608
            values,
        )
        .fetchall()
    )
    return [
        ImportFacts(**dict(zip(_FACTS, row, strict=True)) | {"notes": tuple(row[-1])})
        for row in rows
    ]
