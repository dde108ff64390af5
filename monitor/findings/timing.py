"""When rooms are heated: set-backs that force hot recoveries, and heating in summer."""

from __future__ import annotations

from datetime import date
from typing import Final

import polars as pl

from monitor.findings.finding import BandPoint, Confidence, Effect, Evidence, Finding, Seen, Topic
from monitor.findings.hours import (
    cost,
    design_curve,
    figure,
    heating_days,
    hourly,
    local_day,
    source_of,
    spared_share,
    spell_fields,
    with_water,
)
from monitor.findings.spells import LEAST_DAYS, spell
from monitor.metrics import priors
from monitor.metrics.plausibility import Figure
from monitor.models import Role

#: Mean outdoor temperature of a day up to which heating should hardly ever rest, degC.
#: Common practice, no source.
COLD_C: Final = 8.0

#: Hours before a recovery that a deep set-back leaves nearly without heat, their heat over
#: that of the hours after it, and hours over which a recovery is seen.
#: Common practice, no source.
REST_HOURS: Final = 6
REST_SHARE: Final = 0.3
RECOVERY_HOURS: Final = 4

#: Heat of an hour that is none, as a share of the nominal output; and hours of a day that must
#: be known. Common practice, no source.
IDLE_SHARE: Final = 0.06
LEAST_KNOWN_H: Final = 18

#: Heat of the two hardest hours of a recovery over that of the hours after it; or how much
#: hotter its flow is, K, beyond what the colder hour asks for. Common practice, no source.
HARD: Final = 1.35
HOTTER_K: Final = 3.0

#: Fall of the room over the day below which a set-back is gentle, K. Common practice, no source.
DEEP_K: Final = 2.5

#: Mean of the last 24 hours outside from which heating is out of place, degC: the customary base
#: of British degree days is 15.5 degC (CIBSE TM41, from memory). Hours of a day that must have
#: been so warm. Common practice, no source.
SUMMER_C: Final = 16.0
LEAST_WARM_H: Final = 6

#: Length of the time of the year in which heating is out of place, days.
#: Common practice, no source.
SUMMER_DAYS: Final = 90

#: What a recovery costs over what its hotter flow does: as estimated, since full load takes more
#: as well, and the ends of a 95 % interval, since the rest itself spares heat. Common practice,
#: no source; set on simulated homes.
RECOVERY: Final = (2.0, -1.0, 5.0)

#: Electricity of rooms on such a day over their share of its heat: 95 % interval about one
#: that is less than 1, since hot water is made hotter. Common practice, no source.
ROOMS_SHARE: Final = (0.55, 0.8, 1.05)

#: Space heat of such a day that is no error of two meters, kWh, and as a share of all heat of
#: that day, which their class limits may hide. Common practice, no source.
SUMMER_KWH: Final = 1.5
SUMMER_SHARE: Final = 0.15


