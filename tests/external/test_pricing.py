"""Prices, remedy, former heating and carbon against half-hourly pricing with pandas.

Reference: pandas 3.1 on a grid of half hours in local time, to which each hour gives half its
energy. The remedy of a broken promise is E - Q / promise at the tariff in force. Bounds are
searched for over every corner of what is not known. Carbon factors: UK government
greenhouse gas conversion factors (from memory, and 2024 and 2025 from climateessentials.com).
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from functools import cache
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pytest
from scipy.stats import norm

from monitor.guarantee.boiler import compare, heat_loss_from_bills
from monitor.guarantee.carbon import carbon
from monitor.guarantee.money import money
from monitor.guarantee.price_steps import (
    PRICE,
    counted,
    electricity_prices,
    known_prices,
    per_block,
    steps_of,
)
from monitor.metrics.boundary import recipe
from monitor.metrics.performance import Blocks, pair
from monitor.models import Boundary, Site
from tests.monitor.homes import home, readings, slots_of

pytestmark = pytest.mark.external

ZONE = "Europe/London"
FIRST, END = date(2024, 3, 18), date(2024, 4, 15)
PROMISE = 3.1
TERMS: dict[str, Any] = {
    "signed": date(2023, 12, 1),
    "promised_spf": PROMISE,
    "boundary": "H2",
    "start": date(2024, 1, 1),
    "months": 12,
}
DAY_RATE, NIGHT, PEAK, LATER = 0.28, 0.09, 0.41, 0.245

TARIFFS: dict[str, list[dict[str, Any]]] = {
    "flat": [
        {"valid_from": date(2024, 1, 1), "price_per_kwh": 0.2862, "standing_per_day": 0.5335},
        {"valid_from": date(2024, 4, 1), "price_per_kwh": 0.2450, "standing_per_day": 0.6010},
    ],
    "bands": [
        {
            "valid_from": date(2024, 1, 1),
            "price_per_kwh": DAY_RATE,
            "standing_per_day": 0.5,
            "band": [
                {"start": "00:30", "end": "07:30", "price_per_kwh": NIGHT},
                {"start": "16:00", "end": "19:00", "price_per_kwh": PEAK, "days": "weekdays"},
            ],
        },
        {"valid_from": date(2024, 4, 6), "price_per_kwh": LATER, "standing_per_day": 0.6},
    ],
    "series": [{"valid_from": date(2024, 1, 1), "series": "east", "standing_per_day": 0.4}],
}


@cache
def half_hours() -> pd.DatetimeIndex:
    a, b = (pd.Timestamp(day, tz=ZONE) for day in (FIRST, END))
    return pd.date_range(a, b, freq="30min", inclusive="left")


@cache
def price(kind: str) -> pd.Series:
    """Price of each local half hour, written out with pandas."""
    at = half_hours()
    day = at.date
    if kind == "flat":
        return pd.Series(np.where(day >= date(2024, 4, 1), 0.2450, 0.2862), index=at)
    if kind == "series":
        return pd.Series(np.random.default_rng(3).normal(0.2, 0.12, len(at)), index=at)
    clock = at.hour + at.minute / 60.0
    found = pd.Series(DAY_RATE, index=at)
    found[(clock >= 0.5) & (clock < 7.5)] = NIGHT
    found[(clock >= 16.0) & (clock < 19.0) & (at.day_of_week < 5)] = PEAK
    found[day >= date(2024, 4, 6)] = LATER
    return found


def imported(kind: str) -> pl.DataFrame | None:
    """The same prices as a series by quarter hour."""
    if kind != "series":
        return None
    rows = [
        ("east", t.to_pydatetime().astimezone(UTC) + timedelta(minutes=quarter), float(p))
        for t, p in price(kind).items()
        for quarter in (0, 15)
    ]
    return pl.DataFrame(rows, schema=PRICE, orient="row")


def a_site(kind: str = "flat", **extra: Any) -> Site:
    return home(
        {"role": "heat_total"},
        {"role": "elec_unit"},
        zone=ZONE,
        tariff=TARIFFS[kind],
        terms=[TERMS],
        **extra,
    )


@cache
def hourly() -> pd.DataFrame:
    """Heat and electricity of the hours of the stretch, UTC."""
    rng = np.random.default_rng(1)
    index = half_hours()[::2].tz_convert("UTC")
    used = rng.uniform(0.1, 2.0, len(index))
    return pd.DataFrame({"heat": used * rng.uniform(1.5, 4.5, len(index)), "used": used}, index)


@cache
def blocks(*, gap: bool = False) -> Blocks:
    """From registers read by the hour; with a gap, not from the 60th to the 90th hour."""
    frame = hourly()
    start = frame.index[0].to_pydatetime()
    total = np.concatenate((np.zeros((1, 2)), np.cumsum(frame.to_numpy(), axis=0)))
    at = [h for h in range(len(total)) if not (gap and 60 < h < 90)]
    channels = [[(start + timedelta(hours=h), float(total[h, n])) for h in at] for n in (0, 1)]
    site = a_site()
    return pair(slots_of(site, readings(*channels)), recipe(site, Boundary.H2))


def spread(kwh: pd.Series) -> pd.Series:
    """Energy of hours on half hours, half and half."""
    return (kwh.tz_convert(ZONE).reindex(half_hours()).ffill() / 2.0).rename("kwh")


@pytest.mark.parametrize("kind", TARIFFS)
def test_a_month_across_the_change_of_clocks_costs_its_half_hours(kind: str) -> None:
    got = money(a_site(kind), blocks(), FIRST, END, PROMISE, prices=imported(kind))
    assert got is not None
    used, heat = spread(hourly()["used"]), spread(hourly()["heat"])
    assert used.sum() == pytest.approx(hourly()["used"].sum())
    assert got.energy_cost == pytest.approx((used * price(kind)).sum(), rel=1e-9)
    assert got.extra_kwh == pytest.approx((used - heat / PROMISE).sum(), rel=1e-9)
    extra = ((used - heat / PROMISE) * price(kind)).sum()
    assert got.extra_cost == pytest.approx(extra, rel=1e-9)
    assert got.remedy_owed == pytest.approx(max(extra, 0.0), rel=1e-9)
    # Between the cheaper and the dearer half of each hour.
    by_hour = price(kind).groupby(np.arange(len(half_hours())) // 2)
    energy = hourly()["used"].to_numpy()
    assert got.energy_cost_low == pytest.approx((energy * by_hour.min()).sum(), rel=1e-9)
    assert got.energy_cost_high == pytest.approx((energy * by_hour.max()).sum(), rel=1e-9)
    changes = by_hour.max() > by_hour.min()
    assert got.spread_kwh == pytest.approx(energy[changes].sum(), rel=1e-9, abs=1e-9)
    standing = pd.Series(0.0, index=pd.date_range(FIRST, END, inclusive="left"))
    for tariff in TARIFFS[kind]:
        standing[standing.index >= pd.Timestamp(tariff["valid_from"])] = tariff["standing_per_day"]
    assert got.standing_cost == pytest.approx(standing.sum(), rel=1e-9)


@pytest.mark.parametrize("kind", ["bands", "series"])
def test_energy_of_an_unread_stretch_is_spread_evenly_over_it(kind: str) -> None:
    got = money(a_site(kind), blocks(gap=True), FIRST, END, None, prices=imported(kind))
    assert got is not None
    kwh = hourly()["used"].to_numpy().copy()
    kwh[60:90] = kwh[60:90].mean()
    evenly = spread(pd.Series(kwh, index=hourly().index))
    assert got.energy_cost == pytest.approx((evenly * price(kind)).sum(), rel=1e-9)


@pytest.mark.parametrize("kind", ["flat", "series"])
def test_a_block_has_the_mean_and_the_limits_of_its_half_hours(kind: str) -> None:
    site = a_site(kind)
    steps = steps_of(site, FIRST, END)
    by_step = electricity_prices(steps, imported(kind))
    # Quarter hours: each half hour stands twice.
    assert by_step == pytest.approx(np.repeat(price(kind).to_numpy(), 2))
    known = known_prices(site, imported(kind))
    assert known is not None
    if kind == "series":
        assert known == pytest.approx((price(kind).min(), price(kind).max()))
    found = per_block(by_step, counted(blocks(), steps), known)
    hours = price(kind).groupby(np.arange(len(half_hours())) // 2)
    assert found.mean == pytest.approx(hours.mean().to_numpy(), rel=1e-9)
    assert found.low == pytest.approx(hours.min().to_numpy())
    assert found.high == pytest.approx(hours.max().to_numpy())


def test_the_remedy_lies_between_those_of_both_ends_of_the_interval_of_the_spf() -> None:
    u = 0.08
    got = money(a_site(), blocks(), FIRST, END, PROMISE, u_spf=u)
    assert got is not None
    used, heat = spread(hourly()["used"]), spread(hourly()["heat"])
    spf = heat.sum() / used.sum()
    ends = [
        ((used - heat * end / spf / PROMISE) * price("flat")).sum()
        for end in norm(spf, u).interval(0.95)
    ]
    # The product's factor of 1.96 is that of the normal distribution to 2e-5.
    assert (got.remedy_low, got.remedy_high) == pytest.approx(
        (max(min(ends), 0.0), max(max(ends), 0.0)), rel=1e-3
    )
    assert got.remedy_high is not None
    assert got.remedy_high > 0.0


GAS = [
    {"valid_from": date(2024, 1, 1), "price_per_kwh": 0.0742, "standing_per_day": 0.2960},
    {"valid_from": date(2024, 4, 1), "price_per_kwh": 0.0604, "standing_per_day": 0.3143},
]


@pytest.mark.parametrize(("installed", "best"), [(2024, 0.85), (2010, 0.78), (1990, 0.68)])
@pytest.mark.parametrize("kind", ["bands", "series"])
def test_the_former_boiler_over_the_same_hours(kind: str, installed: int, best: float) -> None:
    # 85 % when new, half a point a year; in homes 5 points less to 7 more. Common practice.
    site = a_site(
        kind,
        boiler={"fuel": "gas", "installed": installed, "fuel_tariff": GAS},
    ).model_copy(update={"commissioned": date(2024, 1, 1)})
    got = compare(site, blocks(), FIRST, END, prices=imported(kind))
    assert got is not None
    heat, used = spread(hourly()["heat"]), spread(hourly()["used"])
    gas = pd.Series(np.where(half_hours().date >= date(2024, 4, 1), 0.0604, 0.0742), half_hours())
    efficiency = (best - 0.05, best, min(best + 0.07, 1.0))
    assert (got.efficiency.low, got.efficiency.best, got.efficiency.high) == pytest.approx(
        efficiency
    )
    assert got.fuel_kwh.best == pytest.approx(heat.sum() / best, rel=1e-9)
    assert got.fuel_cost.best == pytest.approx((heat * gas).sum() / best, rel=1e-9)
    standing = 14 * 0.2960 + 14 * 0.3143
    assert got.standing_saved == pytest.approx(standing, rel=1e-9)
    by_hour = price(kind).groupby(np.arange(len(half_hours())) // 2)
    energy = hourly()["used"].to_numpy()
    costs = (
        (energy * by_hour.min()).sum(),
        (used * price(kind)).sum(),
        (energy * by_hour.max()).sum(),
    )
    saved = [
        (heat * gas).sum() / share + standing - cost for share, cost in product(efficiency, costs)
    ]
    assert (got.saved.low, got.saved.high) == pytest.approx((min(saved), max(saved)), rel=1e-9)
    assert got.saved.best == pytest.approx(
        (heat * gas).sum() / best + standing - costs[1], rel=1e-9
    )


def test_heat_and_heat_loss_of_past_bills_are_the_corners_of_what_is_not_known() -> None:
    bills = (14_200.0, 15_900.0, 13_700.0)
    site = a_site(
        boiler={
            "fuel": "gas",
            "seasonal_efficiency": 0.82,
            "past_bills": {"yearly_kwh": bills, "cooks_with_fuel": True},
        }
    )
    found = heat_loss_from_bills(site)
    assert found is not None
    # 77 to 89 % of what is left when 5 to 10 % cooks; a year is 1 500 hours at design loss.
    heat = [
        np.mean(bills) * (1 - cooks) * share
        for cooks, share in product((0.05, 0.075, 0.10), (0.77, 0.82, 0.89))
    ]
    assert (found.heat_kwh.low, found.heat_kwh.best, found.heat_kwh.high) == pytest.approx(
        (min(heat), np.mean(bills) * 0.925 * 0.82, max(heat)), rel=1e-9
    )
    assert found.heat_loss_kw.best == pytest.approx(found.heat_kwh.best / 1500.0)


def test_carbon_over_new_year_and_an_own_factor_is_grouped_by_its_local_year() -> None:
    first, end = date(2023, 12, 20), date(2024, 1, 20)
    site = a_site(
        boiler={"fuel": "gas", "seasonal_efficiency": 0.9},
        carbon=[
            {
                "valid_from": date(2024, 1, 10),
                "electricity_kg_per_kwh": 0.111,
                "source": "supplier",
            }
        ],
    )
    rng = np.random.default_rng(4)
    index = pd.date_range(datetime(2023, 12, 20, tzinfo=UTC), periods=31 * 24, freq="h")
    kwh = pd.DataFrame(
        {"heat": rng.uniform(1.0, 6.0, 744), "used": rng.uniform(0.5, 2.0, 744)}, index=index
    )
    total = np.concatenate((np.zeros((1, 2)), np.cumsum(kwh.to_numpy(), axis=0)))
    start = index[0].to_pydatetime()
    frame = readings(
        *([(start + timedelta(hours=h), float(total[h, n])) for h in range(745)] for n in (0, 1))
    )
    got = carbon(site, pair(slots_of(site, frame), recipe(site, Boundary.H2)), first, end)
    assert got is not None
    assert got.heat_pump is not None
    assert got.boiler is not None
    assert got.saved is not None
    local = index.tz_convert(ZONE)
    factor = pd.Series(local.year, index).map({2023: 0.20707, 2024: 0.20705})
    factor[local >= pd.Timestamp(2024, 1, 10, tz=ZONE)] = 0.111
    gas = pd.Series(local.year, index).map({2023: 0.18293, 2024: 0.18290})
    pump, fuel = (kwh["used"] * factor).sum(), (kwh["heat"] * gas).sum()
    assert got.heat_pump.best == pytest.approx(pump, rel=1e-9)
    assert got.boiler.best == pytest.approx(fuel / 0.9, rel=1e-9)
    saved = [fuel / share - pump for share in (0.85, 0.9, 0.97)]
    assert (got.saved.low, got.saved.best, got.saved.high) == pytest.approx(
        (min(saved), saved[1], max(saved)), rel=1e-9
    )
