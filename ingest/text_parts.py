"""A text file as parts of whole lines, however long it is.

What comes out does not depend on where the file was cut: the same lines with the same
numbers, whatever the size of a part.
"""

from __future__ import annotations

import codecs
import gzip
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from ingest.errors import Terminal, Transient
from ingest.text_lines import (
    GZIP_MARK,
    MAX_LINE,
    Text,
    line_bounds,
    lost_note,
    marked_codec,
    plain_line_ends,
)
from ingest.text_table import HEADER_WITHIN

#: Bytes of a file that are read at a time.
PART_BYTES = 1 << 22
#: So much of a line that is too long is kept, to show how it begins.
KEPT_OF_LONG = 1_024
#: A header must begin within so many bytes.
HEAD_BYTES = 1 << 24
#: The store counts lines in 32 bits.
MAX_LINES = (1 << 31) - 1
#: What a gzip file unpacks to may be so many times its size; meters' exports reach a tenth
#: of that. The first bytes are free.
MAX_RATIO, FREE_BYTES = 250, 1 << 26


class TextParts:
    """Reads a text file, plain or gzipped, a part at a time.

    Line ends may be LF, CRLF or CR. Bytes that are no text in the encoding become
    U+FFFD, so that they spoil their own cell only. Of a line of more than `MAX_LINE`
    bytes only the beginning is kept; it is listed in `Text.long`.

    Attributes
    ----------
    lines
        Lines given so far.
    ended
        Whether the last line given has a line end.
    """

    def __init__(self, path: Path, encoding: str | None, size: int = PART_BYTES) -> None:
        self.name = path.name
        self.lines = 0
        self.ended = True
        self._path = path
        self._size = size
        self._codec = encoding or "utf-8"
        self._lost = 0
        self._pending = b""
        self._in_long = False

    @property
    def notes(self) -> tuple[str, ...]:
        """What was found about the text so far."""
        return (lost_note(self._lost, self._codec),) if self._lost else ()

    def __iter__(self) -> Iterator[Text]:
        """Give the parts in order; each has at least one line.

        Raises
        ------
        Terminal
            The file is empty or damaged, or has too many lines.
        Transient
            It cannot be read at present.
        """
        for block in self._plain(self._decoded()):
            yield from self._cut(block)
        if self._pending:
            self.ended = False
            yield self._text(self._pending)

    def _decoded(self) -> Iterator[bytes]:
        decoder: codecs.IncrementalDecoder | None = None
        blocks = _blocks(self._path, self._size)
        for raw in blocks:
            if decoder is None:
                marked = marked_codec(raw)
                self._codec = marked or self._codec
                # Without its mark, text of two bytes a letter is little-endian, as Windows
                # writes it; the decoder itself would refuse it.
                bare = marked is None and self._codec == "utf-16"
                codec = "utf-16-le" if bare else self._codec
                decoder = codecs.getincrementaldecoder(codec)("replace")
            if self._codec == "utf-8" and raw.isascii() and not decoder.getstate()[0]:
                yield raw
            else:
                yield self._as_utf8(decoder.decode(raw))
        if decoder is None:
            message = f"{self.name} is empty. Export it again."
            raise Terminal(message)
        yield self._as_utf8(decoder.decode(b"", final=True))

    def _as_utf8(self, text: str) -> bytes:
        self._lost += text.count("\ufffd")
        return text.encode("utf-8", "replace")

    def _plain(self, blocks: Iterator[bytes]) -> Iterator[bytes]:
        """Give blocks with plain line feeds; a CR at the end of one may belong to a CRLF."""
        held = b""
        for block in blocks:
            whole = held + block if held else block
            held = b"\r" if whole.endswith(b"\r") else b""
            yield plain_line_ends(whole[:-1] if held else whole)
        if held:
            yield b"\n"

    def _cut(self, block: bytes) -> Iterator[Text]:
        if self._in_long:
            end = block.find(b"\n")
            if end < 0:
                return
            block = block[end:]
        last = block.rfind(b"\n") + 1
        if last:
            text = self._text(self._pending + block[:last])
            self._pending, self._in_long = block[last:], False
            yield text
        else:
            self._pending += block
        if len(self._pending) > MAX_LINE:
            # Until its end comes, no more of this line is taken.
            self._pending, self._in_long = self._pending[:KEPT_OF_LONG], True

    def _text(self, data: bytes) -> Text:
        start, end, _ = line_bounds(data)
        long = np.flatnonzero(end - start > MAX_LINE)
        if len(long):
            pieces, done = [], 0
            for index in long:
                pieces.append(data[done : start[index] + KEPT_OF_LONG])
                done = int(end[index])
            data = b"".join([*pieces, data[done:]])
            start, end, _ = line_bounds(data)
        listed = {int(index) for index in long}
        if self._in_long:
            listed.add(0)
        text = Text(self.name, data, start, end, (), self.ended, self.lines, frozenset(listed))
        self.lines += len(start)
        if self.lines > MAX_LINES:
            message = f"{self.name} has more than {MAX_LINES:,} lines: it is no meter's export."
            raise Terminal(message)
        return text


def read_head(parts: Iterator[Text], name: str) -> tuple[Text, list[Text]]:
    """Read as much of a file as a header needs.

    Returns
    -------
    tuple
        The lines among which the header must be, with one more, and the parts that were
        read.
    """
    taken: list[Text] = []
    lines = size = 0
    while lines < HEADER_WITHIN + 2 and size < HEAD_BYTES + 2 * (MAX_LINE + 1):
        part = next(parts, None)
        if part is None:
            break
        taken.append(part)
        lines += len(part.start)
        size += len(part.data)
    if not taken:
        nothing = np.zeros(0, dtype=np.int64)
        return Text(name, b"", nothing, nothing, (), ended=True), taken
    data = taken[0].data if len(taken) == 1 else b"".join(part.data for part in taken)
    start, end, ended = line_bounds(data)
    long = frozenset(part.first + index for part in taken for index in part.long)
    within = min(HEADER_WITHIN + 2, int(np.searchsorted(start, HEAD_BYTES, side="right")) + 1)
    return Text(name, data, start[:within], end[:within], (), ended, 0, long), taken


def _blocks(path: Path, size: int) -> Iterator[bytes]:
    """Give a file's bytes, unpacked; the first block is long enough for a byte order mark."""
    packed = False
    total = 0
    try:
        with path.open("rb") as raw:
            packed = raw.read(len(GZIP_MARK)) == GZIP_MARK
            raw.seek(0)
            stream = gzip.GzipFile(fileobj=raw) if packed else raw
            while block := stream.read(size if total else max(size, 4)):
                total += len(block)
                if packed and total > FREE_BYTES and total > MAX_RATIO * raw.tell():
                    message = (
                        f"{path.name} unpacks to more than {MAX_RATIO} times its size; no meter's "
                        "export does. Unpack it by hand and look at it."
                    )
                    raise Terminal(message)
                yield block
    except EOFError as error:
        message = f"{path.name} ends in the middle of its gzip data; it may still be written."
        raise Transient(message) from error
    except (OSError, zlib.error) as error:
        if packed:
            message = f"{path.name} looks like gzip but is damaged: {error}. Export it again."
            raise Terminal(message) from error
        message = f"{path.name} cannot be read at present: {getattr(error, 'strerror', error)}."
        raise Transient(message) from error
