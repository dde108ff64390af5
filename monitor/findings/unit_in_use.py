"""The unit against its own data sheet: heat in the cold, and COP at the points it was tested at."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.findings.finding import BandPoint, Confidence, Evidence, Finding, Seen, Topic
from monitor.findings.heater_hours import backup_heat
from monitor.findings.spells import Spell, spell
from monitor.findings.unit_days import counts_pumps, unit_blocks
from monitor.findings.worth import of_electricity
from monitor.guarantee.causes import Cause
from monitor.metrics import priors, steps
from monitor.metrics.courses import HOUR_US
from monitor.metrics.heat_check import FROST_C, FULL_SHARE, K_95, LIKE_HEAT, STEADY_SHARE
from monitor.metrics.plausibility import Figure
from monitor.models import HeatPump, Role, Site

Values = npt.NDArray[np.float64]

#: Days this cold are judged, degC, and in a mild place so many of the coldest days, but
#: none warmer than the second. Common practice, no source.
COLD_C: Final = (2.0, 5.0)
COLDEST_DAYS: Final = 14

#: Heat that an air source unit can give: its nominal output at 7 degC and a flow of 35 degC,
#: less by so much for each kelvin colder and each kelvin of hotter flow, and by what defrost
#: takes below 5 degC. Common practice, no source: between a unit with an inverter, which
#: loses less, and one without, which loses more. No less than LEAST_CAPACITY of nominal.
CAPACITY_FROM_C: Final = 7.0
CAPACITY_PER_K: Final = 0.02
CAPACITY_PER_FLOW_K: Final = 0.005
DEFROST_SHARE: Final = 0.08
LEAST_CAPACITY: Final = 0.55

#: A day on which the unit cannot keep up: it runs all but so many hours, gives less than
#: this share of what it should, leaves the flow so far below its curve, K, and lets the
#: rooms sink so far below what they were on mild days, K, or a backup heater makes this
#: share of the heat. Common practice, no source.
RESTS_H: Final = 2.0
SHORT: Final = 0.85
FLOW_SHORT_K: Final = 1.0
ROOM_SHORT_K: Final = 0.25
BACKUP_SHARE: Final = 0.05

#: Share of the cold days that must show it: a unit that just suffices on the milder of them
#: falls short on the others. Common practice, no source.
MOST_DAYS: Final = 0.5

#: Heating days that are mild enough to tell which room temperature is wanted, degC.
#: Common practice, no source.
MILD_C: Final = (5.0, 12.0)

#: Hours of steady running that a comparison with test points needs.
#: Common practice, no source.
LEAST_STEADY_HOURS: Final = 72

#: Starts for each hour of running up to which a day is steady. Common practice, no source.
MOST_STARTS_AN_HOUR: Final = 0.5

#: What a unit in the field may lie below its test: the COP as tested may itself be off by
#: about 5 % (uncertainty of heat that EN 14511-3 allows; from memory), and no place in a
#: house is a laboratory. Common practice, no source.
TEST_TOLERANCE: Final = 0.05
FIELD_SHARE: Final = 0.02

#: Power of a distribution pump, kW, of which a test counts only what the unit's own water
#: side needs. Common practice, no source.
PUMP_KW: Final = 0.04

#: How far beyond the test points an hour may lie, K. Common practice, no source.
BEYOND_POINTS_K: Final = 4.0

#: Less than this of the COP as tested is a meter's matter and not a unit's.
#: Common practice, no source.
LEAST_OF_TEST: Final = 0.5

#: Share that defrost takes below `FROST_C` beyond what the test points hold, and the
#: standard uncertainty of what lies between the points. Common practice, no source.
FROST_SHARE: Final = 0.04
BETWEEN_U: Final = 0.02

#: Distance at which a test point counts half as much as one that is met, K.
#: Common practice, no source.
NEAR_K: Final = 5.0

_LICENSED: Final = "Refrigerant circuits are for licensed people under local codes."


def capacity_kw(pump: HeatPump, outdoor_c: Values, flow_c: Values) -> Values:
    """Heat that the unit should be able to give, kW, by its nominal output.

    For air by the assumptions named above; ground and water sources keep their output.
    """
    share = 1.0 - CAPACITY_PER_FLOW_K * np.maximum(flow_c - 35.0, 0.0)
    if pump.source == "air":
        share = share - CAPACITY_PER_K * np.maximum(CAPACITY_FROM_C - outdoor_c, 0.0)
        share = share - np.where(outdoor_c < FROST_C, DEFROST_SHARE, 0.0)
    return np.asarray(pump.nominal_heat_kw * np.maximum(share, LEAST_CAPACITY))


def capacity_short(seen: Seen) -> list[Finding]:
    """A unit that runs all day in the cold, gives too little and cannot keep the house warm."""
    site = seen.site
    pump = site.heat_pump
    if pump.design_flow_temp_c is None or pump.design_outdoor_temp_c is None:
        return []
    days = _cold_days(seen)
    if days is None:
        return []
    found = spell(days, pl.col("short"), share=MOST_DAYS)
    if found is None:
        return []
    shown = days.filter(pl.col("short") & (pl.col("day") >= found.since))
    return [_cannot_keep_up(seen, shown, found)]


def _cold_days(seen: Seen) -> pl.DataFrame | None:
    """Days with columns load_kw, should_kw, below_k, sunk_k, backup, and `short` on cold ones."""
    site, pump = seen.site, seen.site.heat_pump
    behaviour = seen.behaviour.select("day", "run_h", "space_flow_c", "seen_h")
    days = (
        seen.days.filter(pl.col("complete") & pl.col("outdoor_c").is_not_null())
        .join(behaviour, on="day", how="left")
        .join(_room(site, seen.states), on="day", how="left")
        .join(backup_heat(seen), on="day", how="left")
        .with_columns(
            pl.coalesce("space_flow_c", "flow_c").alias("flow"),
            pl.col("backup_kwh", "counted_kwh").fill_null(0.0),
        )
        .filter(pl.col("flow").is_not_null() & pl.col("run_h").is_not_null())
    )
    if days.height == 0:
        return None
    outdoor, flow = days["outdoor_c"].to_numpy(), days["flow"].to_numpy()
    at_15 = priors.FLOW_AT_15_C if pump.flow_temp_at_15_c is None else pump.flow_temp_at_15_c
    assert pump.design_flow_temp_c is not None  # noqa: S101 - the caller has both
    assert pump.design_outdoor_temp_c is not None  # noqa: S101
    per_k = (pump.design_flow_temp_c - at_15) / max(15.0 - pump.design_outdoor_temp_c, 5.0)
    above = flow - (at_15 + per_k * (15.0 - outdoor))
    mild = (outdoor >= MILD_C[0]) & (outdoor <= MILD_C[1])
    # A curve that was set lower on purpose leaves no flow wanting.
    lower = min(float(np.median(above[mild])), 0.0) if mild.any() else 0.0
    room = days["room_c"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    wanted = float(np.nanmedian(room[mild])) if np.isfinite(room[mild]).any() else np.nan
    should = capacity_kw(pump, outdoor, flow)
    own = (days["heat_kwh"] - days["counted_kwh"]).to_numpy() / 24.0
    out = days.with_columns(
        pl.Series("load_kw", own),
        pl.Series("should_kw", should),
        pl.Series("below_k", lower - above),
        pl.Series("sunk_k", wanted - room).fill_nan(None),
        (pl.col("backup_kwh") / 24.0).alias("backup_kw"),
    )
    sinks = (pl.col("sunk_k") >= ROOM_SHORT_K).fill_null(value=False)
    helped = pl.col("backup_kw") >= BACKUP_SHARE * pl.col("load_kw")
    runs = pl.col("run_h") >= pl.col("seen_h") - RESTS_H
    short = (
        runs
        & (pl.col("load_kw") < SHORT * pl.col("should_kw"))
        & (pl.col("below_k") >= FLOW_SHORT_K)
        & (sinks | helped)
    )
    rank = min(COLDEST_DAYS, len(outdoor)) - 1
    cold = float(np.clip(np.sort(outdoor)[rank], *COLD_C))
    return out.with_columns(pl.when(pl.col("outdoor_c") <= cold).then(short).alias("short"))


def _room(site: Site, states: pl.DataFrame) -> pl.DataFrame:
    local = pl.col("slot_start_utc").dt.convert_time_zone(site.zone).dt.date().alias("day")
    own = (pl.col("role") == Role.ROOM_TEMP.value) & (pl.col("covered") > 0)
    return states.filter(own).group_by(local).agg(pl.col("mean").mean().alias("room_c"))


def _cannot_keep_up(seen: Seen, shown: pl.DataFrame, found: Spell) -> Finding:
    pump = seen.site.heat_pump
    load, should = float(shown["load_kw"].median()), float(shown["should_kw"].median())  # type: ignore[arg-type]
    outdoor = float(shown["outdoor_c"].mean())  # type: ignore[arg-type]
    below = float(shown["below_k"].median())  # type: ignore[arg-type]
    sunk = shown["sunk_k"].drop_nulls().to_numpy()
    backup = float(shown["backup_kwh"].mean())  # type: ignore[arg-type]
    rooms = (
        f" The rooms lay {float(np.median(sunk)):.1f} K below those of mild days."
        if len(sunk)
        else ""
    )
    helped = f" A backup heater made {backup:.1f} kWh a day." if backup > 0 else ""
    grid = np.arange(-15.0, 16.0, 3.0)
    able = capacity_kw(pump, grid, np.full(len(grid), float(shown["flow"].median())))  # type: ignore[arg-type]
    return Finding(
        kind="capacity-short",
        topic=Topic.UNIT,
        title="Too little heat in the cold",
        what=(
            f"On {found.days} of the {found.judged} coldest days ({outdoor:.1f} degC outside on "
            f"average) the unit ran all day and gave {load:.1f} kW, where "
            f"{should:.1f} kW were to be expected of its nominal {pump.nominal_heat_kw:g} kW. The "
            f"flow stayed {below:.1f} K below its curve.{rooms}{helped} "
            f"Assumed for the cold: {CAPACITY_PER_K:.0%} less for each kelvin below "
            f"{CAPACITY_FROM_C:g} degC and {DEFROST_SHARE:.0%} for defrost."
        ),
        plainly=(
            "On cold days your heat pump runs all the time and still cannot make enough warmth. "
            "Tell your installer if your rooms are too cold; do not wait if someone at home is "
            "very young, old or ill."
        ),
        confidence=Confidence.LIKELY,
        since=seen.site.midnight(found.since),
        window_start=seen.site.midnight(found.since),
        window_end=seen.site.midnight(found.until) + timedelta(days=1),
        roles=tuple(
            r
            for r in (Role.HEAT_TOTAL, Role.FLOW_TEMP, Role.ROOM_TEMP, Role.ELEC_BACKUP)
            if r in seen.site.roles
        ),
        figures=(
            Figure(name="heat given", value=load, unit="kW"),
            Figure(name="heat expected", value=should, unit="kW"),
            Figure(name="share of the expected", value=load / should),
            Figure(name="outdoor temperature", value=outdoor, unit="degC"),
        ),
        evidence=(
            Evidence(
                of="day",
                name="heat_kwh",
                label="Heat a day",
                unit="kWh",
                against="outdoor",
                band=tuple(
                    BandPoint(x=float(x), high=float(24.0 * kw))
                    for x, kw in zip(grid, able, strict=True)
                ),
            ),
            Evidence(
                of="state",
                name=Role.FLOW_TEMP.value,
                label="Flow temperature",
                unit="degC",
            ),
        ),
        check=(
            "Whether the household is warm enough today",
            "Recorded faults, limits of power or noise and night programmes in the controller",
            "Evaporator, fan and defrost; with brine: flow and temperature",
            "Flow of heating water through the unit",
            "Refrigerant charge, only by licensed people",
        ),
        caution=(
            f"People may be left cold: ask before anything else. {_LICENSED} Work on mains wiring "
            "is for licensed electricians."
        ),
    )


@dataclass(frozen=True)
class _Steady:
    """Hours of steady running; arrays of shape (hours,)."""

    at: Values
    heat: Values
    used: Values
    flow: Values
    source: Values
    frost: npt.NDArray[np.bool_]

    def near(self, points: Values) -> _Steady:
        """Hours that lie within the test points or little beyond them."""
        low, high = points.min(axis=0) - BEYOND_POINTS_K, points.max(axis=0) + BEYOND_POINTS_K
        keep = (self.source >= low[0]) & (self.source <= high[0])
        keep &= (self.flow >= low[1]) & (self.flow <= high[1])
        return _Steady(*(getattr(self, field.name)[keep] for field in fields(self)))


def below_test_points(seen: Seen) -> list[Finding]:
    """A COP in steady running below the test points that the terms name."""
    terms = seen.site.current_terms
    account = seen.standing.account
    if terms is None or not terms.expects.test_point or account is None:
        return []
    steady = _steady(seen)
    if steady is None:
        return []
    points = np.array([[p.source_c, p.flow_c, p.cop] for p in terms.expects.test_point])
    steady = steady.near(points)
    if len(steady.at) < LEAST_STEADY_HOURS:
        return []
    expected = steps.tested_cop(points, steady.source, steady.flow, near_k=NEAR_K)
    needed = steady.heat / (expected * np.where(steady.frost, 1.0 - FROST_SHARE, 1.0))
    if counts_pumps(seen):
        needed = needed + PUMP_KW
    ratio = float(needed.sum() / steady.used.sum())
    newest = float(needed[-LEAST_STEADY_HOURS:].sum() / steady.used[-LEAST_STEADY_HOURS:].sum())
    meters = (account.u_spf or 0.0) / (account.spf or 1.0)
    daily = float(np.std(needed / steady.used)) / np.sqrt(len(steady.at) / 24.0)
    u = float(np.linalg.norm([meters, BETWEEN_U, daily]))
    low, high = ratio * float(np.exp(-K_95 * u)), ratio * float(np.exp(K_95 * u))
    passes = 1.0 - TEST_TOLERANCE - FIELD_SHARE
    if max(ratio, newest) >= passes or high >= 1.0 or ratio < LEAST_OF_TEST:
        return []
    cop = float(steady.heat.sum() / steady.used.sum())
    begun, until = (datetime.fromtimestamp(3600.0 * v, UTC) for v in (steady.at[0], steady.at[-1]))
    lost = account.electricity_kwh * np.array([1.0 - v for v in (ratio, high, low)])
    days = account.hours.total / 24.0
    return [
        Finding(
            kind="below-test-points",
            topic=Topic.UNIT,
            title="The COP is below its test points",
            what=(
                f"In {len(steady.at)} hours of steady running from {begun:%-d %B %Y} to "
                f"{until:%-d %B %Y} the COP was {cop:.2f}, {ratio:.0%} of what the stated test "
                f"points give for the same flow and source temperature (95 % interval {low:.0%} to "
                f"{high:.0%}); {passes:.0%} would pass, for what a test "
                "may be off and a house is no laboratory."
            ),
            plainly=(
                "Your heat pump needs more electricity than its maker's tests say. Your installer "
                "can look at why. There is nothing that you must do yourself."
            ),
            confidence=Confidence.LIKELY,
            since=begun,
            window_start=begun,
            window_end=until,
            roles=tuple(
                r
                for r in (Role.HEAT_TOTAL, Role.ELEC_UNIT, Role.ELEC_TOTAL, Role.FLOW_TEMP)
                if r in seen.site.roles
            ),
            figures=(
                Figure(name="COP in steady running", value=cop),
                Figure(name="share of the COP as tested", value=ratio),
                Figure(name="share, lower end", value=low),
                Figure(name="share, upper end", value=high),
                Figure(name="hours", value=len(steady.at)),
            ),
            evidence=(
                Evidence(
                    of="state", name=Role.FLOW_TEMP.value, label="Flow temperature", unit="degC"
                ),
            ),
            explains=Cause.UNIT,
            effect=of_electricity(seen, *(float(v) for v in lost), days=days),
            check=(
                "Whether the test points are those of this very unit, fan and controls counted",
                "Flow of heating water and the temperatures at the unit against its display",
                "Evaporator, fan, air path and recorded faults",
                "Refrigerant charge, only by licensed people",
                "Both meters: multipliers, and what each counts",
            ),
            caution=_LICENSED,
        )
    ]


def _calm_hours(seen: Seen, at: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_] | None:
    """Whether hours lie on days of few starts; None without samples that tell."""
    if seen.behaviour.height == 0:
        return None
    calm = pl.col("starts") <= MOST_STARTS_AN_HOUR * pl.col("run_h")
    days = seen.behaviour.select("day", calm.alias("calm"))
    hours = pl.DataFrame({"hour": at}).select(
        (pl.col("hour") * HOUR_US)
        .cast(pl.Datetime("us", "UTC"))
        .dt.convert_time_zone(seen.site.zone)
        .dt.date()
        .alias("day")
    )
    told = hours.join(days, on="day", how="left", maintain_order="left")["calm"]
    return told.fill_null(value=False).to_numpy()


def _steady(seen: Seen) -> _Steady | None:
    """Hours that are as the hours beside them, at much heat, all temperatures known."""
    blocks = unit_blocks(seen)
    if blocks is None:
        return None
    hourly = blocks.known & ~blocks.bridged & (blocks.end - blocks.start == 1)
    at, heat, used = blocks.start[hourly], blocks.heat[hourly], blocks.electricity[hourly]
    if len(at) < LEAST_STEADY_HOURS:
        return None
    usual = float(np.quantile(heat, 0.98))
    like = np.abs(np.diff(heat)) <= LIKE_HEAT * np.maximum(heat[1:], heat[:-1])
    like &= np.diff(at) == 1
    # An hour may hide a start in each half; without samples only much heat tells.
    calm = _calm_hours(seen, at)
    least = STEADY_SHARE if calm is not None else FULL_SHARE
    keep = (heat >= least * usual) & np.append(like, False) & np.insert(like, 0, False)
    keep &= used > 0
    if calm is not None:
        keep &= calm
    air = seen.site.heat_pump.source == "air"
    source = Role.OUTDOOR_TEMP if air else Role.SOURCE_TEMP
    frame = pl.DataFrame({"hour": at[keep], "heat": heat[keep], "used": used[keep]})
    for role in (Role.FLOW_TEMP, source):
        own = seen.states.filter((pl.col("role") == role.value) & (pl.col("covered") >= 0.9))
        hour = (pl.col("slot_start_utc").dt.epoch("s") // 3600).alias("hour")
        frame = frame.join(own.select(hour, pl.col("mean").alias(role.value)), on="hour")
    if frame.height < LEAST_STEADY_HOURS:
        return None
    frame = frame.sort("hour")
    frost = (frame[source.value] < FROST_C).to_numpy() if air else np.zeros(frame.height, bool)
    if (~frost).sum() >= LEAST_STEADY_HOURS:
        frame, frost = frame.filter(pl.Series(~frost)), frost[~frost]
    flow, src = frame[Role.FLOW_TEMP.value].to_numpy(), frame[source.value].to_numpy()
    return _Steady(
        frame["hour"].to_numpy(),
        frame["heat"].to_numpy(),
        frame["used"].to_numpy(),
        flow,
        src,
        frost,
    )
