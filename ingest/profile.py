"""How one kind of export is laid out: what a fitter says once about a logger or portal."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import (
    AfterValidator,
    Field,
    StringConstraints,
    field_validator,
    model_validator,
)

from ingest.clock import NUMERIC_FORMATS, check_time_format
from ingest.local_time import parse_zone
from monitor.models import Finite, Kind, Record, Role, record_from_toml


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


class MbusRecord(Record):
    """Which data record of an M-Bus telegram a column means (EN 13757-3).

    Attributes
    ----------
    quantity
        `energy`, `power`, `flow_rate`, `flow_temp`, `return_temp`.
    storage, tariff, device
        Storage number, tariff and subunit; the live register is 0, 0, 0.
    cooling
        True for the register that counts energy taken back.
    """

    quantity: Literal["energy", "power", "flow_rate", "flow_temp", "return_temp"]
    storage: int = Field(default=0, ge=0)
    tariff: int = Field(default=0, ge=0)
    device: int = Field(default=0, ge=0)
    cooling: bool = False


class Column(Record):
    """One quantity of an export, and what it means.

    Attributes
    ----------
    column
        Wide layout: header of the column. Long layout: the text in the `point` column.
        M-Bus: leave it out and give `record` instead.
    role, kind, unit
        What the values are. Units are read by pint ('kWh', 'MWh', 'GJ', 'kW', 'W',
        'degC', 'degF', 'K', 'm3/h', 'l/min' ...) and converted on reading. M-Bus: leave
        it out, for each telegram states its own.
    interval
        Interval kind only: length of the interval. Without it the spacing of the
        time stamps must be regular and is taken.
    stamp
        Interval kind only: whether the time stamp is the interval's start or end.
    scale
        Factor on the value before the unit, for pulse counts and transformers.
    sentinels
        Values that mean 'no value' in this column, as the file writes them (M-Bus: in
        kWh, kW, degC, m3/h); they are set aside and counted.
    serial
        Serial of the meter, where an export mixes several with the same role.
    record
        M-Bus only: which data record of the telegram (see `MbusRecord`).
    """

    column: str | None = None
    role: Role
    kind: Kind
    unit: str | None = Field(default=None, min_length=1)
    interval: timedelta | None = None
    stamp: Literal["start", "end"] = "start"
    scale: Finite = 1.0
    sentinels: tuple[Finite, ...] = ()
    serial: str | None = None
    record: MbusRecord | None = None

    @model_validator(mode="after")
    def _interval_has_energy(self) -> Self:
        if self.interval is not None and self.kind is not Kind.INTERVAL:
            message = "'interval' belongs to a column of kind 'interval'"
            raise ValueError(message)
        if self.role.is_energy == (self.kind is Kind.STATE):
            allowed = "register, interval or power" if self.role.is_energy else "state"
            message = f"role '{self.role}' needs kind {allowed}, not '{self.kind}'"
            raise ValueError(message)
        seconds = self.interval.total_seconds() if self.interval is not None else 1.0
        if seconds < 1.0 or seconds % 1.0 or seconds > 366 * 86_400:
            message = "'interval' must be a whole number of seconds, at most a year"
            raise ValueError(message)
        if self.scale == 0.0:
            message = "'scale' must not be 0: every reading would become 0"
            raise ValueError(message)
        if (self.column is None) == (self.record is None):
            message = "give either 'column' (delimited text) or 'record' (M-Bus)"
            raise ValueError(message)
        if self.unit is None and self.record is None:
            message = "'unit' is required: which unit the values of the column are in"
            raise ValueError(message)
        return self


class Delimited(Record):
    """Layout of a delimited text file.

    Attributes
    ----------
    layout
        `wide`: one column a quantity. `long`: one row a value, with a `point` column
        that says which quantity and a `value` column.
    separator, decimal, thousands, encoding
        Left out: separator is found from the header line; encoding from the byte order
        mark, else UTF-8.
    header_contains
        Text by which the header line is known; lines before it are preamble. Left out:
        the first line that holds the time column's name.
    time
        Name of the time column, or of a date and a time column.
    time_format
        strptime format, or `iso`, `epoch_s`, `epoch_ms`, `excel`. Where date and time
        are two columns, the format is for both with one space between.
    point, value
        Long layout: names of the column that says what a row is, and of its value.
    serial
        Name of the column with the meter's serial, where the file mixes several meters.
    """

    layout: Literal["wide", "long"] = "wide"
    separator: Separator | None = None
    decimal: Literal[".", ","] = "."
    thousands: Literal[".", ",", "'", " "] | None = None
    encoding: Literal["utf-8", "utf-16", "latin-1", "cp1252"] | None = None
    header_contains: str | None = None
    time: str | tuple[str, str]
    time_format: TimeFormat = "iso"
    point: str | None = None
    value: str | None = None
    serial: str | None = None

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


class Mbus(Record):
    """Layout of a capture of M-Bus telegrams: a time, then the telegram in hex, a line each.

    Attributes
    ----------
    separator
        Between time and telegram.
    time_format
        As for delimited text.
    """

    separator: Separator = ";"
    time_format: TimeFormat = "iso"


class Profile(Record):
    """Layout of one kind of export and the meaning of its columns.

    Attributes
    ----------
    format
        Name of the adapter that reads it.
    zone
        Zone of time stamps without an offset: a zone name, `UTC`, or a fixed offset
        such as `+01:00`.
    correction
        True where an import replaces what it contradicts (rule R8).
    """

    name: str = Field(min_length=1, max_length=80)
    format: str = Field(min_length=1)
    zone: str = "UTC"
    correction: bool = False
    delimited: Delimited | None = None
    mbus: Mbus | None = None
    column: tuple[Column, ...] = Field(min_length=1)

    @field_validator("zone")
    @classmethod
    def _zone_is_known(cls, zone: str) -> str:
        return parse_zone(zone).name


def profile_from_toml(path: Path) -> Profile:
    """Read a profile; see docs/profile-file.md for its keys."""
    return record_from_toml(Profile, path, what="profile")
