"""M-Bus long frames (EN 13757-2, EN 13757-3): checks, records and their values.

pymeterbus says what the records of a telegram are and where they lie. A meter sends
telegrams of one build, so that is asked once a build; values are then read from all of
its telegrams at once, in numpy.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

import meterbus
import numpy as np
import numpy.typing as npt

from ingest.mbus_wireless import encrypted

Frames = npt.NDArray[np.uint8]
Ints = npt.NDArray[np.int64]

#: Start, length twice, start, C, A, CI, then 12 bytes of fixed data header.
HEADER_BYTES = 19
_BODY = 6
TRAILER_BYTES = 2
_CI_VARIABLE = 0x72
#: Modes of the configuration field in which the payload is encrypted (EN 13757-7).
_ENCRYPTED_MODES = (5, 7)
_IDLE_FILLER = 0x2F

HEAT_MEDIA = frozenset({0x04, 0x0C, 0x0D})
ELECTRICITY_MEDIA = frozenset({0x02})

POSITIVE_ONLY, NEGATIVE_ONLY = 0x3B, 0x3C

_MEANINGS = {
    ("VIFUnit.ENERGY_WH", "MeasureUnit.WH"): ("energy", "Wh"),
    ("VIFUnit.ENERGY_J", "MeasureUnit.J"): ("energy", "J"),
    ("Energy", "MeasureUnit.WH"): ("energy", "Wh"),
    # Extension FB, codes 08 and 09: pymeterbus knows the size in joule, not the unit.
    ("Energy", "Reserved"): ("energy", "J"),
    ("VIFUnit.POWER_W", "MeasureUnit.W"): ("power", "W"),
    ("VIFUnit.POWER_J_H", "MeasureUnit.J_H"): ("power", "J/h"),
    ("Power", "MeasureUnit.W"): ("power", "W"),
    ("VIFUnit.VOLUME_FLOW", "MeasureUnit.M3_H"): ("flow_rate", "m3/h"),
    ("VIFUnit.VOLUME_FLOW_EXT", "MeasureUnit.M3_MIN"): ("flow_rate", "m3/min"),
    ("VIFUnit.VOLUME_FLOW_EXT_S", "MeasureUnit.M3_S"): ("flow_rate", "m3/s"),
    ("VIFUnit.FLOW_TEMPERATURE", "MeasureUnit.C"): ("flow_temp", "degC"),
    ("VIFUnit.RETURN_TEMPERATURE", "MeasureUnit.C"): ("return_temp", "degC"),
}


@dataclass(frozen=True)
class Spot:
    """One data record of a telegram's build: what it means and where its value lies.

    Attributes
    ----------
    quantity, unit
        As a profile's `record.quantity` says it, and the unit of value x multiplier.
    function
        `instantaneous`, `error` or `other` (minimum, maximum).
    enhancement
        VIF extensions that change the meaning, such as 0x3C: only energy taken back.
    coding
        `integer`, `real` or `bcd`; None where the value is no number.
    """

    quantity: str
    unit: str
    multiplier: float
    function: str
    storage: int
    tariff: int
    device: int
    enhancement: tuple[int, ...]
    offset: int
    length: int
    coding: str | None


@dataclass(frozen=True)
class Build:
    """Everything of a telegram but its header and its values.

    `more` is the place of the byte by which it says that more records follow in the
    next telegram.
    """

    fixed: Ints
    pattern: Frames
    spots: tuple[Spot, ...]
    more: int | None = None


class _Placed(int):
    """A byte that knows where in the telegram it stands."""

    place: int


def faults(frames: Frames) -> npt.NDArray[np.str_]:
    """Say what is wrong with each wired frame; the empty string where nothing is.

    Parameters
    ----------
    frames
        Telegrams of equal length, shape (n, length).
    """
    count, length = frames.shape
    if length < HEADER_BYTES + TRAILER_BYTES:
        said = f"the telegram has {length} bytes, too few for a long frame"
        return np.full(count, said)
    checksum = frames[:, 4:-2].sum(axis=1, dtype=np.int64) % 256
    mode = frames[:, 18] & 0x1F
    hidden = (frames[:, HEADER_BYTES] != _IDLE_FILLER) | (
        frames[:, HEADER_BYTES + 1] != _IDLE_FILLER
    )
    return np.select(
        [
            (frames[:, 0] != 0x68) | (frames[:, 3] != 0x68) | (frames[:, -1] != 0x16),
            (frames[:, 1] != length - 6) | (frames[:, 2] != length - 6),
            checksum != frames[:, -2],
            frames[:, 6] != _CI_VARIABLE,
            *(hidden & (mode == one) for one in _ENCRYPTED_MODES),
        ],
        [
            "not a long frame: it must start with 68 .. .. 68 and end with 16",
            f"the telegram has {length} bytes, which is not the length that it states",
            "the checksum does not fit: the telegram was damaged on its way",
            "not a telegram with variable data (CI field 72)",
            *(encrypted(one) for one in _ENCRYPTED_MODES),
        ],
        default="",
    )


def serials(frames: Frames) -> list[str]:
    """Give each frame's identification number, 8 digits (BCD, least byte first)."""
    return [bytes(row[10:6:-1]).hex().upper() for row in frames]


