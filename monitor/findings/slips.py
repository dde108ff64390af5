"""A meter whose readings are taken in the wrong unit: energy off by a factor of the trade."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from monitor.findings.finding import (
    BandPoint,
    Confidence,
    Effect,
    Evidence,
    Finding,
    Seen,
    Topic,
)
from monitor.findings.pair import LEAST_HOURS, Flags, Pair, Values
from monitor.findings.spells import Spell
from monitor.findings.standstill import COOLING_C
from monitor.findings.too_fast import LOST_SHARE, too_fast
from monitor.findings.usual_cop import outdoor_by_day, usual_cop
from monitor.metrics import priors
from monitor.metrics.heat_check import K_95
from monitor.metrics.plausibility import (
    BASE_C,
    LEAST_OF_CARNOT,
    MOST_OF_CARNOT,
    Figure,
    expected_heat,
)
from monitor.models import Role

#: Factors by which units and multipliers are confused, and how: a megajoule is 1/3.6 kWh, a
#: gigajoule 277.8 kWh (SI Brochure, table 8: 1 h = 3600 s), the rest are places of the point.
FACTORS: Final = {
    3.6: "kWh and MJ are confused",
    10.0: "the decimal point is a place off",
    100.0: "the decimal point is two places off",
    1000.0 / 3.6: "kWh and GJ are confused",
    1000.0: "Wh, kWh or MWh are confused",
}

#: How near the change of the COP's level must come to a factor, as a difference of
#: logarithms: with days before it that were right, and without. Common practice, no source.
NEAR_A_CHANGE: Final = 0.25
NEAR_WITHOUT: Final = 0.55

#: A COP at about one is that of a resistive heater. Common practice, no source.
HEATER_COP: Final = (0.8, 1.2)

#: How far the middle half of the days' levels may lie apart where a heater may be on the
#: meter, as a difference of logarithms. Common practice, no source.
SAME_LEVEL: Final = 0.35

#: Highest COP from which a low level from the very start may be a slip of the unit. Common
#: practice, no source: a heat pump that does worse would be a poor heater.
MOST_LOW_COP: Final = 1.3

#: What the logarithm of the COP over a usual one may be: the shares of Carnot that are not
#: doubted (`monitor.metrics.plausibility`).
HIGH: Final = float(np.log(MOST_OF_CARNOT / priors.CARNOT_SHARE))
LOW: Final = float(np.log(LEAST_OF_CARNOT / priors.CARNOT_SHARE))

#: Days before a change that tell what was right. Common practice, no source.
LEAST_BEFORE: Final = 7

#: Days about a change whose levels are compared. Common practice, no source.
BESIDE_DAYS: Final = 21

#: Usual hourly peaks over the nominal output, of heat and of electricity; and how far homes
#: stray from them and from the heat that a house should need, as standard deviations of
#: logarithms. Common practice, no source.
PEAK_HEAT: Final = 0.6
PEAK_USED: Final = 0.2
PEAK_SD: Final = 0.40
NEED_SD: Final = 0.45

#: Degree days from which heat is held against the house, K d; and by how much one meter must
#: explain the peaks better than the other before it is named. Common practice, no source.
LEAST_DEGREE_DAYS: Final = 60.0
NAMED_FROM: Final = 4.0

#: Newest judged days, and how few of them suffice for a level that has changed by a factor:
#: that is far from anything that a home does. Common practice, no source.
CHANGED_DAYS: Final = (7, 4)

#: Hours without heat that tell what else is on a meter. Common practice, no source.
REST_HOURS: Final = 72

#: Heat of a day, as a share of the nominal output around the clock, from which its COP is
#: judged: on days with less, standby hides what the unit does. Common practice, no source.
RUN_SHARE: Final = 0.10

#: Standard uncertainty of a meter that is right, relative: its limits of 2 to 3 % are
#: rectangular (JCGM 100:2008, 4.3.7; EN 1434-1 class 2, from memory).
METER_U: Final = 0.03 / 3.0**0.5

CHECKS: Final = (
    "Unit and multiplier of the meter in the profile against its face and its export",
    "The pulse value, or the ratio of its current transformers, set in meter and logger",
    "Whether meter, logger or firmware were changed on that day",
)


@dataclass(frozen=True)
class Slip:
    """A meter that reads in a wrong unit.

    Attributes
    ----------
    roles
        The meter's streams; those of both where it cannot be told which.
    factor
        What it shows over what is true; None where only that it is far too high.
    spell
        Days that show it.
    cop
        COP as shown on those days.
    """

    roles: tuple[Role, ...]
    factor: float | None
    spell: Spell
    cop: float | None


def slip(seen: Seen, beside: Pair) -> Slip | None:
    """Find a meter in a wrong unit; what the account could not take comes first."""
    for roles, other in (
        (beside.heat_roles, beside.used >= beside.running_used),
        (beside.used_roles, beside.heat >= beside.running_heat),
    ):
        found = too_fast(seen, beside, roles, other)
        if found is not None:
            return Slip(roles, None, found, None)
    return _level(seen, beside)


def unit_slip(seen: Seen, beside: Pair, found: Slip | None) -> list[Finding]:
    """Energy of one meter off by a factor of the trade, since when, and which meter."""
    if found is None:
        return []
    one = len({role.is_heat for role in found.roles}) == 1
    meter = _name(found.roles) if one else "One of the two meters"
    days = found.spell
    if found.factor is None:
        what = (
            f"{meter} rises faster than the system can: since {days.since:%-d %B %Y} its "
            f"readings in at least {LOST_SHARE:.0%} of the hours in which the unit runs were "
            f"set aside as impossible, on {days.days} of {days.judged} days judged. That is what "
            "a wrong unit or multiplier does (Wh for kWh, or a shifted decimal point)."
        )
        figures: tuple[Figure, ...] = (Figure(name="days", value=days.days),)
    else:
        times = min(FACTORS, key=lambda name: abs(abs(np.log(found.factor or 1.0)) - np.log(name)))
        word = "too high" if found.factor > 1.0 else "too low"
        if not one:
            word = "off"
        usual = usual_cop(seen, beside)[beside.days_of(days)]
        what = (
            f"{meter} reads {word} by a factor of about {times:.4g} since "
            f"{days.since:%-d %B %Y}, as where {FACTORS[times]}: the COP was "
            f"{found.cop:.3g} on {days.days} of {days.judged} days judged, where about "
            f"{float(np.median(usual)):.1f} would be usual for a heat pump at that lift."
        )
        figures = (
            Figure(name="factor", value=found.factor if one else times),
            Figure(name="COP as shown", value=found.cop or 0.0),
            Figure(name="COP that is usual", value=float(np.median(usual))),
        )
    certain = found.factor is not None and one
    return [
        Finding(
            kind="unit-slip",
            topic=Topic.METER,
            title="A meter is read in the wrong unit",
            what=what,
            plainly="A meter of your heat pump is read wrongly, so its figures are off for now. "
            "The heating itself is not affected.",
            confidence=Confidence.LIKELY
            if certain or found.factor is None
            else Confidence.SUSPECTED,
            since=seen.site.midnight(days.since),
            window_start=seen.site.midnight(days.since),
            window_end=seen.now,
            roles=found.roles,
            figures=figures,
            evidence=(
                *(
                    Evidence(
                        of="slot",
                        name=role.value,
                        label=_name((role,)),
                        unit="kWh",
                        band=(BandPoint(low=0.0, high=_most(beside, role)),),
                    )
                    for role in found.roles
                ),
            ),
            effect=_effect(seen, beside, found) if one else None,
            check=CHECKS,
        )
    ]


def _name(roles: tuple[Role, ...]) -> str:
    return "The heat meter" if roles[0].is_heat else "The electricity meter"


def _most(beside: Pair, role: Role) -> float:
    """Largest energy of an hour that is usual, kWh."""
    return 1.4 * beside.nominal * (1.0 if role.is_heat else 0.6)


def _level(seen: Seen, beside: Pair) -> Slip | None:
    """Find a level of the COP that only a wrong unit explains."""
    both = np.isfinite(beside.heat_spread) & np.isfinite(beside.used_spread)
    heat = beside.by_day(np.where(both, beside.heat_spread, 0.0))
    used = beside.by_day(np.where(both, beside.used_spread, 0.0))
    hours = beside.by_day(both)
    usual = usual_cop(seen, beside)
    # Whichever meter is right, the day has run.
    ran = np.maximum(heat, 3.0 * used) >= RUN_SHARE * hours * beside.nominal
    cools = outdoor_by_day(seen, beside) >= COOLING_C
    judged = (hours >= LEAST_HOURS) & ran & (heat > 0) & (used > 0) & ~cools
    level = np.full(len(heat), np.nan)
    level[judged] = np.log(heat[judged] / used[judged] / usual[judged])
    above, below = level > HIGH, level < LOW
    for shown in (above, below):
        of_last, least = CHANGED_DAYS
        changed = beside.shows(judged, shown, of_last=of_last, least_days=least)
        for days, dated in ((changed, True), (beside.shows(judged, shown), False)):
            if days is None:
                continue
            found = _of_spell(beside, days, level, judged & shown, dated=dated)
            if found is None:
                continue
            inside = judged & beside.days_of(days)
            cop = float(heat[inside].sum() / used[inside].sum())
            if found < 1.0 and (cop > MOST_LOW_COP or _may_be_a_heater(beside, cop, level[inside])):
                continue
            own = np.maximum(heat - beside.by_day(np.where(both, beside.resistive, 0.0)), 1e-9)
            less = np.maximum(used - _at_rest_kw(beside) * hours, 1e-9)
            explained = np.log((own / less)[inside & shown] / usual[inside & shown])
            if LOW <= float(np.median(explained)) <= HIGH:
                continue
            roles = beside.heat_roles + beside.used_roles
            return _which(
                seen, beside, Slip(roles, found, days, cop), heat, used, judged, dated=dated
            )
    return None


def _at_rest_kw(beside: Pair) -> float:
    """Electricity while there is no heat, kW: what else hangs on the meter is no wrong unit."""
    still = np.isfinite(beside.heat) & (beside.heat <= beside.nothing) & np.isfinite(beside.used)
    still[1:] &= still[:-1]
    still[:-1] &= still[1:]
    still &= beside.resistive <= beside.nothing
    return float(np.mean(beside.used[still])) if still.sum() >= REST_HOURS else 0.0


def _of_spell(
    beside: Pair, days: Spell, level: Values, shown: Flags, *, dated: bool
) -> float | None:
    """The factor by which a spell's level of the COP is off, if it is one.

    Parameters
    ----------
    level
        Logarithm of the COP over the usual one of each day; NaN where not judged.
    dated
        Against the days before, which must have been right; else against the usual.
    """
    inside = beside.days_of(days)
    now = float(np.median(level[inside & shown]))
    if not dated:
        return _nearest(now, NEAR_WITHOUT)
    right = np.isfinite(level) & (level <= HIGH) & (level >= LOW)
    before = level[: int(np.argmax(inside))][right[: int(np.argmax(inside))]][-60:]
    if len(before) < LEAST_BEFORE:
        return None
    return _nearest(now - float(np.median(before)), NEAR_A_CHANGE)


def _nearest(change: float, within: float) -> float | None:
    """The factor that a change of the COP's level is, if it is one."""
    names = list(FACTORS)
    off = [abs(abs(change) - float(np.log(name))) for name in names]
    best = int(np.argmin(off))
    if off[best] > within:
        return None
    return names[best] if change > 0 else 1.0 / names[best]


