"""What the same heat would have cost with the heating that was there before.

Gas, oil and LPG are counted in kWh of gross calorific value, as bills count them.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final

import numpy as np
import polars as pl

from monitor.guarantee.money import at_mean
from monitor.guarantee.price_steps import (
    Counted,
    Flags,
    PerBlock,
    Span,
    Steps,
    Values,
    counted,
    dated,
    dated_days,
    electricity_prices,
    per_block,
    pick,
    steps_of,
)
from monitor.guarantee.standing import YEARLY_KWH_PER_KW
from monitor.metrics.performance import Blocks
from monitor.models import Boiler, Record, Site

#: Seasonal efficiency of a new boiler, what each year of age takes from it, and the least
#: that is assumed of an old one. Common practice, no source.
NEW_EFFICIENCY: Final = 0.85
LOSS_PER_YEAR: Final = 0.005
LEAST_EFFICIENCY: Final = 0.50

#: How far the efficiency in a home may lie below and above such a figure: 80 to 92 % about
#: 85 %. Common practice, no source.
EFFICIENCY_SPREAD: Final = (0.05, 0.07)

#: Share of the gas that cooks, in a home that cooks with it. Common practice, no source.
COOKING_SHARE: Final = (0.05, 0.10)


class Range(Record):
    """A best figure between a low and a high one."""

    low: float
    best: float
    high: float


class BoilerComparison(Record):
    """The heat pump against the former heating, over the same hours.

    Only blocks count in which heat and electricity are known and both energies have a price
    at all times.

    Attributes
    ----------
    hours, heat_kwh, electricity_kwh
        What was compared.
    left_out_kwh
        Known heat that could not be compared because electricity or fuel has no price.
    efficiency, efficiency_from
        Of the former heating, and in words where it comes from.
    fuel_kwh, fuel_cost
        Fuel that it would have burnt for the same heat, and its price.
    heat_pump_cost
        Price of the electricity: as if used evenly in each block, and its bounds. The
        standing charge of electricity is paid either way and is in neither side.
    standing_saved
        Standing charge of the fuel over the hours compared; 0 where the fuel is kept.
    saved
        fuel_cost + standing_saved - heat_pump_cost; negative where the heat pump costs
        more. The bounds take the worst and the best of everything at once.
    remarks
        Sentences on what the comparison rests on.
    """

    currency: str
    hours: int
    heat_kwh: float
    electricity_kwh: float
    left_out_kwh: float
    efficiency: Range
    efficiency_from: str
    fuel_kwh: Range
    fuel_cost: Range
    heat_pump_cost: Range
    standing_saved: float
    saved: Range
    remarks: tuple[str, ...]


class BillsCheck(Record):
    """Heat of a year and design heat loss as past fuel bills tell them.

    Attributes
    ----------
    years
        Number of yearly bills.
    heat_kwh
        Mean yearly heat.
    heat_loss_kw
        `heat_kwh` over 1 500 h (common practice, no source).
    """

    years: int
    heat_kwh: Range
    heat_loss_kw: Range
    why: str


def efficiency(boiler: Boiler, in_year: int) -> tuple[Range, str]:
    """Seasonal efficiency of the former heating in its last year, and where it comes from."""
    if boiler.fuel == "direct_electric":
        return Range(low=1.0, best=1.0, high=1.0), "Direct electric heating gives all it uses."
    if boiler.seasonal_efficiency is not None:
        best = boiler.seasonal_efficiency
        why = f"A seasonal efficiency of {best:.0%} is on record"
    else:
        age = max(0, in_year - (boiler.installed or in_year))
        best = max(LEAST_EFFICIENCY, NEW_EFFICIENCY - LOSS_PER_YEAR * age)
        why = (
            f"A boiler of {boiler.installed} was {age} years old in {in_year}: {best:.0%} is "
            "common practice for that age"
        )
    below, above = EFFICIENCY_SPREAD
    found = Range(low=max(0.01, best - below), best=best, high=min(1.0, best + above))
    return found, f"{why}; in homes it may be {found.low:.0%} to {found.high:.0%}."


def compare(
    site: Site,
    blocks: Blocks,
    first: date,
    end: date,
    excluded: Sequence[Span] = (),
    prices: pl.DataFrame | None = None,
) -> BoilerComparison | None:
    """Compare the cost of the known heat with that of the former heating.

    Parameters
    ----------
    first, end
        Local days, from `first` up to, not including, `end`.
    excluded, prices
        As for `money`.

    Returns
    -------
    BoilerComparison or None
        None where the site describes no former heating, or has no tariff.
    """
    boiler = site.boiler
    if boiler is None or not site.tariff or end <= first:
        return None
    steps = steps_of(site, first, end, excluded)
    own = counted(blocks, steps)
    electric = per_block(electricity_prices(steps, prices), own, None)
    fuel = electric if boiler.fuel == "direct_electric" else _fuel_price(steps, own, boiler)
    both = electric.known & fuel.known
    heat = np.where(both, own.heat, 0.0)
    used = np.where(both, own.electricity, 0.0)
    found, why = efficiency(boiler, site.commissioned.year)
    fuel_kwh = _divided(float(heat.sum()), found)
    pump_cost = _cost(electric, used)
    heat_cost = _cost(fuel, heat)
    fuel_cost = _spread(heat_cost, found)
    saved_standing = 0.0 if boiler.keeps_fuel else _standing(steps, own, both, boiler)
    return BoilerComparison(
        currency=site.tariff[0].currency,
        hours=int((_hours(own) * both).sum()),
        heat_kwh=float(heat.sum()),
        electricity_kwh=float(used.sum()),
        left_out_kwh=float(own.heat[~both].sum()),
        efficiency=found,
        efficiency_from=why,
        fuel_kwh=fuel_kwh,
        fuel_cost=fuel_cost,
        heat_pump_cost=pump_cost,
        standing_saved=saved_standing,
        saved=Range(
            low=fuel_cost.low + saved_standing - pump_cost.high,
            best=fuel_cost.best + saved_standing - pump_cost.best,
            high=fuel_cost.high + saved_standing - pump_cost.low,
        ),
        remarks=_remarks(boiler, why, float(own.heat[~both].sum())),
    )


def heat_loss_from_bills(site: Site) -> BillsCheck | None:
    """Design heat loss that the fuel bills of the years before the heat pump speak for.

    Returns
    -------
    BillsCheck or None
        None where no bills are on record.
    """
    boiler = site.boiler
    if boiler is None or boiler.past_bills is None:
        return None
    bills = boiler.past_bills
    fuel = sum(bills.yearly_kwh) / len(bills.yearly_kwh)
    found, why = efficiency(boiler, site.commissioned.year)
    least, most = COOKING_SHARE if bills.cooks_with_fuel else (0.0, 0.0)
    heat = Range(
        low=fuel * (1 - most) * found.low,
        best=fuel * (1 - (least + most) / 2) * found.best,
        high=fuel * (1 - least) * found.high,
    )
    if bills.cooks_with_fuel:
        why += f" {least:.0%} to {most:.0%} of the fuel is taken as cooking."
    return BillsCheck(
        years=len(bills.yearly_kwh),
        heat_kwh=heat,
        heat_loss_kw=Range(
            low=heat.low / YEARLY_KWH_PER_KW,
            best=heat.best / YEARLY_KWH_PER_KW,
            high=heat.high / YEARLY_KWH_PER_KW,
        ),
        why=why,
    )


def _fuel_price(steps: Steps, own: Counted, boiler: Boiler) -> PerBlock:
    tariffs = boiler.fuel_tariff
    by_step = pick(
        [tariff.price_per_kwh for tariff in tariffs],
        dated(steps, [tariff.valid_from for tariff in tariffs]),
    )
    return per_block(by_step, own, None)


def _cost(price: PerBlock, kwh: Values) -> Range:
    low, high = price.bounds(kwh)
    best = at_mean(price, kwh)
    return Range(low=best if low is None else low, best=best, high=best if high is None else high)


def _divided(kwh: float, by: Range) -> Range:
    ends = sorted((kwh / by.low, kwh / by.high))
    return Range(low=ends[0], best=kwh / by.best, high=ends[1])


def _spread(cost: Range, by: Range) -> Range:
    """Cost of heat over an uncertain efficiency; a cost may be negative."""
    return Range(
        low=min(cost.low / by.low, cost.low / by.high),
        best=cost.best / by.best,
        high=max(cost.high / by.low, cost.high / by.high),
    )


def _hours(own: Counted) -> Values:
    return np.asarray((own.last - own.first) / 4)


def _standing(steps: Steps, own: Counted, both: Flags, boiler: Boiler) -> float:
    """Standing charge over the steps of the blocks compared."""
    tariffs = boiler.fuel_tariff
    a_day = pick(
        [tariff.standing_per_day for tariff in tariffs],
        dated_days(steps, [tariff.valid_from for tariff in tariffs]),
    )
    change = np.zeros(len(steps.start_us) + 1)
    np.add.at(change, own.first, both.astype(np.float64))
    np.add.at(change, own.last, -both.astype(np.float64))
    return float(np.nansum(a_day * steps.day_shares(np.cumsum(change)[:-1] > 0.5)))


def _remarks(boiler: Boiler, why: str, left_out: float) -> tuple[str, ...]:
    out = [why]
    if boiler.keeps_fuel:
        out.append("The fuel is still supplied, so its standing charge is not saved.")
    if left_out != 0:
        out.append(
            f"{left_out:,.0f} kWh of heat are left out: electricity or fuel has no price then."
        )
    return tuple(out)
