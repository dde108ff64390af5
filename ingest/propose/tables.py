"""What stands in a table: separator, header, row of units, columns of text."""

from __future__ import annotations

import tempfile
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import fastexcel
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from ingest.adapters.parquet import _check_extent, _check_kind, _column
from ingest.errors import Terminal
from ingest.json_values import decode
from ingest.numbers import shown
from ingest.propose.model import Fact, Guess
from ingest.propose.times import read_column
from ingest.text_table import SEPARATORS, Header, Text, load_text, read_rows, split_line
from ingest.units import unit_of_text
from ingest.workbook import plain_sheet

#: More rows than these are not looked at; a year of minutes has half a million.
MOST_ROWS: Final = 600_000
#: More columns than these are not looked at: no export of a home has so many.
MOST_COLUMNS: Final = 120
#: The header stands within so many rows.
_WITHIN: Final = 200
_SAMPLE: Final = 40
_LONGEST_LINE: Final = 100_000
#: Bytes of all columns of a Parquet file as text.
_MOST_TEXT: Final = 1 << 30
_MEMBERS: Final = 200


@dataclass
class Look:
    """A table as text.

    Attributes
    ----------
    names
        Headers, in order.
    cells
        Text of each column; null where a cell is empty.
    units
        Row of units, if there is one; one cell a column.
    layout
        Keys that the profile's table of this format needs.
    said
        What stands above the header.
    first
        Line or row of the first data row, from 1.
    """

    names: tuple[str, ...]
    cells: list[pl.Series]
    units: tuple[str, ...] = ()
    layout: dict[str, Any] = field(default_factory=dict)
    said: str = ""
    first: int = 1
    facts: list[Fact] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)

    def unit_row(self, place: int) -> str | None:
        """Cell of the row of units below a column's header."""
        return self.units[place] if place < len(self.units) else None


def _is_number(text: str) -> bool:
    bare = text.strip().lstrip("+-−").replace(",", "").replace(".", "").replace("'", "")
    return bare.replace(" ", "").replace("\u00a0", "").replace("e", "").isdigit()


def look_at_text(path: Path, given: dict[str, str]) -> Look:
    """Look at delimited text.

    Parameters
    ----------
    given
        What a person has said: `encoding`, `separator`.

    Raises
    ------
    Terminal, Transient
        Nothing in it is a table, or it cannot be read.
    """
    text, encoding = _decoded(path, given.get("encoding"))
    separator, count = _separator(text, given.get("separator"))
    header = _header(text, separator, count)
    names = tuple(header.names)
    look = Look(names, [], said="\n".join(text.line(i)[:1000] for i in range(header.line)))
    if encoding is not None:
        look.layout["encoding"] = encoding
        look.facts.append(_fact("encoding", encoding, 0.75, "Its bytes are no UTF-8."))
    look.layout["separator"] = separator
    look.facts.append(_fact("separator", repr(separator), 0.95, f"It gives {count} columns."))
    look.facts.append(
        _fact("header", f"line {header.line + 1}", 0.95, _says_header(header.line, names))
    )
    below = header.line + 1
    skip = 0
    if below < len(text.start):
        row = split_line(text.line(below), separator)
        if len(row) == len(names) and _states_units(row):
            look.units, skip = tuple(row), 1
            look.facts.append(
                _fact("row of units", f"line {below + 1}", 0.95, "Its cells are units.")
            )
    kept = _kept(look)
    table = read_rows(_shortened(text, header.line), header, kept, skip=skip)
    look.cells = [table.cells[str(place)] for place in kept]
    look.first = int(table.line[0]) if len(table.line) else header.line + 2
    look.doubts += list(text.notes) + list(table.notes)
    if table.rejects.height:
        look.doubts.append(
            f"{table.rejects.height:,} lines do not fit the header and would be refused; the "
            f"first is line {table.rejects['line'][0]}: {table.rejects['reason'][0]}."
        )
    return look


