"""The energy model finds again what a home was made with."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from monitor.metrics.boundary import recipe
from monitor.metrics.daily import DAILY_WEATHER, DAY, day_frame, unknown_hours
from monitor.metrics.model import (
    FEWEST_DAYS,
    EnergyModel,
    energy_model,
)
from monitor.metrics.performance import exclude, pair
from monitor.metrics.priors import BALANCE_C
from monitor.models import Boundary, Site
from monitor.schemas import SLOT, STATE_SLOT, empty
from tests.monitor.homes import home

FIRST = date(2023, 7, 1)
BASE, SLOPE, BALANCE = 6.0, 5.0, 15.0
STANDBY, OFFSET, PER_LIFT = 0.5, 0.06, 0.0075


def site(**extra: Any) -> Site:
    return home({"role": "heat_total"}, {"role": "elec_total"}, heat_loss_kw=5.0, **extra)


def made_days(
    count: int,
    first: date = FIRST,
    *,
    noise: float = 0.05,
    step_from: int | None = None,
    step: float = 0.0,
    outdoor: np.ndarray | None = None,
    with_flow: bool = True,
    seed: int = 1,
) -> pl.DataFrame:
    """Days of a home of the stated parameters."""
    rng = np.random.default_rng(seed)
    n = np.arange(count)
    if outdoor is None:
        doy = first.timetuple().tm_yday + n
        outdoor = 9.5 - 6.0 * np.cos(2 * np.pi * (doy - 20) / 365.25) + rng.normal(0, 2.5, count)
    space = SLOPE * np.maximum(BALANCE - outdoor, 0.0)
    heat = np.maximum(BASE + space + rng.normal(0, noise, count) * (BASE + space), 0.5)
    share = space / (space + BASE)
    flow = share * (28.0 + 0.8 * (15.0 - outdoor)) + (1 - share) * 50.0
    reciprocal = OFFSET + PER_LIFT * (flow - outdoor)
    if step_from is not None:
        reciprocal = reciprocal * np.where(n >= step_from, 1.0 + step, 1.0)
    used = STANDBY + reciprocal * heat * (1.0 + rng.normal(0, noise / 2, count))
    return pl.DataFrame(
        {
            "day": [first + timedelta(int(i)) for i in n],
            "hours": [24] * count,
            "hours_known": [24] * count,
            "hours_placed": [24] * count,
            "heat_kwh": heat,
            "electricity_kwh": used,
            "dhw_kwh": [None] * count,
            "outdoor_c": outdoor,
            "outdoor_from": ["meter"] * count,
            "source_c": [None] * count,
            "flow_c": flow if with_flow else [None] * count,
            "complete": [True] * count,
        },
        schema=DAY,
    )


def fitted(days: pl.DataFrame, at: Site | None = None) -> EnergyModel:
    found = energy_model(at or site(), days)
    assert isinstance(found, EnergyModel)
    return found


def test_a_year_of_days_gives_back_the_parameters_of_the_home() -> None:
    found = fitted(made_days(365))
    assert found.base_kwh == pytest.approx(BASE, rel=0.06)
    assert found.slope_kwh_k == pytest.approx(SLOPE, rel=0.05)
    assert found.balance_c == pytest.approx(BALANCE, abs=0.5)
    assert found.per_lift == pytest.approx(PER_LIFT, rel=0.08)
    assert found.offset == pytest.approx(OFFSET, abs=0.02)
    assert found.change is None
    assert found.adequate, found.sentence
    assert found.heat.cv_rmse < 0.10
    assert abs(found.heat.nmbe) < 0.02
    assert found.heat.r2 > 0.9


def test_the_parameters_lie_inside_their_own_uncertainty() -> None:
    inside = []
    for seed in range(12):
        found = fitted(made_days(150, date(2023, 10, 1), seed=seed))
        _, draws = found.electricity_posterior.draw(2000, np.random.default_rng(seed))
        low, high = np.quantile(draws[:, 1] + 30.0 * draws[:, 2], [0.05, 0.95])
        inside.append(low < OFFSET + 30.0 * PER_LIFT < high)
    assert sum(inside) >= 8


def test_a_few_absurd_days_do_not_move_the_signature() -> None:
    days = made_days(300)
    spoilt = days.with_columns(
        pl.when(pl.int_range(pl.len()) % 40 == 7)
        .then(pl.col("heat_kwh") * 6)
        .otherwise("heat_kwh")
        .alias("heat_kwh")
    )
    clean, dirty = fitted(days), fitted(spoilt)
    assert dirty.slope_kwh_k == pytest.approx(clean.slope_kwh_k, rel=0.08)
    assert dirty.base_kwh == pytest.approx(clean.base_kwh, rel=0.25)


def test_gaps_leave_the_model_as_it_is() -> None:
    days = made_days(365)
    holes = (pl.int_range(pl.len()) % 5 == 0) | pl.int_range(pl.len()).is_between(200, 220)
    holed = fitted(
        days.with_columns(
            pl.when(holes).then(pl.lit(value=False)).otherwise("complete").alias("complete")
        )
    )
    assert holed.heat.days == 365 - int(days.select(holes.alias("h"))["h"].sum())
    assert holed.slope_kwh_k == pytest.approx(SLOPE, rel=0.05)


def test_a_home_that_changed_is_not_taken_for_its_average() -> None:
    found = fitted(made_days(240, date(2023, 9, 15), step_from=150, step=0.15))
    assert found.change is not None
    assert found.change == pytest.approx(0.15, abs=0.04)
    assert found.change_day is not None
    assert abs((found.change_day - date(2023, 9, 15)).days - 150) <= 14
    cold = np.full((500, 20), 2.0)
    number = np.arange(20) + (date(2024, 6, 1) - date(1970, 1, 1)).days
    heat, used = found.simulate(cold, number, np.random.default_rng(1))
    plain = fitted(made_days(240, date(2023, 9, 15)))
    heat_0, used_0 = plain.simulate(cold, number, np.random.default_rng(1))
    ratio = (used.sum() / heat.sum()) / (used_0.sum() / heat_0.sum())
    assert ratio == pytest.approx(1.15, abs=0.04)


def test_after_a_summer_alone_the_winter_is_wide_and_not_absurd() -> None:
    warm = np.random.default_rng(3).normal(17.5, 1.0, 60)
    found = fitted(made_days(60, outdoor=warm))
    assert not found.adequate
    assert "hardly any heating has been seen" in found.sentence
    cold = np.full((2000, 30), 3.0)
    heat, used = found.simulate(cold, np.arange(30) + 19_700, np.random.default_rng(2))
    true = BASE + SLOPE * (BALANCE - 3.0)
    low, high = np.quantile(heat.sum(axis=1) / 30, [0.05, 0.95])
    assert low < true < high
    assert high / low > 1.5
    cop = heat.sum(axis=1) / used.sum(axis=1)
    assert np.quantile(cop, 0.05) > 1.5
    assert np.quantile(cop, 0.95) < 6.0


def water_only(days: pl.DataFrame) -> pl.DataFrame:
    heat = np.random.default_rng(4).normal(BASE, 0.5, days.height)
    return days.with_columns(pl.Series("heat_kwh", heat), pl.Series("electricity_kwh", heat / 3.0))


def test_a_heating_that_is_switched_off_in_the_cold_allows_no_forecast() -> None:
    cold = np.random.default_rng(3).normal(6.0, 3.0, 60)
    said = energy_model(site(), water_only(made_days(60, date(2023, 10, 1), outdoor=cold)))
    assert isinstance(said, str)
    assert "switched off although it has been cold" in said


def test_a_heating_that_has_not_been_needed_says_nothing_of_the_house() -> None:
    mild = np.random.default_rng(3).uniform(11.5, 16.0, 60)
    found = fitted(water_only(made_days(60, date(2023, 9, 1), outdoor=mild)))
    assert not found.adequate
    heat, _ = found.simulate(
        np.full((1000, 30), 3.0), np.arange(30) + 19_700, np.random.default_rng(2)
    )
    low, high = np.quantile(heat.sum(axis=1) / 30, [0.05, 0.95])
    assert low < BASE + SLOPE * (BALANCE - 3.0) < high


def test_after_a_winter_alone_the_summer_leans_on_what_is_usual() -> None:
    cold = np.random.default_rng(3).normal(3.0, 2.0, 100)
    found = fitted(made_days(100, date(2023, 12, 1), outdoor=cold))
    warm = np.full((1000, 30), 19.0)
    heat, _ = found.simulate(warm, np.arange(30) + 19_800, np.random.default_rng(2))
    low, high = np.quantile(heat.sum(axis=1) / 30, [0.05, 0.95])
    assert low < BASE < high
    assert found.balance_c == pytest.approx(BALANCE_C, abs=2.5)


def test_a_narrow_range_of_temperatures_is_said_not_to_be_adequate() -> None:
    same = np.random.default_rng(3).normal(6.0, 0.8, 120)
    found = fitted(made_days(120, date(2023, 10, 1), outdoor=same))
    assert not found.adequate
    assert "span only" in found.sentence


def test_without_outdoor_temperature_no_forecast_is_made_and_a_way_out_is_named() -> None:
    blind = made_days(200).with_columns(pl.lit(None, dtype=pl.Float64).alias("outdoor_c"))
    said = energy_model(site(), blind)
    assert isinstance(said, str)
    assert "outdoor sensor or a weather file" in said


def test_fewer_than_a_fortnight_of_days_are_no_model() -> None:
    said = energy_model(site(), made_days(FEWEST_DAYS - 1))
    assert isinstance(said, str)
    assert "only 13 days" in said


def test_without_recorded_flow_the_design_curve_is_taken_and_said() -> None:
    stated = site(
        heat_pump={
            "design_flow_temp_c": 45.0,
            "design_outdoor_temp_c": -3.0,
            "flow_temp_at_15_c": 27.0,
        }
    )
    days = made_days(365, with_flow=False)
    assert fitted(days, stated).flow.origin == "stated"
    assert fitted(days, stated).flow.per_k == pytest.approx(1.0)
    assert fitted(days).flow.origin == "typical"
    # The forecast of electricity holds all the same: the slope on the lift takes up the rest.
    outdoor = days["outdoor_c"].to_numpy()
    for found in (fitted(days, stated), fitted(days)):
        expected = found.expected_electricity(
            found.expected_heat(outdoor), found.expected_flow(outdoor), outdoor
        )
        assert expected.sum() == pytest.approx(days["electricity_kwh"].sum(), rel=0.03)


def test_recorded_flow_gives_back_the_heating_curve() -> None:
    found = fitted(made_days(365))
    assert found.flow.origin == "recorded"
    assert found.flow.at_15_c == pytest.approx(28.0, abs=1.0)
    assert found.flow.per_k == pytest.approx(0.8, abs=0.08)
    assert found.flow.hot_water_c == pytest.approx(50.0, abs=2.0)


def test_electricity_of_a_forecast_is_never_below_standby_or_beyond_a_real_cop() -> None:
    found = fitted(made_days(120, date(2023, 10, 1), noise=0.3))
    outdoor = np.random.default_rng(6).uniform(-10.0, 25.0, (300, 60))
    heat, used = found.simulate(outdoor, np.arange(60) + 19_800, np.random.default_rng(7))
    assert (heat >= 0).all()
    assert (used >= 0).all()
    assert (heat.sum(axis=1) < 8.0 * used.sum(axis=1)).all()


# The day frame.


def slots_of(role: str, kwh: list[float], *, begin: datetime, size: int = 1) -> pl.DataFrame:
    """Slots of one stream, in blocks of `size` hours."""
    hours = len(kwh)
    start = [begin + timedelta(hours=h) for h in range(hours)]
    block = [begin + timedelta(hours=h // size * size) for h in range(hours)]
    total = [sum(kwh[h // size * size : h // size * size + size]) for h in range(hours)]
    return pl.DataFrame(
        {
            "role": [role] * hours,
            "slot_start_utc": start,
            "status": ["measured" if size == 1 else "bridged"] * hours,
            "kwh": [k if size == 1 else None for k in kwh],
            "block_start_utc": block,
            "block_end_utc": [b + timedelta(hours=size) for b in block],
            "block_kwh": total,
            "u_start_kwh": [0.0] * hours,
            "u_end_kwh": [0.0] * hours,
        },
        schema=SLOT,
    )


def states_of(role: str, mean: list[float], *, begin: datetime) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "role": [role] * len(mean),
            "slot_start_utc": [begin + timedelta(hours=h) for h in range(len(mean))],
            "mean": mean,
            "covered": [1.0] * len(mean),
        },
        schema=STATE_SLOT,
    )


def frame_of(*slots: pl.DataFrame, states: pl.DataFrame | None = None, **extra: Any):
    at = site(**{k: v for k, v in extra.items() if k == "zone"})
    return day_frame(
        at,
        recipe(at, Boundary.H4),
        pl.concat(slots),
        states if states is not None else empty(STATE_SLOT),
        extra.get("weather"),
    )


def test_days_are_local_and_have_23_or_25_hours_when_the_clock_changes() -> None:
    begin = datetime(2024, 3, 29, 0, tzinfo=UTC)
    hours = 24 * 5
    days = frame_of(
        slots_of("heat_total", [3.0] * hours, begin=begin),
        slots_of("elec_total", [1.0] * hours, begin=begin),
        zone="Europe/London",
    )
    spring = days.filter(pl.col("day") == date(2024, 3, 31)).row(0, named=True)
    assert spring["hours"] == 23
    assert spring["heat_kwh"] == pytest.approx(69.0)
    assert spring["complete"]
    # From then on local midnight is 23:00 UTC: the last UTC hour opens a new day.
    assert days["hours_known"].to_list() == [24, 24, 23, 24, 24, 1]
    assert days["complete"].to_list() == [True] * 5 + [False]


def test_a_days_reading_makes_days_but_a_weeks_reading_does_not() -> None:
    begin = datetime(2024, 1, 1, 8, tzinfo=UTC)
    hours = 24 * 14
    electricity = slots_of("elec_total", [1.0] * hours, begin=begin)
    daily = frame_of(slots_of("heat_total", [3.0] * hours, begin=begin, size=24), electricity)
    weekly = frame_of(slots_of("heat_total", [3.0] * hours, begin=begin, size=168), electricity)
    assert daily["complete"].sum() == 13
    assert daily["heat_kwh"][3] == pytest.approx(72.0)
    assert weekly["complete"].sum() == 0
    # Known all the same: the account uses such a block whole.
    assert weekly["hours_known"][3] == 24
    assert weekly["hours_placed"][3] == 0


def test_an_hour_that_one_stream_lacks_makes_the_day_incomplete() -> None:
    begin = datetime(2024, 1, 1, tzinfo=UTC)
    electricity = slots_of("elec_total", [1.0] * 48, begin=begin)
    days = frame_of(
        slots_of("heat_total", [3.0] * 48, begin=begin),
        electricity.filter(pl.col("slot_start_utc") != begin + timedelta(hours=30)),
    )
    assert days["complete"].to_list() == [True, False]
    assert days["hours_known"].to_list() == [24, 23]
    assert days["heat_kwh"].to_list() == pytest.approx([72.0, 69.0])


def test_flow_temperature_is_weighted_by_heat() -> None:
    begin = datetime(2024, 1, 1, tzinfo=UTC)
    heat = [0.0] * 12 + [2.0] * 6 + [4.0] * 6
    flow = [20.0] * 12 + [35.0] * 6 + [50.0] * 6
    days = frame_of(
        slots_of("heat_total", heat, begin=begin),
        slots_of("elec_total", [1.0] * 24, begin=begin),
        states=states_of("flow_temp", flow, begin=begin),
    )
    assert days["flow_c"][0] == pytest.approx((2 * 35 + 4 * 50) / 6)


def test_a_sample_an_hour_or_in_each_quarter_of_the_day_makes_a_days_mean() -> None:
    begin = datetime(2024, 1, 1, tzinfo=UTC)
    energy = [slots_of(role, [2.0] * 72, begin=begin) for role in ("heat_total", "elec_total")]
    samples = states_of("outdoor_temp", [float(h) for h in range(72)], begin=begin).with_columns(
        pl.lit(0.25).alias("covered")
    )
    hourly = frame_of(*energy, states=samples)
    assert hourly["outdoor_c"].to_list() == [11.5, 35.5, 59.5]
    quarters = frame_of(*energy, states=samples.filter(pl.col("mean") % 6 == 3))
    assert quarters["outdoor_c"].to_list() == [12.0, 36.0, 60.0]
    morning_lost = samples.filter(~pl.col("mean").is_between(24 + 6, 24 + 11))
    assert frame_of(*energy, states=morning_lost)["outdoor_c"].to_list() == [11.5, None, 59.5]


def test_flow_temperature_of_a_few_hours_is_not_a_days() -> None:
    begin = datetime(2024, 1, 1, tzinfo=UTC)
    energy = [slots_of(role, [2.0] * 24, begin=begin) for role in ("heat_total", "elec_total")]
    few = states_of("flow_temp", [40.0] * 24, begin=begin).filter(pl.int_range(pl.len()) % 6 == 0)
    assert frame_of(*energy, states=few)["flow_c"].to_list() == [None]


def test_a_weather_file_fills_days_without_a_sensor_and_is_named() -> None:
    begin = datetime(2024, 1, 1, tzinfo=UTC)
    weather = pl.DataFrame(
        {"day": [date(2024, 1, 1), date(2024, 1, 2)], "outdoor_c": [9.0, 2.0]},
        schema=DAILY_WEATHER,
    )
    days = frame_of(
        slots_of("heat_total", [3.0] * 72, begin=begin),
        slots_of("elec_total", [1.0] * 72, begin=begin),
        states=states_of("outdoor_temp", [5.0] * 24 + [6.0] * 10, begin=begin),
        weather=weather,
    )
    # Ten hours of a sensor are no day's mean.
    assert days["outdoor_c"].to_list() == [5.0, 2.0, None]
    assert days["outdoor_from"].to_list() == ["meter", "file", None]


def test_hours_not_known_are_those_that_the_account_leaves_out() -> None:
    begin = datetime(2024, 1, 1, tzinfo=UTC)
    at = site()
    slots = pl.concat(
        [
            slots_of("heat_total", [3.0] * 96, begin=begin - timedelta(hours=4), size=8),
            slots_of("elec_total", [1.0] * 96, begin=begin - timedelta(hours=4)),
        ]
    )
    blocks = pair(slots, recipe(at, Boundary.H4))
    until = begin + timedelta(hours=60)
    window = date(2024, 1, 1), date(2024, 1, 5), until
    past, to_come, hours = unknown_hours(at, blocks, *window)
    # The block that reaches over the start is out, as is the one that reaches over `until`.
    assert hours.tolist() == [24, 24, 24, 24]
    assert past.tolist() == [4, 0, 0, 0]
    assert to_come.tolist() == [0, 0, 12, 24]
    span = begin + timedelta(hours=2), begin + timedelta(hours=30)
    past, to_come, _ = unknown_hours(at, exclude(blocks, [span]), *window)
    # Excluded hours are not unknown; those that share a block with one are.
    assert past.tolist() == [2, 6, 0, 0]
    later = begin + timedelta(hours=66), begin + timedelta(hours=80)
    past, to_come, _ = unknown_hours(at, exclude(blocks, [later]), *window)
    assert to_come.tolist() == [0, 0, 6, 16]


def test_no_slots_are_no_days() -> None:
    assert frame_of(empty(SLOT)).height == 0
