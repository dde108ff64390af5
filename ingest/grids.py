"""Cells of a table that a profile names: what all tabular formats hand over."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from ingest.clock import Moments
from ingest.errors import Terminal
from ingest.layouts_tabular import Tabular
from ingest.local_time import Bools
from ingest.numbers import Numbers, read_numbers, shown_column, typed_numbers
from ingest.profile import Column, Profile
from ingest.units import Conversion, contradicts, conversion, unit_in_header, unit_of_text
from monitor.errors import DescriptionError
from monitor.schemas import REJECT, empty


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
        conversion_of(column)


def conversion_of(column: Column) -> Conversion:
    """Give what makes values of a column those that are kept."""
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
    return trimmed(first) + " " + trimmed(second)


def trimmed(cells: pl.Series) -> pl.Series:
    """Give text without white space around it; nothing is an empty text."""
    return cells.str.strip_chars().fill_null("")


def rows_of(grid: Grid, mask: Bools) -> Grid:
    """Give some rows of a grid, without what is counted once a part."""
    keep = pl.Series(mask)
    moments = grid.moments
    return replace(
        grid,
        line=grid.line.filter(keep),
        time=grid.time.filter(keep),
        values=tuple(cells.of(keep) for cells in grid.values),
        moments=None if moments is None else Moments(moments.moment[mask], moments.floating[mask]),
        serial=None if grid.serial is None else grid.serial.filter(keep),
        point=None if grid.point is None else grid.point.filter(keep),
    )


def together(grids: list[Grid]) -> Grid:
    """Give the rows of several grids as one."""
    first = grids[0]
    moments = [grid.moments for grid in grids if grid.moments is not None]
    return replace(
        first,
        line=pl.concat([grid.line for grid in grids]),
        time=pl.concat([grid.time for grid in grids]),
        values=tuple(
            Cells(
                _joined([cells.text for cells in column]),
                _joined([cells.numbers for cells in column]),
            )
            for column in zip(*(grid.values for grid in grids), strict=True)
        ),
        moments=Moments(
            np.concatenate([one.moment for one in moments]),
            np.concatenate([one.floating for one in moments]),
        )
        if moments
        else None,
        serial=_joined([grid.serial for grid in grids]),
        point=_joined([grid.point for grid in grids]),
    )


def _joined(parts: list[pl.Series | None]) -> pl.Series | None:
    given = [part for part in parts if part is not None]
    return pl.concat(given) if given else None
