"""Hot water: more than planned, reheated too often, kept too hot, or never hot enough."""

from __future__ import annotations

from typing import Final

import polars as pl

from monitor.findings.finding import (
    BandPoint,
    Confidence,
    Evidence,
    Finding,
    Seen,
    Topic,
)
from monitor.findings.heater_hours import heater_makes_water, immersion_days
from monitor.findings.hours import figure, hourly, share_effect, spell_fields
from monitor.findings.spells import spell
from monitor.guarantee.causes import Cause
from monitor.metrics.plausibility import Figure
from monitor.models import Role

#: Mean of a week's hot water over what the terms expect, and kWh a day above it, that is more
#: than winter's colder mains and a rough estimate. Common practice, no source.
SHARE_ABOVE: Final = 1.4
KWH_ABOVE: Final = 1.5
WEEK: Final = 7
LEAST_OF_WEEK: Final = 5

#: Guests stay for days and weeks: what lasts less long must be more, times the expected.
#: Common practice, no source.
VISIT_DAYS: Final = 28
VISIT_ABOVE: Final = 1.7

#: A reheat that begins too soon: rise of the cylinder over the hour before and after it, swing
#: of a whole day, K, and heat of such an hour, kWh; and hours of a day with hot water that say
#: something. A drop of 5 to 8 K is usual. Common practice, no source.
SMALL_RISE_K: Final = 3.0
SMALL_SWING_K: Final = 5.5
SMALL_KWH: Final = 1.8
REHEAT_HOURS: Final = 2
REHEAT_KWH: Final = 0.1

#: Hours of a day that must be known for its reheats. Common practice, no source.
LEAST_KNOWN_H: Final = 20

#: What every finding about hot water says first.
GUARD: Final = (
    "Never lower hot water below what guards against legionella. Guidance for buildings with "
    "duties of care has hot water stored at 60 degC (HSE HSG274 part 2, 2014; WHO, Legionella and "
    "the prevention of legionellosis, 2007; from memory); what holds for this home is for local "
    "codes, the maker of the cylinder and whoever answers for its safety. Scalds: taps may need "
    "mixing valves."
)


def hot_water_share(seen: Seen) -> list[Finding]:
    """More hot water than the terms took for granted."""
    terms = seen.site.current_terms
    expected = terms.expects.hot_water_kwh_day if terms is not None else None
    if expected is None or seen.days["dhw_kwh"].is_not_null().sum() == 0:
        return []
    days = seen.days.select("day", "dhw_kwh").join(
        immersion_days(seen).select("day", "kwh"), on="day", how="left"
    )
    heat = pl.col("dhw_kwh") + pl.col("kwh").fill_null(0.0)
    days = days.with_columns(heat.alias("water")).with_columns(
        pl.col("water").rolling_mean(WEEK, min_samples=LEAST_OF_WEEK).alias("week")
    )
    much = (pl.col("week") > SHARE_ABOVE * expected) & (pl.col("week") > expected + KWH_ABOVE)
    found = spell(days, pl.when(pl.col("water").is_not_null()).then(much))
    if found is None or heater_makes_water(seen) is not None:
        # A heater that keeps the cylinder hot loses more of it, and is told by itself.
        return []
    window = days.filter(pl.col("day").is_between(found.since, found.until))
    mean = figure(window["water"].mean())
    if window.height < VISIT_DAYS and mean < VISIT_ABOVE * expected:
        return []
    return [
        Finding(
            kind="hot-water-share",
            topic=Topic.OPERATION,
            title="More hot water than was planned for",
            what=(
                f"From {found.since:%-d %B %Y} to {found.until:%-d %B %Y} hot water took "
                f"{mean:.1f} kWh of heat a day; the terms expect {expected:.1f} kWh. Hot water is "
                "made at a higher temperature than rooms need, so that more of it lowers the SPF; "
                "the unit need not be at fault."
            ),
            plainly=(
                "More hot water is made than was planned for when the promise was given. That is "
                "yours to use. If it surprises you, your installer can look for a leak or a pump "
                "that runs all day. Do not turn the hot water down by yourself: it must get hot "
                "enough to stay free of germs."
            ),
            confidence=Confidence.LIKELY,
            figures=(
                Figure(name="heat to hot water", value=mean, unit="kWh/d"),
                Figure(name="expected by the terms", value=expected, unit="kWh/d"),
            ),
            evidence=(
                Evidence(
                    of="day",
                    name="dhw_kwh",
                    label="Heat to hot water",
                    unit="kWh",
                    band=(BandPoint(low=0.0, high=SHARE_ABOVE * expected),),
                ),
            ),
            explains=Cause.WATER,
            effect=share_effect(seen, Cause.WATER),
            check=(
                "How many people live there, and how they use hot water, against the design",
                "Hot water circulation: whether its pump runs day and night",
                "A leak, a mixing valve or a check valve that lets hot water through",
                "Whether the heat meter of hot water also counts something else",
            ),
            caution=GUARD,
            **spell_fields(seen, found, Role.HEAT_DHW, Role.ELEC_IMMERSION),
        )
    ]


