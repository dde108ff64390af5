"""How a system ran, day by day: runs and rests, rooms and hot water, defrosts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.metrics.heat_check import FROST_C
from monitor.metrics.plant import (
    DEFROST_K,
    LONGEST_DEFROST_H,
    MAY_FROST_C,
    RESTS,
    RUNS,
    RUNS_HEAT,
    UNKNOWN,
    UNSTEADY_H,
    Marks,
    Plant,
    plant,
    running,
    stretches,
)
from monitor.metrics.trace import SLOW, STEPS, Flags, Micros, Trace, Values, seen_days, trace
from monitor.models import Role, Site
from monitor.schemas import BEHAVIOUR, check, empty

#: A run counts as no longer than a day.
LONGEST_RUN_H: Final = 24.0

#: Return over flow that tells turned sensors, K. Common practice, no source.
TURNED_K: Final = 1.0

#: Heat below which a running unit defrosts, as a share of the rated heat, where no sensors
#: tell. Common practice, no source.
DEFROST_HEAT: Final = 0.03

#: Rise of the cylinder from one ten minutes to the next that tells a reheat, K; and the least
#: rise of one that heats, and of one that is counted. Common practice, no source.
RISES_K: Final = 0.5
LEAST_RISE_K: Final = 1.5
REHEAT_K: Final = 3.0

#: Flow above the design curve that tells hot water where nothing else does, K, and its least
#: temperature, degC; and up to how far above the curve it is for the rooms. Common practice,
#: no source.
HOT_ABOVE_K: Final = 8.0
HOT_FROM_C: Final = 45.0
ROOMS_ABOVE_K: Final = 3.0

#: Power of a resistive heater that runs, kW. Common practice, no source.
HEATER_KW: Final = 0.1

#: Power at rest above three times its median and this (kW) is something else that hangs on
#: the meter. Common practice, no source.
OTHER_KW: Final = 0.05

#: Share of the rest in which it must be known whether water moves. Common practice, no source.
MOVING_KNOWN: Final = 0.8

#: Days that are computed at a time, and those on each side of them that are looked at.
CHUNK_DAYS: Final = 61
MARGIN_DAYS: Final = 2

#: Kinds of running.
ROOMS, WATER, EITHER = np.int8(1), np.int8(2), np.int8(3)


def behaviour(site: Site, courses: Mapping[Role, pl.DataFrame]) -> pl.DataFrame:
    """How a site ran on each local day that its courses touch.

    Parameters
    ----------
    courses
        Points of each role (schema POINTS), meter fits strung together.

    Returns
    -------
    pl.DataFrame
        Frame of schema BEHAVIOUR. Starts belong to the day on which they happen, and the
        length of a run to the day of its start; runs of which only a part was seen have no
        length. Days on which no channel is fine enough are not there.
    """
    telling = {r: c for r, c in courses.items() if r not in SLOW or r is Role.DHW_TEMP}
    days = seen_days(site, telling)
    parts = [empty(BEHAVIOUR)]
    while days:
        end = days[0] + timedelta(days=CHUNK_DAYS)
        chunk = [day for day in days[:CHUNK_DAYS] if day < end]
        days = days[len(chunk) :]
        parts.append(_chunk(site, courses, chunk[0], chunk[-1]))
    return pl.concat(parts)


def _chunk(
    site: Site, courses: Mapping[Role, pl.DataFrame], first: date, last: date
) -> pl.DataFrame:
    begin = first - timedelta(days=MARGIN_DAYS)
    count = (last - first).days + 1 + 2 * MARGIN_DAYS
    seen = trace(site, courses, [begin + timedelta(days=n) for n in range(count)])
    if not seen.step_s.any() and Role.DHW_TEMP not in seen.values:
        return empty(BEHAVIOUR)
    fine = pl.col("seen_h") > 0
    return check(
        pl.DataFrame({"day": list(seen.days), **_features(plant(site, seen))})
        .filter(pl.col("day").is_between(first, last) & (fine | pl.col("dhw_max_c").is_not_nan()))
        .with_columns(
            pl.when(fine).then("step_s").cast(pl.Int32), pl.col(pl.Float64).fill_nan(None)
        ),
        BEHAVIOUR,
    )


@dataclass(frozen=True)
class _Ran:
    """A plant with what was made out of it.

    Attributes
    ----------
    state
        A mark of each cell.
    defrost, steady
        Cells in defrost; and those of running that are not near its edges nor a defrost.
    kind
        ROOMS, WATER or EITHER where it runs steadily for the one or the other; else 0.
    known
        Hours of each day for which `state` is known, and whether there are any.
    """

    plant: Plant
    state: Marks
    defrost: Flags
    steady: Flags
    kind: Marks
    known: Values

    def hours(self, flags: Flags, told: Flags | None = None) -> Values:
        """Hours of the marked cells of each day, NaN where that is not known."""
        return self._told(self.plant.by_day(flags), told)

    def mean(self, values: Values, flags: Flags) -> Values:
        """Mean of the known marked cells of each day."""
        flags = flags & ~np.isnan(values)
        time = self.plant.by_day(flags)
        total = self.plant.sums(np.where(flags, values, 0.0) * self.plant.trace.hours)
        return np.where(time > 0, total / np.maximum(time, 1e-9), np.nan)

    def count(self, cells: Micros, told: Flags | None = None) -> Values:
        """Number of cells of each day, NaN where that is not known."""
        number = np.bincount(self.plant.trace.day[cells], minlength=len(self.known))
        return self._told(number.astype(float), told)

    def _told(self, values: Values, told: Flags | None) -> Values:
        known = self.known > 0
        return np.where(known if told is None else known & told, values, np.nan)


def _features(it: Plant) -> dict[str, npt.NDArray[np.generic]]:
    """Columns of BEHAVIOUR but for the day, one value a day, NaN where unknown."""
    seen = it.trace
    state, limit = running(it)
    runs, rests = state == RUNS, state == RESTS
    still = it.by_day(runs) == 0
    defrost, shows = _defrosts(it, state)
    heating = runs & ~defrost
    rising, reheats = _rises(it)
    kind = np.where(heating, _kind(it, rising), 0).astype(np.int8)
    ran = _Ran(
        plant=it,
        state=state,
        defrost=defrost,
        steady=heating & stretches(heating, seen.passed_h).steady,
        kind=np.where(stretches(kind, seen.passed_h).steady, kind, 0).astype(np.int8),
        known=it.by_day(state != UNKNOWN),
    )
    told = still | (it.by_day((kind == ROOMS) | (kind == WATER)) > 0)
    frosts = it.is_air & (still | (it.by_day(runs & shows) > 0))
    frost = it.outdoor < FROST_C
    rooms, water = ran.kind == ROOMS, ran.kind == WATER
    flow, dhw = seen.of(Role.FLOW_TEMP), seen.of(Role.DHW_TEMP)
    dips = stretches((defrost & frost), seen.passed_h)
    return {
        "step_s": seen.step_s,
        "seen_h": ran.known,
        "run_h": ran.hours(runs),
        **_runs(ran),
        "space_h": ran.hours(rooms, told),
        "space_flow_c": ran.mean(flow, rooms),
        "space_return_c": ran.mean(seen.of(Role.RETURN_TEMP), rooms),
        "space_delta_k": ran.mean(it.delta, rooms),
        "space_outdoor_c": ran.mean(it.outdoor, rooms),
        "space_flow_m3h": ran.mean(seen.of(Role.FLOW_RATE), rooms),
        "space_heat_kw": ran.mean(it.heat, rooms),
        "dhw_h": ran.hours(water, told),
        "dhw_flow_c": ran.mean(flow, water),
        "turned_h": ran.hours(
            ran.steady & (it.delta < -TURNED_K), it.by_day(runs & ~np.isnan(it.delta)) > 0
        ),
        **_rest(ran, rests, limit),
        "frost_h": ran.hours(runs & frost, it.by_day(~np.isnan(it.outdoor)) > 0),
        "defrosts": ran.count(dips.begin[dips.mark == 1], frosts),
        "defrost_h": ran.hours(defrost & frost, frosts),
        "dhw_max_c": np.fmax.reduceat(dhw, seen.first[:-1]),
        "dhw_min_c": np.fmin.reduceat(dhw, seen.first[:-1]),
        "dhw_reheats": np.where(
            it.by_day(~np.isnan(dhw)) > 0,
            np.bincount(seen.day[reheats], minlength=len(seen.days)),
            np.nan,
        ),
    }


def _runs(ran: _Ran) -> dict[str, Values]:
    """Starts, and how long the runs that began on a day were."""
    day = ran.plant.trace.day
    found = stretches(ran.state, ran.plant.trace.passed_h)
    starts = (found.mark == RUNS) & (found.before == RESTS)
    whole = starts & ((found.after == RESTS) | (found.hours >= LONGEST_RUN_H))
    medians = (
        pl.DataFrame(
            {"day": day[found.begin[whole]], "hours": np.minimum(found.hours, LONGEST_RUN_H)[whole]}
        )
        .group_by("day")
        .agg(pl.col("hours").median())
    )
    minutes = np.full(len(ran.known), np.nan)
    minutes[medians["day"].to_numpy()] = np.round(60.0 * medians["hours"].to_numpy(), 6)
    return {"starts": ran.count(found.begin[starts]), "run_median_min": minutes}


def _rest(ran: _Ran, rests: Flags, limit: Values) -> dict[str, Values]:
    """What goes on while the compressor rests."""
    it = ran.plant
    seen = it.trace
    away = rests & stretches(ran.state, seen.passed_h).steady
    quiet = away & (it.electric <= seen.spread(limit)) & (it.resistive < HEATER_KW)
    usual = it.quantiles(it.electric, quiet, 0.5)
    quiet &= it.electric <= np.maximum(3.0 * seen.spread(usual), OTHER_KW)
    resting, known = it.by_day(rests), it.by_day(rests & ~np.isnan(it.moving))
    share = it.by_day(rests & (it.moving == 1)) / np.maximum(known, 1e-9)
    told = (ran.known > 0) & (known > 0) & (known >= MOVING_KNOWN * resting)
    return {
        "idle_h": ran.hours(rests),
        "idle_flow_h": np.where(told, share * resting, np.nan),
        "idle_kw": ran.mean(it.electric, quiet),
        "idle_pumps_kw": ran.mean(seen.of(Role.ELEC_PUMPS), away),
    }


def _defrosts(it: Plant, state: Marks) -> tuple[Flags, Flags]:
    """Cells of defrosts, and cells in which one would show."""
    seen, nominal = it.trace, it.site.heat_pump.nominal_heat_kw
    by_delta = ~np.isnan(it.delta)
    runs = state == RUNS
    # Turned sensors show a defrost the other way round.
    wrong = it.by_day(runs & (it.delta < -TURNED_K)) > it.by_day(runs & (it.delta > TURNED_K))
    delta = np.where(seen.spread(wrong), -it.delta, it.delta)
    fine = ~np.isnan(it.heat) & ~by_delta
    for role in (Role.HEAT_TOTAL, Role.HEAT_SPACE):
        if role in seen.quantum:
            fine &= seen.spread(seen.quantum[role]) <= DEFROST_HEAT * nominal * seen.hours
    dips = (delta < -DEFROST_K) | (fine & (it.heat < DEFROST_HEAT * nominal))
    dips &= runs & (it.outdoor < MAY_FROST_C) & it.is_air
    dips &= stretches(state, seen.passed_h).since_h >= UNSTEADY_H - 1e-9
    found = stretches(dips, seen.passed_h)
    goes_on = np.append(runs, False)[found.end]
    real = (found.mark == 1) & (found.hours <= LONGEST_DEFROST_H + 1e-9) & goes_on
    return found.spread(real).astype(bool), by_delta | fine


def _kind(it: Plant, rising: Flags) -> Marks:
    """Whether a running unit heats rooms or water, as far as that can be told."""
    seen, pump = it.trace, it.site.heat_pump
    kind = np.full(len(rising), EITHER)
    flow, dhw = seen.of(Role.FLOW_TEMP), seen.of(Role.DHW_TEMP)
    hot, mild, cold = pump.design_flow_temp_c, pump.flow_temp_at_15_c, pump.design_outdoor_temp_c
    if hot is not None and mild is not None and cold is not None and cold < 15.0:
        above = flow - (mild + (hot - mild) / (15.0 - cold) * (15.0 - it.outdoor))
        kind = np.where(above <= ROOMS_ABOVE_K, ROOMS, kind)
        kind = np.where((above > HOT_ABOVE_K) & (flow >= HOT_FROM_C), WATER, kind)
    # An immersion heater lifts the cylinder as well.
    by_cylinder = ~np.isnan(dhw) & (it.resistive < HEATER_KW)
    kind = np.where(by_cylinder, np.where(rising, WATER, ROOMS), kind)
    by_meter = np.where(it.water > RUNS_HEAT * pump.nominal_heat_kw, WATER, ROOMS)
    return np.where(np.isnan(it.water), kind, by_meter).astype(np.int8)


def _rises(it: Plant) -> tuple[Flags, Micros]:
    """Cells in which the cylinder is heated, and the first cell of each reheat."""
    dhw = it.trace.of(Role.DHW_TEMP)
    known = ~np.isnan(dhw)
    if not known.any():
        return known, np.empty(0, dtype=np.int64)
    number = np.concatenate(([0], np.cumsum(known)))
    summed = np.concatenate(([0.0], np.cumsum(np.where(known, dhw, 0.0))))

    def mean(begin: Micros, end: Micros) -> Values:
        count = number[end] - number[begin]
        total = np.round(summed[end] - summed[begin], 6)
        return np.where(count > 0, total / np.maximum(count, 1), np.nan)

    here = np.arange(len(dhw))
    before, behind = _ten_minutes(it.trace)
    rises = mean(here, behind) - mean(before, here) > RISES_K
    found = stretches(rises, it.trace.passed_h)
    # From the ten minutes before to those behind.
    low = mean(before[found.begin], found.begin)
    top = mean(found.end - 1, behind[found.end - 1])
    rise = np.where(found.mark == 1, np.nan_to_num(top - low), 0.0)
    return found.spread(rise >= LEAST_RISE_K).astype(bool), found.begin[rise > REHEAT_K]


def _ten_minutes(seen: Trace) -> tuple[Micros, Micros]:
    """First cell of the ten minutes before each cell, and the cell behind those from it on."""
    last = len(seen.hours)
    ten = round(UNSTEADY_H * 3600.0)
    widths = np.unique(np.where(seen.step_s > 0, seen.step_s, STEPS[-1]))
    if len(widths) == 1:
        number = -(-ten // int(widths[0]))
        index = np.arange(last)
        return np.maximum(index - number, 0), np.minimum(index + number, last)
    begin = seen.start_us[:-1]
    before = np.searchsorted(begin, begin - ten * 1_000_000)
    return before, np.searchsorted(begin, begin + ten * 1_000_000)
