"""Names of points and meters in a file: which of them a profile means, and what is left over."""

from __future__ import annotations

import numpy as np
import polars as pl

from ingest.errors import Terminal
from ingest.grids import Grid, name_of
from ingest.layouts_tabular import Tabular
from ingest.local_time import Bools, Ints
from ingest.numbers import shown
from ingest.profile import Profile

#: More meters in one file are no export of a home; nor is so much text as their serials.
MAX_METERS, MAX_SERIAL_BYTES = 1_000, 1 << 20
#: Other points are counted by name up to so many names, of which so much counts.
MOST_NAMES, NAME_LENGTH = 50_000, 200
_SHOWN_NAMES = 12


class Names:
    """Counts the names in the rows of a file, a part after another."""

    def __init__(self, file: str, layout: Tabular, profile: Profile) -> None:
        self._file = file
        self._layout = layout
        self._profile = profile
        self._points = {name_of(column): n for n, column in enumerate(profile.column)}
        self._rows = 0
        self._seen: set[str] = set()
        self._others: dict[str, int] = {}
        self._of_others = 0
        self._serials: dict[str, int] = {}
        self._serial_bytes = 0
        self._unnamed: dict[str, None] = {}
        self._of_unnamed = 0

    def add(self, grid: Grid) -> Bools:
        """Count the names of the next rows, and say which rows the profile means.

        Raises
        ------
        Terminal
            There are too many meters.
        """
        self._rows += len(grid.line)
        mapped = self._mapped(grid)
        of_profile = np.ones(len(grid.line), dtype=np.bool_)
        if grid.point is not None:
            of_profile = grid.point.is_in(list(self._points)).to_numpy()
            self._seen |= set(grid.point.filter(pl.Series(of_profile)).unique())
            self._count_others(grid.point.filter(pl.Series(~of_profile)))
        if grid.serial is not None:
            self._list_serials(grid.serial)
            left = of_profile & ~mapped
            self._of_unnamed += int(left.sum())
            unnamed = grid.serial.filter(pl.Series(left)).unique(maintain_order=True)
            self._unnamed |= dict.fromkeys(unnamed)
        return mapped

    def _mapped(self, grid: Grid) -> Bools:
        mapped = np.zeros(len(grid.line), dtype=np.bool_)
        if grid.point is None and grid.serial is None:
            return ~mapped
        for column in self._profile.column:
            rows = np.ones(len(grid.line), dtype=np.bool_)
            if grid.point is not None:
                rows &= (grid.point == name_of(column)).to_numpy()
            if grid.serial is not None and column.serial is not None:
                rows &= (grid.serial == column.serial).to_numpy()
            mapped |= rows
        return mapped

    def _count_others(self, other: pl.Series) -> None:
        self._of_others += len(other)
        names = other.str.slice(0, NAME_LENGTH).to_frame("name")
        for name, count in names.group_by("name", maintain_order=True).len().rows():
            if name in self._others or len(self._others) < MOST_NAMES:
                self._others[name] = self._others.get(name, 0) + count

    def _list_serials(self, serials: pl.Series) -> None:
        for name in serials.unique(maintain_order=True):
            if name in self._serials:
                continue
            self._serials[name] = len(self._serials)
            self._serial_bytes += len(name)
            if len(self._serials) > MAX_METERS or self._serial_bytes > MAX_SERIAL_BYTES:
                message = (
                    f"{self._file}: the column '{self._layout.serial}' holds more than "
                    f"{MAX_METERS} serials, or very long ones, which is no export of a home. "
                    "Correct 'serial' in the profile; nothing was read."
                )
                raise Terminal(message)

    def order(self, meter: str | None) -> int:
        """Place of a meter in the order in which a file names them."""
        return self._serials.get(meter or "", 0)

    def groups(self, grid: Grid) -> Ints:
        """Say which series each row belongs to, by a number that holds for the whole file."""
        code = np.zeros(len(grid.line), dtype=np.int64)
        if grid.serial is not None:
            code += _codes(grid.serial, self._serials)
        if grid.point is not None:
            code += _codes(grid.point, self._points) * (MAX_METERS + 1)
        return code

    def notes(self) -> list[str]:
        """Say what the profile does not name, and what the file lacks."""
        notes = []
        if self._of_others:
            most = sorted(self._others.items(), key=lambda item: -item[1])[:_SHOWN_NAMES]
            listed = ", ".join(f"'{shown(name, 60)}' ({count})" for name, count in most)
            rest = len(self._others) - len(most)
            at_least = "at least " if len(self._others) == MOST_NAMES else ""
            more = f" and {at_least}{rest} more points" if rest else ""
            notes.append(
                f"{self._of_others} rows are of points that the profile does not map: "
                f"{listed}{more}."
            )
        absent = sorted(set(self._points) - self._seen)
        if self._layout.layout == "long" and absent and self._rows:
            listed = ", ".join(f"'{name}'" for name in absent)
            notes.append(f"The file has no rows of the points {listed}.")
        if self._of_unnamed:
            listed = ", ".join(f"'{shown(name, 60)}'" for name in [*self._unnamed][:_SHOWN_NAMES])
            notes.append(
                f"{self._of_unnamed} rows are of meters that the profile does not name: {listed}."
            )
        return notes


def _codes(names: pl.Series, known: dict[str, int]) -> Ints:
    """Give the number of each name; 0 for one that has none."""
    number = names.replace_strict(known, default=0, return_dtype=pl.Int64)
    return np.asarray(number.to_numpy(), dtype=np.int64)
