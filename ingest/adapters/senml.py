"""Packs of sensor measurements (SenML, RFC 8428) in JSON: one a file, or one a line."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polars as pl

from ingest.clock import read_stamps
from ingest.errors import Terminal
from ingest.json_values import decode, kind_of, number_of, shown_value
from ingest.layouts_messages import SenML, time_in_name
from ingest.local_time import parse_zone
from ingest.normal_form import Extract
from ingest.numbers import shown
from ingest.points import POINTS, extract_points
from ingest.profile import Profile
from ingest.text_table import Text, load_text

#: Times below are relative to the time of reception (RFC 8428, 4.5.3).
RELATIVE_BELOW = float(2**28)

#: Version of the model that this reader knows (RFC 8428, 4.4).
VERSION = 10

# SenML's 'C' and 'F' are coulomb and farad, which our words for units are not.
_UNITS = {"Cel": "degC", "C": "coulomb", "F": "farad"}
#: Unit of a sum: that of the value times a second.
_SUMS = {"W": "J", "kW": "kJ"}
_STARTS = re.compile(r"^[ \t\ufeff]*\[", re.MULTILINE)
_BLANK = re.compile(r"[ \t\r\n]*")
_NOT_NUMBERS = {"vs": "a text", "vb": "true or false", "vd": "data"}
_BASES = {"bn": "text", "bt": "number", "bu": "text", "bv": "number", "bs": "number"}
_RELATIVE = "its time is relative to when the pack was received, which the file does not say"

_Row = tuple[int, str | None, str | None, str | None, float | None, str, str | None]


@dataclass
class _Pack:
    """Records of one pack with their lines; `wrong` says why it ends before its end."""

    records: list[tuple[int, Any]] = field(default_factory=list)
    wrong: str = ""
    wrong_line: int = 0
    wrong_text: str = ""


class SenMLAdapter:
    """Reads SenML packs in JSON; see `ingest.registry.Adapter`.

    A record is the point of its resolved name; its sum is the point `NAME sum`, in the
    unit of the value times a second (W: J).
    """

    name = "senml"

    def read(self, path: Path, profile: Profile) -> Extract:
        """Read a whole file.

        Raises
        ------
        DescriptionError
            The profile cannot be used for this format.
        Terminal, Transient
            The file cannot be read as the profile says, or not now.
        """
        layout = profile.senml or SenML()
        text = load_text(path)
        received, unsaid = _received(path.name, layout, profile)
        rows: list[_Row] = []
        count = 0
        for pack in _packs(text):
            rows += _Resolver(received, unsaid).rows(pack)
            count += len(pack.records) + bool(pack.wrong)
        return extract_points(path.name, _frame(rows), profile, lines=count, notes=text.notes)


def _received(name: str, layout: SenML, profile: Profile) -> tuple[float, str | None]:
    """Give the time of reception that the file's name states, or why there is none."""
    if layout.name_time is None:
        return 0.0, f"{_RELATIVE}; give the profile's [senml] a 'name_time' if its name does"
    stamp = time_in_name(name, layout.name_time)
    if stamp is None:
        return 0.0, f"{_RELATIVE}; its name holds no one time written as '{layout.name_time}'"
    told = read_stamps(
        pl.Series([stamp]), time_format=layout.name_time, zone=parse_zone(profile.zone)
    )
    if told.reason[0] is not None:
        return 0.0, f"{_RELATIVE}; of its name, {told.reason[0]}"
    return float(told.utc.dt.epoch("us")[0]) / 1e6, None


