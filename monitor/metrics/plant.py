"""When a heat pump ran and when it rested, as far as its meters tell.

Running is told by the unit's electricity where its meter resolves it, else by heat, else by
the difference between flow and return. Where nothing tells, or the unit's own meter and its
heat contradict each other, it is not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.metrics.trace import Flags, Micros, Trace, Values
from monitor.models import Consumer, Role, Site

#: Electric power above which the compressor runs, as a share of the rated heat: half of what
#: a unit at a quarter of its load and COP 5 takes. Common practice, no source.
RUNS_ELECTRIC: Final = 0.025

#: The same for heat: less than half of what a unit at its least load gives. Common practice,
#: no source.
RUNS_HEAT: Final = 0.08

#: And for flow over return, as a share of the design difference. Common practice, no source.
RUNS_DELTA: Final = 0.25

#: Flow as a share of the design flow from which water circulates. Common practice, no source.
CIRCULATES: Final = 0.10

#: Electric power of a pump that turns, kW. Common practice, no source.
PUMP_TURNS_KW: Final = 0.012

#: Longest time that a meter may need for one step at the power from which the unit runs,
#: hours. Common practice, no source.
RESOLVES_H: Final = 0.25

#: Power at rest is at most this share of the rated heat, else the meter counts more than the
#: unit. Common practice, no source.
MOST_AT_REST: Final = 0.05

#: Share of the time without heat in which a meter shows a running unit, from which it counts
#: more than that. Common practice, no source.
MOST_ROGUE: Final = 0.3

#: Running of a day that one meter shows and the other does not, from which the other tells
#: nothing on that day: hours, and the share of them that it may show. Common practice, no
#: source.
CONTRADICTS_H: Final = 1.0
CONTRADICTS_SHARE: Final = 0.1

#: How little of a day's rest tells what is taken at rest, hours. Common practice, no source.
LEAST_REST_H: Final = 0.5

#: A compressor neither runs nor rests for less, hours. Common practice, no source.
SHORTEST_H: Final = 3.0 / 60.0

#: Beginning and end of a run or rest that are not steady, hours. Common practice, no source.
UNSTEADY_H: Final = 10.0 / 60.0

#: Outdoor temperature below which an evaporator may frost, degC; and the longest defrost,
#: hours. Common practice, no source.
MAY_FROST_C: Final = 7.0
LONGEST_DEFROST_H: Final = 20.0 / 60.0

#: Return over flow that tells a defrost, K. Common practice, no source.
DEFROST_K: Final = 0.5

#: Marks of cells.
RUNS, RESTS, UNKNOWN = np.int8(1), np.int8(0), np.int8(-1)

Marks = npt.NDArray[np.int8]

_CLOSE: Final = 1e-9


@dataclass(frozen=True)
class Plant:
    """What tells of a unit, in the cells of a grid; NaN where unknown.

    Attributes
    ----------
    electric
        Power of unit, source drive and pumps as metered, without resistive heaters that are
        metered apart, kW; known only on days on which the meter resolves it.
    alone
        Whether that meter counts no resistive heater that is not metered apart.
    heat, water
        Heat in all and for hot water, kW, likewise.
    resistive
        Power of the resistive heaters that are metered apart, kW; zero where unknown.
    delta
        Flow over return, K.
    outdoor
        degC; of an air unit, the source's where nothing else measures it.
    moving
        1 where water circulates, else 0.
    """

    site: Site
    trace: Trace
    electric: Values
    alone: bool
    heat: Values
    water: Values
    resistive: Values
    delta: Values
    outdoor: Values
    moving: Values

    @property
    def is_air(self) -> bool:
        """True where the unit can frost."""
        return self.site.heat_pump.source == "air"

    def by_day(self, flags: Flags) -> Values:
        """Hours of the marked cells of each day."""
        return self.sums(self.trace.hours * flags)

    def sums(self, values: Values) -> Values:
        """Sum of the cells of each day."""
        return np.asarray(np.add.reduceat(values, self.trace.first[:-1]))

    def quantiles(self, values: Values, flags: Flags, share: float) -> Values:
        """A quantile of the marked cells of each day, NaN where there are none."""
        out = np.full(len(self.trace.days), np.nan)
        found = (
            pl.DataFrame({"day": self.trace.day[flags], "value": values[flags]})
            .group_by("day")
            .agg(pl.col("value").quantile(share))
        )
        out[found["day"].to_numpy()] = found["value"].to_numpy()
        return out


@dataclass(frozen=True)
class Stretches:
    """Stretches of cells of the same mark.

    Attributes
    ----------
    begin, end
        First cell, and the cell behind the last one.
    mark
        Mark of each stretch.
    passed_h
        Hours to each edge of the cells.
    """

    begin: Micros
    end: Micros
    mark: Marks
    passed_h: Values

    @property
    def hours(self) -> Values:
        """Length of each."""
        return np.asarray(self.passed_h[self.end] - self.passed_h[self.begin])

    @property
    def before(self) -> Marks:
        """Mark of the stretch before each; unknown for the first."""
        return np.append(UNKNOWN, self.mark[:-1])

    @property
    def after(self) -> Marks:
        """Mark of the stretch behind each; unknown for the last."""
        return np.append(self.mark[1:], UNKNOWN)

    @property
    def since_h(self) -> Values:
        """Hours from the beginning of its stretch to each cell."""
        return np.asarray(self.passed_h[:-1] - self.spread(self.passed_h[self.begin]))

    @property
    def steady(self) -> Flags:
        """Cells that lie ten minutes away from where their stretch begins and ends."""
        first = self.spread(self.passed_h[self.begin] + (UNSTEADY_H - _CLOSE))
        last = self.spread(self.passed_h[self.end] - (UNSTEADY_H - _CLOSE))
        return (self.passed_h[:-1] >= first) & (self.passed_h[1:] <= last)

    def spread(self, values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """A value of each stretch, for each of its cells."""
        return np.repeat(values, self.end - self.begin)


def stretches(marks: npt.NDArray[Any], passed_h: Values) -> Stretches:
    """Find the stretches of equal marks among cells whose edges lie at some hours."""
    begin = np.concatenate(([0], np.flatnonzero(marks[1:] != marks[:-1]) + 1))
    return Stretches(
        begin, np.append(begin[1:], len(marks)), marks[begin].astype(np.int8), passed_h
    )


def plant(site: Site, seen: Trace) -> Plant:
    """Gather what tells of a site's unit."""
    pump = site.heat_pump
    nominal = pump.nominal_heat_kw
    limit = RUNS_ELECTRIC * nominal
    space, water, whole = (
        _resolved(seen, role, RUNS_HEAT * nominal)
        for role in (Role.HEAT_SPACE, Role.HEAT_DHW, Role.HEAT_TOTAL)
    )
    heaters = {Consumer.BACKUP: Role.ELEC_BACKUP, Consumer.IMMERSION: Role.ELEC_IMMERSION}
    apart = {c: np.nan_to_num(seen.values[r]) for c, r in heaters.items() if r in seen.values}
    electric = np.full(len(whole), np.nan)
    for role in (Role.ELEC_UNIT, Role.ELEC_TOTAL):
        own = _resolved(seen, role, limit)
        for consumer in _counted(site, role) & apart.keys():
            own = own - apart[consumer]
        electric = np.where(np.isnan(electric), own, electric)
    rate = seen.of(Role.FLOW_RATE)
    least = CIRCULATES * nominal / (1.163 * pump.design_delta_t_k)
    moving = np.where(np.isnan(rate), np.nan, (rate > least).astype(float))
    if Role.ELEC_PUMPS in seen.values:
        turns = _resolved(seen, Role.ELEC_PUMPS, limit)
        turns = np.where(np.isnan(turns), np.nan, (turns > PUMP_TURNS_KW).astype(float))
        moving = np.where(np.isnan(moving), turns, moving)
    outdoor = seen.of(Role.OUTDOOR_TEMP)
    if pump.source == "air":
        outdoor = np.where(np.isnan(outdoor), seen.of(Role.SOURCE_TEMP), outdoor)
    return Plant(
        site=site,
        trace=seen,
        electric=electric,
        alone=Role.ELEC_UNIT in seen.values
        and _counted(site, Role.ELEC_UNIT) & heaters.keys() <= apart.keys(),
        heat=np.where(np.isnan(whole), space + water, whole),
        water=water,
        resistive=sum(apart.values(), np.zeros(len(whole))),
        delta=seen.of(Role.FLOW_TEMP) - seen.of(Role.RETURN_TEMP),
        outdoor=outdoor,
        moving=moving,
    )


