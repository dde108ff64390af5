"""From a site-year's truth to what its meters show, and what the outlook makes of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from demo_telemetry.span import add_months, midnight_s
from monitor.metrics.uncertainty import HeatMeterUse, meter_u_percent
from monitor.models import Role, Site
from monitor.schemas import SLOT, STATE_SLOT, empty
from tests.calibration.homes import SiteYear, hourly

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Record:
    """What is known of a site-year, and what is true of it.

    Attributes
    ----------
    slots, states
        Frames of schema SLOT and STATE_SLOT of the whole year.
    true_spf
        Of the whole year, from true energies.
    """

    site: Site
    slots: pl.DataFrame
    states: pl.DataFrame
    true_spf: float


def describe(year: SiteYear) -> Site:
    """Give the site file of a site-year."""
    plant, house = year.home.plant, year.home.house
    parts = ["unit", "source", "pumps"]
    channels: list[tuple[str, str, list[str] | None]] = [("heat", "heat_total", None)]
    if year.has_dhw_meter:
        channels.append(("heat", "heat_dhw", None))
    channels.append(("electricity", "elec_total", parts))
    if plant.backup_kw:
        channels.append(("electricity", "elec_backup", None))
    if plant.immersion_kw:
        channels.append(("electricity", "elec_immersion", None))
    meters: list[dict[str, Any]] = [
        {
            "serial": f"M{n}",
            "measures": measures,
            "fitted": datetime(2020, 1, 1, tzinfo=UTC),
            "channel": [{"role": role, "kind": "register", "counts": counts}],
        }
        for n, (measures, role, counts) in enumerate(channels)
    ]
    sensors = [{"role": "outdoor_temp", "kind": "state", "unit": "degC"}]
    if year.has_flow:
        sensors.append({"role": "flow_temp", "kind": "state", "unit": "degC"})
    meters.append(
        {
            "serial": "S",
            "measures": "sensors",
            "fitted": datetime(2020, 1, 1, tzinfo=UTC),
            "channel": sensors,
        }
    )
    pump: dict[str, Any] = {
        "source": plant.unit.source,
        "nominal_heat_kw": plant.unit.nominal_kw,
        "backup_heater": plant.backup_kw > 0,
        "immersion_heater": plant.immersion_kw > 0,
        "pumps_apart": True,
    }
    if year.says_curve:
        pump |= {
            "design_flow_temp_c": plant.design_flow_c,
            "design_outdoor_temp_c": house.design_outdoor_c,
            "flow_temp_at_15_c": plant.flow_at_15_c,
        }
    return Site.model_validate(
        {
            "id": year.home.id,
            "name": year.home.id,
            "zone": year.home.zone,
            "commissioned": year.first,
            "heat_loss_kw": year.stated_loss_kw,
            "heat_pump": pump,
            "meter": meters,
            "terms": [
                {
                    "signed": year.first,
                    "promised_spf": 3.2,
                    "boundary": "H4",
                    "start": year.first,
                    "months": 12,
                }
            ],
        }
    )


def _outages(year: SiteYear, hours: int, rng: np.random.Generator) -> npt.NDArray[np.bool_]:
    lost = np.zeros(hours, dtype=bool)
    for _ in range(round(year.lost_share * hours / year.lost_hours)):
        begin = int(rng.integers(0, hours))
        lost[begin : begin + max(1, int(rng.exponential(year.lost_hours)))] = True
    return lost


def _stream(
    role: str, begin: datetime, kwh: Floats, lost: npt.NDArray[np.bool_], *, bridges: bool
) -> pl.DataFrame:
    """Slots of one stream; a register bridges what an interval meter loses."""
    hours = len(kwh)
    first = np.ones(hours, dtype=bool)
    if bridges:
        first[1:] = ~(lost[1:] & lost[:-1])
    group = np.cumsum(first) - 1
    start = np.flatnonzero(first)
    end = np.append(start[1:], hours)
    total = np.bincount(group, weights=kwh)
    size = (end - start)[group]
    stamp = np.arange(hours + 1)
    frame = pl.DataFrame(
        {
            "role": [role] * hours,
            "slot_start_utc": stamp[:-1],
            "status": np.where(size == 1, "measured", "bridged"),
            "kwh": np.where(size == 1, kwh, np.nan),
            "block_start_utc": start[group],
            "block_end_utc": end[group],
            "block_kwh": total[group],
            "u_start_kwh": np.zeros(hours),
            "u_end_kwh": np.zeros(hours),
        }
    )
    frame = frame if bridges else frame.filter(pl.Series(~lost))
    return frame.with_columns(
        pl.col("kwh").fill_nan(None),
        *[
            (pl.lit(begin).cast(pl.Datetime("us", "UTC")) + pl.duration(hours=pl.col(c))).alias(c)
            for c in ("slot_start_utc", "block_start_utc", "block_end_utc")
        ],
    ).select(list(SLOT))


def _state(role: str, begin: datetime, mean: Floats, lost: npt.NDArray[np.bool_]) -> pl.DataFrame:
    return (
        pl.DataFrame(
            {
                "role": [role] * len(mean),
                "slot_start_utc": np.arange(len(mean)),
                "mean": mean,
                "covered": np.ones(len(mean)),
            }
        )
        .filter(pl.Series(~lost))
        .with_columns(
            (
                pl.lit(begin).cast(pl.Datetime("us", "UTC"))
                + pl.duration(hours=pl.col("slot_start_utc"))
            ).alias("slot_start_utc")
        )
        .select(list(STATE_SLOT))
    )


def record(year: SiteYear, cache: Path) -> Record:
    """Meter a site-year: errors within the meters' limits, outages, sensors' noise."""
    true = hourly(year, cache)
    site = describe(year)
    rng = np.random.default_rng([year.seed, 4714])
    energies = {
        "heat_total": true["space"] + true["dhw"],
        "heat_dhw": true["dhw"],
        "elec_total": true["unit"] + true["source"] + true["pumps"],
        "elec_backup": true["backup"],
        "elec_immersion": true["immersion"],
    }
    hours = len(true["space"])
    begin = datetime.fromtimestamp(midnight_s(year.first, year.home.zone), UTC)
    use = HeatMeterUse(site.heat_pump.design_delta_t_k, None, recorded=False)
    together = _outages(year, hours, rng)
    slots, states = [empty(SLOT)], [empty(STATE_SLOT)]
    for fit in site.meter:
        for channel in fit.channel:
            role = channel.role
            own = together | (_outages(year, hours, rng) & (rng.random() < 0.3))
            if role.is_energy:
                limit = meter_u_percent(fit, role, use)[0] / 100.0 * np.sqrt(3.0)
                shown = energies[role.value] * (1.0 + rng.uniform(-limit, limit))
                slots.append(_stream(role.value, begin, shown, own, bridges=year.registers))
            else:
                noise = rng.normal(0.0, 0.3) + rng.normal(0.0, 0.15, hours)
                name = "flow_temp" if role is Role.FLOW_TEMP else "outdoor_temp"
                states.append(_state(role.value, begin, true[name] + noise, own))
    resistive = true["backup"].sum() + true["immersion"].sum()
    heat = energies["heat_total"].sum() + resistive
    used = energies["elec_total"].sum() + resistive
    return Record(site, pl.concat(slots), pl.concat(states), float(heat / used))


def after_months(year: SiteYear, months: int) -> datetime:
    """UTC time at which so many months of the period have passed."""
    day = add_months(year.first, months)
    return datetime.fromtimestamp(midnight_s(day, year.home.zone), UTC)
