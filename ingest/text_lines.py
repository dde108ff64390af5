"""A file's text and where its lines are, in one encoding with one kind of line end."""

from __future__ import annotations

import codecs
import gzip
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from ingest.errors import Terminal, Transient

#: Larger files that are read as a whole are refused: they would not fit into memory.
MAX_BYTES = 1 << 30
#: Longer lines, in bytes, are refused where a file is read in parts.
MAX_LINE = 1 << 20
_PIECE = 1 << 24
GZIP_MARK = b"\x1f\x8b"
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_NEWLINE = 10


@dataclass(frozen=True)
class Text:
    """A file's text as UTF-8 with plain line feeds, and where its lines begin and end.

    Attributes
    ----------
    start, end
        Where lines begin and end in `data`.
    ended
        Whether the last line has a line end.
    first
        Number of lines in the file before these, where they are a part of it.
    long
        Indices of lines that were too long, of which `data` only holds the beginning.
    """

    name: str
    data: bytes
    start: npt.NDArray[np.int64]
    end: npt.NDArray[np.int64]
    notes: tuple[str, ...]
    ended: bool
    first: int = 0
    long: frozenset[int] = frozenset()

    def raw(self, index: int) -> bytes:
        """Give a line's bytes; `index` counts from 0."""
        return self.data[self.start[index] : self.end[index]]

    def line(self, index: int) -> str:
        """Give a line's text; `index` counts from 0."""
        return self.raw(index).decode("utf-8", "replace")


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
    codec = marked_codec(data) or encoding or "utf-8"
    if codec != "utf-8" or not data.isascii():
        text = data.decode(codec, "replace")
        lost = text.count("\ufffd")
        if lost:
            notes.append(lost_note(lost, codec))
        data = text.encode("utf-8", "replace")
    data = plain_line_ends(data)
    start, end, ended = line_bounds(data)
    return Text(name, data, start, end, tuple(notes), ended)


def marked_codec(data: bytes) -> str | None:
    """Give the codec that a byte order mark at the beginning names."""
    return next((codec for bom, codec in _BOMS if data.startswith(bom)), None)


def lost_note(lost: int, codec: str) -> str:
    """Say that bytes could not be read as text."""
    return (
        f"{lost} bytes are not text in {codec.removesuffix('-sig')}; "
        "if letters are wrong, give the profile another 'encoding'."
    )


def plain_line_ends(data: bytes) -> bytes:
    """Give text with LF in place of CRLF and CR."""
    if b"\r" not in data:
        return data
    return data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def line_bounds(data: bytes) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], bool]:
    """Give where lines begin and end, and whether the last one has a line end."""
    breaks = np.flatnonzero(np.frombuffer(data, np.uint8) == _NEWLINE)
    start = np.concatenate(([0], breaks + 1))
    end = np.concatenate((breaks, [len(data)]))
    ended = bool(start[-1] == len(data))
    return (start[:-1], end[:-1], True) if ended else (start, end, False)


def _bytes(path: Path) -> bytes:
    try:
        if path.stat().st_size > MAX_BYTES:
            message = f"{path.name} is larger than {MAX_BYTES >> 20} MiB. Export a shorter period."
            raise Terminal(message)
        data = path.read_bytes()
    except OSError as error:
        message = f"{path.name} cannot be read at present: {error.strerror or error}."
        raise Transient(message) from error
    if not data.startswith(GZIP_MARK):
        return data
    try:
        with gzip.open(path) as stream:
            # In pieces: asked for all at once, the whole limit is reserved.
            pieces, left = [], MAX_BYTES + 1
            while left > 0 and (piece := stream.read(min(left, _PIECE))):
                pieces.append(piece)
                left -= len(piece)
            data = b"".join(pieces)
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
