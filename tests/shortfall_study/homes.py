"""Simulated site-years with one or two planted causes of a shortfall, and what each costs.

The physics is that of the demo's homes. The promise is the true SPF of the same home
without trouble in a year of the reference climate, as a careful designer would find it:
up to a few per cent, and rounded. What each cause costs is found by simulating the year
again without it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt

from demo_telemetry.catalogue import AIR_5, AIR_8, AIR_12, GROUND_8, LOW_6, LOW_14
from demo_telemetry.faults import Course, Kind, Trouble, course
from demo_telemetry.homes import Home, Promise
from demo_telemetry.house import House
from demo_telemetry.simulate import Plant, simulate
from demo_telemetry.span import Span, drive_home, region_weather, span_of
from demo_telemetry.weather import Weather, autoregressive
from monitor.metrics.shapley import shapley
from tests.calibration.run import REGION

Floats = npt.NDArray[np.float64]

ENERGIES = ("space", "dhw", "backup", "immersion", "unit", "source", "pumps")
MEANS = ("flow_temp", "return_temp", "flow_rate", "room_temp", "outdoor_temp", "source_temp")

#: What can be planted; the words are those of the product's causes.
PLANTED = (
    "weather",
    "flow_temperature",
    "hot_water",
    "backup_and_immersion",
    "backup_and_immersion",
    "standby_cycling_pumps",
    "unit",
    "metering",
)

#: Spread of the designer's figure about the true one, relative. Common practice, no source.
DESIGN_SD = 0.02


@dataclass(frozen=True)
class Case:
    """A home and what is planted in its year.

    Attributes
    ----------
    planted
        One or two causes; the first was drawn from all kinds in turn.
    size
        Of each: K, factor, share or kW, as the cause has it.
    since
        Share of the year after which the unit's trouble begins.
    heater
        Which resistive heater is left on.
    cycles
        Whether standby trouble is short cycling with a pump that never stops.
    """

    seed: int
    home: Home
    first: date
    end: date
    planted: tuple[str, ...]
    size: dict[str, float]
    since: float
    heater: Kind
    cycles: bool
    has_dhw_meter: bool
    has_water_sensors: bool
    says_water: bool
    design_error: float
    lost_share: float


def draw(seed: int) -> Case:
    """Draw the case of a seed; kinds take turns."""
    rng = np.random.default_rng([seed, 8120])
    kind = seed % len(PLANTED)
    planted = [PLANTED[kind]]
    if rng.random() < 0.3:
        planted.append(PLANTED[rng.integers(len(PLANTED))])
    planted = list(dict.fromkeys(planted))
    heater = Kind.BACKUP if kind == 3 else Kind.IMMERSION
    unit = [AIR_5, AIR_8, AIR_8, AIR_12, LOW_6, LOW_14, GROUND_8][rng.integers(7)]
    unit = replace(unit, efficiency=unit.efficiency * rng.uniform(0.85, 1.08))
    floor = rng.random() < 0.3
    house = House(
        heat_loss_kw=unit.nominal_kw * rng.uniform(0.6, 1.0),
        capacity_h=rng.uniform(25.0, 80.0),
        solar_m2=rng.uniform(3.0, 12.0),
        emitter_exponent=1.1 if floor else 1.3,
        emitter_kwh_k=0.05 if floor else 0.026,
        room_c=rng.uniform(19.5, 21.5),
        setback_k=rng.uniform(0.0, 2.0),
        people=int(rng.integers(2, 5)),
        litres_each=rng.uniform(30.0, 42.0),
    )
    needs = "backup_and_immersion" in planted
    plant = Plant(
        unit,
        design_flow_c=rng.uniform(34.0, 40.0) if floor else rng.uniform(38.0, 50.0),
        flow_at_15_c=rng.uniform(25.0, 30.0),
        backup_kw=3.0 if rng.random() < 0.2 or (needs and heater is Kind.BACKUP) else 0.0,
        immersion_kw=3.0 if rng.random() < 0.2 or (needs and heater is Kind.IMMERSION) else 0.0,
        dhw_c=rng.uniform(46.0, 52.0),
    )
    home = Home(
        f"home-{seed}", "", "", "", "", "", "", "", house, plant, (), (),
        Promise(3.0, "H4"), price=0.0, zone="Europe/London",
    )  # fmt: skip
    month = int(rng.integers(12))
    end = date(2027 + (month == 11), (month + 1) % 12 + 1, 1)
    return Case(
        seed=seed,
        home=home,
        first=end.replace(year=end.year - 1),
        end=end,
        planted=tuple(planted),
        size={
            "weather": float(rng.uniform(2.0, 4.0)),
            "flow_temperature": float(rng.uniform(5.0, 15.0)),
            "hot_water": float(rng.uniform(2.5, 5.0)),
            "backup_and_immersion": 1.0,
            "standby_cycling_pumps": float(rng.uniform(0.05, 0.15)),
            "unit": float(rng.uniform(0.06, 0.20)),
            "metering": float(rng.uniform(0.06, 0.20)),
        },
        since=float(rng.uniform(0.0, 0.6)),
        heater=heater,
        cycles=bool(rng.random() < 0.5),
        has_dhw_meter=bool(rng.random() < 0.4),
        has_water_sensors=bool(rng.random() < (0.8 if "metering" in planted else 0.5)),
        says_water=bool(rng.random() < 0.8),
        design_error=float(rng.normal(0.0, DESIGN_SD)),
        lost_share=float(rng.choice([0.0, 0.01, 0.04])),
    )


def span(case: Case) -> Span:
    """The year's span."""
    return span_of(case.home, case.end, 12)


