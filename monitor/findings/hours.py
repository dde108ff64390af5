"""A site hour by hour and day by day, with hot water told apart from the heating of rooms."""

from __future__ import annotations

from datetime import date
from typing import Any, Final

import polars as pl

from monitor.findings.causes import effect_of
from monitor.findings.finding import BandPoint, Effect, Seen
from monitor.findings.spells import Spell
from monitor.findings.worth import of_electricity
from monitor.guarantee.causes import Cause
from monitor.metrics import climate as weather
from monitor.metrics import priors
from monitor.metrics.account import Account
from monitor.models import Role, Site
from monitor.schemas import Schema

#: Share of an hour that samples must cover for its mean. Common practice, no source.
ENOUGH_COVERED: Final = 0.5

#: Heat of an hour, as a share of the nominal output, from which its flow is that of a running
#: unit. Common practice, no source.
RUNNING_SHARE: Final = 0.12

#: Share of an hour's heat, and kWh, up to which hot water leaves its flow that of the rooms.
#: Common practice, no source.
DRY_SHARE: Final = 0.02
DRY_KWH: Final = 0.03

#: Rise of the cylinder from one hour to the next, K, that shows hot water being made.
#: Common practice, no source.
RISING_K: Final = 0.4

#: Hours that make a day's flow: told apart from hot water, and where nothing tells it, so
#: that a median leaves the few hours of hot water aside. Common practice, no source.
LEAST_HOURS: Final = 2
LEAST_MIXED_HOURS: Final = 10

#: Hours of running for rooms that make a day's flow. Common practice, no source.
LEAST_RUNNING_H: Final = 1.0

#: Base of British degree days, degC (CIBSE TM41, from memory).
DEGREE_DAY_BASE_C: Final = 15.5

#: Columns of `space_days`: flow, outdoor temperature and flow over return while rooms are
#: heated; the last is null where no return is recorded.
SPACE_DAY: Final[Schema] = {
    "day": pl.Date,
    "flow_c": pl.Float64,
    "outdoor_c": pl.Float64,
    "spread_k": pl.Float64,
}


def hourly(seen: Seen, *roles: Role) -> pl.DataFrame:
    """Hours of a site without holes, one column a role that has any.

    Returns
    -------
    pl.DataFrame
        Columns slot_start_utc, day (local), and kWh or mean of each role; null where an hour
        is not measured by itself. No rows where no role has any.
    """
    slots = seen.slots.filter(pl.col("role").is_in(roles) & pl.col("kwh").is_not_null())
    states = seen.states.filter(
        pl.col("role").is_in(roles)
        & (pl.col("covered") >= ENOUGH_COVERED)
        & pl.col("mean").is_finite()
    )
    long = pl.concat(
        [
            slots.select("slot_start_utc", "role", pl.col("kwh").alias("value")),
            states.select("slot_start_utc", "role", pl.col("mean").alias("value")),
        ]
    )
    if long.height == 0:
        return pl.DataFrame(schema={"slot_start_utc": pl.Datetime("us", "UTC")})
    out = long.select(
        pl.datetime_range(
            pl.col("slot_start_utc").min(), pl.col("slot_start_utc").max(), "1h"
        ).alias("slot_start_utc")
    )
    for role in roles:
        own = long.filter(pl.col("role") == role.value)
        if own.height:
            out = out.join(
                own.select("slot_start_utc", pl.col("value").alias(role.value)),
                on="slot_start_utc",
                how="left",
            )
    return out.sort("slot_start_utc").with_columns(local_day(seen.site))


def local_day(site: Site) -> pl.Expr:
    """Local day of a slot."""
    return pl.col("slot_start_utc").dt.convert_time_zone(site.zone).dt.date().alias("day")


