"""From a home of the catalogue and a span of dates to what happened there."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zlib import crc32
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from demo_telemetry.faults import course
from demo_telemetry.homes import Home
from demo_telemetry.house import hot_water_draws, inner_gains, room_target
from demo_telemetry.meters import Stamps
from demo_telemetry.simulate import Driving, simulate
from demo_telemetry.weather import STEP_S, Floats, Weather, make_weather

#: Space heating is released while the mean of the last day stays below this.
HEATING_LIMIT_C = 15.5


@dataclass(frozen=True)
class Span:
    """The time for which a home has data.

    Attributes
    ----------
    first, end
        Local dates: data run from midnight of `first` to midnight of `end`.
    begin_s, finish_s
        The same in seconds since the epoch.
    """

    first: date
    end: date
    begin_s: int
    finish_s: int

    @property
    def steps(self) -> int:
        """Number of 5-minute steps."""
        return (self.finish_s - self.begin_s) // STEP_S

    @property
    def grid(self) -> Stamps:
        """Times of the step edges, seconds since the epoch, of length steps + 1."""
        return self.begin_s + STEP_S * np.arange(self.steps + 1, dtype=np.int64)


def add_months(day: date, months: int) -> date:
    """Move a date by whole months, to the month's last day where there is no such day."""
    count = day.year * 12 + day.month - 1 + months
    year, month = divmod(count, 12)
    following = date(year + (month == 11), (month + 1) % 12 + 1, 1)
    return min(date(year, month + 1, 1) + timedelta(days=day.day - 1), following - timedelta(1))


def midnight_s(day: date, zone: str) -> int:
    """Give the start of a local day in seconds since the epoch."""
    return int(datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(zone)).timestamp())


def span_of(home: Home, end: date, months: int) -> Span:
    """Give the time for which a home has data."""
    first = add_months(end, -months)
    if home.last_days is not None:
        first = max(first, end - timedelta(days=home.last_days))
    return Span(first, end, midnight_s(first, home.zone), midnight_s(end, home.zone))


def region_weather(end: date, months: int, seed: int) -> Weather:
    """Give the weather that all homes share, with a day to spare at both ends."""
    first = add_months(end, -months) - timedelta(days=1)
    start = datetime(first.year, first.month, first.day, tzinfo=UTC)
    days = (end - first).days + 1
    return make_weather(seed, start, days * 288)


def home_rng(home_id: str, seed: int, purpose: int) -> np.random.Generator:
    """Give a generator that depends on nothing but the home, the seed and the purpose."""
    return np.random.default_rng([seed, crc32(home_id.encode()), purpose])


def local_clock(home: Home, span: Span) -> tuple[Floats, Stamps]:
    """Give the local hour of the day and the weekday (1 is Monday) of every step."""
    stamps = pl.Series(span.grid[:-1]).cast(pl.Int64) * 1_000_000
    local = stamps.cast(pl.Datetime("us", "UTC")).dt.convert_time_zone(home.zone)
    minutes = local.dt.hour().cast(pl.Int64) * 60 + local.dt.minute().cast(pl.Int64)
    hour: Floats = minutes.to_numpy() / 60.0
    return hour, local.dt.weekday().cast(pl.Int64).to_numpy()


def day_before(values: Floats) -> Floats:
    """Mean of the 24 h up to and with each step."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    index = np.arange(len(values)) + 1
    before = np.maximum(index - 288, 0)
    mean: Floats = (total[index] - total[before]) / (index - before)
    return mean


def drive_home(home: Home, span: Span, weather: Weather, seed: int) -> Driving:
    """Give what drives a home's simulation."""
    rng = home_rng(home.id, seed, 1)
    skip = (span.begin_s - int(weather.start.timestamp())) // STEP_S
    part = slice(skip, skip + span.steps)
    house = home.house
    hour, weekday = local_clock(home, span)
    outdoor = weather.outdoor_c[part] - house.colder_k
    mean = day_before(weather.outdoor_c - house.colder_k)[part]
    source: Floats = outdoor if home.plant.unit.source == "air" else weather.ground_c[part]
    return Driving(
        outdoor_c=outdoor,
        source_c=source,
        solar_kw=weather.solar_kw_m2[part] * house.solar_m2 * 0.5,
        gains_kw=inner_gains(house, rng, hour),
        room_c=room_target(house, hour),
        draw_kwh=hot_water_draws(house, rng, hour, weather.cold_water_c[part]),
        heating=(mean < HEATING_LIMIT_C) & home.heating,
        pasteurise=(weekday == 7) & (hour >= 1.5) & (hour < 5.0),
    )


def run_home(home: Home, span: Span, weather: Weather, seed: int) -> dict[str, Floats]:
    """Simulate a home; see `demo_telemetry.simulate.BOOKED` for the names.

    Where the distribution pump is fed from the unit, its electricity is booked there.
    `source_temp` and `outdoor_temp` are added, one value a step.
    """
    drive = drive_home(home, span, weather, seed)
    booked = simulate(home.house, home.plant, course(home.trouble, span.steps), drive)
    if not home.plant.pumps_apart:
        booked["unit"] = booked["unit"] + booked["pumps"]
        booked["pumps"] = np.zeros(span.steps)
    booked["outdoor_temp"] = drive.outdoor_c
    booked["source_temp"] = drive.source_c
    return booked
