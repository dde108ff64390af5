"""What the codes of an ESPI ReadingType mean, and what a profile may make of them.

The enumerations are those of the schema of NAESB REQ.21 (espi.xsd, after IEC 61968-9);
entries that its published samples do not show are from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from ingest.errors import Terminal
from ingest.espi_feed import Entry
from ingest.profile import Column
from monitor.errors import DescriptionError
from monitor.models import Kind

#: UnitSymbolKind -> unit, and a factor on the value.
UNITS: dict[str, tuple[str, float]] = {
    "6": ("K", 1.0),
    "23": ("degC", 1.0),
    "31": ("J", 1.0),
    "38": ("W", 1.0),
    "72": ("Wh", 1.0),
    "125": ("m3/h", 1.0),
    "132": ("BTU", 1.0),
    "133": ("BTU/h", 1.0),
    "137": ("l/h", 1.0),
    "169": ("BTU", 1e5),
    "279": ("degF", 1.0),
}
_OTHER_UNITS = {
    "5": "A",
    "29": "V",
    "42": "m3",
    "61": "VA",
    "71": "VAh",
    "73": "varh",
    "119": "ft3",
}
_ENERGY = ("Wh", "J", "BTU")
_QUANTITIES = {"W": "power", "BTU/h": "power", "m3/h": "flow", "l/h": "flow"}

_DIRECTIONS = {"1": "forward", "4": "net", "19": "reverse", "20": "total"}
_REVERSE = "19"

_REGISTERS = ("1", "3", "9")
_INTERVALS = ("4",)
_INSTANTS = ("6", "12")

_COMMODITIES = {
    "1": "electricity",
    "2": "electricity",
    "4": "air",
    "7": "natural gas",
    "8": "propane",
    "9": "potable water",
    "10": "steam",
    "11": "waste water",
    "12": "heating fluid",
    "13": "cooling fluid",
}
_ELECTRICITY = ("1", "2")
_HEAT = ("10", "12")

#: QualityOfReading: what a meter measured, and what somebody else made of it.
_MEASURED = ("0", "14", "17", "18", "19")
_NOT_MEASURED = {
    "7": "edited by hand",
    "8": "estimated from a reference day",
    "9": "estimated by interpolation",
    "10": "questionable: it failed a check",
    "11": "derived, not measured",
    "12": "projected",
    "13": "a mix of measured and other energy",
    "15": "adjusted for weather",
    "16": "of another quality than measured",
}


@dataclass(frozen=True)
class Measure:
    """What the readings of one MeterReading are.

    Attributes
    ----------
    unit, factor
        Unit of value x factor; both None where `wrong` says why.
    length
        Length of each reading in s where the readings do not state it, or None.
    quality
        Quality of readings that do not state one.
    """

    unit: str | None
    factor: float | None
    length: int | None
    quality: str
    wrong: str | None


def measure(kind: Entry | None) -> Measure:
    """Say what a ReadingType means; None is one that the file lacks."""
    if kind is None:
        return Measure(
            None, None, None, "", "its ReadingType is not in the file, so its unit is not known"
        )
    codes = kind.fields
    power = codes.get("powerOfTenMultiplier") or "0"
    length = codes.get("intervalLength", "")
    seconds = int(length) if length.isascii() and length.isdigit() and len(length) < 9 else None
    quality = codes.get("defaultQuality", "")
    code = codes.get("uom", "")
    if not re.fullmatch(r"-?0{0,9}(?:[0-9]|1[0-5])", power, re.ASCII):
        wrong = f"its ReadingType has the power of ten '{power[:20]}', which is none"
        return Measure(None, None, seconds, quality, wrong)
    name, factor = UNITS.get(code, (_OTHER_UNITS.get(code, f"uom {code[:20]}"), 1.0))
    if not code:
        wrong = "its ReadingType does not state its unit (uom)"
        return Measure(None, None, seconds, quality, wrong)
    return Measure(name, factor * 10.0 ** int(power), seconds, quality, None)


def described(kind: Entry | None) -> str:
    """Say in words what a ReadingType is: 'forward energy in Wh, electricity'."""
    if kind is None:
        return "without a ReadingType"
    unit = measure(kind).unit or "an unknown unit"
    quantity = "energy" if unit in _ENERGY else _QUANTITIES.get(unit, "values")
    parts = [_DIRECTIONS.get(kind.fields.get("flowDirection", ""), ""), quantity, "in", unit]
    words = " ".join(part for part in parts if part)
    commodity = _COMMODITIES.get(kind.fields.get("commodity", ""))
    return f"{words}, {commodity}" if commodity else words


def hold(file: str, point: str, kind: Entry | None, column: Column) -> str | None:
    """Hold what a profile says of a point to what the file says of it.

    Returns
    -------
    str or None
        A sentence that a person should see.

    Raises
    ------
    DescriptionError
        The file gives intervals, registers or moments and the profile says otherwise.
    Terminal
        The file says that something else is measured.
    """
    if kind is None:
        return None
    codes = kind.fields
    behaviour = codes.get("accumulationBehaviour", "")
    says = None
    if behaviour in _INTERVALS and measure(kind).unit in _ENERGY:
        says, fits = "energy in intervals", column.kind is Kind.INTERVAL
    elif behaviour in _REGISTERS:
        says, fits = "a register", column.kind is Kind.REGISTER
    elif behaviour in _INSTANTS:
        says, fits = "values at a moment", column.kind in (Kind.POWER, Kind.STATE)
    if says is not None and not fits:
        message = (
            f"{file}: '{point}' is {says} (accumulationBehaviour {behaviour}), but the profile "
            f"says kind '{column.kind}'. Correct 'kind'; nothing was read."
        )
        raise DescriptionError(message)
    commodity = codes.get("commodity", "")
    allowed = _ELECTRICITY if column.role.is_electricity else _HEAT
    if column.role.is_energy and commodity in _COMMODITIES and commodity not in allowed:
        message = (
            f"{file}: '{point}' is of {_COMMODITIES[commodity]} (commodity {commodity}), but the "
            f"profile says role '{column.role}'. Correct the column; nothing was read."
        )
        raise Terminal(message)
    if codes.get("flowDirection") == _REVERSE:
        return f"'{point}' counts the reverse direction (flowDirection {_REVERSE}), as by export."
    return None


def quality_reason(codes: str) -> str | None:
    """Say why a reading of some qualities was not measured; None where it was."""
    for code in codes.split():
        if code not in _MEASURED:
            known = _NOT_MEASURED.get(code, "not known")
            return f"its quality is {known} (quality {code[:20]})"
    return None