def with_water(hours: pl.DataFrame) -> tuple[pl.DataFrame, bool]:
    """Add heat, space heat, and whether an hour or its neighbours make hot water.

    Returns
    -------
    pl.DataFrame
        With columns heat, space (kWh, null where not told apart) and wet.
    bool
        Whether anything tells hot water from the heating of rooms.
    """
    names = set(hours.columns)
    total, space, water = (r.value for r in (Role.HEAT_TOTAL, Role.HEAT_SPACE, Role.HEAT_DHW))
    heat = pl.col(total) if total in names else pl.col(space) if space in names else pl.lit(None)
    if water not in names and {total, space} <= names:
        hours = hours.with_columns((pl.col(total) - pl.col(space)).alias(water))
        names.add(water)
    rooms: pl.Expr = pl.lit(None, dtype=pl.Float64)
    told = True
    if water in names:
        makes = pl.col(water) > pl.max_horizontal(DRY_SHARE * heat, pl.lit(DRY_KWH))
        rooms = heat - pl.col(water) if total in names else heat
    elif Role.DHW_TEMP.value in names:
        rise = pl.col(Role.DHW_TEMP.value).diff()
        makes = (rise > RISING_K) | (rise.shift(-1) > RISING_K)
        rooms = pl.when(~makes).then(heat)
    else:
        makes, told = pl.lit(None, dtype=pl.Boolean), False
        rooms = heat if total not in names else rooms
    if space in names:
        rooms = pl.col(space)
    out = hours.with_columns(
        heat.cast(pl.Float64).alias("heat"), rooms.alias("space"), makes.alias("makes")
    )
    near = pl.col("makes") | pl.col("makes").shift(1) | pl.col("makes").shift(-1)
    return out.with_columns(near.alias("wet")), told


def space_days(seen: Seen) -> pl.DataFrame:
    """Flow and outdoor temperature of each day while rooms are heated (schema SPACE_DAY).

    From samples of minutes where there are any; else from whole hours of running without hot
    water, weighted with their heat; and where nothing tells hot water, the median of many.
    """
    outdoor = seen.days.select("day", pl.col("outdoor_c").alias("day_c"))
    roles = seen.site.roles
    marked = bool({Role.HEAT_DHW, Role.DHW_TEMP} & roles) or Role.HEAT_SPACE in roles
    fine = seen.behaviour.filter(
        pl.col("space_flow_c").is_finite() & (pl.col("space_h") >= LEAST_RUNNING_H)
    )
    # Where nothing marks hot water, a flow far above the curve may have been taken for it.
    if fine.height and marked:
        out = fine.join(outdoor, on="day", how="left").select(
            "day",
            pl.col("space_flow_c").alias("flow_c"),
            pl.coalesce("space_outdoor_c", "day_c").alias("outdoor_c"),
            pl.col("space_delta_k").alias("spread_k"),
        )
        return out.drop_nulls("outdoor_c").sort("day")
    hours = hourly(
        seen,
        *(Role.HEAT_TOTAL, Role.HEAT_SPACE, Role.HEAT_DHW, Role.DHW_TEMP),
        *(Role.FLOW_TEMP, Role.RETURN_TEMP, Role.OUTDOOR_TEMP),
    )
    if Role.FLOW_TEMP.value not in hours.columns:
        return pl.DataFrame(schema=SPACE_DAY)
    hours, told = with_water(hours)
    missing = {Role.OUTDOOR_TEMP.value, Role.RETURN_TEMP.value} - set(hours.columns)
    hours = hours.with_columns(pl.lit(None, dtype=pl.Float64).alias(name) for name in missing)
    runs = pl.col("heat") >= RUNNING_SHARE * seen.site.heat_pump.nominal_heat_kw
    flow, out_c = pl.col(Role.FLOW_TEMP.value), pl.col(Role.OUTDOOR_TEMP.value)
    kept = hours.filter(runs & flow.is_not_null() & ~pl.col("wet").fill_null(value=False))
    weighted = (flow * pl.col("heat")).sum() / pl.col("heat").sum()
    return (
        kept.group_by("day")
        .agg(
            (weighted if told else flow.median()).alias("flow_c"),
            out_c.mean().alias("hours_c"),
            (flow - pl.col(Role.RETURN_TEMP.value)).median().alias("spread_k"),
            pl.len().alias("hours"),
        )
        .filter(pl.col("hours") >= (LEAST_HOURS if told else LEAST_MIXED_HOURS))
        .join(outdoor, on="day", how="left")
        .select("day", "flow_c", pl.coalesce("hours_c", "day_c").alias("outdoor_c"), "spread_k")
        .drop_nulls("outdoor_c")
        .sort("day")
    )


def design_curve(site: Site) -> tuple[float, float] | None:
    """Flow at 15 degC outside by design, and K more for each K colder; None if not stated."""
    pump = site.heat_pump
    if pump.design_flow_temp_c is None or pump.design_outdoor_temp_c is None:
        return None
    at_15 = priors.FLOW_AT_15_C if pump.flow_temp_at_15_c is None else pump.flow_temp_at_15_c
    return at_15, (pump.design_flow_temp_c - at_15) / max(15.0 - pump.design_outdoor_temp_c, 5.0)


