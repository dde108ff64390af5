"""Writes the whole fleet: site files, profiles, exports, and the truth apart."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from multiprocessing import get_context
from os import cpu_count
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from demo_telemetry.catalogue import HOMES
from demo_telemetry.export import Fits, Material, write_export
from demo_telemetry.faults import heat_meter_share
from demo_telemetry.homes import Before, Home, Promise, counted_parts
from demo_telemetry.layouts import profile
from demo_telemetry.meters import (
    CONSUMERS,
    KWH_IN,
    Channel,
    Fit,
    Meter,
    Outage,
    class_bias,
    floor_to,
    random_outages,
)
from demo_telemetry.span import Span, home_rng, region_weather, run_home, span_of
from demo_telemetry.toml import to_toml
from demo_telemetry.truth import guarantee_start, truth
from demo_telemetry.weather import Floats, monthly_normals

_PARTS = ("space", "dhw", "backup", "immersion", "unit", "source", "pumps")


@dataclass(frozen=True)
class DemoHome:
    """Where a home's files lie.

    Attributes
    ----------
    profile_imports
        Which exports to read with which profile, in order.
    truth_file
        For tests only; the product never reads it.
    """

    id: str
    site_file: Path
    profile_imports: list[tuple[Path, list[Path]]]
    homeowner_name: str
    homeowner_email: str
    truth_file: Path


def _cumulative(values: Floats) -> Floats:
    return np.concatenate(([0.0], np.cumsum(values)))


def _first_reading(channel: Channel, rng: np.random.Generator) -> float:
    if channel.start is not None:
        return channel.start
    kwh = rng.uniform(8.0, 60.0) if channel.is_heat else rng.uniform(3.0, 20.0)
    return float(floor_to(np.asarray([kwh / KWH_IN[channel.unit]]), channel.step)[0])


def fit_meters(
    home: Home, span: Span, cumulative: dict[str, Floats], rng: np.random.Generator
) -> Fits:
    """Put the meters in place: errors, register values, and a swap where there is one."""
    fits: Fits = {}
    for meter in home.meters:
        faulty = heat_meter_share(home.trouble) if meter.measures == "heat" else 1.0
        bias = (1.0 + class_bias(rng, meter)) * faulty - 1.0
        registers = [channel for channel in meter.channels if channel.kind == "register"]
        start = {channel.role: _first_reading(channel, rng) for channel in registers}
        if meter.swap_serial is None:
            chain: tuple[Fit, ...] = (Fit(meter.serial, bias, span.begin_s, None, start),)
        else:
            hours = int(meter.swap_share * (span.finish_s - span.begin_s)) // 3600
            at = span.begin_s + 86_400 * (hours // 24) + 39_600
            last: dict[str, float] = {}
            for channel in registers:
                energy = np.sum([cumulative[part] for part in counted_parts(home, channel)], axis=0)
                shown = np.interp(at, span.grid, energy) * (1.0 + bias) / KWH_IN[channel.unit]
                last[channel.role] = float(
                    floor_to(np.asarray([shown + start[channel.role]]), channel.step)[0]
                )
            chain = (
                Fit(meter.serial, bias, span.begin_s, at, start, last),
                Fit(meter.swap_serial, class_bias(rng, meter), at, None,
                    {channel.role: 0.0 for channel in registers}),
            )  # fmt: skip
        fits[meter.serial] = (meter, chain)
    return fits


def make_outages(home: Home, span: Span, rng: np.random.Generator) -> list[Outage]:
    """Draw the holes in a home's exports."""
    holes = home.holes
    begin, finish = span.begin_s, span.finish_s
    out = random_outages(rng, begin, finish, holes.share, holes.mean_hours, "link lost")
    if holes.long_days:
        start = begin + int(holes.long_at * (finish - begin)) // 3600 * 3600
        stop = min(start + int(holes.long_days * 86_400), finish)
        out.append(Outage(start, stop, "logger without power"))
    if holes.role_share:
        out += [
            Outage(hole.begin, hole.finish, hole.why, holes.roles)
            for hole in random_outages(
                rng, begin, finish, holes.role_share, holes.role_hours, "never delivered"
            )
        ]
    return out


def _channel_data(home: Home, channel: Channel) -> dict[str, Any]:
    data: dict[str, Any] = {"role": channel.role, "kind": channel.kind}
    if not channel.is_energy:
        return {**data, "unit": channel.unit}
    if channel.kind == "register":
        data |= {
            "unit": channel.unit,
            "resolution": channel.step,
            "digits": channel.digits,
            "decimals": channel.decimals if channel.digits is not None else None,
        }
    parts = counted_parts(home, channel)
    if channel.is_heat:
        if "backup" in parts:
            data["counts"] = ["backup"]
    else:
        data["counts"] = [consumer for consumer in CONSUMERS if consumer in parts]
    return data


