"""From readings of one channel to courses of cumulative energy (rules R1, R3 to R6).

A *course* is a stretch over which the energy of a channel is known without a break:
points (time, cumulative value), linear between neighbours. Registers, intervals and
power samples all become courses, so that one set of rules places them on the grid of
slots. Where a course ends and another begins, the energy between is missing.

Readings that cannot be true are set aside with a reason and never repaired.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.models import Channel, Kind, Role
from monitor.rules import Rules
from monitor.schemas import SUSPECT, empty

Micros = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

HOUR_US: Final = 3_600_000_000
DAY_US: Final = 24 * HOUR_US

#: kWh in one unit of a register's face; digits and swap readings are stated in it.
KWH_PER_UNIT: Final = {
    "Wh": 0.001,
    "kWh": 1.0,
    "MWh": 1000.0,
    "MJ": 1.0 / 3.6,
    "GJ": 1000.0 / 3.6,
}

#: Possible values of plain quantities (degC, m3/h). Common practice, no source.
POSSIBLE: Final = {
    Role.OUTDOOR_TEMP: (-60.0, 60.0),
    Role.ROOM_TEMP: (-20.0, 60.0),
    Role.SOURCE_TEMP: (-40.0, 60.0),
    Role.FLOW_TEMP: (-30.0, 120.0),
    Role.RETURN_TEMP: (-30.0, 120.0),
    Role.DHW_TEMP: (-10.0, 120.0),
    Role.FLOW_RATE: (-0.5, 30.0),
}


@dataclass(frozen=True)
class Courses:
    """Courses of one channel.

    Attributes
    ----------
    points
        Columns `course` (i64, ascending), `t_us` (i64, UTC microseconds), `total`
        (f64, kWh since the course began; degC h or m3 for plain quantities) and
        `exact` (whether the way to the next point is truly linear, as for held power).
    suspects
        Frame of schema SUSPECT.
    """

    points: pl.DataFrame
    suspects: pl.DataFrame


POINTS: Final = {"course": pl.Int64, "t_us": pl.Int64, "total": pl.Float64, "exact": pl.Boolean}


def _points(course: Micros, t: Micros, total: Values, *, exact: bool) -> pl.DataFrame:
    return pl.DataFrame(
        {"course": course, "t_us": t, "total": total, "exact": np.full(len(t), exact)},
        schema=POINTS,
    )


def _suspects(channel_id: int, parts: list[tuple[Micros, Values, str]]) -> pl.DataFrame:
    frames = [
        pl.DataFrame({"t_us": t, "value": value}).select(
            pl.lit(channel_id, pl.Int32).alias("channel_id"),
            pl.col("t_us").cast(pl.Datetime("us")).dt.replace_time_zone("UTC").alias("t_utc"),
            pl.col("value").cast(pl.Float64),
            pl.lit(reason).alias("reason"),
        )
        for t, value, reason in parts
        if len(t)
    ]
    return pl.concat(frames).sort("t_utc") if frames else empty(SUSPECT)


def courses(
    readings: pl.DataFrame, channel: Channel, *, channel_id: int, max_power_kw: float, rules: Rules
) -> Courses:
    """Turn the readings of one channel into courses.

    Parameters
    ----------
    readings
        Frame of schema READING, of this channel alone, sorted by time, one row a time.
    max_power_kw
        Largest plausible power; ignored for plain quantities.

    Returns
    -------
    Courses
        Energy in kWh; plain quantities integrated over hours.
    """
    t = readings["t_utc"].to_physical().to_numpy()
    value = readings["value"].to_numpy()
    conflict = readings["conflict"].to_numpy()
    if channel.kind is Kind.REGISTER:
        return _register(t, value, conflict, channel, channel_id, max_power_kw, rules)
    if channel.kind is Kind.INTERVAL:
        duration = readings["duration_s"].fill_null(0).to_numpy().astype(np.int64) * 1_000_000
        return _interval(t, value, duration, conflict, channel, channel_id, max_power_kw, rules)
    if channel.kind is Kind.POWER:
        low = -max_power_kw if channel.signed else -rules.negative_power_kw
        limits, what = (low, max_power_kw), "power outside what the site can have"
        return _samples(t, value, conflict, channel.hold, limits, what, channel_id, rules)
    limits, what = POSSIBLE[channel.role], "outside what is possible for this quantity"
    return _samples(t, value, conflict, "left", limits, what, channel_id, rules)


class _Steps:
    """Says whether a register can have gone from one reading to another (R5, R6)."""

    def __init__(self, t: Micros, value: Values, channel: Channel, max_power_kw: float) -> None:
        unit = KWH_PER_UNIT.get(channel.unit, 1.0)
        self.t, self.value = t, value
        # One step of the register may fall into any span, however short.
        if channel.resolution is not None:
            self.slack = channel.resolution * unit
        elif channel.decimals is not None:
            self.slack = 10.0**-channel.decimals * unit
        else:
            self.slack = 1.0
        self.signed = channel.signed
        self.power_per_us = max_power_kw / HOUR_US
        self.modulus = (
            10.0 ** (channel.digits - (channel.decimals or 0)) * unit if channel.digits else None
        )

    def _possible(self, rise: Values, span: Micros) -> Flags:
        most = self.power_per_us * span + self.slack
        least = -most if self.signed else np.float64(-1e-9)
        return (rise >= least) & (rise <= most)

    def rise(self, i: npt.NDArray[np.int64] | int, j: npt.NDArray[np.int64] | int) -> Values:
        """Energy from reading i to j, through zero where that is what happened."""
        rise = np.asarray(self.value[j] - self.value[i], dtype=np.float64)
        if self.modulus is None:
            return rise
        rolled = rise + self.modulus
        falls = (rise < 0) & self._possible(rolled, np.asarray(self.t[j] - self.t[i]))
        return np.where(falls, rolled, rise)

    def possible(self, i: npt.NDArray[np.int64] | int, j: npt.NDArray[np.int64] | int) -> Flags:
        """Whether the register can have gone from reading i to reading j."""
        return np.asarray(self._possible(self.rise(i, j), np.asarray(self.t[j] - self.t[i])))


def _register(
    t: Micros,
    value: Values,
    conflict: Flags,
    channel: Channel,
    channel_id: int,
    max_power_kw: float,
    rules: Rules,
) -> Courses:
    """Apply R1, R5 and R6 to a register."""
    # A contested time breaks the register: the span about it is missing until settled (R8).
    keep = np.flatnonzero(~conflict)
    broken = np.zeros(len(keep), dtype=bool)
    if len(keep) > 1:
        broken[1:] = np.diff(keep) > 1
    t, value = t[keep], value[keep]
    n = len(t)
    if n == 0:
        return Courses(pl.DataFrame(schema=POINTS), empty(SUSPECT))
    steps = _Steps(t, value, channel, max_power_kw)
    index = np.arange(n)
    fine = np.ones(n, dtype=bool)
    fine[1:] = steps.possible(index[:-1], index[1:])
    dropped = np.zeros(n, dtype=bool)
    spikes, frozen = _set_aside(steps, fine, broken, rules)
    dropped[spikes] = True
    dropped[frozen] = True

    left = np.flatnonzero(~dropped)
    new = np.zeros(len(left), dtype=bool)
    if len(left) > 1:
        contested = np.cumsum(broken)[left]
        # With nothing set aside, the steps have been judged already.
        whole = len(left) == n
        possible = fine[1:] if whole else steps.possible(left[:-1], left[1:])
        new[1:] = ~possible | (np.diff(contested) > 0)
    course = np.cumsum(new).astype(np.int64)
    rise = np.zeros(len(left))
    if len(left) > 1:
        rise[1:] = np.where(new[1:], 0.0, steps.rise(left[:-1], left[1:]))
    total = np.cumsum(rise)
    suspects = _suspects(
        channel_id,
        [
            (t[spikes], value[spikes], "leaves the register's course and comes back"),
            (t[frozen], value[frozen], "repeats an old value while the register moved on"),
        ],
    )
    return Courses(_points(course, t[left], total, exact=False), suspects)


def _set_aside(
    steps: _Steps, fine: Flags, broken: Flags, rules: Rules
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Find spikes and frozen stretches of a register.

    The loop is over impossible steps, which are few in any register worth the name.
    """
    t, value = steps.t, steps.value
    n = len(t)
    starts = np.flatnonzero(~fine)
    none = np.empty(0, dtype=np.int64)
    if len(starts) == 0:
        return none, none
    begins = np.concatenate(([0], starts))
    same = np.ones(n, dtype=bool)
    same[1:] = value[1:] != value[:-1]
    run_start = np.maximum.accumulate(np.where(same, np.arange(n), 0))
    spike_us = int(rules.max_spike.total_seconds() * 1e6)
    frozen_us = int(rules.max_frozen.total_seconds() * 1e6)
    barrier = np.cumsum(broken)
    spikes: list[npt.NDArray[np.int64]] = []
    frozen: list[npt.NDArray[np.int64]] = []
    k = 1
    while k < len(begins):
        last, first = int(begins[k]) - 1, int(begins[k])
        if barrier[last] != barrier[first]:
            k += 1
            continue
        # Does the register come back to its course soon after? Then what lies between is a spike.
        reach = int(np.searchsorted(t, t[last] + spike_us, side="right"))
        ahead = begins[k + 1 :]
        ahead = ahead[(ahead < reach) & (barrier[np.minimum(ahead, n - 1)] == barrier[last])]
        back = (
            np.flatnonzero(steps.possible(np.full(len(ahead), last), ahead)) if len(ahead) else none
        )
        if len(back):
            resume = k + 1 + int(back[0])
            spikes.append(np.arange(first, begins[resume]))
            # The kept reading now precedes the resumed course; judge no further here.
            k = resume + 1
            continue
        # Did it stand still before and then catch up in one step?
        run = int(run_start[last])
        if (
            run < last
            and t[first] - t[run] <= frozen_us
            and barrier[run] == barrier[first]
            and value[first] > value[run]
            and bool(steps.possible(run, first))
        ):
            frozen.append(np.arange(run + 1, first))
        k += 1
    return (
        np.concatenate(spikes) if spikes else none,
        np.concatenate(frozen) if frozen else none,
    )


