"""OBIS codes (IEC 62056-61): what a profile names, and what a meter writes."""

from __future__ import annotations

import re
from dataclasses import dataclass

from ingest.profile import Column, Profile
from monitor.errors import DescriptionError

_CODE = re.compile(
    r"(?:(\d{1,3})-(\d{1,3}):)?([0-9A-Z]{1,3}(?:\.[0-9A-Z]{1,3}){0,2})(?:[*&](\d{1,3}))?"
)

#: Device types of meters on the M-Bus (EN 13757-3:2018, table 13), by what a role can be.
ELECTRICITY_TYPES = (2,)
HEAT_TYPES = (4, 12, 13)
TYPE_NAMES = {
    2: "electricity",
    3: "gas",
    4: "heat (return)",
    6: "hot water",
    7: "water",
    10: "cooling (return)",
    11: "cooling (flow)",
    12: "heat (flow)",
    13: "heat and cooling",
}

# Where a meter writes its own number, the surest first. 96.1.x: P1 Companion Standard 5.0.2,
# 6.12; 0.0.0 and C.1.0: IEC 62056-61, annex; 9.20, 9.21 and 0.0 of heat meters: from memory.
_SERIALS = ("96.1.1", "96.1.0", "0.0.0", "C.1.0", "9.20", "9.21", "0.0")


@dataclass(frozen=True)
class Code:
    """One OBIS code.

    Attributes
    ----------
    medium
        The A-B part as two numbers, or None where a short code leaves it out.
    core
        The C.D.E part as text.
    period
        The F part; None for the current value (left out, or 255).
    """

    medium: tuple[int, int] | None
    core: str
    period: int | None

    @property
    def channel(self) -> int:
        """Which meter of the telegram it is of: 0 is the one that writes it."""
        return self.medium[1] if self.medium is not None else 0

    def means(self, other: Code) -> bool:
        """Say whether this code, as a profile writes it, means another that a meter writes."""
        same = self.core == other.core and self.period == other.period
        return same and (None in (self.medium, other.medium) or self.medium == other.medium)


def parse_code(text: str) -> Code | None:
    """Read a code such as '1-0:1.8.0*255', '1-0:1.8.0', '1.8.0' or '6.8'; None if it is none."""
    match = _CODE.fullmatch(text)
    if match is None:
        return None
    medium = (int(match[1]), int(match[2])) if match[1] is not None else None
    period = int(match[4]) if match[4] is not None else None
    return Code(medium, match[3], None if period == 255 else period)


def wanted_codes(profile: Profile) -> dict[str, tuple[Code, ...]]:
    """Give the codes of each column: one, or several that are to be added.

    Raises
    ------
    DescriptionError
        A column is no code, or a sum of the same code twice.
    """
    wanted: dict[str, tuple[Code, ...]] = {}
    for column in profile.column:
        name = column.column
        if name is None:
            message = (
                f"The profile '{profile.name}' has a column of role '{column.role}' without "
                "'column', which says its OBIS code, such as '1-0:1.8.0'."
            )
            raise DescriptionError(message)
        codes = [parse_code(part.strip()) for part in name.split("+")]
        parts = tuple(code for code in codes if code is not None and "." in code.core)
        if len(parts) != len(codes):
            message = (
                f"The profile '{profile.name}': '{name}' is not an OBIS code, such as "
                "'1-0:1.8.0', '6.8' or '0-1:24.2.1', nor a sum such as '1-0:1.8.1 + 1-0:1.8.2'."
            )
            raise DescriptionError(message)
        if len(set(parts)) != len(parts):
            message = f"The profile '{profile.name}': '{name}' adds the same code twice."
            raise DescriptionError(message)
        wanted[name] = parts
    return wanted


@dataclass(frozen=True)
class Meaning:
    """What one code of a file means: part number `part` of the column called `column`."""

    column: str
    part: int


def meanings(
    written: list[str], wanted: dict[str, tuple[Code, ...]], profile: Profile
) -> dict[str, Meaning]:
    """Say which column each code of a file belongs to.

    Raises
    ------
    DescriptionError
        Two columns mean one code, or one part of a column means two codes of the file.
    """
    found: dict[str, Meaning] = {}
    taken: dict[Meaning, tuple[str, Code]] = {}
    for text in written:
        code = parse_code(text)
        if code is None:
            continue
        fits = [
            Meaning(name, number)
            for name, parts in wanted.items()
            for number, part in enumerate(parts)
            if part.means(code)
        ]
        if not fits:
            continue
        if len(fits) > 1:
            message = (
                f"The profile '{profile.name}': the columns '{fits[0].column}' and "
                f"'{fits[1].column}' both mean '{text}'; a reading can only mean one thing."
            )
            raise DescriptionError(message)
        first, known = taken.setdefault(fits[0], (text, code))
        if known != code:
            message = (
                f"The profile '{profile.name}': the column '{fits[0].column}' means '{first}' as "
                f"well as '{text}', which both stand in the file. Write the whole code."
            )
            raise DescriptionError(message)
        found[text] = fits[0]
    return found


def serial_place(text: str) -> tuple[int, int] | None:
    """Give the channel whose serial an item is, and its rank (0 is the surest), or None."""
    code = parse_code(text)
    if code is None or code.core not in _SERIALS or code.period is not None:
        return None
    if code.channel > 0 and not code.core.startswith("96.1."):
        return None
    return code.channel, _SERIALS.index(code.core)


def type_channel(text: str) -> int | None:
    """Give the channel whose device type an item is, or None."""
    code = parse_code(text)
    return code.channel if code is not None and code.core == "24.1.0" else None


def serial_from(text: str, *, hexadecimal: bool) -> str | None:
    """Give a serial as a person reads it; 96.1.x writes each character as two hex digits."""
    text = text.strip()
    if hexadecimal and re.fullmatch(r"(?:[0-9A-Fa-f]{2})+", text):
        letters = bytes.fromhex(text).rstrip(b"\0").decode("latin-1")
        if letters.isascii() and letters.isprintable():
            text = letters.strip()
    return text or None


def misfit(column: Column, device: int) -> str | None:
    """Say why a meter of a device type cannot be what a column says, or None."""
    fitting = ELECTRICITY_TYPES if column.role.is_electricity else HEAT_TYPES
    if device in fitting or not column.role.is_energy:
        return None
    named = TYPE_NAMES.get(device, "another kind of")
    return f"it is of a {named} meter (device type {device}), which cannot be role '{column.role}'"
