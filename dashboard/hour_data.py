"""The hours of a site: what is known of each, and which of them make the SPF."""

from __future__ import annotations

import numpy as np
import polars as pl

from dashboard.data import Record
from monitor.metrics.account import RUNNING_SHARE
from monitor.metrics.periods import Window
from monitor.metrics.slots import BRIDGED, MEASURED
from monitor.models import Role


def inside(record: Record, frame: pl.DataFrame, window: Window) -> pl.DataFrame:
    """Rows of a frame of slots that lie in a window."""
    start, end = record.span(window)
    return frame.filter((pl.col("slot_start_utc") >= start) & (pl.col("slot_start_utc") < end))


def flow_hours(record: Record, window: Window) -> pl.DataFrame:
    """Flow and outdoor temperature of the hours in which the heat pump was heating.

    An hour counts from `RUNNING_SHARE` of the nominal heat output on. Where space heat
    has a meter of its own, hours of hot water are left out.

    Returns
    -------
    pl.DataFrame
        `slot_start_utc`, `outdoor_c`, `flow_c`, `heat_kwh`.
    """
    states = inside(record, record.states, window)
    outdoor, flow = (
        states.filter(pl.col("role") == role.value).select(
            "slot_start_utc", pl.col("mean").alias(name)
        )
        for role, name in ((Role.OUTDOOR_TEMP, "outdoor_c"), (Role.FLOW_TEMP, "flow_c"))
    )
    heat = Role.HEAT_SPACE if Role.HEAT_SPACE in record.site.roles else Role.HEAT_TOTAL
    least = RUNNING_SHARE * record.site.heat_pump.nominal_heat_kw
    heating = inside(record, record.slots, window).filter(
        (pl.col("role") == heat.value) & (pl.col("kwh") > least)
    )
    return (
        heating.select("slot_start_utc", pl.col("kwh").alias("heat_kwh"))
        .join(outdoor, on="slot_start_utc")
        .join(flow, on="slot_start_utc")
        .select("slot_start_utc", "outdoor_c", "flow_c", "heat_kwh")
        .sort("slot_start_utc")
    )


def streams(record: Record, window: Window) -> pl.DataFrame:
    """Hours of each energy stream by what is known of them (rule R10).

    Returns
    -------
    pl.DataFrame
        `role`, `hours_measured`, `hours_bridged`, `hours_missing`, `kwh` (energy of the
        stream's own known hours; a bridged block counts if it lies inside the window).
    """
    start, end = record.span(window)
    hours = int((end - start).total_seconds() // 3600)
    roles = sorted(role.value for role in record.site.roles if role.is_energy)
    whole_block = (
        (pl.col("slot_start_utc") == pl.col("block_start_utc"))
        & (pl.col("block_end_utc") <= end)
        & (pl.col("status") == BRIDGED)
    )
    counted = (
        inside(record, record.slots, window)
        .group_by("role")
        .agg(
            (pl.col("status") == MEASURED).sum().cast(pl.Int64).alias("hours_measured"),
            (pl.col("status") == BRIDGED).sum().cast(pl.Int64).alias("hours_bridged"),
            (pl.col("kwh").sum() + pl.col("block_kwh").filter(whole_block).sum()).alias("kwh"),
        )
    )
    return (
        pl.DataFrame({"role": roles}, schema={"role": pl.String})
        .join(counted, on="role", how="left")
        .with_columns(
            pl.col("hours_measured", "hours_bridged").fill_null(0), pl.col("kwh").fill_null(0.0)
        )
        .with_columns(
            (pl.lit(hours) - pl.col("hours_measured") - pl.col("hours_bridged")).alias(
                "hours_missing"
            )
        )
        .sort("role")
    )


def account_hours(record: Record, window: Window) -> pl.DataFrame:
    """Slots of a window, each with whether it is in the SPF of that window (rule R7).

    Returns
    -------
    pl.DataFrame
        Columns of schema SLOT and `counts`: every stream of the boundary is known in the
        whole block, which lies inside the window and is not excluded. The `block_kwh` of
        the first hours of the blocks that count add up to the streams of the account.
    """
    own = inside(record, record.slots, window)
    blocks = record.blocks
    if blocks is None or record.recipe is None or own.height == 0 or len(blocks.start) == 0:
        return own.with_columns(pl.lit(False).alias("counts"))  # noqa: FBT003 - a literal
    begin, end = (int(moment.timestamp()) // 3600 for moment in record.span(window))
    used = blocks.known & (blocks.start >= begin) & (blocks.end <= end)
    hour = own["slot_start_utc"].dt.epoch("s").to_numpy() // 3600
    at = np.clip(np.searchsorted(blocks.start, hour, side="right") - 1, 0, len(blocks.start) - 1)
    needed = pl.col("role").is_in([str(role) for role in record.recipe.streams])
    return own.with_columns((pl.Series("counts", used[at]) & needed).alias("counts"))
