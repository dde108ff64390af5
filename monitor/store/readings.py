"""Readings: taken in once, kept for ever, never changed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import chain
from typing import Final

import duckdb
import polars as pl

from monitor.errors import StoreBusyError
from monitor.schemas import READING, check
from monitor.store import audit
from monitor.store.appending import ShownFrame, forget_blocks
from monitor.store.changes import note_change
from monitor.store.connection import Store, query
from monitor.store.portions import Portion, gathered

#: After so many rows the database is asked to forget the blocks that it wrote or looked up.
_KEPT_ROWS: Final = 6_000_000


@dataclass(frozen=True)
class Batch(Portion):
    """Everything that one file brings, ready to be recorded.

    Attributes
    ----------
    replaces_span
        True for a correction that replaces all that its channels said between its first and
        its last time.
    rest
        What the file brings besides, for one that is read in parts; it is asked for
        within the transaction, once.
    """

    site_id: str = field(kw_only=True)
    file_name: str = field(kw_only=True)
    content_hash: str = field(kw_only=True)
    profile_hash: str = field(kw_only=True)
    profile_name: str = field(kw_only=True)
    correction: bool = field(kw_only=True)
    replaces_span: bool = field(default=False, kw_only=True)
    rest: Iterable[Portion] = field(default=(), kw_only=True)


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
    contested; a correction is accepted instead and settles the time. Where it replaces a
    span, readings in it that it does not repeat no longer count; they stay on record.

    Raises
    ------
    StoreBusyError
        The site changed in the meantime; nothing was recorded.
    """
    try:
        with store.alone(batch.site_id), store.transaction([batch.site_id]) as cursor:
            (import_id,) = cursor.execute("SELECT nextval('import_seq')").fetchall()[0]
            portions: Iterable[Portion] = chain((batch,), batch.rest)
            taken = _Intake(
                cursor,
                import_id,
                correction=batch.correction,
                replaces_span=batch.replaces_span,
            )
            if batch.correction:
                portions = gathered(portions)
            for portion in portions:
                taken.add(portion)
            taken.void()
            counts = taken.counts()
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
                    taken.lines,
                    taken.blank,
                    counts.rows_read,
                    counts.accepted,
                    counts.duplicates,
                    counts.conflicts,
                    counts.quarantined,
                    taken.notes,
                ],
            )
            audit.note(
                cursor, "readings imported", site=batch.site_id, detail=f"import {import_id}"
            )
            if taken.since is not None:
                note_change(cursor, batch.site_id, taken.since)
    except duckdb.TransactionException as error:
        message = (
            f"{batch.file_name} was not imported: the figures of site '{batch.site_id}' were "
            "written at the same moment. Import it again."
        )
        raise StoreBusyError(message) from error
    return counts


