"""Heat meter limits of EN 1434-1 (as MID 2014/32/EU, Annex VI, MI-004), worked by hand."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from monitor.metrics.uncertainty import (
    HeatMeterUse,
    calculator_limit,
    flow_sensor_limit,
    heat_meter_limit,
    meter_u_percent,
    rectangular,
    sensor_pair_limit,
)
from monitor.models import MeterFit, Role

pytestmark = pytest.mark.external


@pytest.mark.parametrize(
    ("grade", "flow_ratio", "delta", "flow", "pair", "calculator", "whole"),
    [
        # EN 1434-1 with a lower limit of 3 K, worked by hand. Flow sensor class 2 and 3, sensor
        # pair and calculator as quoted in meter makers' descriptions; class 1 from memory.
        ("2", 1, 3, 2.020, 3.500, 1.500, 7.020),
        ("2", 1, 5, 2.020, 2.300, 1.100, 5.420),
        ("2", 2, 5, 2.040, 2.300, 1.100, 5.440),
        ("2", 10, 5, 2.200, 2.300, 1.100, 5.600),
        ("2", 100, 5, 4.000, 2.300, 1.100, 7.400),
        ("2", 200, 5, 5.000, 2.300, 1.100, 8.400),  # 6 %, held to the cap of 5 %
        ("2", 2, 8, 2.040, 1.625, 0.875, 4.540),
        ("2", 2, 10, 2.040, 1.400, 0.800, 4.240),
        ("2", 2, 30, 2.040, 0.800, 0.600, 3.440),
        ("3", 2, 5, 3.100, 2.300, 1.100, 6.500),
        ("1", 2, 5, 1.020, 2.300, 1.100, 4.420),
    ],
)
def test_a_complete_meter_has_the_sum_of_the_limits_of_its_parts(
    grade: str,
    flow_ratio: float,
    delta: float,
    flow: float,
    pair: float,
    calculator: float,
    whole: float,
) -> None:
    assert flow_sensor_limit(grade, flow_ratio) == pytest.approx(flow, abs=1e-9)
    assert sensor_pair_limit(delta, 3) == pytest.approx(pair, abs=1e-9)
    assert calculator_limit(delta, 3) == pytest.approx(calculator, abs=1e-9)
    assert heat_meter_limit(grade, flow_ratio, delta, 3) == pytest.approx(whole, abs=1e-9)


@pytest.mark.parametrize(
    ("grade", "reaches_cap_at"),
    [("1", 400.0), ("2", 150.0), ("3", 40.0)],
)
def test_no_flow_sensor_is_allowed_more_than_5_percent(grade: str, reaches_cap_at: float) -> None:
    assert flow_sensor_limit(grade, reaches_cap_at * 0.99) < 5.0
    assert flow_sensor_limit(grade, reaches_cap_at) == pytest.approx(5.0)
    assert flow_sensor_limit(grade, reaches_cap_at * 10) == 5.0


def test_below_its_lowest_temperature_difference_the_formulas_are_not_stretched() -> None:
    assert heat_meter_limit("2", 2, 1.0, 3) == heat_meter_limit("2", 2, 3.0, 3)


def fit(**extra: object) -> MeterFit:
    return MeterFit.model_validate(
        {
            "serial": "Q1",
            "measures": "heat",
            "fitted": datetime(2024, 1, 1, tzinfo=UTC),
            "channel": [{"role": "heat_total", "kind": "register"}],
            **extra,
        }
    )


def test_a_working_point_outside_the_rated_range_is_said() -> None:
    u, detail = meter_u_percent(
        fit(accuracy_class="2", q_p_m3h=2.5), Role.HEAT_TOTAL, HeatMeterUse(2.0, 1.25, True)
    )
    assert u == pytest.approx(rectangular(7.04))
    assert "below the 3 K that the meter is rated for" in detail


def test_recorded_flow_and_temperatures_set_the_limit() -> None:
    u, detail = meter_u_percent(
        fit(accuracy_class="2", q_p_m3h=2.5), Role.HEAT_TOTAL, HeatMeterUse(8.0, 1.25, True)
    )
    assert u == pytest.approx(rectangular(4.540))
    assert "recorded temperature difference 8.0 K: limit 4.54 %" in detail


def test_a_flow_above_the_permanent_one_counts_as_the_permanent_one() -> None:
    u, _ = meter_u_percent(
        fit(accuracy_class="2", q_p_m3h=1.5), Role.HEAT_TOTAL, HeatMeterUse(5.0, 3.0, True)
    )
    assert u == pytest.approx(rectangular(5.420))


def test_without_a_stated_class_class_2_at_half_its_permanent_flow_is_taken() -> None:
    # Common practice, no source.
    u, detail = meter_u_percent(fit(), Role.HEAT_TOTAL, HeatMeterUse(5.0, None, False))
    assert u == pytest.approx(rectangular(5.440))
    assert "design temperature difference" in detail


def test_a_limit_alone_is_a_rectangular_distribution() -> None:
    # JCGM 100:2008, 4.3.7 and its example of a half-width over the root of three.
    assert rectangular(5.44) == pytest.approx(5.44 / 3**0.5)
