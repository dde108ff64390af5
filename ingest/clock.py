"""Time stamps of export files, as UTC.

A stamp with an offset is taken at its word. One without is local time of the profile's
zone; where clocks go back, an hour occurs twice and only the order of the file can tell
which is meant. What cannot be told is refused with a reason, never guessed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC as PY_UTC
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from ingest.local_time import (
    DAY,
    SECOND,
    Bools,
    Ints,
    Zone,
    later_pass,
    resolve_fold,
    to_utc,
)
from monitor.schemas import UTC

#: Stamps outside these years are no reading's time (Excel and Unix zero days, overflow).
FIRST_YEAR, LAST_YEAR = 1970, 2199
_FIRST = int(datetime(FIRST_YEAR, 1, 1, tzinfo=PY_UTC).timestamp()) * SECOND
_LAST = int(datetime(LAST_YEAR + 1, 1, 1, tzinfo=PY_UTC).timestamp()) * SECOND
# Day 0 of the serial dates of spreadsheets in the 1900 system (ECMA-376 part 1, 18.17.4).
_EXCEL_ZERO = int(datetime(1899, 12, 30, tzinfo=PY_UTC).timestamp()) * SECOND

NUMERIC_FORMATS = ("epoch_s", "epoch_ms", "excel")
_ISO = (
    *(
        f"%Y-%m-%d{between}{clock}{offset}"
        for between in ("T", " ")
        for clock in ("%H:%M:%S", "%H:%M", "%H:%M:%S%.f")
        for offset in ("", "Z", "%z", " %z")
    ),
    "%Y-%m-%d",
)


@dataclass(frozen=True)
class Stamps:
    """Stamps of one column of a file, in its order.

    Attributes
    ----------
    utc
        UTC times; null where a stamp could not be used.
    local
        Local time in microseconds since 1970 where the zone gave the offset.
    floating
        True where the zone gave the offset, False where the stamp carried one.
    reason
        Why a stamp could not be used; null where it could.
    zone
        The zone that was applied.
    """

    utc: pl.Series
    local: Ints
    floating: Bools
    reason: pl.Series
    zone: Zone


@dataclass(frozen=True)
class Moments:
    """Times that a file states as times, not as text.

    Attributes
    ----------
    moment
        Times in numpy's `datetime64[us]`; NaT where the file states none.
    floating
        True where a time is local to the profile's zone, False where it is UTC.
    """

    moment: npt.NDArray[Any]
    floating: Bools


def check_time_format(time_format: str) -> None:
    """Refuse a strptime format that does not hold a whole date, and a time that it names.

    Raises
    ------
    ValueError
        With a sentence fragment that says what the format lacks.
    """
    if time_format == "iso" or time_format in NUMERIC_FORMATS:
        return
    if "%Z" in time_format:
        message = "zone names (%Z) cannot be read; give the profile a 'zone' instead"
        raise ValueError(message)
    probe = pl.Series([datetime(2024, 5, 17, 13, 45, tzinfo=PY_UTC)])
    aware = "%z" in time_format
    try:
        written = (probe if aware else probe.dt.replace_time_zone(None)).dt.strftime(time_format)
        read = written.str.to_datetime(time_format, strict=False).item()
    except Exception as error:
        why = str(error).splitlines()[0].removeprefix("Invalid format string: ")
        message = f"'{time_format}' is not a strptime format: {why}"
        raise ValueError(message) from error
    if aware and read is not None:
        read = read.astimezone(PY_UTC)
    day_only = not re.search(r"%[-_0]?[HIklTRXrcs]", time_format)
    expected = datetime(2024, 5, 17, 0 if day_only else 13, 0 if day_only else 45, tzinfo=PY_UTC)
    if read is None or read.replace(tzinfo=PY_UTC) != expected:
        message = (
            f"'{time_format}' does not hold a whole date with its time of day; "
            "an example that does is '%d.%m.%Y %H:%M'"
        )
        raise ValueError(message)


def read_stamps(
    text: pl.Series,
    *,
    time_format: str,
    zone: Zone,
    group: Ints | None = None,
    typed: Moments | None = None,
) -> Stamps:
    """Read a column of stamps.

    Parameters
    ----------
    text
        Stamps as text, in file order. Numbers must have a decimal point.
    time_format
        `iso`, `epoch_s`, `epoch_ms`, `excel`, or a strptime format.
    zone
        Zone of stamps that carry no offset.
    group
        Which series each row belongs to, where a file mixes several; the order that
        tells the two hours of an autumn night apart is kept within a group.
    typed
        Times that the file states as such; text is only read where they lack.

    Returns
    -------
    Stamps
        As long as `text`.
    """
    moment, floating = _moments(text, time_format, typed)
    known = ~np.isnat(moment)
    micros = moment.astype(np.int64)
    inside = known & (micros >= _FIRST) & (micros < _LAST)
    local = np.where(inside, micros, 0)
    utc, in_gap, in_fold = to_utc(local, inside & floating, zone)
    if in_fold.any():
        later, told = resolve_fold(local, in_fold, group, zone)
        if len(later):
            utc[later] = later_pass(local[later], zone)
        in_fold &= ~told
    good = inside & ~in_gap & ~in_fold
    reason = pl.repeat(None, len(text), dtype=pl.String, eager=True)
    if not good.all():
        bad = np.flatnonzero(~good)
        said = _reasons(
            text.gather(bad),
            time_format,
            local[bad],
            beyond=(known & ~inside)[bad],
            in_gap=in_gap[bad],
            in_fold=in_fold[bad],
        )
        reason = reason.scatter(bad, said)
    return Stamps(_datetimes(utc, good), local, inside & floating, reason, zone)


def _moments(
    text: pl.Series, time_format: str, typed: Moments | None
) -> tuple[npt.NDArray[Any], Bools]:
    """Give datetime64 with NaT, and where no offset was given."""
    read = _numeric if time_format in NUMERIC_FORMATS else _textual
    if typed is None:
        return read(text, time_format)
    moment, floating = typed.moment.copy(), typed.floating.copy()
    left = np.isnat(moment) & text.is_not_null().to_numpy()
    if left.any():
        moment[left], floating[left] = read(text.filter(pl.Series(left)), time_format)
    return moment, floating


def _datetimes(utc: Ints, good: Bools) -> pl.Series:
    values = pl.Series("t_utc", utc)
    if not good.all():
        values = values.set(~pl.Series(good), None)
    return values.cast(pl.Datetime("us")).dt.replace_time_zone("UTC").cast(UTC)


def _reasons(
    text: pl.Series,
    time_format: str,
    local: Ints,
    *,
    beyond: Bools,
    in_gap: Bools,
    in_fold: Bools,
) -> pl.Series:
    layout = {
        "iso": "an ISO 8601 time such as 2024-01-31 13:45",
        "epoch_s": "seconds since 1970",
        "epoch_ms": "milliseconds since 1970",
        "excel": "a spreadsheet's serial date",
    }.get(time_format, f"a time written as {time_format}")
    frame = pl.DataFrame(
        {
            "text": text.fill_null("").str.strip_chars().str.slice(0, 60),
            "clock": pl.Series(local).cast(pl.Datetime("us")).dt.strftime("%H:%M"),
            "beyond": beyond,
            "gap": in_gap,
            "fold": in_fold,
        }
    )
    return frame.select(
        pl.when("gap")
        .then(pl.format("the local time {} does not exist on this day: clocks go forward", "clock"))
        .when("fold")
        .then(
            pl.format(
                "the local time {} occurs twice on this day and its order does not tell which",
                "clock",
            )
        )
        .when("beyond")
        .then(pl.format(f"the time '{{}}' lies outside {FIRST_YEAR} to {LAST_YEAR}", "text"))
        .when(pl.col("text") == "")
        .then(pl.lit("there is no time in this row"))
        .otherwise(pl.lit("the time '") + pl.col("text") + pl.lit(f"' cannot be read as {layout}"))
        .alias("reason")
    )["reason"]


def _numeric(text: pl.Series, time_format: str) -> tuple[npt.NDArray[Any], Bools]:
    """Read numbers of seconds, milliseconds or days; give datetime64 with NaT."""
    number = text.str.strip_chars().cast(pl.Float64, strict=False)
    values = number.fill_null(np.nan).to_numpy().copy()
    values[~np.isfinite(values) | (np.abs(values) > 1e14)] = np.nan
    known = ~np.isnan(values)
    values = np.where(known, values, 0.0)
    if time_format == "excel":
        # A minute is no round fraction of a day, so serial dates carry rounding errors.
        micros = np.round(np.clip(values, -1e7, 1e7) * 86_400).astype(np.int64) * SECOND
        micros += _EXCEL_ZERO
    else:
        unit = SECOND if time_format == "epoch_s" else 1_000
        micros = np.round(np.clip(values * unit, -9e18, 9e18)).astype(np.int64)
    moment = micros.astype("datetime64[us]")
    moment[~known] = np.datetime64("NaT")
    floating = np.full(len(text), time_format == "excel")
    return moment, floating


def _textual(text: pl.Series, time_format: str) -> tuple[npt.NDArray[Any], Bools]:
    """Read text; give datetime64 with NaT, and where no offset was given."""
    moment = np.full(len(text), np.datetime64("NaT"), dtype="datetime64[us]")
    floating = np.ones(len(text), dtype=np.bool_)
    formats = _likeliest_first(text) if time_format == "iso" else (time_format,)
    left = _try_formats(text, np.arange(len(text)), formats, moment, floating)
    if len(left):
        trimmed = text.gather(left).fill_null("").str.strip_chars()
        left = _try_formats(trimmed, left, formats, moment, floating)
    if len(left):
        # 24:00 is the end of a day: midnight of the next (ISO 8601-1:2019, 5.3.2).
        ended = text.gather(left).fill_null("").str.strip_chars()
        at_24 = ended.str.contains(r"(?:^|[^0-9])24:00(?::00(?:\.0+)?)?(?:$|[^0-9:])").to_numpy()
        rows = left[at_24]
        if len(rows):
            wound = ended.filter(pl.Series(at_24)).str.replace(r"(^|[^0-9])24:00", "${1}00:00")
            unread = _try_formats(wound, rows, formats, moment, floating)
            moment[np.setdiff1d(rows, unread)] += np.timedelta64(DAY, "us")
    return moment, floating


def _likeliest_first(text: pl.Series) -> tuple[str, ...]:
    sample = text.head(64).drop_nulls()
    for one in _ISO:
        if sample.str.to_datetime(one, strict=False, time_unit="us").null_count() * 2 < len(sample):
            return (one, *(other for other in _ISO if other != one))
    return _ISO


def _try_formats(
    text: pl.Series,
    rows: Ints,
    formats: tuple[str, ...],
    moment: npt.NDArray[Any],
    floating: Bools,
) -> Ints:
    """Read `text`, which stands in `rows`, into `moment`; give the rows that stay unread."""
    for one in formats:
        if not len(rows):
            break
        read = text.str.to_datetime(one, strict=False, time_unit="us")
        if read.null_count() == len(read):
            continue
        naive = read.dt.replace_time_zone(None) if "%z" in one else read
        values = naive.to_numpy()
        hit = ~np.isnat(values)
        moment[rows[hit]] = values[hit]
        if one.endswith(("Z", "%z")):
            floating[rows[hit]] = False
        if hit.all():
            return rows[:0]
        text, rows = text.filter(pl.Series(~hit)), rows[~hit]
    return rows


def calendar_shift(stamps: Stamps, days: int) -> pl.Series:
    """Give the UTC times a number of days later on the local calendar.

    A local day has 23 or 25 hours where clocks change, so that a daily reading's other
    end is found on the calendar. Stamps with an offset of their own move by 24 h a day.
    """
    moved, in_gap, in_fold = to_utc(stamps.local + days * DAY, stamps.floating, stamps.zone)
    plain = stamps.utc.dt.offset_by(f"{days * 24}h")
    odd = in_gap | in_fold | ~stamps.floating
    values = _datetimes(moved, np.ones(len(moved), dtype=np.bool_))
    shifted = values.zip_with(~pl.Series(odd), plain) if odd.any() else values
    return shifted.set(stamps.utc.is_null(), None) if stamps.utc.null_count() else shifted
