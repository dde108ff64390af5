"""How the unit runs, from samples of minutes: starts, flow of water and defrosts.

Where the records are too coarse to show how it runs, nothing is found.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from monitor.findings.finding import Confidence, Effect, Finding, Seen, Topic
from monitor.findings.fine_days import (
    LEAST_SEEN_H,
    WATER_KWH_M3_K,
    length,
    load_share,
    mean,
    of_pump,
    roles,
    said,
    series,
    shown_days,
    spanned,
    usual_days,
    when,
    with_electricity,
)
from monitor.findings.hours import source_of, spared_share
from monitor.findings.spells import Spell, spell
from monitor.findings.worth import of_electricity
from monitor.guarantee.causes import Cause
from monitor.metrics.heat_check import FROST_C
from monitor.metrics.plausibility import Figure
from monitor.models import Role

#: Runs shorter than this are short cycling where they are more than half of a day's: field
#: report of the Heat Pump Plus project, Community Energy Scotland (2023).
SHORT_RUN_MIN: Final = 15.0

#: Starts for each hour of running, and running of a day, that go with it: fewer starts wear
#: nothing. Common practice, no source.
LEAST_STARTS_H: Final = 2.0
LEAST_RUN_H: Final = 3.0

#: A day with less rest and more load than this (share of the rated heat) cannot show that a
#: unit does not cycle. Common practice, no source.
LEAST_IDLE_H: Final = 2.0
PART_LOAD: Final = 0.5

#: Starts for each hour of running that a sound unit may need, and what a start costs: minutes
#: of running, with its 95 % interval. Common practice, no source.
SOUND_STARTS_H: Final = 1.0
START_MIN: Final = (1.5, 0.3, 4.0)

#: Outdoor temperature from which weather is mild, degC. Common practice, no source.
MILD_C: Final = 7.0

#: Difference of flow and return, as a share of the design difference, above which too little
#: water flows, and below which too much; the latter only from a share of the rated heat on,
#: as pumps keep a least flow. Common practice, no source.
WIDE_SHARE: Final = 1.5
NARROW_SHARE: Final = 0.65
NARROW_LOAD: Final = 0.35
LEAST_SPACE_H: Final = 1.0
LEAST_DELTA_K: Final = 0.5

#: Relative spread (standard deviation) of what a kelvin of flow temperature spares, and the
#: share of hot water where it is not metered. Common practice, no source.
LIFT_SPREAD: Final = 0.25
HOT_WATER_SHARE: Final = 0.2

#: Hours of running in frost weather that say something of defrosts; defrosts an hour of full
#: load that are too many, and that are usual in the worst frost; and what a defrost costs: in
#: times of the electricity of running for as long, with its 95 % interval. Common practice,
#: no source.
LEAST_FROST_H: Final = 6.0
OFTEN: Final = 1.2
USUAL_DEFROSTS: Final = 0.7
DEFROST_COST: Final = (2.0, 1.0, 4.0)


def short_cycling(seen: Seen) -> list[Finding]:
    """Runs too short for a compressor, and many of them."""
    # A run that begins and ends between two samples is known to half a step at each end.
    short = pl.col("run_median_min") < SHORT_RUN_MIN + pl.col("step_s") / 120.0
    cycles = short & (pl.col("starts") >= LEAST_STARTS_H * pl.col("run_h"))
    light = (load_share(seen) < PART_LOAD).fill_null(value=False)
    shown = (
        pl.when((pl.col("seen_h") < LEAST_SEEN_H) | (pl.col("run_h") < LEAST_RUN_H))
        .then(None)
        .when(cycles)
        .then(statement=True)
        .when((pl.col("idle_h") >= LEAST_IDLE_H) | light)
        .then(statement=False)
    )
    days = seen.behaviour.with_columns(shown.alias("shown"))
    found = spell(days, pl.col("shown"))
    if found is None:
        return []
    window = shown_days(days, pl.col("shown"), found).join(
        seen.days.select("day", "outdoor_c"), on="day", how="left"
    )
    starts, hours = mean(window, "starts"), mean(window, "run_h")
    step, run = int(np.max(window["step_s"].to_numpy())) // 60, _median_run(window)
    coarse = f" Rests shorter than {step} minutes are not seen." if step >= 2 else ""
    return [
        Finding(
            kind="short-cycling",
            topic=Topic.OPERATION,
            title="The compressor starts too often",
            what=(
                f"Half of the runs last no longer than {_runs(window)}. It started {starts:.0f} "
                f"times a day in {hours:.1f} hours of running, {starts / hours:.1f} times for each "
                f"hour, {said(found)}.{coarse}"
            ),
            plainly=(
                "Your heat pump switches on and off very often. That wears it and takes more "
                "electricity. Your installer can look for the cause."
            ),
            confidence=Confidence.LIKELY,
            roles=roles(seen, Role.ELEC_UNIT, Role.ELEC_TOTAL, Role.HEAT_TOTAL, Role.FLOW_TEMP),
            figures=(
                Figure(name="starts a day", value=starts),
                Figure(name="starts for each hour of running", value=starts / hours, unit="1/h"),
                Figure(name="median run", value=run, unit="min"),
            ),
            evidence=(
                series("run_median_min", "Median length of a run", "min", low=SHORT_RUN_MIN),
                series("starts", "Starts a day", ""),
            ),
            explains=Cause.STANDBY,
            effect=_of_starts(seen, window),
            check=(
                "Which call starts and stops it: room thermostats, zone valves, hysteresis and "
                "shortest run in the controller",
                "Whether enough of the circuit is always open: closed valves, small zones, water "
                "volume or buffer against what the maker asks for",
                "Flow of water: filter, air, pump speed",
                "Lowest output of the unit against the heat loss in mild weather",
            ),
            **when(seen, found),
        )
    ]


def _median_run(days: pl.DataFrame) -> float:
    return float(np.median(days["run_median_min"].to_numpy()))


def _runs(window: pl.DataFrame) -> str:
    """Usual length of a run in mild and in cold weather."""
    mild = pl.col("outdoor_c") >= MILD_C
    told = [
        f"{_median_run(days):.0f} minutes on days {words} {MILD_C:.0f} degC"
        for words, days in (("at or above", window.filter(mild)), ("below", window.filter(~mild)))
        if days.height
    ]
    return " and ".join(told) or f"{_median_run(window):.0f} minutes"


def _of_starts(seen: Seen, window: pl.DataFrame) -> Effect | None:
    """What starts beyond the usual cost."""
    known = with_electricity(seen, window)
    used, hours = float(known["electricity_kwh"].sum()), float(known["run_h"].sum())
    if hours <= 0:
        return None
    more = float(known["starts"].sum()) - SOUND_STARTS_H * hours
    kwh, low, high = (more * used / hours * minutes / 60.0 for minutes in START_MIN)
    return of_electricity(seen, kwh, low, high, days=usual_days(seen, used))


def low_flow(seen: Seen) -> list[Finding]:
    """Too little water for the heat, or too much, by the difference of flow and return."""
    carried = pl.col("space_heat_kw") / (WATER_KWH_M3_K * pl.col("space_flow_m3h"))
    days = seen.behaviour.with_columns(
        pl.coalesce("space_delta_k", carried).alias("delta"), load_share(seen).alias("load")
    ).with_columns(
        # Sensors the wrong way round say nothing of the flow.
        pl.when((pl.col("space_h") >= LEAST_SPACE_H) & (pl.col("delta") >= LEAST_DELTA_K))
        .then("delta")
        .alias("delta")
    )
    design = seen.site.heat_pump.design_delta_t_k
    wide = pl.col("delta") > WIDE_SHARE * design
    narrow = pl.when(pl.col("load") >= NARROW_LOAD).then(pl.col("delta") < NARROW_SHARE * design)
    little, much = spell(days, wide), spell(days, narrow)
    found = little or much
    if found is None:
        return []
    window = shown_days(days, wide if little else narrow, found)
    delta = mean(window, "delta")
    words = "little" if little else "much"
    rate = window["space_flow_m3h"].drop_nulls()
    flows = f" and {np.mean(rate.to_numpy()):.2f} m3/h" if len(rate) else ""
    band = {"high": WIDE_SHARE * design} if little else {"low": NARROW_SHARE * design}
    return [
        Finding(
            kind="low-flow",
            topic=Topic.OPERATION,
            title=f"Too {words} water flows through the unit",
            what=(
                f"While rooms were heated steadily, flow and return were {delta:.1f} K "
                f"apart{flows} {said(found)}; the design says {design:.0f} K. "
                + (
                    "The flow must then be hotter for the same heat, and the unit may switch off "
                    "by its limits."
                    if little
                    else "The pump takes more than it need, and the unit may make noise or "
                    "erode its heat exchanger."
                )
            ),
            plainly=(
                "Too little water goes through your heating, so that it must be made hotter than "
                "needed. Your installer can look for the cause."
                if little
                else None
            ),
            confidence=Confidence.LIKELY,
            roles=roles(seen, Role.FLOW_TEMP, Role.RETURN_TEMP, Role.FLOW_RATE, Role.HEAT_TOTAL),
            figures=(
                Figure(name="flow over return", value=delta, unit="K"),
                Figure(name="design", value=design, unit="K"),
            ),
            evidence=(
                series("space_delta_k", "Flow over return while rooms are heated", "K", **band),
                series("space_flow_m3h", "Flow of heating water", "m3/h"),
            ),
            effect=_of_delta(seen, window, design)
            if little
            else _of_speed(seen, spanned(days, found), found, delta / design),
            check=(
                "Strainer and magnetic filter, air in the circuit, valves half closed",
                "Speed setting of the pump and its limits in the controller",
                "Pipe sizes and head of the pump against the design flow",
                "Whether zones, mixing or a low-loss header take flow away",
            )
            if little
            else (
                "Speed setting of the pump and its limits in the controller",
                "A bypass or low-loss header that takes water straight back",
                "The design difference that the site file states",
            ),
            **when(seen, found),
        )
    ]


def _of_delta(seen: Seen, window: pl.DataFrame, design: float) -> Effect | None:
    """What the hotter flow costs: half of the difference, for the same mean of the water."""
    wanted = pl.col("space_flow_c") - (pl.col("delta") - design) / 2.0
    rooms = 1.0 - (pl.col("dhw_kwh") / pl.col("heat_kwh")).fill_null(HOT_WATER_SHARE)
    spared = spared_share(pl.col("space_flow_c"), wanted, source_of(seen))
    known = with_electricity(seen, window).select(
        "electricity_kwh", (pl.col("electricity_kwh") * rooms * spared).alias("kwh")
    )
    used, kwh = (float(known.drop_nulls()[c].sum()) for c in ("electricity_kwh", "kwh"))
    if used <= 0:
        return None
    low, high = kwh * (1.0 - 2.0 * LIFT_SPREAD), kwh * (1.0 + 2.0 * LIFT_SPREAD)
    return of_electricity(seen, kwh, low, high, days=usual_days(seen, used))


def _of_speed(seen: Seen, days: pl.DataFrame, found: Spell, share: float) -> Effect | None:
    """What a pump takes for more water than is needed, where it is metered apart.

    Its power goes with the flow or up to the third power of it (similarity of pumps).
    """
    local = pl.col("slot_start_utc").dt.convert_time_zone(seen.site.zone).dt.date()
    used = seen.slots.filter(
        (pl.col("role") == Role.ELEC_PUMPS.value) & local.is_in(days["day"].implode())
    )["kwh"].sum()
    if not used:
        return None
    kwh, low, high = (float(used) * (1.0 - share**power) for power in (2, 1, 3))
    return of_pump(seen, of_electricity(seen, kwh, low, high, days=length(found)))


def defrost_often(seen: Seen) -> list[Finding]:
    """Defrosts that come too often for the heat that is drawn from the air."""
    load = load_share(seen)
    often = pl.col("defrosts") / (pl.col("frost_h") * load)
    frosty = (pl.col("frost_h") >= LEAST_FROST_H) & (pl.col("seen_h") >= LEAST_SEEN_H)
    days = seen.behaviour.with_columns(
        pl.when(frosty).then(often).alias("often"), load.alias("load")
    )
    shown = pl.col("often") > OFTEN
    found = spell(days, shown)
    if found is None:
        return []
    window = shown_days(days, shown, found)
    defrosts, frost = (float(window[c].sum()) for c in ("defrosts", "frost_h"))
    share, at = float(window["defrost_h"].sum()) / frost, mean(window, "load")
    every = 60.0 * frost / defrosts
    return [
        Finding(
            kind="defrost-often",
            topic=Topic.OPERATION,
            title="The unit defrosts too often",
            what=(
                f"Below {FROST_C:.0f} degC outside it defrosted every {every:.0f} minutes of "
                f"running, {100.0 * share:.0f} % of the time, at {100.0 * at:.0f} % of its rated "
                f"heat, {said(found)}. At that load a sound unit needs a defrost every "
                f"{60.0 / (USUAL_DEFROSTS * at):.0f} minutes or less often, even in damp frost."
            ),
            plainly=(
                "The outdoor part of your heat pump ices up and thaws more often than it should. "
                "Keep leaves, snow and things away from it, but do not open it, and do not knock "
                "off ice. Your installer can look for the cause."
            ),
            confidence=Confidence.LIKELY,
            roles=roles(seen, Role.FLOW_TEMP, Role.RETURN_TEMP, Role.HEAT_TOTAL, Role.OUTDOOR_TEMP),
            figures=(
                Figure(name="defrosts an hour of running in frost", value=defrosts / frost),
                Figure(name="share of that time", value=share),
                Figure(
                    name="defrosts an hour of full load",
                    value=defrosts / float((window["frost_h"] * window["load"]).sum()),
                ),
            ),
            evidence=(
                series("defrosts", "Defrosts a day", ""),
                series("frost_h", "Running in frost weather", "h"),
            ),
            effect=_of_defrosts(seen, days, window),
            check=(
                "Air way: leaves, dirt, snow, walls or fences that turn the air back",
                "Drain, tray and tray heater: ice that stays from one defrost to the next",
                "Fan and coil sensor, and the defrost settings in the controller",
                "Refrigerant, by licensed people, where the coil frosts unevenly",
            ),
            caution=(
                "Refrigerant circuits are for licensed people under local codes. The fan starts "
                "by itself: switch off at the isolator before reaching in. Ice is slippery."
            ),
            **when(seen, found),
        )
    ]


def _of_defrosts(seen: Seen, days: pl.DataFrame, window: pl.DataFrame) -> Effect | None:
    """What defrosts beyond the usual cost; a year has the frost that the last one had."""
    known = with_electricity(seen, window)
    used, hours = float(known["electricity_kwh"].sum()), float(known["run_h"].sum())
    if hours <= 0:
        return None

    def frost(of: pl.DataFrame) -> float:
        return float((of["frost_h"] * of["load"]).sum())

    lost, defrosts = (float(window[c].sum()) for c in ("defrost_h", "defrosts"))
    too_long = lost * max(1.0 - USUAL_DEFROSTS * frost(window) / defrosts, 0.0)
    kwh, low, high = (too_long * used / hours * times for times in DEFROST_COST)
    year = frost(days.tail(365)) / frost(window)
    effect = of_electricity(seen, kwh, low, high, days=365.25 / year)
    account = seen.standing.account
    if effect is None or account is None or account.spf is None:
        return effect
    # What a defrost takes from the water is made once more, and counts as heat.
    rate = float(known["heat_kwh"].sum()) / hours
    spf = [
        (account.heat_kwh - too_long * rate * (times - 1.0))
        / max(account.electricity_kwh - too_long * used / hours * times, 0.05 * used)
        - account.spf
        for times in DEFROST_COST
    ]
    return effect.model_copy(update={"spf": spf[0], "low": min(spf), "high": max(spf)})
