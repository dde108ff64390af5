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
from monitor.findings.hours import heating_days
from monitor.findings.spells import spell
from monitor.guarantee.assessment import ModelFit
from monitor.guarantee.causes import Cause
from monitor.metrics import climate, priors, steps
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

#: Kelvins by which free heat lifts a room over what the heating gives.
FREE_HEAT_K: Final = priors.INDOOR_C - priors.BALANCE_C

#: Share of hot water in the heat of a heating day where no meter tells it. Common practice, no
#: source.
HOT_WATER_SHARE: Final = 0.2

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
    # Free heat gives the last kelvins whatever the room is set to.
    more = min(above / max(room - FREE_HEAT_K - outdoor, 5.0), 1.0)
    hotter = FLOW_PER_ROOM_K * above
    return [
        Finding(
            kind="comfort-above-terms",
            topic=Topic.PROMISE,
            title="Rooms are warmer than the terms state",
            what=(
                f"On {found.days} of {found.judged} heating days since {found.since:%-d %B %Y} the "
                f"room was more than {COMFORT_MARGIN_K:g} K above the {asked:g} degC of the terms; "
                f"it was at {room:.1f} degC on average. That is about {more:.0%} more heat. "
                f"Where the heating curve was raised for it, by some {hotter:.1f} K, each kelvin "
                f"takes about {SPF_PER_K:.1%} of the SPF as well."
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
            effect=_of_more_heat(
                seen,
                warm,
                more,
                hotter,
                steadier=1.0,
                times_a_year=_days_below(seen, room - FREE_HEAT_K) / warm.height,
            ),
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


def _of_more_heat(
    seen: Seen,
    days: pl.DataFrame,
    more: float,
    hotter_k: float,
    *,
    steadier: float,
    times_a_year: float,
) -> Effect | None:
    """What heat costs that rooms would not have had to get.

    By itself it is made at the COP of the other heat for rooms, and the SPF hardly changes: it
    may even rise, as hot water and standby weigh less and the unit runs more steadily. Where
    the flow was made hotter for it, the SPF falls. The interval reaches from `steadier` times
    that the other way to all of it.

    Parameters
    ----------
    days
        Days that had it.
    more, hotter_k
        Share of the heat for rooms, and kelvins by which the flow may have been hotter.
    times_a_year
        How often a year has as much of it as these days.
    """
    account = seen.standing.account
    if account is None or account.spf is None or account.electricity_kwh <= 0:
        return None
    rooms = 1.0 - (pl.col("dhw_kwh") / pl.col("heat_kwh")).fill_nan(None).fill_null(
        HOT_WATER_SHARE
    ).clip(0.0, 1.0)
    known = days.filter(pl.col("heat_kwh").is_not_null() & pl.col("electricity_kwh").is_not_null())
    inside = known.filter(pl.col("day") >= account.start_utc.astimezone(seen.site.tz).date())
    spf, (heat, used) = account.spf, _sums(inside, rooms)
    lost = SPF_PER_K * hotter_k

    def without(kwh: float) -> float:
        left = max(account.electricity_kwh - kwh, 0.05 * account.electricity_kwh)
        return (account.heat_kwh - more * heat) / left - spf

    as_made = without(more * used)
    hotter = without(used * (1.0 - (1.0 - more) * (1.0 - lost)))
    spread = hotter - as_made
    kwh = more * _sums(known, rooms)[1]
    year = kwh * times_a_year
    priced = seen.price_per_kwh
    return Effect(
        spf=as_made,
        low=as_made - steadier * spread,
        high=hotter,
        kwh_year=year,
        money_year=None if priced is None else year * priced,
        currency=None if priced is None else seen.currency,
    )


def _days_below(seen: Seen, limit_c: float) -> float:
    """Days of a usual year in the site's climate that are colder than a temperature."""
    given = seen.base.given.climate if seen.base is not None else None
    usual = given or climate.from_months(climate.UK_AVERAGE, climate.UK_ORIGIN)
    return float((usual.normal(np.arange(1.0, 366.0)) < limit_c).sum())


def _sums(days: pl.DataFrame, rooms: pl.Expr) -> tuple[float, float]:
    """Heat for rooms of some days, and the electricity that it took, kWh."""
    heat, used = days.select(
        (pl.col("heat_kwh") * rooms).sum(),
        (pl.col("electricity_kwh") * rooms).sum().alias("used"),
    ).row(0)
    return float(heat or 0.0), float(used or 0.0)


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
    """More heat than designed, at the flow that emitters may have needed to give it."""
    days = seen.days.filter(pl.col("outdoor_c") < BASE_C)
    if days.height == 0:
        return None
    outdoor = days["outdoor_c"].to_numpy()
    now = np.maximum(fit.balance_c - outdoor, 0.0)
    # Free heat is what it is: with a smaller loss it would carry the house to a colder day.
    free_k = priors.INDOOR_C - fit.balance_c
    designed = np.maximum(priors.INDOOR_C - free_k / (1.0 - more) - outdoor, 0.0) * (1.0 - more)
    share = 1.0 - float(designed.sum()) / max(float(now.sum()), 1e-9)
    # Emitters give more in proportion to their excess over the room.
    span = float(np.mean(now)) + free_k
    return _of_more_heat(
        seen,
        days,
        share,
        more * span * EMITTER_K_PER_K,
        steadier=2.0,
        times_a_year=365.25 / heating_days(seen, seen.days["day"][0]),
    )


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