def curve_band(site: Site, width_k: float) -> tuple[BandPoint, ...]:
    """The design curve with a width, for a chart against outdoor temperature."""
    curve = design_curve(site)
    if curve is None:
        return ()
    coldest = site.heat_pump.design_outdoor_temp_c
    assert coldest is not None  # noqa: S101 - there is a curve
    flows = [(x, curve[0] + curve[1] * (15.0 - x)) for x in (coldest, 15.0)]
    return tuple(BandPoint(x=x, low=y - width_k, high=y + width_k) for x, y in flows)


def spared_share(flow_c: pl.Expr, wanted_c: pl.Expr, source_c: pl.Expr) -> pl.Expr:
    """Share of the electricity that a lower flow temperature would spare.

    Of a constant share of the Carnot COP with `priors.EXCHANGERS_K` across both heat
    exchangers, the form of the home's own energy model: about 2 % for each kelvin.
    """

    def need(flow: pl.Expr) -> pl.Expr:
        lift = (flow - source_c + priors.EXCHANGERS_K).clip(lower_bound=15.0)
        return lift / (flow + 273.15 + priors.EXCHANGERS_K / 2)

    return 1.0 - need(wanted_c) / need(flow_c)


def share_effect(seen: Seen, cause: Cause) -> Effect | None:
    """What a cause of the shortfall costs, where the split can be leaned on and says so."""
    split = seen.assessment.shortfall if seen.assessment is not None else None
    share = split.share(cause) if split is not None and split.is_adequate else None
    if split is None or share is None or share.spf is None or share.spf <= 0.0:
        return None
    return effect_of(split, share)


def cost(
    seen: Seen, kwh: float, low: float, high: float, *, since: date, days: float
) -> Effect | None:
    """What electricity costs that was too much since a day.

    Parameters
    ----------
    kwh, low, high
        With the 95 % interval; the part before the guarantee period leaves its SPF alone.
    days
        Days of a year that the electricity stands for.
    """
    effect = of_electricity(seen, kwh, low, high, days=days)
    account = seen.standing.account
    if effect is None or account is None:
        return effect
    inside = inside_share(seen, account, since)
    if inside == 1.0:
        return effect
    own = of_electricity(seen, kwh * inside, low * inside, high * inside, days=days)
    if own is None:
        return effect
    return effect.model_copy(update={"spf": own.spf, "low": own.low, "high": own.high})


def inside_share(seen: Seen, account: Account, since: date) -> float:
    """Share of the time since a day that lies in the guarantee period."""
    begin = seen.site.midnight(since)
    if begin >= account.start_utc:
        return 1.0
    length = (account.end_utc - begin).total_seconds()
    return (account.end_utc - account.start_utc).total_seconds() / max(length, 1.0)


def heating_days(seen: Seen, since: date) -> float:
    """Days of a year that the heating since a day stands for, by degree days.

    Of days that are known, over the degree days of a usual year in the site's reference
    climate (default the average of the United Kingdom), as far off as its own days show it to
    lie: three months of winter are most of a year's heating.
    """
    given = seen.base.given.climate if seen.base is not None else None
    usual = given or weather.from_months(weather.UK_AVERAGE, weather.UK_ORIGIN)
    there = weather.place(usual, seen.days["day"], seen.days["outdoor_c"].to_numpy())
    year = weather.degree_days(there, DEGREE_DAY_BASE_C)
    known = (pl.col("day") >= since) & (2 * pl.col("hours_placed") >= pl.col("hours"))
    seen_k = (
        seen.days.filter(known)
        .select((DEGREE_DAY_BASE_C - pl.col("outdoor_c")).clip(lower_bound=0.0).sum())
        .item()
    )
    return max(365.25 * float(seen_k) / max(year, 1.0), 1.0)


def source_of(seen: Seen) -> pl.Expr:
    """Temperature of the source by day: the air, or what the ground gives."""
    if seen.site.heat_pump.source == "air":
        return pl.col("outdoor_c")
    return pl.col("source_c").fill_null(priors.GROUND_C)


def figure(value: object) -> float:
    """A figure of a frame; 0 where there is none."""
    return float(value) if isinstance(value, int | float) else 0.0


def spell_fields(seen: Seen, found: Spell, *roles: Role) -> dict[str, Any]:
    """What every finding says of where it was seen; of the roles, those that the site has."""
    since = seen.site.midnight(found.since)
    return {
        "since": since,
        "window_start": since,
        "window_end": seen.now,
        "roles": tuple(role for role in roles if role in seen.site.roles),
    }
