"""Units as trade exports write them, as a factor and an offset to the unit that is kept.

Energy is kept in kWh, power in kW, temperature in degC, flow in m3/h. The figures come
from pint; this module knows the spellings, and which unit fits which column.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from threading import Lock
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from monitor.errors import DescriptionError
from monitor.models import Kind, Role

if TYPE_CHECKING:
    from pint import UnitRegistry

#: Spelling -> pint expression. A bare 'C' or 'F' is a temperature here, not coulomb or
#: farad; 'cal' is the International Table calorie, which heat metering uses.
SPELLINGS: dict[str, str] = {
    "Wh": "Wh",
    "kWh": "kWh",
    "MWh": "MWh",
    "GWh": "GWh",
    "J": "J",
    "kJ": "kJ",
    "MJ": "MJ",
    "GJ": "GJ",
    "kcal": "kilocal_it",
    "Mcal": "megacal_it",
    "Gcal": "gigacal_it",
    "BTU": "Btu_it",
    "kBTU": "kiloBtu_it",
    "MMBTU": "megaBtu_it",
    "W": "W",
    "kW": "kW",
    "MW": "MW",
    "J/h": "J/hour",
    "kJ/h": "kJ/hour",
    "MJ/h": "MJ/hour",
    "BTU/h": "Btu_it/hour",
    "kcal/h": "kilocal_it/hour",
    "degC": "degC",
    "°C": "degC",
    "ºC": "degC",
    "deg C": "degC",
    "C": "degC",
    "K": "kelvin",
    "degF": "degF",
    "°F": "degF",
    "F": "degF",
    "m3/h": "m**3/hour",
    "m³/h": "m**3/hour",
    "m^3/h": "m**3/hour",
    "cbm/h": "m**3/hour",
    "m3/min": "m**3/minute",
    "m3/s": "m**3/second",
    "m³/s": "m**3/second",
    "l/h": "liter/hour",
    "l/min": "liter/minute",
    "l/s": "liter/second",
}

_CANONICAL = {"energy": "kWh", "power": "kW", "temperature": "degC", "flow": "m**3/hour"}
_FITS = {
    "energy": "an energy unit such as kWh, MWh, GJ",
    "power": "a power unit such as kW, W",
    "temperature": "a temperature unit such as degC, K, degF",
    "flow": "a volume flow unit such as m3/h, l/min",
}
_DIMENSION = {
    "[mass] * [length] ** 2 / [time] ** 2": "energy",
    "[mass] * [length] ** 2 / [time] ** 3": "power",
    "[temperature]": "temperature",
    "[length] ** 3 / [time]": "flow",
}
_PINT_NAME = re.compile(r"[A-Za-zµ]{1,24}(?:/[A-Za-zµ]{1,24})?")
# Only the unit's own letters tell 'MWh' from 'mWh', a factor of 1e9, so a first letter
# m or M must be written as it is meant; other letters may be in any case.
_BRACKETED = re.compile(r"[\[(]\s*([^\[\]()]+?)\s*[\])]\s*$")
_SUFFIX = re.compile(r"(?:[\s_/,-]|\bin )(kwh|mwh|wh|gj|kw|kj)$", re.IGNORECASE)

_lock = Lock()


@dataclass(frozen=True)
class Conversion:
    """Kept unit = factor * value + offset."""

    factor: float
    offset: float = 0.0

    def apply(self, values: pl.Series, *, scale: float = 1.0) -> pl.Series:
        """Convert values; `scale` acts before the unit does."""
        if self.offset == 0.0 and self.factor * scale == 1.0:
            return values
        # One multiplication where the inverse is the rounder number: 250 Wh / 1000, not
        # 250 * 0.001, so that a register keeps the decimals that the meter wrote.
        raw = values * scale
        rounded = float(round(1.0 / self.factor))
        exact = rounded > 1.0 and 1.0 / rounded == self.factor
        return (raw / rounded if exact else raw * self.factor) + self.offset


@lru_cache(maxsize=1)
def _registry() -> UnitRegistry[Decimal]:
    from pint import UnitRegistry  # reading its definitions takes a third of a second

    return UnitRegistry(non_int_type=Decimal, autoconvert_offset_to_baseunit=True)


def _expression(unit: str) -> str | None:
    text = " ".join(unit.split())
    if text in SPELLINGS:
        return SPELLINGS[text]
    for spelling, expression in SPELLINGS.items():
        same = spelling.casefold() == text.casefold()
        if same and (spelling[0] not in "mM" or spelling[0] == text[0]):
            return expression
    return text if _PINT_NAME.fullmatch(text) else None


@lru_cache(maxsize=512)
def _known(unit: str) -> tuple[str, Conversion] | None:
    """Give dimension and conversion of a unit, or None where nobody knows it."""
    from pint.errors import PintError

    expression = _expression(unit)
    if expression is None:
        return None
    with _lock:
        registry = _registry()
        try:
            parsed = registry.parse_units(expression)
        except (PintError, ValueError, AttributeError, TypeError):
            return None
        dimension = _DIMENSION.get(str(parsed.dimensionality))
        if dimension is None:
            return None
        kept = _CANONICAL[dimension]
        zero = registry.Quantity(Decimal(0), parsed).to(kept).magnitude
        one = registry.Quantity(Decimal(1), parsed).to(kept).magnitude
    return dimension, Conversion(factor=float(one - zero), offset=float(zero))


def dimension_of(role: Role, kind: Kind) -> str:
    """Say what a column's values must be: energy, power, temperature or flow."""
    if role.is_energy:
        return "power" if kind is Kind.POWER else "energy"
    return "flow" if role is Role.FLOW_RATE else "temperature"


