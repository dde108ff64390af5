"""What goes on while the compressor rests, from samples of minutes: pump and standby.

Where the records are too coarse to show it, nothing is found.
"""

from __future__ import annotations

from typing import Final

import polars as pl

from monitor.findings.finding import Confidence, Effect, Finding, Seen, Topic
from monitor.findings.fine_days import (
    LEAST_SEEN_H,
    length,
    mean,
    of_pump,
    roles,
    said,
    series,
    shown_days,
    spanned,
    when,
)
from monitor.findings.spells import Spell, spell
from monitor.findings.worth import of_electricity
from monitor.guarantee.causes import Cause
from monitor.metrics.plausibility import Figure
from monitor.models import Role

#: Rest of a day that says something, hours. Common practice, no source.
LEAST_IDLE_H: Final = 1.0

#: Share of the rest in which water circulates, from which a pump never stops; and what a
#: domestic pump takes where it is not metered, kW, with its 95 % interval. Common practice,
#: no source.
ALWAYS_SHARE: Final = 0.8
PUMP_KW: Final = (0.045, 0.015, 0.09)

#: Power of a resting unit that is more than its controls (up to 30 W) and its crankcase
#: heater (up to 50 W) take together, kW, and for each kW of rated heat of large units; what
#: is usual, or may be at least; and how much more than stated it must be. Common practice,
#: no source.
STANDBY_KW: Final = 0.080
STANDBY_SHARE: Final = 0.008
USUAL_KW: Final = 0.030
LEAST_USUAL_KW: Final = 0.005
ABOVE_STATED: Final = 1.5

_ELECTRICIAN: Final = "Work on mains wiring is for licensed electricians."

Interval = tuple[float, float, float]


def pump_always_on(seen: Seen) -> list[Finding]:
    """Water that circulates while the compressor rests, nearly all of the time."""
    rests = (pl.col("seen_h") >= LEAST_SEEN_H) & (pl.col("idle_h") >= LEAST_IDLE_H)
    days = seen.behaviour.with_columns(
        pl.when(rests).then(pl.col("idle_flow_h") / pl.col("idle_h")).alias("share")
    )
    shown = pl.col("share") >= ALWAYS_SHARE
    found = spell(days, shown)
    if found is None:
        return []
    window = shown_days(days, shown, found)
    metered = window["idle_pumps_kw"].drop_nulls().len() > 0
    power = mean(window, "idle_pumps_kw") if metered else PUMP_KW[0]
    interval = (power, 0.9 * power, 1.1 * power) if metered else PUMP_KW
    takes = f" The pump took {1000.0 * power:.0f} W meanwhile." if metered else ""
    share = float(window["idle_flow_h"].sum()) / float(window["idle_h"].sum())
    return [
        Finding(
            kind="pump-always-on",
            topic=Topic.OPERATION,
            title="The pump never stops",
            what=(
                f"Water circulated for {100.0 * share:.0f} % of the time in which the compressor "
                f"rested ({mean(window, 'idle_h'):.1f} hours a day) {said(found)}.{takes}"
            ),
            plainly=(
                "A pump keeps running while the heat pump rests, which takes electricity day and "
                "night. Your installer can set it."
            ),
            confidence=Confidence.LIKELY,
            roles=roles(
                seen,
                Role.FLOW_RATE,
                Role.ELEC_PUMPS,
                Role.ELEC_UNIT,
                Role.ELEC_TOTAL,
                Role.HEAT_TOTAL,
            ),
            figures=(
                Figure(name="share of the rest with circulation", value=share),
                Figure(name="rest a day", value=mean(window, "idle_h"), unit="h"),
            ),
            evidence=(
                series("idle_flow_h", "Circulation while the compressor rests", "h"),
                series("idle_h", "Rest of the compressor", "h"),
            ),
            explains=Cause.STANDBY,
            effect=_pumped(seen, spanned(days, found), found, interval),
            check=(
                "Pump mode in the controller: always on, with demand, or at intervals",
                "Run-on time, and frost protection that is set too high",
                "A pump that is wired past the controller",
                "Whether a second circuit or a room thermostat calls all the time",
            ),
            caution=f"Frost protection of pipes outside must keep working. {_ELECTRICIAN}",
            **when(seen, found),
        )
    ]


