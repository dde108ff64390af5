"""The XML of a workbook's sheet, copied and looked through before anything is built from it.

A reader of workbooks holds a sheet as a rectangle, and a copy of its text for each cell:
two cells in far corners, or a long text that many cells share, would fill any memory.
What a sheet can come to at most is told here from its bytes, in one pass and in C.

Cells and their attributes are those of ECMA-376 part 1, 18.3.1.4.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import IO

import numpy as np
import numpy.typing as npt

from ingest.errors import Terminal

# Limits of a sheet: Microsoft, "Excel specifications and limits".
MAX_ROWS, MAX_COLUMNS = 1_048_576, 16_384
#: A sheet is held as a rectangle, cells that lack included.
MAX_CELLS = 30_000_000
#: Bytes of text in all cells together.
MAX_TEXT = 1 << 30
#: Beginning of what stands in the place of a formula without a stored value.
NO_VALUE = "formula without a stored value"

_CHUNK = 1 << 24

# A run of white space that has been passed is not tried again (`*+`), so that no input
# makes these slower than linear.
_NO_VALUE = re.compile(
    rb"<(?P<p>(?:\w{1,20}:)?)c\b(?P<cell>[^<>]*+)>\s*+"
    rb"<(?P=p)f\b[^<>]*+(?:(?<=/)>|>(?P<formula>[^<]*+)</(?P=p)f\s*+>)\s*+"
    rb"(?P<value>(?:<(?P=p)v\s*+/>|<(?P=p)v\s*+>\s*+</(?P=p)v\s*+>)?+)\s*+</(?P=p)c\s*+>"
)
_TYPE = re.compile(rb"""\st\s*+=\s*+(?:"([^"]*+)"|'([^']*+)')""")
_ERROR = re.compile(
    rb"""(<(?:\w{1,20}:)?c\b(?:[^<>"']|"[^"]*+"|'[^']*+')*?\st\s*+=\s*+)["']e["']"""
)
_BLANK_CELL = re.compile(rb"""<(?:\w{1,20}:)?c\s++r="[A-Za-z0-9]++"(?:[^<>"'/]|"[^"<>]*+")*+/>""")
_SHARED_TEXT = re.compile(rb"<(?:\w{1,20}:)?si[\s/>]")
_SHARED_TEXTS = re.compile(rb"""<(?:\w{1,20}:)?sst\b(?:[^<>"']|"[^"]*+"|'[^']*+')*+""")
_SPACED = re.compile(rb"\sr(?:\s++=\s*+|=\s++)")
_TEXT_INDEX = re.compile(rb"""\st="s"[^<>]*+>\s*+<(?:\w{1,20}:)?v\s*+>([0-9]{1,9})<""")


def check_xml(file: str, data: bytes) -> None:
    """Refuse XML that holds what no workbook needs.

    Raises
    ------
    Terminal
        A document type, entities, or NUL bytes.
    """
    if b"<!DOCTYPE" in data or b"<!ENTITY" in data or b"\0" in data:
        message = f"{file}: its XML holds what no workbook does (a document type, or NUL bytes)."
        raise Terminal(message)


def without_counts(data: bytes) -> bytes:
    """Give the shared texts without the number that they state of themselves.

    A reader makes room for as many before it has seen one, and ends the whole process
    where there is none; nothing is lost, for the texts are counted as they are read.
    """
    return _SHARED_TEXTS.sub(lambda tag: tag[0].replace(b"uniqueCount", b"statedCount"), data)


def text_lengths(data: bytes) -> npt.NDArray[np.int64]:
    """Bytes of each shared text with its tags, which bound its length."""
    starts = [found.start() for found in _SHARED_TEXT.finditer(data)]
    edges = np.array([*starts, len(data)], dtype=np.int64)
    return edges[1:] - edges[:-1]


