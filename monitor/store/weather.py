"""Weather of named places: taken in once, kept for ever; the newest correction of a day holds."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import polars as pl

from monitor.schemas import WEATHER, check, empty
from monitor.store import audit
from monitor.store.connection import Store, query


@dataclass(frozen=True)
class WeatherBatch:
    """Everything that one weather file brings.

    Attributes
    ----------
    days
        Frame of schema WEATHER, each day once.
    hours, missing_hours, wrong_lines, short_days
        Data lines of the file; of them, without a temperature; and unusable; days left
        out because too few hours are there.
    """

    series: str
    file_name: str
    content_hash: str
    correction: bool
    days: pl.DataFrame
    hours: int
    missing_hours: int
    wrong_lines: int
    short_days: int
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class WeatherCounts:
    """days = accepted + duplicates + conflicts."""

    days: int
    accepted: int
    duplicates: int
    conflicts: int


def record_weather(store: Store, batch: WeatherBatch, now: datetime) -> WeatherCounts:
    """Record one weather file in one transaction.

    A day that says what is on record is a duplicate. One that says otherwise is a conflict
    and the day on record holds; a correction is accepted instead.
    """
    staged = check(batch.days, WEATHER)
    known = load_weather(store, batch.series).select(
        "day", "typical", pl.col("outdoor_c").alias("on_record")
    )
    joined = staged.join(known, on=["day", "typical"], how="left")
    same = (pl.col("on_record") == pl.col("outdoor_c")).fill_null(value=False)
    other = (pl.col("on_record") != pl.col("outdoor_c")).fill_null(value=False)
    against = joined.filter(other) if not batch.correction else joined.clear()
    fresh = joined.filter(~same).join(against, on=["day", "typical"], how="anti")
    counts = WeatherCounts(
        days=staged.height,
        accepted=fresh.height,
        duplicates=joined.filter(same).height,
        conflicts=against.height,
    )
    with store.transaction() as cursor:
        (number,) = cursor.execute("SELECT nextval('weather_import_seq')").fetchall()[0]
        cursor.execute(
            "INSERT INTO weather_import VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                number,
                batch.series,
                batch.file_name,
                batch.content_hash,
                now,
                batch.correction,
                batch.hours,
                batch.missing_hours,
                batch.wrong_lines,
                batch.short_days,
                counts.days,
                counts.accepted,
                counts.duplicates,
                counts.conflicts,
                list(batch.remarks),
            ],
        )
        audit.note(cursor, "weather imported", detail=f"import {number}")
        if fresh.height:
            cursor.register("fresh", fresh)
            cursor.execute(
                "INSERT INTO weather_day SELECT series, day, typical, outdoor_c, ? FROM fresh",
                [number],
            )
            cursor.unregister("fresh")
    return counts


def load_weather(store: Store, series: str | None) -> pl.DataFrame:
    """Days in force of one series (schema WEATHER), in order; none without a name."""
    if series is None:
        return empty(WEATHER)
    found = query(
        store.cursor(),
        "SELECT series, day, typical, arg_max(outdoor_c, weather_import_id) AS outdoor_c "
        "FROM weather_day WHERE series = ? GROUP BY series, day, typical ORDER BY day, typical",
        [series],
    )
    return check(found, WEATHER)


def weather_series(store: Store) -> pl.DataFrame:
    """Every series.

    Returns
    -------
    pl.DataFrame
        Columns series, typical_days, real_days, first_day and last_day of the real ones.
    """
    return query(
        store.cursor(),
        "SELECT series, count(DISTINCT day) FILTER (typical) AS typical_days, "
        "count(DISTINCT day) FILTER (NOT typical) AS real_days, "
        "min(day) FILTER (NOT typical) AS first_day, max(day) FILTER (NOT typical) AS last_day "
        "FROM weather_day GROUP BY series ORDER BY series",
    )


def newest_weather(store: Store, series: str | None) -> int:
    """Number of the newest import of a series; 0 without one."""
    rows = (
        store.cursor()
        .execute(
            "SELECT coalesce(max(weather_import_id), 0) FROM weather_import WHERE series = ?",
            [series],
        )
        .fetchall()
    )
    return int(rows[0][0])