def _local(seconds: int, home: Home) -> datetime:
    return datetime.fromtimestamp(seconds, ZoneInfo(home.zone)).replace(tzinfo=None)


def _permanent_flow(home: Home) -> float:
    """Give the meter size, m3/h, that carries the nominal heat at a spread of 5 K."""
    needed = home.plant.unit.nominal_kw / 5.0 / 1.163
    return next(size for size in (1.5, 2.5, 3.5) if size >= needed)


def _meter_data(home: Home, meter: Meter, chain: tuple[Fit, ...]) -> list[dict[str, Any]]:
    return [
        {
            "serial": fit.serial,
            "measures": meter.measures,
            "fitted": _local(fit.begin, home),
            "removed": None if fit.finish is None else _local(fit.finish, home),
            "accuracy_class": meter.accuracy_class,
            "q_p_m3h": _permanent_flow(home) if meter.measures == "heat" else None,
            "start_register": fit.start_register or None,
            "end_register": fit.end_register or None,
            "channel": [_channel_data(home, channel) for channel in meter.channels],
        }
        for fit in chain
    ]


def site_data(home: Home, span: Span, fits: Fits) -> dict[str, Any]:
    """Give a home's site file as plain data."""
    unit, plant, promise = home.plant.unit, home.plant, home.promise
    start = guarantee_start(home, span)
    commissioned = datetime(span.first.year, span.first.month, span.first.day, 9, 30)  # noqa: DTZ001
    events = [{"at": commissioned, "what": "commissioned", "note": f"Handed over by {home.team}."}]
    for _, chain in fits.values():
        events += [
            {
                "at": _local(fit.finish, home),
                "what": "swap",
                "note": f"Meter {fit.serial} replaced at the end of its verification period.",
            }
            for fit in chain
            if fit.finish is not None
        ]
    if home.visit is not None:
        days = int(home.visit.share * (span.end - span.first).days)
        day = span.first + timedelta(days=days)
        at = datetime(day.year, day.month, day.day, 14, 0)  # noqa: DTZ001
        events.append({"at": at, "what": home.visit.what, "note": home.visit.note})
    return {
        "id": home.id,
        "name": home.title,
        "place": home.place,
        "postcode_area": home.area,
        "zone": home.zone,
        "commissioned": span.first,
        "installer_team": home.team,
        "designer": home.designer,
        "heat_loss_kw": home.house.heat_loss_kw,
        "heat_pump": {
            "model": unit.model,
            "source": unit.source,
            "nominal_heat_kw": unit.nominal_kw,
            "source_drive": "apart" if unit.source == "brine" else "in_unit",
            "backup_heater": plant.backup_kw > 0,
            "immersion_heater": plant.immersion_kw > 0,
            "pumps_apart": plant.pumps_apart,
            "design_flow_temp_c": plant.design_flow_c,
            "design_outdoor_temp_c": home.house.design_outdoor_c,
            "flow_temp_at_15_c": plant.flow_at_15_c,
            "design_delta_t_k": 5.0,
        },
        "meter": [
            data for meter, chain in fits.values() for data in _meter_data(home, meter, chain)
        ],
        "terms": [
            {
                "signed": span.first - timedelta(days=24),
                "promised_spf": promise.spf,
                "boundary": promise.boundary,
                "start": start,
                "months": promise.months,
                "decision": promise.decision,
                "guard_factor": promise.guard_factor if promise.decision == "guarded" else None,
                "minimum_coverage": promise.minimum_coverage,
                "conditions": list(promise.conditions) or None,
                "weather_allowance": "reference_climate" if promise.weather_allowance else None,
                "expects": _expects(promise),
            }
        ],
        "tariff": [
            {
                "valid_from": span.first - timedelta(days=24),
                "price_per_kwh": home.price,
                "standing_per_day": home.standing,
                "currency": home.currency,
            }
        ],
        "boiler": None if home.before is None else _boiler(home.before, span),
        "carbon": [
            {
                "valid_from": date(2026, 1, 1),
                "electricity_kg_per_kwh": 0.17,
                "fuel_kg_per_kwh": 0.183,
                "source": "invented for this fleet",
            }
        ],
        "event": sorted(events, key=lambda event: event["at"]),
        "climate": {
            "monthly_means_c": list(monthly_normals()),
            "origin": "monthly normals of Eastmarch, an invented place",
        },
    }