def hot_water_reheats(seen: Seen) -> list[Finding]:
    """Many small reheats of the cylinder in place of a few."""
    days = _reheat_days(seen)
    found = spell(days, pl.col("shown"))
    if found is None:
        return []
    window = days.filter(pl.col("day").is_between(found.since, found.until) & pl.col("shown"))
    count, each, swing = (figure(window[name].mean()) for name in ("hot_h", "each", "swing_k"))
    return [
        Finding(
            kind="hot-water-reheats",
            topic=Topic.OPERATION,
            title="Hot water is reheated too soon",
            what=(
                f"On {found.days} of {found.judged} days from {found.since:%-d %B %Y} to "
                f"{found.until:%-d %B %Y} hot water was made in {count:.0f} hours of the day, "
                f"{each:.1f} kWh of heat in each, and the cylinder swung by {swing:.1f} K in all; "
                "a reheat after a drop of 5 to 8 K is usual. Each reheat starts the compressor, "
                "turns the valve and heats the pipes anew."
            ),
            plainly=(
                "Your heat pump heats the hot water tank many times for a little at a time, which "
                "wears it and takes more electricity. Your installer can set it to do so less "
                "often."
            ),
            confidence=Confidence.LIKELY,
            figures=(
                Figure(name="hours with hot water", value=count, unit="h/d"),
                Figure(name="heat of such an hour", value=each, unit="kWh"),
                Figure(name="swing of the cylinder", value=swing, unit="K"),
                Figure(name="days", value=float(found.days)),
            ),
            evidence=(
                Evidence(of="state", name=Role.DHW_TEMP.value, label="Cylinder", unit="degC"),
                Evidence(
                    of="slot", name=Role.HEAT_DHW.value, label="Heat to hot water", unit="kWh"
                ),
            ),
            check=(
                "Drop of the cylinder's temperature that starts a reheat (hysteresis)",
                "Place and seat of the cylinder sensor",
                "Hot water circulation: running time and insulation of its pipes",
                "Whether hot water should have times of the day, with the household's agreement",
            ),
            caution=GUARD,
            **spell_fields(seen, found, Role.HEAT_DHW, Role.DHW_TEMP),
        )
    ]


def _reheat_days(seen: Seen) -> pl.DataFrame:
    """Days with hours of hot water, what each heated, the cylinder's swing, and the verdict."""
    hours = hourly(seen, Role.HEAT_DHW, Role.DHW_TEMP)
    if not {Role.HEAT_DHW.value, Role.DHW_TEMP.value} <= set(hours.columns):
        return pl.DataFrame(schema={"day": pl.Date, "shown": pl.Boolean})
    water, cylinder = pl.col(Role.HEAT_DHW.value), pl.col(Role.DHW_TEMP.value)
    hot = water > REHEAT_KWH
    hours = hours.with_columns((cylinder.shift(-1) - cylinder.shift(1)).alias("rise"))
    by_day = hours.group_by("day").agg(
        hot.sum().alias("hot_h"),
        water.filter(hot).mean().alias("each"),
        pl.col("rise").filter(hot).median().alias("rise_k"),
        (cylinder.max() - cylinder.min()).alias("swing_k"),
        pl.min_horizontal(water.count(), cylinder.count()).alias("known"),
    )
    small = (
        (pl.col("each") <= SMALL_KWH)
        & (pl.col("rise_k") <= SMALL_RISE_K)
        & (pl.col("swing_k") <= SMALL_SWING_K)
    )
    judged = (pl.col("known") >= LEAST_KNOWN_H) & (pl.col("hot_h") >= REHEAT_HOURS)
    return by_day.with_columns(pl.when(judged).then(small).alias("shown")).sort("day")
