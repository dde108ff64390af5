"""The unit itself: an efficiency that fell, too little heat in the cold, less than as tested."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.findings.finding import BandPoint, Confidence, Effect, Evidence, Finding, Seen, Topic
from monitor.findings.heat_meter import UNITS_SHARE, heats_share
from monitor.findings.spells import Spell, spell
from monitor.findings.unit_days import LEAST_DAYS, YEAR_DAYS, UnitDays, date_of, run_of, unit_days
from monitor.findings.worth import of_electricity
from monitor.guarantee.causes import Cause
from monitor.metrics import steps
from monitor.metrics.plausibility import Figure
from monitor.models import Role

Values = npt.NDArray[np.float64]

#: Fall of the efficiency from which a step, and a drift up to the newest day, is worth a
#: visit, and what its 95 % interval must lie beyond. Common practice, no source: less hides
#: in what weather and habits do.
LEAST_STEP: Final = 0.05
LEAST_DRIFT: Final = 0.045
BEYOND: Final = 0.025

#: A fall beyond this, as a logarithm, is a meter's and not a unit's: less than half is left.
#: Common practice, no source.
MOST_FALL: Final = 0.7

#: Change of the efficiency that each kelvin of a flow that changed with it may feign, since
#: a unit is no constant share of Carnot. Common practice, no source.
FEIGNED_PER_K: Final = 0.01

#: Change over its standard uncertainty that the best of all days must reach. The largest
#: |t| over all days of an unchanged series passes 3.5 once in a hundred (Andrews 1993, sup
#: Wald of one parameter, 12.2 with 15 % cut off at either end; from memory); more is asked
#: since a sound unit does not follow its circumstances to the letter.
LEAST_T: Final = 5.0

#: Logarithm of likelihood by which it must surpass what is no matter of the unit: a step of
#: standby, or a heater that no meter tells apart. 2 is odds of seven. Common practice.
AHEAD: Final = 2.0

#: Relative uncertainty of what the change costs: meters, and what the model misses.
#: Common practice, no source.
COST_U: Final = 0.10

_LICENSED: Final = (
    "Refrigerant circuits are for licensed people under local codes; work on mains wiring is for "
    "licensed electricians."
)

_FELL: Final = (
    "Recorded faults, defrosts and fan or brine pump in the controller",
    "Evaporator, air filter and drain; with brine: flow, pressure and antifreeze",
    "Flow through the condenser: strainer, air, pump setting",
    "Refrigerant charge, only by licensed people",
)


def efficiency_change(seen: Seen) -> list[Finding]:
    """An efficiency that fell at one go, or slowly, and is still down; weather taken off."""
    days = unit_days(seen)
    if days is None:
        return []
    found = steps.find_change(
        days.log_efficiency, days.covariates, days.scale, days.number, days.families()
    )
    if found is None or found.shape not in {"step", "drift"}:
        return []
    if not _is_worth_a_visit(days, found) or not _shows_plainly(days, found):
        return []
    if min((g for name, g in found.rivals.items() if name not in _OWN), default=AHEAD) < AHEAD:
        return []
    if found.shape == "drift" and not (_drifts(seen, days, found) and _drifted_before(days)):
        return []
    lasts = _lasts(days, found)
    if lasts is None or _is_the_heat_meter(days, found):
        return []
    return [_fell(seen, days, found, lasts)]


#: Changes of the unit itself.
_OWN: Final = ("step", "drift")


def _is_worth_a_visit(days: UnitDays, found: steps.Change) -> bool:
    """Whether the fall is large and sure, beyond what a change of the flow may feign."""
    least = LEAST_STEP if found.shape == "step" else LEAST_DRIFT
    size = found.size + FEIGNED_PER_K * abs(_lifted_k(days, found))
    return (
        found.size >= -MOST_FALL
        and size <= -least
        and found.t <= -LEAST_T
        and size + 1.96 * found.u <= -BEYOND
    )


def _shows_plainly(days: UnitDays, found: steps.Change) -> bool:
    """Whether it also shows without regard to starts and water.

    Where these change with it on the same day, the change may be all theirs, and a fall be made
    up that they are held to have taken back.
    """
    plain = days.covariates[:, : days.covariates.shape[1] - days.of_running]
    design = np.column_stack([np.ones(len(plain)), plain, run_of(days, found)])
    weight = 1.0 / days.scale
    size = np.linalg.lstsq(design * weight[:, None], days.log_efficiency * weight, rcond=None)[0]
    return bool(size[-1] <= PLAIN_SHARE * found.size)


#: Share of a fall that must show without regard to starts and water. Common practice, no source.
PLAIN_SHARE: Final = 0.5


def _lifted_k(days: UnitDays, found: steps.Change) -> float:
    """How much hotter the flow became with the change, for the same weather and load, K."""
    outdoor, heat = days.frame["outdoor_c"].to_numpy(), days.frame["heat_kwh"].to_numpy()
    ones = np.ones(len(outdoor))
    design = np.column_stack([ones, outdoor, outdoor**2, heat, heat**2, run_of(days, found)])
    return float(np.linalg.lstsq(design, days.frame["flow_c"].to_numpy(), rcond=None)[0][-1])


def _is_the_heat_meter(days: UnitDays, found: steps.Change) -> bool:
    """Whether heat for the same weather fell with it, as where a heat meter lost it."""
    return heats_share(days, found)[0] >= UNITS_SHARE


def _drifts(seen: Seen, days: UnitDays, found: steps.Change) -> bool:
    """Whether a long record shows it, by errors that are robust to correlation in time.

    The ground cools all winter long, as a drift would go.
    """
    record = LEAST_RECORD if seen.site.heat_pump.source == "air" else YEAR_DAYS
    if days.number[-1] - days.number[0] < record:
        return False
    run = run_of(days, found)
    design = np.column_stack([np.ones(len(run)), days.covariates, run]) / days.scale[:, None]
    u = float(steps.robust_u(found.rest, design, DRIFT_LAGS)[-1])
    return found.size + 1.96 * u <= -BEYOND


def _drifted_before(days: UnitDays) -> bool:
    """Whether it was there a fortnight ago: what is slow does not come overnight."""
    early = days.until(int(days.number[-1]) - SETTLED_DAYS)
    if len(early.number) < LEAST_DAYS:
        return False
    found = steps.find_change(
        early.log_efficiency, early.covariates, early.scale, early.number, early.families()
    )
    return found is not None and found.shape in _OWN and found.t <= -LEAST_T


#: Days for which a drift must have stood. Common practice, no source.
SETTLED_DAYS: Final = 14

#: Days that a record must span to tell a drift from the season. Common practice, no source.
LEAST_RECORD: Final = 180

#: Days over which days of one home go together: spells of weather, holidays.
#: Common practice, no source.
DRIFT_LAGS: Final = 14


def _lasts(days: UnitDays, found: steps.Change) -> Spell | None:
    """Whether the newest judged days lie nearer to the new level than to the old one."""
    sound = float(np.median(found.level[: max(found.at, 1)]))
    after = np.arange(len(found.level)) >= found.at
    lower = (found.level < sound + 0.5 * found.size) & after
    return spell(days.frame.select("day", pl.Series("low", lower)), pl.col("low"))


def _fell(seen: Seen, days: UnitDays, found: steps.Change, lasts: Spell) -> Finding:
    is_step = found.shape == "step"
    begun, early, late = (
        date_of(int(days.number[i])) for i in (found.at, found.earliest, found.latest)
    )
    low, high = (1.0 - float(np.exp(found.size + k * found.u)) for k in (1.96, -1.96))
    fall = 1.0 - float(np.exp(found.size))
    when = (
        f"{begun:%-d %B %Y} (95 % interval {early:%-d %B} to {late:%-d %B %Y})"
        if is_step
        else f"{begun:%-d %B %Y}"
    )
    how = (
        f"On or about {when} the efficiency fell by {fall:.0%}"
        if is_step
        else f"From about {when} on the efficiency has drifted down by {fall:.0%} so far"
    )
    apart = (
        ""
        if days.heaters_apart
        else " No meter tells a resistive heater apart: one that runs may look the same."
    )
    return Finding(
        kind="efficiency-step" if is_step else "efficiency-drift",
        topic=Topic.UNIT,
        title="The efficiency fell at one go" if is_step else "The efficiency drifts down",
        what=(
            f"{how} (95 % interval {low:.0%} to {high:.0%}), for the same flow and source "
            f"temperature, load and weather, as seen on {len(days.number)} days; on "
            f"{lasts.days} of the {lasts.judged} days judged since, it was down.{apart}"
        ),
        plainly=(
            "Your heat pump needs more electricity for the same warmth than it used to. Your "
            "installer can look at why. There is nothing that you must do yourself."
        ),
        confidence=Confidence.LIKELY if days.heaters_apart else Confidence.SUSPECTED,
        since=seen.site.midnight(begun),
        window_start=seen.site.midnight(days.frame["day"][0]),
        window_end=seen.now,
        roles=_roles(seen, Role.HEAT_TOTAL, Role.ELEC_UNIT, Role.ELEC_TOTAL, Role.FLOW_TEMP),
        figures=(
            Figure(name="fall of the efficiency", value=fall),
            Figure(name="fall, lower end", value=low),
            Figure(name="fall, upper end", value=high),
            Figure(name="share of Carnot before", value=_share(found, before=True)),
            Figure(name="share of Carnot after", value=_share(found, before=False)),
        ),
        evidence=_against_outdoor(days, found),
        explains=Cause.UNIT,
        effect=_cost(seen, days, found),
        check=(
            "What was done or changed at the home about that day",
            *(() if days.heaters_apart else ("Whether a backup or immersion heater runs",)),
            *_FELL,
        ),
        caution=_LICENSED,
    )


def _share(found: steps.Change, *, before: bool) -> float:
    part = found.level[: found.at] if before else found.level[found.at :]
    return float(np.exp(np.median(part if len(part) else found.level)))


def _against_outdoor(days: UnitDays, found: steps.Change) -> tuple[Evidence, ...]:
    """Electricity against outdoor temperature, with what a sound unit would have taken."""
    sound = days.standby_kwh + days.net_kwh * np.exp(found.size * run_of(days, found))
    outdoor = days.frame["outdoor_c"].to_numpy()
    bins = np.round(outdoor / BIN_K).astype(int)
    points = []
    for each in np.unique(bins):
        inside = sound[bins == each]
        if len(inside) >= LEAST_IN_BIN:
            low, high = (float(v) for v in np.quantile(inside, [0.1, 0.9]))
            points.append(BandPoint(x=float(each) * BIN_K, low=low, high=high))
    return (
        Evidence(
            of="day",
            name="electricity_kwh",
            label="Electricity a day",
            unit="kWh",
            against="outdoor",
            band=tuple(points),
        ),
    )


#: Width of the bins of a band against outdoor temperature, K, and days in each.
BIN_K: Final = 2.0
LEAST_IN_BIN: Final = 5


def _cost(seen: Seen, days: UnitDays, found: steps.Change) -> Effect | None:
    """What the fall has taken since it began, within the guarantee period."""
    account = seen.standing.account
    if account is None:
        return None
    run = run_of(days, found)
    start = account.start_utc.astimezone(seen.site.tz).date()
    inside = (run > 0) & (days.frame["day"] >= start).to_numpy()
    if not inside.any():
        return None
    # Days that are not known whole have cost as much as the others.
    span = int(days.number[-1] - days.number[inside][0]) + 1
    net = days.net_kwh[inside] * span / int(inside.sum())
    mean, low, high = (
        float(np.sum(net * (1.0 - np.exp(size * run[inside]))))
        for size in (found.size, *(found.size + k * _wide(found) for k in (1.96, -1.96)))
    )
    return of_electricity(seen, mean, max(low, 0.0), high, days=float(span))


def _wide(found: steps.Change) -> float:
    return float(np.hypot(found.u, COST_U * found.size))


def _roles(seen: Seen, *wanted: Role) -> tuple[Role, ...]:
    return tuple(role for role in wanted if role in seen.site.roles)
