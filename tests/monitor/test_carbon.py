"""Emissions of the heat pump, and of the heating before it for the same heat."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from monitor.guarantee.carbon import Carbon, carbon
from monitor.metrics.boundary import recipe
from monitor.metrics.performance import pair
from monitor.models import Boundary, CarbonFactor
from tests.monitor.homes import DAY, home, readings, slots_of

GAS = {"fuel": "gas", "seasonal_efficiency": 0.85}


def own(day: date, electricity: float | None, fuel: float | None = None) -> dict[str, Any]:
    return {
        "valid_from": day,
        "electricity_kg_per_kwh": electricity,
        "fuel_kg_per_kwh": fuel,
        "source": "invented",
    }


def emitted(
    first: date,
    days: int,
    *,
    zone: str = "Europe/London",
    boiler: dict[str, Any] | None = None,
    factors: list[dict[str, Any]] | None = None,
    hours: list[int] | None = None,
    **more: Any,
) -> Carbon | None:
    """Days with 1 kW of electricity and 3 kW of heat."""
    site = home(
        {"role": "heat_total"},
        {"role": "elec_unit"},
        zone=zone,
        boiler=boiler,
        carbon=factors or [],
    )
    start = site.midnight(first)
    read = hours if hours is not None else list(range(24 * days + 1))
    frame = readings(
        [(start + timedelta(hours=h), 3.0 * h) for h in read],
        [(start + timedelta(hours=h), 1.0 * h) for h in read],
    )
    blocks = pair(slots_of(site, frame), recipe(site, Boundary.H2))
    return carbon(site, blocks, first, first + timedelta(days=days), **more)


def test_a_day_of_2024_has_the_factors_of_2024() -> None:
    got = emitted(date(2024, 2, 1), 1, boiler=GAS)
    assert got is not None
    assert got.heat_pump is not None
    assert got.boiler is not None
    assert got.saved is not None
    # By hand: 24 x 0.20705 = 4.9692; 72 / 0.85 x 0.18290 = 15.4927.
    assert got.heat_pump.best == pytest.approx(4.9692, abs=1e-4)
    assert got.boiler.best == pytest.approx(15.4927, abs=1e-4)
    assert got.saved.best == pytest.approx(10.5235, abs=1e-4)
    assert got.boiler.low == pytest.approx(72 / 0.92 * 0.18290)
    assert got.boiler.high == pytest.approx(72 / 0.80 * 0.18290)
    assert got.saved.low == pytest.approx(72 / 0.92 * 0.18290 - 4.9692)
    assert [(f.energy, f.kg_per_kwh) for f in got.factors] == [
        ("electricity", 0.20705),
        ("gas", 0.18290),
    ]
    assert "conversion factors 2024" in got.factors[0].source


def test_a_stretch_over_new_year_has_the_factors_of_both_years() -> None:
    got = emitted(date(2024, 12, 31), 2)
    assert got is not None
    assert got.heat_pump is not None
    assert got.heat_pump.best == pytest.approx(24 * (0.20705 + 0.17700))
    assert [(f.first, f.end) for f in got.factors] == [
        (date(2024, 12, 31), date(2025, 1, 1)),
        (date(2025, 1, 1), date(2025, 1, 2)),
    ]


def test_a_bridged_block_over_new_year_lies_between_the_two_years() -> None:
    got = emitted(date(2024, 12, 31), 2, hours=[0, 48])
    assert got is not None
    assert got.heat_pump is not None
    assert got.heat_pump.best == pytest.approx(24 * (0.20705 + 0.17700))
    assert got.heat_pump.low == pytest.approx(48 * 0.17700)
    assert got.heat_pump.high == pytest.approx(48 * 0.20705)


def test_a_year_without_a_factor_has_no_figure_and_says_so() -> None:
    got = emitted(date(2030, 1, 1), 2, boiler=GAS)
    assert got is not None
    assert (got.heat_pump, got.boiler, got.saved) == (None, None, None)
    assert got.without_factor_kwh == pytest.approx(48.0)
    assert "No carbon factor for electricity is on record for all or part of 2030" in got.remarks[0]
    assert got.factors == ()


def test_where_part_of_the_time_has_no_factor_there_are_no_bounds() -> None:
    got = emitted(date(2025, 12, 31), 2, boiler=GAS)
    assert got is not None
    assert got.heat_pump is not None
    assert got.saved is not None
    assert got.heat_pump.best == pytest.approx(24 * 0.17700)
    assert (got.heat_pump.low, got.heat_pump.high) == (None, None)
    assert (got.saved.low, got.saved.high) == (None, None)
    assert (got.electricity_kwh, got.without_factor_kwh) == (24.0, 24.0)
    assert got.compared_heat_kwh == pytest.approx(72.0)


def test_a_bridged_block_that_ends_in_a_year_without_a_factor_is_left_out_whole() -> None:
    got = emitted(date(2025, 12, 31), 2, hours=[0, 48])
    assert got is not None
    assert got.heat_pump is None
    assert got.without_factor_kwh == pytest.approx(48.0)


@pytest.mark.parametrize(
    ("year", "nearest", "factor"), [(2030, 2025, 0.17700), (2019, 2021, 0.21233)]
)
def test_the_nearest_year_lends_its_factor_only_when_asked_and_says_so(
    year: int, nearest: int, factor: float
) -> None:
    got = emitted(date(year, 1, 1), 1, nearest_year=True)
    assert got is not None
    assert got.heat_pump is not None
    assert got.heat_pump.best == pytest.approx(24 * factor)
    assert f"factors {nearest}" in got.factors[0].source
    assert got.factors[0].source.endswith(f"as the nearest year to {year}")


def test_the_british_table_is_not_taken_elsewhere() -> None:
    got = emitted(date(2024, 2, 1), 1, zone="Europe/Berlin")
    assert got is not None
    assert got.heat_pump is None
    assert "[[carbon]]" in got.remarks[0]
    lent = emitted(date(2024, 2, 1), 1, zone="Europe/Berlin", nearest_year=True)
    assert lent is not None
    assert lent.heat_pump is None


def test_a_sites_own_factors_hold_from_their_day_on() -> None:
    got = emitted(date(2024, 2, 1), 2, factors=[own(date(2024, 2, 2), 0.1)])
    assert got is not None
    assert got.heat_pump is not None
    assert got.heat_pump.best == pytest.approx(24 * 0.20705 + 24 * 0.1)
    assert got.factors[1].source == "invented"


def test_own_factors_give_a_figure_where_no_table_holds() -> None:
    got = emitted(
        date(2030, 2, 1),
        1,
        zone="Europe/Oslo",
        boiler=GAS,
        factors=[own(date(2030, 1, 1), 0.02, 0.2)],
    )
    assert got is not None
    assert got.saved is not None
    assert got.saved.best == pytest.approx(72 / 0.85 * 0.2 - 24 * 0.02)


def test_an_own_factor_of_electricity_alone_leaves_the_fuels_as_it_was() -> None:
    got = emitted(date(2024, 2, 1), 1, boiler=GAS, factors=[own(date(2024, 1, 1), 0.0)])
    assert got is not None
    assert got.saved is not None
    assert got.saved.best == pytest.approx(72 / 0.85 * 0.18290)


def test_oil_has_no_factor_after_the_table_ends() -> None:
    oil = {"fuel": "oil", "installed": 2000}
    known = emitted(date(2024, 2, 1), 1, boiler=oil)
    later = emitted(date(2025, 2, 1), 1, boiler=oil)
    assert known is not None
    assert known.boiler is not None
    assert later is not None
    assert later.boiler is None
    assert later.heat_pump is not None
    assert "heating oil" in later.remarks[0]


def test_direct_electric_heating_emits_what_electricity_does() -> None:
    got = emitted(date(2024, 2, 1), 1, boiler={"fuel": "direct_electric"})
    assert got is not None
    assert got.saved is not None
    assert got.saved.best == pytest.approx(48 * 0.20705)
    assert [f.energy for f in got.factors] == ["electricity"]


def test_an_excluded_day_emits_nothing_here() -> None:
    got = emitted(date(2024, 2, 1), 2, excluded=[(DAY + timedelta(22), DAY + timedelta(23))])
    assert got is not None
    assert got.electricity_kwh == pytest.approx(24.0)


def test_a_stretch_without_days_has_no_emissions() -> None:
    assert emitted(date(2024, 2, 1), 0, hours=[0, 1]) is None


def test_a_factor_that_says_nothing_is_refused() -> None:
    with pytest.raises(ValidationError, match="or both"):
        CarbonFactor(valid_from=date(2024, 1, 1), source="invented")


def test_factors_come_in_order() -> None:
    with pytest.raises(ValidationError, match="carbon factors must be in order"):
        home({"role": "heat_total"}, carbon=[own(date(2024, 1, 1), 0.1)] * 2)


@given(st.integers(0, 3), st.sets(st.integers(1, 95)))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_adjoining_stretches_add_up_where_no_bridged_block_crosses(
    cut: int, hours: set[int]
) -> None:
    site = home({"role": "heat_total"}, {"role": "elec_unit"}, zone="Europe/London", boiler=GAS)
    first, end = date(2024, 12, 30), date(2025, 1, 3)
    start, middle = site.midnight(first), first + timedelta(days=cut)
    read = sorted({0, 24 * cut, 96, *hours})
    frame = readings(
        [(start + timedelta(hours=h), 3.0 * h) for h in read],
        [(start + timedelta(hours=h), 1.0 * h) for h in read],
    )
    blocks = pair(slots_of(site, frame), recipe(site, Boundary.H2))
    whole = carbon(site, blocks, first, end)
    parts = [carbon(site, blocks, a, b) for a, b in ((first, middle), (middle, end))]
    assert whole is not None
    for what in ("heat_pump", "boiler", "saved"):
        for name in ("low", "best", "high"):
            found = [getattr(getattr(part, what), name) for part in parts if part is not None]
            assert getattr(getattr(whole, what), name) == pytest.approx(sum(found)), (what, name)
