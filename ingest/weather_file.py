"""Reads hourly weather files to daily mean outdoor temperatures: EPW and TMY3.

EPW: eight header lines, then one line an hour with year, month, day, hour 1 to 24, minute,
flags, dry bulb in degC, ...; 99.9 is a missing dry bulb (EnergyPlus, Auxiliary Programs,
"EPW CSV Format"). TMY3: a line on the station, a line of column names, then one line an
hour with "Date (MM/DD/YYYY)", "Time (HH:MM)" and "Dry-bulb (C)"; -9900 is missing (NREL,
Users Manual for TMY3 Data Sets, 2008). Both from memory.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import polars as pl

from monitor.errors import PledgewattError

#: Header lines of an EPW file.
_EPW_HEADER: Final = 8

#: Dry bulbs outside of this are taken as missing or wrong, degC.
_POSSIBLE_C: Final = (-70.0, 60.0)

#: Hours of a day that must be there for its mean. Common practice, no source.
LEAST_HOURS: Final = 18

#: Years that stand for "no particular year", without and with 29 February.
_NOMINAL: Final = (2001, 2000)

#: Sentences about single lines that a result carries; the rest is counted.
_SHOWN: Final = 20


class WeatherFileError(PledgewattError):
    """A weather file cannot be used at all."""


@dataclass(frozen=True)
class WeatherFile:
    """Daily means of a weather file, and what could not be used of it.

    Attributes
    ----------
    place
        As the file names it.
    daily
        Frame with `day` (date) and `outdoor_c`. A typical year stands on one nominal year.
    is_typical
        True where the months come from different years: such a file tells the climate and
        not what the weather was.
    hours, missing_hours, wrong_lines
        Data lines read; of them, without a temperature; and unusable.
    short_days
        Days left out because too few hours are there.
    remarks
        Sentences on the first lines that could not be used.
    """

    place: str
    daily: pl.DataFrame
    is_typical: bool
    hours: int
    missing_hours: int
    wrong_lines: int
    short_days: int
    remarks: tuple[str, ...]


def read_weather_file(path: Path) -> WeatherFile:
    """Read an EPW or TMY3 file.

    Raises
    ------
    WeatherFileError
        The file is not there, is neither of the two, or has no usable day; the sentence
        says what to do.
    """
    try:
        text = path.read_text(encoding="utf-8-sig", errors="replace")
    except OSError as error:
        message = f"{path.name} cannot be read: {error.strerror or error}."
        raise WeatherFileError(message) from error
    lines = text.splitlines()
    if lines and lines[0].upper().startswith("LOCATION,"):
        place = lines[0].split(",")[1].strip() or path.stem
        rows, first_line, columns = lines[_EPW_HEADER:], _EPW_HEADER + 1, None
    elif len(lines) > 1 and "Dry-bulb (C)" in lines[1]:
        parts = lines[0].split(",")
        place = parts[1].strip(' "') if len(parts) > 1 else path.stem
        columns = next(csv.reader([lines[1]]))
        rows, first_line = lines[2:], 3
    else:
        message = (
            f"{path.name} is neither an EPW nor a TMY3 weather file: its first line does not "
            "begin with 'LOCATION,' and its second has no column 'Dry-bulb (C)'. Give the "
            "hourly file as the data provider wrote it."
        )
        raise WeatherFileError(message)
    frame = _epw(rows, first_line) if columns is None else _tmy3(rows, first_line, columns, path)
    return _daily(frame, place, path)


def _split(rows: list[str], first_line: int) -> pl.DataFrame:
    return pl.DataFrame(
        {"line": range(first_line, first_line + len(rows)), "text": rows},
        schema={"line": pl.Int64, "text": pl.String},
    ).filter(pl.col("text").str.strip_chars() != "")


def _field(index: int) -> pl.Expr:
    return pl.col("text").str.split(",").list.get(index, null_on_oob=True).str.strip_chars(' "')


def _epw(rows: list[str], first_line: int) -> pl.DataFrame:
    return _split(rows, first_line).select(
        "line",
        _field(0).cast(pl.Int32, strict=False).alias("year"),
        _field(1).cast(pl.Int8, strict=False).alias("month"),
        _field(2).cast(pl.Int8, strict=False).alias("dom"),
        _field(6).cast(pl.Float64, strict=False).alias("outdoor_c"),
    )


def _tmy3(rows: list[str], first_line: int, columns: list[str], path: Path) -> pl.DataFrame:
    if "Date (MM/DD/YYYY)" not in columns:
        message = f"{path.name}, line 2: there is no column 'Date (MM/DD/YYYY)'."
        raise WeatherFileError(message)
    day = _field(columns.index("Date (MM/DD/YYYY)")).str.split("/")
    part = [day.list.get(i, null_on_oob=True).cast(pl.Int32, strict=False) for i in range(3)]
    return _split(rows, first_line).select(
        "line",
        part[2].alias("year"),
        part[0].cast(pl.Int8, strict=False).alias("month"),
        part[1].cast(pl.Int8, strict=False).alias("dom"),
        _field(columns.index("Dry-bulb (C)")).cast(pl.Float64, strict=False).alias("outdoor_c"),
    )


def _date(year: pl.Expr) -> pl.Expr:
    """Date of a line, or null where its parts are none."""
    parts = [year, pl.col("month").cast(pl.String), pl.col("dom").cast(pl.String)]
    return pl.concat_str(parts, separator="-").str.to_date("%Y-%m-%d", strict=False)


def _daily(frame: pl.DataFrame, place: str, path: Path) -> WeatherFile:
    low, high = _POSSIBLE_C
    frame = frame.with_columns(
        _date(pl.col("year").cast(pl.String)).alias("given"),
        pl.col("outdoor_c").is_between(low, high).fill_null(value=False).alias("has_value"),
        (pl.col("outdoor_c").is_in([99.9, -9900.0])).fill_null(value=False).alias("is_missing"),
    )
    wrong = frame.filter(pl.col("given").is_null() | (~pl.col("has_value") & ~pl.col("is_missing")))
    missing = frame.filter(pl.col("given").is_not_null() & pl.col("is_missing"))
    good = frame.filter(pl.col("given").is_not_null() & pl.col("has_value"))
    remarks = tuple(
        f"{path.name}, line {line}: "
        f"{'the date' if given is None else 'the dry bulb'} cannot be read."
        for line, given in wrong.head(_SHOWN).select("line", "given").rows()
    )
    # One month that comes from one year and the next from another: a typical year.
    months = good.select("year", "month").unique()
    years = months["year"].n_unique()
    is_typical = years > 1 and months.height <= 12
    day = pl.col("given")
    if is_typical:
        leap = good.filter((pl.col("month") == 2) & (pl.col("dom") == 29)).height > 0
        day = _date(pl.lit(str(_NOMINAL[leap])))
    counted = good.group_by(day.alias("day")).agg(
        pl.col("outdoor_c").mean(), pl.len().alias("hours")
    )
    daily = counted.filter(pl.col("hours") >= LEAST_HOURS).sort("day").select("day", "outdoor_c")
    if daily.height == 0:
        message = (
            f"{path.name} has no day with at least {LEAST_HOURS} hours of outdoor temperature: "
            f"{wrong.height} of {frame.height} lines cannot be read and {missing.height} have "
            "no temperature."
        )
        raise WeatherFileError(message)
    return WeatherFile(
        place=place,
        daily=daily,
        is_typical=is_typical,
        hours=frame.height,
        missing_hours=missing.height,
        wrong_lines=wrong.height,
        short_days=counted.height - daily.height,
        remarks=remarks,
    )
