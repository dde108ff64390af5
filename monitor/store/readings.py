"""Readings: taken in once, kept for ever, never changed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import duckdb
import polars as pl

from monitor.schemas import READING, check
from monitor.store.connection import Store, query


@dataclass(frozen=True)
class Batch:
    """Everything that one file brings, ready to be recorded.

    Attributes
    ----------
    staged
        Columns channel_id (i32), t_utc, duration_s (i32), value (f64), line (i64);
        values are finite.
    rejects
        Frame of schema REJECT.
    """

    site_id: str
    file_name: str
    content_hash: str
    profile_hash: str
    profile_name: str
    correction: bool
    lines: int
    blank: int
    staged: pl.DataFrame
    rejects: pl.DataFrame
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Counts:
    """The accounting identity of an import (R10)."""

    import_id: int
    rows_read: int
    accepted: int
    duplicates: int
    conflicts: int
    quarantined: int


def known_import(
    store: Store, site_id: str, content_hash: str, profile_hash: str
) -> tuple[int, datetime] | None:
    """Number and time of the import that has brought the same file under the same profile."""
    rows = (
        store.cursor()
        .execute(
            "SELECT import_id, imported_at FROM import "
            "WHERE site_id = ? AND content_hash = ? AND profile_hash = ?",
            [site_id, content_hash, profile_hash],
        )
        .fetchall()
    )
    return (rows[0][0], rows[0][1]) if rows else None


def record_import(store: Store, batch: Batch, now: datetime) -> Counts:
    """Record one file in one transaction, applying rule R8.

    The same channel, time and value again is a duplicate: counted, kept once. Another
    value at the same channel and time is a conflict: kept and shown, and the time is
    contested; a correction is accepted instead and settles the time.
    """
    with store.transaction() as cursor:
        (import_id,) = cursor.execute("SELECT nextval('import_seq')").fetchall()[0]
        counts = _sort_out(cursor, batch, import_id)
        cursor.execute(
            "INSERT INTO import VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                import_id,
                batch.site_id,
                batch.file_name,
                batch.content_hash,
                batch.profile_hash,
                batch.profile_name,
                now,
                batch.correction,
                batch.lines,
                batch.blank,
                counts.rows_read,
                counts.accepted,
                counts.duplicates,
                counts.conflicts,
                counts.quarantined,
                list(batch.notes),
            ],
        )
        if batch.rejects.height:
            cursor.register("rejects", batch.rejects)
            cursor.execute(
                'INSERT INTO quarantine SELECT ?, line, "column", raw, reason FROM rejects',
                [import_id],
            )
            cursor.unregister("rejects")
    return counts


def _sort_out(cursor: duckdb.DuckDBPyConnection, batch: Batch, import_id: int) -> Counts:
    staged = batch.staged
    if staged.height:
        key = ["channel_id", "t_utc"]
        if not _in_order(staged):
            # Ties by value: which of two contradicting rows comes first must not matter.
            staged = staged.sort(*key, "value", "line", nulls_last=True)
    repeated = staged.height > 0 and not _distinct(staged)
    cursor.register("staged", staged)
    # Only readings in the span of the new ones can meet them.
    overlap = staged.height > 0 and bool(
        cursor.execute(
            "SELECT count(*) FROM (SELECT 1 FROM reading r JOIN (SELECT channel_id, "
            "min(t_utc) a, max(t_utc) b FROM staged GROUP BY channel_id) s "
            "ON r.channel_id = s.channel_id AND r.t_utc BETWEEN s.a AND s.b LIMIT 1)"
        ).fetchall()[0][0]
    )
    duplicates = conflicts = 0
    if repeated or overlap:
        cursor.execute(
            """
            CREATE OR REPLACE TEMP TABLE sorted AS
            WITH ranked AS (
                SELECT channel_id, t_utc, duration_s, value, line,
                    row_number() OVER same AS nth_same,
                    dense_rank() OVER (PARTITION BY channel_id, t_utc
                        ORDER BY value, duration_s) AS nth_value
                FROM staged
                WINDOW same AS (PARTITION BY channel_id, t_utc, value, duration_s ORDER BY line)
            ), earlier AS (
                SELECT r.channel_id, r.t_utc, r.value, r.duration_s
                FROM reading r SEMI JOIN staged s
                    ON r.channel_id = s.channel_id AND r.t_utc = s.t_utc
            )
            SELECT k.* EXCLUDE (nth_same, nth_value),
                max(nth_value) OVER (PARTITION BY channel_id, t_utc) > 1 AS divided,
                CASE
                    WHEN nth_same > 1 THEN 'duplicate'
                    WHEN EXISTS (SELECT 1 FROM earlier e WHERE e.channel_id = k.channel_id
                        AND e.t_utc = k.t_utc AND e.value = k.value
                        AND e.duration_s IS NOT DISTINCT FROM k.duration_s) THEN 'known'
                    WHEN nth_value > 1 THEN 'conflict'
                    WHEN EXISTS (SELECT 1 FROM earlier e WHERE e.channel_id = k.channel_id
                        AND e.t_utc = k.t_utc) THEN 'contradicts'
                    ELSE 'new'
                END AS verdict
            FROM ranked k
            """
        )
        duplicates, conflicts = _settle(cursor, import_id, correction=batch.correction)
        cursor.execute("DROP TABLE sorted")
    else:
        cursor.execute(
            "INSERT INTO reading SELECT channel_id, t_utc, duration_s, value, ?, line FROM staged",
            [import_id],
        )
    accepted = staged.height - duplicates - conflicts
    if accepted or conflicts:
        cursor.execute(
            "INSERT INTO changed SELECT ?, min(t_utc) FROM staged "
            "ON CONFLICT DO UPDATE SET since_utc = least(since_utc, excluded.since_utc)",
            [batch.site_id],
        )
    cursor.unregister("staged")
    return Counts(
        import_id=import_id,
        rows_read=batch.staged.height + batch.rejects.height,
        accepted=accepted,
        duplicates=duplicates,
        conflicts=conflicts,
        quarantined=batch.rejects.height,
    )


def _settle(
    cursor: duckdb.DuckDBPyConnection, import_id: int, *, correction: bool
) -> tuple[int, int]:
    """Write the sorted rows; give the numbers of duplicates and conflicts."""
    if correction:
        # Two values for one time in one correction settle nothing.
        cursor.execute(
            "UPDATE sorted SET verdict = 'conflict' WHERE divided AND verdict = 'contradicts'"
        )
        # A correction that repeats one of several contested values picks that value.
        cursor.execute(
            "UPDATE sorted SET verdict = 'contradicts' FROM contested c WHERE verdict = 'known' "
            "AND NOT divided AND c.channel_id = sorted.channel_id AND c.t_utc = sorted.t_utc "
            "AND NOT EXISTS (SELECT 1 FROM reading r WHERE r.import_id = c.settled_by "
            "AND r.channel_id = c.channel_id AND r.t_utc = c.t_utc AND r.value = sorted.value "
            "AND r.duration_s IS NOT DISTINCT FROM sorted.duration_s)"
        )
    cursor.execute(
        "INSERT INTO reading SELECT channel_id, t_utc, duration_s, value, ?, line FROM sorted "
        "WHERE verdict IN ('new', 'contradicts', 'conflict')",
        [import_id],
    )
    cursor.execute(
        "INSERT INTO contested SELECT DISTINCT channel_id, t_utc, NULL::INTEGER FROM sorted "
        "WHERE verdict IN ('contradicts', 'conflict') "
        "ON CONFLICT DO UPDATE SET settled_by = NULL"
    )
    counted = dict(
        cursor.execute("SELECT verdict, count(*) FROM sorted GROUP BY verdict").fetchall()
    )
    duplicates = counted.get("duplicate", 0) + counted.get("known", 0)
    conflicts = counted.get("conflict", 0)
    if correction:
        cursor.execute(
            "UPDATE contested SET settled_by = ? FROM sorted s WHERE s.verdict = 'contradicts' "
            "AND s.channel_id = contested.channel_id AND s.t_utc = contested.t_utc",
            [import_id],
        )
    else:
        conflicts += counted.get("contradicts", 0)
    return duplicates, conflicts


def _in_order(staged: pl.DataFrame) -> bool:
    channel, t = pl.col("channel_id"), pl.col("t_utc")
    return bool(
        staged.select(
            ((channel.diff() > 0) | ((channel.diff() == 0) & (t.diff() >= pl.duration()))).all()
        ).item()
    )


def _distinct(staged: pl.DataFrame) -> bool:
    """Whether no two rows of a sorted frame share channel and time."""
    same = (pl.col("channel_id").diff() == 0) & (pl.col("t_utc").diff() == pl.duration())
    return not staged.select(same.any()).item()


def load_readings(
    store: Store, channel_ids: list[int], since: datetime | None = None
) -> pl.DataFrame:
    """Readings of channels as the computing core needs them, from a time on.

    Returns
    -------
    pl.DataFrame
        Frame of schema READING, sorted by channel and time, one row a channel and time;
        contested times have `conflict` true and no value.
    """
    limits = {"ids": channel_ids, "since": _naive(since) if since else datetime.min}  # noqa: DTZ901
    cursor = store.cursor()
    contested = cursor.execute(
        "SELECT 1 FROM contested WHERE list_contains($ids, channel_id) AND t_utc >= $since LIMIT 1",
        limits,
    ).fetchall()
    if not contested:
        # Nearly always so: then a bare scan does, in an order that is nearly always right.
        frame = query(
            cursor,
            "SELECT channel_id, t_utc, duration_s, value, false AS conflict FROM reading "
            "WHERE list_contains($ids, channel_id) AND t_utc >= $since",
            limits,
        )
        if not _in_order(frame):
            frame = frame.sort("channel_id", "t_utc")
        return check(frame, READING)
    frame = query(
        cursor,
        """
            WITH wanted AS (
                SELECT channel_id, t_utc, duration_s, value, import_id FROM reading
                WHERE list_contains($ids, channel_id) AND t_utc >= $since
            ), doubtful AS (
                SELECT * FROM contested WHERE list_contains($ids, channel_id) AND t_utc >= $since
            )
            SELECT channel_id, t_utc, duration_s, value, false AS conflict FROM wanted
            ANTI JOIN doubtful USING (channel_id, t_utc)
            UNION ALL
            SELECT d.channel_id, d.t_utc, w.duration_s, w.value, d.settled_by IS NULL
            FROM doubtful d LEFT JOIN wanted w ON w.channel_id = d.channel_id
                AND w.t_utc = d.t_utc AND w.import_id = d.settled_by
            ORDER BY channel_id, t_utc
            """,
        limits,
    )
    return check(frame.cast({"duration_s": pl.Int32}), READING)


def last_before(store: Store, channel_ids: list[int], moment: datetime) -> dict[int, datetime]:
    """Time of each channel's last undoubted reading at or before a moment."""
    rows = (
        store.cursor()
        .execute(
            "SELECT r.channel_id, max(r.t_utc) FROM reading r "
            "ANTI JOIN suspect s ON s.channel_id = r.channel_id AND s.t_utc = r.t_utc "
            "ANTI JOIN contested c ON c.channel_id = r.channel_id AND c.t_utc = r.t_utc "
            "WHERE list_contains($ids, r.channel_id) AND r.t_utc <= $moment GROUP BY r.channel_id",
            {"ids": channel_ids, "moment": _naive(moment)},
        )
        .fetchall()
    )
    return {number: _aware(t) for number, t in rows}