def _pumped(seen: Seen, days: pl.DataFrame, found: Spell, power: Interval) -> Effect | None:
    """What the pump takes meanwhile."""
    hours = float(days["idle_flow_h"].sum())
    kwh, low, high = (hours * kw for kw in power)
    return of_pump(seen, of_electricity(seen, kwh, low, high, days=length(found)))


def standby_high(seen: Seen) -> list[Finding]:
    """Power of a resting unit that is more than controls and crankcase heater explain."""
    pump, terms = seen.site.heat_pump, seen.site.current_terms
    stated = terms.expects.standby_kwh_day if terms is not None else None
    usual = USUAL_KW if stated is None else stated / 24.0
    limit = max(STANDBY_KW, STANDBY_SHARE * pump.nominal_heat_kw, ABOVE_STATED * usual)
    # A pump on the same meter is told by itself.
    circulates = (pl.col("idle_flow_h") > 0.5 * pl.col("idle_h")).fill_null(value=False)
    beside = Role.ELEC_UNIT in seen.site.roles and pump.pumps_apart
    pumped = pl.lit(0.0) if beside else pl.when(circulates).then("idle_pumps_kw").otherwise(0.0)
    rests = (pl.col("seen_h") >= LEAST_SEEN_H) & (pl.col("idle_h") >= LEAST_IDLE_H)
    days = seen.behaviour.with_columns(
        pl.when(rests).then(pl.col("idle_kw") - pumped).alias("power")
    )
    shown = pl.col("power") > limit
    found = spell(days, shown)
    if found is None:
        return []
    window = shown_days(days, shown, found)
    power = mean(window, "power")
    return [
        Finding(
            kind="standby-high",
            topic=Topic.OPERATION,
            title="The resting unit takes too much electricity",
            what=(
                f"While the compressor rested, the unit took {1000.0 * power:.0f} W "
                f"{said(found)}; {1000.0 * usual:.0f} W "
                + ("are usual for its controls" if stated is None else "were expected")
                + f", and more than {1000.0 * limit:.0f} W is not explained by them and a "
                "crankcase heater."
            ),
            plainly=(
                "Your heat pump takes more electricity than it should even while it rests. Your "
                "installer can look for the cause. Do not switch it off at the mains."
            ),
            confidence=Confidence.LIKELY,
            roles=roles(seen, Role.ELEC_UNIT, Role.ELEC_TOTAL),
            figures=(
                Figure(name="power at rest", value=1000.0 * power, unit="W"),
                Figure(name="usual", value=1000.0 * usual, unit="W"),
            ),
            evidence=(
                series("idle_kw", "Power while the compressor rests", "kW", high=limit),
                series("idle_h", "Rest of the compressor", "h"),
            ),
            explains=Cause.STANDBY,
            effect=_stood_by(
                seen,
                spanned(days, found),
                found,
                power,
                (usual, LEAST_USUAL_KW if stated is None else usual),
            ),
            check=(
                "Crankcase and tray heaters that never switch off, trace heating of pipes",
                "Pumps, valves and controls that the unit feeds",
                "What else hangs on the electricity meter",
                "Idle modes in the controller, and its software as the maker's manual says",
            ),
            caution=(
                "A crankcase heater protects the compressor: it must have been on for hours before "
                f"a start in the cold. {_ELECTRICIAN}"
            ),
            **when(seen, found),
        )
    ]


def _stood_by(
    seen: Seen, window: pl.DataFrame, found: Spell, power: float, usual: tuple[float, float]
) -> Effect | None:
    """What it costs beside the usual: at least while it rests, at most at any time.

    Parameters
    ----------
    power, usual
        At rest, kW; what is usual, and the least that it may be.
    """
    rest, run = (float(window[column].sum()) for column in ("idle_h", "run_h"))
    # Hours of which nothing tells whether it rests are taken for like the others.
    hours = 24.0 * length(found) / max(rest + run, 1e-9)
    kwh, low, high = (
        (power - part) * hours * (rest + share * run)
        for part, share in ((usual[0], 0.7), (usual[0], 0.0), (usual[1], 1.0))
    )
    return of_electricity(seen, kwh, 0.9 * low, 1.05 * high, days=length(found))