def _says_header(line: int, names: tuple[str, ...]) -> str:
    above = f" {line} lines above it are no data." if line else ""
    return f"It names {len(names)} columns, and data follow.{above}"


def _fact(name: str, value: str, confidence: float, why: str) -> Fact:
    return Fact(name=name, guess=Guess(value=value, confidence=confidence, reasons=(why,)))


def _decoded(path: Path, given: str | None) -> tuple[Text, str | None]:
    text = load_text(path, given)
    if given is not None:
        return text, given
    if text.data.count(b"\0") > len(text.data) // 4:
        return load_text(path, "utf-16"), "utf-16"
    if any("not text in utf-8" in note for note in text.notes):
        return load_text(path, "cp1252"), "cp1252"
    return text, None


def _shortened(text: Text, header: int) -> Text:
    end = min(len(text.start), header + 1 + MOST_ROWS)
    return Text(
        text.name, text.data, text.start[:end], text.end[:end], text.notes, ended=text.ended
    )


def _separator(text: Text, given: str | None) -> tuple[str, int]:
    """Find the separator under which most cells are numbers or times, and its column count."""
    lines = [text.line(i) for i in range(min(len(text.start), _WITHIN)) if _is_row(text, i)]
    best, rank = None, (0.0, 0.0)
    for one in [given] if given else SEPARATORS:
        rows = [split_line(line, one) for line in lines]
        counts = Counter(len(row) for row in rows if len(row) > 1)
        if not counts:
            continue
        count = max(counts, key=lambda n: (counts[n], n))
        fitting = [row for row in rows if len(row) == count]
        body = (fitting[1:] or fitting)[-_SAMPLE:]
        good = times = 0
        for place in range(count):
            column = [row[place] for row in body if row[place]]
            if read_column((place,), pl.Series(column, dtype=pl.String), "time") is not None:
                times += 1
                good += 1
            elif column and sum(_is_number(cell) for cell in column) > 0.7 * len(column):
                good += 1
        own = (float(min(times, 1)) + good / count, float(counts[count]))
        if own > rank:
            best, rank = (one, count), own
    if best is None:
        message = (
            f"{text.name}: no separator parts its lines into columns. Say which with "
            "'separator', or export it as CSV."
        )
        raise Terminal(message)
    return best


def _is_row(text: Text, index: int) -> bool:
    """Whether a line holds something, and no more than a row of readings can."""
    length = int(text.end[index] - text.start[index])
    return 0 < length <= _LONGEST_LINE and bool(text.line(index).strip())


def _states_units(row: list[str]) -> bool:
    filled = [cell for cell in row if cell]
    known = [cell for cell in filled if unit_of_text(cell)]
    return bool(known) and len(known) >= len(filled) - 1


def _holds_data(row: list[str]) -> bool:
    filled = [cell for cell in row if cell]
    stamp = any(
        read_column((0,), pl.Series([cell], dtype=pl.String), "time") is not None
        for cell in filled[:3]
    )
    numbers = sum(_is_number(cell) for cell in filled)
    return (stamp and len(filled) > 0) or (len(filled) > 1 and numbers >= 0.6 * len(filled))


def _header(text: Text, separator: str, count: int) -> Header:
    """Find the last line of names above the first line of data."""
    above: list[tuple[int, list[str]]] = []
    for index in range(min(len(text.start), _WITHIN)):
        if not _is_row(text, index):
            continue
        row = split_line(text.line(index), separator)
        if len(row) > 1 and row[-1] == "" and len(row) == count + 1:
            row = row[:-1]
        if len(row) not in (count, count - 1):
            continue
        if _holds_data(row):
            break
        above.append((index, row))
    named = [one for one in above if sum(bool(cell) for cell in one[1]) > 1]
    if named and _states_units(named[-1][1]) and len(named) > 1:
        named = named[:-1]
    if not named:
        message = (
            f"{text.name}: no line with names of columns stands above the data. Add one, such as "
            f"'time{separator}heat [kWh]', or export it with its header."
        )
        raise Terminal(message)
    line, row = named[-1]
    return Header(line, separator, tuple(row))


