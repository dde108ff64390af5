"""The heat meter beside flow x temperature difference x heat coefficient of water."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.metrics.water import heat_coefficient_kwh_per_m3k, mixture_ratio
from monitor.models import Record, Role, Site

Values = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

#: Coverage factor of a 95 % interval (JCGM 100:2008, G.1.3).
K_95: Final = 1.96

#: Standard uncertainties of a logger's flow sensor (relative) and of the difference of its
#: two strapped-on temperature sensors, K. Common practice, no source.
FLOW_U: Final = 0.02
DELTA_U_K: Final = 0.20

#: At standstill both sensors lie on pipes of one temperature: what they differ by then is
#: their own error. Hours of standstill needed, the largest difference taken for an error,
#: and what is left uncertain, K. Common practice, no source.
LEAST_STILL_HOURS: Final = 100
LARGEST_OFFSET_K: Final = 1.0
STILL_U_K: Final = 0.10

#: Hours of steady running that a check of the heat meter needs, the share of the largest
#: usual heat from which an hour counts as such, and the difference that it must reach, K.
#: Common practice, no source.
LEAST_STEADY_HOURS: Final = 48
STEADY_SHARE: Final = 0.45
FULL_SHARE: Final = 0.75
LEAST_DELTA_K: Final = 2.0
LIKE_HEAT: Final = 0.20
LIKE_RATE: Final = 0.10
LEAST_COVERED: Final = 0.95

#: Where water stands still for a part of each hour, the product of hourly means falls short of
#: the mean of the product, and a sound meter seems to read high. So a meter that reads high is
#: held against hours alone whose heat, over the nominal one, a unit makes in one go; and
#: not at all where the ratio follows the flow rate (exponent of a power law): it would be 0 for
#: any error of a meter, and is 1 for a unit that goes on and off. Common practice, no source.
IN_ONE_GO: Final = 0.5
MOST_FOLLOWS: Final = 0.3

#: Below this outdoor temperature air source units defrost: water cools, which a logger sees
#: and a heat meter does not count. Hours below count only if there are too few others, and
#: with this relative standard uncertainty more. Common practice, no source.
FROST_C: Final = 5.0
FROST_U: Final = 0.04


class HeatCheck(Record):
    """The heat meter beside flow x temperature difference x heat coefficient.

    Attributes
    ----------
    true_share, u
        Computed over indicated heat, and its standard uncertainty.
    hours
        Hours of steady running compared.
    """

    true_share: float
    u: float
    hours: int

    @property
    def is_doubtful(self) -> bool:
        """Whether the two differ by more than their uncertainty explains."""
        return abs(self.true_share - 1.0) > K_95 * self.u


@dataclass(frozen=True)
class Steady:
    """Hours of steady running, with the heat that the meter shows and that water tells.

    Attributes
    ----------
    start_us
        Start of each hour, microseconds since 1970 UTC, shape (n,).
    indicated_kwh, computed_kwh
        Shape (n,).
    rate_m3h
        Hourly mean, shape (n,).
    delta_k
        Flow less return temperature, less what the sensors differ by at standstill, shape (n,).
    u_offset_k
        What is left uncertain of that difference.
    frost
        Whether an air source unit may defrost in the hour, shape (n,).
    """

    start_us: npt.NDArray[np.int64]
    indicated_kwh: Values
    computed_kwh: Values
    rate_m3h: Values
    delta_k: Values
    u_offset_k: float
    frost: Flags

    def when(self, keep: Flags) -> Steady:
        """Some of the hours."""
        return Steady(
            self.start_us[keep],
            self.indicated_kwh[keep],
            self.computed_kwh[keep],
            self.rate_m3h[keep],
            self.delta_k[keep],
            self.u_offset_k,
            self.frost[keep],
        )


def heat_check(site: Site, slots: pl.DataFrame, states: pl.DataFrame) -> HeatCheck | None:
    """Compare the hours of steady running.

    Parameters
    ----------
    slots, states
        Frames of schema SLOT and STATE_SLOT of the window in question.

    Returns
    -------
    HeatCheck or None
        None where flow rate, flow and return temperature are not all recorded for enough
        such hours, or the water stops too often for hourly means to tell.
    """
    found = steady_heat(site, slots, states)
    check = None if found is None else compared(found)
    if found is None or check is None or check.true_share >= 1.0 or not check.is_doubtful:
        return check
    surely = found.when(found.indicated_kwh >= IN_ONE_GO * site.heat_pump.nominal_heat_kw)
    return None if _follows_the_rate(surely) else compared(surely)


def _follows_the_rate(steady: Steady) -> bool:
    """Whether computed over indicated heat rises with the flow, as where water stops at times."""
    if len(steady.start_us) < LEAST_STEADY_HOURS:
        return False
    rate = np.log(steady.rate_m3h)
    rate -= rate.mean()
    if not (rate > 0).any():
        return False
    ratio = np.log(steady.computed_kwh / steady.indicated_kwh)
    return bool((rate * ratio).sum() > MOST_FOLLOWS * (rate * rate).sum())


def compared(steady: Steady) -> HeatCheck | None:
    """Compare hours of steady running; None where there are too few."""
    thawed = ~steady.frost
    enough = int(thawed.sum()) >= LEAST_STEADY_HOURS
    used, u_frost = (steady.when(thawed), 0.0) if enough else (steady, FROST_U)
    count = len(used.start_us)
    if count < LEAST_STEADY_HOURS:
        return None
    share = float(used.computed_kwh.sum() / used.indicated_kwh.sum())
    delta = float(np.average(used.delta_k, weights=used.indicated_kwh))
    spread = float(np.std(used.computed_kwh / used.indicated_kwh)) / np.sqrt(count / 24.0)
    u = share * float(np.linalg.norm([FLOW_U, used.u_offset_k / delta, spread, u_frost]))
    return HeatCheck(true_share=share, u=u, hours=count)


def steady_heat(site: Site, slots: pl.DataFrame, states: pl.DataFrame) -> Steady | None:
    """Hours of steady running with both heats.

    Parameters
    ----------
    slots, states
        Frames of schema SLOT and STATE_SLOT of the window in question.

    Returns
    -------
    Steady or None
        None where flow rate, flow and return temperature are not all recorded.
    """
    wanted = [Role.FLOW_TEMP.value, Role.RETURN_TEMP.value, Role.FLOW_RATE.value]
    state = states.filter(pl.col("role").is_in(wanted) & (pl.col("covered") >= LEAST_COVERED))
    wide = state.pivot("role", index="slot_start_utc", values="mean")
    if not set(wanted) <= set(wide.columns):
        return None
    heat = (
        slots.filter(pl.col("role").str.starts_with("heat_") & pl.col("kwh").is_not_null())
        .with_columns((pl.col("role") == Role.HEAT_TOTAL.value).alias("whole"))
        .group_by("slot_start_utc")
        .agg(
            pl.when(pl.col("whole").any())
            .then(pl.col("kwh").filter(pl.col("whole")).sum())
            .otherwise(pl.col("kwh").sum())
            .alias("kwh")
        )
        .join(wide, on="slot_start_utc")
        # A backup heater may sit between the heat meter and the sensor.
        .join(_hours_with_backup(slots), on="slot_start_utc", how="anti")
        .join(_hours_of_frost(site, states), on="slot_start_utc", how="left")
        .sort("slot_start_utc")
    )
    if heat.height < LEAST_STEADY_HOURS:
        return None
    kwh = heat["kwh"].to_numpy()
    usual = float(np.quantile(kwh, 0.98))
    stamp = heat["slot_start_utc"].to_physical().to_numpy()
    beside = np.diff(stamp) == 3_600_000_000
    flow, back = heat[wanted[0]].to_numpy(), heat[wanted[1]].to_numpy()
    rate = heat[wanted[2]].to_numpy()
    offset, u_offset = _offset(flow - back, kwh, usual)
    delta_k = flow - back - offset
    # A pump that never stops hides the starts of a unit that runs at less than full load.
    always = float(np.mean(rate[kwh <= 0.002 * usual] > 0)) if np.any(kwh <= 0.002 * usual) else 0.0
    steady = kwh >= (STEADY_SHARE if always < 0.5 else FULL_SHARE) * usual
    # An hour whose neighbours are like it has no start or stop in it.
    like = beside & _alike(kwh, LIKE_HEAT) & _alike(rate, LIKE_RATE)
    used = (
        steady
        & np.append(like, False)
        & np.insert(like, 0, False)
        & (delta_k >= LEAST_DELTA_K)
        & (rate > 0)
    )
    # A meter for water and this sum err alike on antifreeze; a meter for the mixture does not.
    computed = _mixture(site, flow) * rate * delta_k * heat_coefficient_kwh_per_m3k(flow, back)
    used &= np.isfinite(computed)
    return Steady(
        stamp[used],
        kwh[used],
        computed[used],
        rate[used],
        delta_k[used],
        u_offset,
        heat["frost"].is_not_null().to_numpy()[used],
    )


def _mixture(site: Site, flow_c: Values) -> float:
    """Heat of the mixture over that of water, where the heat meters are calibrated for it."""
    antifreeze = site.heat_pump.antifreeze
    fits = [fit for fit in site.meter if fit.measures == "heat"]
    if antifreeze is None or any(fit.calibrated_for == "water" for fit in fits):
        return 1.0
    return mixture_ratio(antifreeze.fluid, antifreeze.mass_fraction, float(np.nanmean(flow_c)))


def _alike(values: Values, share: float) -> Flags:
    """Whether each value differs from the next by less than a share of the larger."""
    larger = np.maximum(values[1:], values[:-1])
    return np.asarray(np.abs(np.diff(values)) <= share * larger)


def _hours_with_backup(slots: pl.DataFrame) -> pl.DataFrame:
    on = (pl.col("role") == Role.ELEC_BACKUP.value) & (pl.col("block_kwh") > 0.01)
    return slots.filter(on).select("slot_start_utc").unique()


def _hours_of_frost(site: Site, states: pl.DataFrame) -> pl.DataFrame:
    cold = (pl.col("role") == Role.OUTDOOR_TEMP.value) & (pl.col("mean") < FROST_C)
    if site.heat_pump.source != "air":
        cold &= False
    return states.filter(cold).select("slot_start_utc", pl.lit(value=True).alias("frost"))


def _offset(delta_k: Values, kwh: Values, usual: float) -> tuple[float, float]:
    """Error of the difference of two temperature sensors at standstill, and what is left of it."""
    still = kwh <= 0.002 * usual
    # Pipes need an hour to come to one temperature.
    still[1:] &= kwh[:-1] <= 0.002 * usual
    if still.sum() < LEAST_STILL_HOURS:
        return 0.0, DELTA_U_K
    offset = float(np.median(delta_k[still]))
    if abs(offset) > LARGEST_OFFSET_K:
        return 0.0, DELTA_U_K
    return offset, STILL_U_K
