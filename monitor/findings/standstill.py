"""Hours with energy of one meter and none of the other, and what explains them."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.findings.finding import Confidence, Evidence, Finding, Seen, Topic
from monitor.findings.pair import LEAST_HOURS, Flags, Pair, Values, channels
from monitor.findings.spells import Spell
from monitor.findings.worth import of_heat
from monitor.metrics.plausibility import Figure
from monitor.models import Consumer, Role

#: Share of a day's running in hours that the other meter does not show, and least of it as
#: hours at the lowest running, before the day shows it. Common practice, no source.
DAY_SHARE: Final = 0.15
LEAST_H: Final = 2.0

#: COP that heat must at least have, has usually, and can at most have. Common practice, no
#: source.
LEAST_COP: Final = 2.0
USUAL_COP: Final = 5.0
MOST_COP: Final = 15.0

#: Energy that a register must have lost before its resolution does not explain it, in steps.
#: Common practice, no source.
STEPS: Final = 2.0

#: Hours of heat without electricity from which a buffer store does not explain them. Common
#: practice, no source.
STORE_H: Final = 3

#: Outdoor temperature from which a unit may cool, degC. Common practice, no source.
COOLING_C: Final = 18.0

#: How far off the lost heat may be, relative, 95 %: the COP of other hours stands for these.
#: Common practice, no source.
LOST_U: Final = 0.3

ELECTRICS: Final = "Mains electrics are for licensed electricians under local codes."


def electricity_without_heat(seen: Seen, beside: Pair) -> list[Finding]:
    """Hours in which the unit takes electricity and the heat meter stands.

    The first and last hour of each standstill are left out (stamps, starts, defrost), and
    what the heat register's resolution may hide.
    """
    # A heater that no meter separates takes electricity and its heat passes no heat meter.
    if beside.unmetered or any(
        c.signed for role in beside.heat_roles for c in channels(beside.site, role)
    ):
        return []
    warm = np.nan_to_num(beside.outdoor, nan=0.0) >= COOLING_C
    runs = (beside.used >= beside.running_used) & ~warm
    dead = _standstill(
        beside.heat <= beside.nothing,
        np.where(runs, LEAST_COP * beside.used, 0.0),
        STEPS * beside.step(beside.heat_roles),
        1,
    )
    lost = np.where(dead & runs, beside.used, 0.0)
    found = _spell(beside, lost, np.where(runs, beside.used, 0.0), beside.running_used)
    if found is None or beside.clocks_differ(beside.since(found)):
        return []
    inside = beside.since(found)
    kwh, hours = float(lost[inside].sum()), int((lost[inside] > 0).sum())
    ran = float(np.nansum(np.where(runs, beside.used, 0.0)[inside]))
    whole = float(np.nansum(beside.heat[inside]))
    share = kwh / max(ran - kwh, 1e-9)
    effect = None
    account = seen.standing.account
    if whole > 0 and account is not None and account.heat_kwh > 0:
        missed = min(share * whole / account.heat_kwh, 10.0)
        effect = of_heat(
            seen,
            missed,
            (1.0 - LOST_U) * missed,
            (1.0 + LOST_U) * missed,
            days=float(found.judged),
        )
    return [
        Finding(
            kind="electricity-without-heat",
            topic=Topic.METER,
            title="Electricity without heat",
            what=(
                f"Since {found.since:%-d %B %Y} the unit took {kwh:,.0f} kWh in {hours} hours in "
                f"which the heat meter counted none, {kwh / max(ran, 1e-9):.0%} of what it took "
                f"while running, on {found.days} of {found.judged} days judged. Defrost, standby "
                "and the meter's resolution do not explain that: either the heat meter misses "
                "heat or the unit runs without making any."
            ),
            plainly="The heat meter sometimes stands still while the heat pump runs. Your "
            "installer can check which of the two is at fault.",
            confidence=Confidence.LIKELY,
            since=seen.site.midnight(found.since),
            window_start=seen.site.midnight(found.since),
            window_end=seen.now,
            roles=beside.heat_roles,
            figures=(
                Figure(name="electricity without heat", value=kwh, unit="kWh"),
                Figure(name="hours", value=hours, unit="h"),
                Figure(name="share of the electricity while running", value=kwh / max(ran, 1e-9)),
            ),
            evidence=_both(beside),
            effect=effect,
            check=(
                "Flow sensor of the heat meter: air, dirt, its least flow, its battery and cable",
                "Both temperature sensors of the heat meter and their pockets",
                "Whether the unit really makes heat in such an hour: compressor, faults, flow",
            ),
            caution=f"{ELECTRICS} Refrigerant circuits are for licensed people.",
        )
    ]


def heat_without_electricity(seen: Seen, beside: Pair) -> list[Finding]:
    """Hours with heat and no electricity, longer than stamps and a buffer store explain."""
    if _heater_unseen(beside):
        return []
    makes = (beside.heat >= beside.running_heat) & (beside.resistive < beside.nothing)
    dead = _standstill(
        (beside.used <= np.maximum(beside.heat / MOST_COP, beside.nothing)) & makes,
        np.where(makes, beside.heat / USUAL_COP, 0.0),
        STEPS * beside.step(beside.used_roles),
        STORE_H,
    )
    lost = np.where(dead, beside.heat, 0.0)
    found = _spell(beside, lost, np.where(makes, beside.heat, 0.0), beside.running_heat)
    if found is None or beside.clocks_differ(beside.since(found)):
        return []
    inside = beside.since(found)
    kwh, hours = float(lost[inside].sum()), int((lost[inside] > 0).sum())
    made = float(np.nansum(np.where(makes, beside.heat, 0.0)[inside]))
    return [
        Finding(
            kind="heat-without-electricity",
            topic=Topic.METER,
            title="Heat without electricity",
            what=(
                f"Since {found.since:%-d %B %Y} the heat meter counted {kwh:,.0f} kWh in {hours} "
                "hours in which the electricity meter of the unit counted next to none, "
                f"{kwh / max(made, 1e-9):.0%} of the heat, on {found.days} of {found.judged} days "
                "judged. Delayed stamps, a buffer store and the meter's resolution do not "
                "explain that."
            ),
            plainly="The electricity meter misses some of what the heat pump takes. Your "
            "installer can have it checked.",
            confidence=Confidence.LIKELY,
            since=seen.site.midnight(found.since),
            window_start=seen.site.midnight(found.since),
            window_end=seen.now,
            roles=beside.used_roles,
            figures=(
                Figure(name="heat without electricity", value=kwh, unit="kWh"),
                Figure(name="hours", value=hours, unit="h"),
                Figure(name="share of the heat", value=kwh / max(made, 1e-9)),
            ),
            evidence=tuple(reversed(_both(beside))),
            check=(
                "Whether every phase of the unit passes the electricity meter",
                "Current transformers: direction, ratio, a clamp that has come open",
                "What else makes heat into this circuit: boiler, stove, solar collector",
            ),
            caution=ELECTRICS,
        )
    ]


def _heater_unseen(beside: Pair) -> bool:
    """Whether a resistive heater may heat the metered water without any meter of its own."""
    site = beside.site
    counted = {
        c for role in beside.heat_roles for ch in channels(site, role) for c in ch.counts or ()
    }
    if Consumer.BACKUP not in counted or Role.ELEC_BACKUP in site.roles:
        return False
    return beside.used_roles == (Role.ELEC_UNIT,)


def _standstill(still: Flags, expected: Values, least: float, least_hours: int) -> Flags:
    """Hours inside a standstill, in which more was to be expected than `least`.

    Parameters
    ----------
    still
        Hours in which a stream counts nothing.
    expected
        What it should have counted in each, kWh.
    least_hours
        Hours that must be left without the first and the last one.
    """
    edge = np.diff(np.concatenate(([0], still.astype(np.int8), [0])))
    begin, end = np.flatnonzero(edge == 1) + 1, np.flatnonzero(edge == -1) - 1
    total = np.concatenate(([0.0], np.cumsum(np.nan_to_num(expected))))
    long = end - begin >= least_hours
    begin, end = begin[long], end[long]
    enough = total[end] - total[begin] > least
    mark = np.zeros(len(still) + 1)
    np.add.at(mark, begin[enough], 1)
    np.add.at(mark, end[enough], -1)
    return np.asarray(np.cumsum(mark[:-1]) > 0)


def _spell(beside: Pair, lost: Values, ran: Values, running: float) -> Spell | None:
    known = beside.by_day(np.isfinite(beside.heat) & np.isfinite(beside.used))
    of_day, all_day = beside.by_day(lost), beside.by_day(ran)
    judged = (known >= LEAST_HOURS) & (all_day >= LEAST_H * running)
    return beside.shows(judged, of_day >= np.maximum(DAY_SHARE * all_day, LEAST_H * running))


def _both(beside: Pair) -> tuple[Evidence, ...]:
    words = (("Heat", beside.heat_roles), ("Electricity", beside.used_roles))
    return tuple(
        Evidence(of="slot", name=role.value, label=label, unit="kWh")
        for label, roles in words
        for role in roles
    )
