"""Meters show the truth as far as their class, their digits and their steps let them."""

from __future__ import annotations

import numpy as np

from demo_telemetry.meters import (
    Channel,
    Fit,
    Outage,
    floor_to,
    interval,
    lost,
    mean_power_w,
    register,
)

GRID = np.arange(0, 300 * 1001, 300, dtype=np.int64)
ENERGY = np.linspace(0.0, 500.0, 1001)


def _fit(bias: float = 0.0, start: float = 0.0, begin: int = 0) -> Fit:
    return Fit("M", bias, begin, None, {"elec_unit": start})


def test_a_register_never_falls_and_shows_its_bias() -> None:
    channel = Channel("elec_unit", ("unit",), step=0.1)
    shown = register(channel, (_fit(0.01, 7.0),), GRID, ENERGY, GRID)
    assert np.all(np.diff(shown) >= 0)
    assert shown[0] == 7.0
    assert abs(shown[-1] - (7.0 + 505.0)) <= 0.1


def test_a_register_rolls_over_through_its_digits() -> None:
    channel = Channel("elec_unit", ("unit",), step=0.1, digits=5, decimals=1)
    shown = register(channel, (_fit(start=9_800.0),), GRID, ENERGY, GRID)
    falls = np.flatnonzero(np.diff(shown) < 0)
    assert falls.shape[0] == 1
    assert shown[falls[0]] > 9_999.0
    assert shown.max() < 10_000.0
    assert abs(shown[-1] + 10_000.0 - 9_800.0 - 500.0) <= 0.1


def test_a_new_meter_counts_from_its_own_start() -> None:
    channel = Channel("elec_unit", ("unit",), step=0.1)
    swap = int(GRID[600])
    shown = register(channel, (_fit(start=50.0), _fit(begin=swap, start=3.0)), GRID, ENERGY, GRID)
    assert abs(shown[599] - (50.0 + 299.5)) <= 0.1
    assert shown[600] == 3.0
    assert abs(shown[-1] - 203.0) <= 0.1


def test_intervals_and_mean_power_add_up_to_the_register() -> None:
    channel = Channel("elec_unit", ("unit",), kind="interval", step=0.001)
    ends = GRID[6::6]
    per_half_hour = interval(channel, (_fit(),), GRID, ENERGY, ends, 1800)
    watts = mean_power_w((_fit(),), GRID, ENERGY, GRID[:-1])
    assert abs(per_half_hour.sum() - ENERGY[996]) < 0.1
    assert abs(watts.sum() / 12_000.0 - 500.0) < 0.1


def test_a_gigajoule_register_shows_the_same_energy() -> None:
    channel = Channel("elec_unit", ("unit",), unit="GJ", step=0.001)
    shown = register(channel, (_fit(),), GRID, ENERGY, GRID)
    assert abs(shown[-1] - 1.8) <= 0.001


def test_values_on_a_step_stay_on_it() -> None:
    assert floor_to(np.array([0.3, 1.7, 0.1 + 0.2]), 0.1).tolist() == [0.3, 1.7, 0.3]


def test_a_hole_of_one_role_leaves_the_others() -> None:
    holes = [Outage(600, 1200, "link lost", ("elec_unit",)), Outage(3000, 3300, "power")]
    at = np.array([300, 600, 900, 1200, 3000])
    assert lost(holes, "elec_unit", at).tolist() == [False, True, True, False, True]
    assert lost(holes, "heat_total", at).tolist() == [False, False, False, False, True]
