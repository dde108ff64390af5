"""An electricity meter of the heat pump that counts the household beside it."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.findings.finding import BandPoint, Confidence, Evidence, Finding, Seen, Topic
from monitor.findings.pair import Flags, Pair, Values, energy, state
from monitor.findings.standstill import ELECTRICS
from monitor.findings.worth import of_electricity
from monitor.metrics import priors
from monitor.metrics.heat_check import K_95
from monitor.metrics.plausibility import KELVIN, Figure
from monitor.models import Consumer, Role

#: Local hours of night and of evening (first, after the last). Households sleep in the one
#: and cook, wash and watch in the other. Common practice, no source.
NIGHT: Final = (1, 5)
EVENING: Final = (17, 22)

#: Electricity of the night, kW, that is more than a unit at rest takes: controls, pump and
#: crankcase heater need 0.01 to 0.08 kW; a house's fridge, router and standby 0.05 to 0.2 kW.
#: Common practice, no source.
LEAST_NIGHT_KW: Final = 0.05

#: How much more the evening must take than the night, kW and as a factor: what rests takes
#: the same at all hours. Common practice, no source.
LEAST_MORE_KW: Final = 0.06
LEAST_FACTOR: Final = 1.3

#: What is left where heat and lift are taken off the electricity holds what the unit does not
#: follow of them: more must be left there on average, kW. Common practice, no source.
LEAST_BEYOND_KW: Final = 0.12
BEYOND: Final = "beyond what its heat explains"

#: Hours that are looked at, the newest; stretches of them in which the meters' clocks must go
#: together; and hours of night and evening, and days with them, that tell. Common practice, no
#: source.
WINDOW_H: Final = 60 * 24
CLOCK_WINDOWS_H: Final = (WINDOW_H, 14 * 24, 5 * 24)
LEAST_HOURS: Final = 21
LEAST_DAYS: Final = 7

#: Hours milder than this are mostly hot water, degC. Common practice, no source.
MILD_C: Final = 12.0

#: Largest electricity of an hour at rest that is looked at, kWh: beyond, a heater or a
#: compressor was on. Common practice, no source.
MOST_REST_KWH: Final = 3.0


def meter_counts_house(seen: Seen, beside: Pair) -> list[Finding]:
    """Electricity with the hours of a household while there is neither heat nor hot water.

    Where the unit hardly rests, the electricity that heat and lift do not explain is looked
    at instead.
    """
    # An immersion heater on the same meter runs in the evening too.
    if Consumer.IMMERSION in beside.unmetered:
        return []
    begin = max(len(beside.used) - WINDOW_H, 0)
    newest = np.arange(len(beside.used)) >= begin
    # Where the stamps are off, the unit itself seems to run at rest.
    at = np.arange(len(beside.used))
    if any(beside.clocks_differ(at >= len(at) - hours) for hours in CLOCK_WINDOWS_H):
        return []
    left, how = _at_rest(beside, newest), "while it made no heat"
    shape = _shape(beside, left)
    if shape is None:
        left, how = _beyond_heat(seen, beside, newest), BEYOND
        shape = _shape(beside, left)
    if shape is None:
        return []
    night, evening, low = shape
    if night < LEAST_NIGHT_KW or low < LEAST_MORE_KW or evening < LEAST_FACTOR * night:
        return []
    known = np.isfinite(left)
    hours = beside.hour[known]
    mean = float(np.mean([left[known][hours == h].mean() for h in range(24) if (hours == h).any()]))
    if how == BEYOND and mean < LEAST_BEYOND_KW:
        return []
    extra = max(mean - priors.STANDBY_KWH / 24.0, 0.0)
    days = int(np.isfinite(beside.used).sum()) / 24.0
    first = seen.site.midnight(beside.days[int(beside.day[begin] - beside.day[0])])
    return [
        Finding(
            kind="meter-counts-house",
            topic=Topic.METER,
            title="The electricity meter seems to count the house too",
            what=(
                f"Since {first:%-d %B %Y} the unit's meter showed {night:.2f} kW at night and "
                f"{evening:.2f} kW in the evening {how}. What rests takes the same at all hours; "
                f"a household does not. About {mean:.2f} kW on average do not belong to the heat "
                "pump."
            ),
            plainly="The meter of the heat pump seems to count other things in your home too. "
            "Your installer can have it checked.",
            confidence=Confidence.LIKELY,
            since=first,
            window_start=first,
            window_end=seen.now,
            roles=beside.used_roles,
            figures=(
                Figure(name="at night", value=night, unit="kW"),
                Figure(name="in the evening", value=evening, unit="kW"),
                Figure(name="mean over the hours of the day", value=mean, unit="kW"),
            ),
            evidence=tuple(
                Evidence(
                    of="slot",
                    name=role.value,
                    label="Electricity",
                    unit="kWh",
                    band=(BandPoint(low=0.0, high=LEAST_NIGHT_KW + LEAST_MORE_KW),),
                )
                for role in beside.used_roles
            ),
            effect=of_electricity(
                seen,
                extra * 24.0 * days,
                0.6 * extra * 24.0 * days,
                1.4 * extra * 24.0 * days,
                days=days,
            ),
            check=(
                "Which circuits hang on the meter: follow the wiring from it, circuit by circuit",
                "Whether the export is the house's main meter and not the heat pump's",
                "A heater in a shed, a towel rail or a charger fed from the unit's supply",
            ),
            caution=ELECTRICS,
        )
    ]


def _at_rest(beside: Pair, newest: Flags) -> Values:
    """Electricity of hours with no heat in them nor beside them, kW; NaN elsewhere."""
    still = np.isfinite(beside.heat) & (beside.heat <= beside.nothing)
    quiet = still.copy()
    quiet[1:] &= still[:-1]
    quiet[:-1] &= still[1:]
    quiet &= newest & (beside.resistive <= beside.nothing) & (beside.used <= MOST_REST_KWH)
    return np.where(quiet, beside.used, np.nan)


def _beyond_heat(seen: Seen, beside: Pair, newest: Flags) -> Values:
    """Electricity that heat and lift do not explain, kW; NaN where that cannot be told."""
    count = len(beside.used)
    flow = state(seen, Role.FLOW_TEMP, beside.first, count)
    source = state(seen, Role.SOURCE_TEMP, beside.first, count)
    if beside.site.heat_pump.source == "air":
        source = np.where(np.isnan(source), beside.outdoor, source)
    lift = np.maximum(flow - source + priors.EXCHANGERS_K, priors.EXCHANGERS_K)
    least = beside.heat * lift / (flow + KELVIN)
    known = newest & np.isfinite(least) & np.isfinite(beside.used) & (beside.heat > beside.nothing)
    known &= beside.resistive <= beside.nothing
    # Hot water is made in short runs at habitual hours, whose losses look like a household.
    known &= ~(beside.outdoor >= MILD_C)
    known &= ~(energy(seen, Role.HEAT_DHW, beside.first, count) > beside.nothing)
    if known.sum() < 10 * LEAST_HOURS:
        return np.full(count, np.nan)
    x, y = least[known], beside.used[known]
    hour = beside.hour[known]
    bend = x * np.maximum(x / max(float(x.mean()), 1e-9) - 1.0, 0.0)
    # Each hour of the day has a level of its own, so that habits do not bend the slope.
    (u, v, w) = (_without_hours(part, hour) for part in (x, bend, y))
    a, b, c = float(u @ u), float(u @ v), float(v @ v)
    size = a * c - b * b
    if a <= 0.0:
        return np.full(count, np.nan)
    if size <= 1e-9 * a * c:
        slope, more = float(u @ w) / a, 0.0
    else:
        slope = (c * float(u @ w) - b * float(v @ w)) / size
        more = (a * float(v @ w) - b * float(u @ w)) / size
    out = np.full(count, np.nan)
    out[known] = y - slope * x - more * bend
    return out


def _without_hours(values: Values, hour: npt.NDArray[np.int64]) -> Values:
    """Values less the mean of their hour of the day."""
    mean = np.bincount(hour, weights=values, minlength=24) / np.maximum(
        np.bincount(hour, minlength=24), 1
    )
    return np.asarray(values - mean[hour])


def _shape(beside: Pair, left: Values) -> tuple[float, float, float] | None:
    """Means of night and evening, kW, and the lower end of how much more the evening takes."""
    known = np.isfinite(left)
    means = []
    for first, end in (NIGHT, EVENING):
        hours = known & (beside.hour >= first) & (beside.hour < end)
        day = beside.day[hours] - beside.day[0]
        if hours.sum() < LEAST_HOURS or len(np.unique(day)) < LEAST_DAYS:
            return None
        # A day counts once: its hours are not independent.
        total = np.bincount(day, weights=left[hours])
        number = np.bincount(day)
        means.append(total[number > 0] / number[number > 0])
    night, evening = (float(m.mean()) for m in means)
    u = float(np.sqrt(sum(m.var(ddof=1) / len(m) for m in means)))
    return night, evening, evening - night - K_95 * u
