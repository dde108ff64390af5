"""Files in the line protocol of InfluxDB: measurement, tags, fields and a time, a line each."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from ingest.clock import LAST_YEAR
from ingest.errors import Terminal
from ingest.layouts_messages import LineProtocol
from ingest.normal_form import Extract
from ingest.numbers import shown
from ingest.points import POINTS, extract_points
from ingest.profile import Profile
from ingest.text_table import Text, load_text

#: A longer line is no message of a meter.
MAX_LINE = 1 << 20

#: Earlier times mean that they are in another unit: seconds read as nanoseconds are all
#: in 1970. Common practice, no source.
FIRST_YEAR = 1990

#: Units of a time stamp in one microsecond (above one: microseconds in a unit).
_NANOS = {"ns": 1, "us": 1_000, "ms": 1_000_000, "s": 1_000_000_000}
_FIRST = int(datetime(FIRST_YEAR, 1, 1, tzinfo=UTC).timestamp()) * 10**9
_LAST = int(datetime(LAST_YEAR + 1, 1, 1, tzinfo=UTC).timestamp()) * 10**9

# Possessive, so that no line is tried in more than one way.
_LINE = re.compile(
    r'(?P<head>(?:[^\\ ]++|\\.)++) ++(?P<fields>(?:"(?:[^"\\]++|\\.)*+"|[^\\" ]++|\\.)++)'
    r"(?: ++(?P<time>[+-]?\d++))?+ *+"
)
_PIECES = re.compile(r'((?:"(?:[^"\\]++|\\.)*+"|[^\\",]++|\\.)++)(?:,|$)')
_TAGS = re.compile(r"((?:[^\\,]++|\\.)++)(?:,|$)")
_PAIR = re.compile(r"((?:[^\\=]++|\\.)++)=(.++)", re.DOTALL)
_ESCAPED = re.compile(r"\\([,= ])")
_FLOAT = re.compile(r"[+-]?(?:\d++\.?\d*+|\.\d++)(?:[eE][+-]?\d{1,4})?")
_WHOLE = re.compile(r"[+-]?\d{1,20}[iu]")
_BOOLEANS = frozenset({"t", "T", "true", "True", "TRUE", "f", "F", "false", "False", "FALSE"})

_Row = tuple[int, str | None, str | None, int | None, float | None, str, str | None]


@dataclass
class _Lines:
    rows: list[_Row] = field(default_factory=list)
    count: int = 0

    def refuse(self, line: int, raw: str, reason: str) -> None:
        """Set a whole line aside."""
        self.rows.append((line, None, None, None, None, shown(raw), reason))


class LineProtocolAdapter:
    """Reads line protocol; see `ingest.registry.Adapter`.

    A field is the point `measurement,tag=value,tag=value field`: the tags in the order
    of their names, without the one that holds the serial.
    """

    name = "line_protocol"

    def read(self, path: Path, profile: Profile) -> Extract:
        """Read a whole file.

        Raises
        ------
        DescriptionError
            The profile cannot be used for this format.
        Terminal, Transient
            The file cannot be read as the profile says, or not now.
        """
        layout = profile.line_protocol or LineProtocol()
        text = load_text(path)
        reader = _Reader(layout)
        for index in range(len(text.start)):
            reader.take(index, text)
        return extract_points(
            path.name,
            _frame(path.name, reader.found, layout),
            profile,
            lines=reader.found.count,
            notes=text.notes,
        )


class _Reader:
    """Takes lines apart."""

    def __init__(self, layout: LineProtocol) -> None:
        self.found = _Lines()
        self._layout = layout
        self._heads: dict[str, tuple[str, str | None]] = {}

    def take(self, index: int, text: Text) -> None:
        """Read one line; `index` counts from 0."""
        length = int(text.end[index] - text.start[index])
        if length > MAX_LINE:
            self.found.count += 1
            start = int(text.start[index])
            begin = text.data[start : start + 300].decode("utf-8", "replace")
            reason = f"the line has {length} bytes; more than {MAX_LINE} are no message of a meter"
            self.found.refuse(index + 1, begin, reason)
            return
        line = text.line(index).lstrip("\ufeff").strip(" \t")
        if not line or line.startswith("#"):
            return
        self.found.count += 1
        try:
            self._take(index + 1, line)
        except ValueError as error:
            self.found.refuse(index + 1, line, str(error))

    def _take(self, number: int, line: str) -> None:
        written, pairs, stamp = _plainly(line) or _carefully(line)
        head = self._heads.get(written)
        if head is None:
            head = self._heads[written] = self._head(written)
        prefix, serial = head
        time = int(stamp) if stamp and len(stamp) < 25 else None
        late = None if stamp else "there is no time in this line"
        for name, text in pairs:
            value, reason = _value(text)
            point = f"{prefix} {name}"
            self.found.rows.append((number, point, serial, time, value, text, late or reason))

    def _head(self, head: str) -> tuple[str, str | None]:
        """Give the first part of a point's name, and the serial."""
        measurement, *written = _split(_TAGS, head, "a tag")
        tags: dict[str, str] = {}
        for one in written:
            pair = _PAIR.fullmatch(one)
            if pair is None:
                message = f"the tag '{shown(one, 40)}' is not written as name=value"
                raise ValueError(message)
            name = _plain(pair[1])
            if name in tags:
                message = f"the tag '{shown(name, 40)}' stands there twice"
                raise ValueError(message)
            tags[name] = _plain(pair[2])
        layout = self._layout
        serial = tags.pop(layout.serial, None) if layout.serial is not None else None
        kept = sorted(name for name in tags if layout.tags is None or name in layout.tags)
        named = [_plain(measurement), *(f"{name}={tags[name]}" for name in kept)]
        return ",".join(named), serial


