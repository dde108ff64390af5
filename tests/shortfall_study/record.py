"""What the meters of a case show: within their classes, with noise and holes."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.metrics.uncertainty import HeatMeterUse, meter_u_percent
from monitor.metrics.water import heat_coefficient_kwh_per_m3k
from monitor.models import Expectation, Role, Site
from monitor.schemas import SLOT, STATE_SLOT, empty
from tests.shortfall_study.homes import Case, begins, heat_factor, hourly

Floats = npt.NDArray[np.float64]

#: Heat coefficient by which the simulation turns heat into flow.
SIMULATED_KWH_M3_K = 1.163


def describe(case: Case, promise: float, expects: Expectation) -> Site:
    """Give the site file of a case."""
    plant, house = case.home.plant, case.home.house
    channels: list[tuple[str, str, list[str] | None]] = [("heat", "heat_total", None)]
    if case.has_dhw_meter:
        channels.append(("heat", "heat_dhw", None))
    channels.append(("electricity", "elec_total", ["unit", "source", "pumps"]))
    if plant.backup_kw:
        channels.append(("electricity", "elec_backup", None))
    if plant.immersion_kw:
        channels.append(("electricity", "elec_immersion", None))
    fitted = datetime(2020, 1, 1, tzinfo=UTC)
    meters: list[dict[str, Any]] = [
        {
            "serial": f"M{n}",
            "measures": measures,
            "fitted": fitted,
            "channel": [{"role": role, "kind": "register", "counts": counts}],
        }
        for n, (measures, role, counts) in enumerate(channels)
    ]
    roles = ["outdoor_temp", "flow_temp"]
    if case.has_water_sensors:
        roles += ["return_temp", "flow_rate"]
    sensors = [{"role": role, "kind": "state", "unit": "degC"} for role in roles]
    meters.append({"serial": "S", "measures": "sensors", "fitted": fitted, "channel": sensors})
    return Site.model_validate(
        {
            "id": case.home.id,
            "name": case.home.id,
            "zone": case.home.zone,
            "commissioned": case.first,
            "heat_loss_kw": house.heat_loss_kw,
            "heat_pump": {
                "source": "air" if plant.unit.source == "air" else "brine",
                "nominal_heat_kw": plant.unit.nominal_kw,
                "backup_heater": plant.backup_kw > 0,
                "immersion_heater": plant.immersion_kw > 0,
                "pumps_apart": True,
                "design_flow_temp_c": plant.design_flow_c,
                "design_outdoor_temp_c": house.design_outdoor_c,
                "flow_temp_at_15_c": plant.flow_at_15_c,
            },
            "meter": meters,
            "terms": [
                {
                    "signed": case.first,
                    "promised_spf": promise,
                    "boundary": "H4",
                    "start": case.first,
                    "months": 12,
                    "expects": expects,
                }
            ],
        }
    )


def expectation(case: Case, cache: Path) -> Expectation:
    """What the designer wrote down: hot water to a tenth, or nothing."""
    if not case.says_water:
        return Expectation()
    rng = np.random.default_rng([case.seed, 8123])
    usual = float(hourly(case, frozenset(), cache)["dhw"].sum()) / 365.0
    return Expectation(hot_water_kwh_day=usual * float(np.exp(rng.normal(0.0, 0.1))))


def slots_of(role: str, begin: datetime, kwh: Floats, lost: npt.NDArray[np.bool_]) -> pl.DataFrame:
    """Measured slots of one stream but for the hours lost."""
    first = pl.Series(np.arange(len(kwh)))
    frame = pl.DataFrame({"role": [role] * len(kwh), "at": first, "kwh": kwh})
    zero = pl.lit(begin).cast(pl.Datetime("us", "UTC"))
    start, end = zero + pl.duration(hours="at"), zero + pl.duration(hours=pl.col("at") + 1)
    return (
        frame.filter(pl.Series(~lost))
        .with_columns(
            start.alias("slot_start_utc"),
            start.alias("block_start_utc"),
            end.alias("block_end_utc"),
            pl.lit("measured").alias("status"),
            pl.col("kwh").alias("block_kwh"),
            pl.lit(0.0).alias("u_start_kwh"),
            pl.lit(0.0).alias("u_end_kwh"),
        )
        .select(list(SLOT))
    )


def states_of(role: str, begin: datetime, mean: Floats) -> pl.DataFrame:
    """Hourly means of one plain quantity."""
    zero = pl.lit(begin).cast(pl.Datetime("us", "UTC"))
    return (
        pl.DataFrame({"role": [role] * len(mean), "at": np.arange(len(mean)), "mean": mean})
        .with_columns(
            (zero + pl.duration(hours="at")).alias("slot_start_utc"), pl.lit(1.0).alias("covered")
        )
        .select(list(STATE_SLOT))
    )


def record(
    case: Case, promise: float, cache: Path, *, lived_by: Case | None = None
) -> tuple[Site, pl.DataFrame, pl.DataFrame]:
    """Site, slots and states of a case's year with all that is planted.

    Parameters
    ----------
    lived_by
        Whose year it is, where it is not the case's own; meters err by the case's seed.
    """
    active = frozenset({"weather", *case.planted})
    lived = lived_by or case
    true, begin = hourly(lived, active, cache), begins(lived)
    site = describe(lived, promise, expectation(lived, cache))
    rng = np.random.default_rng([case.seed, 8122])
    factor = heat_factor(case, active)
    energies = {
        "heat_total": factor * (true["space"] + true["dhw"]),
        "heat_dhw": factor * true["dhw"],
        "elec_total": true["unit"] + true["source"] + true["pumps"],
        "elec_backup": true["backup"],
        "elec_immersion": true["immersion"],
    }
    hours = len(true["space"])
    lost = np.zeros(hours, dtype=bool)
    for _ in range(round(case.lost_share * hours / 30.0)):
        at = int(rng.integers(0, hours))
        lost[at : at + max(1, int(rng.exponential(30.0)))] = True
    use = HeatMeterUse(site.heat_pump.design_delta_t_k, None, recorded=False)
    slots, states = [empty(SLOT)], [empty(STATE_SLOT)]
    for fit in site.meter:
        for channel in fit.channel:
            role = channel.role
            if role.is_energy:
                # Real meters keep well within their limits: half of them, as in the demo.
                limit = meter_u_percent(fit, role, use)[0] / 100.0 * np.sqrt(3.0) / 2.0
                shown = energies[role.value] * (1.0 + rng.uniform(-limit, limit))
                slots.append(slots_of(role.value, begin, shown, lost))
            elif role is Role.FLOW_RATE:
                # The simulation's water holds what cold water does; a flow sensor shows volume.
                k = heat_coefficient_kwh_per_m3k(true["flow_temp"], true["return_temp"])
                shown = true["flow_rate"] * SIMULATED_KWH_M3_K / k
                shown = np.nan_to_num(shown) * (1.0 + rng.normal(0.0, 0.015))
                states.append(states_of(role.value, begin, shown))
            else:
                noise = rng.normal(0.0, 0.12) + rng.normal(0.0, 0.05, hours)
                states.append(states_of(role.value, begin, true[role.value] + noise))
    return site, pl.concat(slots), pl.concat(states)
