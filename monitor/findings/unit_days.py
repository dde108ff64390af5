"""The days of a unit by themselves: its heat, electricity and temperatures, heaters apart."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.errors import CannotMeasureError
from monitor.findings.finding import Seen
from monitor.guarantee.heaters import heaters
from monitor.guarantee.single_hours import idle_kwh
from monitor.metrics import priors, steps
from monitor.metrics.boundary import Recipe, measurable, recipe
from monitor.metrics.daily import DAY, day_frame
from monitor.metrics.model import usable
from monitor.metrics.performance import Blocks, exclude, pair
from monitor.models import Boundary, Role

Values = npt.NDArray[np.float64]

#: Heat of a day over what the nominal output gives around the clock, from which its
#: efficiency tells of the unit. Common practice, no source.
LEAST_LOAD: Final = 0.05

#: Heat, as the same share, at which standby and the reading of registers stray as much as
#: all else together. Common practice, no source.
NOISY_LOAD: Final = 0.10

#: Fewest days from which anything is told. Common practice, no source.
LEAST_DAYS: Final = 42

#: Share of the days on which a stream must be known to be used. Common practice, no source.
LEAST_SHARE: Final = 0.8

#: Below this outdoor temperature backup heaters are released. Common practice, no source.
BACKUP_BELOW_C: Final = 7.0


@dataclass(frozen=True)
class UnitDays:
    """Days on which the efficiency of a unit can be told; arrays of shape (days,).

    Attributes
    ----------
    frame
        Frame of schema DAY.
    number
        Days since 1970.
    log_efficiency, scale
        Logarithm of the efficiency, and its noise up to a common factor.
    covariates
        Shape (days, p): what moves it on a sound unit.
    of_running
        How many of them, at the end, tell how it is run: starts and water.
    net_kwh, standby_kwh
        Electricity beside standby; and standby, a day.
    heaters_apart
        Whether no resistive heater is in the electricity.
    """

    frame: pl.DataFrame
    number: npt.NDArray[np.int64]
    log_efficiency: Values
    scale: Values
    covariates: Values
    of_running: int
    net_kwh: Values
    standby_kwh: float
    heaters_apart: bool

    def until(self, number: int) -> UnitDays:
        """Those up to a day."""
        keep = self.number <= number
        return replace(
            self,
            frame=self.frame.filter(pl.Series(keep)),
            number=self.number[keep],
            log_efficiency=self.log_efficiency[keep],
            scale=self.scale[keep],
            covariates=self.covariates[keep],
            net_kwh=self.net_kwh[keep],
        )

    def families(self) -> list[steps.Family]:
        """Changes that days may show: of the efficiency, and what looks like one."""
        n = len(self.number)
        # Electricity that does not go with heat takes more from a day that has little of it.
        constant = float(self.net_kwh.mean()) / self.net_kwh
        out = [
            steps.steps(n),
            steps.drifts(self.number),
            steps.steps(n, like=constant, name="standby"),
        ]
        if not self.heaters_apart:
            cold = np.maximum(BACKUP_BELOW_C - self.frame["outdoor_c"].to_numpy(), 0.0)
            out.append(steps.steps(n, like=constant * cold, name="backup"))
        return out


def unit_days(seen: Seen) -> UnitDays | None:
    """Gather the days of a unit; None where they do not tell its efficiency."""
    days, heaters_apart = _alone(seen)
    if days is None or Role.FLOW_TEMP not in seen.site.roles:
        return None
    pump = seen.site.heat_pump
    full = 24.0 * pump.nominal_heat_kw
    good = (
        usable(days.select(list(DAY)))
        .filter(pl.col("flow_c").is_not_null() & (pl.col("heat_kwh") >= LEAST_LOAD * full))
        .join(_days_turned(seen), on="day", how="anti")
    )
    if good.height < LEAST_DAYS:
        return None
    air = pump.source == "air"
    known = 1.0 - good["source_c"].null_count() / good.height
    if not air and known >= LEAST_SHARE:
        good = good.drop_nulls("source_c")
    seasonal = not air and known < LEAST_SHARE
    if air:
        source = good["outdoor_c"].to_numpy()
    elif seasonal:
        source = np.full(good.height, priors.GROUND_C)
    else:
        source = good["source_c"].to_numpy()
    standby = priors.STANDBY_KWH
    if seen.base is not None:
        told = idle_kwh(seen.base.blocks, seen.base.so_far, pump.nominal_heat_kw)
        standby = standby if told is None else told
    heat, flow = good["heat_kwh"].to_numpy(), good["flow_c"].to_numpy()
    used = good["electricity_kwh"].to_numpy()
    share = steps.efficiency(heat, used, flow, source, standby)
    told_days = np.isfinite(share) & (share > 0)
    if told_days.sum() < LEAST_DAYS:
        return None
    outdoor = good["outdoor_c"].to_numpy()
    water = _water(good)
    columns = steps.circumstances(heat / full, flow - source, outdoor, water, air_source=air)
    number = good["day"].to_physical().to_numpy().astype(np.int64)
    extra = [columns]
    if seasonal:
        if number[-1] - number[0] < YEAR_DAYS:
            return None
        angle = 2.0 * np.pi * number / 365.25
        extra.append(np.stack([np.cos(angle), np.sin(angle)], axis=1))
    running = _running(seen, good) if seen.behaviour.height else np.empty((good.height, 0))
    extra.append(running)
    scale = np.hypot(1.0, NOISY_LOAD * full / heat)
    return UnitDays(
        frame=good.filter(pl.Series(told_days)),
        number=number[told_days],
        log_efficiency=np.log(share[told_days]),
        scale=scale[told_days],
        covariates=np.concatenate(extra, axis=1)[told_days],
        of_running=running.shape[1],
        net_kwh=(used - standby)[told_days],
        standby_kwh=standby,
        heaters_apart=heaters_apart,
    )


def _days_turned(seen: Seen) -> pl.DataFrame:
    """Days on which the flow was cooler than the return: sensors that are not where they should be.

    By hourly means, so that what is known of only one of them turns nothing.
    """
    day = pl.col("slot_start_utc").dt.convert_time_zone(seen.site.zone).dt.date().alias("day")
    both = (
        seen.states.filter(pl.col("role").is_in([Role.FLOW_TEMP.value, Role.RETURN_TEMP.value]))
        .with_columns(
            pl.when(pl.col("role") == Role.FLOW_TEMP.value)
            .then(pl.col("mean"))
            .otherwise(-pl.col("mean"))
            .alias("signed")
        )
        .group_by("slot_start_utc")
        .agg(pl.len().alias("roles"), pl.col("signed").sum().alias("difference_k"))
        .filter(pl.col("roles") == 2)
    )
    return (
        both.group_by(day)
        .agg(pl.col("difference_k").mean())
        .filter(pl.col("difference_k") < -TURNED_K)
        .select("day")
    )


#: By how much the flow must be cooler than the return, on average over a day, K.
#: Common practice, no source: sensors strapped on differ by less.
TURNED_K: Final = 0.5

#: Days that a record must span so that a ground that nobody measures is told from a change.
#: Common practice, no source.
YEAR_DAYS: Final = 330


def _alone(seen: Seen) -> tuple[pl.DataFrame | None, bool]:
    """Days without resistive heaters as far as meters tell, and whether they do."""
    site, base = seen.site, seen.base
    own = _unit_recipe(seen)
    if own is None or (base is not None and _same(own, base.recipe)):
        return (seen.days if seen.days.height else None), own is not None
    given = base.given.daily if base is not None else None
    excluded = base.excluded if base is not None else ()
    return day_frame(site, own, seen.slots, seen.states, given, excluded), True


def _unit_recipe(seen: Seen) -> Recipe | None:
    """Streams of the unit without resistive heaters; None where meters do not tell them."""
    site, base = seen.site, seen.base
    with contextlib.suppress(CannotMeasureError):
        for boundary in (Boundary.H2, Boundary.H1):
            if boundary in measurable(site):
                return recipe(site, boundary)
    if base is None:
        return None
    apart = heaters(site, base.recipe)
    if apart.state == "not measurable here":
        return None

    def less(streams: dict[Role, float], heater: dict[Role, float]) -> dict[Role, float]:
        left = {r: streams.get(r, 0.0) - heater.get(r, 0.0) for r in {*streams, *heater}}
        return {role: factor for role, factor in left.items() if abs(factor) > SMALLEST}

    return replace(
        base.recipe,
        heat=less(base.recipe.heat, apart.in_heat),
        electricity=less(base.recipe.electricity, apart.in_electricity),
    )


#: Factors of streams below this are nothing but rounding.
SMALLEST: Final = 1e-9


def _same(one: Recipe, other: Recipe) -> bool:
    return (one.heat, one.electricity) == (other.heat, other.electricity)


def unit_blocks(seen: Seen) -> Blocks | None:
    """Paired hours of the unit without resistive heaters; None where meters do not tell."""
    own = _unit_recipe(seen)
    if own is None:
        return None
    if seen.base is not None and _same(own, seen.base.recipe):
        return seen.base.blocks
    return exclude(pair(seen.slots, own), seen.base.excluded if seen.base is not None else ())


def counts_pumps(seen: Seen) -> bool:
    """Whether the electricity of `unit_blocks` holds the distribution pumps."""
    own = _unit_recipe(seen)
    return own is not None and (own.boundary is Boundary.H4 or not seen.site.heat_pump.pumps_apart)


def _water(days: pl.DataFrame) -> Values | None:
    """Share of hot water in the heat of days, where a meter tells it on most."""
    if days["dhw_kwh"].null_count() > (1.0 - LEAST_SHARE) * days.height:
        return None
    share = (days["dhw_kwh"] / days["heat_kwh"]).clip(0.0, 1.0)
    return share.fill_null(share.mean()).to_numpy()


def _running(seen: Seen, days: pl.DataFrame) -> Values:
    """Starts for each hour of running, and the water that is moved, about their means.

    A change that comes with a change of these is no matter of the unit alone; other checks
    look at them. Days of which they are not known lie at the mean.
    """
    columns = {
        "starts": (pl.col("starts") / pl.col("run_h")).clip(0.0, 20.0),
        "moved": pl.col("space_flow_m3h").log(),
    }
    told = seen.behaviour.select(
        "day",
        *(pl.when(e.is_finite()).then(e).alias(name) for name, e in columns.items()),
    )
    own = days.select("day").join(told, on="day", how="left")
    return np.asarray(
        own.select((pl.col(name) - pl.col(name).mean()).fill_null(0.0) for name in columns)
        .fill_null(0.0)
        .to_numpy()
    )


def date_of(number: int) -> date:
    """Date of a number of days since 1970."""
    return date.fromordinal(number + date(1970, 1, 1).toordinal())


def run_of(days: UnitDays, found: steps.Change) -> Values:
    """How far a change has gone on each day, 0 to 1."""
    if found.shape == "step":
        return (np.arange(len(days.number)) >= found.at).astype(np.float64)
    begun = days.number[found.at]
    return np.asarray(np.maximum(days.number - begun, 0) / max(int(days.number[-1] - begun), 1))