class _Intake:
    """What a transaction takes in of one file, portion by portion.

    Attributes
    ----------
    since
        Time of the earliest reading that was written.
    """

    def __init__(
        self,
        cursor: duckdb.DuckDBPyConnection,
        import_id: int,
        *,
        correction: bool,
        replaces_span: bool,
    ) -> None:
        self.lines = self.blank = self.read = self.quarantined = 0
        self.duplicates = self.conflicts = 0
        self.notes: list[str] = []
        self.since: datetime | None = None
        self.import_id = import_id
        self.correction = correction
        self.cursor = cursor
        self._replaces_span = replaces_span
        self._said: list[pl.DataFrame] = []
        self._kept_rows = 0
        self._staged = ShownFrame(cursor, "staged")
        self._sorted = ShownFrame(cursor, "sorted")
        self._rejects = ShownFrame(cursor, "rejects")

    def add(self, portion: Portion) -> None:
        """Take in the next portion."""
        self.lines += portion.lines
        self.blank += portion.blank
        self.notes += portion.notes
        self.read += portion.staged.height + portion.rejects.height
        self.quarantined += portion.rejects.height
        if portion.staged.height:
            if self._replaces_span:
                self._said.append(portion.staged.select("channel_id", "t_utc"))
            self._sort_out(portion.staged)
        self._kept_rows += portion.staged.height
        if self._kept_rows > _KEPT_ROWS:
            self._kept_rows = 0
            forget_blocks(self.cursor.cursor())
        if portion.rejects.height:
            self._rejects.show(portion.rejects)
            self.cursor.execute(
                'INSERT INTO quarantine SELECT ?, line, "column", raw, reason FROM rejects',
                [self.import_id],
            )

    def void(self) -> None:
        """Settle times in the span of a correction that it does not repeat: nothing holds there."""
        if not self._said:
            return
        self._sorted.show(pl.concat(self._said).unique())
        rows = self.cursor.execute(
            "INSERT INTO contested SELECT DISTINCT r.channel_id, r.t_utc, ?::INTEGER "
            "FROM reading r JOIN (SELECT channel_id, min(t_utc) AS a, max(t_utc) AS b FROM sorted "
            "GROUP BY ALL) s ON r.channel_id = s.channel_id AND r.t_utc BETWEEN s.a AND s.b "
            "ANTI JOIN sorted n ON n.channel_id = r.channel_id AND n.t_utc = r.t_utc "
            "ON CONFLICT DO UPDATE SET settled_by = excluded.settled_by RETURNING t_utc",
            [self.import_id],
        ).fetchall()
        if rows:
            first = min(t for (t,) in rows)
            self.since = first if self.since is None else min(first, self.since)

    def counts(self) -> Counts:
        """The accounting identity."""
        return Counts(
            import_id=self.import_id,
            rows_read=self.read,
            accepted=self.read - self.duplicates - self.conflicts - self.quarantined,
            duplicates=self.duplicates,
            conflicts=self.conflicts,
            quarantined=self.quarantined,
        )

    def _sort_out(self, staged: pl.DataFrame) -> None:
        if not _in_order(staged):
            # Ties by value: which of two contradicting rows comes first must not matter.
            staged = staged.sort("channel_id", "t_utc", "value", "line", nulls_last=True)
        met = pl.col("channel_id").is_in(list(self._met(staged)))
        self.write(staged.filter(~met))
        doubtful = staged.filter(met)
        if doubtful.height:
            self._staged.show(doubtful)
            span = _span(doubtful) | {"correction": self.correction}
            duplicates, conflicts = _settle(self, query(self.cursor, _VERDICTS, span))
            self.duplicates += duplicates
            self.conflicts += conflicts

    def _met(self, staged: pl.DataFrame) -> set[int]:
        """Channels whose rows may meet each other, earlier rows of the file or the store's."""
        same = (pl.col("channel_id").diff() == 0) & (pl.col("t_utc").diff() == pl.duration())
        repeated = set(staged.filter(same)["channel_id"].unique())
        channels = staged.group_by("channel_id").agg(
            pl.col("t_utc").min().alias("first"), pl.col("t_utc").max().alias("last")
        )
        times = channels.with_columns(pl.col("first", "last").dt.replace_time_zone(None))
        # The bounds of all come first, so that what lies outside is not even looked at.
        rows = self.cursor.execute(
            "SELECT DISTINCT r.channel_id FROM reading r JOIN (SELECT unnest($ids) AS channel_id, "
            "unnest($firsts) AS a, unnest($lasts) AS b) s "
            "ON r.channel_id = s.channel_id AND r.t_utc BETWEEN s.a AND s.b "
            "WHERE list_contains($ids, r.channel_id) AND r.t_utc BETWEEN $first AND $last",
            _span(staged)
            | {"firsts": times["first"].to_list(), "lasts": times["last"].to_list()}
            | {"ids": channels["channel_id"].to_list()},
        ).fetchall()
        return repeated | {number for (number,) in rows}

    def write(self, rows: pl.DataFrame) -> None:
        """Append readings."""
        if not rows.height:
            return
        self._staged.show(rows)
        self.cursor.execute(
            "INSERT INTO reading SELECT channel_id, t_utc, duration_s, value, ?, line FROM staged",
            [self.import_id],
        )
        first = rows.select(pl.col("t_utc").min().dt.replace_time_zone(None)).item()
        self.since = first if self.since is None else min(first, self.since)

    def contest(self, doubtful: pl.DataFrame) -> None:
        """Mark times as contested; what a correction contradicts alone, it settles."""
        if not doubtful.height:
            return
        self._sorted.show(doubtful)
        self.cursor.execute(
            "INSERT INTO contested SELECT DISTINCT channel_id, t_utc, NULL::INTEGER FROM sorted "
            "ON CONFLICT DO UPDATE SET settled_by = NULL"
        )
        if self.correction:
            self.cursor.execute(
                "UPDATE contested SET settled_by = ? FROM sorted s "
                "WHERE s.verdict = 'contradicts' "
                "AND s.channel_id = contested.channel_id AND s.t_utc = contested.t_utc",
                [self.import_id],
            )