def setback_recovery(seen: Seen) -> list[Finding]:
    """Rests of many hours on cold days, and a recovery that drives the unit hard or hot."""
    # Without the room's own fall a rest may as well be a house that holds its heat.
    falls = _falls(seen)
    if spell(falls, pl.col("fall_k") >= DEEP_K) is None:
        return []
    hours = hourly(
        seen,
        *(Role.HEAT_TOTAL, Role.HEAT_SPACE, Role.HEAT_DHW, Role.DHW_TEMP),
        *(Role.FLOW_TEMP, Role.OUTDOOR_TEMP),
    )
    has = set(hours.columns)
    if Role.FLOW_TEMP.value not in has or has.isdisjoint(
        {Role.HEAT_TOTAL.value, Role.HEAT_SPACE.value}
    ):
        return []
    days = _recoveries(seen, hours, falls)
    found = spell(days, pl.col("shown"))
    if found is None:
        return []
    window = days.filter(pl.col("day").is_between(found.since, found.until) & pl.col("shown"))
    rest, fall, hotter, hard = window.select(
        pl.col("rest_h").mean(),
        pl.col("fall_k").mean(),
        pl.col("hotter_k").mean(),
        pl.col("hard").median(),
    ).row(0)
    spared = (
        window.join(seen.days.select("day", "electricity_kwh", "heat_kwh", "source_c"), on="day")
        .filter(pl.col("heat_kwh") > 0)
        .select(
            (
                pl.col("electricity_kwh")
                * (pl.col("recovery_kwh") / pl.col("heat_kwh")).clip(0.0, 1.0)
                * spared_share(
                    pl.col("flow_c"),
                    pl.col("flow_c") - pl.col("hotter_k").clip(lower_bound=0.0),
                    source_of(seen),
                )
            ).sum()
        )
        .item()
    )
    return [
        Finding(
            kind="setback-recovery",
            topic=Topic.OPERATION,
            title="Deep set-backs force hot recoveries",
            what=(
                f"On {found.days} of {found.judged} cold days from {found.since:%-d %B %Y} to "
                f"{found.until:%-d %B %Y} the heating rested for {rest:.0f} hours on end, the room "
                f"fell by {fall:.1f} K, and the recovery took {hard:.1f} times the heat of the "
                f"hours after it, with a flow {hotter:.1f} K hotter. What the rest spares is "
                "partly or wholly lost to the hotter flow and to full load."
            ),
            plainly=(
                "Your heating is off for many hours and then has to catch up in a hurry, which "
                "takes more electricity. A smaller drop at night often costs no more and is "
                "warmer. Ask your installer; do not let your home get cold to save electricity."
            ),
            confidence=Confidence.LIKELY,
            **spell_fields(
                seen, found, Role.FLOW_TEMP, Role.ROOM_TEMP, Role.HEAT_TOTAL, Role.HEAT_SPACE
            ),
            figures=(
                Figure(name="hours at rest", value=float(rest), unit="h"),
                Figure(name="fall of the room", value=float(fall), unit="K"),
                Figure(name="flow in the recovery above later", value=float(hotter), unit="K"),
                Figure(name="heat in the recovery over later", value=float(hard)),
                Figure(name="days", value=float(found.days)),
            ),
            evidence=(
                Evidence(of="state", name=Role.ROOM_TEMP.value, label="Room", unit="degC"),
                Evidence(of="state", name=Role.FLOW_TEMP.value, label="Flow", unit="degC"),
            ),
            effect=cost(
                seen,
                *(spared * times for times in RECOVERY),
                since=found.since,
                days=heating_days(seen, found.since),
            ),
            check=(
                "Ask the household when it wants which rooms warm before anything is changed",
                "Set-back depth and times in the controller and in every room thermostat",
                "Room influence or boost that lifts the flow while the room catches up",
                "Whether the backup heater joins in during the recovery",
            ),
            caution=(
                "A household left cold comes before saving: the smaller set-back must keep rooms "
                "as warm as they are wanted, above all for the old, the ill and small children."
            ),
        )
    ]


def _falls(seen: Seen) -> pl.DataFrame:
    """Fall of the room on each cold day whose room temperature is known."""
    rooms = seen.states.filter(
        (pl.col("role") == Role.ROOM_TEMP.value) & pl.col("mean").is_finite()
    )
    by_day = (
        rooms.group_by(local_day(seen.site))
        .agg((pl.col("mean").max() - pl.col("mean").min()).alias("fall_k"), pl.len().alias("rooms"))
        .filter(pl.col("rooms") >= LEAST_KNOWN_H)
    )
    cold = seen.days.filter(pl.col("outdoor_c") <= COLD_C).select("day", "outdoor_c")
    return cold.join(by_day.select("day", "fall_k"), on="day", how="left").sort("day")