def _expects(promise: Promise) -> dict[str, float] | None:
    stated = {"hot_water_kwh_day": promise.hot_water_kwh_day, "room_c": promise.room_c}
    return {key: value for key, value in stated.items() if value is not None} or None


def _boiler(before: Before, span: Span) -> dict[str, Any]:
    bills = {"yearly_kwh": list(before.yearly_kwh), "cooks_with_fuel": before.cooks}
    return {
        "fuel": before.fuel,
        "installed": before.installed,
        "keeps_fuel": before.cooks,
        "fuel_tariff": [
            {
                "valid_from": span.first - timedelta(days=24),
                "price_per_kwh": before.price,
                "standing_per_day": before.standing,
            }
        ],
        "past_bills": bills if before.yearly_kwh else None,
    }


def write_home(folder: Path, home: Home, end: date, seed: int, months: int) -> DemoHome:
    """Simulate one home and write its files."""
    span = span_of(home, end, months)
    booked = run_home(home, span, region_weather(end, months, seed), seed)
    cumulative = {part: _cumulative(booked[part]) for part in _PARTS}
    rng = home_rng(home.id, seed, 2)
    fits = fit_meters(home, span, cumulative, rng)
    outages = make_outages(home, span, rng)
    material = Material(home, span, cumulative, booked, fits, outages)

    for name in ("site", "profile", "truth"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    imports: list[tuple[Path, list[Path]]] = []
    planted: dict[str, dict[str, int]] = {}
    for export in home.exports:
        path = folder / "profile" / f"{home.id}-{export.name}.toml"
        path.write_text(to_toml(profile(home, export)), encoding="utf-8")
        files, planted[export.name] = write_export(
            material, export, folder / "export" / home.id, rng
        )
        imports.append((path, files))
    site_file = folder / "site" / f"{home.id}.toml"
    site_file.write_text(to_toml(site_data(home, span, fits)), encoding="utf-8")
    truth_file = folder / "truth" / f"{home.id}.json"
    told = truth(home, span, booked, fits, outages, planted, seed=seed, months=months)
    truth_file.write_text(json.dumps(told, indent=1), encoding="utf-8")
    return DemoHome(home.id, site_file, imports, home.owner, home.email, truth_file)


def write_fleet(
    folder: Path,
    *,
    end: date,
    seed: int = 7,
    homes: Sequence[str] | None = None,
    months: int = 14,
    progress: Callable[[str, float], None] | None = None,
) -> list[DemoHome]:
    """Write homes that do not exist: site files, profiles, exports, and the truth apart.

    Parameters
    ----------
    folder
        Gets `site`, `profile`, `export` and `truth`; made where it is missing.
    end
        Data end at local midnight of this day and begin `months` before.
    seed
        The same seed and end give the same files, whichever homes are written.
    homes
        Ids of the homes to write; None is the whole fleet.
    months
        Length of the data.
    progress
        Called with a home's id and the share of homes done, as each is done.

    Returns
    -------
    list of DemoHome
        In the order of the catalogue.

    Raises
    ------
    ValueError
        A home is not in the catalogue, or `months` is less than 1.
    """
    if months < 1:
        message = f"The demo needs at least 1 month of data, not {months}."
        raise ValueError(message)
    known = {home.id: home for home in HOMES}
    wanted = list(known) if homes is None else list(homes)
    unknown = [home_id for home_id in wanted if home_id not in known]
    if unknown:
        message = f"No demo home is called {', '.join(unknown)}. There are: {', '.join(known)}."
        raise ValueError(message)
    chosen = [home for home in HOMES if home.id in set(wanted)]
    done: dict[str, DemoHome] = {}

    def finish(home: DemoHome) -> None:
        done[home.id] = home
        if progress is not None:
            progress(home.id, len(done) / len(chosen))

    workers = min(2, cpu_count() or 1, len(chosen))
    if workers > 1:
        # Spawn: a forked child may hang in the frame library's thread pool.
        try:
            with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
                waiting = [
                    pool.submit(write_home, folder, home, end, seed, months) for home in chosen
                ]
                for future in as_completed(waiting):
                    finish(future.result())
        except BrokenProcessPool:
            # A caller without an importable main module cannot spawn; go on in this process.
            pass
    for home in chosen:
        if home.id not in done:
            finish(write_home(folder, home, end, seed, months))
    return [done[home.id] for home in chosen]