def _plainly(line: str) -> tuple[str, list[tuple[str, str]], str | None] | None:
    """Take a line apart that has nothing special in it; None where it may have."""
    if "\\" in line or '"' in line:
        return None
    head, _, rest = line.partition(" ")
    fields, _, stamp = rest.partition(" ")
    pairs = [piece.split("=") for piece in fields.split(",")]
    plain = all(len(pair) == 2 and pair[0] and pair[1] for pair in pairs)
    if not plain or (stamp and not (stamp.isascii() and stamp.isdecimal())):
        return None
    return head, [(name, value) for name, value in pairs], stamp or None


def _carefully(line: str) -> tuple[str, list[tuple[str, str]], str | None]:
    """Take any line apart: its head, its fields, its time.

    Raises
    ------
    ValueError
        With what is wrong with the line.
    """
    found = _LINE.fullmatch(line)
    if found is None:
        raise ValueError(_complaint(line))
    pairs = []
    for piece in _split(_PIECES, found["fields"], "a field"):
        pair = _PAIR.fullmatch(piece)
        if pair is None:
            message = f"the field '{shown(piece, 40)}' is not written as name=value"
            raise ValueError(message)
        pairs.append((_plain(pair[1]), pair[2]))
    return found["head"], pairs, found["time"]


def _plain(name: str) -> str:
    """Take the escapes out of a name."""
    return _ESCAPED.sub(r"\g<1>", name)


def _split(pieces: re.Pattern[str], text: str, what: str) -> list[str]:
    """Split at commas that are neither escaped nor inside quotation marks."""
    found, place = [], 0
    while place < len(text):
        piece = pieces.match(text, place)
        if piece is None:
            message = f"{what} is empty or cannot be told from its neighbours"
            raise ValueError(message)
        found.append(piece[1])
        place = piece.end()
    if text.endswith(",") and not text.endswith("\\,"):
        message = f"{what} is missing behind the last comma"
        raise ValueError(message)
    return found


def _value(text: str) -> tuple[float | None, str | None]:
    if _FLOAT.fullmatch(text):
        return float(text), None
    if _WHOLE.fullmatch(text):
        return float(int(text[:-1])), None
    if text in _BOOLEANS:
        return None, "true or false is not a number"
    if text.startswith('"'):
        return None, "a text is not a number"
    return None, f"not a number: '{shown(text, 60)}'"


def _complaint(line: str) -> str:
    if re.sub(r"\\.", "", line).count('"') % 2:
        return "a quotation mark is open at the end of the line"
    return "the line does not hold a measurement, its fields and a time with blanks between them"


def _frame(file: str, found: _Lines, layout: LineProtocol) -> pl.DataFrame:
    """Give the rows with their times.

    Raises
    ------
    Terminal
        No time is one in the unit that the profile says.
    """
    scale = _NANOS[layout.precision]
    first, last = -(-_FIRST // scale), _LAST // scale
    stamped = [row[3] for row in found.rows if row[3] is not None]
    if stamped and not any(first <= one < last for one in stamped):
        units = [unit for unit, one in _NANOS.items() if _FIRST <= stamped[0] * one < _LAST]
        advice = f" They look like '{units[0]}'." if units else ""
        message = (
            f"{file}: no time is between {FIRST_YEAR} and {LAST_YEAR} if it is in "
            f"'{layout.precision}' (the first is {stamped[0]}).{advice} Correct 'precision' in "
            "the profile's [line_protocol]."
        )
        raise Terminal(message)
    micros = [
        row[3] * scale // 1_000 if row[3] is not None and first <= row[3] < last else None
        for row in found.rows
    ]
    schema = {key: POINTS[key] for key in ("line", "point", "serial", "value", "raw", "reason")}
    rows = pl.DataFrame([(*row[:3], *row[4:]) for row in found.rows], schema=schema, orient="row")
    beyond = (
        f"the time is not between {FIRST_YEAR} and {LAST_YEAR} in '{layout.precision}', the "
        "profile's 'precision'"
    )
    return rows.with_columns(
        pl.Series("t_utc", micros, dtype=pl.Int64)
        .cast(pl.Datetime("us"))
        .dt.replace_time_zone("UTC"),
        pl.lit(None, dtype=pl.String).alias("unit"),
        pl.lit(None, dtype=pl.Int32).alias("duration_s"),
    ).with_columns(
        reason=pl.when(pl.col("reason").is_null() & pl.col("t_utc").is_null())
        .then(pl.lit(beyond))
        .otherwise("reason")
    )


ADAPTER = LineProtocolAdapter()
