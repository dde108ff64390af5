"""Hour by hour what resistive heaters took, with a meter of their own or inside the whole."""

from __future__ import annotations

from typing import Final

import polars as pl

from monitor.findings.finding import Seen
from monitor.findings.hours import RUNNING_SHARE, hourly, local_day
from monitor.findings.spells import Spell, spell
from monitor.metrics import priors
from monitor.models import Consumer, Role, Site

#: Outdoor temperature above the design temperature from which the unit should heat alone, K;
#: below the design temperature a backup heater is in its place. Common practice, no source.
ALONE_K: Final = 4.0

#: Heat of the unit, as a share of its nominal output, up to which it had some in hand while
#: the backup heater ran. Common practice, no source.
IN_HAND_SHARE: Final = 0.6

#: Backup electricity of an hour that is no defrost aid, kWh; of a day that is worth a look,
#: kWh and as a share of its heat: 0 to 3 % is usual. Common practice, no source.
LEAST_HOUR_KWH: Final = 0.15
LEAST_DAY_KWH: Final = 1.0
LEAST_DAY_SHARE: Final = 0.03

#: Hours of a day, as cold as those in which the heater ran, that judge it.
#: Common practice, no source.
LEAST_HOURS: Final = 5

#: Where only the whole is metered: electricity of an hour beyond what the unit needs for its
#: heat that shows a heater's step, kWh, and as a share of the hour's; and of a day.
#: Common practice, no source.
STEP_KWH: Final = 0.8
STEP_SHARE: Final = 0.40
STEP_DAY_KWH: Final = 1.6

#: Quantile of the site's own hours, by their share of the Carnot COP, that are the unit alone;
#: shares between which it must lie; and electricity that goes without heat, kWh an hour.
#: Common practice, no source.
ALONE_QUANTILE: Final = 0.8
CARNOT_SHARES: Final = (0.25, 0.65)
IDLE_KWH: Final = 0.3

#: Immersion electricity of a day that no weekly pasteurisation explains, kWh. A heater that only
#: tops up what the unit has heated takes less than this a day, kWh, in at most so many runs:
#: 300 l by 6 K are 2.1 kWh. Common practice, no source.
IMMERSION_DAY_KWH: Final = 0.7
TOP_UP_KWH: Final = 2.2
TOP_UP_RUNS: Final = 1.5


def backup_hours(seen: Seen) -> tuple[pl.DataFrame, bool] | None:
    """Hours with `outdoor`, electricity `backup` and the unit's own heat `alone`, kWh.

    Returns
    -------
    tuple or None
        The hours, and whether the heater has a meter of its own. None where nothing tells.
    """
    hours = hourly(
        seen,
        *(Role.ELEC_BACKUP, Role.ELEC_TOTAL, Role.ELEC_IMMERSION),
        *(Role.HEAT_TOTAL, Role.HEAT_SPACE, Role.FLOW_TEMP, Role.OUTDOOR_TEMP),
    )
    if hours.height == 0:
        return None
    hours = _with_outdoor(seen, hours)
    metered = Role.ELEC_BACKUP.value in hours.columns
    shown = _metered(seen.site, hours) if metered else _in_total(seen.site, hours)
    return None if shown is None else (shown, metered)


def immersion_days(seen: Seen) -> pl.DataFrame:
    """Immersion electricity and its runs of each whole day: columns day, kwh, runs."""
    hours = hourly(seen, Role.ELEC_IMMERSION)
    name = Role.ELEC_IMMERSION.value
    if name not in hours.columns:
        return pl.DataFrame(schema={"day": pl.Date, "kwh": pl.Float64, "runs": pl.Float64})
    on = pl.col(name) > LEAST_HOUR_KWH
    starts = (on & ~on.shift(1).fill_null(value=False)).cast(pl.Float64)
    whole = pl.col(name).count() >= 23
    return (
        hours.with_columns(starts.alias("start"))
        .group_by("day")
        .agg(
            pl.when(whole).then(pl.col(name).sum()).alias("kwh"),
            pl.col("start").sum().alias("runs"),
        )
        .sort("day")
    )