def _may_be_a_heater(beside: Pair, cop: float, level: Values) -> bool:
    """Whether a resistive heater that took over explains a low COP.

    Its heat passes the heat meter, and the COP is one; or it does not, and the COP is another
    each day, as a wrong unit never makes it.
    """
    pump = beside.site.heat_pump
    has = pump.backup_heater or pump.immersion_heater or bool(beside.unmetered)
    if has and HEATER_COP[0] <= cop <= HEATER_COP[1]:
        return True
    low, high = np.quantile(level, (0.25, 0.75))
    return bool(beside.unmetered) and float(high - low) > SAME_LEVEL


def _which(
    seen: Seen, beside: Pair, found: Slip, heat: Values, used: Values, judged: Flags, *, dated: bool
) -> Slip:
    """Name the meter that slipped, by what each did at the change or by what it should show."""
    assert found.factor is not None  # noqa: S101 - it is a slip of a level
    size = float(np.log(found.factor))
    inside = beside.days_of(found.spell)
    outside = outdoor_by_day(seen, beside)
    cold = np.where(np.isnan(outside), 5.0, np.maximum(BASE_C - outside, 0.0) + 3.0)
    off_heat = off_used = 0.0
    if dated:
        begin = int(np.argmax(inside))
        at = np.arange(len(heat))
        near = judged & (np.abs(at - begin) <= BESIDE_DAYS)
        after, before = near & inside, near & (at < begin)
        if min(after.sum(), before.sum()) >= 5:
            sides = [
                float(np.log(np.median((x / cold)[after]) / np.median((x / cold)[before])))
                for x in (heat, used)
            ]
            off_heat = _cost((sides[0] - size, sides[1]), (NEED_SD, NEED_SD))
            off_used = _cost((sides[0], sides[1] + size), (NEED_SD, NEED_SD))
    if off_heat == off_used:
        off_heat, off_used = _static(beside, found, heat, judged & inside, outside, size)
    if abs(off_heat - off_used) < NAMED_FROM:
        return found
    if off_heat < off_used:
        return replace(found, roles=beside.heat_roles)
    return replace(found, roles=beside.used_roles, factor=1.0 / found.factor)