def _resolved(seen: Trace, role: Role, limit: float) -> Values:
    """Power of a role on the days on which its meter resolves a limit."""
    values, quantum = seen.of(role), seen.quantum.get(role)
    if quantum is None:
        return values
    good = quantum <= limit * RESOLVES_H + _CLOSE
    return values if good.all() else np.where(seen.spread(good), values, np.nan)


def _counted(site: Site, role: Role) -> frozenset[Consumer]:
    """What an electricity meter counts besides the unit, as far as that is stated."""
    stated = [c.counts for fit in site.meter for c in fit.channel if c.role is role]
    if stated and stated[-1] is not None:
        return frozenset(stated[-1])
    return site.heat_pump.consumers if role is Role.ELEC_TOTAL else frozenset()


def running(plant: Plant) -> tuple[Marks, Values]:
    """Tell running from resting.

    Returns
    -------
    tuple
        A mark of each cell; and the electric power of each day up to which the unit is held to
        rest, NaN where its meter does not tell.
    """
    seen, electric = plant.trace, plant.electric
    nominal = plant.site.heat_pump.nominal_heat_kw
    heats = _heats(plant)
    known = ~np.isnan(electric)
    floor = RUNS_ELECTRIC * nominal
    if plant.alone:
        # A heat meter that shows nothing all day while the unit runs is dead or scaled down.
        dead = (plant.by_day(heats > 0) <= 0) & (
            plant.by_day(known & (electric > floor)) >= CONTRADICTS_H
        )
        heats = np.where(seen.spread(dead), np.nan, heats)
    by_heat = np.where(np.isnan(heats), UNKNOWN, heats > 0).astype(np.int8)
    # Rest as heat tells it, away from where it begins and ends; else the least power there is.
    quiet = known & (by_heat == RESTS) & stretches(by_heat, seen.passed_h).steady
    judged = plant.by_day(quiet)
    lowest = np.nan_to_num(plant.quantiles(electric, known, 0.05))
    level = np.where(
        judged >= LEAST_REST_H,
        np.nan_to_num(plant.quantiles(electric, quiet, 0.5)),
        np.where(lowest < MOST_AT_REST * nominal, lowest, 0.0),
    )
    limit = np.maximum(floor, 1.5 * level)
    above = plant.by_day(quiet & (electric > seen.spread(limit)))
    rogue = (judged >= LEAST_REST_H) & (above > MOST_ROGUE * judged)
    warm = plant.by_day(known & (by_heat == RUNS))
    shows = plant.by_day(known & (electric > seen.spread(limit)))
    blind = (warm >= CONTRADICTS_H) & (shows < CONTRADICTS_SHARE * warm)
    heard = plant.by_day(by_heat != UNKNOWN) > 0
    useless = heard & (rogue | blind | (level > MOST_AT_REST * nominal))
    limit = np.where(useless, np.nan, limit)
    # Nothing is above a limit that is not known.
    by_power = known & (electric > seen.spread(limit))
    use_heat = seen.spread(useless) | ~known
    state = np.where(use_heat, by_heat, by_power).astype(np.int8)
    if plant.alone:
        # The unit's own meter has nothing else to show: one of the two is wrong, or late.
        state[seen.spread(useless & ~blind) & known] = UNKNOWN
    return _settled(plant, state, by_heat, use_heat), limit


