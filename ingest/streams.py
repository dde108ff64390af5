"""From the cells of a table to the normal form: what all tabular formats share.

An adapter finds the header and the rows of its format and hands them over as a `Grid`,
or as several, one after another, through a `Reader`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import timedelta

import numpy as np
import polars as pl

from ingest.clock import Stamps, read_stamps
from ingest.double_hours import DoubleHours
from ingest.errors import Terminal
from ingest.grids import Cells as Cells
from ingest.grids import Grid as Grid
from ingest.grids import Places as Places
from ingest.grids import check_columns as check_columns
from ingest.grids import conversion_of, name_of, rows_of, together, trimmed
from ingest.grids import find_places as find_places
from ingest.grids import joined as joined
from ingest.grids import states_units as states_units
from ingest.grids import wanted_names as wanted_names
from ingest.intervals import bounds
from ingest.layouts_tabular import Tabular
from ingest.local_time import Bools, later_pass, parse_zone, to_utc
from ingest.names import Names
from ingest.normal_form import Extract, Target
from ingest.profile import Column, Profile
from ingest.spacing import Spacing
from monitor.models import Kind
from monitor.schemas import NORMAL, REJECT, UTC, empty

#: Bytes of the rows in hours that occur twice, which wait for the end of the file.
MAX_WAITING = 1 << 28

#: A stream: number of the column in the profile, and the meter.
Key = tuple[int, str | None]
Lengths = dict[Key, tuple[timedelta, str]]


def read_grid(grid: Grid, layout: Tabular, profile: Profile) -> Extract:
    """Read each column of the profile as one stream, or one for each meter in it.

    Raises
    ------
    Terminal
        An interval cannot be told, or there are too many meters.
    """
    reader = Reader(grid.file, layout, profile, lengths_of([grid], layout, profile))
    return merged([reader.add(grid), reader.finish(grid.notes)], profile)


def lengths_of(grids: Iterable[Grid], layout: Tabular, profile: Profile) -> Lengths:
    """Take the length of intervals that a profile does not state from all of a file's times.

    Raises
    ------
    Terminal
        As `read_grid`.
    """
    if not unknown_lengths(profile):
        return {}
    reader: Reader | None = None
    for grid in grids:
        reader = reader or Reader(grid.file, layout, profile, None)
        reader.add(grid)
    return reader.lengths() if reader is not None else {}


def unknown_lengths(profile: Profile) -> bool:
    """Say whether the times of a file are needed to know how long its intervals are."""
    return any(_needs_length(column) for column in profile.column)


def _needs_length(column: Column) -> bool:
    return column.kind is Kind.INTERVAL and column.interval is None


def merged(parts: Iterable[Extract], profile: Profile) -> Extract:
    """Give the parts of a file as one extract, sorted by column, meter and line."""
    extracts = list(parts)
    found: dict[tuple[int, str | None], Target] = {}
    for extract in extracts:
        for target in extract.targets:
            found.setdefault((profile.column.index(target.column), target.serial), target)
    keys = sorted(found, key=lambda key: (key[0], key[1] or ""))
    number = {key: index for index, key in enumerate(keys)}
    readings = []
    for extract in extracts:
        new = [number[profile.column.index(t.column), t.serial] for t in extract.targets]
        renumbered = pl.Series(new, dtype=pl.UInt16).gather(extract.readings["target"])
        readings.append(extract.readings.with_columns(renumbered.alias("target")))
    return Extract(
        targets=tuple(found[key] for key in keys),
        readings=pl.concat(readings).sort("target", "line", maintain_order=True),
        rejects=pl.concat([extract.rejects for extract in extracts]).sort(
            "line", maintain_order=True
        ),
        lines=sum(extract.lines for extract in extracts),
        blank=sum(extract.blank for extract in extracts),
        notes=tuple(note for extract in extracts for note in extract.notes),
    )


@dataclass
class _Found:
    """What the streams of a part add up to."""

    targets: list[Target] = field(default_factory=list)
    readings: list[pl.DataFrame] = field(default_factory=list)
    rejects: list[pl.DataFrame] = field(default_factory=list)
    blank: int = 0


class Reader:
    """Reads the rows of a file, in order, a part at a time.

    What a row means never depends on where the file was cut: rows in an hour that occurs
    twice wait for the end, and the length of intervals is known before.

    Parameters
    ----------
    lengths
        Length of the intervals of each stream whose column does not state it. None: only
        take the times from which `lengths` tells them.
    """

    def __init__(
        self, file: str, layout: Tabular, profile: Profile, lengths: Lengths | None
    ) -> None:
        self._file = file
        self._layout = layout
        self._profile = profile
        self._lengths = lengths
        self._spacing: dict[Key, Spacing] = {}
        self._zone = parse_zone(profile.zone)
        self._names = Names(file, layout, profile)
        self._double = DoubleHours(self._zone)
        self._waiting: list[Grid] = []
        self._waiting_bytes = 0

    def add(self, grid: Grid) -> Extract:
        """Read the next rows; notes come with the last part.

        Raises
        ------
        Terminal
            There are too many meters, or too many rows in hours that occur twice.
        """
        found = _Found(rejects=[grid.rejects])
        grid = replace(
            grid,
            serial=None if grid.serial is None else trimmed(grid.serial),
            point=None if grid.point is None else trimmed(grid.point),
        )
        mapped = self._names.add(grid)
        stamps = read_stamps(
            grid.time, time_format=self._layout.time_format, zone=self._zone, typed=grid.moments
        )
        waits = self._waits(grid, stamps, mapped)
        if waits.any():
            self._keep_back(rows_of(grid, waits))
            grid, stamps = rows_of(grid, ~waits), _stamps_of(stamps, ~waits)
        self._read(grid, stamps, found)
        return self._extract(found, grid.lines)

    def finish(self, notes: tuple[str, ...] = ()) -> Extract:
        """Read the rows that had to wait, and give all notes.

        Parameters
        ----------
        notes
            Notes that stand before those found here.
        """
        found = _Found()
        self._read_waiting(found)
        of_lengths = [note for _, note in (self._lengths or {}).values()]
        return self._extract(found, 0, (*notes, *of_lengths, *self._names.notes()))

    def lengths(self) -> Lengths:
        """Tell the lengths of intervals from the times of the whole file.

        Raises
        ------
        Terminal
            They cannot be told.
        """
        self._read_waiting(_Found())
        return {
            key: self._spacing[key].settle(
                file=self._file, where=name_of(self._profile.column[key[0]])
            )
            for key in sorted(self._spacing, key=lambda key: (key[0], self._names.order(key[1])))
        }

    def _waits(self, grid: Grid, stamps: Stamps, mapped: Bools) -> Bools:
        """Say which rows must wait for the order of the whole file."""
        none = np.zeros(len(mapped), dtype=np.bool_)
        if self._zone.fixed is not None or not len(mapped):
            return none
        double = to_utc(stamps.local, stamps.floating, self._zone)[2] & mapped
        group = self._names.groups(grid)
        self._double.add(stamps.local[mapped], double[mapped], group[mapped])
        if self._double.rows and not stamps.floating.all():
            # Rows with an offset of their own may say the same as one that waits already.
            there = stamps.utc.dt.convert_time_zone(self._zone.name).dt.replace_time_zone(None)
            local = there.to_physical().fill_null(0).to_numpy()
            stated = ~stamps.floating & stamps.utc.is_not_null().to_numpy()
            double |= to_utc(local, stated, self._zone)[2] & mapped
        return double

    def _keep_back(self, grid: Grid) -> None:
        cells = [grid.time, *(cell.text for cell in grid.values if cell.text is not None)]
        self._waiting_bytes += 64 * len(grid.line)
        self._waiting_bytes += sum(int(one.str.len_bytes().sum()) for one in cells)
        if self._waiting_bytes > MAX_WAITING:
            message = (
                f"{self._file}: too many of its rows lie in hours that occur twice when clocks "
                "go back. Export it with times in UTC; nothing was read."
            )
            raise Terminal(message)
        self._waiting.append(grid)

    def _read_waiting(self, found: _Found) -> None:
        if not self._waiting:
            return
        grid = together(self._waiting)
        # Each row by itself, so that none is told by the order.
        alone = read_stamps(
            grid.time,
            time_format=self._layout.time_format,
            zone=self._zone,
            group=np.arange(len(grid.line)),
            typed=grid.moments,
        )
        utc, _, double = to_utc(alone.local, alone.floating, self._zone)
        later, told = self._double.settle()
        rows = np.flatnonzero(double)
        second = rows[later]
        if len(second):
            utc[second] = later_pass(alone.local[second], self._zone)
        known = np.zeros(len(utc), dtype=np.bool_)
        known[rows[told]] = True
        times = pl.Series(utc).cast(pl.Datetime("us")).dt.replace_time_zone("UTC").cast(UTC)
        mask = pl.Series(known)
        stamps = replace(
            alone, utc=times.zip_with(mask, alone.utc), reason=alone.reason.set(mask, None)
        )
        self._read(grid, stamps, found)

    def _read(self, grid: Grid, stamps: Stamps, found: _Found) -> None:
        """Read the rows of each stream."""
        for number, column in enumerate(self._profile.column):
            if self._lengths is None and not _needs_length(column):
                continue
            cells = grid.values[0 if grid.point is not None else number]
            rows = None if grid.point is None else (grid.point == name_of(column)).to_numpy()
            for meter, of_meter in _meters(column, grid.serial):
                mask = of_meter if rows is None else rows if of_meter is None else rows & of_meter
                if mask is not None and not mask.any():
                    continue
                stream = _Stream(
                    (number, meter),
                    Target(column, name_of(column), meter),
                    cells if mask is None else cells.of(pl.Series(mask)),
                    grid.line if mask is None else grid.line.filter(pl.Series(mask)),
                    stamps if mask is None else _stamps_of(stamps, mask),
                )
                self._read_stream(stream, found)

    def _read_stream(self, stream: _Stream, found: _Found) -> None:
        column, stamps = stream.target.column, stream.stamps
        numbers = stream.cells.read(self._layout, column.sentinels)
        said = pl.repeat(None, len(stream.line), dtype=pl.String, eager=True)
        if len(numbers.bad):
            said = said.scatter(numbers.bad, numbers.reasons)
        values = conversion_of(column).apply(numbers.values, scale=column.scale)
        huge = values.is_infinite().fill_null(value=False)
        if huge.any():
            said = said.set(huge, "the value is too large")
            values = values.set(huge, None)
        reason = said
        if stamps.utc.null_count():
            reason = stamps.reason.zip_with(stamps.reason.is_not_null(), said)
        if numbers.blank is not None:
            found.blank += int(numbers.blank.sum())
            reason = reason.set(numbers.blank, None)
        bad = reason.is_not_null() if reason.null_count() < len(reason) else None
        if bad is not None:
            found.rejects.append(stream.rejects(bad, reason))
        keep = None
        if bad is not None or numbers.blank is not None:
            keep = pl.repeat(value=True, n=len(values), eager=True)
            keep = keep if bad is None else keep & ~bad
            keep = keep if numbers.blank is None else keep & ~numbers.blank
        self._accept(stream, values, keep, found)

    def _accept(
        self, stream: _Stream, values: pl.Series, keep: pl.Series | None, found: _Found
    ) -> None:
        column, stamps = stream.target.column, stream.stamps
        if self._lengths is None:
            used = slice(None) if keep is None else keep.to_numpy()
            utc, local = stamps.utc.to_physical().fill_null(0).to_numpy()[used], stamps.local[used]
            if len(utc):
                self._spacing.setdefault(stream.key, Spacing()).add(utc, local)
            return
        frame = pl.DataFrame({"line": stream.line, "value": values})
        if column.kind is Kind.INTERVAL:
            length = column.interval
            if length is None and stream.key in self._lengths:
                length = self._lengths[stream.key][0]
            # Without a length there is no reading that could be used.
            told = bounds(stamps, column, length) if length is not None else _no_bounds(values)
            frame = frame.hstack(told)
        else:
            frame = frame.with_columns(
                stamps.utc.alias("t_utc"), duration_s=pl.lit(None, dtype=pl.Int32)
            )
        frame = frame if keep is None else frame.filter(keep)
        number = len(found.targets)
        found.targets.append(stream.target)
        found.readings.append(
            frame.with_columns(target=pl.lit(number, dtype=pl.UInt16)).select(list(NORMAL))
        )

    def _extract(self, found: _Found, lines: int, notes: tuple[str, ...] = ()) -> Extract:
        readings = pl.concat(found.readings) if found.readings else empty(NORMAL)
        rejects = pl.concat([empty(REJECT), *(part.select(list(REJECT)) for part in found.rejects)])
        return Extract(
            targets=tuple(found.targets),
            readings=readings,
            rejects=rejects.sort("line", maintain_order=True),
            lines=lines,
            blank=found.blank,
            notes=notes,
        )


@dataclass(frozen=True)
class _Stream:
    """Cells of one target, with the line and the time of each."""

    key: Key
    target: Target
    cells: Cells
    line: pl.Series
    stamps: Stamps

    def rejects(self, bad: pl.Series, reason: pl.Series) -> pl.DataFrame:
        """Give the cells that cannot be used, and why."""
        return pl.DataFrame(
            {
                "line": self.line.filter(bad),
                "raw": self.cells.raw(bad),
                "reason": reason.filter(bad),
            }
        ).with_columns(column=pl.lit(self.target.label))


def _meters(column: Column, serial: pl.Series | None) -> list[tuple[str | None, Bools | None]]:
    """List the meters of a column with a mask of their rows; None for all rows."""
    if serial is None:
        return [(column.serial, None)]
    if column.serial is not None:
        return [(column.serial, (serial == column.serial).to_numpy())]
    return [
        (name or None, (serial == name).to_numpy()) for name in serial.unique(maintain_order=True)
    ]


def _no_bounds(values: pl.Series) -> pl.DataFrame:
    return empty({"t_utc": NORMAL["t_utc"], "duration_s": pl.Int32}).clear(len(values))


def _stamps_of(stamps: Stamps, mask: Bools) -> Stamps:
    keep = pl.Series(mask)
    return Stamps(
        stamps.utc.filter(keep),
        stamps.local[mask],
        stamps.floating[mask],
        stamps.reason.filter(keep),
        stamps.zone,
    )