def _static(
    beside: Pair,
    found: Slip,
    heat: Values,
    days: Flags,
    outside: Values,
    size: float,
) -> tuple[float, float]:
    """How ill peaks and the house's need go with a slip of the heat, and of the electricity."""
    hours = beside.since(found.spell)

    def peak(values: Values, usual: float) -> float:
        known = values[hours & np.isfinite(values)]
        top = float(np.quantile(known, 0.98)) if len(known) else 0.0
        return float(np.log(max(top, 1e-6) / (usual * beside.nominal)))

    high_heat, high_used = peak(beside.heat, PEAK_HEAT), peak(beside.used, PEAK_USED)
    off_heat = _cost((high_heat - size, high_used), (PEAK_SD, PEAK_SD))
    off_used = _cost((high_heat, high_used + size), (PEAK_SD, PEAK_SD))
    with_outdoor = days & np.isfinite(outside)
    degree = float(np.maximum(BASE_C - outside[with_outdoor], 0.0).sum())
    needed = expected_heat(beside.site, outside[with_outdoor]) if with_outdoor.any() else None
    if needed is not None and degree >= LEAST_DEGREE_DAYS:
        more = float(np.log(max(float(heat[with_outdoor].sum()), 1e-6) / needed))
        off_heat += _cost((more - size,), (NEED_SD,))
        off_used += _cost((more,), (NEED_SD,))
    return off_heat, off_used


