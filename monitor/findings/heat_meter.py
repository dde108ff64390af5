"""A heat meter that began to read wrong on a day, by what did not change with it.

Two witnesses. Where flow rate and temperatures are logged, their heat over the meter's in hours
of steady running stays what it is, whatever weather, house and unit do: errors of sensors cancel
as long as they last. Where they are not, weather tells: if the efficiency changes because of the
unit, it takes other electricity for the same heat; if the meter changed, heat for the same
weather moves and electricity does not.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.findings.finding import BandPoint, Confidence, Effect, Evidence, Finding, Seen, Topic
from monitor.findings.unit_days import UnitDays, date_of, run_of, unit_days
from monitor.metrics import steps
from monitor.metrics.heat_check import K_95, steady_heat
from monitor.metrics.plausibility import Figure
from monitor.models import Role

Values = npt.NDArray[np.float64]

KIND: Final = "heat-meter-changed"

#: Change of what the meter shows, as a logarithm, from which it is told, what its 95 % interval
#: must lie beyond, and what would be another trouble: units, or a meter that stands.
#: Common practice, no source.
LEAST: Final = 0.05
BEYOND: Final = 0.025
MOST: Final = 0.7

#: Change over its standard uncertainty that the best of all days must reach; see the same in
#: `monitor.findings.unit`.
LEAST_T: Final = 5.0

#: Relative standard uncertainty of what a logger's sensors may have moved meanwhile.
#: Common practice, no source.
STABLE_U: Final = 0.01

#: Days with hours of steady running that must lie before and after the change, and such hours
#: in a day. Common practice, no source.
LEAST_BEFORE: Final = 14
LEAST_AFTER: Final = 5
LEAST_HOURS: Final = 2

#: How much more the hours may stray about their ratio after the change, times and added.
#: Common practice, no source.
STRAYS_MORE: Final = 2.0
STRAYS: Final = 0.02

#: Hours without frost that must lie on either side to be held against all, the share of the
#: change that they must show, and the change that is told where there are too few of them.
#: Common practice, no source.
LEAST_THAWED: Final = 10
METERS_SHARE: Final = 0.6
LEAST_IN_FROST: Final = 0.12

#: Share of what heat for the same weather moved by, up or down, by which electricity may have
#: moved as well where it is the meter; and of a change of the efficiency the share in the heat
#: up to which it is the unit's. Common practice, no source.
USED_SHARE: Final = 0.4
UNITS_SHARE: Final = 0.5

#: Days colder than this by daily mean tell what heat the weather asks for, degC: by then it is
#: mostly that. Common practice, no source.
COLD_C: Final = 10.0

#: Days over which weather that is not recorded (sun, wind) goes together. Common practice.
WEATHER_LAGS: Final = 7

_DAY_US: Final = 86_400_000_000


@dataclass(frozen=True)
class _Moved:
    """By how much the indicated heat changed, as a logarithm, and since when."""

    size: float
    u: float
    since: datetime
    until: datetime
    days: int
    evidence: tuple[Evidence, ...]
    by_water: bool


def heat_meter_changed(seen: Seen) -> list[Finding]:
    """A heat meter that shows more or less than before for the same heat."""
    ratio = _beside_water(seen)
    # Who asks the water needs not ask the weather.
    moved = _by_weather(seen) if ratio is None else _by_water(seen, ratio)
    return [] if moved is None else [_finding(seen, moved)]


def _is_told(change: steps.Change) -> bool:
    size = abs(change.size)
    return LEAST <= size <= MOST and abs(change.t) >= LEAST_T and size - K_95 * change.u >= BEYOND


@dataclass(frozen=True)
class _Ratio:
    """Days with hours of steady running, shape (n,): heat shown over heat by water, as a log.

    `like` has what moves it on a sound meter, shape (n, 2): frost, and the load, at which coarse
    samples and small differences err alike.
    """

    day: npt.NDArray[np.int64]
    log_ratio: Values
    hours: npt.NDArray[np.int64]
    like: Values
    hour_day: npt.NDArray[np.int64]
    hour_ratio: Values
    hour_frost: npt.NDArray[np.bool_]

    def shows(self, size: float, day: int) -> bool:
        """Whether hours show a change on a day as a meter's: alike, and without frost.

        Heat that is stamped by another clock than the water strays far more. What defrosting
        cools is seen by a logger and not counted by a heat meter.
        """
        late = self.hour_day >= day
        before, after = (float(np.std(self.hour_ratio[side])) for side in (~late, late))
        if after > min(STRAYS_MORE * before + STRAYS, abs(size)):
            return False
        thawed = ~self.hour_frost
        if min((thawed & late).sum(), (thawed & ~late).sum()) < LEAST_THAWED:
            return abs(size) >= LEAST_IN_FROST or not self.hour_frost.any()
        early, new = (float(np.mean(self.hour_ratio[thawed & side])) for side in (~late, late))
        return (new - early) / size >= METERS_SHARE


def _beside_water(seen: Seen) -> _Ratio | None:
    """The heat meter beside water, day by day; None where too few days tell."""
    steady = steady_heat(seen.site, seen.slots, seen.states)
    if steady is None:
        return None
    day, inverse, hours = np.unique(
        steady.start_us // _DAY_US, return_inverse=True, return_counts=True
    )
    shown = np.bincount(inverse, steady.indicated_kwh)
    told = np.bincount(inverse, steady.computed_kwh)
    frost = np.bincount(inverse, steady.frost) / np.maximum(hours, 1)
    keep = (hours >= LEAST_HOURS) & (told > 0) & (shown > 0)
    if keep.sum() < LEAST_BEFORE + LEAST_AFTER:
        return None
    like = np.column_stack([frost, np.log(np.maximum(told, 1e-9) / np.maximum(hours, 1))])[keep]
    ratio = np.log(shown[keep] / told[keep])
    told_hours = (steady.computed_kwh > 0) & (steady.indicated_kwh > 0)
    of_hours = np.log(steady.indicated_kwh[told_hours] / steady.computed_kwh[told_hours])
    return _Ratio(
        day[keep],
        ratio,
        hours[keep],
        like - like.mean(axis=0),
        steady.start_us[told_hours] // _DAY_US,
        of_hours,
        steady.frost[told_hours],
    )


def _by_water(seen: Seen, ratio: _Ratio) -> _Moved | None:
    """The day from which flow and temperatures give another share of the heat shown."""
    day = ratio.day
    change = steps.find_change(
        ratio.log_ratio,
        ratio.like,
        1.0 / np.sqrt(ratio.hours),
        day,
        [steps.steps(len(day), least_before=LEAST_BEFORE, least_after=LEAST_AFTER)],
    )
    if change is None or not _is_told(change):
        return None
    if not ratio.shows(change.size, int(day[change.at])):
        return None
    since = seen.site.midnight(date_of(int(day[change.at])))
    until = seen.site.midnight(date_of(int(day[-1]))) + timedelta(days=1)
    evidence = tuple(
        Evidence(of="state", name=role.value, label=label, unit=unit)
        for role, label, unit in (
            (Role.FLOW_RATE, "Flow rate", "m3/h"),
            (Role.FLOW_TEMP, "Flow temperature", "degC"),
            (Role.RETURN_TEMP, "Return temperature", "degC"),
        )
    )
    heat = Evidence(of="day", name="heat_kwh", label="Heat a day", unit="kWh", against="outdoor")
    u = float(np.hypot(change.u, STABLE_U))
    return _Moved(change.size, u, since, until, len(day), (heat, *evidence), by_water=True)


def _by_weather(seen: Seen) -> _Moved | None:
    """The day from which heat for the same weather moved and electricity did not."""
    days = unit_days(seen)
    if days is None:
        return None
    outdoor = days.frame["outdoor_c"].to_numpy()
    cold = outdoor < COLD_C
    if cold.sum() < LEAST_BEFORE + LEAST_AFTER:
        return None
    number, weather = days.number[cold], _weather(outdoor[cold])
    heat, used = np.log(days.frame["heat_kwh"].to_numpy()[cold]), np.log(days.net_kwh[cold])
    family = steps.steps(len(number), least_before=LEAST_BEFORE, least_after=LEAST_AFTER)
    change = steps.find_change(heat, weather, days.scale[cold], number, [family])
    if change is None or not _is_told(change):
        return None
    run = (np.arange(len(number)) >= change.at).astype(np.float64)
    moved, u = _moved(used, weather, run)
    share, wide = moved / change.size, K_95 * u / abs(change.size)
    if not -USED_SHARE <= share - wide <= share + wide <= USED_SHARE:
        return None
    since = seen.site.midnight(date_of(int(number[change.at])))
    until = seen.site.midnight(date_of(int(number[-1]))) + timedelta(days=1)
    evidence = _expected(days, int(number[change.at]))
    u = float(np.hypot(change.u, STABLE_U))
    return _Moved(change.size, u, since, until, len(number), evidence, by_water=False)


def heats_share(days: UnitDays, change: steps.Change) -> tuple[float, float]:
    """Share of a change of the efficiency that lies in the heat for the same weather.

    Parameters
    ----------
    days
        Days of the unit, n of them.
    change
        Found in their efficiency.

    Returns
    -------
    share, u
        0 for a unit that takes more electricity for the same heat, 1 for a heat meter that
        shows less of it; and its standard uncertainty, robust to weather that goes together
        over days. NaN and infinity where fewer than three cold days lie on either side.
    """
    outdoor, run = days.frame["outdoor_c"].to_numpy(), run_of(days, change)
    cold = outdoor < COLD_C
    if min((cold & (run == 0)).sum(), (cold & (run > 0)).sum()) < LEAST_IN_BIN:
        return float("nan"), float("inf")
    heat = np.log(days.frame["heat_kwh"].to_numpy()[cold])
    moved, u = _moved(heat, _weather(outdoor[cold]), run[cold])
    return moved / change.size, u / abs(change.size)


def _weather(outdoor: Values) -> Values:
    centred = outdoor - outdoor.mean()
    return np.column_stack([centred, centred**2])


def _moved(log_kwh: Values, weather: Values, run: Values) -> tuple[float, float]:
    """By how much energy for the same weather moved with a change, and how sure that is."""
    design = np.column_stack([np.ones(len(run)), weather, run])
    weight = np.exp(0.5 * log_kwh)
    found = np.linalg.lstsq(design * weight[:, None], log_kwh * weight, rcond=None)[0]
    rest = (log_kwh - design @ found) * weight
    return float(found[-1]), float(steps.robust_u(rest, design * weight[:, None], WEATHER_LAGS)[-1])


#: Width of the bins of a band against outdoor temperature, K, and days in each.
BIN_K: Final = 2.0
LEAST_IN_BIN: Final = 3


def _expected(days: UnitDays, begun: int) -> tuple[Evidence, ...]:
    """Heat and electricity against outdoor temperature, with what they were before."""
    before = days.number < begun
    outdoor = days.frame["outdoor_c"].to_numpy()
    bins = np.round(outdoor / BIN_K).astype(int)
    out = []
    for name, label in (("heat_kwh", "Heat a day"), ("electricity_kwh", "Electricity a day")):
        values = days.frame[name].to_numpy()
        points = []
        for each in np.unique(bins[before]):
            inside = values[before & (bins == each)]
            if len(inside) >= LEAST_IN_BIN:
                low, high = (float(v) for v in np.quantile(inside, [0.1, 0.9]))
                points.append(BandPoint(x=float(each) * BIN_K, low=low, high=high))
        out.append(
            Evidence(
                of="day", name=name, label=label, unit="kWh", against="outdoor", band=tuple(points)
            )
        )
    return tuple(out)


def _finding(seen: Seen, moved: _Moved) -> Finding:
    low, mean, high = (np.exp(moved.size + k * moved.u) - 1.0 for k in (-K_95, 0.0, K_95))
    word = "less" if mean < 0 else "more"
    ends = sorted((abs(low), abs(high)))
    against = (
        f"in hours of steady running on {moved.days} days, flow rate and temperatures give the "
        "heat as before and the meter does not"
        if moved.by_water
        else f"on {moved.days} days heat moved for the same weather and electricity did not, as "
        "would be with a unit or house that changed"
    )
    heat = (Role.HEAT_TOTAL, Role.HEAT_SPACE, Role.HEAT_DHW)
    water = (Role.FLOW_TEMP, Role.RETURN_TEMP, Role.FLOW_RATE)
    wanted = heat + water if moved.by_water else heat
    return Finding(
        kind=KIND,
        topic=Topic.METER,
        title=f"The heat meter shows {word} than before",
        what=(
            f"From about {moved.since:%-d %B %Y} on the heat meter shows {abs(mean):.0%} {word} "
            f"(95 % interval {ends[0]:.0%} to {ends[1]:.0%}) for the same heat: {against}. SPF and "
            "judgement since then rest on a doubtful meter."
            + (" The logger's own sensors may have changed instead." if moved.by_water else "")
        ),
        confidence=Confidence.LIKELY if moved.by_water else Confidence.SUSPECTED,
        since=moved.since,
        window_start=moved.since,
        window_end=moved.until,
        roles=tuple(role for role in wanted if role in seen.site.roles),
        figures=(
            Figure(name="change of the heat shown", value=float(mean)),
            Figure(name="change, lower end", value=float(min(low, high))),
            Figure(name="change, upper end", value=float(max(low, high))),
        ),
        evidence=moved.evidence,
        effect=_effect(seen, moved),
        check=(
            "What was done at the home about that day: meter, sensors, filling, a setting",
            "The heat meter: its sensors in their pockets, dirt or air at its flow sensor, faults",
            "Strainer and antifreeze of the heating water",
            *(("The logger's flow and temperature sensors",) if moved.by_water else ()),
        ),
        caution="A sealed or verified meter is opened only by who may do so under local rules.",
    )


def _effect(seen: Seen, moved: _Moved) -> Effect | None:
    """What the meter takes from the SPF of the period so far, if it is the meter."""
    account = seen.standing.account
    if account is None or not account.electricity_kwh or seen.base is None:
        return None
    blocks = seen.base.blocks
    hour = moved.since.timestamp() / 3600.0
    first = account.start_utc.timestamp() / 3600.0
    after = blocks.known & (blocks.start >= max(hour, first))
    heat = float(blocks.heat[after].sum())
    spf, one, other = (
        heat * float(np.expm1(-size)) / account.electricity_kwh
        for size in (moved.size, moved.size + K_95 * moved.u, moved.size - K_95 * moved.u)
    )
    return Effect(spf=spf, low=min(one, other), high=max(one, other), kwh_year=0.0)
