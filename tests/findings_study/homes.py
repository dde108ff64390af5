"""Draws the homes of the study and simulates their years, kept on disk.

The physics is that of the demo's homes. A home of a seed is the same for each kind of
trouble, but for what a kind needs so that it can be (an immersion heater, say).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from datetime import date, timedelta
from hashlib import sha256
from os import getpid
from pathlib import Path

import numpy as np
import numpy.typing as npt

from demo_telemetry import heat_pump
from demo_telemetry import simulate as loop
from demo_telemetry.catalogue import AIR_5, AIR_8, AIR_12, GROUND_8, LOW_6, LOW_14
from demo_telemetry.homes import Home, Promise
from demo_telemetry.house import House
from demo_telemetry.simulate import Plant
from demo_telemetry.span import Span, drive_home, midnight_s, region_weather
from demo_telemetry.troubles import SIZES, Living, Strength, sound, with_trouble
from demo_telemetry.weather import Weather, autoregressive, monthly_normals
from tests.findings_study.kinds import KINDS, trouble_of

Floats = npt.NDArray[np.float64]

#: What is kept of a simulated year.
ENERGIES = ("space", "dhw", "backup", "immersion", "unit", "source", "pumps")
STATES = (
    "flow_temp", "return_temp", "flow_rate", "room_temp", "dhw_temp", "outdoor_temp", "source_temp",
)  # fmt: skip

#: What is kept is in whole steps, so that it takes little room: kWh, m3/h and K.
_STEPS = {
    **dict.fromkeys(ENERGIES, 1e-6),
    **dict.fromkeys(STATES, 0.005),
    "flow_rate": 1e-4,
}

#: How much hotter the flow is designed in the house that is wanted warm, K.
WARM_DESIGN_K = 3.0

#: Room that was asked for where the terms say so, degC.
ASKED_C = 20.5


@dataclass(frozen=True)
class Case:
    """A home, its year and what is planted in it.

    Attributes
    ----------
    begin_day
        Day of the year's data on which the trouble begins.
    size
        As in `demo_telemetry.troubles.SIZES`; 0 for a healthy home.
    year_k
        How much the year is warmer than the reference climate.
    """

    kind: str
    strength: Strength
    seed: int
    home: Home
    first: date
    begin_day: int
    size: float
    year_k: float

    @property
    def needs(self) -> frozenset[str]:
        """What the kind asks of the home and its meters."""
        return KINDS[self.kind].needs

    @property
    def span(self) -> Span:
        """A year from midnight to midnight."""
        end = self.first.replace(year=self.first.year + 1)
        zone = self.home.zone
        return Span(self.first, end, midnight_s(self.first, zone), midnight_s(end, zone))

    @property
    def begin_step(self) -> int:
        """Step at which the trouble begins."""
        zone = self.home.zone
        begins = midnight_s(self.first + timedelta(days=self.begin_day), zone)
        return (begins - self.span.begin_s) // 300


def _year(kind: str, rng: np.random.Generator) -> tuple[date, int]:
    """First day of the data, and the day on which the trouble begins."""
    season = KINDS[kind].season
    month, late, share = int(rng.integers(8, 11)), rng.random(), rng.random()
    if season == "start":
        # Commissioned at any time of the year.
        return date(2025, int(1 + 12 * late), int(1 + 28 * share)), 0
    first = date(2025, month, int(1 + 28 * late))
    window = {
        "winter": (date(2025, 11, 15), date(2026, 1, 25)),
        "summer": (date(2026, 5, 15), date(2026, 6, 10)),
        "any": (first + timedelta(days=45), first + timedelta(days=290)),
    }[season]
    days = (window[1] - window[0]).days
    return first, (window[0] - first).days + int(share * days)


def draw(kind: str, strength: Strength, seed: int) -> Case:
    """Draw a case: the home by its seed, adapted to what the kind needs."""
    needs = KINDS[kind].needs
    rng = np.random.default_rng([seed, 7710])
    number = int(rng.integers(7))
    unit = (AIR_5, AIR_8, AIR_8, AIR_12, LOW_6, LOW_14, GROUND_8)[number]
    if "air" in needs and unit.source != "air":
        unit = AIR_8
    if kind == "underfloor-ground":
        unit = GROUND_8
    unit = replace(unit, efficiency=unit.efficiency * rng.uniform(0.9, 1.06))
    loss = unit.nominal_kw * rng.uniform(0.62, 0.95)
    if "oversized" in needs:
        loss = unit.nominal_kw * rng.uniform(0.42, 0.52)
    if "tight" in needs:
        loss = unit.nominal_kw * rng.uniform(0.8, 0.92)
    floor = rng.random() < 0.25 or kind == "underfloor-ground"
    setback = float(rng.choice([0.0, 1.0, 1.5]))
    house = House(
        heat_loss_kw=loss,
        capacity_h=rng.uniform(30.0, 75.0),
        solar_m2=rng.uniform(4.0, 10.0),
        emitter_exponent=1.1 if floor else 1.3,
        emitter_kwh_k=0.05 if floor else 0.026,
        room_c=rng.uniform(19.8, 20.8),
        setback_k=2.0 if kind == "mild-setback" else setback,
        people=int(rng.integers(2, 5)),
        litres_each=rng.uniform(32.0, 42.0),
        colder_k=float(rng.normal(0.0, 0.8)),
    )
    if kind == "summer-heating":
        # Where it is always cold there is no summer to heat in.
        house = replace(house, colder_k=min(house.colder_k, 0.0))
    plant = Plant(
        unit,
        design_flow_c=rng.uniform(34.0, 39.0) if floor else rng.uniform(39.0, 48.0),
        flow_at_15_c=rng.uniform(25.0, 29.0),
        backup_kw=3.0 if rng.random() < 0.25 or "backup" in needs else 0.0,
        immersion_kw=3.0 if rng.random() < 0.25 or "immersion" in needs else 0.0,
        pumps_apart=bool(rng.random() < 0.7 or "pumps" in needs),
        cylinder_l=float(rng.choice([180.0, 210.0, 250.0])),
        dhw_c=rng.uniform(47.5, 51.0),
    )
    if kind == "large-family":
        house = replace(house, people=6, litres_each=50.0)
        plant = replace(plant, cylinder_l=300.0)
    if kind == "warm-house":
        house = replace(house, room_c=22.5, setback_k=0.0)
    if kind == "pump-always-on":
        plant = replace(plant, unit=replace(unit, pump_kw=SIZES[kind].at(strength)))
    # Whether the heat of an inline heater passes the heat meter: where only the whole is
    # metered it must, or nothing could be promised.
    counts = "total" in needs or bool(rng.random() < 0.3)
    if kind == "boundary-differs":
        counts = False
    plant = replace(plant, heat_meter_counts_backup=counts)
    home = Home(
        f"home-{seed}", "", "", "", "", "", "", "", house, plant, (), (),
        Promise(3.0, "H4"), price=0.26, zone="Europe/London",
    )  # fmt: skip
    first, begin_day = _year(kind, rng)
    trouble = trouble_of(kind)
    return Case(
        kind=kind,
        strength=strength,
        seed=seed,
        home=home,
        first=first,
        begin_day=begin_day,
        size=SIZES[trouble].at(strength) if trouble else 0.0,
        year_k=float(rng.normal(0.0, 0.5)),
    )


def normals(case: Case) -> tuple[float, ...]:
    """Reference climate of the place: published monthly means, degC."""
    return tuple(round(mean - case.home.house.colder_k, 1) for mean in monthly_normals())


def seasonal(means: tuple[float, ...], day_of_year: Floats) -> Floats:
    """Temperature of a climate on days of the year, between the middles of its months."""
    middles = (np.arange(-1, 13) + 0.5) * 365.25 / 12.0
    return np.interp(day_of_year, middles, [means[11], *means, means[0]])


def _usual(weather: Weather) -> Weather:
    """The same days about the reference climate: means of 31 days are its own."""
    days = weather.outdoor_c.shape[0] // 288
    daily = weather.outdoor_c[: days * 288].reshape(days, 288).mean(axis=1)
    first = weather.start.timetuple().tm_yday
    normal = seasonal(monthly_normals(), (first - 0.5 + np.arange(days)) % 365.25)
    window = np.ones(31)
    off = np.convolve(daily - normal, window, "same") / np.convolve(np.ones(days), window, "same")
    steps = np.arange(weather.outdoor_c.shape[0]) / 288.0
    return replace(
        weather, outdoor_c=weather.outdoor_c - np.interp(steps, np.arange(days) + 0.5, off)
    )


def _weather(case: Case) -> Weather:
    span = case.span
    weather = region_weather(span.end, 12, case.seed)
    rng = np.random.default_rng([case.seed, 7711])
    steps = weather.outdoor_c.shape[0]
    days = steps // 288 + 2
    shift = case.year_k + np.interp(
        np.arange(steps) / 288.0, np.arange(days), autoregressive(rng, days, 30.0, 0.7)
    )
    if case.kind == "cold-winter":
        at = weather.start.timestamp() + 300.0 * np.arange(steps)
        month = at.astype("datetime64[s]").astype("datetime64[M]").astype(int) % 12
        shift = shift - np.where(np.isin(month, [10, 11, 0, 1, 2]), 2.5, 0.0)
    return replace(weather, outdoor_c=weather.outdoor_c + shift)


def living(case: Case, *, troubled: bool, throughout: bool = False) -> Living:
    """The home with all that drives it, with its trouble (perhaps all year) or without."""
    span = case.span
    weather = _weather(case)
    if case.kind == "weather-colder" and not troubled:
        # Without the trouble the year is that of the climate, not a year of its own.
        weather = _usual(weather)
    drive = drive_home(case.home, span, weather, case.seed)
    there = sound(case.home, span, drive)
    if case.kind == "warm-house":
        # Designed for it: a hotter curve, and nobody airs the warmth away.
        hotter = np.full(span.steps, WARM_DESIGN_K)
        course = replace(there.course, airing_c=25.0, curve_shift_k=hotter)
        there = replace(there, course=course)
    if case.kind == "holiday":
        rng = np.random.default_rng([case.seed, 7712])
        away = np.zeros(span.steps, dtype=bool)
        for day in rng.integers(20, 330, 2):
            away[day * 288 : (day + int(rng.integers(14, 22))) * 288] = True
        drive = replace(
            drive,
            draw_kwh=np.where(away, 0.0, drive.draw_kwh),
            room_c=np.where(away, 16.0, drive.room_c),
            gains_kw=np.where(away, 0.12, drive.gains_kw),
        )
        there = replace(there, drive=drive)
    trouble = trouble_of(case.kind)
    if trouble is None or not troubled:
        return there
    return with_trouble(there, trouble, case.size, 0 if throughout else case.begin_step)


def _name(there: Living) -> str:
    """Name of what was simulated: changes whenever anything that drives the loop does."""
    told = sha256(repr((there.home.house, there.home.plant, _STEPS)).encode())
    for part in (heat_pump, loop):
        told.update(Path(str(part.__file__)).read_bytes())
    for record in (there.course, there.drive):
        for field in fields(record):
            told.update(np.ascontiguousarray(getattr(record, field.name)).tobytes())
    return told.hexdigest()[:24]


def simulated(
    case: Case, cache: Path, *, troubled: bool, throughout: bool = False
) -> dict[str, Floats]:
    """Energies (kWh a step) and states of a case's year, with its trouble or without."""
    there = living(case, troubled=troubled, throughout=throughout)
    path = cache / f"{_name(there)}.npz"
    if not path.exists():
        booked = loop.simulate(there.home.house, there.home.plant, there.course, there.drive)
        if not there.home.plant.pumps_apart:
            booked["unit"] = booked["unit"] + booked["pumps"]
            booked["pumps"] = np.zeros(there.steps)
        booked["outdoor_temp"] = there.drive.outdoor_c
        booked["source_temp"] = there.drive.source_c
        cache.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(f".{getpid()}.npz")
        whole = {
            name: np.round(booked[name] / step).astype(np.int32) for name, step in _STEPS.items()
        }
        np.savez_compressed(part, allow_pickle=False, **whole)
        part.replace(path)
    with np.load(path) as kept:
        return {name: kept[name] * step for name, step in _STEPS.items()}
