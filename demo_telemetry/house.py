"""Houses and households: what a home loses, gains, wants and draws."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_telemetry.weather import STEP_H, Floats

#: Heat that one litre of water holds, kWh/(l K).
WATER_KWH_L_K = 1.163e-3

_MIXED_C = 40.0
_DRAW_L = 11.0
# Share of a day's hot water by hour of day: common practice, no source.
_BY_HOUR = np.array(
    [1, 0, 0, 0, 0, 2, 9, 14, 10, 5, 4, 4, 5, 4, 3, 3, 4, 6, 8, 9, 8, 6, 4, 2], dtype=float
)


@dataclass(frozen=True)
class House:
    """A building and its household.

    Attributes
    ----------
    heat_loss_kw, design_outdoor_c
        Loss at 21 degC inside and the design outdoor temperature.
    capacity_h
        Time constant of the whole building, hours.
    solar_m2
        Pane area that lets the sun in.
    emitter_exponent
        1.3 for radiators, 1.1 for underfloor heating.
    emitter_kwh_k
        Water and metal of the heating circuit, kWh/K, for each kW of heat loss.
    room_c, setback_k, setback
        Room target, its reduction at night, and the local hours (from, to) of it.
    people, litres_each
        Hot water at 40 degC is `people` x `litres_each` a day.
    colder_k
        How much colder the site lies than the region.
    """

    heat_loss_kw: float
    design_outdoor_c: float = -3.0
    capacity_h: float = 45.0
    solar_m2: float = 7.0
    emitter_exponent: float = 1.3
    emitter_kwh_k: float = 0.026
    room_c: float = 20.5
    setback_k: float = 1.0
    setback: tuple[float, float] = (22.5, 5.5)
    people: int = 3
    litres_each: float = 38.0
    colder_k: float = 0.0

    @property
    def loss_kw_k(self) -> float:
        """Heat loss coefficient, kW/K."""
        return self.heat_loss_kw / (21.0 - self.design_outdoor_c)


def room_target(house: House, local_hour: Floats) -> Floats:
    """Give the room target of every step, degC."""
    begin, finish = house.setback
    if begin > finish:
        low = (local_hour >= begin) | (local_hour < finish)
    else:
        low = (local_hour >= begin) & (local_hour < finish)
    return np.where(low, house.room_c - house.setback_k, house.room_c)


def hot_water_draws(
    house: House, rng: np.random.Generator, local_hour: Floats, cold_c: Floats
) -> Floats:
    """Give the heat that the household draws in every step, kWh."""
    litres = house.people * house.litres_each
    share = _BY_HOUR / _BY_HOUR.sum()
    rate = litres / _DRAW_L * share[local_hour.astype(int)] * STEP_H
    draws = rng.poisson(rate)
    volume = np.where(draws > 0, rng.gamma(np.maximum(draws, 1) * 2.0, _DRAW_L / 2.0), 0.0)
    heat: Floats = volume * WATER_KWH_L_K * (_MIXED_C - cold_c)
    return heat


def inner_gains(house: House, rng: np.random.Generator, local_hour: Floats) -> Floats:
    """Give the heat of people and appliances in every step, kW."""
    awake = np.where((local_hour >= 6.5) & (local_hour < 23.0), 1.0, 0.45)
    noise = rng.uniform(0.8, 1.2, local_hour.shape[0])
    gains: Floats = (0.28 + 0.09 * house.people) * awake * noise
    return gains
