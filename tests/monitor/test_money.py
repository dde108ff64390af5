"""What the electricity cost at dated tariffs, and what a missed promise costs."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from monitor.guarantee.money import Money, money
from monitor.metrics.boundary import recipe
from monitor.metrics.performance import pair
from monitor.models import Boundary
from tests.monitor.homes import at, home, readings, slots_of

FIRST = date(2024, 1, 10)


def tariff(day: int, price: float, standing: float = 0.0) -> dict[str, Any]:
    return {
        "valid_from": date(2024, 1, day),
        "price_per_kwh": price,
        "standing_per_day": standing,
    }


def cost(
    *tariffs: dict[str, Any],
    days: int = 10,
    promise: float | None = 3.0,
    hours: list[int] | None = None,
) -> Money | None:
    """Cost of days with 1 kW of electricity and 2.5 kW of heat."""
    site = home({"role": "heat_total"}, {"role": "elec_unit"}, tariff=list(tariffs))
    read = hours if hours is not None else list(range(24 * days + 1))
    frame = readings([(at(h), 2.5 * h) for h in read], [(at(h), 1.0 * h) for h in read])
    blocks = pair(slots_of(site, frame), recipe(site, Boundary.H2))
    return money(site, blocks, FIRST, date(2024, 1, 10 + days), promise)


def test_one_tariff_prices_everything() -> None:
    got = cost(tariff(1, 0.25, 0.60))
    assert got is not None
    assert got.energy_cost == pytest.approx(240 * 0.25)
    assert got.standing_cost == pytest.approx(10 * 0.60)
    assert got.unpriced_kwh == pytest.approx(0.0)
    assert got.unpriced_days == 0


def test_each_day_has_the_price_in_force() -> None:
    got = cost(tariff(1, 0.20, 0.50), tariff(13, 0.30, 0.40))
    assert got is not None
    assert got.energy_cost == pytest.approx(72 * 0.20 + 168 * 0.30)
    assert got.standing_cost == pytest.approx(3 * 0.50 + 7 * 0.40)


def test_a_price_that_begins_with_the_stretch_replaces_the_earlier_one() -> None:
    got = cost(tariff(1, 9.99), tariff(10, 0.30), tariff(20, 9.99))
    assert got is not None
    assert got.energy_cost == pytest.approx(240 * 0.30)


def test_days_before_the_first_tariff_are_unpriced_and_said() -> None:
    got = cost(tariff(14, 0.30, 0.40))
    assert got is not None
    assert got.energy_cost == pytest.approx(144 * 0.30)
    assert got.standing_cost == pytest.approx(6 * 0.40)
    assert got.unpriced_kwh == pytest.approx(96)
    assert got.unpriced_days == 4


def test_a_broken_promise_costs_the_electricity_beyond_what_it_would_have_needed() -> None:
    # Remedy: E - Q / promise = 240 - 600 / 3 = 40 kWh.
    got = cost(tariff(1, 0.25))
    assert got is not None
    assert got.extra_kwh == pytest.approx(40.0)
    assert got.extra_cost == pytest.approx(10.0)


def test_extra_electricity_is_priced_when_it_was_used() -> None:
    got = cost(tariff(1, 0.20), tariff(15, 0.40))
    assert got is not None
    assert got.extra_cost == pytest.approx(20 * 0.20 + 20 * 0.40)


def test_a_promise_more_than_kept_saves_electricity() -> None:
    got = cost(tariff(1, 0.25), promise=2.0)
    assert got is not None
    assert got.extra_kwh == pytest.approx(-60.0)
    assert got.extra_cost == pytest.approx(-15.0)


def test_a_bridged_block_across_a_change_of_price_has_neither() -> None:
    # Nothing read from 72 h to 120 h; the price changes at 96 h.
    hours = [h for h in range(241) if not 72 < h < 120]
    got = cost(tariff(1, 0.20), tariff(14, 0.30), hours=hours)
    assert got is not None
    assert got.energy_cost == pytest.approx(72 * 0.20 + 120 * 0.30)
    assert got.unpriced_kwh == pytest.approx(48.0)
    assert got.extra_kwh == pytest.approx(40.0)


def test_without_a_promise_there_is_no_extra() -> None:
    got = cost(tariff(1, 0.25), promise=None)
    assert got is not None
    assert got.extra_kwh is None
    assert got.extra_cost is None


def test_without_a_tariff_there_is_no_money() -> None:
    assert cost() is None


def test_before_the_stretch_begins_there_is_no_money() -> None:
    assert cost(tariff(1, 0.25), days=0) is None


def test_the_currency_is_the_tariffs() -> None:
    got = cost(tariff(1, 0.25) | {"currency": "EUR"})
    assert got is not None
    assert got.currency == "EUR"