def _recoveries(seen: Seen, hours: pl.DataFrame, falls: pl.DataFrame) -> pl.DataFrame:
    """Each cold day with its hardest recovery after a rest; `shown` is null where unknown."""
    apart = not {Role.HEAT_SPACE.value, Role.HEAT_DHW.value}.isdisjoint(hours.columns)
    hours, _ = with_water(hours)
    nominal = seen.site.heat_pump.nominal_heat_kw
    # Medians leave an hour or two of hot water aside where no meter tells it.
    heat = pl.col("space" if apart else "heat")
    curve = design_curve(seen.site)
    per_k = priors.FLOW_SLOPE if curve is None else curve[1]
    flow = pl.col(Role.FLOW_TEMP.value)
    if Role.OUTDOOR_TEMP.value in hours.columns:
        # As if the whole day were equally cold.
        outdoor = pl.col(Role.OUTDOOR_TEMP.value)
        flow = flow + per_k * (outdoor - outdoor.mean().over("day")).fill_null(0.0)
    running = (heat > 2.0 * IDLE_SHARE * nominal).fill_null(value=False)
    dry = running & ~pl.col("wet").fill_null(value=False)
    span = RECOVERY_HOURS
    hours = hours.with_columns(
        heat.rolling_median(REST_HOURS, min_samples=REST_HOURS - 2).shift(1).alias("before"),
        (heat <= IDLE_SHARE * nominal)
        .cast(pl.Int32)
        .rolling_sum(12, min_samples=8)
        .shift(1)
        .alias("rest_h"),
        heat.rolling_mean(2, min_samples=1).alias("two"),
        pl.when(dry).then(flow).alias("dry_flow"),
        running.alias("running"),
    ).with_columns(
        pl.col("two").rolling_max(span, min_samples=1).shift(1 - span).alias("peak"),
        heat.rolling_sum(span, min_samples=1).shift(1 - span).alias("recovery_kwh"),
        heat.rolling_median(6, min_samples=3).shift(-span - 5).alias("later"),
        pl.col("dry_flow").rolling_max(span, min_samples=1).shift(1 - span).alias("flow_c"),
        pl.col("dry_flow").rolling_median(8, min_samples=2).shift(-span - 7).alias("flow_later"),
    )
    begins = pl.col("running") & (pl.col("before") <= REST_SHARE * pl.col("later"))
    events = (
        hours.filter(begins.fill_null(value=False) & (pl.col("later") > IDLE_SHARE * nominal))
        .with_columns(
            (pl.col("peak") / pl.col("later")).alias("hard"),
            (pl.col("flow_c") - pl.col("flow_later")).alias("hotter_k"),
        )
        .filter((pl.col("hard") >= HARD) | (pl.col("hotter_k") >= HOTTER_K))
        .sort("day", "hard", descending=[False, True], nulls_last=True)
        .unique("day", keep="first", maintain_order=True)
        .select("day", "rest_h", "hard", "hotter_k", "flow_c", "recovery_kwh")
    )
    by_day = hours.group_by("day").agg(pl.col("heat").count().alias("known"))
    known = (pl.col("known") >= LEAST_KNOWN_H) & pl.col("fall_k").is_not_null()
    gentle = pl.col("fall_k") < DEEP_K
    # A deep fall without a plain recovery says nothing: the unit may give all it can anyway.
    shown = pl.when(known & (gentle | pl.col("hard").is_not_null())).then(~gentle)
    return (
        falls.join(by_day, on="day", how="left")
        .join(events, on="day", how="left")
        .with_columns(shown.alias("shown"))
        .sort("day")
    )


def summer_heating(seen: Seen) -> list[Finding]:
    """Heat to rooms on days that are warm enough without."""
    if (seen.days["outdoor_c"] >= SUMMER_C - 1.0).sum() < LEAST_DAYS:
        return []
    days = _warm_days(seen)
    found = spell(days, pl.col("shown"))
    if found is None:
        return []
    window = days.filter(pl.col("day").is_between(found.since, found.until))
    kwh = figure(window["space_kwh"].mean())
    if kwh < SUMMER_KWH:
        return []
    share = (pl.col("space_kwh") / pl.col("heat_kwh")).fill_nan(0.0).clip(0.0, 1.0)
    used = window.select((pl.col("electricity_kwh") * share).sum()).item()
    return [
        Finding(
            kind="summer-heating",
            topic=Topic.OPERATION,
            title="Rooms are heated in summer",
            what=(
                f"On {found.days} of {found.judged} days from {found.since:%-d %B %Y} to "
                f"{found.until:%-d %B %Y} the unit heated rooms in hours after a day of "
                f"{SUMMER_C:.0f} degC and more outside: {kwh:.1f} kWh of heat a day."
            ),
            plainly=(
                "Your rooms are heated although it is warm outside. If that is not what you want, "
                "ask your installer to set when the heating stops for the summer. Hot water is "
                "not touched by that."
            ),
            confidence=Confidence.LIKELY,
            **spell_fields(
                seen, found, Role.HEAT_SPACE, Role.HEAT_TOTAL, Role.HEAT_DHW, Role.OUTDOOR_TEMP
            ),
            figures=(
                Figure(name="heat to rooms on warm days", value=kwh, unit="kWh/d"),
                Figure(name="days", value=float(found.days)),
            ),
            evidence=(
                Evidence(
                    of="day",
                    name="heat_kwh",
                    label="Heat of a day",
                    unit="kWh",
                    against="outdoor",
                    band=_water_band(days),
                ),
            ),
            effect=_without(seen, float(window["space_kwh"].sum()), float(used), found.since),
            check=(
                "Ask whether somebody needs it warmer: a new baby, illness",
                "Outdoor temperature at which the controller stops heating",
                "Room set points and thermostats that call for heat in one room",
                "A diverter valve that lets hot water production pass into the heating",
            ),
            caution=(
                "Where somebody needs the warmth, leave it on. Hot water and its protection "
                "against legionella stay as they are."
            ),
        )
    ]


