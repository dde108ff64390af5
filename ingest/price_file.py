"""Reads files of prices that change by the hour, half hour or quarter of an hour.

A delimited text with one column for the time at which a price begins and one for the
price. Other columns are ignored.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import numpy as np
import polars as pl

from ingest.clock import read_stamps
from ingest.errors import Terminal
from ingest.local_time import Zone, parse_zone
from ingest.numbers import read_numbers, shown_column
from ingest.text_table import Table, find_header, load_text, read_rows
from monitor.schemas import REJECT, empty
from monitor.store.prices import STAGED_PRICE, PriceBatch

#: Steps that prices may have, in minutes; they are kept by quarter hour.
STEPS_MIN: Final = (15, 30, 60)

_QUARTER_US: Final = 15 * 60_000_000
_MINUTE_US: Final = 60_000_000


@dataclass(frozen=True)
class PriceLayout:
    """How a price file is laid out.

    Attributes
    ----------
    time, price
        Names of the two columns.
    zone
        Zone of times without an offset: a zone name, `UTC`, or an offset such as `+01:00`.
    time_format
        `iso`, `epoch_s`, `epoch_ms`, `excel`, or a strptime format.
    scale
        Factor that makes the file's figures a price per kWh in the tariff's currency:
        0.01 for hundredths, 0.001 for a price per MWh.
    step_min
        Minutes for which a price holds. None: the usual distance of the file's times.
    separator
        None: found from the header line.
    """

    time: str = "time"
    price: str = "price"
    zone: str = "UTC"
    time_format: str = "iso"
    decimal: Literal[".", ","] = "."
    separator: str | None = None
    scale: float = 1.0
    step_min: int | None = None


def read_price_file(
    path: Path, series: str, layout: PriceLayout | None = None, *, correction: bool = False
) -> PriceBatch:
    """Read a file of prices; nothing is filled in where times are missing.

    Parameters
    ----------
    series
        Name by which tariffs mean these prices.
    correction
        True where the file replaces prices on record that it contradicts.

    Raises
    ------
    Terminal, Transient
        The file cannot be read at all, or not now; the sentence says what to do.
    """
    layout = layout or PriceLayout()
    zone = _zone(layout.zone, path.name)
    if not np.isfinite(layout.scale) or layout.scale == 0:
        message = f"{path.name} cannot be read with a scale of {layout.scale}."
        raise Terminal(message)
    text = load_text(path)
    header = find_header(
        text,
        anchor=(layout.time,),
        contains=None,
        separator=layout.separator,
        wanted=(layout.time, layout.price),
    )
    places = [header.position(name, file=text.name) for name in (layout.time, layout.price)]
    table = read_rows(text, header, sorted(set(places)))
    if table.lines == 0:
        message = f"{text.name} has a header but no rows below it. Export it again."
        raise Terminal(message)
    rows, rejects = _rows(table, places, layout, zone)
    rows, rejects, duplicates = _one_price_a_time(rows, rejects, layout.price)
    step = layout.step_min or _usual_step(rows, text.name)
    if step not in STEPS_MIN:
        message = (
            f"{text.name}: prices hold for {step} minutes; they can be read where they hold for "
            "15, 30 or 60."
        )
        raise Terminal(message)
    _refuse_overlap(rows, step, text.name)
    return PriceBatch(
        series=series,
        file_name=text.name,
        content_hash=hashlib.sha256(text.data).hexdigest(),
        correction=correction,
        prices=_by_quarter(rows, step),
        duplicates=duplicates,
        rejects=rejects.sort("line"),
        notes=(*text.notes, *table.notes, *_notes(rows, step)),
    )


def _zone(name: str, file: str) -> Zone:
    try:
        return parse_zone(name)
    except ValueError as error:
        message = f"{file} cannot be read: {error}."
        raise Terminal(message) from error


def _rows(
    table: Table, places: list[int], layout: PriceLayout, zone: Zone
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows with a time and a price, and those without."""
    times, cells = (table.cells[str(place)] for place in places)
    stamps = read_stamps(times, time_format=layout.time_format, zone=zone)
    numbers = read_numbers(cells, decimal=layout.decimal)
    why = pl.Series("why", [None] * len(cells), dtype=pl.String)
    if len(numbers.bad):
        why = why.scatter(numbers.bad, numbers.reasons)
    frame = pl.DataFrame(
        {
            "line": table.line,
            "start_utc": stamps.utc,
            "price_per_kwh": (numbers.values * layout.scale).round(9),
            "raw_time": shown_column(times.fill_null("")),
            "raw_price": shown_column(cells.fill_null("")),
            "time_why": stamps.reason,
            "price_why": why,
        }
    )
    off_grid = pl.col("start_utc").to_physical() % _QUARTER_US != 0
    frame = frame.with_columns(
        pl.when(pl.col("time_why").is_not_null())
        .then("time_why")
        .when(off_grid)
        .then(pl.lit("a price begins on the quarter of an hour"))
        .alias("time_why"),
        pl.when(pl.col("price_per_kwh").is_not_null() & pl.col("price_per_kwh").is_finite())
        .then(None)
        .otherwise(pl.col("price_why").fill_null("there is no price in this row"))
        .alias("price_why"),
    )
    bad = pl.col("time_why").is_not_null() | pl.col("price_why").is_not_null()
    of_time = pl.col("time_why").is_not_null()
    refused = frame.filter(bad).select(
        "line",
        pl.when(of_time).then(pl.lit(layout.time)).otherwise(pl.lit(layout.price)).alias("column"),
        pl.when(of_time).then("raw_time").otherwise("raw_price").alias("raw"),
        pl.coalesce("time_why", "price_why").alias("reason"),
    )
    good = frame.filter(~bad).select("line", "start_utc", "price_per_kwh", "raw_price")
    return good, pl.concat([empty(REJECT), table.rejects, refused])