def _weather(case: Case, *, reference: bool) -> Weather:
    """The year's weather, or the same days moved month by month to the reference means."""
    weather = region_weather(case.end, 12, case.seed)
    steps = weather.outdoor_c.shape[0]
    at = weather.start.timestamp() + 300.0 * np.arange(steps)
    month = at.astype("datetime64[s]").astype("datetime64[M]")
    if reference:
        shift = np.zeros(steps)
        for each in np.unique(month):
            here = month == each
            normal = REGION[int(each.astype(int)) % 12]
            shift[here] = normal - weather.outdoor_c[here].mean()
    else:
        rng = np.random.default_rng([case.seed, 8121])
        days = steps // 288 + 2
        spell = autoregressive(rng, days, 30.0, 0.9)
        year_k = rng.normal(0.0, 0.6)
        if "weather" in case.planted:
            year_k = -case.size["weather"]
        shift = year_k + np.interp(np.arange(steps) / 288.0, np.arange(days), spell)
    return replace(weather, outdoor_c=weather.outdoor_c + shift)


def _course(case: Case, active: frozenset[str], steps: int) -> Course:
    plain = course(None, steps)
    if "standby_cycling_pumps" in active and case.cycles:
        plain = course(Trouble(Kind.CYCLING, ""), steps)
    begin = int(case.since * steps)
    efficiency = np.ones(steps)
    if "unit" in active:
        efficiency[begin:] = 1.0 - case.size["unit"]
    left_on = np.full(steps, "backup_and_immersion" in active)
    return replace(
        plain,
        curve_shift_k=np.full(
            steps, case.size["flow_temperature"] if "flow_temperature" in active else 0.0
        ),
        efficiency=efficiency,
        backup_on=left_on & (case.heater is Kind.BACKUP),
        immersion_on=left_on & (case.heater is Kind.IMMERSION),
    )


def hourly(case: Case, active: frozenset[str], cache: Path) -> dict[str, Floats]:
    """True hourly energies (kWh) and means of a year with the causes named, kept on disk.

    Without "weather" among them it is a year of the reference climate.
    """
    path = cache / f"{case.seed}-{'-'.join(sorted(active - {'metering'})) or 'none'}.npz"
    if not path.exists():
        home, plant = case.home, case.home.plant
        house = home.house
        if "hot_water" in active:
            house = replace(house, litres_each=house.litres_each * case.size["hot_water"])
        if "standby_cycling_pumps" in active and not case.cycles:
            unit = plant.unit
            more = unit.controls_kw + case.size["standby_cycling_pumps"]
            plant = replace(plant, unit=replace(unit, controls_kw=more))
        year = span(case)
        weather = _weather(case, reference="weather" not in active)
        drive = drive_home(replace(home, house=house), year, weather, case.seed)
        booked = simulate(house, plant, _course(case, active, year.steps), drive)
        booked["outdoor_temp"], booked["source_temp"] = drive.outdoor_c, drive.source_c
        out = {name: booked[name].reshape(-1, 12).sum(axis=1) for name in ENERGIES}
        out |= {name: booked[name].reshape(-1, 12).mean(axis=1) for name in MEANS}
        cache.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(".part.npz")
        np.savez_compressed(part, **{k: v.astype(np.float32) for k, v in out.items()})
        part.replace(path)
    with np.load(path) as kept:
        return {name: kept[name].astype(np.float64) for name in kept.files}


def heat_factor(case: Case, active: frozenset[str]) -> float:
    """Indicated over true heat, apart from what the meter's class allows."""
    return 1.0 - case.size["metering"] if "metering" in active else 1.0


def spf(case: Case, active: frozenset[str], cache: Path) -> float:
    """SPF at boundary H4 as the meters show it when they err by nothing else."""
    true = {name: float(v.sum()) for name, v in hourly(case, active, cache).items()}
    resistive = true["backup"] + true["immersion"]
    heat = heat_factor(case, active) * (true["space"] + true["dhw"]) + resistive
    return heat / (true["unit"] + true["source"] + true["pumps"] + resistive)


@dataclass(frozen=True)
class Truth:
    """What is true of a case.

    Attributes
    ----------
    promise
        As signed.
    cost
        SPF that each cause costs; a promise off the true design figure is the unit's.
    """

    promise: float
    cost: dict[str, float]

    @property
    def biggest(self) -> str:
        """The cause that costs most."""
        return max(self.cost, key=lambda cause: self.cost[cause])


def truth(case: Case, cache: Path) -> Truth:
    """Simulate the case without each of its causes."""
    sound = spf(case, frozenset(), cache)
    promise = round(sound * float(np.exp(case.design_error)) * 20.0) / 20.0
    players = [cause for cause in case.planted if cause != "weather"]
    worth = np.array(
        [
            spf(
                case,
                frozenset({"weather", *(p for i, p in enumerate(players) if mask >> i & 1)}),
                cache,
            )
            for mask in range(1 << len(players))
        ]
    )
    cost = dict(zip(players, (float(v) for v in -shapley(worth)), strict=True))
    cost["weather"] = sound - float(worth[0])
    cost["unit"] = cost.get("unit", 0.0) + promise - sound
    return Truth(promise, cost)


def begins(case: Case) -> datetime:
    """UTC time of the first hour."""
    return datetime.fromtimestamp(span(case).begin_s, UTC)
