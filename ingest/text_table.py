"""Delimited text as a table of strings that still knows the line of each row.

A line is a line: a quotation mark that does not close before its end spoils that line
and no other. Lines that do not fit the header are set aside whole, so that no value can
slip into its neighbour's column.
"""

from __future__ import annotations

import codecs
import gzip
import re
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from ingest.errors import Terminal, Transient
from ingest.numbers import shown
from monitor.schemas import REJECT

#: Larger files are refused: they are no meter's export, and would not fit into memory.
MAX_BYTES = 1 << 30
#: The header must stand within so many lines.
HEADER_WITHIN = 500
MAX_COLUMNS = 20_000
SEPARATORS = (";", "\t", ",", "|")

_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_NEWLINE, _QUOTE = 10, 34


@dataclass(frozen=True)
class Text:
    """A file's text as UTF-8 with plain line feeds, and where its lines begin and end.

    `ended` says whether the last line has a line end.
    """

    name: str
    data: bytes
    start: npt.NDArray[np.int64]
    end: npt.NDArray[np.int64]
    notes: tuple[str, ...]
    ended: bool

    def line(self, index: int) -> str:
        """Give a line's text; `index` counts from 0."""
        return self.data[self.start[index] : self.end[index]].decode("utf-8", "replace")


def load_text(path: Path, encoding: str | None = None) -> Text:
    """Read a text file, plain or gzipped.

    Line ends may be LF, CRLF or CR. Bytes that are no text in the encoding become
    U+FFFD, so that they spoil their own cell only.

    Raises
    ------
    Terminal
        The file is empty, too large or damaged.
    Transient
        It cannot be read at present.
    """
    name = path.name
    data = _bytes(path)
    if not data:
        message = f"{name} is empty. Export it again."
        raise Terminal(message)
    notes = []
    mark = next((codec for bom, codec in _BOMS if data.startswith(bom)), None)
    codec = mark or encoding or "utf-8"
    if codec == "utf-8" and data.isascii():
        pass
    else:
        text = data.decode(codec, "replace")
        lost = text.count("\ufffd")
        if lost:
            notes.append(
                f"{lost} bytes are not text in {codec.removesuffix('-sig')}; "
                "if letters are wrong, give the profile another 'encoding'."
            )
        data = text.encode("utf-8", "replace")
    data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    breaks = np.flatnonzero(np.frombuffer(data, np.uint8) == _NEWLINE)
    start = np.concatenate(([0], breaks + 1))
    end = np.concatenate((breaks, [len(data)]))
    ended = bool(start[-1] == len(data))
    if ended:
        start, end = start[:-1], end[:-1]
    return Text(name, data, start, end, tuple(notes), ended)


def _bytes(path: Path) -> bytes:
    try:
        if path.stat().st_size > MAX_BYTES:
            message = f"{path.name} is larger than {MAX_BYTES >> 20} MiB. Export a shorter period."
            raise Terminal(message)
        data = path.read_bytes()
    except OSError as error:
        message = f"{path.name} cannot be read at present: {error.strerror or error}."
        raise Transient(message) from error
    if not data.startswith(b"\x1f\x8b"):
        return data
    try:
        with gzip.open(path) as stream:
            data = stream.read(MAX_BYTES + 1)
    except EOFError as error:
        message = f"{path.name} ends in the middle of its gzip data; it may still be written."
        raise Transient(message) from error
    except (OSError, zlib.error) as error:
        message = f"{path.name} looks like gzip but is damaged: {error}. Export it again."
        raise Terminal(message) from error
    if len(data) > MAX_BYTES:
        message = f"{path.name} unpacks to more than {MAX_BYTES >> 20} MiB."
        raise Terminal(message)
    return data


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
    return f" The nearest is '{close[0]}'." if close else ""


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


def read_rows(text: Text, header: Header, positions: list[int], *, skip: int = 0) -> Table:
    """Read the rows below the header; `skip` lines directly below it are no data."""
    first = header.line + 1 + skip
    start, end = text.start[first:], text.end[first:]
    buffer = np.frombuffer(text.data, np.uint8)
    width = len(header.names)
    fields, quotes_spoilt = _field_counts(buffer, start, end, ord(header.separator))
    notes = []

    blank = _blank_lines(text, start, end, fields)
    repeated = _equal_lines(
        buffer, start, end, buffer[text.start[header.line] : text.end[header.line]]
    )
    data = ~blank & ~repeated
    if repeated.any():
        notes.append(f"The header line is repeated {int(repeated.sum())} times; these are no data.")
    wide_by_one = data & (fields == width + 1)
    trailing = bool(
        data.any()
        and (wide_by_one == data).all()
        and (buffer[end[data] - 1] == ord(header.separator)).all()
    )
    if trailing:
        fields = fields - 1
        notes.append("Every row ends with a separator that the header lacks; it is ignored.")
    fits = data & (fields == width) & ~quotes_spoilt
    spoilt = np.flatnonzero(data & ~fits)
    rejects = pl.DataFrame(
        {
            "line": spoilt + first + 1,
            "column": ["(whole line)"] * len(spoilt),
            "raw": [shown(text.line(first + int(index))) for index in spoilt],
            "reason": [
                "a quotation mark is open at the end of the line or stands inside a field"
                if quotes_spoilt[index]
                else f"the line has {fields[index]} fields, the header has {width}"
                for index in spoilt
            ],
        },
        schema=REJECT,
    )
    cells = _cells(text, start, end, fits, header, positions, width=width + trailing)
    line = pl.Series("line", np.flatnonzero(fits) + first + 1, dtype=pl.Int64)
    return Table(line, cells, rejects, int(data.sum()), tuple(notes))


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
