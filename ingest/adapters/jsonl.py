"""Files of one JSON object a line."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from ingest.clock import read_stamps
from ingest.json_values import decode, kind_of, number_of, shown_value
from ingest.layouts_messages import JsonLines
from ingest.local_time import parse_zone
from ingest.normal_form import Extract
from ingest.numbers import shown
from ingest.points import POINTS, extract_points
from ingest.profile import Profile
from ingest.text_table import Text, load_text

#: A longer line is no message of a meter.
MAX_LINE = 1 << 20

_Row = tuple[int, str | None, str | None, str | None, float | None, str, str | None]


@dataclass(frozen=True)
class _Key:
    """Where a member stands: under the whole name, else down its parts."""

    name: str
    parts: tuple[str, ...]

    def of(self, found: dict[str, Any]) -> tuple[bool, Any]:
        """Say whether an object has the member, and give it."""
        if self.name in found:
            return True, found[self.name]
        value: Any = found
        for part in self.parts:
            if isinstance(value, dict) and part in value:
                value = value[part]
            elif isinstance(value, list) and part.isdecimal() and int(part) < len(value):
                value = value[int(part)]
            else:
                return False, None
        return True, value


def _key(name: str) -> _Key:
    return _Key(name, tuple(name.split(".")))


@dataclass
class _Lines:
    """What the lines of a file hold.

    `stamps` and `groups` go with the lines that hold an object, which are `good`; rows
    refer to a line of the file.
    """

    rows: list[_Row] = field(default_factory=list)
    good: list[int] = field(default_factory=list)
    stamps: list[str | None] = field(default_factory=list)
    groups: list[int] = field(default_factory=list)
    count: int = 0
    blank: int = 0

    def refuse(self, line: int, raw: str, reason: str) -> None:
        """Set a whole line aside."""
        self.rows.append((line, None, None, None, None, shown(raw), reason))


class JsonLinesAdapter:
    """Reads one JSON object a line; see `ingest.registry.Adapter`.

    A member that is null is a blank; one that is missing offers nothing.
    """

    name = "jsonl"

    def read(self, path: Path, profile: Profile) -> Extract:
        """Read a whole file.

        Raises
        ------
        DescriptionError
            The profile cannot be used for this format.
        Terminal, Transient
            The file cannot be read as the profile says, or not now.
        """
        layout = profile.jsonl or JsonLines()
        text = load_text(path)
        reader = _Reader(layout, profile)
        for index in range(len(text.start)):
            reader.take(index, text)
        found = reader.found
        notes = list(text.notes)
        if found.count and not found.good:
            notes.append(
                f"No line of {path.name} is a JSON object. The format 'jsonl' needs one whole "
                "object on each line."
            )
        return extract_points(
            path.name,
            _frame(found, layout, profile),
            profile,
            lines=found.count,
            blank=found.blank,
            notes=tuple(notes),
        )


class _Reader:
    """Takes lines apart as a layout says."""

    def __init__(self, layout: JsonLines, profile: Profile) -> None:
        self.found = _Lines()
        names = dict.fromkeys(one.column for one in profile.column if one.column is not None)
        self._groups: dict[tuple[str | None, str | None], int] = {}
        self._columns = [_key(name) for name in names]
        self._time = _key(layout.time)
        self._serial = _key(layout.serial) if layout.serial is not None else None
        self._unit = _key(layout.unit) if layout.unit is not None else None
        self._long = (
            (_key(layout.point), _key(layout.value))
            if layout.point is not None and layout.value is not None
            else None
        )

    def take(self, index: int, text: Text) -> None:
        """Read one line; `index` counts from 0."""
        length = int(text.end[index] - text.start[index])
        if length > MAX_LINE:
            self.found.count += 1
            start = int(text.start[index])
            begin = text.data[start : start + 300].decode("utf-8", "replace")
            reason = f"the line has {length} bytes; more than {MAX_LINE} are no message of a meter"
            self.found.refuse(index + 1, begin, reason)
            return
        line = text.line(index).strip().lstrip("\ufeff")
        if not line:
            return
        self.found.count += 1
        try:
            value, end = decode(line)
        except ValueError as error:
            self.found.refuse(index + 1, line, f"the line is not JSON: {error}")
            return
        if line[end:].strip():
            reason = f"the line goes on behind its JSON value (character {end + 1})"
            self.found.refuse(index + 1, line, reason)
        elif not isinstance(value, dict):
            self.found.refuse(index + 1, line, f"the line is {kind_of(value)}, not an object")
        else:
            self._take_object(index + 1, line, value)

    def _take_object(self, line: int, raw: str, found: dict[str, Any]) -> None:
        _, time = self._time.of(found)
        serial = _text(self._serial.of(found)[1]) if self._serial is not None else None
        point = None
        if self._long is None:
            for key in self._columns:
                has, value = key.of(found)
                if has:
                    self._take_value(line, key.name, serial, None, value)
        else:
            point_key, value_key = self._long
            point = _text(point_key.of(found)[1])
            if point is None:
                reason = f"there is no '{point_key.name}' that says what the value is"
                self.found.refuse(line, raw, reason)
            else:
                unit = _text(self._unit.of(found)[1]) if self._unit is not None else None
                has, value = value_key.of(found)
                self._take_value(line, point, serial, unit, value if has else None)
        self.found.good.append(line)
        self.found.stamps.append(_text(time))
        self.found.groups.append(self._groups.setdefault((serial, point), len(self._groups)))

    def _take_value(
        self, line: int, point: str, serial: str | None, unit: str | None, value: Any
    ) -> None:
        if value is None or value == "":
            self.found.blank += 1
            return
        number, reason = number_of(value)
        self.found.rows.append((line, point, serial, unit, number, shown_value(value), reason))


def _text(value: Any) -> str | None:
    """Give a text or number as text; None for anything else."""
    if isinstance(value, str):
        return value.strip() or None
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return str(value)


def _frame(found: _Lines, layout: JsonLines, profile: Profile) -> pl.DataFrame:
    told = read_stamps(
        pl.Series(found.stamps, dtype=pl.String),
        time_format=layout.time_format,
        zone=parse_zone(profile.zone),
        group=np.array(found.groups, dtype=np.int64),
    )
    stamps = pl.DataFrame(
        {"line": pl.Series(found.good, dtype=pl.Int64), "t_utc": told.utc, "late": told.reason}
    )
    schema = {
        key: POINTS[key] for key in ("line", "point", "serial", "unit", "value", "raw", "reason")
    }
    rows = pl.DataFrame(found.rows, schema=schema, orient="row")
    return rows.join(stamps, on="line", how="left", maintain_order="left").select(
        "line",
        "point",
        "serial",
        "unit",
        "t_utc",
        pl.lit(None, dtype=pl.Int32).alias("duration_s"),
        "value",
        "raw",
        pl.coalesce("late", "reason").alias("reason"),
    )


ADAPTER = JsonLinesAdapter()
