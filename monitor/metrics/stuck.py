"""Streams that stand still while their partner moves (rule R6)."""

from __future__ import annotations

import polars as pl

from monitor.metrics.slots import MEASURED
from monitor.models import Role
from monitor.rules import Rules

#: A meter of the whole system may move without heat from the heat pump (an immersion
#: heater in summer), so it must move this many times as far. Common practice, no source.
WHOLE_SYSTEM_FACTOR = 3.0

HEAT = ([Role.HEAT_TOTAL], [Role.HEAT_SPACE, Role.HEAT_DHW])
ELECTRICITY = ([Role.ELEC_UNIT], [Role.ELEC_TOTAL])


def stuck_slots(slots: pl.DataFrame, rules: Rules) -> pl.DataFrame:
    """Slots of a stream that cannot be true, because it stood at zero for a whole day.

    A UTC day counts if all of its slots are measured for heat and for electricity and
    one of them is exactly zero while the other exceeds `rules.stuck_day_kwh`. Zero slots
    that adjoin such a day belong to the same standstill.

    Parameters
    ----------
    slots
        Frame of schema SLOT of one site.

    Returns
    -------
    pl.DataFrame
        The rows of `slots` to set aside.
    """
    present = set(slots["role"].unique())
    heat = next((r for r in HEAT if present.issuperset(r)), None)
    electricity = next((r for r in ELECTRICITY if present.issuperset(r)), None)
    nothing = slots.clear()
    if heat is None or electricity is None:
        return nothing
    least = rules.stuck_day_kwh
    if electricity == [Role.ELEC_TOTAL]:
        least *= WHOLE_SYSTEM_FACTOR
    day = pl.col("slot_start_utc").dt.truncate("1d").alias("day")

    def daily(roles: list[Role], name: str) -> pl.DataFrame:
        return (
            slots.filter(pl.col("role").is_in(roles) & (pl.col("status") == MEASURED))
            .group_by(day)
            .agg(pl.len().alias(f"{name}_n"), pl.col("kwh").sum().alias(name))
            .filter(pl.col(f"{name}_n") == 24 * len(roles))
        )

    both = daily(heat, "q").join(daily(electricity, "e"), on="day")
    parts = []
    for roles, idle, busy, limit in (
        (heat, "q", "e", least),
        (electricity, "e", "q", rules.stuck_day_kwh),
    ):
        days = both.filter((pl.col(idle) == 0) & (pl.col(busy) > limit)).select("day")
        if days.height:
            parts.append(_standstill(slots, roles, days))
    return pl.concat(parts) if parts else nothing


def _standstill(slots: pl.DataFrame, roles: list[Role], days: pl.DataFrame) -> pl.DataFrame:
    near = pl.concat([days.select(pl.col("day") + pl.duration(days=d)) for d in (-1, 0, 1)])
    still = (
        slots.filter(pl.col("role").is_in(roles))
        .with_columns(
            pl.col("slot_start_utc").dt.truncate("1d").alias("day"),
            ((pl.col("status") != MEASURED) | (pl.col("kwh") != 0))
            .cum_sum()
            .over("role", order_by="slot_start_utc")
            .alias("run"),
        )
        .join(near.unique(), on="day", how="semi")
        .filter((pl.col("status") == MEASURED) & (pl.col("kwh") == 0))
    )
    marked = still.join(days, on="day", how="semi").select("role", "run").unique()
    return still.join(marked, on=["role", "run"], how="semi").select(slots.columns)
