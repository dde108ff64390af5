"""The cylinder's temperature: kept too hot, made hot too often, or never hot enough."""

from __future__ import annotations

from datetime import timedelta
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
from monitor.findings.heater_hours import heater_makes_water, immersion_days
from monitor.findings.heaters import instead
from monitor.findings.hot_water import GUARD
from monitor.findings.hours import (
    ENOUGH_COVERED,
    cost,
    figure,
    local_day,
    source_of,
    spared_share,
    spell_fields,
)
from monitor.findings.spells import Spell, spell
from monitor.metrics import priors
from monitor.metrics.plausibility import Figure
from monitor.models import Role

#: Peak of the cylinder on an ordinary day from which it is kept hotter than homes with a heat
#: pump usually do, degC; and what its cooler hours must have, so that a short peak is not taken
#: for it. Common practice, no source: 45 to 52 degC are usual.
HOT_PEAK_C: Final = 55.0
HOT_COOL_C: Final = 47.5

#: The cooler hours of a day, as a quantile of its hours. Common practice, no source.
COOL: Final = 0.2

#: Peak that shows a pasteurisation, and the peak below which there was none, degC. HSE HSG274
#: part 2 (2014) and WHO, Legionella and the prevention of legionellosis (2007), both from
#: memory: hot water is stored at 60 degC; the sensor may sit or read a few kelvin low.
PASTEURISED_C: Final = 57.5
NEVER_C: Final = 55.0

#: How far the cooler hours lie below the peak where the peak is a pasteurisation, K: a reheat
#: to the set point begins after 5 to 8 K; and days of the newest fourteen that make it often:
#: weekly is usual. Common practice, no source.
BELOW_PEAK_K: Final = 9.0
OFTEN_OF_LAST: Final = 14
OFTEN_SHARE: Final = 0.35
OFTEN_LEAST: Final = 5

#: Newest days without a single hot one, how many of them must be known, and hours of a day.
#: Common practice, no source: five weekly programmes.
NEVER_DAYS: Final = 35
NEVER_KNOWN: Final = 30
LEAST_HOURS: Final = 16

#: What hotter water may cost over the estimate, where it always is so hot, and now and then: its
#: share in the electricity is larger than in the heat, and how much of each reheat is made at the
#: higher temperature is not known. Common practice, no source.
ALWAYS: Final = (0.4, 1.8)
NOW_AND_THEN: Final = (0.2, 2.0)

#: Electricity of an immersion heater on each hot day from which it makes the pasteurisation, kWh.
#: Common practice, no source: 150 l by 5 K are 0.9 kWh.
LEAST_HEATER_KWH: Final = 0.5


def hot_water_set_point(seen: Seen) -> list[Finding]:
    """A cylinder that is kept hotter all day than is usual with a heat pump."""
    days = _cylinder_days(seen)
    found = spell(days, (pl.col("peak_c") >= HOT_PEAK_C) & (pl.col("cool_c") >= HOT_COOL_C))
    if found is None or _often(days) is not None or heater_makes_water(seen) is not None:
        return []
    window = days.filter(pl.col("day").is_between(found.since, found.until))
    peak, middle = (figure(window[name].median()) for name in ("peak_c", "middle_c"))
    return [
        Finding(
            kind="hot-water-set-point",
            topic=Topic.OPERATION,
            title="Hot water is kept hotter than usual",
            what=(
                f"On {found.days} of {found.judged} days from {found.since:%-d %B %Y} to "
                f"{found.until:%-d %B %Y} the cylinder was heated to {HOT_PEAK_C:.0f} degC and "
                f"more: {peak:.0f} degC on a usual day, {middle:.0f} degC in its middle. With a "
                "heat pump 45 to 52 degC and a weekly pasteurisation are common practice; 60 degC "
                "may be what local codes or the household's health ask for."
            ),
            plainly=(
                "Your hot water is kept hotter than is common with a heat pump. Ask your "
                "installer whether that is meant so. Do not turn it down by yourself: it must get "
                "hot enough to stay free of germs."
            ),
            confidence=Confidence.SUSPECTED,
            figures=(
                Figure(name="peak of a usual day", value=peak, unit="degC"),
                Figure(name="middle of a usual day", value=middle, unit="degC"),
                Figure(name="days", value=float(found.days)),
            ),
            evidence=(_cylinder(seen, BandPoint(high=HOT_PEAK_C)),),
            effect=_hotter(seen, found, peak - HOT_PEAK_C + 4.0, ends=ALWAYS),
            check=(
                "Whether codes, the owner or somebody's health ask for this temperature",
                "Set point of hot water in the controller, and comfort or boost programmes",
                "Place of the cylinder sensor and whether it reads true",
                "Only then a lower set point together with a pasteurisation that works",
            ),
            caution=GUARD,
            **spell_fields(seen, found, Role.DHW_TEMP, Role.HEAT_DHW),
        )
    ]


