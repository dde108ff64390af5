"""What a promise took for granted and the home does otherwise: comfort, heat loss, weather."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.findings.causes import LEAST_SPF, effect_of
from monitor.findings.finding import BandPoint, Confidence, Effect, Evidence, Finding, Seen, Topic
from monitor.findings.heater_hours import backup_heat
from monitor.findings.spells import spell
from monitor.guarantee.assessment import ModelFit
from monitor.guarantee.causes import Cause
from monitor.metrics import priors, steps
from monitor.metrics.heat_check import K_95
from monitor.metrics.plausibility import BASE_C, SPF_PER_K, Figure, Kind
from monitor.models import Role, Site

Values = npt.NDArray[np.float64]

#: How far the rooms may be above what the terms state, K. Common practice, no source: one
#: sensor in one room, and free heat.
COMFORT_MARGIN_K: Final = 1.0

#: Days colder than this by daily mean tell what warmth the heating is set to, degC: on milder
#: ones a low loss and the sun make it. Common practice, no source.
COMFORT_C: Final = 10.0

#: Hours of a day in which the room must be known. Common practice, no source.
LEAST_ROOM_HOURS: Final = 18

#: Flow that rises for each kelvin that the room is warmer, K: as much again for the emitters
#: to keep their output, and what the greater output asks. Common practice, no source.
FLOW_PER_ROOM_K: Final = 1.3

#: Relative uncertainty of what comfort and heat loss cost. Common practice, no source.
COST_U: Final = 0.25
LOSS_COST_U: Final = 0.40

#: Loss per kelvin over the stated one from which it is a finding, and what its interval
#: must lie beyond. Common practice, no source: less is within what a survey strays.
LEAST_LOSS_RATIO: Final = 1.20
BEYOND_LOSS: Final = 1.10

#: Days colder than this by daily mean tell the heat loss, degC: by then the sun does little.
#: Their fewest, and the span that they must cover, K. Common practice, no source.
HEATING_C: Final = 12.0
LEAST_HEATING_DAYS: Final = 40
LEAST_SPAN_K: Final = 6.0

#: Days for which walls keep the warmth of milder ones. Common practice, no source.
KEPT_DAYS: Final = 7

#: Relative standard uncertainty of a loss from a signature: sun and free heat that go with
#: the weather, and the heat meter. Common practice, no source.
LOSS_U: Final = 0.10

#: Share of those days from which the room is too little known to be used.
#: Common practice, no source.
LEAST_UNKNOWN: Final = 0.2

#: Days of one home that go together, for the errors of the slope.
#: Common practice, no source.
LAGS: Final = 7

#: Share of the gap that the weather must make up to be what the gap comes from, and the
#: largest that anything else may take. Common practice, no source.
MOST_OF_GAP: Final = 0.6

#: Gap to the promise that is one beyond rounding, and kelvins by which days that call for
#: heating must have been colder to be told as colder weather. Common practice, no source.
LEAST_GAP_SPF: Final = 0.03
COLDER_K: Final = 0.6
OTHER_SHARE: Final = 0.4


def comfort_above_terms(seen: Seen) -> list[Finding]:
    """Rooms that are kept warmer than the terms state."""
    terms = seen.site.current_terms
    if terms is None or terms.expects.room_c is None or Role.ROOM_TEMP not in seen.site.roles:
        return []
    asked = terms.expects.room_c
    days = _heating_days(seen).filter(pl.col("outdoor_c") < COMFORT_C)
    found = spell(days, pl.col("room_c") > asked + COMFORT_MARGIN_K)
    if found is None:
        return []
    warm = days.filter(pl.col("day") >= found.since)
    room = float(warm["room_c"].mean())  # type: ignore[arg-type]
    above = room - asked
    outdoor = float(warm["outdoor_c"].mean())  # type: ignore[arg-type]
    more = above / max(room - outdoor, 5.0)
    hotter = FLOW_PER_ROOM_K * above
    return [
        Finding(
            kind="comfort-above-terms",
            topic=Topic.PROMISE,
            title="Rooms are warmer than the terms state",
            what=(
                f"On {found.days} of {found.judged} heating days since {found.since:%-d %B %Y} the "
                f"room was more than {COMFORT_MARGIN_K:g} K above the {asked:g} degC of the terms; "
                f"it was at {room:.1f} degC on average. That is about {more:.0%} more heat and "
                f"{hotter:.1f} K more flow, at {SPF_PER_K:.1%} of the SPF for each kelvin."
            ),
            plainly=(
                f"Your rooms have been at about {room:.0f} degC. The promise was made for "
                f"{asked:g} degC. Warmer rooms are fine if you want them; they need more "
                "electricity."
            ),
            confidence=Confidence.LIKELY,
            since=seen.site.midnight(found.since),
            window_start=seen.site.midnight(found.since),
            window_end=seen.site.midnight(found.until) + timedelta(days=1),
            roles=(Role.ROOM_TEMP,),
            figures=(
                Figure(name="room temperature", value=room, unit="degC"),
                Figure(name="room of the terms", value=asked, unit="degC"),
                Figure(name="more heat", value=more),
                Figure(name="outdoor temperature", value=outdoor, unit="degC"),
            ),
            evidence=(
                Evidence(
                    of="state",
                    name=Role.ROOM_TEMP.value,
                    label="Room temperature",
                    unit="degC",
                    band=(BandPoint(high=asked + COMFORT_MARGIN_K),),
                ),
            ),
            effect=_of_comfort(seen, warm, more, hotter),
            check=(
                "What the household wants, and that it knows what it costs",
                "Thermostat and heating curve: whether all rooms are that warm or only this one",
                "Where the room sensor hangs: sun, stove, electronics",
                "Whether the terms hold at that room temperature",
            ),
            caution=(
                "It is the household's to choose: never turn down where someone is very young, old "
                "or ill."
            ),
        )
    ]


def _heating_days(seen: Seen) -> pl.DataFrame:
    """Heating days with the room's temperature in column room_c; null where it is not known.

    On milder days the sun warms rooms whatever the heating is set to, and walls keep it for
    days after.
    """
    room = _room_days(seen)
    week = pl.col("outdoor_c").rolling_mean(window_size=KEPT_DAYS, min_samples=1)
    cold = (pl.col("outdoor_c") < HEATING_C) & (week < HEATING_C)
    return (
        seen.days.sort("day")
        .filter(cold & (pl.col("hours_known") > 0))
        .join(room, on="day", how="left")
        .sort("day")
    )


def _room_days(seen: Seen) -> pl.DataFrame:
    own = (pl.col("role") == Role.ROOM_TEMP.value) & (pl.col("covered") > 0)
    local = pl.col("slot_start_utc").dt.convert_time_zone(seen.site.zone).dt.date().alias("day")
    return (
        seen.states.filter(own)
        .group_by(local)
        .agg(pl.col("mean").mean().alias("room_c"), pl.len().alias("known"))
        .filter(pl.col("known") >= LEAST_ROOM_HOURS)
        .select("day", "room_c")
    )


def _of_comfort(seen: Seen, warm: pl.DataFrame, more: float, hotter: float) -> Effect | None:
    """What the warmth has cost: more heat, and all of it at a hotter flow."""
    account = seen.standing.account
    if account is None or account.spf is None or account.electricity_kwh <= 0:
        return None
    inside = warm.filter(pl.col("day") >= account.start_utc.astimezone(seen.site.tz).date())
    used = float(inside["electricity_kwh"].sum())
    lost = SPF_PER_K * hotter
    kwh = used * (1.0 - (1.0 - more) * (1.0 - lost))
    # Only the hotter flow takes from the SPF; the heat itself is counted.
    spf = account.spf * lost * used / account.electricity_kwh
    days = max((account.end_utc - account.start_utc).total_seconds() / 86_400.0, 1.0)
    return _effect(seen, spf, COST_U, kwh / days * 365.25)


def _effect(seen: Seen, spf: float, u: float, kwh_year: float) -> Effect:
    priced = seen.price_per_kwh
    return Effect(
        spf=spf,
        low=spf * (1.0 - K_95 * u),
        high=spf * (1.0 + K_95 * u),
        kwh_year=kwh_year,
        money_year=None if priced is None else kwh_year * priced,
        currency=None if priced is None else seen.currency,
    )


def stated_loss_kw_k(site: Site) -> float | None:
    """Heat loss by the site file for each kelvin between inside and outside, kW/K."""
    if site.heat_loss_kw is None:
        return None
    outside = site.heat_pump.design_outdoor_temp_c
    span = priors.INDOOR_C - (priors.DESIGN_OUTDOOR_C if outside is None else outside)
    return site.heat_loss_kw / max(span, 10.0)


def heat_loss_above_design(seen: Seen) -> list[Finding]:
    """A house that loses more for each kelvin than the promise was designed for."""
    stated = stated_loss_kw_k(seen.site)
    fit = seen.assessment.fit if seen.assessment is not None else None
    if stated is None or fit is None or not fit.is_adequate:
        return []
    checks = seen.assessment.plausibility if seen.assessment is not None else None
    if checks is not None and any(d.kind is Kind.WATER for d in checks.doubts):
        return []
    told = _loss(seen, fit)
    if told is None:
        return []
    loss, u, with_room, days = told
    ratio, spread = loss / stated, K_95 * u / stated
    if ratio < LEAST_LOSS_RATIO or ratio - spread < BEYOND_LOSS:
        return []
    span = priors.INDOOR_C - (
        priors.DESIGN_OUTDOOR_C
        if seen.site.heat_pump.design_outdoor_temp_c is None
        else seen.site.heat_pump.design_outdoor_temp_c
    )
    inside = (
        "by the measured room temperature"
        if with_room
        else "by outdoor temperature alone; the room is not recorded"
    )
    return [
        Finding(
            kind="heat-loss-above-design",
            topic=Topic.PROMISE,
            title="The house loses more heat than designed",
            what=(
                f"On {days} heating days the house lost {1000.0 * loss:.0f} W for each kelvin, "
                f"{ratio:.2f} times the {1000.0 * stated:.0f} W of the stated "
                f"{seen.site.heat_loss_kw:g} kW (95 % interval {ratio - spread:.2f} to "
                f"{ratio + spread:.2f}), {inside}. At the design temperature that is "
                f"{loss * span:.1f} kW."
            ),
            plainly=(
                "Your house needs more heat than was planned for. That is not the heat pump's "
                "fault; your installer can look at draughts, insulation and the plan."
            ),
            confidence=Confidence.LIKELY if with_room else Confidence.SUSPECTED,
            window_start=seen.site.midnight(seen.days["day"][0]),
            window_end=seen.now,
            roles=tuple(
                r
                for r in (Role.HEAT_TOTAL, Role.OUTDOOR_TEMP, Role.ROOM_TEMP)
                if r in seen.site.roles
            ),
            figures=(
                Figure(name="loss for each kelvin", value=1000.0 * loss, unit="W/K"),
                Figure(name="stated", value=1000.0 * stated, unit="W/K"),
                Figure(name="ratio", value=ratio),
                Figure(name="ratio, lower end", value=ratio - spread),
                Figure(name="ratio, upper end", value=ratio + spread),
            ),
            evidence=(
                Evidence(
                    of="day",
                    name="heat_kwh",
                    label="Heat a day",
                    unit="kWh",
                    against="outdoor",
                    band=_designed(fit, stated),
                ),
            ),
            effect=_of_loss(seen, fit, 1.0 - 1.0 / ratio),
            check=(
                "Whether windows stand open, ventilation runs, or an annexe is heated as well",
                "The survey: areas, insulation and draughts as built",
                "The heat meter: size and place of its flow sensor",
                "Whether emitters and unit still suffice for the larger loss",
            ),
            caution=(
                "Do not seal a house without ventilation: damp and flues of open fires may harm "
                "people."
            ),
        )
    ]


def _loss(seen: Seen, fit: ModelFit) -> tuple[float, float, bool, int] | None:
    """Loss for each kelvin and its standard uncertainty, kW/K; with the room or not; days."""
    room = _room_days(seen)
    days = (
        seen.days.filter(
            pl.col("complete") & (pl.col("outdoor_c") < min(HEATING_C, fit.balance_c - 1.0))
        )
        .join(room, on="day", how="left")
        .join(backup_heat(seen), on="day", how="left")
    )
    with_room = days.height > 0 and (days["room_c"].null_count() < LEAST_UNKNOWN * days.height)
    if with_room:
        days = days.drop_nulls("room_c")
    outdoor = days["outdoor_c"].to_numpy()
    if (
        days.height < LEAST_HEATING_DAYS
        or np.ptp(np.quantile(outdoor, [0.05, 0.95])) < LEAST_SPAN_K
    ):
        return None
    inside = days["room_c"].to_numpy() if with_room else np.full(days.height, priors.INDOOR_C)
    # The heat meter alone: where a backup heater also passes it, its heat would count twice.
    heat = (days["heat_kwh"] - days["counted_kwh"].fill_null(0.0)).to_numpy() / 24.0
    water = days["dhw_kwh"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    if np.isfinite(water).any():
        heat = heat - np.where(np.isfinite(water), water, np.nanmean(water)) / 24.0
    design = np.column_stack([np.ones(days.height), inside - outdoor])
    found = np.linalg.lstsq(design, heat, rcond=None)[0]
    u = steps.robust_u(heat - design @ found, design, LAGS)[1]
    return float(found[1]), float(np.hypot(u, LOSS_U * found[1])), with_room, days.height


def _designed(fit: ModelFit, stated: float) -> tuple[BandPoint, ...]:
    """Heat of a day by the stated loss, with what it may stray."""
    outdoor = np.arange(-9.0, 18.1, 3.0)
    heat = fit.base_kwh + 24.0 * stated * np.maximum(fit.balance_c - outdoor, 0.0)
    return tuple(
        BandPoint(x=float(x), low=float(0.8 * q), high=float(1.2 * q))
        for x, q in zip(outdoor, heat, strict=True)
    )


def _of_loss(seen: Seen, fit: ModelFit, more: float) -> Effect | None:
    """More heat than designed, and the hotter flow that emitters need to give it."""
    account = seen.standing.account
    if account is None or account.spf is None:
        return None
    span = priors.INDOOR_C - fit.balance_c
    outdoor = seen.days.filter(pl.col("outdoor_c") < BASE_C)["outdoor_c"].to_numpy()
    cold = float(np.mean(np.maximum(fit.balance_c - outdoor, 0.0))) if len(outdoor) else 0.0
    space = fit.slope_kwh_k * cold * len(outdoor)
    share = space / max(space + fit.base_kwh * seen.days.height, 1e-9)
    # Emitters give more in proportion to their excess over the room.
    hotter = more * (cold + span) * EMITTER_K_PER_K
    spf = account.spf * SPF_PER_K * hotter * share
    days = max((account.end_utc - account.start_utc).total_seconds() / 86_400.0, 1.0)
    kwh = account.electricity_kwh * share * (1.0 - (1.0 - more) * (1.0 - SPF_PER_K * hotter))
    return _effect(seen, spf, LOSS_COST_U, kwh / days * 365.25)


#: Kelvin of flow above the room for each kelvin between balance temperature and outside:
#: 20 K at a design difference of 20 K. Common practice, no source.
EMITTER_K_PER_K: Final = 0.9


def weather_not_system(seen: Seen) -> list[Finding]:
    """A gap to the promise that the weather makes, and the system hardly."""
    split = seen.assessment.shortfall if seen.assessment is not None else None
    if split is None or not split.is_adequate or split.gap_spf < LEAST_GAP_SPF:
        return []
    if split.colder_k is None or split.colder_k < COLDER_K:
        return []
    share = split.share(Cause.WEATHER)
    if share is None or share.spf is None or share.low is None:
        return []
    # What may as well take nothing is no rival.
    others = [
        s.spf
        for s in split.shares
        if s.spf is not None and s.low is not None and s.low > 0 and s.cause is not Cause.WEATHER
    ]
    if share.spf < max(LEAST_SPF, MOST_OF_GAP * split.gap_spf) or share.low <= 0:
        return []
    if max(others, default=0.0) > OTHER_SHARE * share.spf:
        return []
    moved = seen.standing.allowance
    granted = (
        f" The terms grant a weather allowance: moved to the reference climate the SPF is "
        f"{moved.spf:.2f}."
        if moved is not None and moved.spf is not None
        else " The terms grant no weather allowance."
    )
    return [
        Finding(
            kind="weather-not-system",
            topic=Topic.PROMISE,
            title="Colder weather, not the system",
            what=(
                f"{share.sentence} Of the {split.gap_spf:.2f} that the SPF lies below the promise, "
                f"{share.spf:.2f} come of it (95 % interval {share.low:.2f} to "
                f"{share.high:.2f}); no other cause is shown to take as much. "
                f"{share.assumed}{granted}"
            ),
            plainly=(
                "It has been colder than in a usual year. That, and not your heat pump, is why it "
                "needed more electricity."
            ),
            confidence=Confidence.LIKELY,
            window_start=seen.site.midnight(split.period_start),
            window_end=split.until,
            roles=(Role.OUTDOOR_TEMP,) if Role.OUTDOOR_TEMP in seen.site.roles else (),
            figures=(
                Figure(name="share of the weather", value=share.spf),
                Figure(name="gap to the promise", value=split.gap_spf),
            ),
            evidence=(
                Evidence(of="day", name="outdoor_c", label="Outdoor temperature", unit="degC"),
            ),
            explains=Cause.WEATHER,
            effect=effect_of(split, share),
            check=(
                "Nothing at the home: see whether the terms grant a weather allowance",
                "Whether the outdoor sensor hangs right and agrees with a station near by",
            ),
        )
    ]
