"""What single hours tell that days do not: standby in idle ones, the flow of space heating."""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from monitor.metrics.account import Account
from monitor.metrics.performance import Blocks
from monitor.models import Role, Site

#: Idle hours needed to tell standby from them; the heat, as a share of the nominal output
#: for an hour, up to which an hour has none; and the different amounts of heat that hours
#: must show: a register of coarse steps shows none where there is some.
#: Common practice, no source.
LEAST_IDLE_HOURS: Final = 200
NO_HEAT_SHARE: Final = 0.002
LEAST_DISTINCT: Final = 25

#: Share of an hour's heat up to which hot water leaves its flow that of space heating.
#: Common practice, no source.
DRY_SHARE: Final = 0.02


def idle_kwh(blocks: Blocks, so_far: Account, nominal_kw: float) -> float | None:
    """Electricity of a day of hours without heat, kWh; None where none can be told.

    Hours count if neither they nor their neighbours have any heat: a heater that runs
    apart from the heat pump has heat inside the boundary. A heat register of coarse steps
    shows no heat where there is some.
    """
    start, end = (int(t.timestamp()) // 3600 for t in (so_far.start_utc, so_far.end_utc))
    hourly = blocks.known & ~blocks.bridged & (blocks.end - blocks.start == 1)
    hourly &= (blocks.start >= start) & (blocks.end <= end)
    heat, used = blocks.heat, blocks.electricity
    some = heat[hourly & (heat > 0)]
    if len(np.unique(np.round(some, 3))) < LEAST_DISTINCT:
        return None
    still = hourly & (np.abs(heat) <= NO_HEAT_SHARE * nominal_kw)
    idle = still.copy()
    idle[1:] &= still[:-1]
    idle[:-1] &= still[1:]
    if idle.sum() < LEAST_IDLE_HOURS:
        return None
    values = used[idle]
    return 24.0 * float(values[values <= np.quantile(values, 0.95)].mean())


def space_flow(site: Site, slots: pl.DataFrame, states: pl.DataFrame) -> pl.DataFrame:
    """Daily heat-weighted flow temperature in hours that neither make hot water nor border on it.

    Returns
    -------
    pl.DataFrame
        Columns day and space_flow_c; without rows where hot water has no meter of its own.
    """
    flow = states.filter((pl.col("role") == Role.FLOW_TEMP.value) & pl.col("mean").is_not_null())
    heat = slots.filter(
        pl.col("role").is_in([Role.HEAT_DHW, Role.HEAT_TOTAL, Role.HEAT_SPACE])
        & pl.col("kwh").is_not_null()
    )
    hourly = heat.pivot("role", index="slot_start_utc", values="kwh").sort("slot_start_utc")
    names = set(hourly.columns)
    if Role.HEAT_DHW.value not in names or names.isdisjoint({"heat_total", "heat_space"}):
        return pl.DataFrame(schema={"day": pl.Date, "space_flow_c": pl.Float64})
    whole = "heat_total" if "heat_total" in names else "heat_space"
    dry = pl.col("heat_dhw") <= DRY_SHARE * pl.col(whole)
    day = pl.col("slot_start_utc").dt.convert_time_zone(site.zone).dt.date().alias("day")
    return (
        hourly.filter(dry & dry.shift(1) & dry.shift(-1) & (pl.col(whole) > 0))
        .join(flow.select("slot_start_utc", "mean"), on="slot_start_utc")
        .group_by(day)
        .agg(((pl.col("mean") * pl.col(whole)).sum() / pl.col(whole).sum()).alias("space_flow_c"))
    )
