"""Water against IAPWS-IF97 and the heat coefficient of EN 1434-1."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pytest

from monitor.metrics.water import (
    MIXTURE_FIT,
    density_kg_m3,
    enthalpy_kj_kg,
    heat_capacity_kj_kgk,
    heat_coefficient_kwh_per_m3k,
    mixture_ratio,
)
from tests.external.coolprop import props_si

pytestmark = [pytest.mark.external, pytest.mark.xdist_group("CoolProp")]

MPA_1_6 = 1.6e6
GRID = np.linspace(0.0, 100.0, 401)


def if97(quantity: str, temp_c: np.ndarray) -> np.ndarray:
    """IAPWS-IF97 at 1.6 MPa (R7-97(2012)), as CoolProp 8 computes it; SI units."""
    found = [props_si(quantity, "T", t + 273.15, "P", MPA_1_6, "IF97::Water") for t in temp_c]
    return np.array(found)


def test_density_is_that_of_iapws_if97() -> None:
    assert density_kg_m3(GRID) == pytest.approx(if97("D", GRID), rel=2e-6)


def test_enthalpy_is_that_of_iapws_if97() -> None:
    assert enthalpy_kj_kg(GRID) == pytest.approx(if97("H", GRID) / 1e3, abs=0.0016)


def test_heat_capacity_is_that_of_iapws_if97() -> None:
    assert heat_capacity_kj_kgk(GRID) == pytest.approx(if97("C", GRID) / 1e3, rel=4e-4)
    warm = GRID[GRID >= 10]
    assert heat_capacity_kj_kgk(warm) == pytest.approx(if97("C", warm) / 1e3, rel=2e-4)


@pytest.mark.parametrize("sensor", ["flow", "return"])
@pytest.mark.parametrize("delta", [3.0, 5.0, 8.0, 40.0])
def test_the_heat_coefficient_is_density_times_enthalpy_difference_over_temperature_difference(
    sensor: Literal["flow", "return"], delta: float
) -> None:
    cold = np.linspace(0.0, 100.0 - delta, 200)
    hot = cold + delta
    rho = if97("D", hot if sensor == "flow" else cold)
    expected = rho * (if97("H", hot) - if97("H", cold)) / delta / 3.6e6
    assert heat_coefficient_kwh_per_m3k(hot, cold, sensor=sensor) == pytest.approx(
        expected, rel=2.2e-4
    )


@pytest.mark.parametrize(
    ("temp_c", "density", "heat_capacity"),
    [
        # Computed with two independent implementations of IAPWS-IF97 at 1.6 MPa.
        (20, 998.891, 4.1802),
        (25, 997.722, 4.1776),
        (30, 996.318, 4.1760),
        (35, 994.698, 4.1751),
        (40, 992.879, 4.1749),
        (45, 990.875, 4.1752),
        (50, 988.698, 4.1761),
        (55, 986.358, 4.1775),
        (60, 983.863, 4.1794),
    ],
)
def test_water_at_1_6_mpa_has_the_tabulated_properties(
    temp_c: float, density: float, heat_capacity: float
) -> None:
    assert density_kg_m3(temp_c) == pytest.approx(density, abs=0.003)
    assert heat_capacity_kj_kgk(temp_c) == pytest.approx(heat_capacity, rel=2e-4)


@pytest.mark.parametrize(
    ("flow_c", "return_c", "in_flow", "in_return"),
    [
        # EN 1434-1 heat coefficient at 1.6 MPa in MJ/(m3 K), computed with IAPWS-IF97.
        (35, 30, 4.1533, 4.1601),
        (40, 35, 4.1452, 4.1528),
        (45, 40, 4.1369, 4.1453),
        (50, 42, 4.1282, 4.1424),
        (55, 47, 4.1194, 4.1347),
        (70, 30, 4.0874, 4.1621),
    ],
)
def test_the_heat_coefficient_has_its_tabulated_values(
    flow_c: float, return_c: float, in_flow: float, in_return: float
) -> None:
    assert heat_coefficient_kwh_per_m3k(flow_c, return_c, sensor="flow") * 3.6 == pytest.approx(
        in_flow, abs=5e-4
    )
    assert heat_coefficient_kwh_per_m3k(flow_c, return_c) * 3.6 == pytest.approx(
        in_return, abs=5e-4
    )


@pytest.mark.parametrize(
    ("flow_c", "return_c", "percent"), [(35, 30, 0.16), (55, 47, 0.37), (70, 30, 1.8)]
)
def test_the_wrong_place_of_the_flow_sensor_gives_too_much_heat(
    flow_c: float, return_c: float, percent: float
) -> None:
    ratio = heat_coefficient_kwh_per_m3k(flow_c, return_c) / heat_coefficient_kwh_per_m3k(
        flow_c, return_c, sensor="flow"
    )
    assert (ratio - 1) * 100 == pytest.approx(percent, abs=0.03)


def test_at_equal_temperatures_the_coefficient_is_density_times_heat_capacity() -> None:
    temp = np.array([20.0, 40.0])
    expected = density_kg_m3(temp) * heat_capacity_kj_kgk(temp) / 3600
    assert heat_coefficient_kwh_per_m3k(temp, temp) == pytest.approx(expected, rel=1e-12)


def test_arrays_of_unlike_shape_are_spread_over_each_other() -> None:
    table = heat_coefficient_kwh_per_m3k(np.array([[35.0], [45.0]]), np.array([25.0, 30.0, 32.0]))
    assert table.shape == (2, 3)
    assert table[1, 2] == heat_coefficient_kwh_per_m3k(45, 32)


@pytest.mark.parametrize(("flow_c", "return_c"), [(101, 30), (35, -0.1), (float("nan"), 30)])
def test_outside_0_to_100_degc_nothing_is_said(flow_c: float, return_c: float) -> None:
    assert np.isnan(heat_coefficient_kwh_per_m3k(flow_c, return_c))


@pytest.mark.parametrize(
    ("fluid", "name"), [("propylene_glycol", "MPG"), ("ethylene_glycol", "MEG")]
)
def test_antifreeze_lowers_heat_as_coolprop_says(fluid, name) -> None:
    """CoolProp 8, incompressible fluids MPG and MEG; ratio of rho cp to that of water."""
    worst = 0.0
    for fraction in np.arange(0.05, 0.501, 0.05):
        for temp in np.arange(20.0, 60.1, 5.0):
            state = ("T", temp + 273.15, "P", 2e5)
            mixture = f"INCOMP::{name}[{fraction:.4f}]"
            reference = (
                props_si("D", *state, mixture)
                * props_si("C", *state, mixture)
                / (props_si("D", *state, "Water") * props_si("C", *state, "Water"))
            )
            worst = max(worst, abs(mixture_ratio(fluid, fraction, temp) - reference))
    assert worst <= MIXTURE_FIT