def _bounded(look: Look) -> Look:
    """Leave out columns without a name of their own, and those beyond the limit."""
    cells = look.cells
    look.cells = [cells[place] for place in _kept(look)]
    return look


def _kept(look: Look) -> list[int]:
    """Choose the columns to look at, keep their names and units, and give their places."""
    counts = Counter(look.names)
    twice = sorted(name for name, count in counts.items() if count > 1 and name)
    if twice:
        look.doubts.append(
            f"The columns {', '.join(repr(shown(one, 40)) for one in twice[:8])} stand there more "
            "than once and cannot be told apart; rename them in the export."
        )
    kept = [place for place, name in enumerate(look.names) if name and counts[name] == 1]
    if len(kept) > MOST_COLUMNS:
        look.doubts.append(
            f"The file has {len(kept):,} columns; the first {MOST_COLUMNS} were looked at."
        )
        kept = kept[:MOST_COLUMNS]
    look.units = tuple(look.units[place] for place in kept if place < len(look.units))
    look.names = tuple(look.names[place] for place in kept)
    return kept


def look_at_sheet(path: Path, given: dict[str, str]) -> Look:
    """Look at a sheet of an Excel workbook.

    Raises
    ------
    Terminal, Transient
        The workbook cannot be read, or its sheet holds no table.
    """
    wanted = given.get("sheet")
    number = int(wanted) if wanted is not None and wanted.isdecimal() else wanted
    with tempfile.TemporaryDirectory(prefix="propose-") as folder:
        sheet = plain_sheet(path, number, Path(folder))
        try:
            frame = (
                fastexcel.read_excel(sheet.path)
                .load_sheet(
                    0,
                    header_row=None,
                    skip_rows=0,
                    n_rows=MOST_ROWS,
                    dtypes="string",
                    whitespace_as_null=True,
                )
                .to_polars()
            )
        except (fastexcel.FastExcelError, pl.exceptions.PolarsError) as error:
            message = f"{path.name}: its sheet '{shown(sheet.name, 60)}' cannot be read: {error}."
            raise Terminal(message) from error
    rows = [[(cell or "").strip() for cell in row] for row in frame.head(_WITHIN).iter_rows()]
    names, at = _sheet_header(path.name, rows)
    look = Look(names, [], said="\n".join(" ".join(row) for row in rows[:at]))
    if wanted is not None:
        look.layout["sheet"] = number
    elif sheet.others:
        look.doubts.append(
            f"Looked at was the sheet '{shown(sheet.name, 60)}'; the workbook also has "
            f"{', '.join(repr(shown(one, 40)) for one in sheet.others[:8])}."
        )
        look.layout["sheet"] = sheet.name
    look.facts.append(_fact("sheet", sheet.name, 0.9 if sheet.others else 0.99, "It is the first."))
    look.facts.append(_fact("header", f"row {at + 1}", 0.95, _says_header(at, names)))
    skip = 0
    if at + 1 < len(rows) and _states_units(rows[at + 1]):
        look.units, skip = tuple(rows[at + 1]), 1
        look.facts.append(_fact("row of units", f"row {at + 2}", 0.95, "Its cells are units."))
    below = frame.slice(at + 1 + skip)
    below = below.filter(~pl.all_horizontal(pl.all().is_null()))
    look.cells = [below.to_series(place) for place in range(len(names))]
    look.first = at + 2 + skip
    return _bounded(look)


def _sheet_header(file: str, rows: list[list[str]]) -> tuple[tuple[str, ...], int]:
    named: list[int] = []
    for index, row in enumerate(rows):
        if _holds_data(row):
            break
        if sum(bool(cell) for cell in row) > 1:
            named.append(index)
    if named and len(named) > 1 and _states_units(rows[named[-1]]):
        named = named[:-1]
    if not named:
        message = f"{file}: no row with names of columns stands above the data of its sheet."
        raise Terminal(message)
    return tuple(rows[named[-1]]), named[-1]