def _heats(plant: Plant) -> Values:
    """Whether heat shows in a cell: 1, 0, or NaN where unknown."""
    pump = plant.site.heat_pump
    least = RUNS_DELTA * pump.design_delta_t_k
    still = plant.moving == 0
    apart = (np.abs(plant.delta) > least) & ~still
    by_delta = np.where(np.isnan(plant.delta), np.nan, apart)
    if np.isnan(plant.heat).all():
        return by_delta
    # A meter shows no heat in a defrost, nor with turned sensors: the unit runs all the same.
    turned = (plant.delta < -least) & ~still
    found = stretches(turned, plant.trace.passed_h)
    short = found.spread(found.hours <= LONGEST_DEFROST_H + _CLOSE)
    mostly = plant.by_day(turned) > plant.by_day(apart & ~turned)
    turned &= short | plant.trace.spread(mostly)
    # Water that moves from one temperature to another carries heat, whatever a meter shows.
    carried = (np.abs(plant.delta) > least) & (plant.moving == 1)
    by_heat = (plant.heat > RUNS_HEAT * pump.nominal_heat_kw) | turned | carried
    return np.where(np.isnan(plant.heat), by_delta, by_heat)


def _settled(plant: Plant, state: Marks, by_heat: Marks, use_heat: Flags) -> Marks:
    """Fill rests and drop runs that are too short to be any, and runs without heat."""
    hours, passed = plant.trace.hours, plant.trace.passed_h
    found = stretches(state, passed)
    inside = (found.mark == RESTS) & (found.before == RUNS) & (found.after == RUNS)
    # Where heat alone tells, a short rest in frost weather is as likely a defrost.
    lowest = np.fmin.reduceat(plant.delta, found.begin)
    frosts = use_heat & (plant.outdoor < MAY_FROST_C) & plant.is_air
    frosts = frosts[found.begin] & (np.isnan(lowest) | (lowest < -DEFROST_K))
    most = np.where(frosts, UNSTEADY_H + _CLOSE, SHORTEST_H - _CLOSE)
    state = found.spread(np.where(inside & (found.hours <= most), RUNS, found.mark)).astype(np.int8)
    found = stretches(state, passed)
    blip = (found.before == RESTS) & (found.after == RESTS) & (found.hours < SHORTEST_H - _CLOSE)
    judged = np.add.reduceat(hours * (by_heat != UNKNOWN), found.begin)
    warm = np.add.reduceat(hours * (by_heat == RUNS), found.begin)
    cold = (judged >= 0.5 * found.hours) & (warm <= 0)
    mark = np.where((found.mark == RUNS) & (blip | cold), RESTS, found.mark)
    return found.spread(mark).astype(np.int8)
