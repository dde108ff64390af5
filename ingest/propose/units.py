"""Which unit the values of a column are in: as the file states it, or by magnitude."""

from __future__ import annotations

import re
from typing import Final

import numpy as np
import numpy.typing as npt

from ingest.propose.model import Guess
from ingest.propose.words import FLOW, TEMPERATURE
from ingest.units import conversion, unit_in_header, unit_of_text
from monitor.errors import DescriptionError
from monitor.models import Kind, Role

Values = npt.NDArray[np.float64]

#: Last words of a name that can mean a unit, beyond those that `unit_in_header` reads.
_ENDINGS: Final = {
    "w": "W", "c": "degC", "degc": "degC", "celsius": "degC", "f": "degF", "degf": "degF",
    "m3h": "m3/h", "m3": None, "lh": "l/h", "lmin": "l/min", "lpm": "l/min", "ls": "l/s",
    "mj": "MJ", "gj": "GJ", "kwh": "kWh", "mwh": "MWh", "wh": "Wh", "kw": "kW", "gcal": "Gcal",
    "btu": "BTU", "kbtu": "kBTU", "kelvin": "K",
}  # fmt: skip
_LAST_WORD: Final = re.compile(r"[\s_.,:/-]([A-Za-z]{1,7}3?h?)\s*$")

#: One spelling for each unit, where headers have several.
_PLAIN: Final = {
    "°C": "degC", "ºC": "degC", "deg C": "degC", "C": "degC", "°F": "degF", "F": "degF",
    "m³/h": "m3/h", "m^3/h": "m3/h", "cbm/h": "m3/h", "m³/s": "m3/s",
}  # fmt: skip

#: Units of energy that meters count in.
ENERGY_UNITS: Final = ("kWh", "MWh", "GJ", "Wh", "MJ")

#: Units of energy that electricity meters count in.
ELECTRIC_UNITS: Final = ("kWh", "MWh", "Wh")

#: Temperatures above this are no degrees Celsius of a heating system: they are degF or K.
#: Common practice, no source.
MOST_CELSIUS: Final = 95.0
#: Above this, and nothing below 200, they are kelvin.
LEAST_KELVIN: Final = 230.0
#: A power of more than this is in W: no home's unit gives 100 kW. Common practice, no source.
MOST_KW: Final = 100.0
#: Flow through a home's heat pump is 0.3 to 3 m3/h: beyond these it is l/min, then l/h.
#: Common practice, no source.
MOST_M3H: Final = 4.0
MOST_LMIN: Final = 90.0


def dimension_of_unit(unit: str) -> str | None:
    """Give `energy`, `power`, `temperature` or `flow`, or None for another unit."""
    tries = (
        ("energy", Role.HEAT_TOTAL, Kind.REGISTER),
        ("power", Role.HEAT_TOTAL, Kind.POWER),
        (TEMPERATURE, Role.FLOW_TEMP, Kind.STATE),
        (FLOW, Role.FLOW_RATE, Kind.STATE),
    )
    for dimension, role, kind in tries:
        try:
            conversion(unit, role, kind, where="")
        except DescriptionError:
            continue
        return dimension
    return None


def factor_of(unit: str, kind: Kind) -> float:
    """Give how many kWh (or kW) one of an energy (or power) unit is."""
    return conversion(unit, Role.HEAT_TOTAL, kind, where="").factor


def plain_unit(unit: str | None) -> str | None:
    """Give a unit in the spelling that profiles use."""
    return unit if unit is None else _PLAIN.get(unit, unit)


def stated_unit(name: str, row: str | None, other: str | None = None) -> Guess:
    """Give the unit that a header, a row of units or the format itself states.

    Parameters
    ----------
    row
        The cell below the header, if there is a row of units.
    other
        Unit that the file states elsewhere: a column of units, a telegram.
    """
    found = plain_unit(unit_in_header(name))
    if found is not None:
        return Guess(value=found, confidence=0.98, reasons=(f"The name '{name}' states {found}.",))
    found = plain_unit(unit_of_text(row) if row else None)
    if found is not None:
        return Guess(
            value=found, confidence=0.98, reasons=(f"The row below the header states {found}.",)
        )
    if other is not None and dimension_of_unit(other) is not None:
        found = plain_unit(other)
        return Guess(value=found, confidence=0.98, reasons=(f"The file states {other}.",))
    last = _LAST_WORD.search(name)
    if last is not None:
        ending = _ENDINGS.get(last[1].casefold())
        if ending is not None:
            sure = 0.85 if len(last[1]) == 1 else 0.93
            return Guess(
                value=ending,
                confidence=sure,
                reasons=(f"The name '{name}' ends with '{last[1]}', which reads as {ending}.",),
            )
    return Guess()


def by_magnitude(dimension: str, values: Values) -> Guess:
    """Give the unit of temperatures, flows and powers by their size; energy is told elsewhere.

    Parameters
    ----------
    values
        Finite numbers as the file writes them.
    """
    if not len(values):
        return Guess(reasons=("There is no value to tell a unit by.",))
    low, mid, high = np.quantile(values, [0.02, 0.5, 0.98])
    said = f"half of the values lie below {mid:.4g}, nearly all below {high:.4g}"
    if dimension == TEMPERATURE:
        if low > LEAST_KELVIN:
            return Guess(value="K", confidence=0.85, reasons=(f"By size: {said}.",))
        if high > MOST_CELSIUS:
            return Guess(value="degF", confidence=0.7, reasons=(f"By size: {said}.",))
        return Guess(value="degC", confidence=0.8, reasons=(f"By size: {said}.",))
    if dimension == FLOW:
        running = values[values > 0.05 * max(high, 1e-9)]
        mid = float(np.median(running)) if len(running) else mid
        unit = "m3/h" if mid <= MOST_M3H else "l/min" if mid <= MOST_LMIN else "l/h"
        return Guess(
            value=unit, confidence=0.65, reasons=(f"By size: flow while running is {mid:.4g}.",)
        )
    unit = "W" if high > MOST_KW else "kW"
    return Guess(value=unit, confidence=0.7, reasons=(f"By size: {said}.",))
