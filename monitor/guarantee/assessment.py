"""Everything that is found out about a promise beside its account and its outlook.

The home's energy model and how well it fits, whether the figures can be true, where a
shortfall comes from, what the heat would have cost and emitted before.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta

import polars as pl

from monitor.guarantee.allowance import Allowance, allowance
from monitor.guarantee.basis import Basis
from monitor.guarantee.boiler import BillsCheck, BoilerComparison, compare, heat_loss_from_bills
from monitor.guarantee.carbon import Carbon, carbon
from monitor.guarantee.causes import Shortfall
from monitor.guarantee.money import money
from monitor.guarantee.shortfall import shortfall
from monitor.metrics import periods
from monitor.metrics.model import EnergyModel
from monitor.metrics.plausibility import ASKED_ROOM_C, Plausibility, plausibility
from monitor.metrics.quality import Quality
from monitor.models import Record


class ModelFit(Record):
    """The energy model of a home in figures.

    Attributes
    ----------
    heat, electricity
        How well either half follows its days.
    base_kwh, slope_kwh_k, balance_c
        Heat a day that does not go with the weather, more a day for each kelvin below the
        balance temperature, and that temperature.
    standby_kwh
        Electricity a day that does not go with heat.
    change, change_day
        Change of the electricity for the same heat and its day, where one is likely.
    coldest_c, warmest_c
        Daily outdoor temperatures that the days cover.
    is_adequate, sentence
        Whether it is good enough to forecast with, and if not, why.
    """

    heat: Quality
    electricity: Quality
    base_kwh: float
    slope_kwh_k: float
    balance_c: float
    standby_kwh: float
    change: float | None
    change_day: date | None
    coldest_c: float
    warmest_c: float
    is_adequate: bool
    sentence: str


class Assessment(Record):
    """What was found out about a promise up to an hour.

    Attributes
    ----------
    fit, no_fit
        The energy model; or the sentence that says why there is none.
    plausibility, shortfall, comparison, carbon
        None where nothing was measured yet, or nothing is on record to compare with.
    bills
        Heat loss as past fuel bills tell it.
    allowance
        Where the terms grant one.
    price_per_kwh
        Mean price of the electricity so far that has one.
    """

    site: str
    at: datetime
    terms_version: int
    fit: ModelFit | None = None
    no_fit: str = ""
    plausibility: Plausibility | None = None
    shortfall: Shortfall | None = None
    allowance: Allowance | None = None
    comparison: BoilerComparison | None = None
    bills: BillsCheck | None = None
    carbon: Carbon | None = None
    price_per_kwh: float | None = None


def assessment(base: Basis, prices: pl.DataFrame | None = None) -> Assessment:
    """Find out what the records of a site allow.

    Parameters
    ----------
    prices
        Frame of schema PRICE, for tariffs that name a series.
    """
    site, terms, so_far, model = base.site, base.terms, base.so_far, base.model
    found = Assessment(
        site=site.id,
        at=base.now,
        terms_version=terms.version,
        fit=None if isinstance(model, str) else _fit(model),
        no_fit=model if isinstance(model, str) else "",
        bills=heat_loss_from_bills(site),
    )
    if so_far.hours.total == 0 or so_far.spf is None:
        return found
    window = terms.start, _after(base)
    checks = plausibility(
        site,
        base.slots,
        base.states,
        base.days,
        so_far,
        asked_room_c=terms.expects.room_c or ASKED_ROOM_C,
    )
    price = _mean_price(base, prices)
    moved = None
    if terms.weather_allowance != "none":
        moved = allowance(base, base.given.climate)
    return found.model_copy(
        update={
            "plausibility": checks,
            "allowance": moved,
            "shortfall": shortfall(
                base,
                climate=base.given.climate,
                heat_check=checks.heat_check,
                price_per_kwh=price,
            ),
            "price_per_kwh": price,
            "comparison": compare(site, base.blocks, *window, base.excluded, prices),
            "carbon": carbon(site, base.blocks, *window, base.excluded),
        }
    )


def _after(base: Basis) -> date:
    """First local day that is wholly beyond what is known or the period."""
    last = periods.local_day(base.site, base.until - timedelta(hours=1))
    return min(base.terms.end, last + timedelta(days=1))


def _mean_price(base: Basis, prices: pl.DataFrame | None) -> float | None:
    """Mean price of a kWh of the electricity so far that has one."""
    spent = money(
        base.site, base.blocks, base.terms.start, _after(base), None, base.excluded, prices
    )
    if spent is None:
        return None
    priced = base.so_far.electricity_kwh - spent.unpriced_kwh
    return spent.energy_cost / priced if priced > 0 else None


def _fit(model: EnergyModel) -> ModelFit:
    return ModelFit(
        heat=model.heat,
        electricity=model.electricity,
        base_kwh=model.base_kwh,
        slope_kwh_k=model.slope_kwh_k,
        balance_c=model.balance_c,
        standby_kwh=model.standby_kwh,
        change=model.change,
        change_day=model.change_day,
        coldest_c=model.coldest_c,
        warmest_c=model.warmest_c,
        is_adequate=model.adequate,
        sentence=model.sentence,
    )