def _interval(
    t: Micros,
    value: Values,
    duration: Micros,
    conflict: Flags,
    channel: Channel,
    channel_id: int,
    max_power_kw: float,
    rules: Rules,
) -> Courses:
    """Apply R3: each interval is a course of its own unless the next one adjoins it."""
    parts: list[tuple[Micros, Values, str]] = []
    ok = ~conflict
    longest = int(rules.max_frozen.total_seconds() * 1e6)
    most = max_power_kw * duration / HOUR_US + (channel.resolution or 0.0)
    for bad, reason in (
        ((duration <= 0) | (duration > longest), "an interval without a usable length"),
        (value > most, "more energy than the site can have in that interval"),
        (
            value < (-most if channel.signed else -1e-9),
            "negative energy on a channel that is not declared signed",
        ),
    ):
        found = bad & ok
        parts.append((t[found], value[found], reason))
        ok &= ~bad
    t, value, duration = t[ok], value[ok], duration[ok]
    end = t + duration
    before = np.concatenate(([np.iinfo(np.int64).min], np.maximum.accumulate(end)[:-1]))[: len(t)]
    overlaps = t < before
    parts.append((t[overlaps], value[overlaps], "overlaps the interval before it"))
    t, value, end = t[~overlaps], value[~overlaps], end[~overlaps]
    n = len(t)
    if n == 0:
        return Courses(pl.DataFrame(schema=POINTS), _suspects(channel_id, parts))
    new = np.ones(n, dtype=bool)
    new[1:] = t[1:] > end[:-1]
    course = np.cumsum(new).astype(np.int64) - 1
    total = np.cumsum(value)
    # Points: the start of each course, then the end of every interval.
    points = pl.concat(
        [
            _points(course[new], t[new], (total - value)[new], exact=False),
            _points(course, end, total, exact=False),
        ]
    ).sort("course", "t_us")
    return Courses(points, _suspects(channel_id, parts))


