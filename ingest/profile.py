"""How one kind of export is laid out: what a fitter says once about a logger or portal."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Literal, Self

from pydantic import AwareDatetime, Field, field_validator, model_validator

from ingest.layouts_messages import JsonLines, LineProtocol, MbusXml, SenML
from ingest.layouts_tabular import Delimited as Delimited
from ingest.layouts_tabular import Excel as Excel
from ingest.layouts_tabular import Parquet as Parquet
from ingest.layouts_tabular import Separator as Separator
from ingest.layouts_tabular import TimeFormat as TimeFormat
from ingest.layouts_telegrams import Espi, Obis
from ingest.local_time import parse_zone
from monitor.models import Finite, Kind, Record, Role, record_from_toml


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
    id
        XML dumps only: the `id` of the record, where several look alike there.
    """

    quantity: Literal["energy", "power", "flow_rate", "flow_temp", "return_temp"]
    storage: int = Field(default=0, ge=0)
    tariff: int = Field(default=0, ge=0)
    device: int = Field(default=0, ge=0)
    cooling: bool = False
    id: int | None = Field(default=None, ge=0)


class Column(Record):
    """One quantity of an export, and what it means.

    Attributes
    ----------
    column
        Wide layout: header of the column. Long layout: the text in the `point` column.
        OBIS: the code, or a sum of codes. ESPI: address or title of a MeterReading.
        M-Bus: leave it out and give `record` instead.
    role, kind, unit
        What the values are. Units are read by pint ('kWh', 'MWh', 'GJ', 'kW', 'W',
        'degC', 'degF', 'K', 'm3/h', 'l/min' ...) and converted on reading. Leave
        it out where files state their own (M-Bus, OBIS, ESPI).
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


class Clock(Record):
    """What somebody found out about a logger's clock.

    Attributes
    ----------
    ahead
        How far it is ahead of the true time; negative where it is behind.
    gains_s_per_day
        Seconds that it gains a day: `ahead` then holds at the time `at`.
    at
        True time, with its offset.
    """

    ahead: timedelta = timedelta(0)
    gains_s_per_day: float = Field(default=0.0, ge=-3600.0, le=3600.0)
    at: AwareDatetime | None = None

    @model_validator(mode="after")
    def _is_complete(self) -> Self:
        if self.gains_s_per_day != 0.0 and self.at is None:
            message = "'gains_s_per_day' needs 'at': the time at which 'ahead' was seen"
            raise ValueError(message)
        if abs(self.ahead) > timedelta(days=366):
            message = "'ahead' must not exceed a year"
            raise ValueError(message)
        return self


#: Formats whose files do not say the unit of a value, or only in a heading.
_TABLES = ("delimited", "excel", "jsonl", "parquet")


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
        True where an import replaces what it contradicts (rule R8); `span` where it replaces
        all that its meters said between its first and its last time.
    clock
        Where the logger's clock is known to be wrong; times are set right and a note says so.
    """

    name: str = Field(min_length=1, max_length=80)
    format: str = Field(min_length=1)
    zone: str = "UTC"
    correction: bool | Literal["span"] = False
    clock: Clock | None = None
    delimited: Delimited | None = None
    excel: Excel | None = None
    parquet: Parquet | None = None
    mbus: Mbus | None = None
    mbus_xml: MbusXml | None = None
    obis: Obis | None = None
    espi: Espi | None = None
    senml: SenML | None = None
    line_protocol: LineProtocol | None = None
    jsonl: JsonLines | None = None
    column: tuple[Column, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _tables_need_units(self) -> Self:
        bare = [one for one in self.column if one.unit is None and one.record is None]
        stated = self.jsonl is not None and self.jsonl.unit is not None
        if bare and self.format in _TABLES and not stated:
            message = (
                f"'unit' is required: which unit the values of the column '{bare[0].column}' are in"
            )
            raise ValueError(message)
        return self

    @field_validator("zone")
    @classmethod
    def _zone_is_known(cls, zone: str) -> str:
        return parse_zone(zone).name


def profile_from_toml(path: Path) -> Profile:
    """Read a profile; see docs/profile-file.md for its keys."""
    return record_from_toml(Profile, path, what="profile")
