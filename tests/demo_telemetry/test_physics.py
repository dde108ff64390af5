"""The simulation keeps to the laws that a real home keeps to."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from functools import cache

import numpy as np
import pytest

from demo_telemetry.catalogue import AIR_8, GROUND_8, HOMES, LOW_14
from demo_telemetry.faults import Kind, course
from demo_telemetry.heat_pump import cop
from demo_telemetry.homes import Home
from demo_telemetry.house import WATER_KWH_L_K
from demo_telemetry.simulate import BOOKED, simulate
from demo_telemetry.span import drive_home, region_weather, run_home, span_of
from demo_telemetry.truth import period
from demo_telemetry.weather import STEP_H, make_weather

BY_ID = {home.id: home for home in HOMES}
TROUBLED = [home for home in HOMES if home.trouble is not None]
PHYSICAL = [home for home in TROUBLED if home.trouble and home.trouble.kind is not Kind.HEAT_METER]
END = date(2026, 2, 1)
WEATHER = region_weather(END, 3, 7)


@cache
def _winter(home: Home) -> dict[str, np.ndarray]:
    return run_home(home, span_of(home, END, 3), WEATHER, 7)


def _spf(home: Home) -> float:
    span = span_of(home, END, 3)
    told = period(_winter(home), span, span.begin_s, span.finish_s)
    return float(told["spf_counted"][home.promise.boundary])


@pytest.mark.parametrize("home_id", ["juniper-bank-6", "cairn-view-2", "dunlin-close-7"])
def test_the_energy_of_every_node_of_a_house_balances(home_id: str) -> None:
    home = BY_ID[home_id]
    span = span_of(home, END, 3)
    drive = drive_home(home, span, WEATHER, 7)
    faults = course(home.trouble, span.steps)
    b = simulate(home.house, home.plant, faults, drive)
    house = home.house
    c_all = house.loss_kw_k * house.capacity_h
    c_water = house.emitter_kwh_k * house.heat_loss_kw * faults.water_share
    c_cyl = home.plant.cylinder_l * WATER_KWH_L_K

    gains = (drive.solar_kw + drive.gains_kw) * STEP_H
    into_house = b["emitted"] + gains + b["cylinder_loss"] - b["lost"]
    stored_house = 0.22 * c_all * np.diff(b["room_temp"]) + 0.78 * c_all * np.diff(b["mass_temp"])
    np.testing.assert_allclose(into_house[1:], stored_house, atol=1e-9)

    into_water = b["space"] + b["backup"] - b["defrost"] - b["emitted"]
    np.testing.assert_allclose(into_water[1:], c_water * np.diff(b["water_temp"]), atol=1e-9)

    into_cylinder = b["dhw"] + b["immersion"] - b["drawn"] - b["cylinder_loss"]
    np.testing.assert_allclose(into_cylinder[1:], c_cyl * np.diff(b["dhw_temp"]), atol=1e-9)


@pytest.mark.parametrize("unit", [AIR_8, GROUND_8, LOW_14], ids=lambda unit: unit.model)
def test_no_unit_passes_the_carnot_bound(unit) -> None:
    for flow in np.arange(25.0, 70.0, 2.5):
        for source in np.arange(-12.0, 22.0, 2.0):
            for load in (0.2, 0.5, 1.0):
                bound = (flow + 273.15) / max(flow - source, 1e-9)
                assert 1.0 < cop(flow, source, load, unit.efficiency) < bound


def test_the_loop_never_passes_the_carnot_bound_between_flow_and_source() -> None:
    b = _winter(BY_ID["juniper-bank-6"])
    on = (b["space"] + b["dhw"]) > 0
    got = (b["space"] + b["dhw"])[on] / b["unit"][on]
    bound = (b["flow_temp"][on] + 273.15) / (b["flow_temp"][on] - b["source_temp"][on])
    assert np.all(got < bound)


def test_cop_falls_as_the_lift_grows() -> None:
    flows = [cop(flow, 2.0, 0.6, 0.5) for flow in (30.0, 40.0, 50.0, 60.0)]
    sources = [cop(40.0, source, 0.6, 0.5) for source in (10.0, 5.0, 0.0, -5.0)]
    assert flows == sorted(flows, reverse=True)
    assert sources == sorted(sources, reverse=True)


def test_heat_measured_by_flow_and_spread_is_the_heat_that_is_booked() -> None:
    b = _winter(BY_ID["gorse-hill-3"])
    heating = (b["space"] > 0) & (b["starts"] == 0)
    shown = b["flow_rate"] * 1.163 * (b["flow_temp"] - b["return_temp"]) * STEP_H
    np.testing.assert_allclose(shown[heating], b["space"][heating], rtol=1e-9)


def test_defrost_happens_near_freezing_and_never_in_a_brine_unit() -> None:
    air, brine = _winter(BY_ID["juniper-bank-6"]), _winter(BY_ID["alder-row-4"])
    at = air["outdoor_temp"][air["defrost"] > 0]
    assert at.shape[0] > 50
    assert at.max() < 6.0
    assert not np.any(brine["defrost"])


def test_the_cylinder_reaches_60_degc_every_week() -> None:
    for home_id in ("juniper-bank-6", "inish-road-8"):
        home = BY_ID[home_id]
        hottest = _winter(home)["dhw_temp"][: 12 * 7 * 288].reshape(12, -1).max(axis=1)
        assert np.all(hottest >= 59.9), home_id


def test_rooms_stay_comfortable_in_winter() -> None:
    for home in HOMES:
        room = _winter(home)["room_temp"]
        if home.heating:
            assert room[288:].min() > home.house.room_c - home.house.setback_k - 2.5, home.id


def test_the_place_has_a_cool_maritime_climate() -> None:
    weather = make_weather(7, datetime(2024, 1, 1, tzinfo=UTC), 730 * 288)
    assert 8.5 < weather.outdoor_c.mean() < 10.8
    assert -11.0 < weather.outdoor_c.min() < -2.0
    assert 22.0 < weather.outdoor_c.max() < 34.0
    assert np.all(weather.solar_kw_m2 >= 0.0)
    night = weather.solar_kw_m2.reshape(-1, 288)[:, :24]
    assert not np.any(night)


@pytest.mark.parametrize("home", PHYSICAL, ids=lambda home: home.id)
def test_a_home_in_trouble_does_worse_than_the_same_home_without(home: Home) -> None:
    assert home.trouble is not None
    early = replace(home, trouble=replace(home.trouble, since=0.0))
    assert _spf(early) < 0.95 * _spf(replace(home, trouble=None))


def test_an_oversized_unit_cycles_many_times_as_often() -> None:
    home = BY_ID["ember-court-1"]
    bad, good = _winter(home)["starts"].sum(), _winter(replace(home, trouble=None))["starts"].sum()
    assert bad > 2 * good


def test_most_of_the_fleet_is_healthy_and_five_kinds_of_trouble_differ() -> None:
    kinds = {home.trouble.kind for home in TROUBLED if home.trouble}
    assert len(HOMES) >= 14
    assert len(TROUBLED) <= 0.4 * len(HOMES)
    assert kinds == set(Kind)


def test_a_year_of_a_healthy_home_has_a_plausible_spf_and_heat_demand() -> None:
    home = BY_ID["plover-field-20"]
    end = date(2026, 6, 1)
    span = span_of(home, end, 12)
    b = run_home(home, span, region_weather(end, 12, 7), 7)
    told = period(b, span, span.begin_s, span.finish_s)
    assert 2.4 < told["spf"]["H4"] < 4.2
    assert told["spf"]["H1"] >= told["spf"]["H2"] >= told["spf"]["H3"] >= told["spf"]["H4"]
    assert told["spf"]["H4"] < told["spf_counted"]["H4"]
    assert 5_000 < told["heat_kwh"]["space"] < 12_000


def test_the_loop_books_every_name_for_every_step() -> None:
    b = _winter(BY_ID["heron-quay-5"])
    steps = span_of(BY_ID["heron-quay-5"], END, 3).steps
    assert all(b[name].shape == (steps,) and np.all(np.isfinite(b[name])) for name in BOOKED)
    assert not np.any(b["space"])