def _warm_days(seen: Seen) -> pl.DataFrame:
    """Days with hours that need no heating: heat to rooms in them, and whether that is much.

    Cool mornings of a warm day are not among them: an hour counts by the 24 hours before it,
    or where no sensor tells them by the means of its day and of the day before.
    """
    roles = (Role.HEAT_TOTAL, Role.HEAT_SPACE, Role.HEAT_DHW, Role.OUTDOOR_TEMP)
    hours = hourly(seen, *roles)
    has = set(hours.columns)
    space, total, water, outdoor = (
        role.value for role in (Role.HEAT_SPACE, Role.HEAT_TOTAL, Role.HEAT_DHW, Role.OUTDOOR_TEMP)
    )
    days = seen.days.sort("day").with_columns(
        pl.min_horizontal("outdoor_c", pl.col("outdoor_c").shift(1)).alias("both_c")
    )
    if space not in has and not {total, water} <= has:
        # Nothing tells rooms from hot water.
        return days.clear().with_columns(pl.lit(None, dtype=pl.Boolean).alias("shown"))
    rooms = pl.col(space) if space in has else pl.col(total) - pl.col(water)
    whole = pl.col(total) if total in has else pl.col(space) + pl.col(water)
    before = pl.lit(None, dtype=pl.Float64)
    if outdoor in has:
        before = pl.col(outdoor).rolling_mean(24, min_samples=18)
    hours = (
        hours.with_columns(before.alias("before_c"), rooms.alias("rooms"), whole.alias("whole"))
        .join(days.select("day", "both_c"), on="day", how="left")
        .filter(pl.coalesce("before_c", "both_c") >= SUMMER_C)
    )
    by_day = hours.group_by("day").agg(
        pl.col("rooms").sum().alias("space_kwh"),
        pl.col("rooms").count().alias("warm_h"),
        pl.col("whole").sum().alias("whole"),
    )
    least = pl.max_horizontal(pl.lit(SUMMER_KWH), SUMMER_SHARE * pl.col("whole"))
    return (
        days.join(by_day, on="day", how="inner")
        .filter(pl.col("warm_h") >= LEAST_WARM_H)
        .with_columns((pl.col("space_kwh") >= least).alias("shown"))
        .sort("day")
    )


def _water_band(days: pl.DataFrame) -> tuple[BandPoint, ...]:
    """What hot water alone takes of a warm day."""
    most = days["dhw_kwh"].quantile(0.95)
    return () if most is None else (BandPoint(low=0.0, high=most + SUMMER_KWH),)


def _without(seen: Seen, heat_kwh: float, used_kwh: float, since: date) -> Effect | None:
    """What summer heating costs: its electricity, while its heat leaves the SPF as well.

    Heat of warm days is made at a high COP, so that the SPF may gain by it and the bill not.
    """
    best_kwh = ROOMS_SHARE[1] * used_kwh
    effect = cost(seen, best_kwh, best_kwh, best_kwh, since=since, days=_summers(seen, since))
    account = seen.standing.account
    if effect is None or account is None or account.spf is None:
        return None
    spf = account.spf

    def change(share: float) -> float:
        used = max(account.electricity_kwh - share * used_kwh, 0.05 * account.electricity_kwh)
        return (account.heat_kwh - heat_kwh) / used - spf

    # Hot water of the same days is dearer, so that rooms took less than their share of heat.
    low, best, high = (change(share) for share in ROOMS_SHARE)
    return effect.model_copy(update={"spf": best, "low": low, "high": high})


def _summers(seen: Seen, since: date) -> float:
    """Days of a year that the warm days since a day stand for: a summer comes once in it."""
    length = float((seen.days["day"][-1] - since).days + 1)
    return max(length, 365.25 * min(length / SUMMER_DAYS, 1.0))
