"""Points of SenML packs and of line protocol: names, units, times and values."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, Final

import numpy as np

from ingest.adapters.line_protocol import _Reader
from ingest.errors import Terminal
from ingest.json_values import decode, number_of
from ingest.layouts_messages import LineProtocol
from ingest.propose.behaviour import run_of
from ingest.propose.columns import Seen
from ingest.propose.model import Fact, Guess
from ingest.propose.tables import MOST_COLUMNS, MOST_ROWS
from ingest.propose.telegrams import Points
from ingest.propose.units import stated_unit
from ingest.propose.words import named_roles
from ingest.text_table import load_text

#: Records looked at.
MOST_RECORDS: Final = MOST_ROWS
_SENML_UNITS: Final = {"Cel": "degC", "C": "coulomb", "F": "farad"}
#: Size of a time stamp of this century by its unit.
_PRECISIONS: Final = (("s", 1e9, 1.0), ("ms", 1e12, 1e3), ("us", 1e15, 1e6), ("ns", 1e18, 1e9))

_Found = dict[str, tuple[list[float], list[float], str | None]]


def look_at_senml(path: Path) -> Points:
    """Look at packs of sensor measurements (RFC 8428)."""
    text = load_text(path)
    whole = text.data.decode("utf-8", "replace")
    found: _Found = {}
    count = place = 0
    while count < MOST_RECORDS and (start := whole.find("[", place)) >= 0:
        try:
            pack, place = decode(whole, start)
        except ValueError:
            place = start + 1
            continue
        if isinstance(pack, list):
            count += len(pack)
            _take_pack(pack, found)
    return Points(seen=_seen(found, 1e6))


def _take_pack(pack: list[Any], found: _Found) -> None:
    base: dict[str, Any] = {}
    for record in pack:
        if not isinstance(record, dict):
            continue
        base |= {key: record[key] for key in ("bn", "bt", "bu", "bv") if key in record}
        name = f"{base.get('bn', '')}{record.get('n', '')}"
        number, _ = number_of(record.get("v"))
        own, _ = number_of(record.get("t", 0))
        start, _ = number_of(base.get("bt", 0))
        if not name or number is None or isinstance(record.get("v"), str):
            continue
        plus, _ = number_of(base.get("bv", 0))
        unit = record.get("u", base.get("bu"))
        unit = _SENML_UNITS.get(unit, unit) if isinstance(unit, str) else None
        _add(found, name, (own or 0.0) + (start or 0.0), number + (plus or 0.0), unit)


def _add(found: _Found, name: str, time: float, value: float, unit: str | None) -> None:
    if name not in found:
        if len(found) >= MOST_COLUMNS:
            return
        found[name] = ([], [], unit)
    found[name][0].append(time)
    found[name][1].append(value)


def _seen(found: _Found, micros: float) -> list[Seen]:
    out = []
    for name, (times, numbers, unit) in found.items():
        moments = np.clip(np.array(times) * micros, -9e18, 9e18).astype(np.int64)
        out.append(
            Seen(
                name=name,
                run=run_of(np.array(numbers), moments),
                unit=stated_unit(name, None, unit),
                states_unit=unit is not None,
                called=_called(name),
            )
        )
    return out


def _called(name: str) -> str:
    """Part of a point's name that says what it is: a field, or the end of a path."""
    field = re.split(r"[ /:]", name)[-1]
    return field if named_roles(field, None) else ""


def look_at_line_protocol(path: Path) -> Points:
    """Look at line protocol.

    Raises
    ------
    Terminal
        No line holds a measurement, a field and a time.
    """
    text = load_text(path)
    reader = _Reader(LineProtocol())
    for index in range(min(len(text.start), MOST_RECORDS)):
        reader.take(index, text)
    found: _Found = {}
    stamps: list[float] = []
    for _, point, _, time, value, _, _ in reader.found.rows:
        if point is not None and time is not None and value is not None:
            stamps.append(float(time))
            _add(found, point, float(time), value, None)
    if not found:
        message = f"{path.name}: no line holds a measurement, a field and a time."
        raise Terminal(message)
    size = float(np.median(stamps))
    precision, _, per_second = min(_PRECISIONS, key=lambda one: abs(np.log10(size / one[1]) - 0.2))
    out = Points(seen=_seen(found, 1e6 / per_second), layout={"precision": precision})
    why = f"Times such as {size:.0f} are {precision} since 1970."
    out.facts.append(
        Fact(name="precision", guess=Guess(value=precision, confidence=0.97, reasons=(why,)))
    )
    return out
