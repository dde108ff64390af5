"""Meters that cannot be right, and homes that only look so."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from scipy import constants

from monitor.findings.meters import meters
from monitor.findings.pair import STOOD
from monitor.findings.slips import FACTORS
from tests.monitor.findings.metered_home import (
    BEGIN,
    STANDBY_KW,
    Metered,
    found_in,
    hours,
    metered,
    seen_of,
)

DAYS = 40


def day(number: int) -> datetime:
    return BEGIN + timedelta(days=number)


def from_day(number: int, days: int = DAYS) -> np.ndarray:
    return np.arange(days * 24) >= number * 24


def changed(it: Metered, **energy: np.ndarray) -> Metered:
    return replace(it, energy={**it.energy, **energy})


def register(energy: np.ndarray) -> np.ndarray:
    return np.round(500.0 + np.concatenate(([0.0], np.cumsum(energy))), 2)


@pytest.mark.parametrize("colder_k", [0.0, 8.0, -8.0])
def test_sound_meters_are_left_alone_in_any_weather(colder_k: float) -> None:
    assert found_in(metered(colder_k=colder_k)) == {}


def test_an_empty_house_that_only_stands_by_is_no_stopped_heat_meter() -> None:
    it = metered()
    away = from_day(DAYS - 16)
    it = changed(
        it,
        heat_total=np.where(away, 0.0, it.energy["heat_total"]),
        elec_unit=np.where(away, 0.08, it.energy["elec_unit"]),
    )
    assert found_in(it) == {}


def test_registers_of_whole_kilowatt_hours_are_left_alone() -> None:
    it = metered()
    coarse = {"resolution": 1.0}
    it.channel = {"heat_total": coarse, "elec_unit": coarse}
    it.shown = {role: np.floor(register(kwh)) for role, kwh in it.energy.items()}
    assert found_in(it) == {}


# One moves and the other does not.


def test_afternoons_without_heat_while_the_unit_takes_electricity_are_found() -> None:
    it = metered()
    dead = from_day(DAYS - 14) & (hours(DAYS) >= 14) & (hours(DAYS) < 21)
    it = changed(it, heat_total=np.where(dead, 0.0, it.energy["heat_total"]))
    (finding,) = found_in(it).values()
    assert finding.kind == "electricity-without-heat"
    assert finding.since == day(DAYS - 14)
    assert {r.value for r in finding.roles} == {"heat_total"}
    told = {f.name: f.value for f in finding.figures}
    # Six of the seven hours less the pause at 17, the first and the last.
    lost = it.energy["elec_unit"][dead].sum()
    assert 0.5 * lost < told["electricity without heat"] < lost


def test_afternoons_with_heat_while_the_electricity_stands_are_found() -> None:
    it = metered()
    dead = from_day(DAYS - 14) & (hours(DAYS) >= 13) & (hours(DAYS) < 21)
    steady = np.where(dead, 3.0, it.energy["heat_total"])
    it = changed(
        it, heat_total=steady, elec_unit=np.where(dead, STANDBY_KW, it.energy["elec_unit"])
    )
    (finding,) = found_in(it).values()
    assert finding.kind == "heat-without-electricity"
    assert {r.value for r in finding.roles} == {"elec_unit"}


def test_heat_of_a_buffer_store_after_the_compressor_stopped_is_no_doubt() -> None:
    it = metered()
    late = (hours(DAYS) >= 22) & (hours(DAYS) < 24)
    it = changed(it, heat_total=it.energy["heat_total"] + np.where(late, 1.2, 0.0))
    assert found_in(it) == {}


@pytest.mark.parametrize("by", [1, 4])
def test_a_clock_that_lags_is_neither_a_stopped_meter_nor_a_household(by: int) -> None:
    it = metered()
    assert found_in(changed(it, heat_total=np.roll(it.energy["heat_total"], by))) == {}


def test_cooling_in_a_hot_summer_is_no_electricity_without_heat() -> None:
    it = metered(colder_k=-25.0)
    hour = hours(DAYS)
    cools = (hour >= 12) & (hour < 20)
    heat = np.where(hour == 5, 4.0, 0.0)
    it = changed(it, heat_total=heat, elec_unit=STANDBY_KW + heat / 2.6 + np.where(cools, 0.9, 0.0))
    assert found_in(it) == {}


# Registers.


@pytest.mark.parametrize("role", ["heat_total", "elec_unit"])
def test_a_meter_that_has_stopped_is_found_within_days(role: str) -> None:
    it = metered()
    it = changed(it, **{role: np.where(from_day(DAYS - 3), 0.0, it.energy[role])})
    (finding,) = found_in(it).values()
    assert finding.kind == "register-stuck"
    assert finding.since == day(DAYS - 3)
    assert {r.value for r in finding.roles} == {role}
    assert STOOD in set(seen_of(it).suspects["reason"])


def test_a_heat_meter_that_stops_in_summer_is_found_though_little_moves() -> None:
    # Two kilowatt hours a day are too few for the account to set the day aside.
    it = metered(colder_k=-10.0)
    heat = np.where(hours(DAYS) == 5, 5.0, 0.0)
    used = STANDBY_KW + heat / 2.6
    it = changed(it, heat_total=np.where(from_day(DAYS - 7), 0.0, heat), elec_unit=used)
    assert STOOD not in set(seen_of(it).suspects["reason"])
    assert set(found_in(it)) == {"register-stuck"}


def test_a_register_that_hung_and_caught_up_is_told_while_it_is_news() -> None:
    for ago, kinds in ((6, {"register-stuck"}), (30, set())):
        it = metered()
        shown = register(it.energy["heat_total"])
        begin = (DAYS - ago) * 24
        shown[begin : begin + 4 * 24] = shown[begin]
        it.shown = {"heat_total": shown}
        assert set(found_in(it)) == kinds


def test_a_register_that_jumps_again_and_again_is_found_and_one_jump_is_not() -> None:
    it = metered()
    for places, kinds in (((10,), set()), ((10, 20, 33), {"register-jumps"})):
        shown = register(it.energy["heat_total"])
        for place in places:
            shown[place * 24 + 9 :] += 1500.0
        it.shown = {"heat_total": shown}
        found = found_in(it)
        assert set(found) == kinds
    assert "broke 3 times" in found["register-jumps"].what
    assert found["register-jumps"].since == day(10) + timedelta(hours=8)


def test_values_that_no_register_can_have_are_told_with_the_reason() -> None:
    it = metered()
    shown = register(it.energy["elec_unit"])
    shown[[200, 300, 500, 700, 900]] = 65535.0
    it.shown = {"elec_unit": shown}
    finding = found_in(it)["register-jumps"]
    assert "5 readings of 'elec_unit' on 5 days" in finding.what
    assert "leaves the register's course and comes back" in finding.what


def test_meters_that_were_swapped_thrice_are_no_jumping_register() -> None:
    it = metered()
    shown = register(it.energy["heat_total"])
    swaps = [day(number) + timedelta(hours=9) for number in (10, 20, 33)]
    for number in (10, 20, 33):
        shown[number * 24 + 9 :] -= shown[number * 24 + 9]
    it.shown = {"heat_total": shown}
    seen = seen_of(it)
    assert "register-jumps" in {finding.kind for finding in meters(seen)}
    (own, *others) = seen.site.meter
    fits = [own.model_copy(update={"fitted": moment}) for moment in swaps]
    site = seen.site.model_copy(update={"meter": (own, *fits, *others)})
    assert meters(replace(seen, site=site)) == []


def test_power_that_is_cut_off_at_one_value_is_found() -> None:
    it = metered(DAYS, colder_k=4.0)
    it.channel = {"elec_unit": {"kind": "power"}}
    assert found_in(it) == {}
    top = float(np.quantile(it.energy["elec_unit"], 0.93))
    it = changed(it, elec_unit=np.minimum(it.energy["elec_unit"], top))
    (finding,) = found_in(it).values()
    assert finding.kind == "register-saturated"
    assert finding.figures[0].value == pytest.approx(top)


# Sensors.


def water(it: Metered) -> Metered:
    runs = it.energy["heat_total"] > 0
    it.state["flow_temp"] = np.where(runs, 38.0, 26.0)
    it.state["return_temp"] = np.where(runs, 33.0, 26.0)
    return it


def test_swapped_sensors_are_found_and_a_stopped_heat_meter_is_told_with_them() -> None:
    it = water(metered())
    assert found_in(it) == {}
    late = from_day(DAYS - 14)
    flow, back = it.state["flow_temp"], it.state["return_temp"]
    it.state["flow_temp"] = np.where(late, back, flow)
    it.state["return_temp"] = np.where(late, flow, back)
    (alone,) = found_in(it).values()
    assert alone.kind == "flow-return-swapped"
    assert alone.since == day(DAYS - 14)
    assert {r.value for r in alone.roles} == {"flow_temp", "return_temp"}
    dead = changed(it, heat_total=np.where(late, 0.0, it.energy["heat_total"]))
    (own,) = found_in(dead).values()
    assert own.kind == "flow-return-swapped"
    assert "heat_total" in {r.value for r in own.roles}


def test_water_that_cools_the_house_is_not_swapped() -> None:
    it = water(metered(colder_k=-20.0))
    runs = it.energy["heat_total"] > 0
    it.state["flow_temp"] = np.where(runs, 14.0, 22.0)
    it.state["return_temp"] = np.where(runs, 18.0, 22.0)
    it = changed(it, heat_total=np.zeros(DAYS * 24))
    assert "flow-return-swapped" not in found_in(it)


# Units.


def test_the_factors_are_those_of_the_units() -> None:
    kwh = constants.kilo * constants.hour
    assert kwh / constants.mega == pytest.approx(min(FACTORS))
    assert any(constants.giga / kwh == pytest.approx(factor) for factor in FACTORS)


@pytest.mark.parametrize("role", ["heat_total", "elec_unit"])
@pytest.mark.parametrize("factor", [3.6, 1 / 3.6, 0.1, 0.001])
def test_a_meter_that_changes_its_unit_is_named_with_factor_and_day(
    role: str, factor: float
) -> None:
    it = metered()
    kwh = it.energy[role] * np.where(from_day(DAYS - 8), factor, 1.0)
    it = changed(it, **{role: kwh})
    it.channel = {role: {"resolution": 1e-5}}
    it.shown = {role: 500.0 + np.concatenate(([0.0], np.cumsum(kwh)))}
    finding = found_in(it)["unit-slip"]
    assert {r.value for r in finding.roles} == {role}
    assert finding.figures[0].value == pytest.approx(factor)
    assert finding.since == day(DAYS - 8)


@pytest.mark.parametrize("kind", ["register", "interval"])
def test_watt_hours_taken_for_kilowatt_hours_are_found_though_the_account_refuses_them(
    kind: str,
) -> None:
    it = metered()
    kwh = it.energy["heat_total"] * np.where(from_day(DAYS - 8), 1000.0, 1.0)
    it = changed(it, heat_total=kwh)
    it.channel = {"heat_total": {"kind": kind}}
    finding = found_in(it)["unit-slip"]
    assert finding.since == day(DAYS - 8)
    assert "faster than the system can" in finding.what


@pytest.mark.parametrize(
    ("role", "factor"), [("heat_total", 3.6), ("heat_total", 0.1), ("elec_unit", 1 / 3.6)]
)
def test_a_unit_that_was_wrong_from_the_start_is_known_by_size_and_weather(
    role: str, factor: float
) -> None:
    it = metered()
    it.site = {"heat_loss_kw": 5.5}
    finding = found_in(changed(it, **{role: it.energy[role] * factor}))["unit-slip"]
    assert finding.figures[0].value == pytest.approx(factor)
    assert {r.value for r in finding.roles} == {role}


def test_hot_water_by_an_immersion_heater_on_the_same_meter_is_no_wrong_unit() -> None:
    it = metered(colder_k=-20.0)
    rng = np.random.default_rng(5)
    it.pump = {"immersion_heater": True}
    heats = np.where(hours(DAYS) == 5, rng.uniform(1.0, 9.0, DAYS * 24), 0.0)
    unit = it.energy.pop("elec_unit")
    it = changed(it, heat_total=it.energy["heat_total"] * 0.3, elec_total=unit + heats)
    assert found_in(it) == {}


def test_a_backup_heater_that_took_over_is_no_wrong_unit() -> None:
    it = metered()
    it.pump = {"backup_heater": True}
    late = from_day(DAYS - 14)
    heat, used = it.energy["heat_total"], it.energy.pop("elec_unit")
    it.channel = {"heat_total": {"counts": ["backup"]}}
    it = changed(it, elec_total=np.where(late, STANDBY_KW + heat, used))
    assert "unit-slip" not in found_in(it)


# What a meter counts.


def test_a_household_behind_the_unit_s_meter_is_known_by_its_evenings() -> None:
    # In summer the unit rests but for the hot water.
    it = metered(colder_k=-20.0)
    hour, rng = hours(DAYS), np.random.default_rng(3)
    house = np.where((hour >= 17) & (hour < 23), 0.45, 0.14) * rng.uniform(0.7, 1.3, DAYS * 24)
    finding = found_in(changed(it, elec_unit=it.energy["elec_unit"] + house))["meter-counts-house"]
    told = {f.name: f.value for f in finding.figures}
    assert told["at night"] == pytest.approx(0.14 + STANDBY_KW, rel=0.1)
    assert told["in the evening"] > 1.3 * told["at night"]


def test_a_pump_that_never_stops_and_a_crankcase_heater_are_no_household() -> None:
    it = metered()
    colder_at_night = 0.1 + 0.03 * np.cos((hours(DAYS) - 3) / 24 * 2 * np.pi)
    assert found_in(changed(it, elec_unit=it.energy["elec_unit"] + colder_at_night)) == {}


def backed_up(*, passes: bool, stated: bool) -> Metered:
    it = metered(60, colder_k=4.0)
    rng = np.random.default_rng(11)
    cold = (it.state["outdoor_temp"] < 1.0) & (it.energy["heat_total"] > 0)
    backup = np.where(cold & (rng.random(60 * 24) < 0.5), 2.0, 0.0)
    it.energy["elec_backup"] = backup
    it.pump = {"backup_heater": True}
    if passes:
        it.energy["heat_total"] = it.energy["heat_total"] + backup
    if stated:
        it.channel = {"heat_total": {"counts": ["backup"]}}
    return it


@pytest.mark.parametrize("passes", [True, False])
def test_backup_heat_is_where_the_site_file_says_or_that_is_told(passes: bool) -> None:
    assert found_in(backed_up(passes=passes, stated=passes)) == {}
    finding = found_in(backed_up(passes=passes, stated=not passes))["boundary-differs"]
    told = {f.name: f.value for f in finding.figures}
    assert told["heat for each kWh of the heater"] == pytest.approx(float(passes), abs=0.1)


def test_a_meter_of_the_whole_that_shows_less_than_its_parts_names_the_one_outside() -> None:
    it = metered()
    unit = it.energy["elec_unit"]
    pumps = np.where(it.energy["heat_total"] > 0, 0.12, 0.0)
    it.pump = {"pumps_apart": True}
    for total, kinds in ((unit + pumps, set()), (unit, {"boundary-differs"})):
        whole = changed(it, elec_pumps=pumps, elec_total=total)
        found = found_in(whole)
        assert set(found) == kinds
    assert "'elec_pumps'" in found["boundary-differs"].what