def _cost(off: tuple[float, ...], sd: tuple[float, ...]) -> float:
    return float(sum((x / s) ** 2 for x, s in zip(off, sd, strict=True)))


def _effect(seen: Seen, beside: Pair, found: Slip) -> Effect | None:
    """SPF that the slip takes from (or adds to) the period so far; it costs no electricity."""
    account = seen.standing.account
    if account is None or account.spf is None or account.electricity_kwh <= 0:
        return None
    if found.factor is None:
        return None
    at = (np.arange(len(beside.heat)) + beside.first) * 3600
    inside = (
        beside.since(found.spell)
        & (at >= account.start_utc.timestamp())
        & (at < account.end_utc.timestamp())
        & np.isfinite(beside.heat_spread + beside.used_spread)
    )
    of_heat = found.roles[0].is_heat
    shown = float((beside.heat_spread if of_heat else beside.used_spread)[inside].sum())
    spf = account.spf

    def lost(share: float) -> float:
        more = shown * (share / (found.factor or 1.0) - 1.0)
        heat = account.heat_kwh + (more if of_heat else 0.0)
        used = account.electricity_kwh + (0.0 if of_heat else more)
        return max(heat, 0.0) / max(used, 1e-9) - spf

    ends = sorted((lost(1.0 - K_95 * METER_U), lost(1.0 + K_95 * METER_U)))
    return Effect(spf=lost(1.0), low=ends[0], high=ends[1], kwh_year=0.0)
