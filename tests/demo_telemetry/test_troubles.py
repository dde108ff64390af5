"""Troubles by name do what their sentence says, the more the stronger they are."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from functools import cache

import numpy as np
import pytest

from demo_telemetry.catalogue import AIR_8, LOW_14
from demo_telemetry.homes import Home, Promise
from demo_telemetry.house import House
from demo_telemetry.meter_troubles import (
    dead,
    frozen,
    household,
    jumps,
    other_unit,
    scaled,
    tops_out,
)
from demo_telemetry.simulate import Plant, design_curve, simulate
from demo_telemetry.span import Span, drive_home, midnight_s, region_weather
from demo_telemetry.troubles import FROM_THE_START, SIZES, STRENGTHS, Living, sound, with_trouble

Booked = dict[str, np.ndarray]

HOME = Home(
    "trial", "", "", "", "", "", "", "", House(6.5), Plant(
        AIR_8, backup_kw=3.0, immersion_kw=3.0
    ), (), (), Promise(3.0, "H4"), price=0.26,
)  # fmt: skip
BEGIN = 3 * 288
WINTER = (date(2026, 1, 12), date(2026, 2, 2))
SUMMER = (date(2026, 6, 8), date(2026, 6, 29))


@cache
def _sound(season: tuple[date, date], unit: str = "") -> Living:
    plant = HOME.plant if not unit else replace(HOME.plant, unit=LOW_14)
    home = replace(HOME, plant=plant)
    first, end = season
    span = Span(first, end, midnight_s(first, home.zone), midnight_s(end, home.zone))
    return sound(home, span, drive_home(home, span, region_weather(end, 1, 7), 7))


def _run(there: Living) -> Booked:
    booked = simulate(there.home.house, there.home.plant, there.course, there.drive)
    return booked | {"outdoor": there.drive.outdoor_c}


@cache
def _lived(kind: str, strength: str, season: tuple[date, date], unit: str = "") -> Booked:
    plain = _sound(season, unit)
    if strength == "none":
        return _run(plain)
    return _run(with_trouble(plain, kind, SIZES[kind].at(strength), BEGIN))  # type: ignore[arg-type]


def _used(b: Booked) -> float:
    parts = ("unit", "source", "backup", "immersion", "pumps")
    return float(sum(b[part].sum() for part in parts))


def _spread(b: Booked) -> float:
    on = b["space"] > 0.02
    return float((b["flow_temp"] - b["return_temp"])[on].mean())


def _flow(b: Booked) -> float:
    return float(b["flow_temp"][b["space"] > 0.02].mean())


def _slope(b: Booked) -> float:
    on = (b["space"] > 0.02) & (np.arange(b["space"].shape[0]) >= BEGIN)
    return -float(np.polyfit(b["outdoor"][on], b["flow_temp"][on], 1)[0])


def _mornings(b: Booked) -> float:
    hour = np.arange(b["space"].shape[0]) // 12 % 24
    here = (hour == 8) & (b["space"] > 0.02) & (np.arange(hour.shape[0]) >= BEGIN)
    # On cold mornings the unit gives all it can and the flow gets no hotter.
    return float(np.quantile(b["flow_temp"][here], 0.95))


def _nights(b: Booked) -> int:
    return int(np.count_nonzero((b["dhw_temp"][1:] >= 59.5) & (b["dhw_temp"][:-1] < 59.5)))


def _reheats(b: Booked) -> int:
    on = b["dhw"] > 0
    return int(np.count_nonzero(on[1:] & ~on[:-1]))


#: What grows with the strength of each trouble of the house and its system.
GROWS: dict[str, Callable[[Booked], float]] = {
    "flow-above-curve": _flow,
    "no-weather-compensation": lambda b: -_slope(b),
    "setback-recovery": _mornings,
    "short-cycling": lambda b: b["starts"].sum(),
    "low-flow": _spread,
    "high-flow": lambda b: -_spread(b),
    "pump-always-on": lambda b: b["pumps"][b["space"] + b["dhw"] == 0.0].sum(),
    "backup-beside-unit": lambda b: b["backup"].sum(),
    "boundary-differs": lambda b: b["backup"].sum(),
    "immersion-runs": lambda b: b["immersion"].sum(),
    "hot-water-share": lambda b: b["dhw"].sum(),
    "hot-water-reheats": _reheats,
    "hot-water-set-point": lambda b: np.median(b["dhw_temp"]),
    "pasteurisation-often": _nights,
    "pasteurisation-none": lambda b: -b["dhw_temp"][5 * 288 :].max(),
    "standby-high": _used,
    "defrost-often": lambda b: b["defrost"].sum(),
    "summer-heating": lambda b: b["space"].sum(),
    "efficiency-step": _used,
    "efficiency-drift": _used,
    "capacity-short": lambda b: -b["space"][BEGIN:][b["outdoor"][BEGIN:] < 2.0].max(),
    "below-test-points": _used,
    "house-cold": lambda b: -b["room_temp"].mean(),
    "comfort-above-terms": lambda b: b["room_temp"].mean(),
    "heat-loss-above-design": lambda b: b["space"].sum(),
    "weather-colder": lambda b: -b["outdoor"].mean(),
}

OF_METERS = {
    "electricity-without-heat", "heat-without-electricity", "flow-return-swapped", "unit-slip",
    "heat-meter-low", "heat-meter-high", "clock-lag", "register-stuck", "register-jumps",
    "register-saturated", "meter-counts-house", "coverage-lost",
}  # fmt: skip


@pytest.mark.parametrize("kind", GROWS)
def test_a_trouble_is_felt_the_more_the_stronger_it_is(kind: str) -> None:
    season = SUMMER if kind == "summer-heating" else WINTER
    unit = "large" if kind == "short-cycling" else ""
    felt = [GROWS[kind](_lived(kind, s, season, unit)) for s in ("none", *STRENGTHS)]
    assert felt == sorted(felt)
    assert len(set(felt)) == 4


def test_every_trouble_has_three_sizes_and_a_sentence() -> None:
    assert set(SIZES) == set(GROWS) | OF_METERS
    for kind, sizes in SIZES.items():
        assert sizes.says.endswith("."), kind
    assert set(SIZES) >= FROM_THE_START


def test_before_it_begins_a_home_in_trouble_is_the_sound_home() -> None:
    plain, bad = (_lived("efficiency-step", s, WINTER) for s in ("none", "strong"))
    assert np.array_equal(plain["unit"][:BEGIN], bad["unit"][:BEGIN])
    assert not np.array_equal(plain["unit"][BEGIN:], bad["unit"][BEGIN:])


def test_a_trouble_of_meters_changes_nothing_in_the_house() -> None:
    plain = _sound(WINTER)
    for kind in OF_METERS:
        there = with_trouble(plain, kind, SIZES[kind].middle, 288)
        assert there.course is plain.course
        assert there.drive is plain.drive


def test_a_fixed_flow_keeps_to_one_temperature() -> None:
    there = with_trouble(_sound(WINTER), "no-weather-compensation", 1.0, 0)
    curve = design_curve(HOME.plant, HOME.house, there.drive.outdoor_c)
    assert np.ptp(curve + there.course.curve_shift_k) < 1e-9


def test_a_dead_meter_counts_nothing_for_good_and_a_frozen_register_catches_up() -> None:
    energy = np.full(100, 0.5)
    assert dead(energy, 20, 60).sum() == pytest.approx(30.0)
    shown = np.cumsum(energy)
    stuck = frozen(shown, 20, 60)
    assert np.all(stuck[20:60] == shown[20])
    assert stuck[-1] == shown[-1]


def test_a_register_in_another_unit_leaps_and_a_scaled_meter_does_not() -> None:
    shown = 1000.0 + np.arange(100.0)
    assert np.diff(other_unit(shown, 50, 10.0))[49] > 9000.0
    assert scaled(np.ones(100), 50, 10.0).sum() == pytest.approx(550.0)
    assert np.diff(jumps(shown, [30], [500.0]))[29] == pytest.approx(501.0)
    assert tops_out(shown, 1040.0).max() == 1040.0


def test_a_household_uses_most_in_the_evening_and_never_nothing() -> None:
    hour = np.arange(60 * 288) / 12 % 24
    kwh = household(np.random.default_rng(3), hour, 0.3)
    assert kwh.mean() * 12 == pytest.approx(0.3, rel=0.1)
    by_hour = kwh.reshape(60, 24, 12).mean(axis=(0, 2))
    assert by_hour[18:21].mean() > 1.5 * by_hour[1:5].mean()
    assert kwh.min() > 0.0