def _tops_up(days: pl.DataFrame) -> bool:
    """Whether an immersion heater only lifts what the unit has heated, as a pasteurisation does."""
    on = days.filter(pl.col("kwh") >= IMMERSION_DAY_KWH)
    if on.height == 0:
        return False
    runs, kwh = (float(on[name].sum()) / on.height for name in ("runs", "kwh"))
    return runs <= TOP_UP_RUNS and kwh <= TOP_UP_KWH


def heater_makes_water(seen: Seen) -> Spell | None:
    """Since when an immersion heater makes hot water on most days; None where it does not.

    One that only tops up what the unit has heated belongs to a pasteurisation.
    """
    days = immersion_days(seen)
    found = spell(days, pl.col("kwh") >= IMMERSION_DAY_KWH)
    if found is None or _tops_up(days.filter(pl.col("day").is_between(found.since, found.until))):
        return None
    return found


def alone_from(site: Site) -> float:
    """Outdoor temperature from which the unit should heat alone, degC."""
    design = site.heat_pump.design_outdoor_temp_c
    return (priors.DESIGN_OUTDOOR_C if design is None else design) + ALONE_K


def _with_outdoor(seen: Seen, hours: pl.DataFrame) -> pl.DataFrame:
    """Hours with `outdoor` and heat: of a sensor, else of the day."""
    own = Role.OUTDOOR_TEMP.value
    outdoor = pl.col(own) if own in hours.columns else pl.lit(None, dtype=pl.Float64)
    names = [r.value for r in (Role.HEAT_TOTAL, Role.HEAT_SPACE) if r.value in hours.columns]
    heat = pl.coalesce(names) if names else pl.lit(None, dtype=pl.Float64)
    return hours.join(
        seen.days.select("day", pl.col("outdoor_c").alias("day_c")), on="day", how="left"
    ).with_columns(
        pl.coalesce(outdoor, pl.col("day_c")).alias("outdoor"), heat.cast(pl.Float64).alias("heat")
    )


def _counts(site: Site, role: Role) -> bool:
    """Whether the meter of a role counts the backup heater."""
    counts = [c.counts for fit in site.meter for c in fit.channel if c.role is role]
    if not counts:
        return False
    if counts[-1] is None:
        return role is Role.ELEC_TOTAL
    return Consumer.BACKUP in counts[-1]


def _metered(site: Site, hours: pl.DataFrame) -> pl.DataFrame:
    """Hours with `backup` and the unit's own heat `alone`, from the heater's own meter."""
    backup = pl.col(Role.ELEC_BACKUP.value)
    heat = pl.col("heat")
    if _counts(site, Role.HEAT_TOTAL) or _counts(site, Role.HEAT_SPACE):
        heat = heat - backup
    return hours.with_columns(
        pl.when(backup > LEAST_HOUR_KWH)
        .then(backup)
        .when(backup.is_not_null())
        .then(0.0)
        .alias("backup"),
        heat.alias("alone"),
    )


