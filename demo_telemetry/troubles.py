"""Troubles of a home by name, each at three strengths, as the simulation lives them.

A trouble changes the home as built, what goes wrong in it, or what drives it. Troubles of
meters change nothing here: they are in `demo_telemetry.meter_troubles`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from demo_telemetry.faults import Course, Flags, course
from demo_telemetry.homes import Home
from demo_telemetry.simulate import Driving, design_curve
from demo_telemetry.span import HEATING_LIMIT_C, Span, day_before, local_clock
from demo_telemetry.weather import Floats

Strength = Literal["weak", "middle", "strong"]

STRENGTHS: tuple[Strength, ...] = ("weak", "middle", "strong")


@dataclass(frozen=True)
class Sizes:
    """How large a trouble is at each strength, and what the figure means.

    Attributes
    ----------
    weak
        May be near what cannot be told.
    middle
        What a visit finds and puts right.
    strong
        What a household complains of.
    """

    weak: float
    middle: float
    strong: float
    says: str

    def at(self, strength: Strength) -> float:
        """Give the size of a strength."""
        return {"weak": self.weak, "middle": self.middle, "strong": self.strong}[strength]


#: Sizes by trade sense. Common practice, no source.
SIZES: dict[str, Sizes] = {
    # Operation.
    "flow-above-curve": Sizes(4, 8, 12, "The flow runs so many K above the design curve."),
    "no-weather-compensation": Sizes(
        0.5, 0.8, 1.0, "Share of the way from the design curve to one fixed flow temperature."
    ),
    "setback-recovery": Sizes(
        4, 8, 12, "For three hours after a night set-back of 5 K the flow is so many K hotter."
    ),
    "short-cycling": Sizes(
        0.65, 0.45, 0.3, "Share of the usual water in a circuit that an oversized unit heats."
    ),
    "low-flow": Sizes(0.6, 0.45, 0.33, "Share of the flow of heating water that is left."),
    "high-flow": Sizes(1.6, 2.2, 3.0, "The flow of heating water is so many times the right one."),
    "pump-always-on": Sizes(0.025, 0.045, 0.08, "Power of the pump that never stops, kW."),
    "backup-beside-unit": Sizes(
        0, 3, 7, "The backup heater joins in below so many degC outside whenever the flow lags."
    ),
    "immersion-runs": Sizes(2, 6, 24, "Hours of each day in which the immersion heater is on."),
    "hot-water-share": Sizes(1.6, 2.5, 4, "Times the hot water that the promise allows for."),
    "hot-water-reheats": Sizes(3.5, 2, 1, "K by which the cylinder cools before it is reheated."),
    "hot-water-set-point": Sizes(55, 60, 65, "Set point of the cylinder, degC."),
    "pasteurisation-often": Sizes(3, 7, 14, "Pasteurisations a week, where one was planned."),
    "pasteurisation-none": Sizes(
        49, 46, 44, "Set point of a cylinder, degC, that is never made hotter."
    ),
    "standby-high": Sizes(0.06, 0.12, 0.2, "Power on top of the controls' own at any time, kW."),
    "defrost-often": Sizes(2, 3, 4, "The evaporator frosts so many times as fast."),
    "summer-heating": Sizes(
        2, 3, 5, "Heating is never off; in summer rooms are wanted so many K, the flow 3 x so many "
        "K hotter than planned."
    ),
    # The unit.
    "efficiency-step": Sizes(0.06, 0.12, 0.2, "Share of the efficiency lost at a date."),
    "efficiency-drift": Sizes(0.08, 0.15, 0.25, "Share of the efficiency lost evenly in a year."),
    "capacity-short": Sizes(
        0.7, 0.55, 0.45, "Share of its heat that the unit still gives below 2 degC outside."
    ),
    "below-test-points": Sizes(0.08, 0.15, 0.22, "Share by which the COP is below its test."),
    # The promise.
    "house-cold": Sizes(17, 16, 15, "Room target, degC, where 20.5 degC was asked for."),
    "comfort-above-terms": Sizes(23, 24, 25, "Room target, degC, where 20.5 degC was stated."),
    "heat-loss-above-design": Sizes(1.25, 1.5, 1.8, "Times the heat loss of the design."),
    "weather-colder": Sizes(2, 3, 4, "K by which the year is colder than the reference climate."),
    "coverage-lost": Sizes(0.15, 0.3, 0.5, "Share of the readings that is lost."),
    # Meters.
    "electricity-without-heat": Sizes(3, 8, 20, "Days in which the heat meter counts nothing."),
    "heat-without-electricity": Sizes(
        3, 8, 20, "Days in which the electricity meter counts nothing."
    ),
    "flow-return-swapped": Sizes(
        0, 1, 1, "Flow and return sensors are swapped; 1: the heat meter's too, which then stops."
    ),
    "unit-slip": Sizes(3.6, 10, 1000, "One meter's energy is so many times too large or small."),
    "heat-meter-low": Sizes(0.08, 0.15, 0.25, "Share that the heat meter reads too little."),
    "heat-meter-high": Sizes(0.08, 0.15, 0.25, "Share that the heat meter reads too much."),
    "clock-lag": Sizes(1, 2, 6, "Hours by which the heat meter's clock is ahead."),
    "register-stuck": Sizes(1.5, 4, 12, "Days in which a register stands still, then catches up."),
    "register-jumps": Sizes(1, 3, 8, "How often a register jumps within two months."),
    "register-saturated": Sizes(
        0.9, 0.75, 0.5, "A power sample is never above this share of the largest true one."
    ),
    "meter-counts-house": Sizes(
        0.15, 0.25, 0.4, "Mean power of the household behind the same electricity meter, kW."
    ),
    "boundary-differs": Sizes(
        0, 3, 7, "A backup heater, which the heat meter counts unstated, runs below so many degC."
    ),
}  # fmt: skip

#: Those that are there from commissioning on; the others begin at a date.
FROM_THE_START = frozenset(
    {
        "short-cycling", "below-test-points", "heat-loss-above-design", "weather-colder",
        "coverage-lost", "meter-counts-house", "boundary-differs", "register-saturated",
    }
)  # fmt: skip


@dataclass(frozen=True)
class Living:
    """A home with everything that the loop takes.

    Attributes
    ----------
    home, span
        As built, and the time.
    course, drive
        One value a step.
    begin
        Step at which the trouble begins.
    """

    home: Home
    span: Span
    course: Course
    drive: Driving
    begin: int

    @property
    def steps(self) -> int:
        """Number of steps."""
        return self.span.steps

    @property
    def after(self) -> Flags:
        """True from the beginning of the trouble on."""
        return np.arange(self.steps) >= self.begin

    def from_then(self, value: float, otherwise: float) -> Floats:
        """Give `value` from the beginning of the trouble on, and `otherwise` before."""
        out: Floats = np.where(self.after, value, otherwise)
        return out


Change = Callable[[Living, float], Living]


def sound(home: Home, span: Span, drive: Driving) -> Living:
    """Give a home without trouble."""
    return Living(home, span, course(None, span.steps), drive, span.steps)


def with_trouble(living: Living, kind: str, size: float, begin: int) -> Living:
    """Give a home a trouble from a step on.

    Parameters
    ----------
    living
        The home without it.
    kind, size
        Key of `SIZES`, and a size as it is meant there. A trouble of meters changes nothing.
    begin
        Step at which it begins; of no matter to those of `FROM_THE_START`.
    """
    begin = 0 if kind in FROM_THE_START else begin
    there = replace(living, begin=begin)
    return _CHANGES[kind](there, size) if kind in _CHANGES else there


def _course(living: Living, **changed: object) -> Living:
    return replace(living, course=replace(living.course, **changed))  # type: ignore[arg-type]


def _drive(living: Living, **changed: object) -> Living:
    return replace(living, drive=replace(living.drive, **changed))  # type: ignore[arg-type]


def _flow(living: Living, size: float) -> Living:
    return _course(living, curve_shift_k=living.from_then(size, 0.0))


def _fixed_flow(living: Living, size: float) -> Living:
    home = living.home
    curve = design_curve(home.plant, home.house, living.drive.outdoor_c)
    # Fixed where it still heats the house in a usual winter.
    shift = size * (home.plant.design_flow_c - 3.0 - curve)
    return _course(living, curve_shift_k=np.where(living.after, shift, 0.0))


def _setback(living: Living, size: float) -> Living:
    hour, _ = local_clock(living.home, living.span)
    night = ((hour >= 22.0) | (hour < 6.0)) & living.after
    room = np.where(night, living.home.house.room_c - 5.0, living.drive.room_c)
    hurry = (hour >= 6.0) & (hour < 9.0) & living.after
    return _drive(_course(living, curve_shift_k=np.where(hurry, size, 0.0)), room_c=room)


def _cycling(living: Living, size: float) -> Living:
    return _course(
        living, water_share=size, least_load=2.0 - size, band_k=1.0 + 2.0 * size, least_rest=1
    )


def _circulation(living: Living, size: float) -> Living:
    share = living.from_then(size, 1.0)
    # A pump at a higher speed takes more; a clogged filter spares nothing.
    return _course(living, circulation=share, pump_share=np.maximum(share, 1.0) ** 2)


def _pump(living: Living, size: float) -> Living:
    plant = living.home.plant
    plant = replace(plant, unit=replace(plant.unit, pump_kw=size))
    living = replace(living, home=replace(living.home, plant=plant))
    return _course(living, pump_always=living.after)


def _backup(living: Living, size: float) -> Living:
    return _course(living, backup_on=living.after, backup_below_c=size)


def _immersion(living: Living, size: float) -> Living:
    hour, _ = local_clock(living.home, living.span)
    # A timer starts it before the household gets up.
    on = ((hour - 4.0) % 24.0 < size) & living.after
    return _course(living, immersion_on=on)


def _hot_water(living: Living, size: float) -> Living:
    return _drive(living, draw_kwh=living.drive.draw_kwh * living.from_then(size, 1.0))


def _reheats(living: Living, size: float) -> Living:
    share = size / living.home.plant.dhw_drop_k
    return _course(living, dhw_drop_share=living.from_then(share, 1.0))


def _set_point(living: Living, size: float) -> Living:
    return _course(living, dhw_shift_k=living.from_then(size - living.home.plant.dhw_c, 0.0))


def _often(living: Living, size: float) -> Living:
    hour, weekday = local_clock(living.home, living.span)
    days = {1, 3, 7} if size < 7 else set(range(1, 8))
    early = (hour >= 1.5) & (hour < 5.0)
    if size > 7:
        early |= (hour >= 13.0) & (hour < 16.5)
    also = early & np.isin(weekday, list(days)) & living.after
    return _drive(living, pasteurise=living.drive.pasteurise | also)


def _never(living: Living, size: float) -> Living:
    living = _drive(living, pasteurise=living.drive.pasteurise & ~living.after)
    return _set_point(living, size)


def _standby(living: Living, size: float) -> Living:
    return _course(living, standby_kw=living.from_then(size, 0.0))


def _frosting(living: Living, size: float) -> Living:
    return _course(living, frosting=living.from_then(size, 1.0))


def _summer(living: Living, size: float) -> Living:
    on = living.after & ~living.drive.heating
    room = np.where(on, living.home.house.room_c + size, living.drive.room_c)
    shift = np.where(on, 3.0 * size, 0.0)
    living = _course(living, curve_shift_k=shift)
    return _drive(living, heating=living.drive.heating | living.after, room_c=room)


def _step_down(living: Living, size: float) -> Living:
    return _course(living, efficiency=living.from_then(1.0 - size, 1.0))


def _drift(living: Living, size: float) -> Living:
    years = np.maximum(np.arange(living.steps) - living.begin, 0) / (365.25 * 288.0)
    return _course(living, efficiency=1.0 - size * years)


def _capacity(living: Living, size: float) -> Living:
    cold = np.clip((8.0 - living.drive.outdoor_c) / 6.0, 0.0, 1.0)
    return _course(living, capacity=np.where(living.after, 1.0 - (1.0 - size) * cold, 1.0))


def _room(living: Living, size: float) -> Living:
    # A change of the wish keeps the set-back.
    shift = size - living.home.house.room_c
    room = living.drive.room_c + living.from_then(shift, 0.0)
    return _drive(_course(living, airing_c=max(23.5, size + 2.0)), room_c=room)


def _heat_loss(living: Living, size: float) -> Living:
    house = living.home.house
    house = replace(house, heat_loss_kw=house.heat_loss_kw * size)
    return replace(living, home=replace(living.home, house=house))


def _colder(living: Living, size: float) -> Living:
    outdoor = living.drive.outdoor_c - size
    air = living.home.plant.unit.source == "air"
    return _drive(
        living,
        outdoor_c=outdoor,
        source_c=outdoor if air else living.drive.source_c,
        heating=(day_before(outdoor) < HEATING_LIMIT_C) & living.home.heating,
    )


_CHANGES: dict[str, Change] = {
    "flow-above-curve": _flow,
    "no-weather-compensation": _fixed_flow,
    "setback-recovery": _setback,
    "short-cycling": _cycling,
    "low-flow": _circulation,
    "high-flow": _circulation,
    "pump-always-on": _pump,
    "backup-beside-unit": _backup,
    "immersion-runs": _immersion,
    "hot-water-share": _hot_water,
    "hot-water-reheats": _reheats,
    "hot-water-set-point": _set_point,
    "pasteurisation-often": _often,
    "pasteurisation-none": _never,
    "standby-high": _standby,
    "defrost-often": _frosting,
    "summer-heating": _summer,
    "efficiency-step": _step_down,
    "efficiency-drift": _drift,
    "capacity-short": _capacity,
    "below-test-points": _step_down,
    "house-cold": _room,
    "comfort-above-terms": _room,
    "heat-loss-above-design": _heat_loss,
    "weather-colder": _colder,
    "boundary-differs": _backup,
}
