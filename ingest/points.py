"""Readings of files that describe themselves: each value comes with a name and a time.

An adapter of such a format gives one frame of schema `POINTS`, in the order of the file;
what the points mean, a profile says here. A file's own statement of unit, length and
serial goes before the profile's.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from ingest.clock import Stamps
from ingest.errors import Terminal
from ingest.intervals import bounds, usual_step
from ingest.local_time import Zone, parse_zone
from ingest.normal_form import Extract, Target
from ingest.numbers import shown, shown_column
from ingest.profile import Column, Profile
from ingest.units import Conversion, contradicts, conversion
from monitor.errors import DescriptionError
from monitor.models import Kind
from monitor.schemas import NORMAL, REJECT, UTC, Schema, check, empty

#: Readings as a self-describing file states them, before a profile says what they mean.
POINTS: Schema = {
    "line": pl.Int64,  # line (or record number) in the file, from 1
    "point": pl.String,  # what the file calls the quantity; null: the row names none
    "serial": pl.String,  # meter serial as the file states it; null without one
    "unit": pl.String,  # as the file states it, in words of `ingest.units`; null: the profile's
    "t_utc": UTC,  # null where `reason` says why
    "duration_s": pl.Int32,  # length of the interval as the file states it; null otherwise
    "value": pl.Float64,  # in `unit`; null where `reason` says why
    "raw": pl.String,  # as the file writes it, for the quarantine
    "reason": pl.String,  # null for a good reading; else why it cannot be used
}

#: More meters under one name are no export of a home.
MAX_METERS = 1_000
_LONGEST_S = 366 * 86_400


@dataclass
class _Found:
    """What the points of a file add up to."""

    targets: list[Target] = field(default_factory=list)
    readings: list[pl.DataFrame] = field(default_factory=list)
    rejects: list[pl.DataFrame] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def extract_points(
    file: str,
    frame: pl.DataFrame,
    profile: Profile,
    *,
    lines: int,
    blank: int = 0,
    notes: tuple[str, ...] = (),
) -> Extract:
    """Give the points of a file the meaning that a profile says they have.

    Parameters
    ----------
    file
        Name of the file, for sentences.
    frame
        Rows of schema `POINTS`, in the order of the file. A row whose `point` is null
        must have a `reason`; it is a reject of no column.
    profile
        Its columns name points. Rows of points that it does not name are no readings;
        a note counts them.
    lines, blank, notes
        Passed on to the extract; notes on the points follow.

    Returns
    -------
    Extract
        Values in kWh, kW, degC, m3/h. Each row of a point that the profile names is a
        reading or a reject.

    Raises
    ------
    DescriptionError
        A column has no name or stands twice; a unit is unknown, does not fit, or is
        stated by neither side.
    Terminal
        The file states a unit of another dimension than the profile; intervals have no
        length that can be told; more than `MAX_METERS` meters.
    """
    frame = check(frame, POINTS)
    _check_columns(profile)
    found = _Found(notes=list(notes))
    nameless = frame.filter(pl.col("point").is_null())
    found.rejects.append(_rejects(nameless, "(whole line)", "it does not say what it is of"))
    for column in profile.column:
        of_point = frame.filter(pl.col("point") == column.column)
        parts = _meters(file, of_point, column, profile)
        for serial, rows in parts:
            target = Target(column, _name(column), serial)
            _Stream(file, target, rows, parse_zone(profile.zone)).read_into(found)
    _note_points(frame, profile, found)
    _account_serials(frame, profile, found)
    return Extract(
        targets=tuple(found.targets),
        readings=pl.concat([empty(NORMAL), *found.readings]),
        rejects=pl.concat([empty(REJECT), *found.rejects]).sort("line", maintain_order=True),
        lines=lines,
        blank=blank,
        notes=tuple(found.notes),
    )


def _name(column: Column) -> str:
    return column.column or ""


def _check_columns(profile: Profile) -> None:
    """Refuse columns that no point can be told to belong to."""
    seen: Counter[tuple[str, str | None]] = Counter()
    for column in profile.column:
        if column.column is None:
            message = (
                f"The profile '{profile.name}' has a column of role '{column.role}' without "
                "'column', the name that the file gives it."
            )
            raise DescriptionError(message)
        seen[column.column, column.serial] += 1
        if column.unit is not None:
            conversion(column.unit, column.role, column.kind, where=column.column)
    for (name, serial), count in seen.items():
        if count > 1:
            message = (
                f"The profile '{profile.name}' names the column '{name}' twice; "
                "a reading can only mean one thing."
            )
            raise DescriptionError(message)
        if serial is not None and (name, None) in seen:
            message = (
                f"The profile '{profile.name}' names the column '{name}' with "
                "and without a serial; give both a serial."
            )
            raise DescriptionError(message)


def _meters(
    file: str, rows: pl.DataFrame, column: Column, profile: Profile
) -> list[tuple[str | None, pl.DataFrame]]:
    """List the meters of a column with their rows."""
    if not rows.height:
        return []
    if column.serial is None:
        parts = rows.partition_by("serial", maintain_order=True)
        if len(parts) > MAX_METERS:
            message = (
                f"{file} has {len(parts)} meters with the point '{column.column}'; more than "
                f"{MAX_METERS} cannot be read. Give the column the 'serial' of the meter meant."
            )
            raise Terminal(message)
        return [(part["serial"][0], part) for part in parts]
    if rows["serial"].null_count() == rows.height:
        # The file does not say whose the readings are, so the profile does.
        if sum(one.column == column.column for one in profile.column) > 1:
            message = (
                f"{file} states no serial with the point '{column.column}', so the columns that "
                f"the profile '{profile.name}' gives it cannot be told apart by 'serial'."
            )
            raise Terminal(message)
        return [(column.serial, rows)]
    own = rows.filter(pl.col("serial") == column.serial)
    return [(column.serial, own)] if own.height else []


@dataclass(frozen=True)
class _Stream:
    """Rows of one point of one meter."""

    file: str
    target: Target
    rows: pl.DataFrame
    zone: Zone

    def read_into(self, found: _Found) -> None:
        """Read the rows and add what they hold."""
        frame = self._kept(found)
        bad = pl.col("reason").is_not_null()
        found.rejects.append(_rejects(frame.filter(bad), self.target.label, ""))
        good = self._placed(frame.filter(~bad), found)
        number = len(found.targets)
        found.targets.append(self.target)
        found.readings.append(
            good.with_columns(target=pl.lit(number, dtype=pl.UInt16)).select(list(NORMAL))
        )

    def _kept(self, found: _Found) -> pl.DataFrame:
        """Convert values to the unit that is kept; say of each bad row why it is bad."""
        column = self.target.column
        length = pl.col("duration_s")
        wrong_length = (length < 1) | (length > _LONGEST_S)
        refused = pl.coalesce(
            "reason",
            pl.when(pl.col("t_utc").is_null()).then(pl.lit("there is no time in this row")),
            pl.when(pl.col("value").is_null()).then(pl.lit("there is no value in this row")),
            pl.when(~pl.col("value").is_finite()).then(
                pl.format("not a finite number: '{}'", pl.col("raw").fill_null(""))
            ),
            pl.when(pl.col("value").is_in(list(column.sentinels))).then(
                pl.lit("this value stands for 'no value' in this column")
            ),
            pl.when(wrong_length & pl.lit(column.kind is Kind.INTERVAL)).then(
                pl.format("an interval cannot last {} s", length)
            ),
        )
        rows = self.rows.with_columns(reason=refused).with_row_index("place")
        units = self._conversions(rows.filter(pl.col("reason").is_null())["unit"], found)
        parts = []
        for part in rows.partition_by("unit"):
            unit = part["unit"][0]
            kept = units.get(unit)
            if kept is None:
                why = pl.lit(
                    "neither the file nor the profile states the unit"
                    if unit is None
                    else f"the unit '{shown(unit, 40)}' does not fit this column"
                )
                parts.append(part.with_columns(reason=pl.coalesce("reason", why)))
                continue
            factor = kept.scale
            values = kept.conversion.apply(part["value"], scale=factor).alias("value")
            huge = pl.when(pl.col("value").is_infinite()).then(pl.lit("the value is too large"))
            parts.append(part.with_columns(values).with_columns(reason=pl.coalesce("reason", huge)))
        return pl.concat(parts).sort("place").drop("place")

    def _conversions(self, stated: pl.Series, found: _Found) -> dict[str | None, _Unit]:
        """Give the conversion of each unit that good rows state; those that do not fit lack one.

        A unit that does not fit is the fault of its rows where others fit, and the
        fault of profile or file where none does.
        """
        column = self.target.column
        units: dict[str | None, _Unit] = {}
        misfit: DescriptionError | None = None
        for unit, count in stated.value_counts(sort=True).rows():
            try:
                units[unit] = self._unit(unit)
            except DescriptionError as error:
                misfit = misfit or error
                continue
            used = units[unit].stated
            if used is not None and column.unit is not None:
                found.notes.append(
                    f"{self.file} states '{used}' for the column '{column.column}' "
                    f"({count} readings), and so it was read; the profile says '{column.unit}'."
                )
        if misfit is None or units:
            return units
        first = next((unit for unit in stated.drop_nulls()), None)
        if column.unit is None or first is None:
            raise misfit
        message = (
            f"{self.file}: the file states '{shown(first, 40)}' for the column "
            f"'{column.column}', but the profile says '{column.unit}'. Correct the column in the "
            "profile; nothing was read."
        )
        raise Terminal(message)

    def _unit(self, unit: str | None) -> _Unit:
        """Say how values in a unit are converted; `None` is the profile's unit."""
        column, where = self.target.column, self.target.label
        if unit is None and column.unit is None:
            message = (
                f"Column '{where}': {self.file} does not state its unit. "
                "Add 'unit' to the column in the profile."
            )
            raise DescriptionError(message)
        declared = column.unit
        if unit is not None:
            own = conversion(unit, column.role, column.kind, where=where)
            # A scale that turns the file's unit into the profile's is the profile's way to
            # say the same, as with delimited text.
            if declared is None or contradicts(unit, declared, scale=column.scale):
                return _Unit(own, column.scale, unit)
        return _Unit(
            conversion(declared or "", column.role, column.kind, where=where), column.scale
        )

    def _placed(self, good: pl.DataFrame, found: _Found) -> pl.DataFrame:
        """Give each reading its start and length."""
        column = self.target.column
        if column.kind is not Kind.INTERVAL or not good.height:
            return good.with_columns(duration_s=pl.lit(None, dtype=pl.Int32))
        stated = good["duration_s"]
        own = good
        if column.stamp == "end":
            own = good.with_columns(t_utc=pl.col("t_utc") - pl.duration(seconds="duration_s"))
        if not stated.null_count():
            self._note_lengths(stated, found)
            return own
        stamps = _stamps(good["t_utc"], self.zone)
        length = column.interval
        if length is None:
            unsaid = stated.is_null().to_numpy()
            length, note = usual_step(stamps, unsaid, file=self.file, where=self.target.label)
            found.notes.append(note)
        else:
            self._note_lengths(stated.drop_nulls(), found)
        told = bounds(stamps, column, length)
        return own.with_columns(
            t_utc=own["t_utc"].zip_with(stated.is_not_null(), told["t_utc"]),
            duration_s=stated.zip_with(stated.is_not_null(), told["duration_s"]),
        )

    def _note_lengths(self, stated: pl.Series, found: _Found) -> None:
        length = self.target.column.interval
        if length is None:
            return
        seconds = int(length.total_seconds())
        # Whole days last 23 to 25 hours on a local calendar.
        slack = 3_600 if seconds % 86_400 == 0 else 0
        other = int(((stated.cast(pl.Int64) - seconds).abs() > slack).sum())
        if other:
            found.notes.append(
                f"{self.file} states another length than the profile's {length} for {other} "
                f"readings of the column '{self.target.label}'; the file's was taken."
            )


