"""What a home's meters are, what they show, and what the site file says of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import numpy as np
import numpy.typing as npt

from demo_telemetry.heat_pump import capacity_factor, cop
from demo_telemetry.meter_troubles import (
    dead,
    frozen,
    household,
    jumps,
    other_unit,
    scaled,
    tops_out,
)
from demo_telemetry.meters import floor_to, lost, random_outages
from demo_telemetry.span import local_clock
from monitor.metrics.water import heat_coefficient_kwh_per_m3k
from monitor.models import Site
from tests.findings_study.homes import ASKED_C, WARM_DESIGN_K, Case, normals

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

#: Heat coefficient by which the simulation turns heat into flow.
SIMULATED_KWH_M3_K = 1.163

#: Meter errors, relative: real meters keep well within their class.
HEAT_ERROR = 0.02
ELECTRICITY_ERROR = 0.008

#: Offsets of sensors, and of flow and return against each other, K.
SENSOR_K = 0.12
PAIR_K = 0.06

#: Electricity of one defrost in the simulation, kWh for each kW of nominal heat.
DEFROST_KWH_KW = 0.2 / 12.0

#: Share of the tested COP that sound homes of the simulation reach on average, because of
#: starts and part loads.
STARTS = {"air": 0.95, "brine": 0.99}

_HEAT_PARTS = {
    "heat_total": ("space", "dhw"),
    "heat_space": ("space",),
    "heat_dhw": ("dhw",),
}


@dataclass(frozen=True)
class Line:
    """One channel: what it counts and how it shows it.

    Attributes
    ----------
    kind
        `register`, `power` or `state`.
    counts
        What the site file says it counts; None leaves that out.
    step
        Smallest step of what is shown, kWh, W, degC or m3/h.
    """

    role: str
    kind: str
    parts: tuple[str, ...]
    step: float
    counts: tuple[str, ...] | None = None


@dataclass(frozen=True)
class Metering:
    """How a home is metered.

    Attributes
    ----------
    every
        Steps of five minutes between readings.
    error
        Relative error of the heat and of the electricity meters.
    """

    lines: tuple[Line, ...]
    every: int
    boundary: str
    error: dict[str, float]
    lost_share: float
    says: dict[str, Any] = field(default_factory=dict)


def _layout(case: Case, rng: np.random.Generator) -> tuple[bool, bool, bool]:
    """Whether water sensors, other sensors, and readings every five minutes are there."""
    chance = rng.random()
    water, sensors = chance < 0.7, chance < 0.88
    fine = bool(rng.random() < 0.9)
    if case.needs & {"water", "flow", "dhw_temp", "room", "total", "fine", "power"}:
        sensors, fine = True, True
    if "water" in case.needs:
        water = True
    if case.kind == "coarse-hourly":
        water = sensors = fine = False
    if case.kind == "coarse-15min":
        fine = False
    return water, sensors, fine


def metering(case: Case) -> Metering:
    """Draw how a case is metered."""
    rng = np.random.default_rng([case.seed, 7720])
    plant, needs = case.home.plant, case.needs
    water, sensors, fine = _layout(case, rng)
    hourly = case.kind == "coarse-hourly"
    heat_step = 1.0 if hourly else float(rng.choice([0.1, 0.1, 0.01]))
    elec_step = 1.0 if hourly else float(rng.choice([0.1, 0.01, 0.001]))
    if "fine" in needs:
        heat_step, elec_step = min(heat_step, 0.1), min(elec_step, 0.01)
    pumps = ("pumps",) if plant.pumps_apart else ()
    below = ("unit", "source")

    # Heat: one register, one with hot water apart, or two that add up.
    backup = ("backup",) if plant.backup_kw and plant.heat_meter_counts_backup else ()
    split = rng.random()
    names = ("heat_total",) if split < 0.35 else ("heat_total", "heat_dhw")
    if split > 0.85 and not backup:
        names = ("heat_space", "heat_dhw")
    if "dhw_meter" in needs and len(names) == 1:
        names = ("heat_total", "heat_dhw")
    really_backup = ("backup",) if case.kind == "boundary-differs" else backup
    lines = [
        Line(
            name,
            "register",
            _HEAT_PARTS[name] + (really_backup if name != "heat_dhw" else ()),
            heat_step,
            backup if backup and name != "heat_dhw" else None,
        )
        for name in names
    ]

    # Electricity: the whole, the whole but for resistive heaters, or each consumer by itself.
    scheme = rng.random()
    heaters = [
        n for n, kw in (("backup", plant.backup_kw), ("immersion", plant.immersion_kw)) if kw
    ]
    boundary = "H4"
    if "total" in needs:
        inside = ("backup",) if plant.backup_kw else ()
        counted = (*below, *inside, *pumps)
        lines.append(Line("elec_total", "register", counted, elec_step, counted))
        heaters = [n for n in heaters if n not in inside]
    elif scheme < 0.35 and "power" not in needs:
        counted = (*below, *pumps)
        lines.append(Line("elec_total", "register", counted, elec_step, counted))
    else:
        kind = "power" if "power" in needs or (scheme > 0.9 and fine) else "register"
        step = 1.0 if kind == "power" else elec_step
        if plant.unit.source == "brine":
            lines.append(Line("elec_unit", kind, ("unit",), step, ("unit",)))
            lines.append(Line("elec_source", "register", ("source",), elec_step))
        else:
            lines.append(Line("elec_unit", kind, below, step, below))
        if pumps and (scheme < 0.75 or "pumps" in needs):
            lines.append(Line("elec_pumps", "register", pumps, elec_step))
        elif pumps:
            boundary = "H2"
    lines += [Line(f"elec_{name}", "register", (name,), elec_step) for name in heaters]

    roles: list[str] = ["outdoor_temp"]
    if sensors:
        roles += ["flow_temp", "room_temp", "dhw_temp"]
        if plant.unit.source == "brine":
            roles.append("source_temp")
    if water:
        roles += ["return_temp", "flow_rate"]
    lines += [Line(role, "state", (role,), 0.001 if role == "flow_rate" else 0.1) for role in roles]
    share = {"gaps": 0.2, "coverage-lost": case.size}.get(
        case.kind, float(rng.choice([0, 0.004, 0.02]))
    )
    return Metering(
        lines=tuple(lines),
        every=12 if hourly else 1 if fine else 3,
        boundary=boundary,
        error={
            "heat": rng.uniform(-HEAT_ERROR, HEAT_ERROR),
            "elec": rng.uniform(-ELECTRICITY_ERROR, ELECTRICITY_ERROR),
        },
        lost_share=share,
        says={
            "water": bool(rng.random() < 0.8) or "says_water" in needs,
            "room": bool(rng.random() < 0.7) or "room" in needs,
            "tests": bool(rng.random() < 0.5) or "test_point" in needs,
            "water_error": float(np.exp(rng.normal(0.0, 0.08))),
            "night_price": bool(rng.random() < 0.3),
        },
    )


def test_points(case: Case) -> list[dict[str, float]]:
    """COPs of the unit as a careful designer takes them: as tested, at working conditions.

    Fan, controls and defrosting are in them, as in a test by EN 14511 (from memory), and so
    is what starts and part loads cost.
    """
    unit = case.home.plant.unit
    out = []
    for source, flow in ((-7.0, 35.0), (2.0, 35.0), (2.0, 45.0), (7.0, 35.0), (7.0, 50.0)):
        air = unit.source == "air"
        at = source if air else 0.5 * source + 1.5
        load = 0.9 if source < 0 else 0.6
        heat = load * unit.nominal_kw * capacity_factor(unit.source, at)
        used = heat / cop(flow, at, load, unit.efficiency)
        used += unit.fan_kw * (0.35 + 0.65 * load) + unit.controls_kw
        frosting = max(1.0 - abs(source - 1.0) / 8.0, 0.15) if air and source < 5.0 else 0.0
        used += DEFROST_KWH_KW * unit.nominal_kw * frosting * load
        reached = STARTS[unit.source] * heat / used
        out.append({"source_c": at, "flow_c": flow, "cop": round(reached, 2)})
    return out


def describe(case: Case, meters: Metering, promise: float, water_kwh_day: float) -> Site:
    """Give the site file of a case."""
    plant, house = case.home.plant, case.home.house
    fitted = (case.first - timedelta(days=20)).isoformat() + "T12:00:00"
    groups: dict[str, list[Line]] = {}
    for line in meters.lines:
        key = "heat" if line.role.startswith("heat") else line.role
        groups.setdefault("sensors" if line.kind == "state" else key, []).append(line)
    expects: dict[str, Any] = {}
    if meters.says["water"]:
        expects["hot_water_kwh_day"] = round(water_kwh_day * meters.says["water_error"], 1)
    if meters.says["room"]:
        # A household that wants it warmer said so when it signed.
        expects["room_c"] = max(ASKED_C, round(house.room_c, 1))
    if meters.says["tests"]:
        expects["test_point"] = test_points(case)
    hotter = WARM_DESIGN_K if case.kind == "warm-house" else 0.0
    tariff: dict[str, Any] = {
        "valid_from": case.first - timedelta(days=30),
        "price_per_kwh": 0.26,
        "standing_per_day": 0.5,
    }
    if meters.says["night_price"]:
        tariff["band"] = [{"start": "00:30", "end": "05:00", "price_per_kwh": 0.14}]
    return Site.model_validate(
        {
            "id": case.home.id,
            "name": case.home.id,
            "zone": case.home.zone,
            "commissioned": case.first,
            "heat_loss_kw": round(house.heat_loss_kw, 1),
            "heat_pump": {
                "source": plant.unit.source,
                "nominal_heat_kw": plant.unit.nominal_kw,
                "source_drive": "apart" if plant.unit.source == "brine" else "in_unit",
                "backup_heater": plant.backup_kw > 0,
                "immersion_heater": plant.immersion_kw > 0,
                "pumps_apart": plant.pumps_apart,
                "design_flow_temp_c": round(plant.design_flow_c + hotter, 1),
                "design_outdoor_temp_c": house.design_outdoor_c,
                "flow_temp_at_15_c": round(plant.flow_at_15_c + hotter, 1),
            },
            "meter": [
                _meter(number, lines, fitted) for number, lines in enumerate(groups.values())
            ],
            "terms": [
                {
                    "signed": case.first,
                    "promised_spf": promise,
                    "boundary": meters.boundary,
                    "start": case.first,
                    "months": 12,
                    "minimum_coverage": 0.75 if case.kind == "gaps" else 0.9,
                    "expects": expects,
                }
            ],
            "tariff": [tariff],
            "climate": {
                "monthly_means_c": normals(case),
                "origin": "monthly normals of an invented place",
            },
        }
    )


def _meter(number: int, lines: list[Line], fitted: str) -> dict[str, Any]:
    first = lines[0]
    measures = "heat" if first.role.startswith("heat") else "electricity"
    if first.kind == "state":
        measures = "sensors"
    return {
        "serial": f"M{number}",
        "measures": measures,
        "fitted": fitted,
        "accuracy_class": {"heat": "2", "electricity": "B", "sensors": None}[measures],
        "channel": [
            {
                "role": line.role,
                "kind": line.kind,
                "unit": "degC" if line.kind == "state" else "kWh",
                "counts": line.counts,
                "resolution": line.step if line.kind == "register" else None,
            }
            for line in lines
        ],
    }


@dataclass
class _Faults:
    """What a case's trouble does to one meter after another."""

    case: Case
    rng: np.random.Generator
    hour: Floats

    def __post_init__(self) -> None:
        self.begin = self.case.begin_step
        self.heat_hit = bool(self.rng.random() < 0.5)
        self.inverse = bool(self.rng.random() < 0.5)
        self.whole = bool(self.rng.random() < 0.6)

    def _days(self) -> int:
        return min(self.begin + round(self.case.size * 288), len(self.hour))

    def energy(self, line: Line, kwh: Floats) -> Floats:
        """Energy of each step as the meter counts it, apart from its class."""
        kind, size = self.case.kind, self.case.size
        heat = line.role.startswith("heat")
        main = line.role in {"elec_unit", "elec_total"}
        if kind == "electricity-without-heat" and heat:
            return dead(kwh, self.begin, self._days())
        if kind == "heat-without-electricity" and main:
            return dead(kwh, self.begin, self._days())
        if kind == "flow-return-swapped" and heat and size:
            return dead(kwh, self.begin, len(kwh))
        if kind in {"heat-meter-low", "heat-meter-high"} and heat:
            return scaled(kwh, self.begin, 1.0 - size if kind == "heat-meter-low" else 1.0 + size)
        if kind == "unit-slip" and not self.whole and (heat if self.heat_hit else main):
            return scaled(kwh, self.begin, 1.0 / size if self.inverse else size)
        if kind == "meter-counts-house" and main:
            return kwh + household(self.rng, self.hour, size)
        return kwh

    def register(self, line: Line, shown: Floats, every: int) -> Floats:
        """What a register shows at each reading."""
        kind, size, at = self.case.kind, self.case.size, self.begin // every
        heat = line.role.startswith("heat")
        main = line.role in {"elec_unit", "elec_total"}
        if not (heat if self.heat_hit else main):
            return shown
        if kind == "unit-slip" and self.whole:
            return other_unit(shown, at, 1.0 / size if self.inverse else size)
        if kind == "register-stuck":
            return frozen(shown, at, min(self._days() // every, len(shown) - 1))
        if kind == "register-jumps":
            two_months = min(61 * 288 // every, len(shown) - at - 1)
            places = np.sort(at + self.rng.integers(0, two_months, int(size)))
            by = self.rng.uniform(300.0, 5000.0, int(size)) * self.rng.choice([1.0, 1.0, -0.05])
            return jumps(shown, places.tolist(), by.tolist())
        return shown

    def power(self, line: Line, watts: Floats) -> Floats:
        """What a power channel shows, W."""
        if self.case.kind == "register-saturated" and line.role == "elec_unit":
            return tops_out(watts, self.case.size * float(np.quantile(watts, 0.9995)))
        return watts


def shown(
    case: Case, meters: Metering, true: dict[str, Floats]
) -> dict[str, tuple[npt.NDArray[np.int64], Floats]]:
    """What every channel shows.

    Returns
    -------
    dict
        Times (seconds since the epoch) and values (kWh, kW, degC, m3/h) by role.
    """
    span, every = case.span, meters.every
    rng = np.random.default_rng([case.seed, 7721])
    hour, _ = local_clock(case.home, span)
    faults = _Faults(case, np.random.default_rng([case.seed, 7722]), hour)
    outages = random_outages(
        rng, span.begin_s, span.finish_s, _drawn_share(meters.lost_share), 9.0, "link lost"
    )
    swapped = {"flow_temp": "return_temp", "return_temp": "flow_temp"}
    k = heat_coefficient_kwh_per_m3k(
        np.clip(true["flow_temp"], 1.0, 99.0), np.clip(true["return_temp"], 1.0, 99.0)
    )
    offset = rng.normal(0.0, SENSOR_K)
    out: dict[str, tuple[npt.NDArray[np.int64], Floats]] = {}
    for line in meters.lines:
        if line.kind == "state":
            values = _state(line, true, offset, rng)
            if case.kind == "flow-return-swapped" and line.role in swapped:
                other = _state(Line(swapped[line.role], "state", (), 0.1), true, offset, rng)
                values[case.begin_step :] = other[case.begin_step :]
            if line.role == "flow_rate":
                values = values * SIMULATED_KWH_M3_K / k * (1.0 + rng.normal(0.0, 0.012))
            values = np.round(np.round(values[::every] / line.step) * line.step, 4)
            at = span.grid[:-1][::every]
        else:
            kwh = np.sum([true[part] for part in line.parts], axis=0)
            kwh = faults.energy(line, kwh) * (1.0 + meters.error[line.role[:4]])
            if line.kind == "power":
                at = span.grid[:-1][::every]
                values = np.round(faults.power(line, kwh * 12_000.0)[::every]) / 1000.0
            else:
                at = span.grid[::every]
                total = np.concatenate(([0.0], np.cumsum(kwh)))[::every]
                first = rng.uniform(8.0, 60.0)
                values = floor_to(faults.register(line, total + first, every), line.step)
        here = ~lost(outages, line.role, at)
        at = at[here]
        if case.kind == "clock-lag" and line.role.startswith("heat"):
            then = case.span.begin_s + 300 * case.begin_step
            at = np.where(at >= then, at + int(case.size * 3600), at)
        out[line.role] = at, values[here]
    return out


def _drawn_share(share: float) -> float:
    """Share to draw holes of so that, overlapping, they cost `share`."""
    return float(-np.log1p(-share)) if share else 0.0


def _state(line: Line, true: dict[str, Floats], offset: float, rng: np.random.Generator) -> Floats:
    """A sensor's values; `offset` is common to flow and return, which are of one batch."""
    values = true[line.role].copy()
    if line.role == "flow_rate":
        noise = rng.normal(0.0, 0.004, len(values))
        return np.where(values > 0.0, np.maximum(values + noise, 0.0), 0.0)
    if line.role in {"flow_temp", "return_temp"}:
        own = offset + rng.normal(0.0, PAIR_K)
    else:
        own = rng.normal(0.0, SENSOR_K)
    return values + own + rng.normal(0.0, 0.1, len(values))