def _packs(text: Text) -> Iterator[_Pack]:
    """Take the packs of a file apart.

    A pack begins on a line of its own; what is damaged ends with its pack.

    Raises
    ------
    Terminal
        No line begins a pack.
    """
    whole = text.data.decode("utf-8", "replace")
    starts = [found.start() for found in _STARTS.finditer(whole)]
    if not starts:
        message = (
            f"{text.name}: no line begins a SenML pack, which is a JSON array of records: "
            '[{"n": ..., "t": ..., "v": ...}, ...].'
        )
        raise Terminal(message)
    before = whole[: starts[0]]
    stray = before.lstrip()
    if stray:
        line = 1 + before.count("\n", 0, len(before) - len(stray))
        yield _Pack(wrong="this is not part of a pack", wrong_line=line, wrong_text=stray[:300])
    line, done = 1, 0
    for start, end in zip(starts, [*starts[1:], len(whole)], strict=True):
        line += whole.count("\n", done, start)
        done = start
        yield _pack(whole[start:end], line)


def _pack(text: str, line: int) -> _Pack:
    scanner = _Scanner(text, line)
    pack = _Pack(scanner.records)
    try:
        scanner.run()
    except ValueError as error:
        pack.wrong = str(error)
        pack.wrong_line = scanner.line_here()
        pack.wrong_text = text[scanner.place : scanner.place + 300]
    return pack


class _Scanner:
    """Takes one pack's records out of its text, as far as they can be read."""

    def __init__(self, text: str, line: int) -> None:
        self.place = text.index("[") + 1
        self.records: list[tuple[int, Any]] = []
        self._text = text
        self._line = line
        self._counted = 0

    def line_here(self) -> int:
        """Line of the file at which the scanner stands."""
        self._line += self._text.count("\n", self._counted, self.place)
        self._counted = self.place
        return self._line

    def run(self) -> None:
        """Read all records.

        Raises
        ------
        ValueError
            With what is wrong at the place where the scanner stands.
        """
        expects = "a record or ]"
        while (sign := self._sign()) != "]" or expects == "a record":
            if sign == "," and expects == ", or ]":
                self.place, expects = self.place + 1, "a record"
                continue
            if not sign or expects == ", or ]":
                what = "ends here" if not sign else "is damaged here"
                message = f"the pack {what}, where {expects} should follow"
                raise ValueError(message)
            line = self.line_here()
            try:
                record, self.place = decode(self._text, self.place)
            except ValueError as error:
                message = f"the record is not JSON: {error}"
                raise ValueError(message) from error
            self.records.append((line, record))
            expects = ", or ]"
        self.place += 1
        if self._sign():
            message = "this stands behind the end of the pack"
            raise ValueError(message)

    def _sign(self) -> str:
        """Pass over blanks and give the next sign; empty at the end."""
        blank = _BLANK.match(self._text, self.place)
        self.place = self.place if blank is None else blank.end()
        return self._text[self.place : self.place + 1]