@dataclass(frozen=True)
class _Unit:
    """How values are converted; `stated` is the file's unit where it overrules the profile."""

    conversion: Conversion
    scale: float
    stated: str | None = None


def _stamps(t_utc: pl.Series, zone: Zone) -> Stamps:
    """Give stamps whose days follow the zone's calendar."""
    if zone.fixed is not None:
        local = t_utc.to_physical().to_numpy() + zone.fixed
    else:
        naive = t_utc.dt.convert_time_zone(zone.name).dt.replace_time_zone(None)
        local = naive.to_physical().to_numpy()
    floating = np.ones(len(t_utc), dtype=np.bool_)
    reason = pl.repeat(None, len(t_utc), dtype=pl.String, eager=True)
    return Stamps(t_utc, local.astype(np.int64), floating, reason, zone)


def _rejects(rows: pl.DataFrame, column: str, otherwise: str) -> pl.DataFrame:
    return rows.select(
        "line",
        pl.lit(column).alias("column"),
        shown_column(rows["raw"].fill_null("")),
        pl.col("reason").fill_null(otherwise),
    )


def unmapped_note(counts: list[tuple[str, int]], profile: Profile) -> str | None:
    """Say which points of a file no column names, the commonest first; None where all are.

    Parameters
    ----------
    counts
        Points with the number of their rows.
    """
    names = {column.column for column in profile.column}
    other = sorted(
        ((name, count) for name, count in counts if name not in names),
        key=lambda one: (-one[1], one[0]),
    )
    if not other:
        return None
    listed = ", ".join(f"'{shown(name, 60)}' ({count})" for name, count in other[:12])
    more = f" and {len(other) - 12} more points" if len(other) > 12 else ""
    return (
        f"{sum(count for _, count in other)} rows are of points that the profile does not "
        f"map: {listed}{more}."
    )


