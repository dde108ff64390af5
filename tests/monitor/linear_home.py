"""A home that obeys the energy model to the letter, hour by hour."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from monitor.models import Site
from monitor.schemas import SLOT, STATE_SLOT
from tests.monitor.homes import home

FIRST = date(2023, 7, 1)
BEGIN = datetime(2023, 7, 1, tzinfo=UTC)

#: Monthly normals that the home's weather keeps to unless it is colder.
NORMALS = (4.0, 4.5, 6.0, 9.0, 12.0, 15.0, 16.5, 16.0, 13.5, 10.5, 7.0, 4.5)


@dataclass(frozen=True)
class Home:
    """Daily heat and electricity follow from these; hot water and space heat have their hours."""

    days: int = 366
    colder_k: float = 0.0
    flow_above_k: float = 0.0
    water_kwh: float = 6.0
    standby_kwh: float = 0.45
    more: float = 0.0
    more_from: int = 0
    immersion_kwh: float = 0.0
    backup_share: float = 0.0
    heat_shown: float = 1.0
    slope: float = 5.0
    with_dhw_meter: bool = True
    with_flow: bool = True
    with_water_sensors: bool = False
    room_c: float | None = None
    seed: int = 5


def outdoor_of(it: Home) -> np.ndarray:
    rng = np.random.default_rng(it.seed)
    month = np.array([(FIRST + timedelta(int(n))).month for n in range(it.days)])
    noise = rng.normal(0.0, 2.0, it.days)
    for m in np.unique(month):
        noise[month == m] -= noise[month == m].mean()
    return np.array(NORMALS)[month - 1] + noise - it.colder_k


def energies(it: Home) -> dict[str, np.ndarray]:
    """Daily energies and temperatures."""
    outdoor = outdoor_of(it)
    wanted = it.slope * np.maximum(15.0 - outdoor, 0.0)
    backup = it.backup_share * wanted
    space = wanted - backup
    total_water = np.full(it.days, it.water_kwh)
    water = np.maximum(total_water - it.immersion_kwh, 0.0)
    flow_space = 30.0 + 0.8 * (15.0 - outdoor) + it.flow_above_k
    heat = space + water
    flow = (space * flow_space + water * 50.0) / heat
    worse = np.where(np.arange(it.days) >= it.more_from, 1.0 + it.more, 1.0)
    reciprocal = (0.06 + 0.0075 * (flow - outdoor)) * worse
    # A day of hot water needs a little more than its lift says.
    used = it.standby_kwh + reciprocal * heat + 0.14 * water * worse
    return {
        "outdoor_temp": outdoor, "flow_space": flow_space, "heat": heat, "water": water,
        "space": space, "used": used, "backup": backup,
        "immersion": np.full(it.days, it.immersion_kwh),
    }  # fmt: skip


def spf_of(it: Home) -> float:
    """SPF at boundary H4 as shown."""
    e = energies(it)
    resistive = e["immersion"].sum() + e["backup"].sum()
    return float((it.heat_shown * e["heat"].sum() + resistive) / (e["used"].sum() + resistive))


def site_of(it: Home, promise: float, **extra: Any) -> Site:
    channels: list[dict[str, Any]] = [
        {"role": "heat_total"},
        {"role": "elec_total", "counts": ["unit", "source", "pumps"]},
        {"role": "outdoor_temp", "kind": "state", "unit": "degC"},
    ]
    if it.with_dhw_meter:
        channels.append({"role": "heat_dhw"})
    if it.with_flow:
        channels.append({"role": "flow_temp", "kind": "state", "unit": "degC"})
    if it.with_water_sensors:
        channels.append({"role": "return_temp", "kind": "state", "unit": "degC"})
        channels.append({"role": "flow_rate", "kind": "state", "unit": "m3/h"})
    if it.room_c is not None:
        channels.append({"role": "room_temp", "kind": "state", "unit": "degC"})
    pump: dict[str, Any] = {
        "nominal_heat_kw": 6.0,
        "pumps_apart": True,
        "design_flow_temp_c": 30.0 + 0.8 * 18.0,
        "design_outdoor_temp_c": -3.0,
        "flow_temp_at_15_c": 30.0,
    }
    if it.immersion_kwh:
        channels.append({"role": "elec_immersion"})
        pump["immersion_heater"] = True
    if it.backup_share:
        channels.append({"role": "elec_backup"})
        pump["backup_heater"] = True
    pump |= extra.pop("heat_pump", {})
    terms = {
        "signed": FIRST, "promised_spf": promise, "boundary": "H4", "start": FIRST, "months": 12,
    }  # fmt: skip
    return home(*channels, heat_pump=pump, heat_loss_kw=5.0, terms=[terms], **extra)


def _slots(role: str, kwh: np.ndarray) -> pl.DataFrame:
    """Measured slots of hourly energies, shape (days, 24)."""
    at = np.arange(kwh.size)
    start = pl.lit(BEGIN).cast(pl.Datetime("us", "UTC")) + pl.duration(hours="at")
    frame = pl.DataFrame({"role": [role] * kwh.size, "at": at, "kwh": kwh.ravel()})
    return frame.with_columns(
        start.alias("slot_start_utc"),
        start.alias("block_start_utc"),
        (start + pl.duration(hours=1)).alias("block_end_utc"),
        pl.lit("measured").alias("status"),
        pl.col("kwh").alias("block_kwh"),
        pl.lit(0.0).alias("u_start_kwh"),
        pl.lit(0.0).alias("u_end_kwh"),
    ).select(list(SLOT))


def _states(role: str, mean: np.ndarray) -> pl.DataFrame:
    """States of hourly means, shape (days, 24)."""
    start = pl.lit(BEGIN).cast(pl.Datetime("us", "UTC")) + pl.duration(hours="at")
    at = np.arange(mean.size)
    frame = pl.DataFrame({"role": [role] * mean.size, "at": at, "mean": mean.ravel()})
    return frame.with_columns(start.alias("slot_start_utc"), pl.lit(1.0).alias("covered")).select(
        list(STATE_SLOT)
    )


def frames_of(it: Home) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Slots and states of the home: hot water from 4 to 6 h, space heat from 8 to 18 h."""
    e = energies(it)
    hour = np.arange(24)
    bath, warm = ((hour >= 4) & (hour < 6)) / 2.0, ((hour >= 8) & (hour < 18)) / 10.0
    water, space = np.outer(e["water"], bath), np.outer(e["space"], warm)
    heat = water + space
    share = heat / e["heat"][:, None]
    used = np.outer(np.full(it.days, it.standby_kwh), np.full(24, 1.0 / 24.0))
    used = used + (e["used"] - it.standby_kwh)[:, None] * share
    flow = np.where(bath[None, :] > 0, 50.0, e["flow_space"][:, None])
    slots = [_slots("heat_total", it.heat_shown * heat), _slots("elec_total", used)]
    states = [_states("outdoor_temp", np.repeat(e["outdoor_temp"][:, None], 24, axis=1))]
    if it.with_dhw_meter:
        slots.append(_slots("heat_dhw", it.heat_shown * water))
    if it.with_flow:
        states.append(_states("flow_temp", flow))
    if it.immersion_kwh:
        slots.append(_slots("elec_immersion", np.outer(e["immersion"], bath)))
    if it.backup_share:
        slots.append(_slots("elec_backup", np.outer(e["backup"], warm)))
    if it.with_water_sensors:
        # Five kelvin while running, none at rest; 1.153 kWh/(m3 K) is water at 35 degC.
        states.append(_states("return_temp", flow - 5.0 * (heat > 0)))
        states.append(_states("flow_rate", heat / 5.0 / 1.153))
    if it.room_c is not None:
        states.append(_states("room_temp", np.full((it.days, 24), it.room_c)))
    return pl.concat(slots), pl.concat(states)


def end_of(it: Home) -> datetime:
    return BEGIN + timedelta(days=it.days)
