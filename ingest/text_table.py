"""Delimited text as a table of strings that still knows the line of each row.

A line is a line: a quotation mark that does not close before its end spoils that line
and no other. Lines that do not fit the header are set aside whole, so that no value can
slip into its neighbour's column.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np
import numpy.typing as npt
import polars as pl

from ingest.errors import Terminal
from ingest.numbers import shown
from ingest.text_lines import MAX_BYTES as MAX_BYTES
from ingest.text_lines import MAX_LINE
from ingest.text_lines import Text as Text
from ingest.text_lines import load_text as load_text
from monitor.schemas import REJECT

#: The header must stand within so many lines.
HEADER_WITHIN = 500
MAX_COLUMNS = 20_000
SEPARATORS = (";", "\t", ",", "|")

_NEWLINE, _QUOTE = 10, 34


@dataclass(frozen=True)
class Header:
    """Where the header stands and what it says; `line` counts from 0."""

    line: int
    separator: str
    names: tuple[str, ...]

    def position(self, name: str, *, file: str) -> int:
        """Find a column.

        Raises
        ------
        Terminal
            The file has no such column, or more than one.
        """
        return position_of(name, self.names, where=f"{file}, line {self.line + 1}")


def _numbered(index: int) -> str:
    return str(index + 1)


def position_of(
    name: str,
    names: tuple[str, ...],
    *,
    where: str,
    called: Callable[[int], str] = _numbered,
) -> int:
    """Find a column among the names of a header.

    Parameters
    ----------
    where
        File and line of the header, for sentences.
    called
        What a person calls the column of an index.

    Raises
    ------
    Terminal
        There is no such column, or more than one.
    """
    found = [index for index, one in enumerate(names) if one == name.strip()]
    if len(found) == 1:
        return found[0]
    if found:
        places = " and ".join(called(index) for index in found)
        message = (
            f"{where}: the column '{name}' occurs more than once (columns {places}). "
            "Rename one of them in the export."
        )
        raise Terminal(message)
    message = (
        f"{where}: there is no column '{name}'.{nearest_of(name, names)} "
        f"The file has: {listed(names)}."
    )
    raise Terminal(message)


def nearest_of(name: str, names: tuple[str, ...]) -> str:
    """Give a sentence with the name that is most like one, or nothing."""
    close = get_close_matches(name, names[:500], n=1, cutoff=0.5)
    return f" The nearest is '{shown(close[0], 60)}'." if close else ""


def listed(names: tuple[str, ...], most: int = 20) -> str:
    """Give names for a person to read, the first of them if they are many."""
    text = ", ".join(f"'{shown(name, 60)}'" for name in names[:most])
    return text if len(names) <= most else f"{text} and {len(names) - most} more"


def split_line(line: str, separator: str) -> list[str]:
    """Split one line at its separators outside quotation marks; strip each field."""
    if '"' not in line:
        return [field.strip() for field in line.split(separator)]
    pattern = re.escape(separator)
    fields = re.findall(rf'(?:^|{pattern})("(?:[^"]|"")*"|[^{pattern}]*)', line)
    return [
        field[1:-1].replace('""', '"').strip() if field.startswith('"') else field.strip()
        for field in fields
    ]


def find_header(
    text: Text,
    *,
    anchor: tuple[str, ...],
    contains: str | None,
    separator: str | None,
    wanted: tuple[str, ...],
) -> Header:
    """Find the header line and the separator.

    Parameters
    ----------
    anchor
        Names that the header must hold: the time columns.
    contains
        Text by which the header line is known; it goes before `anchor`.
    separator
        None: that of `SEPARATORS` which yields most of `wanted`.

    Raises
    ------
    Terminal
        No line within the first `HEADER_WITHIN` is a header.
    """
    within = range(min(len(text.start), HEADER_WITHIN))
    announced = re.fullmatch(r"sep=(.)\s*", text.line(0)) if len(text.start) else None
    tried = separator or (announced[1] if announced and announced[1].isascii() else None)
    candidates = (tried,) if tried else SEPARATORS
    nearest: tuple[str, ...] = ()
    for index in within:
        if index in text.long:
            continue
        line = text.line(index)
        if contains is not None and contains not in line:
            continue
        if contains is None and not all(name in line for name in anchor):
            nearest = max(nearest, *(tuple(split_line(line, one)) for one in candidates), key=len)
            continue
        best = max(
            (split_line(line, one) for one in candidates),
            key=lambda fields: (sum(name in fields for name in wanted), len(fields)),
        )
        if contains is not None or all(name in best for name in anchor):
            used = next(one for one in candidates if split_line(line, one) == best)
            if len(best) > MAX_COLUMNS:
                message = f"{text.name}, line {index + 1}: more than {MAX_COLUMNS} columns."
                raise Terminal(message)
            return Header(index, used, tuple(best))
        nearest = max(nearest, tuple(best), key=len)
    looked = f"in its first {HEADER_WITHIN} lines" if len(text.start) > HEADER_WITHIN else "in it"
    if contains is not None:
        message = f"{text.name}: no line {looked} holds '{contains}', which marks the header."
        raise Terminal(message)
    names = "' and '".join(anchor)
    long = min((index for index in text.long if index in within), default=None)
    if long is not None:
        message = (
            f"{text.name}, line {long + 1}: the line is longer than {MAX_LINE:,} bytes, and no "
            f"header line with the time column '{names}' was found {looked}."
        )
        raise Terminal(message)
    message = (
        f"{text.name}: no header line with the time column '{names}' was found {looked}."
        f"{nearest_of(anchor[0], nearest)} The likeliest header has: {listed(nearest)}. Correct "
        "'time', 'separator' or 'encoding' in the profile."
    )
    raise Terminal(message)


@dataclass(frozen=True)
class Table:
    """Rows below a header.

    Attributes
    ----------
    line
        Line of each row, from 1.
    cells
        One string column for each position asked for, in that order; null where a cell
        is empty. Columns are named by their position.
    rejects
        Lines that do not fit the header (schema REJECT).
    lines
        Data lines, with those rejected.
    """

    line: pl.Series
    cells: pl.DataFrame
    rejects: pl.DataFrame
    lines: int
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Lines:
    """Which lines of a part of a text are data.

    Attributes
    ----------
    text
        The part.
    first
        Index of the first line in it that may be data; the arrays begin there.
    fields
        Fields of each line.
    data
        Neither blank nor the header again.
    spoilt
        Lines with misplaced quotation marks.
    repeated
        How often the header stands there again.
    trailing, exact
        Whether rows end with a separator that the header lacks, and whether rows do not.
        Lines that can be no row in either case say nothing.
    """

    text: Text
    first: int
    fields: npt.NDArray[np.int64]
    data: npt.NDArray[np.bool_]
    spoilt: npt.NDArray[np.bool_]
    repeated: int
    trailing: bool
    exact: bool


def look_at_lines(text: Text, header: Header, raw: bytes, *, skip: int = 0) -> Lines:
    """Say which lines of a part of a text are data.

    Parameters
    ----------
    raw
        The header's line.
    skip
        So many lines directly below the header are no data.
    """
    first = max(header.line + 1 + skip - text.first, 0)
    start, end = text.start[first:], text.end[first:]
    buffer = np.frombuffer(text.data, np.uint8)
    fields, spoilt = _field_counts(buffer, start, end, ord(header.separator))
    blank = _blank_lines(text, start, end, fields)
    repeated = _equal_lines(buffer, start, end, np.frombuffer(raw, np.uint8))
    data = ~blank & ~repeated
    rows = data & ~spoilt
    rows[[i - first for i in text.long if first <= i < first + len(rows)]] = False
    wide = rows & (fields == len(header.names) + 1)
    closed = buffer[end[wide] - 1] == ord(header.separator)
    exact = bool((rows & (fields == len(header.names))).any() or not closed.all())
    return Lines(text, first, fields, data, spoilt, int(repeated.sum()), bool(closed.any()), exact)


def repeated_note(repeated: int) -> str:
    """Say that a header stands in a file more than once."""
    return f"The header line is repeated {repeated} times; these are no data."


TRAILING_NOTE = "Every row ends with a separator that the header lacks; it is ignored."


def read_rows(text: Text, header: Header, positions: list[int], *, skip: int = 0) -> Table:
    """Read the rows below the header of a whole text; see `table_of`."""
    lines = look_at_lines(text, header, text.raw(header.line), skip=skip)
    notes = [repeated_note(lines.repeated)] if lines.repeated else []
    trailing = lines.trailing and not lines.exact
    notes += [TRAILING_NOTE] if trailing else []
    table = table_of(lines, header, positions, trailing=trailing)
    return Table(table.line, table.cells, table.rejects, table.lines, tuple(notes))


def table_of(lines: Lines, header: Header, positions: list[int], *, trailing: bool) -> Table:
    """Read lines as a table.

    Parameters
    ----------
    positions
        Columns that are wanted, from 0, in order.
    trailing
        Whether every row of the file ends with a separator that the header lacks.
    """
    text, first, data = lines.text, lines.first, lines.data
    width = len(header.names)
    fields = lines.fields - 1 if trailing else lines.fields
    fits = data & (fields == width) & ~lines.spoilt
    long = {index - first for index in text.long if index >= first}
    fits[list(long)] = False
    spoilt = np.flatnonzero(data & ~fits)
    number = text.first + first + 1

    def reason(index: int) -> str:
        if index in long:
            return f"the line is longer than {MAX_LINE:,} bytes"
        if lines.spoilt[index]:
            return "a quotation mark is open at the end of the line or stands inside a field"
        return f"the line has {fields[index]} fields, the header has {width}"

    rejects = pl.DataFrame(
        {
            "line": spoilt + number,
            "column": ["(whole line)"] * len(spoilt),
            "raw": [shown(text.line(first + int(index))) for index in spoilt],
            "reason": [reason(int(index)) for index in spoilt],
        },
        schema=REJECT,
    )
    start, end = text.start[first:], text.end[first:]
    cells = _cells(text, start, end, fits, header, positions, width=width + trailing)
    line = pl.Series("line", np.flatnonzero(fits) + number, dtype=pl.Int64)
    return Table(line, cells, rejects, int(data.sum()), ())


def _field_counts(
    buffer: npt.NDArray[np.uint8],
    start: npt.NDArray[np.int64],
    end: npt.NDArray[np.int64],
    separator: int,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Count the fields of each line, and say where quotation marks are misplaced."""
    if not len(start):
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.bool_)
    begin = start[0]
    body = buffer[begin:]
    marks = np.flatnonzero(body == separator) + begin
    quotes = np.flatnonzero(body == _QUOTE) + begin
    spoilt = np.zeros(len(start), dtype=np.bool_)
    if len(quotes):
        # Quotes are counted from the start of each line; an odd count is inside a field.
        before = np.searchsorted(quotes, start)
        rank = np.arange(len(quotes)) - before[np.searchsorted(start, quotes, side="right") - 1]
        opens = rank % 2 == 0
        prior = np.where(quotes > 0, buffer[quotes - 1], _NEWLINE)
        follow = buffer[np.minimum(quotes + 1, len(buffer) - 1)]
        follow = np.where(quotes + 1 < len(buffer), follow, _NEWLINE)
        edge = np.where(opens, prior, follow)
        stray = (edge != separator) & (edge != _NEWLINE) & (edge != _QUOTE)
        spoilt = (np.searchsorted(quotes, end) - before) % 2 == 1
        spoilt[np.searchsorted(start, quotes[stray], side="right") - 1] = True
        line = np.searchsorted(start, marks, side="right") - 1
        marks = marks[(np.searchsorted(quotes, marks) - before[line]) % 2 == 0]
    counts = np.searchsorted(marks, end) - np.searchsorted(marks, start) + 1
    return counts, spoilt


