"""Simulated site-years with causes that the outlook cannot know.

The physics is that of the demo's homes; house, household, unit, settings, climate,
troubles and changes of habit are drawn at random, a year for each seed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
import numpy.typing as npt

from demo_telemetry.catalogue import AIR_5, AIR_8, AIR_12, GROUND_8, LOW_6, LOW_14
from demo_telemetry.faults import Kind, Trouble, course
from demo_telemetry.homes import Home, Promise
from demo_telemetry.house import House, hot_water_draws
from demo_telemetry.simulate import Driving, Plant, simulate
from demo_telemetry.span import Span, drive_home, region_weather, span_of
from demo_telemetry.weather import Weather, autoregressive

Floats = npt.NDArray[np.float64]

#: How much the site's climate, a year and a month stray from the region's normal, K.
#: The outlook is told neither; common practice, no source.
SITE_SPREAD_K = 1.0
YEAR_SPREAD_K = 0.6
MONTH_SPREAD_K = 0.9

ENERGIES = ("space", "dhw", "backup", "immersion", "unit", "source", "pumps")
MEANS = ("flow_temp", "outdoor_temp", "source_temp")


@dataclass(frozen=True)
class SiteYear:
    """A home, and what is true of its year.

    Attributes
    ----------
    home
        Its house, plant and trouble.
    room_shift_k, water_factor, habits_from
        Change of the room target and of the hot water drawn, and from which share of
        the year on.
    outages
        Share of the year lost, mean length in hours, and whether registers bridge it.
    """

    seed: int
    home: Home
    first: date
    end: date
    year_k: float
    room_shift_k: float
    water_factor: float
    habits_from: float
    has_dhw_meter: bool
    has_flow: bool
    says_curve: bool
    stated_loss_kw: float
    lost_share: float
    lost_hours: float
    registers: bool


def _trouble(rng: np.random.Generator, plant: Plant) -> Trouble | None:
    """Draw a trouble: about a third of the homes have one that begins in the year."""
    if rng.random() > 0.42:
        return None
    kinds = [Kind.FLOW_TEMPERATURE, Kind.FLOW_TEMPERATURE, Kind.DRIFT, Kind.DRIFT, Kind.CYCLING]
    kinds += [Kind.BACKUP] * (plant.backup_kw > 0) + [Kind.IMMERSION] * (plant.immersion_kw > 0)
    kind = kinds[rng.integers(len(kinds))]
    since = 0.0 if rng.random() < 0.2 else rng.uniform(0.0, 1.0)
    size = rng.uniform(5.0, 15.0) if kind is Kind.FLOW_TEMPERATURE else rng.uniform(0.02, 0.07)
    return Trouble(kind, "", float(size), float(since))


def draw(seed: int) -> SiteYear:
    """Draw the site-year of a seed."""
    rng = np.random.default_rng([seed, 4711])
    unit = [AIR_5, AIR_8, AIR_8, AIR_12, LOW_6, LOW_14, GROUND_8][rng.integers(7)]
    unit = replace(unit, efficiency=unit.efficiency * rng.uniform(0.85, 1.08))
    loss = unit.nominal_kw * rng.uniform(0.6, 1.0)
    floor_heating = rng.random() < 0.3
    house = House(
        heat_loss_kw=loss,
        capacity_h=rng.uniform(25.0, 80.0),
        solar_m2=rng.uniform(3.0, 12.0),
        emitter_exponent=1.1 if floor_heating else 1.3,
        emitter_kwh_k=0.05 if floor_heating else 0.026,
        room_c=rng.uniform(18.8, 22.0),
        setback_k=rng.uniform(0.0, 3.0),
        people=int(rng.integers(1, 6)),
        litres_each=rng.uniform(25.0, 50.0),
        colder_k=float(rng.normal(0.0, SITE_SPREAD_K)),
    )
    plant = Plant(
        unit,
        design_flow_c=rng.uniform(34.0, 40.0) if floor_heating else rng.uniform(38.0, 54.0),
        flow_at_15_c=rng.uniform(24.0, 31.0),
        backup_kw=3.0 if rng.random() < 0.35 else 0.0,
        immersion_kw=3.0 if rng.random() < 0.35 else 0.0,
        dhw_c=rng.uniform(45.0, 54.0),
    )
    home = Home(
        f"home-{seed}", "", "", "", "", "", "", "", house, plant, (), (),
        Promise(3.0, "H4"), price=0.0, zone="Europe/London", trouble=_trouble(rng, plant),
    )  # fmt: skip
    month = int(rng.integers(12))
    end = date(2027 + (month == 11), (month + 1) % 12 + 1, 1)
    return SiteYear(
        seed=seed,
        home=home,
        first=end.replace(year=end.year - 1),
        end=end,
        year_k=float(rng.normal(0.0, YEAR_SPREAD_K)),
        room_shift_k=float(rng.normal(0.0, 1.0)) if rng.random() < 0.25 else 0.0,
        water_factor=float(rng.uniform(0.6, 1.6)) if rng.random() < 0.25 else 1.0,
        habits_from=rng.uniform(0.1, 0.9),
        has_dhw_meter=bool(rng.random() < 0.3),
        has_flow=bool(rng.random() < 0.6),
        says_curve=bool(rng.random() < 0.7),
        stated_loss_kw=float(loss * np.exp(rng.normal(0.0, 0.15))),
        lost_share=float(rng.choice([0.005, 0.02, 0.06, 0.12])),
        lost_hours=float(rng.choice([6.0, 60.0, 240.0])),
        registers=bool(rng.random() < 0.5),
    )


def _weather(year: SiteYear) -> Weather:
    weather = region_weather(year.end, 12, year.seed)
    steps = weather.outdoor_c.shape[0]
    rng = np.random.default_rng([year.seed, 4712])
    days = steps // 288 + 2
    spell = autoregressive(rng, days, 30.0, MONTH_SPREAD_K)
    shift = year.year_k + np.interp(np.arange(steps) / 288.0, np.arange(days), spell)
    return replace(weather, outdoor_c=weather.outdoor_c + shift)


def _drive(year: SiteYear, span: Span, weather: Weather) -> Driving:
    """What drives the home, with its household's change of habits."""
    drive = drive_home(year.home, span, weather, year.seed)
    change = int(year.habits_from * span.steps)
    room = drive.room_c.copy()
    room[change:] += year.room_shift_k
    draw_kwh = drive.draw_kwh
    if year.water_factor != 1.0:
        hour = (span.grid[:-1] % 86_400) / 3600.0
        house = year.home.house
        other = replace(house, litres_each=house.litres_each * year.water_factor)
        skip = (span.begin_s - int(weather.start.timestamp())) // 300
        cold = weather.cold_water_c[skip : skip + span.steps]
        rng = np.random.default_rng([year.seed, 4713])
        draw_kwh = np.where(
            np.arange(span.steps) >= change, hot_water_draws(other, rng, hour, cold), draw_kwh
        )
    return replace(drive, room_c=room, draw_kwh=draw_kwh)


def hourly(year: SiteYear, cache: Path) -> dict[str, Floats]:
    """True hourly energies (kWh) and mean temperatures (degC) of a site-year, kept on disk."""
    path = cache / f"{year.seed}.npz"
    if path.exists():
        with np.load(path) as kept:
            return {name: kept[name].astype(np.float64) for name in kept.files}
    span = span_of(year.home, year.end, 12)
    drive = _drive(year, span, _weather(year))
    booked = simulate(
        year.home.house, year.home.plant, course(year.home.trouble, span.steps), drive
    )
    booked["outdoor_temp"] = drive.outdoor_c
    booked["source_temp"] = drive.source_c
    out = {name: booked[name].reshape(-1, 12).sum(axis=1) for name in ENERGIES}
    out |= {name: booked[name].reshape(-1, 12).mean(axis=1) for name in MEANS}
    cache.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(f".{np.random.default_rng().integers(1 << 40)}.npz")
    np.savez_compressed(part, **{k: v.astype(np.float32) for k, v in out.items()})
    part.replace(path)
    return out