def look_at_parquet(path: Path) -> Look:
    """Look at a Parquet file.

    Raises
    ------
    Terminal
        It is damaged, or unpacks to more than a home's readings can.
    """
    _check_kind(path)
    names: list[str] = []
    cells: list[pl.Series] = []
    try:
        with pq.ParquetFile(path) as file:
            plain = [
                (place, one.name)
                for place, one in enumerate(file.schema_arrow)
                if not pa.types.is_nested(one.type)
                and not pa.types.is_binary(one.type)
                and not pa.types.is_large_binary(one.type)
            ][:MOST_COLUMNS]
            _check_extent(path.name, file, [name for _, name in plain] or [""])
            size = 0
            for place, name in plain:
                series = _as_text(_column(path, file, place, name))
                size += int(series.estimated_size())
                if size > _MOST_TEXT:
                    message = f"{path.name} holds more than {_MOST_TEXT >> 20} MiB of text."
                    raise Terminal(message)
                names.append(name)
                cells.append(series)
    except (pa.ArrowException, OSError, ValueError, KeyError, pl.exceptions.PolarsError) as error:
        said = shown(" ".join(str(error).split()).rstrip("."))
        message = f"{path.name} is damaged and cannot be read as Parquet: {said}."
        raise Terminal(message) from error
    if not names:
        message = f"{path.name} holds no column of numbers, times or text."
        raise Terminal(message)
    look = Look(tuple(names), cells)
    look.facts.append(_fact("columns", str(len(names)), 0.99, "The schema of the file says so."))
    return _bounded(look)


def _as_text(series: pl.Series) -> pl.Series:
    """Give a typed column as text; times in ISO 8601, with Z where they are UTC."""
    if isinstance(series.dtype, pl.Datetime):
        zone = series.dtype.time_zone
        if zone is not None:
            series = series.dt.convert_time_zone("UTC")
        return series.dt.strftime("%Y-%m-%dT%H:%M:%S" + ("Z" if zone else ""))
    if series.dtype == pl.Date:
        return series.dt.strftime("%Y-%m-%d")
    return series.cast(pl.String, strict=False)


def look_at_json(path: Path) -> Look:
    """Look at one JSON object a line: its members, nested ones with points between.

    Raises
    ------
    Terminal, Transient
        No line is an object, or the file cannot be read.
    """
    text = load_text(path)
    rows: list[dict[str, str]] = []
    names: dict[str, None] = {}
    for index in range(min(len(text.start), MOST_ROWS)):
        if text.end[index] - text.start[index] > 1 << 20:
            continue
        try:
            value, _ = decode(text.line(index).strip())
        except ValueError:
            continue
        if not isinstance(value, dict):
            continue
        row: dict[str, str] = {}
        _flatten(value, "", row)
        rows.append(row)
        if len(names) < MOST_COLUMNS:
            names |= dict.fromkeys(row)
    if not rows:
        message = f"{path.name}: no line is a JSON object."
        raise Terminal(message)
    cells = [pl.Series([row.get(name) for row in rows], dtype=pl.String) for name in names]
    look = Look(tuple(names), cells)
    look.facts.append(_fact("members", str(len(names)), 0.95, "Each line is an object with them."))
    return look


def _flatten(value: dict[str, Any], prefix: str, row: dict[str, str]) -> None:
    """Write the members of an object into a row; at most a few levels and members."""
    left: list[tuple[str, dict[str, Any], int]] = [(prefix, value, 0)]
    while left:
        start, found, depth = left.pop()
        for key, one in found.items():
            if len(row) >= _MEMBERS:
                return
            name = f"{start}{key}"
            if isinstance(one, dict) and depth < 6:
                left.append((f"{name}.", one, depth + 1))
            elif isinstance(one, str | int | float) and not isinstance(one, bool):
                row[name] = str(one)