def _blank_lines(
    text: Text,
    start: npt.NDArray[np.int64],
    end: npt.NDArray[np.int64],
    fields: npt.NDArray[np.int64],
) -> npt.NDArray[np.bool_]:
    blank: npt.NDArray[np.bool_] = start == end
    for index in np.flatnonzero((fields == 1) & ~blank & (end - start < 200)):
        blank[index] = not text.data[start[index] : end[index]].strip()
    return blank


def _equal_lines(
    buffer: npt.NDArray[np.uint8],
    start: npt.NDArray[np.int64],
    end: npt.NDArray[np.int64],
    wanted: npt.NDArray[np.uint8],
) -> npt.NDArray[np.bool_]:
    left = np.flatnonzero(end - start == len(wanted))
    for offset, byte in enumerate(wanted):
        left = left[buffer[start[left] + offset] == byte]
        if not len(left):
            break
    equal: npt.NDArray[np.bool_] = np.zeros(len(start), dtype=np.bool_)
    equal[left] = True
    return equal


def _cells(
    text: Text,
    start: npt.NDArray[np.int64],
    end: npt.NDArray[np.int64],
    fits: npt.NDArray[np.bool_],
    header: Header,
    positions: list[int],
    *,
    width: int,
) -> pl.DataFrame:
    names = [str(position) for position in positions]
    if not fits.any():
        return pl.DataFrame(schema=dict.fromkeys(names, pl.String))
    edges = np.flatnonzero(np.diff(np.concatenate(([0], fits.view(np.int8), [0]))))
    runs = list(zip(edges[::2], edges[1::2], strict=True))
    pieces = [text.data[start[first] : end[last - 1]] for first, last in runs]
    body = pieces[0] if len(pieces) == 1 else b"\n".join(pieces)
    try:
        frame = pl.read_csv(
            body,
            has_header=False,
            separator=header.separator,
            quote_char='"' if b'"' in body else None,
            schema={str(index): pl.String for index in range(width)},
            columns=positions,
        ).select(names)
    except pl.exceptions.PolarsError as error:
        message = f"{text.name}: its rows cannot be read as a table: {error}."
        raise Terminal(message) from error
    if frame.height != int(fits.sum()):
        message = (
            f"{text.name}: the {int(fits.sum())} rows below line {header.line + 1} were read as "
            f"{frame.height}, so nothing was taken from them. Export the file again."
        )
        raise Terminal(message)
    return frame
