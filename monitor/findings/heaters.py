"""Resistive heaters beside the heat pump: needless backup heat, an immersion heater left on."""

from __future__ import annotations

from typing import Final

import polars as pl

from monitor.findings.finding import (
    BandPoint,
    Confidence,
    Effect,
    Evidence,
    Finding,
    Seen,
    Topic,
)
from monitor.findings.heater_hours import (
    IMMERSION_DAY_KWH,
    LEAST_DAY_KWH,
    LEAST_HOUR_KWH,
    STEP_DAY_KWH,
    TOP_UP_KWH,
    alone_from,
    backup_days,
    backup_hours,
    heater_makes_water,
    immersion_days,
)
from monitor.findings.hours import cost, figure, heating_days, inside_share, spell_fields
from monitor.findings.spells import Spell, spell
from monitor.findings.worth import of_electricity
from monitor.guarantee.causes import Cause
from monitor.guarantee.heaters import heaters as heaters_of
from monitor.metrics.account import Account
from monitor.metrics.plausibility import Figure
from monitor.models import Role

#: COP at which the unit would have made the same heat, over its own SPF so far: as estimated,
#: and the ends of a 95 % interval. Common practice, no source.
INSTEAD: Final = (0.9, 0.7, 1.15)

_CAUTION: Final = (
    "Work on mains wiring is for licensed electricians under local codes. Switch a heater off only "
    "when rooms and hot water stay warm without it: a household left cold comes before saving."
)


def backup_beside_unit(seen: Seen) -> list[Finding]:
    """Backup heat in hours in which the unit alone could have made it."""
    if not seen.site.heat_pump.backup_heater:
        return []
    told = backup_hours(seen)
    if told is None:
        return []
    shown, metered = told
    days = backup_days(seen, shown, LEAST_DAY_KWH if metered else STEP_DAY_KWH)
    found = None if days is None else spell(days, pl.col("shown"))
    if days is None or found is None:
        return []
    window = days.filter(pl.col("day").is_between(found.since, found.until))
    kwh, warmest = figure(window["needless"].sum()), figure(window["warmest"].max())
    outdoor = figure(window.filter("shown")["outdoor_c"].mean())
    on = shown.filter((pl.col("day") >= found.since) & (pl.col("backup") > 0))
    size = figure(on["backup"].quantile(0.75))
    seen_by = (
        f"Its meter shows {kwh:.0f} kWh"
        if metered
        else f"The electricity meter shows steps of about {size:.1f} kW above what the unit needs "
        f"for its heat, about {kwh:.0f} kWh in all,"
    )
    what = (
        f"On {found.days} of {found.judged} days from {found.since:%-d %B %Y} to "
        f"{found.until:%-d %B %Y} the backup heater ran although the unit could have made the heat "
        f"alone: up to {warmest:.0f} degC outside, {outdoor:.1f} degC on the mean of those days. "
        f"{seen_by} in such hours."
    )
    heater = Role.ELEC_BACKUP if metered else Role.ELEC_TOTAL
    return [
        Finding(
            kind="backup-beside-unit",
            topic=Topic.OPERATION,
            title="The backup heater runs beside the heat pump",
            what=what,
            plainly=(
                "An electric heater helps the heat pump on days when the heat pump could do it "
                "alone. That costs more. Your installer can change when it comes on."
            ),
            confidence=Confidence.LIKELY if metered else Confidence.SUSPECTED,
            figures=(
                Figure(name="backup electricity without need", value=kwh, unit="kWh"),
                Figure(name="warmest such hour", value=warmest, unit="degC"),
                Figure(name="days", value=float(found.days)),
            ),
            evidence=(
                Evidence(
                    of="slot",
                    name=heater.value,
                    label="Backup heater" if metered else "Electricity",
                    unit="kWh",
                    against="outdoor",
                    band=(
                        BandPoint(x=alone_from(seen.site), low=0.0, high=LEAST_HOUR_KWH),
                        BandPoint(x=20.0, low=0.0, high=LEAST_HOUR_KWH),
                    )
                    if metered
                    else (),
                ),
            ),
            effect=instead(
                seen,
                Role.ELEC_BACKUP,
                kwh,
                found,
                most=figure(window["backup"].sum()),
                spread=0.03 if metered else 0.35,
                days=heating_days(seen, found.since),
            ),
            check=(
                "Outdoor temperature, delay and flow difference at which the controller lets the "
                "backup heater in",
                "Emergency or manual operation that was left on after a visit",
                "Contactor of the heater: whether it sticks",
                "Why the unit lags: flow, air filter, capacity, a curve that is too steep",
            ),
            explains=Cause.RESISTIVE,
            caution=_CAUTION,
            **spell_fields(seen, found, heater, Role.HEAT_TOTAL, Role.OUTDOOR_TEMP),
        )
    ]


