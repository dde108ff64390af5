"""Weather of an invented cool maritime place, at the steps of the simulation."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STEP_S = 300
STEP_H = STEP_S / 3600.0

_MEAN_C = 9.6
_SEASON_K = 5.4
_COLDEST_DAY = 24.0
_LATITUDE_RAD = np.radians(54.5)


@dataclass(frozen=True)
class Weather:
    """One region's weather; all arrays have one value a step.

    Attributes
    ----------
    start
        UTC time of the first step.
    outdoor_c
        Outdoor air, degC.
    solar_kw_m2
        Sun on a steep south-facing pane, kW/m2.
    ground_c
        Brine that comes back from a borehole field at rest, degC.
    cold_water_c
        Mains water, degC.
    """

    start: datetime
    outdoor_c: Floats
    solar_kw_m2: Floats
    ground_c: Floats
    cold_water_c: Floats


def monthly_normals() -> tuple[float, ...]:
    """Mean outdoor temperature of each month, January first, degC, to a tenth."""
    day = np.arange(365) + 0.5
    month = np.searchsorted(np.cumsum([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]), day)
    cycle = _MEAN_C - _SEASON_K * np.cos(2.0 * np.pi * (day - _COLDEST_DAY) / 365.0)
    return tuple(round(float(cycle[month == m].mean()), 1) for m in range(12))


def autoregressive(rng: np.random.Generator, n: int, memory: float, sd: float) -> Floats:
    """Give `n` values of a first-order process with standard deviation `sd`.

    `memory` is the number of values after which the correlation has fallen to 1/e.
    """
    keep = float(np.exp(-1.0 / memory))
    shocks = (rng.standard_normal(n) * sd * np.sqrt(1.0 - keep * keep)).tolist()
    out = [0.0] * n
    last = float(rng.standard_normal()) * sd
    for i, shock in enumerate(shocks):
        last = keep * last + shock
        out[i] = last
    return np.asarray(out)


def make_weather(seed: int, start: datetime, steps: int) -> Weather:
    """Make the region's weather.

    Parameters
    ----------
    seed
        Of the fleet; the same seed, start and number of steps give the same weather.
    start
        Aware time of the first step.
    steps
        Number of 5-minute steps.
    """
    rng = np.random.default_rng([seed, 90125])
    start = start.astimezone(UTC)
    hours = steps // 12 + 2
    synoptic = autoregressive(rng, hours, 60.0, 2.7)
    clear = np.clip(0.42 + autoregressive(rng, hours, 14.0, 0.22), 0.08, 0.85)

    new_year = datetime(start.year, 1, 1, tzinfo=UTC)
    day0 = (start - new_year).total_seconds() / 86400.0
    day = day0 + np.arange(steps) * (STEP_S / 86400.0)
    at_hour = np.arange(steps) / 12.0
    grid = np.arange(hours)
    season = np.cos(2.0 * np.pi * (day - _COLDEST_DAY) / 365.25)
    sky = np.interp(at_hour, grid, clear)
    # Clear winter spells are cold, clear summer days warm: the sky moves the mean too.
    swing = (1.2 + 3.6 * sky) * (1.0 - 0.45 * season)
    diurnal = swing * np.cos(2.0 * np.pi * (day - 14.5 / 24.0))
    outdoor = (
        _MEAN_C
        - _SEASON_K * season
        + np.interp(at_hour, grid, synoptic)
        - 2.5 * (sky - 0.42) * season
        + diurnal
    )

    declination = np.radians(-23.44) * np.cos(2.0 * np.pi * (day + 10.0) / 365.25)
    hour_angle = 2.0 * np.pi * (day - 0.5)
    sin_height = np.sin(_LATITUDE_RAD) * np.sin(declination) + np.cos(_LATITUDE_RAD) * np.cos(
        declination
    ) * np.cos(hour_angle)
    height = np.arcsin(np.clip(sin_height, -1.0, 1.0))
    facing = np.clip(np.cos(hour_angle), 0.0, 1.0)
    solar = np.where(sin_height > 0.0, sky * (0.25 + 0.55 * facing * np.cos(height)), 0.0)

    lag = np.cos(2.0 * np.pi * (day - _COLDEST_DAY - 45.0) / 365.25)
    return Weather(
        start=start,
        outdoor_c=outdoor,
        solar_kw_m2=np.clip(solar, 0.0, None) * 0.9,
        ground_c=8.6 - 2.6 * lag,
        cold_water_c=10.5 - 4.0 * lag,
    )