def conversion(unit: str, role: Role, kind: Kind, *, where: str) -> Conversion:
    """Give the conversion of a column's values to the unit that is kept.

    Parameters
    ----------
    unit
        As the profile writes it.
    role, kind
        What the column means; a register in kW is refused.
    where
        Name of the column, for the error sentence.

    Raises
    ------
    DescriptionError
        The unit is unknown, or of another dimension than the column needs.
    """
    needed = dimension_of(role, kind)
    known = _known(unit)
    what = f"role '{role}' and kind '{kind}'"
    if known is None:
        message = (
            f"Column '{where}': the unit '{unit}' is not known. "
            f"A column of {what} needs {_FITS[needed]}."
        )
        raise DescriptionError(message)
    if known[0] != needed:
        message = (
            f"Column '{where}': '{unit}' is a unit of {known[0]}, "
            f"but a column of {what} needs {_FITS[needed]}."
        )
        raise DescriptionError(message)
    return known[1]


def unit_of_text(text: str) -> str | None:
    """Give the unit that a cell of a unit row holds, or None."""
    unit = text.strip().strip("[]()").strip()
    return unit if unit and _expression(unit) in SPELLINGS.values() else None


def unit_in_header(header: str) -> str | None:
    """Give the unit that a column's header states, or None.

    Read are a known unit in brackets at the end ('Heat [MWh]') and a last word that can
    hardly be anything else ('heat_kwh').
    """
    bracketed = _BRACKETED.search(header)
    if bracketed:
        return unit_of_text(bracketed.group(1))
    suffix = _SUFFIX.search(header)
    if suffix is None:
        return None
    return {"kwh": "kWh", "mwh": "MWh", "wh": "Wh", "gj": "GJ", "kw": "kW", "kj": "kJ"}[
        suffix.group(1).casefold()
    ]


def contradicts(stated: str, declared: str, *, scale: float = 1.0) -> bool:
    """Say whether a unit stated by the file differs from the profile's unit.

    A `scale` that turns one into the other settles it: Wh with scale 1000 is kWh.
    """
    found, meant = _known(stated), _known(declared)
    if found is None or meant is None or found == meant:
        return False
    if found[0] != meant[0] or found[1].offset != meant[1].offset:
        return True
    return not np.isclose(found[1].factor, meant[1].factor * scale, rtol=1e-9)
