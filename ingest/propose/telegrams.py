"""What stands in captures and feeds whose values say themselves what they are."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
import polars as pl

from ingest.espi_feed import Entry, read_feed
from ingest.espi_meaning import described, measure
from ingest.mbus_frames import (
    ELECTRICITY_MEDIA,
    HEAT_MEDIA,
    POSITIVE_ONLY,
    builds,
    faults,
    serials,
    values,
)
from ingest.mbus_readouts import readouts
from ingest.mbus_wireless import as_long_frame, is_wireless
from ingest.obis_codes import parse_code
from ingest.profile import MbusRecord
from ingest.propose.behaviour import run_of
from ingest.propose.columns import Seen
from ingest.propose.model import Fact, Guess, Question
from ingest.propose.times import TimeColumn, read_column
from ingest.text_table import load_text
from ingest.units import conversion, dimension_of
from monitor.models import Kind, Role, Site

#: Telegrams looked at: a year of them every five minutes has a hundred thousand.
MOST_TELEGRAMS: Final = 30_000
_LEAST: Final = int(np.iinfo(np.int64).min)
_MARKS: Final = (";", "\t", ",", "|", " ")
_HEX: Final = re.compile(r"[0-9A-Fa-f\s]{24,}")
#: No telegram is longer than this in hex.
_LONGEST: Final = 4_000

#: Roles of OBIS codes of meters of a home, by the C.D.E part (IEC 62056-61; heat meters:
#: from memory): role, kind.
_OBIS_ROLES: Final = {
    "1.8.0": (Role.ELEC_TOTAL, "register"),
    "6.8": (Role.HEAT_TOTAL, "register"),
    "6.8.0": (Role.HEAT_TOTAL, "register"),
    "6.33": (Role.FLOW_RATE, "state"),
}
_OBIS_ITEM: Final = re.compile(
    r"((?:\d{1,3}-\d{1,3}:)?[0-9A-Z]{1,3}(?:\.[0-9A-Z]{1,3}){1,2}(?:[*&]\d{1,3})?)"
    r"((?:\([^()\n]{0,80}\)){1,4})"
)
_TAIL: Final = re.compile(r"UsagePoint/[^/]+/MeterReading/[^/]+$")


@dataclass
class Points:
    """What a self-describing file holds.

    Attributes
    ----------
    local
        True where its own times are local and say so, but not where.
    time
        Times that are written as text beside the values, if the format has such.
    """

    seen: list[Seen] = field(default_factory=list)
    layout: dict[str, Any] = field(default_factory=dict)
    time: TimeColumn | None = None
    local: bool = False
    facts: list[Fact] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)


def _stated(role: Role, kind: str, why: str, sure: float = 0.9) -> tuple[Guess, Guess]:
    return (
        Guess(value=role.value, confidence=sure, reasons=(why,)),
        Guess(value=kind, confidence=0.98, reasons=("The file states it.",)),
    )


def look_at_mbus(path: Path, site: Site | None) -> Points:
    """Look at a capture of M-Bus telegrams."""
    text = load_text(path)
    stamps: list[str] = []
    frames: list[bytes] = []
    marks: Counter[str] = Counter()
    for index in range(min(len(text.start), MOST_TELEGRAMS)):
        if text.end[index] - text.start[index] > _LONGEST:
            continue
        told = _parted(text.line(index).strip())
        if told is None:
            continue
        stamp, mark, frame = told
        if is_wireless(frame):
            frame, wrong = as_long_frame(frame)
            if wrong:
                continue
        marks[mark] += 1
        stamps.append(stamp)
        frames.append(frame)
    out = Points()
    if not frames:
        out.doubts.append("No line holds a time and a whole telegram.")
        return out
    out.layout["separator"] = marks.most_common(1)[0][0]
    out.time = read_column((0,), pl.Series(stamps, dtype=pl.String), "time")
    micros = out.time.local if out.time is not None else np.full(len(stamps), _LEAST)
    found: dict[tuple[str, int, str], list[tuple[Any, Any, str]]] = defaultdict(list)
    lengths = np.array([len(one) for one in frames])
    for length in np.unique(lengths):
        rows = np.flatnonzero(lengths == length)
        block = np.frombuffer(b"".join(frames[row] for row in rows), np.uint8)
        block = block.reshape(len(rows), int(length))
        good = faults(block) == ""
        rows, block = rows[good], block[good]
        for part, build in builds(block):
            if build is None:
                continue
            _take_build(block[part], rows[part], build, micros, found)
    for (serial, medium, quantity), parts in sorted(found.items()):
        numbers = np.concatenate([one for one, _, _ in parts])
        times = np.concatenate([one for _, one, _ in parts])
        out.seen += _mbus_column(serial, medium, quantity, parts[0][2], numbers, times, site)
    _without_power(out)
    return out


def _parted(line: str) -> tuple[str, str, bytes] | None:
    """Part a line into time, separator and telegram; None where it holds no telegram."""
    for mark in _MARKS:
        stamp, found, rest = line.partition(mark)
        if found and _HEX.fullmatch(rest):
            digits = re.sub(r"\s", "", rest)
            return None if len(digits) % 2 else (stamp.strip(), mark, bytes.fromhex(digits))
    return None


def _take_build(
    block: Any, rows: Any, build: Any, micros: Any, found: dict[Any, list[tuple[Any, Any, str]]]
) -> None:
    names = np.array(serials(block))
    for spot in build.spots:
        plain = (spot.storage, spot.tariff, spot.device) == (0, 0, 0)
        if not plain or spot.function != "instantaneous":
            continue
        if spot.enhancement not in ((), (POSITIVE_ONLY,)):
            continue
        numbers, _ = values(block, spot)
        for name in np.unique(names):
            here = names == name
            medium = int(block[here][0, 14])
            found[str(name), medium, spot.quantity].append(
                (numbers[here], micros[rows[here]], spot.unit)
            )


def _fit_roles(serial: str, site: Site | None) -> set[Role]:
    if site is None:
        return set()
    return {
        channel.role
        for fit in site.meter
        if fit.serial.zfill(8).upper() == serial.zfill(8).upper()
        for channel in fit.channel
    }


def _mbus_column(
    serial: str,
    medium: int,
    quantity: str,
    unit: str,
    numbers: Any,
    times: Any,
    site: Site | None,
) -> list[Seen]:
    """Give the column of one record of one meter; none where no role can be meant."""
    own = _fit_roles(serial, site)
    if quantity == "energy" or quantity == "power":
        heat = medium in HEAT_MEDIA
        if not heat and medium not in ELECTRICITY_MEDIA:
            return []
        group = "heat_" if heat else "elec_"
        fitting = sorted(role for role in own if role.value.startswith(group))
        role = fitting[0] if len(fitting) == 1 else Role(f"{group}total")
        kind = "register" if quantity == "energy" else "power"
        why = f"Meter {serial} is a {'heat' if heat else 'electricity'} meter (medium {medium:02X})"
        sure = 0.97 if len(fitting) == 1 else 0.75
        if len(fitting) == 1:
            why += f", which the site knows as {role}"
    else:
        role = Role(quantity)
        kind, sure, why = "state", 0.97, f"Meter {serial} names the record so"
        if site is not None and role not in own:
            own_kind = role in site.roles
            return [] if not own_kind else [_left(serial, quantity, unit, numbers, times)]
    told = _stated(role, kind, f"{why}.", sure)
    numbers, kept = _in_kept_unit(unit, role, kind, numbers)
    return [
        Seen(
            name=f"{quantity} of meter {serial}",
            run=run_of(numbers, times),
            unit=Guess(value=kept, confidence=1.0, reasons=("The telegram states its unit.",)),
            states_unit=True,
            serial=serial,
            record=MbusRecord.model_validate({"quantity": quantity}),
            role=told[0],
            kind=told[1],
        )
    ]


def _in_kept_unit(unit: str, role: Role, kind: str, numbers: Any) -> tuple[Any, str]:
    """Give numbers in the unit that readings are kept in, and that unit."""
    told = conversion(unit, role, Kind(kind), where="")
    kept = {"energy": "kWh", "power": "kW", "temperature": "degC", "flow": "m3/h"}
    return numbers * told.factor + told.offset, kept[dimension_of(role, Kind(kind))]


def _left(serial: str, quantity: str, unit: str, numbers: Any, times: Any) -> Seen:
    seen = Seen(
        name=f"{quantity} of meter {serial}",
        run=run_of(numbers, times),
        unit=Guess(value=unit, confidence=1.0),
        states_unit=True,
        serial=serial,
        record=MbusRecord.model_validate({"quantity": quantity}),
        kind=Guess(value="state", confidence=0.98, reasons=("The file states it.",)),
    )
    seen.left_out = "The site takes this quantity from another meter."
    return seen


def _without_power(out: Points) -> None:
    """Leave power out where the same meter has a register of energy."""
    registers = {(o.serial) for o in out.seen if o.kind.value == "register"}
    for one in out.seen:
        if one.kind.value == "power" and one.serial in registers:
            one.left_out = "The meter's register of energy says more than its power."
            one.role = Guess(reasons=(one.left_out,))


def look_at_mbus_xml(path: Path, site: Site | None) -> Points:
    """Look at a dump of M-Bus readouts."""
    out = Points()
    found: dict[tuple[str, int, str, str], list[float]] = defaultdict(list)
    for document in readouts(load_text(path)):
        if document.medium is None or not document.meter:
            continue
        for one in document.readings:
            plain = (one.storage, one.tariff, one.device) == (0, 0, 0)
            if not plain or "nstantaneous" not in one.function or one.unit is None:
                continue
            number = _number(one.value)
            key = (document.meter, document.medium, one.quantity, one.unit)
            found[key].append(number * one.multiplier)
    done: set[tuple[str, str]] = set()
    for (serial, medium, quantity, unit), numbers in found.items():
        if (serial, quantity) in done:
            continue
        done.add((serial, quantity))
        out.seen += _mbus_column(serial, medium, quantity, unit, np.array(numbers), None, site)
    _without_power(out)
    return out


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return float("nan")


def look_at_obis(path: Path) -> Points:
    """Look at a log of P1 telegrams or readouts."""
    text = load_text(path)
    out = Points()
    found: dict[str, list[float]] = defaultdict(list)
    units: dict[str, str] = {}
    devices: dict[int, str] = {}
    for index in range(min(len(text.start), 20 * MOST_TELEGRAMS)):
        for code, groups in _OBIS_ITEM.findall(text.line(index)[:2000]):
            parts = groups.strip("()").split(")(")
            number, _, unit = parts[-1].partition("*")
            known = parse_code(code)
            if known is None or known.period is not None:
                continue
            if known.core == "24.1.0":
                devices[known.channel] = number.lstrip("0") or "0"
            elif unit:
                units.setdefault(code, unit)
                found[code].append(_number(number))
    # P1 Companion Standard 5.0.2, 6.4: S is summer time, W is not.
    out.local = re.search(rb"1\.0\.0\(\d{12}[SW]\)", text.data[: 1 << 20]) is not None
    _obis_layout(out, [text.line(i) for i in range(min(len(text.start), 60))])
    tariffs = [code for code in found if (c := parse_code(code)) and c.core in ("1.8.1", "1.8.2")]
    whole = [code for code in found if (c := parse_code(code)) and c.core == "1.8.0"]
    if tariffs and not whole:
        sums = np.sum([found[code][: len(found[tariffs[0]])] for code in tariffs], axis=0)
        told = _stated(
            Role.ELEC_TOTAL, "register", "Energy taken from the grid is the sum of its tariffs."
        )
        out.seen.append(_obis_seen(" + ".join(tariffs), sums, units[tariffs[0]], told))
    for code, numbers in found.items():
        known = parse_code(code)
        if known is None:
            continue
        meant = _OBIS_ROLES.get(known.core)
        if known.core.startswith("24.2.") and devices.get(known.channel) in ("4", "12", "13"):
            meant = (Role.HEAT_TOTAL, "register")
        elif known.channel and known.medium and known.medium[0] == 0:
            meant = None
        if meant is not None:
            told = _stated(meant[0], meant[1], f"The OBIS code {code} means it.", 0.85)
            out.seen.append(_obis_seen(code, np.array(numbers), units[code], told))
    return out


def _obis_seen(name: str, numbers: Any, unit: str, told: tuple[Guess, Guess]) -> Seen:
    spelt = {"m3ph": "m3/h", "m3*h": "m3/h"}.get(unit, unit)
    return Seen(
        name=name,
        run=run_of(np.asarray(numbers, dtype=float), None),
        unit=Guess(value=spelt, confidence=1.0, reasons=("The telegram states it.",)),
        states_unit=True,
        role=told[0],
        kind=told[1],
    )


def _obis_layout(out: Points, lines: list[str]) -> None:
    """Tell where the time of reception stands."""
    for before, line in zip(["", *lines], lines, strict=False):
        if not re.search(r"(?:^|[;,\t ])/[A-Za-z]{3}", line):
            continue
        stamp = read_column((0,), pl.Series([before.strip()], dtype=pl.String), "time")
        if line.startswith("/") and before.strip() and stamp is not None:
            column = pl.Series([one.strip() for one in lines], dtype=pl.String)
            stamps = column.filter(column.str.contains(r"^\d+[./-]\d+[./-]\d+"))
            out.time = read_column((0,), stamps, "time")
            out.layout["received"] = "line"
        elif not line.startswith("/"):
            out.layout["received"] = "prefix"
            mark = line[line.index("/") - 1]
            out.layout["separator"] = mark
            column = pl.Series([one.split(mark)[0] for one in lines if mark in one])
            out.time = read_column((0,), column.cast(pl.String), "time")
        break


def look_at_espi(path: Path) -> Points:
    """Look at a feed of ESPI XML."""
    feed = read_feed(path)
    out = Points()
    kinds = {one.address: one for one in feed.entries if one.content == "ReadingType"}
    meters = [one for one in feed.entries if one.content == "MeterReading"]
    tails = [_TAIL.search(one.address) for one in meters]
    for number, (one, tail) in enumerate(zip(meters, tails, strict=True), 1):
        linked = [kinds[href] for href in one.links.get("related", []) if href in kinds]
        kind = linked[0] if linked else next(iter(kinds.values()), None)
        name = tail[0] if tail is not None else f"UsagePoint 1 / MeterReading {number}"
        out.seen.append(_espi_seen(name, one.title, kind))
    if feed.broken is not None:
        out.doubts.append(f"The feed breaks off in line {feed.broken[0]}: {feed.broken[1]}.")
    return out


def _espi_seen(name: str, title: str, kind: Entry | None) -> Seen:
    codes = kind.fields if kind is not None else {}
    said = described(kind)
    seen = Seen(
        name=name,
        run=run_of(np.empty(0), None),
        unit=Guess(value=measure(kind).unit, confidence=1.0, reasons=("The feed states it.",)),
        states_unit=True,
        states_length=True,
    )
    behaves = {"4": "interval", "1": "register", "3": "register", "9": "register"}
    meant = behaves.get(codes.get("accumulationBehaviour", ""))
    heat = codes.get("commodity") in ("10", "12")
    electric = codes.get("commodity") in ("1", "2", None)
    called = f" titled '{title}'" if title else ""
    if meant is None or codes.get("flowDirection") == "19" or not (heat or electric):
        seen.left_out = f"It is {said}{called}, which no role stands for."
        return seen
    role = Role.HEAT_TOTAL if heat else Role.ELEC_TOTAL
    told = _stated(role, meant, f"The feed calls it {said}{called}.", 0.8)
    seen.role, seen.kind = told
    return seen
