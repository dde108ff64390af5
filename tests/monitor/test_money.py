"""What the electricity cost at dated tariffs, and what a missed promise costs."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from monitor.guarantee.money import Money, money
from monitor.guarantee.price_steps import PRICE
from monitor.metrics.boundary import recipe
from monitor.metrics.performance import Blocks, pair
from monitor.models import Boundary, Site, Tariff
from tests.monitor.homes import at, home, readings, slots_of

FIRST = date(2024, 1, 10)
TERMS: dict[str, Any] = {
    "signed": date(2023, 12, 1),
    "promised_spf": 3.0,
    "boundary": "H2",
    "start": FIRST,
    "months": 12,
}


def tariff(day: int, price: float, standing: float = 0.0, **more: Any) -> dict[str, Any]:
    return {
        "valid_from": date(2024, 1, day),
        "price_per_kwh": price,
        "standing_per_day": standing,
        **more,
    }


def band(start: str, end: str, price: float, days: str = "all") -> dict[str, Any]:
    return {"start": start, "end": end, "price_per_kwh": price, "days": days}


def by_series(day: int, name: str = "east", standing: float = 0.0) -> dict[str, Any]:
    return {"valid_from": date(2024, 1, day), "series": name, "standing_per_day": standing}


def series(
    prices: Sequence[float | None],
    start: datetime | None = None,
    name: str = "east",
    minutes: int = 30,
) -> pl.DataFrame:
    """Prices that hold for some minutes each, by quarter hour; None leaves a hole."""
    start = start or at(0)
    rows = [
        (name, start + timedelta(minutes=minutes * n + quarter), price)
        for n, price in enumerate(prices)
        if price is not None
        for quarter in range(0, minutes, 15)
    ]
    return pl.DataFrame(rows, schema=PRICE, orient="row")


def blocks_of(
    site: Site,
    hours: Sequence[int],
    heat: Sequence[float] | None = None,
    used: Sequence[float] | None = None,
) -> Blocks:
    """Blocks of registers read at some hours; by default 1 kW in and 2.5 kW out."""
    rising = np.concatenate(([0.0], np.cumsum(heat))) if heat is not None else None
    drawn = np.concatenate(([0.0], np.cumsum(used))) if used is not None else None
    frame = readings(
        [(at(h), 2.5 * h if rising is None else float(rising[h])) for h in hours],
        [(at(h), 1.0 * h if drawn is None else float(drawn[h])) for h in hours],
    )
    return pair(slots_of(site, frame), recipe(site, Boundary.H2))


def house(*tariffs: dict[str, Any], **extra: Any) -> Site:
    return home({"role": "heat_total"}, {"role": "elec_unit"}, tariff=list(tariffs), **extra)


def cost(
    *tariffs: dict[str, Any],
    days: int = 10,
    promise: float | None = 3.0,
    hours: list[int] | None = None,
    excluded: Sequence[tuple[datetime, datetime]] = (),
    prices: pl.DataFrame | None = None,
    u_spf: float | None = None,
    **extra: Any,
) -> Money | None:
    """Cost of days with 1 kW of electricity and 2.5 kW of heat."""
    site = house(*tariffs, **extra)
    blocks = blocks_of(site, hours if hours is not None else range(24 * days + 1))
    end = date(2024, 1, 10 + days)
    return money(site, blocks, FIRST, end, promise, excluded, prices, u_spf=u_spf)


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


def test_a_bridged_block_across_a_change_of_price_is_spread_evenly_between_bounds() -> None:
    # Nothing read from 72 h to 120 h; the price changes at 96 h.
    hours = [h for h in range(241) if not 72 < h < 120]
    got = cost(tariff(1, 0.20), tariff(14, 0.30), hours=hours)
    assert got is not None
    assert got.energy_cost == pytest.approx(72 * 0.20 + 48 * 0.25 + 120 * 0.30)
    assert got.energy_cost_low == pytest.approx(72 * 0.20 + 48 * 0.20 + 120 * 0.30)
    assert got.energy_cost_high == pytest.approx(72 * 0.20 + 48 * 0.30 + 120 * 0.30)
    assert got.spread_kwh == pytest.approx(48.0)
    assert got.unpriced_kwh == 0.0
    assert got.extra_kwh == pytest.approx(40.0)
    assert "48 kWh" in got.remarks[0]
    assert "as if used evenly" in got.remarks[0]


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


# --- Time of use -----------------------------------------------------------------------------


def test_a_night_band_prices_its_hours_across_midnight() -> None:
    got = cost(tariff(1, 0.30, band=[band("23:00", "06:00", 0.10)]))
    assert got is not None
    assert got.energy_cost == pytest.approx(10 * (7 * 0.10 + 17 * 0.30))
    assert got.energy_cost_low == got.energy_cost_high == pytest.approx(got.energy_cost)
    assert got.spread_kwh == 0.0


def test_an_hour_in_which_the_price_changes_is_spread_evenly_between_bounds() -> None:
    # 00:30 to 05:30: the hours from 00:00 and from 05:00 have both prices.
    got = cost(tariff(1, 0.30, band=[band("00:30", "05:30", 0.10)]), days=1)
    assert got is not None
    assert got.energy_cost == pytest.approx(5 * 0.10 + 19 * 0.30)
    assert got.energy_cost_low == pytest.approx(6 * 0.10 + 18 * 0.30)
    assert got.energy_cost_high == pytest.approx(4 * 0.10 + 20 * 0.30)
    assert got.spread_kwh == pytest.approx(2.0)


def test_a_band_of_the_weekend_belongs_to_the_day_it_starts_on() -> None:
    # 10 January 2024 is a Wednesday. Saturday 22:00 and Sunday 22:00 start a band, and the
    # second runs into Monday morning.
    got = cost(tariff(1, 0.30, band=[band("22:00", "04:00", 0.10, days="weekends")]))
    assert got is not None
    assert got.energy_cost == pytest.approx(240 * 0.30 - 12 * 0.20)


def test_a_weekend_may_have_one_price_all_day() -> None:
    got = cost(tariff(1, 0.30, band=[band("00:00", "00:00", 0.10, days="weekends")]), days=7)
    assert got is not None
    assert got.energy_cost == pytest.approx(5 * 24 * 0.30 + 2 * 24 * 0.10)


@pytest.mark.parametrize(
    ("day", "cheap_hours"), [(date(2024, 3, 31), 4), (date(2024, 10, 27), 6), (date(2024, 6, 1), 5)]
)
def test_bands_follow_the_clock_on_the_wall_when_clocks_change(day: date, cheap_hours: int) -> None:
    # Clocks go forward at 01:00 UTC on 31 March and back at 01:00 UTC on 27 October.
    site = house(tariff(1, 0.30, band=[band("00:00", "05:00", 0.10)]), zone="Europe/London")
    start = int((site.midnight(day) - at(0)).total_seconds() // 3600)
    frame = readings(
        *([(at(start + h), float(h)) for h in range(26)] for _ in range(2)),
    )
    blocks = pair(slots_of(site, frame), recipe(site, Boundary.H2))
    got = money(site, blocks, day, day + timedelta(days=1), None)
    assert got is not None
    hours = {4: 23, 6: 25, 5: 24}[cheap_hours]
    assert got.energy_cost == pytest.approx(hours * 0.30 - cheap_hours * 0.20)


def test_in_a_zone_off_the_hour_the_price_changes_in_mid_hour() -> None:
    # 06:00 in Kolkata is 00:30 UTC, so the hour from 00:00 UTC has both prices.
    site = house(tariff(1, 0.30, band=[band("06:00", "12:00", 0.10)]), zone="Asia/Kolkata")
    got = money(site, blocks_of(site, range(-24, 48)), FIRST, date(2024, 1, 11), None)
    assert got is not None
    assert got.spread_kwh == pytest.approx(2.0)
    assert got.energy_cost == pytest.approx(24 * 0.30 - 6 * 0.20)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"band": [band("00:15", "05:00", 0.1)]}, "on the half hour, not at 00:15"),
        ({"band": [band("00:00", "05:00+01:00", 0.1)]}, "local and carry no offset"),
        (
            {"band": [band("22:00", "06:00", 0.1), band("05:30", "07:00", 0.2, "weekdays")]},
            "bands 1 and 2 both hold Monday 05:30",
        ),
        (
            {
                "band": [
                    band("22:00", "02:00", 0.1, "weekdays"),
                    band("01:00", "03:00", 0.1, "weekends"),
                ]
            },
            "both hold Saturday 01:00",
        ),
        ({"series": "east"}, "give either 'price_per_kwh'"),
        ({"price_per_kwh": None}, "give either 'price_per_kwh'"),
        (
            {"price_per_kwh": None, "series": "east", "band": [band("00:00", "05:00", 0.1)]},
            "a series has a price for every time",
        ),
    ],
)
def test_a_tariff_that_has_no_one_price_at_a_time_is_refused(
    wrong: dict[str, Any], said: str
) -> None:
    with pytest.raises(ValidationError, match=said.replace("'", ".")):
        Tariff.model_validate(tariff(1, 0.3) | wrong)


# --- Series of prices ------------------------------------------------------------------------


def test_half_hourly_prices_price_each_hour_between_bounds() -> None:
    got = cost(by_series(1), days=1, prices=series([0.10, 0.30] * 24))
    assert got is not None
    assert got.energy_cost == pytest.approx(24 * 0.20)
    assert got.energy_cost_low == pytest.approx(24 * 0.10)
    assert got.energy_cost_high == pytest.approx(24 * 0.30)


def test_hourly_prices_price_each_hour_exactly() -> None:
    got = cost(by_series(1), days=1, prices=series([h / 100 for h in range(24)], minutes=60))
    assert got is not None
    assert got.energy_cost == pytest.approx(sum(range(24)) / 100)
    assert got.spread_kwh == 0.0


def test_a_negative_price_pays_for_use() -> None:
    got = cost(by_series(1), days=1, prices=series([-0.05] * 4 + [0.20] * 44))
    assert got is not None
    assert got.energy_cost == pytest.approx(-2 * 0.05 + 22 * 0.20)


def test_time_without_a_price_is_unpriced_and_lies_between_all_known_prices() -> None:
    half_hours: list[float | None] = [0.20] * 46 + [0.10, 0.50]
    half_hours[6] = half_hours[7] = half_hours[9] = None
    got = cost(by_series(1), days=1, prices=series(half_hours))
    assert got is not None
    # The hour from 03:00 has no price, that from 04:00 half of one: neither can be priced.
    assert got.unpriced_kwh == pytest.approx(2.0)
    assert got.unpriced_days == 1
    assert got.energy_cost == pytest.approx(21 * 0.20 + 0.30)
    assert got.energy_cost_low == pytest.approx(21 * 0.20 + 2 * 0.10 + 0.10)
    assert got.energy_cost_high == pytest.approx(21 * 0.20 + 2 * 0.50 + 0.50)
    assert any("2 kWh could not be priced" in sentence for sentence in got.remarks)


def test_without_any_known_price_there_are_no_bounds() -> None:
    got = cost(by_series(1, standing=0.5), days=2)
    assert got is not None
    assert got.energy_cost == 0.0
    assert got.standing_cost == pytest.approx(1.0)
    assert (got.energy_cost_low, got.energy_cost_high) == (None, None)
    assert (got.unpriced_kwh, got.unpriced_days) == (pytest.approx(48.0), 2)
    assert got.remarks[-1] == "No price is known at any time, so no bounds can be given."


def test_prices_of_another_series_are_not_taken() -> None:
    got = cost(by_series(1), days=1, prices=series([0.10] * 48, name="west"))
    assert got is not None
    assert got.unpriced_kwh == pytest.approx(24.0)
    assert got.energy_cost_low is None


def test_a_home_may_change_from_a_flat_price_to_a_series() -> None:
    got = cost(tariff(1, 0.30), by_series(11), days=2, prices=series([0.10] * 200))
    assert got is not None
    assert got.energy_cost == pytest.approx(24 * 0.30 + 24 * 0.10)


def test_only_a_tariff_with_one_price_says_so() -> None:
    night = [band("00:00", "05:00", 0.1)]
    assert Tariff.model_validate(tariff(1, 0.3)).flat_price == 0.3
    assert Tariff.model_validate(tariff(1, 0.3, band=night)).flat_price is None
    assert Tariff.model_validate(by_series(1)).flat_price is None


# --- Excluded stretches ----------------------------------------------------------------------


def test_an_excluded_stretch_costs_neither_energy_nor_standing_charge() -> None:
    got = cost(tariff(1, 0.20, 0.60), excluded=[(at(12), at(36)), (at(30), at(42))])
    assert got is not None
    assert got.energy_cost == pytest.approx((240 - 30) * 0.20)
    assert got.standing_cost == pytest.approx((240 - 30) / 24 * 0.60)
    assert got.extra_kwh == pytest.approx((240 - 30) / 6)


def test_a_bridged_block_that_reaches_into_an_excluded_stretch_is_not_used() -> None:
    hours = [h for h in range(241) if not 72 < h < 120]
    got = cost(tariff(1, 0.20), hours=hours, excluded=[(at(119), at(130))])
    assert got is not None
    assert got.energy_cost == pytest.approx((240 - 48 - 10) * 0.20)


def test_with_everything_excluded_nothing_is_owed() -> None:
    got = cost(tariff(1, 0.20, 0.60), excluded=[(at(-24), at(300))], terms=[TERMS])
    assert got is not None
    assert (got.energy_cost, got.standing_cost, got.extra_kwh) == (0.0, 0.0, 0.0)
    assert (got.energy_cost_low, got.energy_cost_high, got.remedy_owed) == (0.0, 0.0, 0.0)
    assert got.unpriced_days == 0


def test_times_without_a_price_do_not_matter_where_they_are_excluded() -> None:
    got = cost(
        by_series(1), days=2, prices=series([0.10] * 48), excluded=[(at(24), at(48))], terms=[TERMS]
    )
    assert got is not None
    assert got.unpriced_days == 0
    assert got.remedy_owed == pytest.approx(4 * 0.10)


# --- The remedy ------------------------------------------------------------------------------


def test_the_remedy_is_the_extra_electricity_at_the_tariff_in_force() -> None:
    got = cost(tariff(1, 0.20), tariff(15, 0.40), terms=[TERMS])
    assert got is not None
    assert got.remedy_owed == pytest.approx(20 * 0.20 + 20 * 0.40)
    assert got.remedy_low == got.remedy_high == pytest.approx(got.remedy_owed)


def test_a_promise_more_than_kept_owes_nothing() -> None:
    got = cost(tariff(1, 0.25), promise=2.0, terms=[TERMS])
    assert got is not None
    assert got.extra_cost == pytest.approx(-15.0)
    assert (got.remedy_owed, got.remedy_low, got.remedy_high) == (0.0, 0.0, 0.0)


def test_terms_without_a_remedy_owe_nothing() -> None:
    got = cost(tariff(1, 0.25), terms=[TERMS | {"remedy": "none"}])
    assert got is not None
    assert got.extra_cost == pytest.approx(10.0)
    assert (got.remedy_owed, got.remedy_low, got.remedy_high) == (0.0, 0.0, 0.0)


def test_without_terms_nothing_is_said_of_a_remedy() -> None:
    got = cost(tariff(1, 0.25))
    assert got is not None
    assert got.remedy_owed is None


def test_extra_and_spared_electricity_are_bounded_by_their_sign() -> None:
    # 2 kWh extra in an hour at 0.1 to 0.3; then 1 kWh spared in an hour at 0.1 to 0.3.
    site = house(by_series(1), terms=[TERMS])
    blocks = blocks_of(site, [0, 1, 2], heat=[3.0, 6.0], used=[3.0, 1.0])
    got = money(site, blocks, FIRST, date(2024, 1, 11), 3.0, prices=series([0.1, 0.3] * 24))
    assert got is not None
    assert got.extra_kwh == pytest.approx(1.0)
    assert got.extra_cost == pytest.approx(2 * 0.2 - 1 * 0.2)
    assert got.extra_cost_low == pytest.approx(2 * 0.1 - 1 * 0.3)
    assert got.extra_cost_high == pytest.approx(2 * 0.3 - 1 * 0.1)
    assert (got.remedy_low, got.remedy_high) == (0.0, pytest.approx(0.5))


def test_the_uncertainty_of_the_spf_is_in_the_bounds_of_the_remedy() -> None:
    # SPF 2.5, u 0.1: at 2.5 -+ 0.196 the extra is 240 (1 - SPF / 3).
    got = cost(tariff(1, 0.25), terms=[TERMS], u_spf=0.1)
    assert got is not None
    assert got.remedy_owed == pytest.approx(10.0)
    assert got.remedy_low == pytest.approx(240 * (1 - 2.696 / 3) * 0.25)
    assert got.remedy_high == pytest.approx(240 * (1 - 2.304 / 3) * 0.25)


def test_a_remedy_is_not_told_as_one_amount_while_prices_are_missing() -> None:
    got = cost(tariff(14, 0.30), terms=[TERMS])
    assert got is not None
    assert got.remedy_owed is None
    assert got.remedy_low == got.remedy_high == pytest.approx(40 * 0.30)


# --- For any prices and readings -------------------------------------------------------------

prices_of_half_hours = st.lists(
    st.floats(-0.1, 0.6).map(lambda p: round(p, 3)), min_size=48, max_size=48
)
loads = st.lists(st.floats(0, 3).map(lambda p: round(p, 2)), min_size=72, max_size=72)
kept_hours = st.sets(st.integers(1, 71), max_size=71)
lively = settings(max_examples=60, deadline=None, derandomize=True)


@given(prices_of_half_hours, loads, kept_hours)
@lively
def test_the_bounds_hold_whenever_in_a_block_the_energy_was_used(
    half_hours: list[float], load: list[float], hours: set[int]
) -> None:
    site = house(by_series(1), terms=[TERMS])
    blocks = blocks_of(site, sorted({0, 72, *hours}), heat=[2.0] * 72, used=load)
    got = money(site, blocks, FIRST, date(2024, 1, 13), 3.0, prices=series(half_hours * 3))
    assert got is not None
    assert got.energy_cost_low is not None
    assert got.energy_cost_high is not None
    # The truth behind the readings: each hour's energy in its first or in its second half.
    for half in (0, 1):
        truth = sum(kwh * half_hours[(2 * h + half) % 48] for h, kwh in enumerate(load))
        assert got.energy_cost_low - 1e-9 <= truth <= got.energy_cost_high + 1e-9
    assert got.energy_cost_low - 1e-9 <= got.energy_cost <= got.energy_cost_high + 1e-9
    assert got.extra_cost is not None
    assert got.extra_cost_low is not None
    assert got.extra_cost_high is not None
    assert got.extra_cost_low - 1e-9 <= got.extra_cost <= got.extra_cost_high + 1e-9
    unsure = money(
        site, blocks, FIRST, date(2024, 1, 13), 3.0, prices=series(half_hours * 3), u_spf=0.2
    )
    assert unsure is not None
    assert unsure.remedy_owed is not None
    assert unsure.remedy_low is not None
    assert unsure.remedy_high is not None
    assert unsure.remedy_low - 1e-9 <= unsure.remedy_owed <= unsure.remedy_high + 1e-9


@given(loads, kept_hours, st.integers(0, 2**48 - 1))
@lively
def test_the_bounds_hold_whatever_the_missing_prices_were_within_those_known(
    load: list[float], hours: set[int], missing: int
) -> None:
    half_hours = [0.1, 0.5, *([0.1, 0.2, 0.3, 0.4] * 12)[2:]]
    holes = [None if n > 1 and missing >> n & 1 else price for n, price in enumerate(half_hours)]
    site = house(by_series(1))
    blocks = blocks_of(site, sorted({0, 72, *hours}), used=load, heat=[2.0] * 72)
    got = money(site, blocks, FIRST, date(2024, 1, 13), None, prices=series(holes * 3))
    full = money(site, blocks, FIRST, date(2024, 1, 13), None, prices=series(half_hours * 3))
    assert got is not None
    assert full is not None
    assert got.energy_cost_low is not None
    assert got.energy_cost_high is not None
    assert got.energy_cost_low - 1e-9 <= full.energy_cost <= got.energy_cost_high + 1e-9
    assert got.energy_cost <= full.energy_cost + 1e-9


@given(st.floats(0, 1), loads, kept_hours)
@lively
def test_a_flat_price_leaves_nothing_between_the_bounds(
    price: float, load: list[float], hours: set[int]
) -> None:
    site = house(tariff(1, price))
    blocks = blocks_of(site, sorted({0, 72, *hours}), used=load, heat=[2.0] * 72)
    got = money(site, blocks, FIRST, date(2024, 1, 13), 3.0)
    assert got is not None
    assert got.energy_cost == pytest.approx(price * sum(load), abs=1e-6)
    assert got.energy_cost_low == pytest.approx(got.energy_cost)
    assert got.energy_cost_high == pytest.approx(got.energy_cost)
    assert got.extra_cost_low == got.extra_cost_high == pytest.approx(got.extra_cost)
    assert got.spread_kwh == 0.0


@given(prices_of_half_hours, loads, st.integers(0, 2), kept_hours)
@lively
def test_adjoining_stretches_add_up_where_no_bridged_block_crosses(
    half_hours: list[float], load: list[float], cut: int, hours: set[int]
) -> None:
    site = house(by_series(1, standing=0.4), terms=[TERMS])
    split = 24 * cut
    blocks = blocks_of(site, sorted({0, split, 72, *hours}), used=load, heat=[2.0] * 72)
    prices = series(half_hours * 3)
    middle = FIRST + timedelta(days=cut)
    parts = [
        money(site, blocks, a, b, 3.0, prices=prices)
        for a, b in ((FIRST, middle), (middle, date(2024, 1, 13)))
    ]
    whole = money(site, blocks, FIRST, date(2024, 1, 13), 3.0, prices=prices)
    assert whole is not None
    for name in (
        "energy_cost",
        "energy_cost_low",
        "energy_cost_high",
        "standing_cost",
        "extra_kwh",
        "extra_cost",
        "extra_cost_low",
        "extra_cost_high",
        "spread_kwh",
    ):
        total = sum(getattr(part, name) for part in parts if part is not None)
        assert getattr(whole, name) == pytest.approx(total, abs=1e-6), name


@given(st.integers(2, 28), loads, kept_hours)
@lively
def test_a_tariff_written_down_twice_with_equal_prices_changes_nothing(
    day: int, load: list[float], hours: set[int]
) -> None:
    night = [band("00:30", "05:30", 0.10)]
    once = house(tariff(1, 0.30, 0.5, band=night))
    twice = house(tariff(1, 0.30, 0.5, band=night), tariff(day, 0.30, 0.5, band=night))
    blocks = blocks_of(once, sorted({0, 72, *hours}), used=load, heat=[2.0] * 72)
    results = [money(site, blocks, FIRST, date(2024, 1, 13), 3.0) for site in (once, twice)]
    assert results[0] == results[1]


def test_a_series_that_begins_at_noon_prices_the_afternoon_only() -> None:
    start = datetime(2024, 1, 10, 12, tzinfo=UTC)
    got = cost(by_series(1), days=1, prices=series([0.2] * 24, start=start))
    assert got is not None
    assert got.unpriced_kwh == pytest.approx(12.0)
    assert got.energy_cost == pytest.approx(12 * 0.2)
