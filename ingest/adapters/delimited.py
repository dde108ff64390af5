"""Delimited text, wide or long, as a profile describes it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

from ingest.clock import NUMERIC_FORMATS, Stamps, read_stamps
from ingest.errors import Terminal
from ingest.intervals import bounds, usual_step
from ingest.local_time import Bools, Ints, Zone, parse_zone
from ingest.normal_form import Extract, Target
from ingest.numbers import read_numbers, shown, shown_column
from ingest.profile import Column, Delimited, Profile
from ingest.text_table import Header, Table, Text, find_header, load_text, read_rows, split_line
from ingest.units import Conversion, contradicts, conversion, unit_in_header, unit_of_text
from monitor.errors import DescriptionError
from monitor.models import Kind
from monitor.schemas import NORMAL, REJECT, empty


@dataclass
class _Found:
    """What the streams of a file add up to."""

    targets: list[Target] = field(default_factory=list)
    readings: list[pl.DataFrame] = field(default_factory=list)
    rejects: list[pl.DataFrame] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    blank: int = 0


class DelimitedAdapter:
    """Reads delimited text; see `ingest.registry.Adapter`."""

    name = "delimited"

    def read(self, path: Path, profile: Profile) -> Extract:
        """Read a whole file.

        Parameters
        ----------
        path
            Text in any of the encodings of the profile, plain or gzipped.
        profile
            With its table `delimited`.

        Raises
        ------
        DescriptionError
            The profile cannot be used for this format.
        Terminal, Transient
            The file cannot be read as the profile says, or not now.
        """
        layout = _layout(profile)
        units = [_conversion(column) for column in profile.column]
        text = load_text(path, layout.encoding)
        header = _header(text, layout, profile)
        positions = _positions(text, header, layout, profile)
        skip = _unit_row(text, header, profile, positions)
        wanted = sorted({place for places in positions.values() for place in places})
        table = read_rows(text, header, wanted, skip=skip)
        found = _Found(rejects=[table.rejects], notes=[*text.notes, *table.notes])
        if skip:
            found.notes.append(f"Line {header.line + 2} states units; they agree with the profile.")
        if not text.ended:
            found.notes.append(
                f"The last line ({len(text.start)}) has no line end: if the file was copied while "
                "it was being written, its last value may be cut short."
            )
        if table.lines == 0:
            found.notes.append(f"{text.name} has a header but no rows below it.")
        _read_streams(text.name, table, layout, profile, units, positions, found)
        return _extract(table, found)


def _layout(profile: Profile) -> Delimited:
    if profile.delimited is None:
        message = (
            f"The profile '{profile.name}' has format 'delimited' but no table [delimited], "
            "which says at least the name of the time column."
        )
        raise DescriptionError(message)
    layout = profile.delimited
    seen: Counter[tuple[str, str | None]] = Counter()
    for column in profile.column:
        if column.column is None:
            message = (
                f"The profile '{profile.name}' has a column of role '{column.role}' without "
                "'column', the name that the file gives it."
            )
            raise DescriptionError(message)
        seen[column.column, column.serial if layout.serial else None] += 1
    twice = [name for (name, _), count in seen.items() if count > 1]
    if twice:
        message = (
            f"The profile '{profile.name}' names the column '{twice[0]}' twice; "
            "a reading can only mean one thing."
        )
        raise DescriptionError(message)
    if layout.serial:
        for column in profile.column:
            if column.serial is not None and (column.column, None) in seen:
                message = (
                    f"The profile '{profile.name}' names the column '{column.column}' with "
                    "and without a serial; give both a serial."
                )
                raise DescriptionError(message)
    return layout


def _conversion(column: Column) -> Conversion:
    return conversion(column.unit or "", column.role, column.kind, where=_name(column))


def _name(column: Column) -> str:
    return column.column or ""


def _times(layout: Delimited) -> tuple[str, ...]:
    return (layout.time,) if isinstance(layout.time, str) else layout.time


def _header(text: Text, layout: Delimited, profile: Profile) -> Header:
    named = [name for name in (layout.point, layout.value, layout.serial) if name is not None]
    if layout.layout == "wide":
        named += [_name(column) for column in profile.column]
    return find_header(
        text,
        anchor=_times(layout),
        contains=layout.header_contains,
        separator=layout.separator,
        wanted=(*_times(layout), *named),
    )


def _positions(
    text: Text, header: Header, layout: Delimited, profile: Profile
) -> dict[str, list[int]]:
    """Find where each name of the layout stands, and hold stated units to the profile."""

    def place(name: str) -> int:
        return header.position(name, file=text.name)

    places = {"time": [place(name) for name in _times(layout)]}
    if layout.serial is not None:
        places["serial"] = [place(layout.serial)]
    if layout.layout == "long":
        places["point"] = [place(str(layout.point))]
        places["value"] = [place(str(layout.value))]
    else:
        places["values"] = [place(_name(column)) for column in profile.column]
    for column in profile.column:
        stated = unit_in_header(_name(column))
        _hold_unit(column, stated, f"{text.name}, line {header.line + 1}")
    if layout.layout == "long":
        stated = unit_in_header(str(layout.value))
        for column in profile.column:
            _hold_unit(column, stated, f"{text.name}, line {header.line + 1}")
    return places


def _hold_unit(column: Column, stated: str | None, where: str) -> None:
    if stated is None or not contradicts(stated, column.unit or "", scale=column.scale):
        return
    message = (
        f"{where}: the file states '{stated}' for the column '{column.column}', but the profile "
        f"says '{column.unit}'. Correct 'unit' in the profile; nothing was read."
    )
    raise Terminal(message)


def _unit_row(text: Text, header: Header, profile: Profile, positions: dict[str, list[int]]) -> int:
    """Say whether the line below the header states units (1) or is data (0)."""
    below = header.line + 1
    if "values" not in positions or below >= len(text.start):
        return 0
    fields = split_line(text.line(below), header.separator)
    if len(fields) != len(header.names):
        return 0
    cells = [fields[place] for place in positions["values"]]
    stated = [unit_of_text(cell) for cell in cells]
    if not any(stated) or any(cell and not unit for cell, unit in zip(cells, stated, strict=True)):
        return 0
    for column, unit in zip(profile.column, stated, strict=True):
        _hold_unit(column, unit, f"{text.name}, line {below + 1}")
    return 1


def _read_streams(
    file: str,
    table: Table,
    layout: Delimited,
    profile: Profile,
    units: list[Conversion],
    positions: dict[str, list[int]],
    found: _Found,
) -> None:
    """Read each column of the profile as one stream, or one for each meter in it."""
    serial = point = None
    if "serial" in positions:
        serial = _trimmed(table.cells[str(positions["serial"][0])])
    if "point" in positions:
        point = _trimmed(table.cells[str(positions["point"][0])])
    zone = parse_zone(profile.zone)
    group = _groups(point, serial) if zone.fixed is None else None
    stamps = _stamps(table, layout, zone, positions, group)
    mapped = np.zeros(len(table.line), dtype=np.bool_)
    for number, (column, unit) in enumerate(zip(profile.column, units, strict=True)):
        place = positions["value"][0] if point is not None else positions["values"][number]
        cells = table.cells[str(place)]
        rows = None if point is None else (point == _name(column)).to_numpy()
        for meter, of_meter in _meters(column, serial):
            mask = of_meter if rows is None else rows if of_meter is None else rows & of_meter
            if mask is not None and not mask.any():
                continue
            mapped |= True if mask is None else mask
            target = Target(column, _name(column), meter)
            stream = _Stream(file, layout, target, unit, cells, table.line, stamps)
            (stream if mask is None else stream.of(mask)).read_into(found)
    if point is not None:
        _note_points(point, profile, found)
    if serial is not None:
        _note_serials(serial, point, mapped, profile, found)


def _trimmed(cells: pl.Series) -> pl.Series:
    return cells.str.strip_chars().fill_null("")


def _groups(point: pl.Series | None, serial: pl.Series | None) -> Ints | None:
    given = [one for one in (point, serial) if one is not None]
    if not given:
        return None
    codes = np.zeros(len(given[0]), dtype=np.int64)
    for one in given:
        code = one.cast(pl.Categorical).to_physical().to_numpy().astype(np.int64)
        codes = codes * (int(code.max(initial=0)) + 1) + code
    return codes


def _stamps(
    table: Table,
    layout: Delimited,
    zone: Zone,
    positions: dict[str, list[int]],
    group: Ints | None,
) -> Stamps:
    parts = [table.cells[str(place)] for place in positions["time"]]
    text = parts[0]
    if len(parts) == 2:
        text = _trimmed(parts[0]) + " " + _trimmed(parts[1])
    if layout.time_format in NUMERIC_FORMATS and layout.decimal == ",":
        text = text.str.replace(",", ".", literal=True)
    return read_stamps(text, time_format=layout.time_format, zone=zone, group=group)


def _meters(column: Column, serial: pl.Series | None) -> list[tuple[str | None, Bools | None]]:
    """List the meters of a column with a mask of their rows; None for all rows."""
    if serial is None:
        return [(column.serial, None)]
    if column.serial is not None:
        return [(column.serial, (serial == column.serial).to_numpy())]
    return [
        (name or None, (serial == name).to_numpy()) for name in serial.unique(maintain_order=True)
    ]


def _note_points(point: pl.Series, profile: Profile, found: _Found) -> None:
    names = {_name(column) for column in profile.column}
    counts = point.value_counts(sort=True).rows()
    other = [(name, count) for name, count in counts if name not in names]
    if other:
        listed = ", ".join(f"'{shown(name, 60)}' ({count})" for name, count in other[:12])
        more = f" and {len(other) - 12} more points" if len(other) > 12 else ""
        found.notes.append(
            f"{sum(count for _, count in other)} rows are of points that the profile does not "
            f"map: {listed}{more}."
        )
    absent = sorted(names - {name for name, _ in counts})
    if absent and len(point):
        listed = ", ".join(f"'{name}'" for name in absent)
        found.notes.append(f"The file has no rows of the points {listed}.")


def _note_serials(
    serial: pl.Series,
    point: pl.Series | None,
    mapped: Bools,
    profile: Profile,
    found: _Found,
) -> None:
    left = ~mapped
    if point is not None:
        left &= point.is_in([_name(column) for column in profile.column]).to_numpy()
    if left.any():
        names = serial.filter(pl.Series(left)).unique(maintain_order=True)
        listed = ", ".join(f"'{shown(name, 60)}'" for name in names.head(12))
        found.notes.append(
            f"{int(left.sum())} rows are of meters that the profile does not name: {listed}."
        )


@dataclass(frozen=True)
class _Stream:
    """Cells of one target, with the line and the time of each."""

    file: str
    layout: Delimited
    target: Target
    unit: Conversion
    cells: pl.Series
    line: pl.Series
    stamps: Stamps

    def of(self, mask: Bools) -> _Stream:
        """Give the part of the stream that stands in some rows."""
        keep = pl.Series(mask)
        stamps = Stamps(
            self.stamps.utc.filter(keep),
            self.stamps.local[mask],
            self.stamps.floating[mask],
            self.stamps.reason.filter(keep),
            self.stamps.zone,
        )
        cells, line = self.cells.filter(keep), self.line.filter(keep)
        return _Stream(self.file, self.layout, self.target, self.unit, cells, line, stamps)

    def read_into(self, found: _Found) -> None:
        """Read the stream and add what it holds."""
        column, layout = self.target.column, self.layout
        numbers = read_numbers(
            self.cells,
            decimal=layout.decimal,
            thousands=layout.thousands,
            sentinels=column.sentinels,
        )
        said = pl.repeat(None, len(self.cells), dtype=pl.String, eager=True)
        if len(numbers.bad):
            said = said.scatter(numbers.bad, numbers.reasons)
        values = self.unit.apply(numbers.values, scale=column.scale)
        huge = values.is_infinite().fill_null(value=False)
        if huge.any():
            said = said.set(huge, "the value is too large")
            values = values.set(huge, None)
        reason = said
        if self.stamps.utc.null_count():
            reason = self.stamps.reason.zip_with(self.stamps.reason.is_not_null(), said)
        if numbers.blank is not None:
            found.blank += int(numbers.blank.sum())
            reason = reason.set(numbers.blank, None)
        bad = reason.is_not_null()
        if bad.any():
            self._reject(bad, reason, found)
        self._accept(values, bad, numbers.blank, found)

    def _reject(self, bad: pl.Series, reason: pl.Series, found: _Found) -> None:
        found.rejects.append(
            pl.DataFrame(
                {
                    "line": self.line.filter(bad),
                    "raw": shown_column(self.cells.filter(bad)),
                    "reason": reason.filter(bad),
                }
            ).with_columns(column=pl.lit(self.target.label))
        )

    def _accept(
        self, values: pl.Series, bad: pl.Series, blank: pl.Series | None, found: _Found
    ) -> None:
        keep = None
        if bad.any() or blank is not None:
            keep = ~bad if blank is None else ~(bad | blank)
        frame = pl.DataFrame({"line": self.line, "value": values})
        if self.target.column.kind is Kind.INTERVAL:
            frame = frame.hstack(self._bounds(keep, found))
        else:
            frame = frame.with_columns(
                self.stamps.utc.alias("t_utc"), duration_s=pl.lit(None, dtype=pl.Int32)
            )
        frame = frame if keep is None else frame.filter(keep)
        number = len(found.targets)
        found.targets.append(self.target)
        found.readings.append(
            frame.with_columns(target=pl.lit(number, dtype=pl.UInt16)).select(list(NORMAL))
        )

    def _bounds(self, keep: pl.Series | None, found: _Found) -> pl.DataFrame:
        column = self.target.column
        length = column.interval
        used = np.ones(len(self.line), dtype=np.bool_) if keep is None else keep.to_numpy()
        if length is None and not used.any():
            return empty({"t_utc": NORMAL["t_utc"], "duration_s": pl.Int32}).clear(len(used))
        if length is None:
            length, note = usual_step(self.stamps, used, file=self.file, where=self.target.label)
            found.notes.append(note)
        return bounds(self.stamps, column, length)


def _extract(table: Table, found: _Found) -> Extract:
    readings = pl.concat(found.readings) if found.readings else empty(NORMAL)
    rejects = pl.concat([part.select(list(REJECT)) for part in found.rejects])
    return Extract(
        targets=tuple(found.targets),
        readings=readings,
        rejects=rejects.sort("line", maintain_order=True),
        lines=table.lines,
        blank=found.blank,
        notes=tuple(found.notes),
    )


ADAPTER = DelimitedAdapter()
