"""The same heat from the boiler that was there before, and what its bills tell."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from monitor.guarantee.boiler import (
    BoilerComparison,
    compare,
    efficiency,
    heat_loss_from_bills,
)
from monitor.metrics.boundary import recipe
from monitor.metrics.performance import pair
from monitor.models import Boiler, Boundary
from tests.monitor.homes import at, home, readings, slots_of

FIRST = date(2024, 1, 10)
POWER = {"valid_from": date(2023, 1, 1), "price_per_kwh": 0.25, "standing_per_day": 0.60}
GAS = {"valid_from": date(2023, 1, 1), "price_per_kwh": 0.06, "standing_per_day": 0.30}


def boiler(**more: Any) -> dict[str, Any]:
    return {"fuel": "gas", "seasonal_efficiency": 0.85, "fuel_tariff": [GAS], **more}


def compared(
    description: dict[str, Any] | None,
    *,
    tariffs: list[dict[str, Any]] | None = None,
    days: int = 10,
    hours: list[int] | None = None,
    **more: Any,
) -> BoilerComparison | None:
    """Days with 1 kW of electricity and 3 kW of heat."""
    site = home(
        {"role": "heat_total"},
        {"role": "elec_unit"},
        tariff=[POWER] if tariffs is None else tariffs,
        boiler=description,
    )
    read = hours if hours is not None else list(range(24 * days + 1))
    frame = readings([(at(h), 3.0 * h) for h in read], [(at(h), 1.0 * h) for h in read])
    blocks = pair(slots_of(site, frame), recipe(site, Boundary.H2))
    return compare(site, blocks, FIRST, date(2024, 1, 10 + days), **more)


def test_the_same_heat_from_a_gas_boiler() -> None:
    got = compared(boiler())
    assert got is not None
    # By hand: 720 kWh of heat / 0.85 = 847.06 kWh of gas at 0.06 = 50.82; 240 kWh at 0.25 = 60.
    assert got.fuel_kwh.best == pytest.approx(847.0588, abs=1e-3)
    assert got.fuel_cost.best == pytest.approx(50.8235, abs=1e-3)
    assert got.heat_pump_cost.best == pytest.approx(60.0)
    assert got.standing_saved == pytest.approx(10 * 0.30)
    assert got.saved.best == pytest.approx(50.8235 + 3.0 - 60.0, abs=1e-3)
    assert got.hours == 240


def test_the_boilers_efficiency_in_the_home_is_a_range() -> None:
    got = compared(boiler())
    assert got is not None
    assert (got.efficiency.low, got.efficiency.high) == (pytest.approx(0.80), pytest.approx(0.92))
    assert got.fuel_cost.low == pytest.approx(720 / 0.92 * 0.06)
    assert got.fuel_cost.high == pytest.approx(720 / 0.80 * 0.06)
    assert got.saved.low == pytest.approx(720 / 0.92 * 0.06 + 3.0 - 60.0)
    assert got.saved.high == pytest.approx(720 / 0.80 * 0.06 + 3.0 - 60.0)


@pytest.mark.parametrize(
    ("installed", "best"), [(2024, 0.85), (2014, 0.80), (1994, 0.70), (1955, 0.505), (1950, 0.50)]
)
def test_a_boiler_loses_about_five_points_for_each_decade(installed: int, best: float) -> None:
    # Common practice, no source.
    found, why = efficiency(Boiler(fuel="gas", installed=installed), 2024)
    assert found.best == pytest.approx(best)
    assert f"{2024 - installed} years old in 2024" in why


def test_the_standing_charge_is_not_saved_where_gas_still_cooks() -> None:
    got = compared(boiler(keeps_fuel=True))
    assert got is not None
    assert got.standing_saved == 0.0
    assert got.saved.best == pytest.approx(720 / 0.85 * 0.06 - 60.0)
    assert any("not saved" in sentence for sentence in got.remarks)


def test_fuel_has_the_price_of_its_day() -> None:
    later = {"valid_from": date(2024, 1, 15), "price_per_kwh": 0.12, "standing_per_day": 0.50}
    got = compared(boiler(fuel_tariff=[GAS, later]))
    assert got is not None
    assert got.fuel_cost.best == pytest.approx(360 / 0.85 * (0.06 + 0.12))
    assert got.standing_saved == pytest.approx(5 * 0.30 + 5 * 0.50)


def test_only_hours_in_which_both_have_a_price_are_compared() -> None:
    got = compared(
        boiler(fuel_tariff=[GAS | {"valid_from": date(2024, 1, 12)}]),
        tariffs=[POWER | {"valid_from": date(2024, 1, 11)}],
    )
    assert got is not None
    assert (got.hours, got.heat_kwh, got.electricity_kwh) == (192, 576.0, 192.0)
    assert got.left_out_kwh == pytest.approx(144.0)
    assert got.standing_saved == pytest.approx(8 * 0.30)
    assert any("144 kWh of heat are left out" in sentence for sentence in got.remarks)


def test_hours_that_were_not_read_are_in_neither_cost_nor_standing_charge() -> None:
    # A register that is not read for two days still tells their energy; before the first
    # reading nothing is known.
    got = compared(boiler(), hours=[*range(24, 72), *range(120, 241)])
    assert got is not None
    assert got.hours == 216
    assert got.standing_saved == pytest.approx(9 * 0.30)
    assert got.heat_pump_cost.best == pytest.approx(216 * 0.25)


def test_an_excluded_day_is_not_compared() -> None:
    got = compared(boiler(), excluded=[(at(24), at(48))])
    assert got is not None
    assert (got.hours, got.heat_kwh) == (216, pytest.approx(648.0))
    assert got.standing_saved == pytest.approx(9 * 0.30)


def test_direct_electric_heating_uses_as_much_as_it_gives_at_the_same_prices() -> None:
    night = {"start": "00:30", "end": "05:30", "price_per_kwh": 0.10}
    got = compared({"fuel": "direct_electric"}, tariffs=[POWER | {"band": [night]}], days=1)
    assert got is not None
    assert got.fuel_kwh.low == got.fuel_kwh.high == pytest.approx(72.0)
    assert got.fuel_cost.best == pytest.approx(3 * (5 * 0.10 + 19 * 0.25))
    assert got.fuel_cost.low == pytest.approx(3 * (6 * 0.10 + 18 * 0.25))
    assert got.saved.best == pytest.approx(2 * (5 * 0.10 + 19 * 0.25))
    assert got.standing_saved == 0.0


def test_without_a_former_heating_or_a_tariff_there_is_no_comparison() -> None:
    assert compared(None) is None
    assert compared(boiler(), tariffs=[]) is None
    assert compared(boiler(), days=0) is None


def test_without_any_price_of_the_fuel_everything_is_left_out() -> None:
    got = compared(boiler(fuel_tariff=[]))
    assert got is not None
    assert (got.hours, got.left_out_kwh, got.saved.best) == (0, pytest.approx(720.0), 0.0)


def test_past_bills_tell_heat_and_heat_loss() -> None:
    site = home(
        {"role": "heat_total"},
        boiler=boiler(past_bills={"yearly_kwh": [14_000, 16_000]}),
    )
    got = heat_loss_from_bills(site)
    assert got is not None
    # By hand: 15 000 x 0.85 = 12 750 kWh; / 1 500 = 8.5 kW.
    assert got.heat_kwh.best == pytest.approx(12_750)
    assert got.heat_loss_kw.best == pytest.approx(8.5)
    assert got.heat_loss_kw.low == pytest.approx(15_000 * 0.80 / 1500)
    assert got.heat_loss_kw.high == pytest.approx(15_000 * 0.92 / 1500)
    assert got.years == 2


def test_gas_that_cooked_gave_no_heat() -> None:
    site = home(
        {"role": "heat_total"},
        boiler=boiler(past_bills={"yearly_kwh": [10_000], "cooks_with_fuel": True}),
    )
    got = heat_loss_from_bills(site)
    assert got is not None
    assert got.heat_kwh.low == pytest.approx(10_000 * 0.90 * 0.80)
    assert got.heat_kwh.best == pytest.approx(10_000 * 0.925 * 0.85)
    assert got.heat_kwh.high == pytest.approx(10_000 * 0.95 * 0.92)
    assert "5% to 10% of the fuel is taken as cooking" in got.why


def test_without_bills_nothing_is_said_of_heat_loss() -> None:
    assert heat_loss_from_bills(home({"role": "heat_total"}, boiler=boiler())) is None
    assert heat_loss_from_bills(home({"role": "heat_total"})) is None


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"fuel": "gas"}, "give .seasonal_efficiency., or the year"),
        (boiler(seasonal_efficiency=85), "less than or equal to 1"),
        (boiler(fuel="coal"), "fuel"),
        ({"fuel": "direct_electric", "fuel_tariff": [GAS]}, "priced by .*tariff"),
        ({"fuel": "direct_electric", "installed": 1990}, "all electricity into heat"),
        (
            {"fuel": "direct_electric", "past_bills": {"yearly_kwh": [9000]}},
            "hold the whole household",
        ),
        (boiler(fuel_tariff=[GAS, GAS]), "in order of 'valid_from'"),
        (boiler(past_bills={"yearly_kwh": []}), "at least 1 item"),
    ],
)
def test_a_former_heating_that_cannot_be_is_refused(wrong: dict[str, Any], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        Boiler.model_validate(wrong)


@given(
    st.lists(st.floats(-0.5, 4).map(lambda p: round(p, 2)), min_size=48, max_size=48),
    st.sets(st.integers(1, 47)),
    st.integers(1, 47),
)
@settings(max_examples=40, deadline=None, derandomize=True)
def test_the_best_figure_lies_between_its_bounds(
    heat: list[float], hours: set[int], change: int
) -> None:
    night = {"start": "00:30", "end": "05:30", "price_per_kwh": 0.10}
    site = home(
        {"role": "heat_total", "signed": True},
        {"role": "elec_unit"},
        tariff=[POWER | {"band": [night]}],
        boiler=boiler(fuel_tariff=[GAS, GAS | {"valid_from": "2024-01-11", "price_per_kwh": 0.1}]),
    )
    read = sorted({0, change, 48, *hours})
    course = [sum(heat[:h]) for h in range(49)]
    frame = readings([(at(h), 100 + course[h]) for h in read], [(at(h), 1.0 * h) for h in read])
    blocks = pair(slots_of(site, frame), recipe(site, Boundary.H2))
    got = compare(site, blocks, FIRST, date(2024, 1, 12))
    assert got is not None
    for found in (got.fuel_kwh, got.fuel_cost, got.heat_pump_cost, got.saved):
        assert found.low - 1e-9 <= found.best <= found.high + 1e-9
