"""Backup and immersion heaters: how they enter a promise, and what each day knows of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import polars as pl

from monitor.guarantee import shortfall_text as text
from monitor.guarantee.causes import State
from monitor.metrics.boundary import RESISTIVE, Recipe
from monitor.metrics.daily import day_frame
from monitor.models import Boundary, Consumer, Role, Site, Terms
from monitor.schemas import STATE_SLOT, empty

#: Share of the modelled days that a submeter must know to be used. Common practice, no source.
LEAST_SUBMETERED: Final = 0.80

HEATERS: Final = {Role.ELEC_BACKUP: Consumer.BACKUP, Role.ELEC_IMMERSION: Consumer.IMMERSION}


@dataclass(frozen=True)
class Heaters:
    """How resistive heaters enter the promise: factors on the submeters' streams."""

    roles: tuple[Role, ...]
    in_heat: dict[Role, float]
    in_electricity: dict[Role, float]
    state: State
    why: str


def _counted(site: Site, role: Role) -> frozenset[Consumer]:
    """Resistive heaters that the channel of a role counts."""
    channel = next(c for fit in site.meter for c in fit.channel if c.role is role)
    if channel.counts is not None:
        return frozenset(channel.counts) & RESISTIVE
    if role is Role.ELEC_TOTAL:
        return site.heat_pump.consumers & RESISTIVE
    return frozenset({HEATERS[role]} if role in HEATERS else ())


def heaters(site: Site, recipe: Recipe) -> Heaters:
    """Say how a site's resistive heaters enter a boundary, and whether meters tell them apart."""
    present = site.heat_pump.consumers & RESISTIVE
    if recipe.boundary in (Boundary.H1, Boundary.H2):
        return Heaters((), {}, {}, "outside the boundary", text.OUTSIDE)
    if not present:
        return Heaters((), {}, {}, "not fitted", text.NO_HEATER)
    roles = tuple(
        role
        for role in sorted(HEATERS)
        if role in site.roles and _counted(site, role) == {HEATERS[role]}
    )
    if {HEATERS[role] for role in roles} != present:
        return Heaters((), {}, {}, "not measurable here", text.NO_SUBMETER)

    def inside(parts: Mapping[Role, float], consumer: Consumer) -> float:
        return sum(f for role, f in parts.items() if consumer in _counted(site, role))

    return Heaters(
        roles,
        {role: inside(recipe.heat, HEATERS[role]) for role in roles},
        {role: inside(recipe.electricity, HEATERS[role]) for role in roles},
        "measured",
        "",
    )


def weighted(factors: dict[Role, float]) -> pl.Expr:
    """Sum of the submeters' columns times their factors."""
    total = pl.lit(0.0)
    for role, factor in factors.items():
        total = total + factor * pl.col(role.value)
    return total


def with_heaters(
    site: Site, slots: pl.DataFrame, days: pl.DataFrame, heaters: Heaters, terms: Terms
) -> tuple[pl.DataFrame, Heaters]:
    """Days with a column for each submetered heater; days that it does not know go."""
    if not heaters.roles:
        return days, heaters
    out = days
    for role in heaters.roles:
        alone = Recipe(Boundary.H4, {}, {role: 1})
        own = day_frame(site, alone, slots, empty(STATE_SLOT)).filter(pl.col("complete"))
        out = out.join(
            own.select("day", pl.col("electricity_kwh").alias(role.value)), on="day", how="left"
        )
    known = pl.all_horizontal(pl.col(role.value).is_not_null() for role in heaters.roles)
    whole = out.filter(pl.col("complete") & (pl.col("day") >= terms.start))
    if whole.filter(known).height < LEAST_SUBMETERED * whole.height:
        return days, Heaters((), {}, {}, "not measurable here", text.SUBMETER_GAPS)
    return out.with_columns((pl.col("complete") & known).alias("complete")), heaters