def _one_price_a_time(
    rows: pl.DataFrame, rejects: pl.DataFrame, column: str
) -> tuple[pl.DataFrame, pl.DataFrame, int]:
    """Keep one of equal rows; of a time with several prices keep none."""
    several = pl.col("price_per_kwh").n_unique().over("start_utc") > 1
    torn = rows.filter(several).select(
        "line",
        pl.lit(column).alias("column"),
        pl.col("raw_price").alias("raw"),
        pl.format(
            "the file has more than one price for {} UTC",
            pl.col("start_utc").dt.strftime("%Y-%m-%d %H:%M"),
        ).alias("reason"),
    )
    kept = rows.filter(~several)
    single = kept.unique("start_utc", keep="first", maintain_order=True).sort("start_utc")
    return single, pl.concat([rejects, torn]), kept.height - single.height


def _distances(rows: pl.DataFrame) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.asarray(np.diff(rows["start_utc"].to_physical().to_numpy()) // _MINUTE_US)


def _usual_step(rows: pl.DataFrame, file: str) -> int:
    distances = _distances(rows)
    if not len(distances):
        message = (
            f"{file} has {rows.height} usable price{'' if rows.height == 1 else 's'}, too few to "
            "tell for how long one holds. Check the columns, the zone and the decimal mark."
        )
        raise Terminal(message)
    lengths, counts = np.unique(distances, return_counts=True)
    return int(lengths[counts.argmax()])


def _refuse_overlap(rows: pl.DataFrame, step: int, file: str) -> None:
    """A price that begins before the last one ends shows that the file changes its step."""
    near = np.flatnonzero(_distances(rows) < step)
    if len(near):
        line, start = rows.select("line", "start_utc").row(int(near[0]) + 1)
        message = (
            f"{file}, line {line}: a price begins at {start:%Y-%m-%d %H:%M} UTC while the one "
            f"before it, of {step} minutes, still holds. Split the file where its step changes."
        )
        raise Terminal(message)


def _by_quarter(rows: pl.DataFrame, step: int) -> pl.DataFrame:
    quarters = [pl.duration(minutes=minutes) for minutes in range(0, step, 15)]
    return (
        pl.concat([rows.with_columns(pl.col("start_utc") + later) for later in quarters])
        .sort("start_utc")
        .select(list(STAGED_PRICE))
    )


def _notes(rows: pl.DataFrame, step: int) -> list[str]:
    if not rows.height:
        return []
    price = rows["price_per_kwh"].to_numpy()
    low, high = float(price.min()), float(price.max())
    notes = [
        f"Each price holds for {step} minutes; they lie between {low:.4f} and {high:.4f} a kWh."
    ]
    distances = _distances(rows)
    holes = distances[distances > step] - step
    if len(holes):
        notes.append(
            f"Between the first and the last price {int(holes.sum()) / 60:,.2f} hours have none, "
            f"in {len(holes)} gap{'' if len(holes) == 1 else 's'}; they stay without a price."
        )
    return notes
