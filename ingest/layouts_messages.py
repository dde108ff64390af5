"""Layouts of files that are made of messages: dumps, packs and lines that stand alone."""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from ingest.clock import check_time_format
from ingest.layouts_tabular import TimeFormat
from monitor.models import Record

#: What a strptime directive of a file name may be, as a regular expression.
_IN_NAMES = {
    "Y": r"\d{4}",
    "y": r"\d{2}",
    "m": r"\d{2}",
    "d": r"\d{2}",
    "j": r"\d{3}",
    "H": r"\d{2}",
    "M": r"\d{2}",
    "S": r"\d{2}",
    "z": r"[+-]\d{4}",
}


def _in_a_name(time_format: str) -> str:
    check_time_format(time_format)
    used = set(re.findall(r"%(.)", time_format))
    if not {"H", "M"} <= used <= set(_IN_NAMES):
        message = (
            f"'{time_format}' cannot be looked for in a file's name; it must hold day, hour and "
            f"minute, and may hold %{' %'.join(_IN_NAMES)}"
        )
        raise ValueError(message)
    return time_format


NameTime = Annotated[str, Field(min_length=1), AfterValidator(_in_a_name)]
Key = Annotated[str, Field(min_length=1, max_length=300)]


def time_in_name(name: str, time_format: str) -> str | None:
    """Give the part of a file's name that is a time; None unless there is exactly one.

    Parameters
    ----------
    name
        The file's name, without its folder.
    time_format
        A format that `NameTime` lets pass.
    """
    pieces = re.split(r"%(.)", time_format)
    wanted = "".join(
        _IN_NAMES[piece] if index % 2 else re.escape(piece) for index, piece in enumerate(pieces)
    )
    found = re.findall(rf"(?<!\d){wanted}(?!\d)", name)
    return str(found[0]) if len(found) == 1 else None


class MbusXml(Record):
    """Layout of an XML dump of M-Bus readouts.

    Attributes
    ----------
    name_time
        strptime format of the time in the file's name, for readouts that hold none.
    """

    name_time: NameTime | None = None


class SenML(Record):
    """Layout of packs of sensor measurements (RFC 8428, JSON).

    Attributes
    ----------
    name_time
        strptime format of the time of reception in the file's name. Times that a pack
        gives relative to it cannot be used without.
    """

    name_time: NameTime | None = None


class LineProtocol(Record):
    """Layout of the line protocol of InfluxDB.

    Attributes
    ----------
    precision
        Unit of the time stamps; the file does not say.
    serial
        Tag that holds the meter's serial.
    tags
        Tags that belong to a point's name. Left out: every one but `serial`.
    """

    precision: Literal["ns", "us", "ms", "s"] = "ns"
    serial: Key | None = None
    tags: tuple[Key, ...] | None = None


class JsonLines(Record):
    """Layout of one JSON object a line.

    A key is the name of a member, or the names of nested members with points between
    them: `meter.heat.energy`.

    Attributes
    ----------
    layout
        `wide`: a member for each quantity. `long`: one object a value, with a `point`
        that says which quantity and a `value`.
    time, time_format
        Key of the time, and how it is written: `iso`, `epoch_s`, `epoch_ms` or a
        strptime format.
    point, value
        Long layout: keys of what the quantity is called, and of its value.
    serial, unit
        Keys of the meter's serial, and (long layout) of the value's unit.
    """

    layout: Literal["wide", "long"] = "wide"
    time: Key = "time"
    time_format: TimeFormat = "iso"
    point: Key | None = None
    value: Key | None = None
    serial: Key | None = None
    unit: Key | None = None

    @model_validator(mode="after")
    def _long_names_its_keys(self) -> Self:
        if self.layout == "long" and (self.point is None or self.value is None):
            message = "a long layout needs 'point' and 'value': the keys of those two members"
            raise ValueError(message)
        if self.layout == "wide" and (self.point is not None or self.value is not None):
            message = "'point' and 'value' belong to a long layout; set layout = \"long\""
            raise ValueError(message)
        if self.layout == "wide" and self.unit is not None:
            message = "'unit' belongs to a long layout; each column of a wide one has its own"
            raise ValueError(message)
        return self