def newest(store: Store, channel_ids: list[int]) -> dict[int, datetime]:
    """Time of each channel's newest reading."""
    rows = (
        store.cursor()
        .execute(
            "SELECT channel_id, max(t_utc) FROM reading WHERE list_contains(?, channel_id) "
            "GROUP BY channel_id",
            [channel_ids],
        )
        .fetchall()
    )
    return {number: _aware(t) for number, t in rows}


def imports(store: Store, site_id: str | None = None) -> pl.DataFrame:
    """Every import with its counts, newest first."""
    return query(
        store.cursor(),
        "SELECT import_id, site_id, file_name, profile_name, imported_at, correction, lines, "
        "blank, rows_read, accepted, duplicates, conflicts, quarantined, notes FROM import "
        "WHERE ? IS NULL OR site_id = ? ORDER BY import_id DESC",
        [site_id, site_id],
    )


def quarantined(store: Store, site_id: str | None = None) -> pl.DataFrame:
    """Readings that never became figures: rejected on import, doubtful since, or contested.

    Columns: site_id, stage (`import`, `account`, `conflict`), file_name, line,
    source_column (or the channel), t_utc, raw, reason.
    """
    return query(
        store.cursor(),
        """
            SELECT i.site_id, 'import' AS stage, i.file_name, q.line, q.source_column,
                NULL::TIMESTAMP AS t_utc, q.raw, q.reason
            FROM quarantine q JOIN import i USING (import_id)
            WHERE $site IS NULL OR i.site_id = $site
            UNION ALL
            SELECT s.site_id, 'account', i.file_name, r.line, c.role || ' of ' || c.serial,
                s.t_utc, s.value::VARCHAR, s.reason
            FROM suspect s JOIN channel c USING (channel_id)
            LEFT JOIN reading r ON r.channel_id = s.channel_id AND r.t_utc = s.t_utc
                AND r.value = s.value
            LEFT JOIN import i USING (import_id) WHERE $site IS NULL OR s.site_id = $site
            UNION ALL
            SELECT i.site_id, 'conflict', i.file_name, r.line, c.role || ' of ' || c.serial,
                r.t_utc, r.value::VARCHAR,
                CASE WHEN d.settled_by IS NULL THEN 'two values for one time; not settled'
                    WHEN d.settled_by = r.import_id THEN 'two values for one time; this one holds'
                    ELSE 'two values for one time; replaced by a correction' END
            FROM contested d JOIN reading r USING (channel_id, t_utc)
            JOIN channel c USING (channel_id) JOIN import i USING (import_id)
            WHERE $site IS NULL OR i.site_id = $site
            ORDER BY ALL
            """,
        {"site": site_id},
    )


def _naive(moment: datetime) -> datetime:
    return moment.replace(tzinfo=None)


def _aware(moment: datetime) -> datetime:
    return moment.replace(tzinfo=UTC)