def pasteurisation_often(seen: Seen) -> list[Finding]:
    """A pasteurisation far more often than weekly."""
    days = _cylinder_days(seen)
    found = _often(days)
    if found is None or heater_makes_water(seen) is not None:
        return []
    window = days.filter(pl.col("day").is_between(found.since, found.until))
    weekly = 7.0 * found.days / max(found.judged, 1)
    hot = window.filter(pl.col("peak_c") >= PASTEURISED_C)
    peak, middle = (figure(hot[name].median()) for name in ("peak_c", "middle_c"))
    return [
        Finding(
            kind="pasteurisation-often",
            topic=Topic.OPERATION,
            title="The cylinder is pasteurised more often than weekly",
            what=(
                f"From {found.since:%-d %B %Y} to {found.until:%-d %B %Y} the cylinder reached "
                f"{PASTEURISED_C:.0f} degC and more on {found.days} of {found.judged} days, about "
                f"{weekly:.0f} a week, and {peak:.0f} degC on such a day. Weekly is common "
                "practice in homes; more may be asked for where somebody is at risk."
            ),
            plainly=(
                "Your hot water is heated up extra hot more often than is usual. It guards "
                "against germs, so leave it as it is until your installer has looked at it."
            ),
            confidence=Confidence.LIKELY,
            figures=(
                Figure(name="days a week", value=weekly),
                Figure(name="peak on such days", value=peak, unit="degC"),
            ),
            evidence=(_cylinder(seen, BandPoint(high=PASTEURISED_C)),),
            effect=_by_heater(seen, found, weekly)
            or _hotter(
                seen,
                found,
                max(peak - middle, 0.0) * max(weekly - 1.0, 0.0) / 7.0,
                ends=NOW_AND_THEN,
            ),
            check=(
                "Whether somebody at risk, a landlord's duty or a code asks for it",
                "Programme of the pasteurisation: days, time, temperature and how long it is held",
                "Whether it ends early each time and is tried again",
            ),
            caution=GUARD,
            **spell_fields(seen, found, Role.DHW_TEMP, Role.ELEC_IMMERSION),
        )
    ]


def pasteurisation_none(seen: Seen) -> list[Finding]:
    """A cylinder that has not been hot for five weeks, as far as its sensor shows."""
    days = _cylinder_days(seen)
    if days.height == 0:
        return []
    last = seen.now.astimezone(seen.site.tz).date()
    newest = days.filter(
        (pl.col("day") >= last - timedelta(days=NEVER_DAYS)) & pl.col("peak_c").is_not_null()
    )
    if newest.height < NEVER_KNOWN or (newest["peak_c"] >= NEVER_C).any():
        return []
    hottest = figure(newest["peak_c"].max())
    known = days.filter(pl.col("peak_c").is_not_null())
    hot = known.filter(pl.col("peak_c") >= NEVER_C)
    cool = known if hot.height == 0 else known.filter(pl.col("day") > hot["day"][-1])
    found = Spell(cool["day"][0], cool["day"][-1], cool.height, cool.height)
    return [
        Finding(
            kind="pasteurisation-none",
            topic=Topic.OPERATION,
            title="No sign of a pasteurisation",
            what=(
                f"Since {found.since:%-d %B %Y} the cylinder's sensor has not shown "
                f"{NEVER_C:.0f} degC or more on any of {found.days} days; in the last "
                f"{NEVER_DAYS} days it was {hottest:.0f} degC at most. Legionella grow between "
                "about 20 and 45 degC. Where hot water is stored below 60 degC, some other guard "
                "must be there and known. The sensor may sit low or be short of the hottest water."
            ),
            plainly=(
                "As far as the sensor shows, the water in your tank has not been heated as hot as "
                "is usual to keep it free of germs. Please ask your installer soon whether that is "
                "right for your home."
            ),
            confidence=Confidence.SUSPECTED,
            figures=(
                Figure(name="hottest of the last weeks", value=hottest, unit="degC"),
                Figure(name="days without", value=float(found.days), unit="d"),
            ),
            evidence=(_cylinder(seen, BandPoint(low=NEVER_C)),),
            check=(
                "Whether a pasteurisation is set in the controller, and whether it ends in time",
                "Whether the immersion heater that should lift it has power",
                "What guards this cylinder: size, fresh water station, local codes",
                "Place and reading of the cylinder sensor",
            ),
            caution=(
                f"{GUARD} Ask whether somebody at risk lives there: the old, the ill, smokers. "
                "After a long time without, follow local guidance before taps and showers are used "
                "again."
            ),
            **spell_fields(seen, found, Role.DHW_TEMP, Role.ELEC_IMMERSION),
        )
    ]


