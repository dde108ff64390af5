"""The heating curve: a flow hotter than designed, or one that does not follow the weather."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
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
from monitor.findings.hours import (
    cost,
    curve_band,
    design_curve,
    figure,
    heating_days,
    local_day,
    share_effect,
    source_of,
    space_days,
    spared_share,
    spell_fields,
)
from monitor.findings.spells import Spell, spell
from monitor.findings.timing import setback_recovery
from monitor.guarantee.causes import Cause
from monitor.metrics import priors
from monitor.metrics.plausibility import Figure
from monitor.models import Role

#: Flow above the design curve that is more than sensors, switching and a cold morning make
#: of a sound control, K. Common practice, no source.
ABOVE_K: Final = 2.5

#: Flow above the design curve that hot recoveries from set-backs do not explain, K.
#: Common practice, no source.
RECOVERING_K: Final = 8.0

#: Width within which a sound control keeps to its curve, K. Common practice, no source.
WIDTH_K: Final = 2.0

#: Outdoor temperature up to which a day says something of the curve: above it the unit
#: switches at its lowest load and the curve's lower end rules. Common practice, no source.
MILD_C: Final = 12.0

#: Room that a design takes for granted where the terms say nothing, degC, and what a room
#: sensor may be off. Common practice, no source.
ROOM_C: Final = 21.0
ROOM_SENSOR_K: Final = 0.5

#: Newest judged days that say whether the flow follows the weather, and more of them where
#: these were all alike; how few suffice; and how much their outdoor temperatures must spread
#: (standard deviation, K). Common practice, no source.
SLOPE_DAYS: Final = (42, 90, 180)
LEAST_SLOPE_DAYS: Final = 10
LEAST_SPREAD_K: Final = 2.0

#: Share of the designed fall of the flow with warmer weather below which it is none, and the
#: designed fall where none is stated: that of floor heating, K/K. Common practice, no source.
FLAT_SHARE: Final = 0.5
LEAST_FALL: Final = 0.40

#: Flow in the milder half of the days that is hot for them where no curve is stated, degC.
#: Common practice, no source.
HOT_C: Final = 38.0

#: How near a day's flow lies to the flat line to belong to it, K. Common practice, no source.
NEAR_K: Final = 2.5

#: Relative spread (standard deviation) of what a kelvin less spares, and of the flow sensor
#: with its place, K. Common practice, no source.
LIFT_SPREAD: Final = 0.20
SENSOR_K: Final = 0.7

_CAUTION: Final = (
    "Lower the curve in small steps and ask whether every room stays warm: a household left cold "
    "comes before saving. Hot water is set apart from it and stays as it is."
)
_PLAINLY: Final = (
    "The water in your heating runs hotter than planned{how}, which takes more electricity. Your "
    "installer can turn it down bit by bit. Your rooms must stay as warm as you want them."
)


def flow_above_curve(seen: Seen) -> list[Finding]:
    """Flow for rooms above the design curve, hot water left aside.

    A flow that does not follow the weather at all is told by `no_weather_compensation`.
    """
    curve = design_curve(seen.site)
    if curve is None:
        return []
    days = _judged(seen)
    if days.height == 0 or _flat(seen, days) is not None:
        return []
    above = pl.col("above_k") - pl.col("warm_k")
    found = spell(days, above > ABOVE_K)
    if found is None:
        return []
    window = days.filter(pl.col("day").is_between(found.since, found.until))
    shown = window.filter(above > ABOVE_K)
    excess = float(np.mean(shown["above_k"].to_numpy()))
    if excess < RECOVERING_K and setback_recovery(seen):
        # Hot recoveries lift the mean of the day: the set-back is what to look at.
        return []
    at = float(np.mean(shown["outdoor_c"].to_numpy()))
    flow = float(np.mean(shown["flow_c"].to_numpy()))
    what = (
        f"While rooms were heated the flow ran {excess:.1f} K above the design curve on "
        f"{found.days} of {found.judged} heating days from {found.since:%-d %B %Y} to "
        f"{found.until:%-d %B %Y}: {flow:.1f} degC on average at {at:.1f} degC outside, where "
        f"the design says {flow - excess:.1f} degC. Hot water is not counted."
    )
    return [
        Finding(
            kind="flow-above-curve",
            topic=Topic.OPERATION,
            title="The flow runs above the design curve",
            what=what,
            plainly=_PLAINLY.format(how=""),
            confidence=Confidence.LIKELY,
            figures=(
                Figure(name="flow above the design curve", value=excess, unit="K"),
                Figure(name="flow", value=flow, unit="degC"),
                Figure(name="outdoor temperature", value=at, unit="degC"),
                Figure(name="days", value=float(found.days)),
            ),
            effect=share_effect(seen, Cause.FLOW) or _own_effect(seen, window),
            check=(
                "Heating curve, its parallel shift and its upper limit in the controller against "
                "the design",
                "Room influence, boost or a fixed flow that was left on after a visit",
                "Mixing valves, a low-loss header or a second circuit that forces a hotter flow",
                "Whether emitters are too small, closed or badly balanced, so that it is needed",
            ),
            **_shared(seen, found, curve_band(seen.site, WIDTH_K)),
        )
    ]


def no_weather_compensation(seen: Seen) -> list[Finding]:
    """A flow that does not fall when it is warmer outside, and is too hot for mild days."""
    days = _judged(seen)
    flat = _flat(seen, days) if days.height else None
    if flat is None:
        return []
    if flat.excess_k is not None and flat.excess_k < RECOVERING_K and setback_recovery(seen):
        return []
    near = (pl.col("flow_c") - flat.level_c + flat.fall * pl.col("outdoor_c")).abs() <= NEAR_K
    found = spell(days, near) or Spell(flat.days["day"][0], flat.days["day"][-1], 0, 0)
    window = days.filter(pl.col("day").is_between(found.since, found.until))
    fall = max(flat.fall, 0.0)
    what = (
        f"Over the newest {flat.days.height} heating days, at {flat.cold_c:.0f} to "
        f"{flat.mild_c:.0f} degC outside, the flow for rooms fell by {fall:.2f} K for each K that "
        f"it was warmer; {flat.wanted:.2f} K was to be expected. On the milder half of them it "
        f"was {flat.mild_flow_c:.1f} degC"
    )
    if flat.excess_k is not None:
        what += f", {flat.excess_k:.1f} K above the design curve"
    return [
        Finding(
            kind="no-weather-compensation",
            topic=Topic.OPERATION,
            title="The flow does not follow the weather",
            what=f"{what}. It has been so since about {found.since:%-d %B %Y}.",
            plainly=_PLAINLY.format(how=" on mild days"),
            confidence=Confidence.LIKELY,
            figures=(
                Figure(name="fall of the flow", value=flat.fall, unit="K/K"),
                Figure(name="fall expected", value=flat.wanted, unit="K/K"),
                Figure(name="flow on mild days", value=flat.mild_flow_c, unit="degC"),
                Figure(name="days", value=float(flat.days.height)),
            ),
            effect=share_effect(seen, Cause.FLOW) or _own_effect(seen, window),
            check=(
                "Whether the controller heats by the weather or to a fixed flow temperature",
                "Place, wiring and reading of the outdoor sensor",
                "Slope of the heating curve, and limits that hold the flow up",
                "A buffer, mixing valve or external thermostat that asks for a fixed flow",
            ),
            **_shared(seen, found, curve_band(seen.site, WIDTH_K)),
        )
    ]


def _judged(seen: Seen) -> pl.DataFrame:
    """Days on which the curve can be judged, with `above_k` and what a warm house excuses.

    `warm_k` is how much hotter the flow must be for rooms that are kept warmer than designed:
    heat goes with flow less room, so that the curve moves by 1 + its slope for each K.
    """
    days = space_days(seen).filter(pl.col("outdoor_c") <= MILD_C)
    curve = design_curve(seen.site)
    at_15, per_k = curve if curve is not None else (None, 0.0)
    if curve is not None and seen.site.heat_pump.flow_temp_at_15_c is None:
        # The lower end of the curve is only what is usual: the colder half of it tells.
        middle = (15.0 + (seen.site.heat_pump.design_outdoor_temp_c or 0.0)) / 2.0
        days = days.filter(pl.col("outdoor_c") <= middle)
    wanted = (
        pl.lit(None, dtype=pl.Float64)
        if at_15 is None
        else at_15 + per_k * (15.0 - pl.col("outdoor_c"))
    )
    terms = seen.site.current_terms
    asked = terms.expects.room_c if terms is not None else None
    warmer = pl.col("room_c") - (ROOM_C if asked is None else asked) - ROOM_SENSOR_K
    return (
        days.join(_rooms(seen), on="day", how="left")
        .join(seen.days.select("day", "source_c"), on="day", how="left")
        .with_columns(
            wanted.alias("wanted_c"),
            (warmer.clip(lower_bound=0.0) * (1.0 + per_k)).fill_null(0.0).alias("warm_k"),
        )
        .with_columns((pl.col("flow_c") - pl.col("wanted_c")).alias("above_k"))
        .with_columns(
            # A wide spread lifts the flow at the same mean: that is a matter of the pump.
            pl.min_horizontal(
                "above_k",
                pl.col("above_k") - (pl.col("spread_k") - seen.site.heat_pump.design_delta_t_k) / 2,
            ).alias("above_k")
        )
    )


def _rooms(seen: Seen) -> pl.DataFrame:
    """Mean room temperature of each day."""
    rooms = seen.states.filter(pl.col("role") == Role.ROOM_TEMP.value)
    return rooms.group_by(local_day(seen.site)).agg(pl.col("mean").mean().alias("room_c"))


@dataclass(frozen=True)
class _Flat:
    """A flow that hardly falls with warmer weather; K/K and degC."""

    fall: float
    wanted: float
    level_c: float
    cold_c: float
    mild_c: float
    mild_flow_c: float
    excess_k: float | None
    days: pl.DataFrame


def _flat(seen: Seen, days: pl.DataFrame) -> _Flat | None:
    """Whether the flow of the newest days follows the weather; None where it does or may."""
    for count in SLOPE_DAYS:
        newest = days.tail(count)
        if newest.height < LEAST_SLOPE_DAYS:
            return None
        if figure(newest["outdoor_c"].std()) >= LEAST_SPREAD_K:
            break
    # A curve that was raised in spring is no flat one: its days alone tell.
    raised = spell(days, pl.col("above_k") - pl.col("warm_k") > ABOVE_K)
    if raised is not None:
        newest = newest.filter(pl.col("day") >= raised.since)
    if newest.height < LEAST_SLOPE_DAYS:
        return None
    start = _last_break(newest["outdoor_c"].to_numpy(), newest["flow_c"].to_numpy())
    newest = newest.slice(start)
    x, y = newest["outdoor_c"].to_numpy(), newest["flow_c"].to_numpy()
    if float(np.std(x)) < LEAST_SPREAD_K:
        return None
    fall = -float(np.polyfit(x, y, 1)[0])
    rest = y + fall * x
    error = float(np.std(rest)) / float(np.std(x)) / np.sqrt(len(x) - 2)
    curve = design_curve(seen.site)
    wanted = LEAST_FALL if curve is None else curve[1]
    if fall + 1.64 * error >= FLAT_SHARE * wanted:
        return None
    mild = x >= np.median(x)
    excess = None
    if curve is None:
        if float(np.mean(y[mild])) < HOT_C:
            return None
    else:
        over = newest["above_k"].to_numpy() - newest["warm_k"].to_numpy()
        if float(np.mean(over[mild])) < ABOVE_K:
            return None
        excess = float(np.mean(newest["above_k"].to_numpy()[mild]))
    return _Flat(
        fall=fall,
        wanted=wanted,
        level_c=float(np.mean(rest)),
        cold_c=float(x.min()),
        mild_c=float(x.max()),
        mild_flow_c=float(np.mean(y[mild])),
        excess_k=excess,
        days=newest,
    )


def _last_break(x: np.ndarray, y: np.ndarray) -> int:
    """Where the newest line of flow against weather begins: 0 unless two lines fit far better.

    Least squares of both parts at each split of at least `LEAST_SLOPE_DAYS` days, by running
    sums; the split must take away three quarters of what one line leaves.
    """
    count, least = len(x), LEAST_SLOPE_DAYS
    if count < 2 * least:
        return 0
    x, y = x - x.mean(), y - y.mean()
    terms = np.stack([np.ones(count), x, y, x * x, x * y, y * y])
    run = np.cumsum(terms, axis=1)

    def left(sums: np.ndarray) -> np.ndarray:
        n, sx, sy, sxx, sxy, syy = sums
        vxx, vxy, vyy = sxx - sx * sx / n, sxy - sx * sy / n, syy - sy * sy / n
        return np.asarray(np.maximum(vyy - vxy**2 / np.maximum(vxx, 1e-9), 0.0))

    before = run[:, least - 1 : count - least]
    both = left(before) + left(run[:, -1:] - before)
    best = int(np.argmin(both))
    return best + least if both[best] < 0.25 * float(left(run[:, -1:])[0]) else 0


def _own_effect(seen: Seen, window: pl.DataFrame) -> Effect | None:
    """What the hotter flow took, from the lift of the days of a window."""
    known = (
        window.join(
            seen.days.select("day", "heat_kwh", "electricity_kwh", "dhw_kwh"), on="day", how="inner"
        )
        .filter((pl.col("heat_kwh") > 0) & pl.col("wanted_c").is_not_null())
        .with_columns(
            (1.0 - pl.col("dhw_kwh").fill_null(priors.BASE_KWH) / pl.col("heat_kwh"))
            .clip(0.0, 1.0)
            .alias("rooms")
        )
    )
    if known.height == 0:
        return None
    used = pl.col("electricity_kwh") * pl.col("rooms")
    wanted = pl.min_horizontal("wanted_c", "flow_c")
    spared, per_k = known.select(
        (used * spared_share(pl.col("flow_c"), wanted, source_of(seen))).sum().alias("spared"),
        (used * spared_share(pl.col("flow_c"), pl.col("flow_c") - 1.0, source_of(seen)))
        .sum()
        .alias("per_k"),
    ).row(0)
    half = 1.96 * float(np.hypot(LIFT_SPREAD * spared, SENSOR_K * per_k))
    since = window["day"][0]
    days = heating_days(seen, since)
    return cost(seen, spared, spared - half, spared + half, since=since, days=days)


def _shared(seen: Seen, found: Spell, band: tuple[BandPoint, ...]) -> dict[str, Any]:
    """What both findings say of where they were seen."""
    fine = bool(seen.behaviour["space_flow_c"].is_not_null().any())
    series = (
        Evidence(
            of="behaviour" if fine else "state",
            name="space_flow_c" if fine else Role.FLOW_TEMP.value,
            label="Flow while rooms are heated" if fine else "Flow",
            unit="degC",
            against="outdoor",
            band=band,
        ),
    )
    return {
        **spell_fields(seen, found, Role.FLOW_TEMP, Role.OUTDOOR_TEMP, Role.HEAT_TOTAL),
        "evidence": series,
        "explains": Cause.FLOW,
        "caution": _CAUTION,
    }