class _Resolver:
    """Applies the base values of a pack to its records (RFC 8428, 4.5 and 4.6)."""

    def __init__(self, received: float, unsaid: str | None) -> None:
        self._received = received
        self._unsaid = unsaid
        self._base: dict[str, Any] = {}
        self._spoilt: str | None = None

    def rows(self, pack: _Pack) -> Iterator[_Row]:
        """Give the rows of a pack."""
        refused = _misunderstood(pack)
        for line, record in pack.records:
            if isinstance(record, dict):
                yield from self._resolve(line, record, refused)
            else:
                reason = f"a record is an object, not {kind_of(record)}"
                yield line, None, None, None, None, shown_value(record), reason
        if pack.wrong:
            raw = shown(pack.wrong_text)
            yield pack.wrong_line, None, None, None, None, raw, pack.wrong

    def _resolve(self, line: int, record: dict[str, Any], refused: str | None) -> Iterator[_Row]:
        self._take_bases(record)
        reason = refused or self._spoilt
        name, unit = self._base.get("bn", ""), record.get("u", self._base.get("bu"))
        own = record.get("n", "")
        if name is None or not isinstance(own, str) or not f"{name}{own}".strip():
            raw = shown(", ".join(label for label in list(record)[:20]))
            yield line, None, None, None, None, raw, reason or "the record has no name"
            return
        point = f"{name}{own}"
        if unit is not None and not isinstance(unit, str):
            reason = reason or "its unit is not a text"
            unit = None
        time, late = self._time(record)
        reason = reason or late
        for value, raw, suffix, why in self._values(record):
            told = _SUMS.get(unit or "") if suffix else _UNITS.get(unit or "", unit)
            yield line, f"{point}{suffix}", told, time, value, raw, reason or why

    def _take_bases(self, record: dict[str, Any]) -> None:
        for label, kind in _BASES.items():
            if label not in record:
                continue
            value = record[label]
            number, why = number_of(value)
            is_text = isinstance(value, str)
            if is_text if kind == "text" else not is_text and why is None:
                self._base[label] = value if is_text else number
            else:
                self._base[label] = None
                self._spoilt = f"the pack's '{label}' is not a {kind}"

    def _time(self, record: dict[str, Any]) -> tuple[str | None, str | None]:
        own, why = number_of(record.get("t", 0))
        if own is None or isinstance(record.get("t"), str):
            return None, why or "its time is not a number"
        time = float(self._base.get("bt") or 0.0) + own
        if time >= RELATIVE_BELOW:
            return repr(time), None
        if self._unsaid is not None:
            return None, self._unsaid
        return repr(self._received + time), None

    def _values(
        self, record: dict[str, Any]
    ) -> Iterator[tuple[float | None, str, str, str | None]]:
        """Give each value of a record: number, text, suffix of the name, what is wrong."""
        other = [label for label in _NOT_NUMBERS if label in record]
        has_sum = "s" in record or "bs" in self._base
        if "v" in record:
            yield self._sum_of("v", "bv", record, "")
        elif other:
            raw = shown_value(record[other[0]])
            yield None, raw, "", f"{_NOT_NUMBERS[other[0]]} is not a number"
        elif "bv" in self._base and not has_sum:
            yield self._sum_of("v", "bv", record, "")
        elif not has_sum:
            yield None, "", "", "there is no value in this record"
        if has_sum:
            yield self._sum_of("s", "bs", record, " sum")

    def _sum_of(
        self, label: str, base: str, record: dict[str, Any], suffix: str
    ) -> tuple[float | None, str, str, str | None]:
        value = record.get(label, 0)
        number, why = number_of(value)
        if isinstance(value, str):
            number, why = None, "a text is not a number"
        total = None if number is None else float(self._base.get(base) or 0.0) + number
        return total, shown_value(value), suffix, why


def _misunderstood(pack: _Pack) -> str | None:
    """Say why a pack may not be used by a reader that knows no more than this one."""
    for _, record in pack.records:
        if not isinstance(record, dict):
            continue
        version, _ = number_of(record.get("bver", VERSION))
        if version is None or version > VERSION:
            return f"the pack is of a version that is not known ('bver'; known is {VERSION})"
        strange = next((label for label in record if label.endswith("_")), None)
        if strange is not None:
            return f"the pack has a field '{shown(strange, 40)}' that must be understood"
    return None


def _frame(rows: list[_Row]) -> pl.DataFrame:
    schema = {
        "line": pl.Int64,
        "point": pl.String,
        "unit": pl.String,
        "stamp": pl.String,
        "value": pl.Float64,
        "raw": pl.String,
        "reason": pl.String,
    }
    frame = pl.DataFrame(rows, schema=schema, orient="row")
    told = read_stamps(frame["stamp"], time_format="epoch_s", zone=parse_zone("UTC"))
    return frame.with_columns(
        told.utc.alias("t_utc"),
        pl.coalesce("reason", told.reason).alias("reason"),
        pl.lit(None, dtype=pl.String).alias("serial"),
        pl.lit(None, dtype=pl.Int32).alias("duration_s"),
    ).select(list(POINTS))


ADAPTER = SenMLAdapter()