#: What each staged reading is to those that the store or the file itself has. Of a
#: correction, two values for one time settle nothing; and one that repeats one of several
#: contested values picks that value.
_VERDICTS: Final = """
    WITH ranked AS (
        SELECT channel_id, t_utc, duration_s, value, line,
            row_number() OVER same AS nth_same,
            dense_rank() OVER (PARTITION BY channel_id, t_utc
                ORDER BY value, duration_s) AS nth_value
        FROM staged
        WINDOW same AS (PARTITION BY channel_id, t_utc, value, duration_s ORDER BY line)
    ), earlier AS (
        SELECT r.channel_id, r.t_utc, r.value, r.duration_s, r.import_id
        FROM reading r SEMI JOIN staged s
            ON r.channel_id = s.channel_id AND r.t_utc = s.t_utc
        WHERE list_contains($ids, r.channel_id) AND r.t_utc BETWEEN $first AND $last
    ), judged AS (
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
    ), open AS (
        SELECT c.channel_id, c.t_utc, c.settled_by
        FROM contested c SEMI JOIN staged s
            ON c.channel_id = s.channel_id AND c.t_utc = s.t_utc
        WHERE $correction
    )
    SELECT j.* EXCLUDE (divided, verdict),
        CASE
            WHEN $correction AND divided AND verdict = 'contradicts' THEN 'conflict'
            WHEN verdict = 'known' AND NOT divided AND EXISTS (SELECT 1 FROM open c
                WHERE c.channel_id = j.channel_id AND c.t_utc = j.t_utc
                AND NOT EXISTS (SELECT 1 FROM earlier e WHERE e.import_id = c.settled_by
                    AND e.channel_id = j.channel_id AND e.t_utc = j.t_utc AND e.value = j.value
                    AND e.duration_s IS NOT DISTINCT FROM j.duration_s)) THEN 'contradicts'
            ELSE verdict
        END AS verdict
    FROM judged j ORDER BY channel_id, t_utc, line
"""


def _settle(intake: _Intake, judged: pl.DataFrame) -> tuple[int, int]:
    """Write the readings that are new; give the numbers of duplicates and conflicts."""
    verdict = pl.col("verdict")
    intake.write(judged.filter(verdict.is_in(["new", "contradicts", "conflict"])).drop("verdict"))
    intake.contest(judged.filter(verdict.is_in(["contradicts", "conflict"])))
    counted = dict(judged.group_by("verdict").len().rows())
    duplicates = counted.get("duplicate", 0) + counted.get("known", 0)
    conflicts = counted.get("conflict", 0)
    if not intake.correction:
        conflicts += counted.get("contradicts", 0)
    return duplicates, conflicts


def _in_order(staged: pl.DataFrame) -> bool:
    channel, t = pl.col("channel_id"), pl.col("t_utc")
    return bool(
        staged.select(
            ((channel.diff() > 0) | ((channel.diff() == 0) & (t.diff() >= pl.duration()))).all()
        ).item()
    )


def _span(staged: pl.DataFrame) -> dict[str, object]:
    first, last = staged.select(
        pl.col("t_utc").min().dt.replace_time_zone(None).alias("first"),
        pl.col("t_utc").max().dt.replace_time_zone(None).alias("last"),
    ).row(0)
    return {"ids": staged["channel_id"].unique().to_list(), "first": first, "last": last}


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
        return check(_ordered(frame), READING)
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
            -- Settled by a correction that has nothing there: nothing holds.
            WHERE d.settled_by IS NULL OR w.value IS NOT NULL
            ORDER BY channel_id, t_utc
            """,
        limits,
    )
    return check(frame.cast({"duration_s": pl.Int32}), READING)


def _ordered(frame: pl.DataFrame) -> pl.DataFrame:
    """Sort readings by channel and time; those of one channel mostly stand in order."""
    if _in_order(frame):
        return frame
    channels = sorted(frame.partition_by("channel_id"), key=lambda own: int(own["channel_id"][0]))
    return pl.concat(own if own["t_utc"].is_sorted() else own.sort("t_utc") for own in channels)


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
                    WHEN NOT EXISTS (SELECT 1 FROM reading n WHERE n.channel_id = d.channel_id
                        AND n.t_utc = d.t_utc AND n.import_id = d.settled_by)
                    THEN 'a correction replaced the span and has nothing at this time'
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