def immersion_runs(seen: Seen) -> list[Finding]:
    """Immersion electricity on most days: the unit should make that hot water."""
    found = heater_makes_water(seen)
    if found is None:
        return []
    window = immersion_days(seen).filter(
        pl.col("day").is_between(found.since, found.until) & pl.col("kwh").is_not_null()
    )
    kwh = float(window["kwh"].sum())
    length = (found.until - found.since).days + 1
    # Once a week it may top the cylinder up.
    needless = max(kwh - length / 7.0 * TOP_UP_KWH, 0.0)
    return [
        Finding(
            kind="immersion-runs",
            topic=Topic.OPERATION,
            title="The immersion heater makes hot water",
            what=(
                f"The immersion heater ran on {found.days} of {found.judged} days from "
                f"{found.since:%-d %B %Y} to {found.until:%-d %B %Y} and took {kwh:.0f} kWh, "
                f"{kwh / max(window.height, 1):.1f} kWh a day. A weekly pasteurisation needs it "
                "on one day in seven."
            ),
            plainly=(
                "An electric heater in your hot water tank runs on most days, which costs more "
                "than the heat pump. Your installer can check why. Do not switch it off by "
                "yourself: it may be what keeps the water free of germs."
            ),
            confidence=Confidence.CERTAIN,
            figures=(
                Figure(
                    name="immersion electricity", value=kwh / max(window.height, 1), unit="kWh/d"
                ),
                Figure(name="days", value=float(found.days)),
            ),
            evidence=(
                Evidence(
                    of="slot",
                    name=Role.ELEC_IMMERSION.value,
                    label="Immersion heater",
                    unit="kWh",
                    band=(BandPoint(low=0.0, high=IMMERSION_DAY_KWH),),
                ),
            ),
            effect=instead(
                seen, Role.ELEC_IMMERSION, needless, found, most=kwh, spread=0.05, days=length
            ),
            check=(
                "Switch, timer and boost of the immersion heater",
                "Whether it is fed from surplus of the household's own panels",
                "Hot water priority and set point of the unit, and why it leaves the cylinder to "
                "the heater: sensor, diverter valve, size of the coil",
                "The pasteurisation programme, before anything is switched off",
            ),
            explains=Cause.RESISTIVE,
            caution=(
                "Hot water must still reach what guards against legionella when the heater is off: "
                f"local codes come first. {_CAUTION}"
            ),
            **spell_fields(seen, found, Role.ELEC_IMMERSION, Role.DHW_TEMP, Role.HEAT_DHW),
        )
    ]


def instead(
    seen: Seen,
    role: Role,
    kwh: float,
    found: Spell,
    *,
    most: float,
    spread: float,
    days: float,
) -> Effect | None:
    """What electricity of a heater costs beside the unit, which would have made the same heat.

    Parameters
    ----------
    kwh, most
        Electricity that was needless, and all that the heater took: at the upper end of the
        interval none of it was needed.
    spread
        How far `kwh` itself may be off, relative.
    """
    account = seen.standing.account
    if account is None or not account.spf:
        return None
    inside = seen.base is None or (
        heaters_of(seen.site, seen.base.recipe).state != "outside the boundary"
    )
    ours = kwh * inside_share(seen, account, found.since)
    if not inside and role in seen.site.roles:
        return _outside(seen, account, account.spf, kwh, ours, days=days)
    alone = _alone(account, ours) if inside else account.spf
    best, low, high = (
        part * (1.0 - 1.0 / max(alone * share, 1.2))
        for part, share in zip((kwh, kwh, max(most, kwh)), INSTEAD, strict=True)
    )
    return cost(
        seen, best, low * (1.0 - spread), high * (1.0 + spread), since=found.since, days=days
    )


def _alone(account: Account, kwh: float) -> float:
    """SPF of the unit without what a heater made, one kWh of heat for each of electricity."""
    rest = max(account.electricity_kwh - kwh, 0.3 * account.electricity_kwh)
    return max(account.heat_kwh - kwh, 0.0) / rest


def _outside(
    seen: Seen, account: Account, spf: float, kwh: float, ours: float, *, days: float
) -> Effect | None:
    """What a heater outside of the promise costs: money, and an SPF without its heat.

    The unit is spared hours in which it would do worse or better than on average. `ours` is what
    the heater took within the guarantee period.
    """
    saved = of_electricity(
        seen, *(kwh * (1.0 - 1.0 / max(spf * s, 1.2)) for s in INSTEAD), days=days
    )
    if saved is None:
        return None

    def moved(share: float) -> float:
        with_it = account.heat_kwh + ours
        return with_it / (account.electricity_kwh + ours / (spf * share)) - spf

    best, low, high = (moved(share) for share in INSTEAD)
    return saved.model_copy(update={"spf": best, "low": low, "high": high})