def builds(frames: Frames) -> Iterator[tuple[Ints, Build | None]]:
    """Sort good frames of equal length by their build.

    Yields
    ------
    tuple
        Rows of `frames`, and their build; None where nobody can tell the records apart.
    """
    left = np.arange(len(frames))
    while len(left):
        build = _build(frames[left[0]])
        if build is None:
            yield left[:1], None
            left = left[1:]
            continue
        same = (frames[np.ix_(left, build.fixed)] == build.pattern).all(axis=1)
        yield left[same], build
        left = left[~same]


def _build(frame: Frames) -> Build | None:
    data = []
    for place, byte in enumerate(frame.tolist()):
        placed = _Placed(byte)
        placed.place = place
        data.append(placed)
    try:
        body = meterbus.TelegramBody()
        body.load(data[_BODY:-TRAILER_BYTES])
        records = body.bodyPayload.records
    # The library meets broken telegrams with whatever its code runs into.
    except Exception:
        return None
    payload = np.ones(len(frame), dtype=np.bool_)
    payload[:HEADER_BYTES] = False
    payload[-TRAILER_BYTES:] = False
    spots = []
    more = None
    for record in records:
        if record.more_records_follow:
            more = record.dib.parts[0].place
            # What follows it in the telegram is the maker's own.
            payload[more + 1 :] = False
            continue
        places = [byte.place for byte in record.dataField.parts]
        payload[places] = False
        spot = _spot(record, places)
        if spot is not None:
            spots.append(spot)
    fixed = np.flatnonzero(payload)
    return Build(fixed, frame[fixed], tuple(spots), more)


def _spot(record: meterbus.TelegramVariableDataRecord, places: list[int]) -> Spot | None:
    if not places or not record.vib.parts:
        return None
    length, coding = record.dib.length_encoding
    one, name = {
        meterbus.DataEncoding.ENCODING_INTEGER: ([1] + [0] * (length - 1), "integer"),
        meterbus.DataEncoding.ENCODING_BCD: ([1] + [0] * (length - 1), "bcd"),
        meterbus.DataEncoding.ENCODING_REAL: (list(struct.pack("<f", 1.0)), "real"),
    }.get(coding, ([0] * len(places), None))
    record.dataField = meterbus.TelegramField(one)
    try:
        told = record.interpreted
    # A VIF that the library does not know costs this record, not its neighbours.
    except Exception:
        return None
    meaning = _MEANINGS.get((told["type"], told["unit"]))
    if meaning is None:
        return None
    extension = 2 if record.vib.parts[0] in (0xFB, 0xFD) else 1
    function = told["function"].removeprefix("FunctionType.")
    return Spot(
        quantity=meaning[0],
        unit=meaning[1],
        multiplier=float(told["value"]) if name is not None else 1.0,
        function={"INSTANTANEOUS_VALUE": "instantaneous", "ERROR_STATE_VALUE": "error"}.get(
            function, "other"
        ),
        storage=int(told["storage_number"]),
        tariff=int(told.get("tariff") or 0),
        device=int(told.get("device") or 0),
        enhancement=tuple(byte & 0x7F for byte in record.vib.parts[extension:]),
        offset=places[0],
        length=len(places),
        coding=name if len(places) == length else None,
    )


def values(frames: Frames, spot: Spot) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.str_]]:
    """Read one record's value from frames of its build.

    Returns
    -------
    tuple
        Values in the spot's unit, NaN where there is none, and why there is none.
    """
    raw = frames[:, spot.offset : spot.offset + spot.length]
    if spot.function == "error":
        return _none(len(frames), "the meter marks this value as an error state")
    if spot.coding == "integer":
        number, invalid = _integers(raw)
        said = "the meter says that this value is invalid"
    elif spot.coding == "bcd":
        number, invalid = _bcd(raw)
        said = "the value holds digits that are no digits; the meter may show an error"
    elif spot.coding == "real":
        number = np.ascontiguousarray(raw).view("<f4")[:, 0].astype(np.float64)
        invalid = ~np.isfinite(number)
        said = "not a finite number"
    else:
        return _none(len(frames), "the value is not coded as a number")
    inverse = round(1.0 / spot.multiplier) if spot.multiplier < 1.0 else 1
    number = number / inverse if inverse > 1 else number * spot.multiplier
    return np.where(invalid, np.nan, number), np.where(invalid, said, "")


def _none(count: int, said: str) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.str_]]:
    return np.full(count, np.nan), np.full(count, said)


def _integers(raw: Frames) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Two's complement, least byte first; the least number means invalid (type B)."""
    width = raw.shape[1]
    sign = np.where(raw[:, -1] & 0x80, np.uint8(0xFF), np.uint8(0))
    full = np.concatenate((raw, np.repeat(sign[:, None], 8 - width, axis=1)), axis=1)
    number = np.ascontiguousarray(full).view("<i8")[:, 0]
    return number.astype(np.float64), number == -(1 << (8 * width - 1))


def _bcd(raw: Frames) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Two digits a byte, least byte first; F as the first digit is a minus (type A)."""
    digits = np.stack((raw >> 4, raw & 0x0F), axis=2)[:, ::-1].reshape(len(raw), -1)
    minus = digits[:, 0] == 0x0F
    digits = digits.astype(np.int64)
    digits[minus, 0] = 0
    number = digits @ (10 ** np.arange(digits.shape[1] - 1, -1, -1, dtype=np.int64))
    invalid: npt.NDArray[np.bool_] = np.asarray((digits > 9).any(axis=1))
    return np.where(minus, -number, number).astype(np.float64), invalid
