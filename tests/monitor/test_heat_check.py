"""The heat meter beside its water, in homes whose water stops within the hour."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest

from monitor.metrics.heat_check import HeatCheck, heat_check
from monitor.metrics.water import heat_coefficient_kwh_per_m3k
from monitor.schemas import SLOT, STATE_SLOT
from tests.monitor.homes import home

Values = npt.NDArray[np.float64]

BEGIN = datetime(2025, 1, 6, tzinfo=UTC)
HOURS = 480
FLOW_C, DELTA_K, RATE_M3H = 40.0, 5.0, 1.2
#: Heat while it runs, kW.
RUNNING = RATE_M3H * DELTA_K * float(heat_coefficient_kwh_per_m3k(FLOW_C, FLOW_C - DELTA_K))


def of_hours(role: str, **values: Values) -> pl.DataFrame:
    start = [BEGIN + timedelta(hours=h) for h in range(HOURS)]
    return pl.DataFrame({"role": role, "slot_start_utc": start, **values})


def compared(kwh: Values, rate: Values, delta: Values, *, nominal_kw: float) -> HeatCheck | None:
    hour = [BEGIN + timedelta(hours=h) for h in range(HOURS + 1)]
    nothing = np.zeros(HOURS)
    slots = of_hours("heat_total", kwh=kwh, block_kwh=kwh).with_columns(
        pl.lit("measured").alias("status"),
        pl.Series("block_start_utc", hour[:-1]),
        pl.Series("block_end_utc", hour[1:]),
        pl.Series("u_start_kwh", nothing),
        pl.Series("u_end_kwh", nothing),
    )
    states = pl.concat(
        of_hours(role, mean=mean, covered=np.ones(HOURS))
        for role, mean in (
            ("flow_temp", np.full(HOURS, FLOW_C)),
            ("return_temp", FLOW_C - delta),
            ("flow_rate", rate),
        )
    )
    site = home({"role": "heat_total"}, heat_pump={"nominal_heat_kw": nominal_kw})
    return heat_check(
        site,
        slots.select(list(SLOT)).cast(SLOT),
        states.select(list(STATE_SLOT)).cast(STATE_SLOT),
    )


def part_of_each_hour(low: float, high: float) -> Values:
    """Share of the hour in which the unit runs: slowly up and down over the days."""
    return low + (high - low) * 0.5 * (1.0 - np.cos(np.arange(HOURS) / 48.0 * np.pi))


@pytest.mark.parametrize(
    ("low", "high", "nominal_kw"),
    [
        pytest.param(0.4, 0.6, 12.0, id="a unit twice as large as the house needs"),
        pytest.param(0.6, 0.95, RUNNING, id="a unit that only goes on and off"),
    ],
)
def test_a_sound_meter_is_not_doubted_where_the_water_stops_with_the_unit(
    low: float, high: float, nominal_kw: float
) -> None:
    """Mean flow times mean difference is less than the heat: both are nothing at rest."""
    runs = part_of_each_hour(low, high)
    found = compared(RUNNING * runs, RATE_M3H * runs, DELTA_K * runs, nominal_kw=nominal_kw)
    assert found is None


@pytest.mark.parametrize("shown", [0.8, 1.0, 1.25])
def test_a_meter_is_held_against_water_that_never_stops(shown: float) -> None:
    """Whether the difference follows the load, or the pump does."""
    load = part_of_each_hour(0.6, 1.0)
    for rate, delta in (
        (np.full(HOURS, RATE_M3H), DELTA_K * load),
        (RATE_M3H * load, np.full(HOURS, DELTA_K)),
    ):
        heat = rate * delta * heat_coefficient_kwh_per_m3k(np.full(HOURS, FLOW_C), FLOW_C - delta)
        found = compared(shown * heat, rate, delta, nominal_kw=RUNNING)
        assert found is not None
        assert found.true_share == pytest.approx(1.0 / shown, rel=1e-9)
        assert found.is_doubtful == (shown != 1.0)
