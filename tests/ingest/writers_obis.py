"""Writes P1 telegrams and logs of them, by other means than the product reads them."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

IDENTIFICATION = "/XYZ5\\TEST-0001"


def checksum(text: str) -> int:
    """CRC-16/ARC, bit by bit (P1 Companion Standard 5.0.2, 6.2)."""
    crc = 0
    for byte in text.encode():
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (0xA001 if crc & 1 else 0)
    return crc


def telegram(*lines: str, crc: bool = True, head: str = IDENTIFICATION) -> str:
    """A telegram with CR LF line ends."""
    text = "\r\n".join([head, "", *lines, "!"])
    return f"{text}{checksum(text):04X}\r\n" if crc else f"{text}\r\n"


def stamp(moment: datetime, zone: str = "Europe/Amsterdam") -> str:
    """A time as a P1 meter of a zone writes it, with S or W."""
    local = moment.astimezone(ZoneInfo(zone))
    return f"{local:%y%m%d%H%M%S}{'S' if local.dst() else 'W'}"


def hexed(serial: str) -> str:
    """A serial as 96.1.x writes it."""
    return serial.encode().hex().upper()


def p1(
    moment: datetime,
    *,
    low: float = 1.0,
    normal: float = 2.0,
    power: float = 0.5,
    heat: tuple[datetime, float] | None = None,
    crc: bool = True,
    extra: tuple[str, ...] = (),
) -> str:
    """A telegram of a home with a heat meter on channel 1."""
    lines = [
        "1-3:0.2.8(50)",
        f"0-0:1.0.0({stamp(moment)})",
        f"0-0:96.1.1({hexed('EM-204417')})",
        f"1-0:1.8.1({low:010.3f}*kWh)",
        f"1-0:1.8.2({normal:010.3f}*kWh)",
        "1-0:2.8.1(000000.000*kWh)",
        f"1-0:1.7.0({power:06.3f}*kW)",
    ]
    if heat is not None:
        lines += [
            "0-1:24.1.0(012)",
            f"0-1:96.1.0({hexed('HM-77120')})",
            f"0-1:24.2.1({stamp(heat[0])})({heat[1]:09.3f}*GJ)",
        ]
    return telegram(*lines, *extra, crc=crc)
