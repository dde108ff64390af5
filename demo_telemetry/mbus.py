"""Writes M-Bus answers of meters: EN 13757-2 long frames, EN 13757-3 variable structure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

HEAT = 0x04
ELECTRICITY = 0x02


@dataclass(frozen=True)
class DataRecord:
    """One data record: its DIF and VIF, and an integer value.

    The constructors below name the quantities. BCD is coded by DIF 0x0C (8 digits),
    binary integers by DIF 0x02 (16 bit) and 0x04 (32 bit).
    """

    dif: int
    vif: int
    value: int

    def encode(self) -> bytes:
        """Give the record's bytes."""
        if self.dif == 0x0C:
            body = bcd(self.value, 4)
        else:
            size = {0x02: 2, 0x04: 4}[self.dif]
            body = self.value.to_bytes(size, "little", signed=True)
        return bytes((self.dif, self.vif)) + body


def bcd(number: int, size: int) -> bytes:
    """Give a number as packed decimal digits, lowest first."""
    digits = f"{number:0{2 * size}d}"
    if len(digits) > 2 * size or number < 0:
        message = f"{number} does not fit {2 * size} digits"
        raise ValueError(message)
    return bytes.fromhex(digits)[::-1]


def energy_kwh(value: int, *, packed: bool = False) -> DataRecord:
    """Energy register in whole kWh."""
    return DataRecord(0x0C if packed else 0x04, 0x06, value)


def power_w(value: int) -> DataRecord:
    """Power in W."""
    return DataRecord(0x04, 0x2B, value)


def flow_l_h(value: int) -> DataRecord:
    """Flow in l/h."""
    return DataRecord(0x04, 0x3B, value)


def flow_temp_tenths(value: int) -> DataRecord:
    """Flow temperature in 0.1 degC."""
    return DataRecord(0x02, 0x5A, value)


def return_temp_tenths(value: int) -> DataRecord:
    """Return temperature in 0.1 degC."""
    return DataRecord(0x02, 0x5E, value)


def manufacturer_code(letters: str) -> int:
    """Give the two-byte code of three capital letters (EN 13757-3)."""
    first, second, third = (ord(letter) - 64 for letter in letters)
    return first * 1024 + second * 32 + third


def long_frame(
    identification: str,
    manufacturer: str,
    medium: int,
    access: int,
    records: Sequence[DataRecord],
    *,
    address: int = 1,
) -> bytes:
    """Give a whole answer (RSP_UD) of a meter.

    Parameters
    ----------
    identification
        The meter's number, eight digits.
    manufacturer
        Three capital letters.
    medium
        0x04 heat (measured in the return), 0x02 electricity.
    access
        Counter of answers; taken modulo 256.
    records
        What it says, in order.
    """
    head = (
        bcd(int(identification), 4)
        + manufacturer_code(manufacturer).to_bytes(2, "little")
        + bytes((0x10, medium, access % 256, 0x00, 0x00, 0x00))
    )
    body = bytes((0x08, address, 0x72)) + head + b"".join(record.encode() for record in records)
    length = len(body)
    return bytes((0x68, length, length, 0x68)) + body + bytes((sum(body) % 256, 0x16))
