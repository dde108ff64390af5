"""Boundaries, roles and meters in words: one place, so that all pages say the same."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from dashboard import format as fmt
from monitor.guarantee.carbon import Carbon
from monitor.metrics.boundary import Recipe
from monitor.models import Boundary, MeterFit, Role, Site

BOUNDARIES: Final = {
    Boundary.H1: "heat of the heat pump over electricity of the unit",
    Boundary.H2: "heat of the heat pump over electricity of the unit and its fan or brine pump",
    Boundary.H3: "heat of heat pump and resistive heaters over electricity of the unit, its fan "
    "or brine pump and the resistive heaters",
    Boundary.H4: "as H3, with the distribution pumps in the electricity",
}

ROLES: Final = {
    Role.HEAT_TOTAL: "heat, total",
    Role.HEAT_SPACE: "heat for rooms",
    Role.HEAT_DHW: "heat for hot water",
    Role.ELEC_UNIT: "electricity of the unit",
    Role.ELEC_SOURCE: "electricity of fan or brine pump",
    Role.ELEC_BACKUP: "electricity of the backup heater",
    Role.ELEC_IMMERSION: "electricity of the immersion heater",
    Role.ELEC_PUMPS: "electricity of the distribution pumps",
    Role.ELEC_TOTAL: "electricity, total",
    Role.FLOW_TEMP: "flow temperature",
    Role.RETURN_TEMP: "return temperature",
    Role.FLOW_RATE: "flow rate",
    Role.OUTDOOR_TEMP: "outdoor temperature",
    Role.ROOM_TEMP: "room temperature",
    Role.DHW_TEMP: "hot water temperature",
    Role.SOURCE_TEMP: "source temperature",
}


def role(name: str) -> str:
    """A role in words."""
    return ROLES[Role(name)]


def meters(site: Site, roles: Iterable[Role]) -> str:
    """The meters of some roles, each with what it measures and until when it stayed."""
    wanted = set(roles)
    said = [
        _fit(site, fit, wanted) for fit in site.meter if any(c.role in wanted for c in fit.channel)
    ]
    return fmt.listing(said)


def _fit(site: Site, fit: MeterFit, wanted: set[Role]) -> str:
    what = fmt.listing([ROLES[c.role] for c in fit.channel if c.role in wanted])
    until = ""
    if fit.removed is not None:
        until = f", until {fmt.short_day(site.utc(fit.removed).astimezone(site.tz).date())}"
    return f"{fit.serial} ({what}{until})"


def factors(found: Carbon) -> str:
    """Carbon factors that went into a result, each once."""
    said = [
        f"{one.energy} {one.kg_per_kwh:.3f}{fmt.NBSP}kg/kWh from {fmt.short_day(one.first)}"
        for one in found.factors
    ]
    return fmt.listing(said)


def summed(parts: dict[Role, float]) -> str:
    """Streams with their signs: `heat for rooms + heat for hot water`."""
    out = ""
    for part, factor in parts.items():
        sign = " − " if factor < 0 else " + "
        times = "" if abs(factor) == 1 else f"{abs(factor):.3f} × "
        out += f"{sign if out or factor < 0 else ''}{times}{ROLES[part]}"
    return out.strip()


def recipe(chosen: Recipe) -> str:
    """What counts as heat and as electricity inside a boundary."""
    return f"heat = [{summed(chosen.heat)}], electricity = [{summed(chosen.electricity)}]"