def _cylinder_days(seen: Seen) -> pl.DataFrame:
    """Peak and middle of the cylinder's temperature on each day that is known well enough."""
    own = seen.states.filter(
        (pl.col("role") == Role.DHW_TEMP.value)
        & (pl.col("covered") >= ENOUGH_COVERED)
        & pl.col("mean").is_finite()
    )
    return (
        own.group_by(local_day(seen.site))
        .agg(
            pl.col("mean").max().alias("hour_c"),
            pl.col("mean").median().alias("middle_c"),
            pl.col("mean").quantile(COOL, "linear").alias("cool_c"),
            pl.len().alias("known"),
        )
        .filter(pl.col("known") >= LEAST_HOURS)
        .join(seen.behaviour.select("day", "dhw_max_c"), on="day", how="left")
        .select(
            "day", pl.max_horizontal("hour_c", "dhw_max_c").alias("peak_c"), "middle_c", "cool_c"
        )
        .sort("day")
    )


def _often(days: pl.DataFrame) -> Spell | None:
    """Whether peaks far above the usual day come far more often than weekly."""
    peaks = (pl.col("peak_c") >= PASTEURISED_C) & (
        pl.col("peak_c") - pl.col("cool_c") >= BELOW_PEAK_K
    )
    return spell(days, peaks, of_last=OFTEN_OF_LAST, least_days=OFTEN_LEAST, share=OFTEN_SHARE)


def _hotter(seen: Seen, found: Spell, kelvin: float, *, ends: tuple[float, float]) -> Effect | None:
    """What some kelvin more in the cylinder take, from the electricity of its hot water.

    Parameters
    ----------
    kelvin
        On the mean of all days.
    ends
        Of a 95 % interval, over the estimate.
    """
    kelvin = max(kelvin, 0.0)
    days = seen.days.filter(
        pl.col("day").is_between(found.since, found.until) & (pl.col("heat_kwh") > 0)
    )
    if days.height == 0 or kelvin == 0.0:
        return None
    source = source_of(seen).fill_null(priors.GROUND_C)
    flow = pl.lit(priors.HOT_WATER_FLOW_C)
    water = pl.col("dhw_kwh").fill_null(priors.BASE_KWH)
    used = pl.col("electricity_kwh") * (water / pl.col("heat_kwh")).clip(0.0, 1.0)
    kwh = float(days.select((used * spared_share(flow + kelvin, flow, source)).sum()).item())
    length = (found.until - found.since).days + 1
    low, high = ends
    return cost(seen, kwh, low * kwh, high * kwh, since=found.since, days=length)


def _by_heater(seen: Seen, found: Spell, weekly: float) -> Effect | None:
    """What pasteurisations beyond one a week take, where a metered immersion heater makes them."""
    days = immersion_days(seen).filter(pl.col("day").is_between(found.since, found.until))
    kwh = figure(days["kwh"].sum())
    if kwh < LEAST_HEATER_KWH * found.days:
        return None
    needless = kwh * max(weekly - 1.0, 0.0) / weekly
    length = (found.until - found.since).days + 1
    return instead(seen, Role.ELEC_IMMERSION, needless, found, most=kwh, spread=0.05, days=length)


def _cylinder(seen: Seen, band: BandPoint) -> Evidence:
    fine = bool(seen.behaviour["dhw_max_c"].is_not_null().any())
    return Evidence(
        of="behaviour" if fine else "state",
        name="dhw_max_c" if fine else Role.DHW_TEMP.value,
        label="Hottest of the cylinder on each day" if fine else "Cylinder",
        unit="degC",
        band=(band,),
    )