def _samples(
    t: Micros,
    value: Values,
    conflict: Flags,
    hold: str,
    limits: tuple[float, float],
    what: str,
    channel_id: int,
    rules: Rules,
) -> Courses:
    """Apply R4 to power samples and plain quantities: integrate what samples may hold."""
    bad = ~conflict & ((value < limits[0]) | (value > limits[1]))
    suspects = _suspects(channel_id, [(t[bad], value[bad], what)])
    t, value, contested = t[~bad], value[~bad], conflict[~bad]
    n = len(t)
    if n == 0:
        return Courses(pl.DataFrame(schema=POINTS), suspects)
    limit, usual = _hold_limits(t, rules)
    gap = np.append(np.diff(t), np.iinfo(np.int64).max // 2)
    held = (gap <= limit) & ~contested
    # The last sample of a stretch holds for its limit, the last of all for one usual step.
    span = np.where(held, gap, limit)
    span[-1] = min(int(usual[-1]), int(limit[-1]))
    if hold == "left":
        mean = value
        tail = ~held & ~contested
    else:
        held[:-1] &= ~contested[1:]
        mean = (value + np.append(value[1:], value[-1])) / 2
        tail = np.zeros(n, dtype=bool)
    energy = np.where(held | tail, mean * span / HOUR_US, 0.0)
    after = np.cumsum(energy)
    course = np.concatenate(([0], np.cumsum(~held)[:-1])).astype(np.int64)
    points = _points(course, t, after - energy, exact=hold == "left")
    if tail.any():
        ends = _points(course[tail], t[tail] + span[tail], after[tail], exact=True)
        points = pl.concat([points, ends]).sort("course", "t_us", maintain_order=True)
    return Courses(points, suspects)


def _hold_limits(t: Micros, rules: Rules) -> tuple[Micros, Micros]:
    """Longest hold and usual step of each sample, from the samples of its own UTC day.

    Taking the day and not the whole history lets a logger change its pace, and lets a
    refresh compute a day without reading all that went before.
    """
    steps = np.append(np.diff(t), 0)
    days = (
        pl.DataFrame({"day": pl.Series(t // DAY_US).set_sorted(), "step": steps})
        .group_by("day", maintain_order=True)
        .agg(
            pl.len().alias("count"),
            pl.col("step").filter(pl.col("step") > 0).median().alias("usual"),
        )
        .with_columns(pl.col("usual").fill_null(rules.hold_limit.total_seconds() * 1e6))
    )
    usual = np.repeat(days["usual"].to_numpy(), days["count"].to_numpy())
    most = rules.hold_limit.total_seconds() * 1e6
    limit = np.minimum(rules.hold_steps * usual, most).astype(np.int64)
    return limit, np.minimum(usual, most).astype(np.int64)
