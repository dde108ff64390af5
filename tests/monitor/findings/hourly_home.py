"""A home written down hour by hour: sound until a test spoils one of its series."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.findings.finding import Seen
from monitor.guarantee.basis import basis
from monitor.guarantee.standing import standing
from monitor.metrics.site_weather import site_weather
from monitor.models import Role
from monitor.rules import DEFAULT_RULES
from monitor.schemas import SLOT, STATE_SLOT
from tests.monitor.homes import home

Hours = npt.NDArray[np.float64]

#: Design: 46 degC at -3 degC outside, 28 degC at 15 degC.
AT_15_C, PER_K = 28.0, 1.0
REHEATS = (6, 18)


def sound(days: int = 60, *, mean_c: float = 5.0, seed: int = 3) -> dict[str, Hours]:
    """Series of shape (days, 24): heat and electricity in kWh, temperatures in degC."""
    rng = np.random.default_rng(seed)
    outdoor = mean_c + 4.0 * np.sin(np.arange(days) / 3.0) + rng.normal(0.0, 1.0, days)
    out = np.repeat(outdoor[:, None], 24, axis=1)
    space = 0.25 * np.maximum(15.0 - out, 0.0)
    water = np.zeros((days, 24))
    water[:, REHEATS] = 3.0
    flow = AT_15_C + PER_K * (15.0 - out)
    flow[:, REHEATS] = 54.0
    cylinder = np.tile(50.0 - 0.5 * ((np.arange(24) - 7) % 12), (days, 1))
    # A weekly pasteurisation.
    cylinder[::7, 3] = 60.0
    return {
        "heat_total": space + water,
        "heat_dhw": water,
        "elec_total": space / 3.5 + water / 2.6 + 0.02,
        "flow_temp": flow,
        "outdoor_temp": out,
        "room_temp": np.full((days, 24), 20.5),
        "dhw_temp": cylinder,
    }


def seen(
    series: dict[str, Hours],
    *,
    first: date = date(2024, 1, 1),
    counts: dict[str, list[str]] | None = None,
    heat_pump: dict[str, Any] | None = None,
    expects: dict[str, Any] | None = None,
    boundary: str = "H4",
) -> Seen:
    """What the checks see of it at the end of its last day; roles are those of the series."""
    channels = [
        {"role": role, "kind": "state", "unit": "degC"}
        if role.endswith("temp")
        else {"role": role, "counts": (counts or {}).get(role)}
        for role in series
    ]
    pump = {
        "nominal_heat_kw": 6.0,
        "design_flow_temp_c": AT_15_C + 18.0 * PER_K,
        "design_outdoor_temp_c": -3.0,
        "flow_temp_at_15_c": AT_15_C,
        "backup_heater": "elec_backup" in series,
        "immersion_heater": "elec_immersion" in series,
    }
    terms = {
        "signed": first,
        "promised_spf": 3.0,
        "boundary": boundary,
        "start": first,
        "months": 12,
        "expects": expects or {},
    }
    site = home(*channels, heat_pump=pump | (heat_pump or {}), heat_loss_kw=5.0, terms=[terms])
    begin = datetime(first.year, first.month, first.day, tzinfo=UTC)
    slots = pl.concat([_slots(r, begin, v) for r, v in series.items() if not r.endswith("temp")])
    states = pl.concat([_states(r, begin, v) for r, v in series.items() if r.endswith("temp")])
    now = begin + timedelta(days=len(series["outdoor_temp"]))
    base = basis(site, slots, states, now=now, given=site_weather(site))
    return Seen(
        site,
        standing(site, slots, states, newest_reading=now, now=now, rules=DEFAULT_RULES),
        None,
        (),
        now,
        DEFAULT_RULES,
        slots=slots,
        states=states,
        days=base.days if base is not None else pl.DataFrame(),
        base=base,
        price_per_kwh=0.30,
        currency="GBP",
    )


def without(series: dict[str, Hours], *roles: Role) -> dict[str, Hours]:
    """The same home with fewer meters and sensors."""
    return {name: values for name, values in series.items() if Role(name) not in roles}


def _stamped(role: str, begin: datetime, values: Hours) -> pl.DataFrame:
    zero = pl.lit(begin).cast(pl.Datetime("us", "UTC"))
    return (
        pl.DataFrame({"at": np.arange(values.size), "value": values.ravel()})
        .filter(pl.col("value").is_not_nan())
        .with_columns(pl.lit(role).alias("role"), (zero + pl.duration(hours="at")).alias("start"))
    )


def _slots(role: str, begin: datetime, values: Hours) -> pl.DataFrame:
    return (
        _stamped(role, begin, values)
        .select(
            "role",
            pl.col("start").alias("slot_start_utc"),
            pl.lit("measured").alias("status"),
            pl.col("value").alias("kwh"),
            pl.col("start").alias("block_start_utc"),
            (pl.col("start") + pl.duration(hours=1)).alias("block_end_utc"),
            pl.col("value").alias("block_kwh"),
            pl.lit(0.0).alias("u_start_kwh"),
            pl.lit(0.0).alias("u_end_kwh"),
        )
        .select(list(SLOT))
    )


def _states(role: str, begin: datetime, values: Hours) -> pl.DataFrame:
    return (
        _stamped(role, begin, values)
        .select(
            "role",
            pl.col("start").alias("slot_start_utc"),
            pl.col("value").alias("mean"),
            pl.lit(1.0).alias("covered"),
        )
        .select(list(STATE_SLOT))
    )
