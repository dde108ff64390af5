"""Layouts of tables, whatever they are written in: text, workbooks, Parquet."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, StringConstraints, model_validator

from ingest.clock import NUMERIC_FORMATS, check_time_format
from monitor.record import Record


def _readable_time_format(time_format: str) -> str:
    check_time_format(time_format)
    return time_format


def _plain_separator(separator: str) -> str:
    if not separator.isascii() or separator.isalnum() or separator in '"\r\n.+-#':
        message = f"'{separator}' cannot separate fields; use one of ; , | or a tab"
        raise ValueError(message)
    return separator


TimeFormat = Annotated[str, Field(min_length=1), AfterValidator(_readable_time_format)]
# A tab is a separator too, so it must not be stripped as white space is elsewhere.
Separator = Annotated[
    str,
    StringConstraints(min_length=1, max_length=1, strip_whitespace=False),
    AfterValidator(_plain_separator),
]


class Tabular(Record):
    """What the layouts of all tables have in common.

    Attributes
    ----------
    layout
        `wide`: one column a quantity. `long`: one row a value, with a `point` column
        that says which quantity and a `value` column.
    decimal, thousands
        Marks in numbers that are written as text.
    time
        Name of the time column, or of a date and a time column.
    time_format
        How times that are written as text or as plain numbers are meant: a strptime
        format, or `iso`, `epoch_s`, `epoch_ms`, `excel`. Where date and time are two
        columns, the format is for both with one space between.
    point, value
        Long layout: names of the column that says what a row is, and of its value.
    serial
        Name of the column with the meter's serial, where the file mixes several meters.
    """

    layout: Literal["wide", "long"] = "wide"
    decimal: Literal[".", ","] = "."
    thousands: Literal[".", ",", "'", " "] | None = None
    time: str | tuple[str, str]
    time_format: TimeFormat = "iso"
    point: str | None = None
    value: str | None = None
    serial: str | None = None

    @property
    def times(self) -> tuple[str, ...]:
        """Names of the column or the two columns that hold the time."""
        return (self.time,) if isinstance(self.time, str) else self.time

    @model_validator(mode="after")
    def _long_names_its_columns(self) -> Self:
        if self.layout == "long" and (self.point is None or self.value is None):
            message = "a long layout needs 'point' and 'value': the names of those two columns"
            raise ValueError(message)
        if self.layout == "wide" and (self.point is not None or self.value is not None):
            message = "'point' and 'value' belong to a long layout; set layout = \"long\""
            raise ValueError(message)
        if self.thousands == self.decimal:
            message = "'thousands' and 'decimal' must differ"
            raise ValueError(message)
        if isinstance(self.time, tuple) and self.time_format in NUMERIC_FORMATS:
            message = f"time_format '{self.time_format}' is one number, so 'time' is one column"
            raise ValueError(message)
        return self


class Delimited(Tabular):
    """Layout of a delimited text file.

    Attributes
    ----------
    separator, encoding
        Left out: separator is found from the header line; encoding from the byte order
        mark, else UTF-8.
    header_contains
        Text by which the header line is known; lines before it are preamble. Left out:
        the first line that holds the time column's name.
    """

    separator: Separator | None = None
    encoding: Literal["utf-8", "utf-16", "latin-1", "cp1252"] | None = None
    header_contains: str | None = None


class Excel(Tabular):
    """Layout of a sheet of an Excel workbook.

    Attributes
    ----------
    sheet
        Name of the sheet, or its number from 1. Left out: the first sheet.
    header_contains
        Text within a cell by which the header row is known; rows before it are
        preamble. Left out: the first row that holds the time column's name.
    """

    sheet: Annotated[int, Field(ge=1)] | str | None = None
    header_contains: str | None = None


class Parquet(Tabular):
    """Layout of a Parquet file; its schema says the rest."""