def _in_total(site: Site, hours: pl.DataFrame) -> pl.DataFrame | None:
    """The same from the meter of the whole: what an hour took beyond the unit's own best.

    The unit alone is told by the better hours of the site itself, as a share of the Carnot
    COP at the hour's flow and source. None where that cannot be told, or where the meter
    shows other loads in hours without heat.
    """
    names = {Role.ELEC_TOTAL.value, Role.HEAT_TOTAL.value, Role.FLOW_TEMP.value}
    if not names <= set(hours.columns) or not _counts(site, Role.ELEC_TOTAL):
        return None
    used = pl.col(Role.ELEC_TOTAL.value)
    if Role.ELEC_IMMERSION.value in hours.columns:
        immersion = next(
            c.counts for f in site.meter for c in f.channel if c.role is Role.ELEC_TOTAL
        )
        if immersion is None or Consumer.IMMERSION in immersion:
            used = used - pl.col(Role.ELEC_IMMERSION.value)
    nominal = site.heat_pump.nominal_heat_kw
    source = pl.col("outdoor") if site.heat_pump.source == "air" else pl.lit(priors.GROUND_C)
    flow = pl.col(Role.FLOW_TEMP.value)
    carnot = (flow + 273.15) / (flow - source + priors.EXCHANGERS_K).clip(lower_bound=15.0)
    hours = hours.with_columns(used.alias("used"), carnot.alias("carnot"))
    idle = hours.filter(pl.col("heat").abs() <= 0.002 * nominal)["used"]
    if len(idle) and (idle.quantile(0.9) or 0.0) > IDLE_KWH:
        return None
    runs = hours.filter((pl.col("heat") >= RUNNING_SHARE * nominal) & (pl.col("used") > 0))
    share = (runs["heat"] / runs["used"] / runs["carnot"]).quantile(ALONE_QUANTILE)
    if share is None or not CARNOT_SHARES[0] <= share <= CARNOT_SHARES[1]:
        return None
    cop = (share * pl.col("carnot")).clip(lower_bound=1.3)
    in_heat = _counts(site, Role.HEAT_TOTAL)
    # A heater upstream of the heat meter stands for heat that the unit did not make.
    beyond = (pl.col("used") - pl.col("heat").clip(lower_bound=0.0) / cop) / (
        (1.0 - 1.0 / cop) if in_heat else 1.0
    )
    shown = (beyond >= STEP_KWH) & (beyond >= STEP_SHARE * pl.col("used"))
    backup = pl.when(shown).then(beyond).when(beyond.is_not_null()).then(0.0)
    return hours.with_columns(backup.alias("backup")).with_columns(
        (pl.col("heat") - (pl.col("backup") if in_heat else 0.0)).alias("alone")
    )


def backup_days(seen: Seen, hours: pl.DataFrame, least_kwh: float) -> pl.DataFrame | None:
    """Days that have hours as cold as those in which the heater ran without need.

    `needless` and `backup` are what the heater took without need and in all, kWh. `shown` is
    null on other days: warm weather does not refute a heater that comes on below
    5 degC. None where it never did.
    """
    design = seen.site.heat_pump.design_outdoor_temp_c
    coldest = priors.DESIGN_OUTDOOR_C if design is None else design
    outdoor = pl.col("outdoor")
    could = (outdoor >= alone_from(seen.site)) | (
        pl.col("alone") <= IN_HAND_SHARE * seen.site.heat_pump.nominal_heat_kw
    )
    needless = pl.when(could & (outdoor >= coldest)).then(pl.col("backup")).otherwise(0.0)
    hours = hours.with_columns(needless.alias("needless"))
    ran = hours.filter(pl.col("needless") > 0)
    warmest = ran["outdoor"].quantile(0.9)
    if warmest is None:
        return None
    known = pl.col("backup").is_not_null() & (outdoor <= warmest) & (outdoor >= coldest)
    by_day = hours.group_by("day").agg(
        pl.col("needless", "backup").sum(),
        known.sum().alias("judging"),
        outdoor.filter(pl.col("needless") > 0).max().alias("warmest"),
    )
    enough = (pl.col("needless") >= least_kwh) & (
        pl.col("needless") >= LEAST_DAY_SHARE * pl.col("heat_kwh")
    )
    return (
        by_day.join(seen.days.select("day", "outdoor_c", "heat_kwh"), on="day", how="left")
        .with_columns(
            pl.when(pl.col("judging") >= LEAST_HOURS)
            .then(enough.fill_null(value=False))
            .alias("shown")
        )
        .sort("day")
    )


def backup_heat(seen: Seen) -> pl.DataFrame:
    """What a metered backup heater makes a day.

    Returns
    -------
    DataFrame
        Columns `day`, `backup_kwh`, and `counted_kwh`: how much of it is in the heat of the
        day frame, which has it only inside boundaries that hold the heater.
    """
    own = (pl.col("role") == Role.ELEC_BACKUP.value) & pl.col("kwh").is_not_null()
    terms = seen.site.current_terms
    inside = terms is not None and terms.boundary in {"H3", "H4"}
    return (
        seen.slots.filter(own)
        .group_by(local_day(seen.site))
        .agg(pl.col("kwh").sum().alias("backup_kwh"))
        .with_columns((pl.col("backup_kwh") * float(inside)).alias("counted_kwh"))
    )