class SheetCopier:
    """Copies a sheet's XML in pieces that end between rows, and looks each through.

    In the copy, error cells and formulas without a stored value are texts, and cells
    that hold nothing are left out.

    Attributes
    ----------
    where
        File and sheet, for sentences.
    text_lengths
        Of the shared texts, in bytes.
    iso_dates
        True once a cell holds its date as ISO text (cell type `d`).
    without_value
        Formulas without a stored value so far.
    """

    def __init__(self, where: str, text_lengths: npt.NDArray[np.int64]) -> None:
        self.where = where
        self.text_lengths = text_lengths
        self.longest = int(text_lengths.max(initial=0))
        self.iso_dates = False
        self.without_value = 0
        self._text = 0
        self._rows = self._columns = self._rows_unnamed = self._cells_unnamed = 0

    def copy(self, source: IO[bytes], target: IO[bytes]) -> None:
        """Copy until the end of the part."""
        rest = b""
        while piece := source.read(_CHUNK):
            data = rest + piece
            cut = data.rfind(b"<", 0, max(data.rfind(b"<row"), data.rfind(b":row")) + 1)
            if cut < 0 and len(data) > 4 * _CHUNK:
                message = f"{self.where}: a single row is longer than any of readings is."
                raise Terminal(message)
            cut = max(cut, 0)
            target.write(self._looked_through(data[:cut]))
            rest = data[cut:]
        target.write(self._looked_through(rest))

    def _looked_through(self, data: bytes) -> bytes:
        if not data:
            return data
        check_xml(self.where, data)
        if b'"e"' in data or b"'e'" in data:
            data = _ERROR.sub(rb'\1"str"', data)
        if b"<f" in data or b":f" in data:
            data = _NO_VALUE.sub(self._formula_as_text, data)
        self.iso_dates |= b't="d"' in data
        # Cells without a reference follow one another, so there a blank cell has its place.
        bare = _BLANK_CELL.sub(b"", data) if b"/>" in data else data
        extent = _extent(bare)
        if extent.cells_unnamed and bare is not data:
            bare, extent = data, _extent(data)
        self._hold(extent)
        self._weigh(bare)
        return bare

    def _formula_as_text(self, found: re.Match[bytes]) -> bytes:
        given = _TYPE.search(found["cell"])
        if given and b"str" in given.groups():
            return found[0]  # the formula's stored value is a text without letters
        self.without_value += 1
        prefix, attributes = found["p"], _TYPE.sub(b"", found["cell"])
        said = NO_VALUE.encode() + (b": =" + found["formula"] if found["formula"] else b"")
        return b'<%bc%b t="str"><%bv>%b</%bv></%bc>' % (
            *(prefix, attributes, prefix),
            *(said, prefix, prefix),
        )

    def _hold(self, extent: _Extent) -> None:
        """Refuse a sheet whose rectangle is too large to be held."""
        self._rows = max(self._rows, extent.rows)
        self._columns = max(self._columns, extent.columns)
        self._rows_unnamed += extent.rows_unnamed
        self._cells_unnamed = max(self._cells_unnamed, extent.cells_unnamed)
        height, width = self._rows + self._rows_unnamed, self._columns + self._cells_unnamed
        if height > MAX_ROWS or width > MAX_COLUMNS or height * width > MAX_CELLS:
            message = (
                f"{self.where}: its cells reach over {height:,} rows and {width:,} columns. At "
                f"most {MAX_CELLS:,} cells are read. Delete what stands far from the table, or "
                "export a shorter period."
            )
            raise Terminal(message)

    def _weigh(self, data: bytes) -> None:
        """Bound what the texts of all cells add up to."""
        count = data.count(b't="s"') + data.count(b"t='s'")
        most = count * self.longest
        if most > MAX_TEXT >> 6:
            indices = np.array([int(one) for one in _TEXT_INDEX.findall(data)], dtype=np.int64)
            indices = indices[indices < len(self.text_lengths)]
            most = int(self.text_lengths[indices].sum()) + (count - len(indices)) * self.longest
        self._text += most
        if self._text > MAX_TEXT:
            message = f"{self.where}: its cells hold more than {MAX_TEXT >> 20} MiB of text."
            raise Terminal(message)


@dataclass(frozen=True)
class _Extent:
    """How far the cells of a piece of a sheet can reach, at most.

    Attributes
    ----------
    rows, columns
        Largest that a reference names.
    rows_unnamed, cells_unnamed
        Rows without a reference, and most cells in a row where some are without.
    """

    rows: int
    columns: int
    rows_unnamed: int
    cells_unnamed: int


def _extent(data: bytes) -> _Extent:
    seen = np.frombuffer(b"  %b%b" % (data, b" " * 16), np.uint8)
    equal = np.flatnonzero(seen == ord("="))
    if ((seen[equal - 1] <= 32) | (seen[equal + 1] <= 32)).any() and _SPACED.search(data):
        return _extent(_SPACED.sub(b" r=", data))
    equal = equal[(seen[equal - 1] == ord("r")) & (seen[equal - 2] <= 32)]
    rows, columns = _references(seen, equal + 2)
    # End tags with a prefix are among these; for a bound that does no harm.
    opens = np.flatnonzero((seen == ord("<")) | (seen == ord(":")))
    opens = opens[opens < len(seen) - 8]
    cells, cell_named = _elements(seen, opens, b"c")
    lines, line_named = _elements(seen, opens, b"row")
    fullest = 0
    if not cell_named.all():
        cuts = np.searchsorted(cells, lines)
        fullest = int(np.diff(np.concatenate(([0], cuts, [len(cells)]))).max())
    return _Extent(
        int(rows.max(initial=0)),
        int(columns.max(initial=0)),
        int((~line_named).sum()),
        fullest,
    )


def _elements(
    data: npt.NDArray[np.uint8], places: npt.NDArray[np.int64], tag: bytes
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Find which elements have a name, and which of these begin with `r="`."""
    for offset, byte in enumerate(tag, 1):
        places = places[data[places + offset] == byte]
    after = data[places + len(tag) + 1]
    places = places[(after <= 32) | (after == ord(">")) | (after == ord("/"))]
    named = np.ones(len(places), dtype=np.bool_)
    for offset, byte in enumerate(b'r="', len(tag) + 2):
        named &= data[places + offset] == byte
    return places, named


def _references(
    data: npt.NDArray[np.uint8], places: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Read references such as 'C7' or '7' as row and column from 1; 0 where one lacks."""
    rows = np.zeros(len(places), dtype=np.int64)
    columns = np.zeros(len(places), dtype=np.int64)
    letters = np.ones(len(places), dtype=np.bool_)
    live = np.ones(len(places), dtype=np.bool_)
    for offset in range(11):
        if not live.any():
            break
        byte = data[places + offset]
        upper = byte & 0xDF
        letters &= (upper >= 65) & (upper <= 90)
        digit = (byte >= 48) & (byte <= 57)
        live &= letters | digit
        columns = np.where(letters, columns * 26 + upper - 64, columns)
        rows = np.where(live & digit, rows * 10 + byte - 48, rows)
    rows[live] = MAX_ROWS + 1  # longer than any reference that Excel writes
    return rows, columns
