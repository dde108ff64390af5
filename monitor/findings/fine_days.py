"""Words, times and sums that the checks of daily behaviour share."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final, TypedDict

import numpy as np
import polars as pl

from monitor.findings.finding import BandPoint, Effect, Evidence, Seen
from monitor.findings.spells import Spell
from monitor.metrics.boundary import ELECTRICITY
from monitor.models import Consumer, Role

#: Hours of a day for which it must be known whether the compressor ran. Common practice, no
#: source.
LEAST_SEEN_H: Final = 18.0

#: Least heat of a running unit, as a share of the rated heat. Common practice, no source.
LEAST_LOAD: Final = 0.08

#: Heat that a cubic metre of heating water carries for each kelvin, kWh: density times heat
#: capacity at 40 degC (IAPWS-IF97).
WATER_KWH_M3_K: Final = 1.152


class Times(TypedDict):
    """When a finding began, and where its evidence lies."""

    since: datetime
    window_start: datetime
    window_end: datetime


def spanned(days: pl.DataFrame, found: Spell) -> pl.DataFrame:
    """All days of a spell."""
    return days.filter(pl.col("day").is_between(found.since, found.until))


def shown_days(days: pl.DataFrame, shown: pl.Expr, found: Spell) -> pl.DataFrame:
    """Days of a spell that show it."""
    return spanned(days, found).filter(shown)


def said(found: Spell) -> str:
    """On how many days, and from when to when."""
    return (
        f"on {found.days} of {found.judged} days that can be judged from {found.since:%-d %B %Y} "
        f"to {found.until:%-d %B %Y}"
    )


def length(found: Spell) -> int:
    """Days of a spell, judged or not."""
    return (found.until - found.since).days + 1


def with_electricity(seen: Seen, days: pl.DataFrame) -> pl.DataFrame:
    """Days of which the whole energy is known, with it."""
    energy = seen.days.filter(pl.col("complete")).select(
        *("day", "electricity_kwh", "heat_kwh", "dhw_kwh", "outdoor_c", "source_c")
    )
    return days.join(energy, on="day")


def usual_days(seen: Seen, kwh: float) -> float:
    """How many days of the last year's mean use some electricity makes up.

    What goes with use is a smaller part of a year than of the winter in which it was seen.
    """
    whole = seen.days.filter(pl.col("complete"))["electricity_kwh"].tail(365)
    mean_kwh = float(np.mean(whole.to_numpy())) if len(whole) else 0.0
    return kwh / mean_kwh if mean_kwh > 0 else 0.0


def of_pump(seen: Seen, effect: Effect | None) -> Effect | None:
    """What a pump's electricity costs; no part of a promise whose boundary counts no pumps."""
    base = seen.base
    inside = (
        base is None
        or not seen.site.heat_pump.pumps_apart
        or Consumer.PUMPS in ELECTRICITY[base.recipe.boundary]
    )
    if effect is None or inside:
        return effect
    return effect.model_copy(update={"spf": 0.0, "low": 0.0, "high": 0.0})


def when(seen: Seen, found: Spell) -> Times:
    """Times of a finding."""
    since = seen.site.midnight(found.since)
    until = seen.site.midnight(found.until + timedelta(days=1))
    return {"since": since, "window_start": since, "window_end": min(until, seen.now)}


def roles(seen: Seen, *wanted: Role) -> tuple[Role, ...]:
    """Those of some roles that the site has."""
    return tuple(role for role in wanted if role in seen.site.roles)


def series(
    name: str, label: str, unit: str, low: float | None = None, high: float | None = None
) -> Evidence:
    """A column of the behaviour as evidence, with what was to be expected of it."""
    band = () if low is None and high is None else (BandPoint(low=low, high=high),)
    return Evidence(of="behaviour", name=name, label=label, unit=unit, band=band)


def mean(days: pl.DataFrame, column: str) -> float:
    """Mean of what is known of a column."""
    return float(np.mean(days[column].drop_nulls().to_numpy()))


def load_share(seen: Seen) -> pl.Expr:
    """Heat of steady running as a share of the rated heat, by the water where that is known."""
    carried = WATER_KWH_M3_K * pl.col("space_flow_m3h") * pl.col("space_delta_k")
    share = pl.coalesce(carried, "space_heat_kw") / seen.site.heat_pump.nominal_heat_kw
    # Less is no heat of a running unit, but a meter that stands still or is wrongly fitted.
    return pl.when(share >= LEAST_LOAD).then(share)