def _note_points(frame: pl.DataFrame, profile: Profile, found: _Found) -> None:
    counts = frame["point"].drop_nulls().value_counts().rows()
    note = unmapped_note(counts, profile)
    if note:
        found.notes.append(note)
    absent = sorted({_name(one) for one in profile.column} - {name for name, _ in counts})
    if absent:
        listed = ", ".join(f"'{name}'" for name in absent)
        found.notes.append(f"The file has no rows of the points {listed}.")


def _account_serials(frame: pl.DataFrame, profile: Profile, found: _Found) -> None:
    """Account for the rows of named points whose meter no column names.

    Rows of other meters are no readings. Rows that do not say their meter, while others
    of the same point do, may be some: they are refused.
    """
    names = dict.fromkeys(_name(one) for one in profile.column if one.serial is not None)
    read = {(target.label, target.serial) for target in found.targets}
    for name in names:
        of_point = frame.filter(pl.col("point") == name)
        said = of_point.filter(pl.col("serial").is_not_null())
        if not said.height:
            continue
        unsaid = of_point.filter(pl.col("serial").is_null())
        found.rejects.append(_rejects(unsaid, name, "the file does not say which meter it is of"))
        counts = said["serial"].value_counts().rows()
        left = sorted((meter, count) for meter, count in counts if (name, meter) not in read)
        if left:
            listed = ", ".join(f"'{shown(meter, 60)}'" for meter, _ in left[:12])
            found.notes.append(
                f"{sum(count for _, count in left)} rows of the point '{name}' are of meters "
                f"that the profile does not name: {listed}."
            )
        for column in profile.column:
            if column.column == name and (name, column.serial) not in read:
                found.notes.append(
                    f"The file has no rows of the point '{name}' of meter '{column.serial}'."
                )
