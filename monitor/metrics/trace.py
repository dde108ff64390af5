"""What a site did from minute to minute: powers and plain quantities on a regular grid.

The grid of a local day has the step of that day's coarsest fine channel, from one to five
minutes; coarser channels are not seen on it. Everything here looks at most a few hours back
and ahead, so that a day comes out the same whatever else was read.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.metrics.courses import DAY_US, HOUR_US
from monitor.metrics.slots import state_slots
from monitor.models import Role, Site

Micros = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

#: Steps of the grid, seconds; each divides the days of every zone.
STEPS: Final = (60, 120, 180, 300)

#: A channel is seen on a step if its own mean step is at most so many times as long.
STEP_SLACK: Final = 1.25

#: Readings further apart leave the time between them unknown: as long as a sample may hold.
LONGEST_GAP_US: Final = 15 * 60 * 1_000_000

#: Cells of which less than this is covered are unknown. Common practice, no source.
LEAST_COVERED: Final = 0.5

#: How far before its next step a register's hidden rise is spread. Longer at rest, it is
#: held to stand still. Common practice, no source.
SPREAD_US: Final = 2 * HOUR_US

#: What is looked at beside the days in question: enough for the UTC days next to theirs.
BESIDE_US: Final = 2 * DAY_US

#: Channels that move slowly: their own step does not set the grid's.
SLOW: Final = frozenset({Role.OUTDOOR_TEMP, Role.SOURCE_TEMP, Role.ROOM_TEMP, Role.DHW_TEMP})

#: Longest mean step at which a cylinder's temperature tells its reheats, seconds.
LONGEST_DHW_STEP_S: Final = 900.0 * STEP_SLACK

_SMALL: Final = 1e-7


@dataclass(frozen=True)
class Trace:
    """Cells of a grid over adjoining local days.

    Attributes
    ----------
    days
        Local days.
    first
        Index of the first cell of each day, and the number of cells behind it.
    start_us
        Edges of the cells, UTC microseconds; one more than there are cells.
    step_s
        Step of each day; zero where no channel is fine enough.
    values
        Means of the cells by role: kW, degC, m3/h; NaN where unknown.
    quantum
        Smallest step of each energy role on each day, kWh; not there for held power.
    """

    days: tuple[date, ...]
    first: Micros
    start_us: Micros
    step_s: Micros
    values: dict[Role, Values]
    quantum: dict[Role, Values]

    @cached_property
    def hours(self) -> Values:
        """Length of each cell, hours."""
        return np.diff(self.start_us) / HOUR_US

    @cached_property
    def passed_h(self) -> Values:
        """Hours from the first edge to each."""
        return np.asarray((self.start_us - self.start_us[0]) / HOUR_US)

    @cached_property
    def day(self) -> Micros:
        """Index of the day of each cell."""
        return self.spread(np.arange(len(self.days)))

    def spread(self, of_day: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """A value of each day, for each of its cells."""
        return np.repeat(of_day, np.diff(self.first))

    def of(self, role: Role) -> Values:
        """Values of a role, all unknown where the site does not have it."""
        found = self.values.get(role)
        return np.full(int(self.first[-1]), np.nan) if found is None else found


def seen_days(site: Site, courses: Mapping[Role, pl.DataFrame]) -> list[date]:
    """Local days that any course touches, in order."""
    hours = [c["t_us"].to_numpy() // HOUR_US for c in courses.values() if c.height]
    if not hours:
        return []
    # Nearly sorted: neighbours are enough to make it short.
    hours = [h[np.append(True, h[1:] != h[:-1])] for h in hours]
    moments = pl.Series(np.unique(np.concatenate(hours)) * HOUR_US).cast(pl.Datetime("us", "UTC"))
    return moments.dt.convert_time_zone(site.zone).dt.date().unique().sort().to_list()


def trace(site: Site, courses: Mapping[Role, pl.DataFrame], days: Sequence[date]) -> Trace:
    """Put courses on the grid of some adjoining local days.

    Parameters
    ----------
    courses
        Points of each role (schema POINTS), as the energy account has them.
    days
        Local days without a hole.

    Returns
    -------
    Trace
        Channels whose mean step is longer than five minutes are not in it; outdoor and source
        temperature are hourly means.
    """
    edges = [site.midnight(day) for day in (*days, days[-1] + timedelta(days=1))]
    midnight = np.array([int(m.timestamp()) for m in edges], dtype=np.int64) * 1_000_000
    cut = {role: _between(course, midnight) for role, course in courses.items()}
    pace = {role: _pace(course, midnight) for role, course in cut.items()}
    fast = [p for role, p in pace.items() if role not in SLOW]
    step = np.zeros(len(days), dtype=np.int64)
    for mean in fast:
        for allowed, below in zip(STEPS, (0, *STEPS[:-1]), strict=True):
            fits = (mean > below * STEP_SLACK) & (mean <= allowed * STEP_SLACK)
            step = np.where(fits, np.maximum(step, allowed), step)
    width = np.where(step > 0, step, STEPS[-1]) * 1_000_000
    count = np.diff(midnight) // width
    first = np.concatenate(([0], np.cumsum(count)))
    within = np.arange(first[-1]) - np.repeat(first[:-1], count)
    begins = np.repeat(midnight[:-1], count) + within * np.repeat(width, count)
    start = np.append(begins, midnight[-1])
    width_us = np.repeat(width, count).astype(np.float64)
    values: dict[Role, Values] = {}
    quantum: dict[Role, Values] = {}
    for role, course in cut.items():
        if role in (Role.OUTDOOR_TEMP, Role.SOURCE_TEMP):
            values[role] = _hourly(course, role, start)
            continue
        longest = LONGEST_DHW_STEP_S if role in SLOW else STEPS[-1] * STEP_SLACK
        fine = pace[role] <= longest
        if not fine.any():
            continue
        t, total, course_of = _numbers(course)
        # Held power has no steps: it moves with each sample.
        if role.is_energy and not course["exact"].all():
            total, quantum[role] = _smooth(t, total, course_of, midnight)
        mean = _means(t, total, course_of, start, width_us)
        values[role] = np.where(np.repeat(fine, count), mean, np.nan)
    return Trace(tuple(days), first, start, step, values, quantum)


def _between(course: pl.DataFrame, midnight: Micros) -> pl.DataFrame:
    """Points of some days, and a little on both sides."""
    t = course["t_us"].to_numpy()
    # Points of later courses may start where an earlier one ends: sorted all the same.
    begin = int(np.searchsorted(t, midnight[0] - BESIDE_US, "left"))
    end = int(np.searchsorted(t, midnight[-1] + BESIDE_US, "right"))
    return course.slice(max(begin - 1, 0), end - max(begin - 1, 0) + 1)


def _numbers(course: pl.DataFrame) -> tuple[Micros, Values, Micros]:
    return course["t_us"].to_numpy(), course["total"].to_numpy(), course["course"].to_numpy()


def _near(t: Micros, course: Micros) -> tuple[Micros, Flags]:
    """Time between neighbours, and whether it is known what went on in it."""
    gap = np.diff(t)
    return gap, (course[1:] == course[:-1]) & (gap <= LONGEST_GAP_US)


def _pace(course: pl.DataFrame, midnight: Micros) -> Values:
    """Mean step of a channel on each day, seconds; infinite where there is none."""
    t, _, of = _numbers(course)
    if len(t) < 2:
        return np.full(len(midnight) - 1, np.inf)
    gap, near = _near(t, of)
    near &= gap > 0
    index = np.searchsorted(t[:-1], midnight)
    time = np.concatenate(([0], np.cumsum(np.where(near, gap, 0))))
    number = np.concatenate(([0], np.cumsum(near)))
    count = np.diff(number[index])
    spent = np.diff(time[index]) / 1e6
    return np.where(count > 1, spent / np.maximum(count, 1), np.inf)


def _smooth(t: Micros, total: Values, course: Micros, midnight: Micros) -> tuple[Values, Values]:
    """Let a register rise between its steps, and say how large these are.

    A register that shows whole steps hides up to one step of energy. Where it stands still
    before a step, that one step is spread over the standstill, by no more than `SPREAD_US`,
    and never more than the rise that follows.

    Returns
    -------
    tuple
        Totals, and the smallest step on each day.
    """
    days = len(midnight) - 1
    if len(t) < 3:
        return total, np.zeros(days)
    rise = np.where(course[1:] == course[:-1], np.diff(total), 0.0)
    moves = rise > _SMALL
    # The smallest step of a UTC day, whether by steps or by what these differ.
    other = np.abs(np.diff(rise, prepend=rise[0]))
    least = np.minimum(np.where(moves, rise, np.inf), np.where(other > _SMALL, other, np.inf))
    utc = t[1:] // DAY_US
    begins = np.flatnonzero(np.diff(utc, prepend=utc[0] - 1))
    by_day = np.minimum.reduceat(least, begins)
    # The days beside it help where there were few steps.
    beside = np.diff(utc[begins]) == 1
    wide = by_day.copy()
    wide[1:] = np.where(beside, np.minimum(wide[1:], by_day[:-1]), wide[1:])
    wide[:-1] = np.where(beside, np.minimum(wide[:-1], by_day[1:]), wide[:-1])
    of_day = np.where(np.isfinite(wide), wide, 0.0)
    size = np.repeat(of_day, np.diff(np.append(begins, len(utc))))
    noon = (midnight[:-1] + DAY_US // 2) // DAY_US
    number = np.minimum(np.searchsorted(utc[begins], noon), len(begins) - 1)
    quantum = np.where(utc[begins][number] == noon, of_day[number], np.inf)

    # For each point that repeats the one before: the change before it, and the one behind.
    change = np.concatenate(([True], (np.abs(rise) > _SMALL) | (course[1:] != course[:-1])))
    steps = np.flatnonzero(change)
    flat = np.flatnonzero(~change)
    place = np.cumsum(change)[flat]
    goes_on = place < len(steps)
    flat, place = flat[goes_on], place[goes_on]
    following = steps[place]
    rises = course[following] == course[flat]
    flat, following, last = flat[rises], following[rises], steps[place[rises] - 1]
    begin = np.maximum(t[last], t[following] - SPREAD_US)
    share = np.clip((t[flat] - begin) / np.maximum(t[following] - begin, 1), 0.0, 1.0)
    step = np.clip(rise[following - 1], 0.0, size[following - 1])
    out = total.copy()
    out[flat] += share * step
    return out, quantum


def _means(t: Micros, total: Values, course: Micros, edges: Micros, width: Values) -> Values:
    """Mean rate of a course in each cell, NaN where too little of the cell is covered."""
    if len(t) < 2:
        return np.full(len(width), np.nan)
    gap, near = _near(t, course)
    if near.all():
        integral = total
        covered = np.diff(np.clip(edges, t[0], t[-1]).astype(np.float64))
    else:
        integral = np.concatenate(([0.0], np.cumsum(np.where(near, np.diff(total), 0.0))))
        time = np.concatenate(([0.0], np.cumsum(np.where(near, gap, 0).astype(np.float64))))
        covered = np.diff(np.interp(edges, t, time))
    held = np.diff(np.interp(edges, t, integral))
    hours = np.where(covered >= (LEAST_COVERED - 1e-6) * width, covered / HOUR_US, np.nan)
    # Rounded, so that where a sum began decides nothing that a limit is held against.
    return np.round(held / hours, 6)


def _hourly(course: pl.DataFrame, role: Role, start: Micros) -> Values:
    """Hourly means of a quantity that moves slowly, for each cell."""
    slots = state_slots(course, role)
    if slots.is_empty():
        return np.full(len(start) - 1, np.nan)
    hour = slots["slot_start_utc"].to_physical().to_numpy() // HOUR_US
    dense = np.full(int(hour[-1] - hour[0]) + 1, np.nan)
    dense[hour - hour[0]] = np.round(slots["mean"].to_numpy(), 6)
    place = start[:-1] // HOUR_US - hour[0]
    inside = (place >= 0) & (place < len(dense))
    return np.where(inside, dense[np.where(inside, place, 0)], np.nan)
