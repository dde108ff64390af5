"""Series of prices: taken in once, kept for ever; the newest correction of a time holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from monitor.guarantee.price_steps import PRICE
from monitor.schemas import REJECT, UTC, Schema, check, empty
from monitor.store import audit
from monitor.store.changes import note_change
from monitor.store.connection import Store, query
from monitor.store.sites import list_sites

#: Prices of one file: one row a quarter hour, with the line it stood in.
STAGED_PRICE: Schema = {"line": pl.Int64, "start_utc": UTC, "price_per_kwh": pl.Float64}


@dataclass(frozen=True)
class PriceBatch:
    """Everything that one price file brings, ready to be recorded.

    Attributes
    ----------
    prices
        Frame of schema STAGED_PRICE; no quarter hour occurs twice.
    duplicates
        Rows that said again what an earlier row of the file had said.
    rejects
        Frame of schema REJECT: one row a row of the file that could not be used.
    """

    series: str
    file_name: str
    content_hash: str
    correction: bool
    prices: pl.DataFrame
    duplicates: int
    rejects: pl.DataFrame
    notes: tuple[str, ...]


@dataclass(frozen=True)
class PriceCounts:
    """rows_read = accepted + duplicates + conflicts + rejected, in rows of the file."""

    price_import_id: int
    rows_read: int
    accepted: int
    duplicates: int
    conflicts: int
    rejected: int


def record_prices(store: Store, batch: PriceBatch, now: datetime) -> PriceCounts:
    """Record one price file in one transaction.

    A row that says what is on record is a duplicate. One that says otherwise is a conflict
    and is set aside, and the price on record holds; a correction is accepted instead. A
    row of an hour is taken whole or not at all.

    Sites with a tariff of the series are marked for a fresh computation.
    """
    staged = check(batch.prices, STAGED_PRICE)
    known = load_prices(store, [batch.series]).select(
        "start_utc", pl.col("price_per_kwh").alias("on_record")
    )
    joined = staged.join(known, on="start_utc", how="left")
    rows = joined.group_by("line", maintain_order=True).agg(
        pl.col("start_utc").min(),
        pl.col("price_per_kwh").first(),
        (pl.col("on_record") == pl.col("price_per_kwh")).fill_null(value=False).all().alias("same"),
        (pl.col("on_record") != pl.col("price_per_kwh"))
        .fill_null(value=False)
        .any()
        .alias("other"),
        pl.col("on_record")
        .filter(pl.col("on_record") != pl.col("price_per_kwh"))
        .first()
        .alias("on_record"),
    )
    against = rows.filter(pl.col("other")) if not batch.correction else rows.clear()
    taken = rows.filter(~pl.col("same")).join(against, on="line", how="anti")
    conflicts = against.select(
        "line",
        pl.lit("price").alias("column"),
        pl.col("price_per_kwh").cast(pl.String).alias("raw"),
        pl.format(
            "at {} UTC the price on record is {}; import the file as a correction if it is right",
            pl.col("start_utc").dt.strftime("%Y-%m-%d %H:%M"),
            "on_record",
        ).alias("reason"),
    )
    refused = pl.concat([check(batch.rejects, REJECT), check(conflicts, REJECT)])
    fresh = joined.join(taken.select("line"), on="line", how="semi")
    duplicates = batch.duplicates + int(rows["same"].sum())
    sites = [
        site.id
        for site in list_sites(store)
        if any(tariff.series == batch.series for tariff in site.tariff)
    ]
    with store.transaction() as cursor:
        (number,) = cursor.execute("SELECT nextval('price_import_seq')").fetchall()[0]
        counts = PriceCounts(
            price_import_id=number,
            rows_read=rows.height + batch.duplicates + batch.rejects.height,
            accepted=taken.height,
            duplicates=duplicates,
            conflicts=against.height,
            rejected=batch.rejects.height,
        )
        cursor.execute(
            "INSERT INTO price_import VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                number,
                batch.series,
                batch.file_name,
                batch.content_hash,
                now,
                batch.correction,
                counts.rows_read,
                counts.accepted,
                counts.duplicates,
                counts.conflicts,
                counts.rejected,
                list(batch.notes),
            ],
        )
        audit.note(cursor, "prices imported", detail=f"import {number}")
        if fresh.height:
            cursor.register("fresh", fresh)
            cursor.execute(
                "INSERT INTO price SELECT ?, start_utc, price_per_kwh, ? FROM fresh",
                [batch.series, number],
            )
            cursor.unregister("fresh")
        if refused.height:
            cursor.register("refused", refused)
            cursor.execute(
                'INSERT INTO price_quarantine SELECT ?, line, "column", raw, reason FROM refused',
                [number],
            )
            cursor.unregister("refused")
        if fresh.height:
            since = fresh.select(pl.col("start_utc").min().dt.replace_time_zone(None)).item()
            for site in sites:
                note_change(cursor, site, since)
    return counts


def load_prices(store: Store, series: Sequence[str]) -> pl.DataFrame:
    """Prices in force of some series (schema PRICE), by series and time."""
    if not series:
        return empty(PRICE)
    found = query(
        store.cursor(),
        "SELECT series, start_utc, arg_max(price_per_kwh, price_import_id) AS price_per_kwh "
        "FROM price WHERE list_contains($series, series) GROUP BY series, start_utc "
        "ORDER BY series, start_utc",
        {"series": list(series)},
    )
    return check(found, PRICE)


def price_series(store: Store) -> pl.DataFrame:
    """Every series: name, first and last quarter hour, how many have a price and how many lack one.

    Returns
    -------
    pl.DataFrame
        Columns series, first_utc, last_utc, known, missing.
    """
    return query(
        store.cursor(),
        "SELECT series, min(start_utc) AS first_utc, max(start_utc) AS last_utc, "
        "count(DISTINCT start_utc) AS known, "
        "datediff('minute', min(start_utc), max(start_utc)) // 15 + 1 - count(DISTINCT start_utc) "
        "AS missing FROM price GROUP BY series ORDER BY series",
    )


def price_quarantine(store: Store, price_import_id: int) -> pl.DataFrame:
    """Rows of a price file that were not taken (schema REJECT)."""
    found = query(
        store.cursor(),
        'SELECT line, source_column AS "column", raw, reason FROM price_quarantine '
        "WHERE price_import_id = ? ORDER BY line",
        [price_import_id],
    )
    return check(found, REJECT)


def newest_prices(store: Store, series: Sequence[str]) -> int:
    """Number of the newest import of some series; 0 without one."""
    rows = (
        store.cursor()
        .execute(
            "SELECT coalesce(max(price_import_id), 0) FROM price_import "
            "WHERE list_contains($series, series)",
            {"series": list(series)},
        )
        .fetchall()
    )
    return int(rows[0][0])
