"""From the cells of a table to the normal form: what all tabular formats share.

An adapter finds the header and the rows of its format and hands them over as a `Grid`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from ingest.clock import Moments, Stamps, read_stamps
from ingest.errors import Terminal
from ingest.intervals import bounds, usual_step
from ingest.layouts_tabular import Tabular
from ingest.local_time import Bools, Ints, Zone, parse_zone
from ingest.normal_form import Extract, Target
from ingest.numbers import Numbers, read_numbers, shown, shown_column, typed_numbers
from ingest.profile import Column, Profile
from ingest.units import Conversion, contradicts, conversion, unit_in_header, unit_of_text
from monitor.errors import DescriptionError
from monitor.models import Kind
from monitor.schemas import NORMAL, REJECT, empty


@dataclass(frozen=True)
class Cells:
    """One column of a table.

    Attributes
    ----------
    text
        What the cells hold; null where one holds nothing. May lack where `numbers` says
        all.
    numbers
        Float64, for cells that the file itself states as numbers.
    """

    text: pl.Series | None
    numbers: pl.Series | None = None

    def of(self, keep: pl.Series) -> Cells:
        """Give the cells of some rows."""
        return Cells(
            None if self.text is None else self.text.filter(keep),
            None if self.numbers is None else self.numbers.filter(keep),
        )

    def raw(self, which: pl.Series) -> pl.Series:
        """Give the cells of a mask for a person to read."""
        if self.text is not None:
            return shown_column(self.text.filter(which))
        if self.numbers is None:
            return pl.Series("raw", [], dtype=pl.String)
        return self.numbers.filter(which).cast(pl.String).alias("raw")

    def read(self, layout: Tabular, sentinels: tuple[float, ...]) -> Numbers:
        """Read the cells as numbers."""
        decimal, thousands = layout.decimal, layout.thousands
        if self.numbers is not None:
            return typed_numbers(
                self.numbers, self.text, decimal=decimal, thousands=thousands, sentinels=sentinels
            )
        text = self.text if self.text is not None else pl.Series("text", [], dtype=pl.String)
        return read_numbers(text, decimal=decimal, thousands=thousands, sentinels=sentinels)


@dataclass(frozen=True)
class Grid:
    """Rows of a table below its header, by what the profile says of its columns.

    Attributes
    ----------
    file
        Name of the file, for sentences.
    line
        Line or row of each row, from 1.
    lines
        Data lines, with those rejected.
    time, moments
        Times as text, one string a row, and those that the file states as times.
    values
        Wide layout: one for each column of the profile. Long layout: one.
    serial, point
        Text of those columns where the layout names them.
    rejects
        Lines that cannot be used as a whole (schema REJECT).
    """

    file: str
    line: pl.Series
    lines: int
    time: pl.Series
    values: tuple[Cells, ...]
    moments: Moments | None = None
    serial: pl.Series | None = None
    point: pl.Series | None = None
    rejects: pl.DataFrame = field(default_factory=lambda: empty(REJECT))
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Places:
    """Where the columns of a layout stand in a table, from 0.

    Attributes
    ----------
    time
        One column, or date and time.
    values
        Wide layout: one for each column of the profile. Long layout: one.
    """

    time: tuple[int, ...]
    values: tuple[int, ...]
    serial: int | None = None
    point: int | None = None

    @property
    def all(self) -> list[int]:
        """Every column that is needed, each once, in order."""
        others = [place for place in (self.serial, self.point) if place is not None]
        return sorted({*self.time, *self.values, *others})


@dataclass
class _Found:
    """What the streams of a file add up to."""

    targets: list[Target] = field(default_factory=list)
    readings: list[pl.DataFrame] = field(default_factory=list)
    rejects: list[pl.DataFrame] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    blank: int = 0


def check_columns(profile: Profile, layout: Tabular) -> None:
    """Refuse a profile that could mean two things, or whose units cannot be right.

    Raises
    ------
    DescriptionError
        With the column and what is wrong with it.
    """
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
    for column in profile.column:
        if layout.serial and column.serial is not None and (column.column, None) in seen:
            message = (
                f"The profile '{profile.name}' names the column '{column.column}' with "
                "and without a serial; give both a serial."
            )
            raise DescriptionError(message)
    for column in profile.column:
        _conversion(column)


def _conversion(column: Column) -> Conversion:
    return conversion(column.unit or "", column.role, column.kind, where=name_of(column))


def name_of(column: Column) -> str:
    """Name that the file gives a column of the profile."""
    return column.column or ""


def wanted_names(layout: Tabular, profile: Profile) -> tuple[str, ...]:
    """Names of the columns that a header must have, time first."""
    named = [name for name in (layout.point, layout.value, layout.serial) if name is not None]
    if layout.layout == "wide":
        named += [name_of(column) for column in profile.column]
    return (*layout.times, *named)


def find_places(
    place: Callable[[str], int], layout: Tabular, profile: Profile, *, where: str
) -> Places:
    """Find where each name of the layout stands, and hold stated units to the profile.

    Parameters
    ----------
    place
        Gives the position of a name, or raises Terminal.
    where
        File and line of the header, for sentences.
    """
    time = tuple(place(name) for name in layout.times)
    serial = None if layout.serial is None else place(layout.serial)
    if layout.layout == "long":
        point: int | None = place(str(layout.point))
        values: tuple[int, ...] = (place(str(layout.value)),)
    else:
        point = None
        values = tuple(place(name_of(column)) for column in profile.column)
    for column in profile.column:
        _hold_unit(column, unit_in_header(name_of(column)), where)
    if layout.layout == "long":
        stated = unit_in_header(str(layout.value))
        for column in profile.column:
            _hold_unit(column, stated, where)
    return Places(time, values, serial, point)


def _hold_unit(column: Column, stated: str | None, where: str) -> None:
    if stated is None or not contradicts(stated, column.unit or "", scale=column.scale):
        return
    message = (
        f"{where}: the file states '{stated}' for the column '{column.column}', but the profile "
        f"says '{column.unit}'. Correct 'unit' in the profile; nothing was read."
    )
    raise Terminal(message)


def states_units(cells: list[str], profile: Profile, *, where: str) -> bool:
    """Say whether the row below a header states units, and hold them to the profile.

    Parameters
    ----------
    cells
        Its cells, one for each column of the profile.
    where
        File and line of that row, for sentences.
    """
    stated = [unit_of_text(cell) for cell in cells]
    if not any(stated) or any(cell and not unit for cell, unit in zip(cells, stated, strict=True)):
        return False
    for column, unit in zip(profile.column, stated, strict=True):
        _hold_unit(column, unit, where)
    return True


def joined(first: pl.Series, second: pl.Series) -> pl.Series:
    """Give date and time of two columns of text with one space between."""
    return _trimmed(first) + " " + _trimmed(second)


def read_grid(grid: Grid, layout: Tabular, profile: Profile) -> Extract:
    """Read each column of the profile as one stream, or one for each meter in it.

    Raises
    ------
    Terminal
        An interval cannot be told.
    """
    found = _Found(rejects=[grid.rejects], notes=list(grid.notes))
    serial = None if grid.serial is None else _trimmed(grid.serial)
    point = None if grid.point is None else _trimmed(grid.point)
    zone = parse_zone(profile.zone)
    stamps = _stamps(grid, layout, zone, _groups(point, serial) if zone.fixed is None else None)
    mapped = np.zeros(len(grid.line), dtype=np.bool_)
    for number, column in enumerate(profile.column):
        cells = grid.values[0 if point is not None else number]
        rows = None if point is None else (point == name_of(column)).to_numpy()
        for meter, of_meter in _meters(column, serial):
            mask = of_meter if rows is None else rows if of_meter is None else rows & of_meter
            if mask is not None and not mask.any():
                continue
            mapped |= True if mask is None else mask
            target = Target(column, name_of(column), meter)
            unit = _conversion(column)
            stream = _Stream(grid.file, layout, target, unit, cells, grid.line, stamps)
            (stream if mask is None else stream.of(mask)).read_into(found)
    if point is not None:
        _note_points(point, profile, found)
    if serial is not None:
        _note_serials(serial, point, mapped, profile, found)
    return _extract(grid, found)


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


def _stamps(grid: Grid, layout: Tabular, zone: Zone, group: Ints | None) -> Stamps:
    return read_stamps(
        grid.time, time_format=layout.time_format, zone=zone, group=group, typed=grid.moments
    )


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
    names = {name_of(column) for column in profile.column}
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
        left &= point.is_in([name_of(column) for column in profile.column]).to_numpy()
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
    layout: Tabular
    target: Target
    unit: Conversion
    cells: Cells
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
        cells, line = self.cells.of(keep), self.line.filter(keep)
        return _Stream(self.file, self.layout, self.target, self.unit, cells, line, stamps)

    def read_into(self, found: _Found) -> None:
        """Read the stream and add what it holds."""
        column = self.target.column
        numbers = self.cells.read(self.layout, column.sentinels)
        said = pl.repeat(None, len(self.line), dtype=pl.String, eager=True)
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
                    "raw": self.cells.raw(bad),
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


def _extract(grid: Grid, found: _Found) -> Extract:
    readings = pl.concat(found.readings) if found.readings else empty(NORMAL)
    rejects = pl.concat([part.select(list(REJECT)) for part in found.rejects])
    return Extract(
        targets=tuple(found.targets),
        readings=readings,
        rejects=rejects.sort("line", maintain_order=True),
        lines=grid.lines,
        blank=found.blank,
        notes=tuple(found.notes),
    )
