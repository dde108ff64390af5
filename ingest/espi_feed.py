"""Feeds of ESPI XML (NAESB REQ.21): their entries, links and interval readings.

A feed is read as a stream: what has been read is kept as rows, never as a tree. Only a
reading's own period says when it was; summaries hold other dates and are passed over.
"""

from __future__ import annotations

import codecs
import gzip
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO
from xml.sax import SAXParseException
from xml.sax.handler import ContentHandler
from xml.sax.xmlreader import AttributesImpl, Locator

from defusedxml.common import DefusedXmlException
from defusedxml.sax import make_parser

from ingest.errors import Terminal, Transient
from ingest.text_table import MAX_BYTES

#: What is deeper, longer or more than this is no feed of a home's meters.
MAX_DEPTH = 64
MAX_TEXT = 4_000
MAX_READINGS = 2_000_000
MAX_ELEMENTS = 20_000_000
MAX_ENTRIES = 200_000
MAX_LINKS = 1_000
#: So many bytes without an element are refused: one endless tag or remark.
MAX_SILENCE = 1 << 20
_CHUNK = 1 << 16

CONTENTS = ("UsagePoint", "MeterReading", "ReadingType", "IntervalBlock")
_TYPE_FIELDS = (
    "accumulationBehaviour",
    "commodity",
    "defaultQuality",
    "flowDirection",
    "intervalLength",
    "powerOfTenMultiplier",
    "uom",
)
_READING_FIELDS = {
    ("timePeriod", "start"): "start",
    ("timePeriod", "duration"): "duration",
    ("IntervalReading", "value"): "value",
    ("ReadingQuality", "quality"): "quality",
}
_DECLARED = re.compile(rb"^[^>]{0,60}?\bencoding\s*=\s*[\"']([A-Za-z0-9._-]{1,40})[\"']")
# Characters that XML 1.0 does not allow (section 2.2).
_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")


@dataclass
class Entry:
    """One entry of a feed.

    Attributes
    ----------
    content
        Which of `CONTENTS` it holds, or None.
    links
        Addresses by relation: `self`, `up`, `related`; without host and final slash.
    fields
        Of a ReadingType: its codes as text.
    readings
        Number of the readings in its blocks.
    """

    line: int
    content: str | None = None
    title: str = ""
    links: dict[str, list[str]] = field(default_factory=dict)
    fields: dict[str, str] = field(default_factory=dict)
    readings: int = 0

    @property
    def address(self) -> str:
        """Its own address, or an empty text."""
        return (self.links.get("self") or [""])[0]

    @property
    def up(self) -> str:
        """The address of what it belongs to, or an empty text."""
        return (self.links.get("up") or [""])[0]


@dataclass
class Feed:
    """What stands in a file.

    `line`, `entry` (index into `entries`), `start`, `duration`, `value` and `quality`
    have one element a reading, in the order of the file, as text; an empty text is a
    part that the reading lacks. `broken` says where and why the file breaks off.
    """

    entries: list[Entry] = field(default_factory=list)
    line: list[int] = field(default_factory=list)
    entry: list[int] = field(default_factory=list)
    start: list[str] = field(default_factory=list)
    duration: list[str] = field(default_factory=list)
    value: list[str] = field(default_factory=list)
    quality: list[str] = field(default_factory=list)
    broken: tuple[int, str] | None = None
    notes: list[str] = field(default_factory=list)


def read_feed(path: Path) -> Feed:
    """Read a feed, plain or gzipped.

    Raises
    ------
    Terminal
        It is empty, no XML, too large, or declares a document type or entities.
    Transient
        It cannot be read at present.
    """
    feed = _read(path, mend=False)
    if feed.broken and "invalid token" in feed.broken[1]:
        # Mostly text in another encoding than the file declares; it is not in the figures.
        mended = _read(path, mend=True)
        if len(mended.line) >= len(feed.line):
            feed = mended
    return feed


def _read(path: Path, *, mend: bool) -> Feed:
    handler = _Handler(path.name)
    parser = make_parser()
    parser.forbid_dtd = True
    parser.setContentHandler(handler)
    handler.setDocumentLocator(parser)
    size = 0
    feed = handler.feed
    try:
        with _opened(path) as stream:
            for chunk in _mended(stream, feed) if mend else _chunks(stream):
                size += len(chunk)
                if size > MAX_BYTES:
                    message = f"{path.name} holds more than {MAX_BYTES >> 20} MiB."
                    raise Terminal(message)
                handler.silent += len(chunk)
                parser.feed(chunk)
                if handler.silent > MAX_SILENCE:
                    message = (
                        f"{path.name}, line {handler.at()}: more than {MAX_SILENCE >> 20} MiB "
                        "follow without an element. This is no meter's feed; export it again."
                    )
                    raise Terminal(message)
        if not size:
            message = f"{path.name} is empty. Export it again."
            raise Terminal(message)
        parser.close()
    except DefusedXmlException as error:
        message = (
            f"{path.name}, line {handler.at()}: the file declares a document type or entities, "
            "which a meter's feed never needs and which can do harm. Nothing was read."
        )
        raise Terminal(message) from error
    except SAXParseException as error:
        feed.broken = (error.getLineNumber() or handler.at(), error.getMessage())
    except EOFError as error:
        message = f"{path.name} ends in the middle of its gzip data; it may still be written."
        raise Transient(message) from error
    except (LookupError, ValueError) as error:
        message = f"{path.name} declares an encoding that cannot be read: {error}."
        raise Terminal(message) from error
    except (gzip.BadGzipFile, zlib.error) as error:
        message = f"{path.name} looks like gzip but is damaged: {error}. Export it again."
        raise Terminal(message) from error
    except OSError as error:
        message = f"{path.name} cannot be read at present: {error.strerror or error}."
        raise Transient(message) from error
    return feed


def _opened(path: Path) -> BinaryIO:
    stream = path.open("rb")
    packed = stream.read(2) == b"\x1f\x8b"
    stream.seek(0)
    if not packed:
        return stream
    stream.close()
    return gzip.open(path)  # type: ignore[return-value]


def _chunks(stream: BinaryIO) -> Iterator[bytes]:
    while chunk := stream.read(_CHUNK):
        yield chunk


def _mended(stream: BinaryIO, feed: Feed) -> Iterator[bytes]:
    """Give a stream with each byte that is no text in its encoding marked as such."""
    first = stream.read(_CHUNK)
    declared = _DECLARED.search(first)
    name = declared[1].decode("ascii") if declared else "utf-8"
    decoder = codecs.getincrementaldecoder(name)("replace")
    lost = 0
    chunk = first
    while chunk:
        text = decoder.decode(chunk)
        text = _FORBIDDEN.sub("\ufffd", text)
        lost += text.count("\ufffd")
        yield text.encode(name, "replace")
        chunk = stream.read(_CHUNK)
    feed.notes.append(
        f"{lost} bytes are not text in {name}, which the file declares; letters may be wrong."
    )


class _Handler(ContentHandler):
    """Gathers a feed from its elements."""

    def __init__(self, file: str) -> None:
        super().__init__()
        self.feed = Feed()
        self.silent = 0
        self._file = file
        self._path: list[str] = []
        self._entry: Entry | None = None
        self._reading: dict[str, str] | None = None
        self._reading_line = 0
        self._text: list[str] | None = None
        self._length = 0
        self._elements = 0
        self._locator: Locator | None = None

    def setDocumentLocator(self, locator: Locator) -> None:  # noqa: N802
        self._locator = locator

    def at(self) -> int:
        """Line that is being read."""
        return (self._locator.getLineNumber() if self._locator is not None else None) or 1

    def startElement(self, name: str, attrs: AttributesImpl) -> None:  # noqa: N802
        self.silent = 0
        local = name.rpartition(":")[2]
        self._path.append(local)
        self._elements += 1
        if self._elements > MAX_ELEMENTS:
            self._refuse(f"it holds more than {MAX_ELEMENTS} elements")
        self._text, self._length = None, 0
        if len(self._path) > MAX_DEPTH:
            self._refuse(f"elements are nested more than {MAX_DEPTH} deep")
        parent = self._path[-2] if len(self._path) > 1 else ""
        if local == "entry":
            self._begin_entry()
        elif local == "link" and parent == "entry":
            self._link(attrs)
        elif local in CONTENTS:
            self._content(local)
        elif local == "IntervalReading":
            self._reading = {}
            self._reading_line = self.at()
        elif self._wanted(parent, local):
            self._text = []

    def characters(self, content: str) -> None:
        self.silent = 0
        if self._text is None:
            return
        self._length += len(content)
        if self._length <= MAX_TEXT:
            self._text.append(content)

    def endElement(self, name: str) -> None:  # noqa: N802, ARG002
        self.silent = 0
        local = self._path.pop()
        parent = self._path[-1] if self._path else ""
        if self._text is not None:
            self._take(parent, local, "".join(self._text).strip())
            self._text = None
        if local == "IntervalReading":
            self._keep_reading()
        elif local == "entry":
            self._entry = None

    def _wanted(self, parent: str, local: str) -> bool:
        if self._reading is not None:
            return (parent, local) in _READING_FIELDS
        return (parent == "ReadingType" and local in _TYPE_FIELDS) or (
            parent == "entry" and local == "title"
        )

    def _take(self, parent: str, local: str, text: str) -> None:
        if self._reading is not None:
            key = _READING_FIELDS[parent, local]
            # A reading may have several qualities, and each of them counts.
            before = self._reading.get(key, "")[:40]
            self._reading[key] = f"{before} {text}" if before and key == "quality" else text
        elif self._entry is not None and local == "title":
            self._entry.title = " ".join(text.split())
        elif self._entry is not None:
            self._entry.fields[local] = text

    def _begin_entry(self) -> None:
        if len(self.feed.entries) >= MAX_ENTRIES:
            self._refuse(f"it holds more than {MAX_ENTRIES} entries")
        self._entry = Entry(self.at())
        self.feed.entries.append(self._entry)

    def _link(self, attrs: AttributesImpl) -> None:
        href = attrs.get("href")
        if self._entry is not None and href:
            relation = attrs.get("rel")
            if relation in ("self", "up", "related"):
                self._entry.links.setdefault(relation, []).append(plain(href[:MAX_TEXT]))
            if len(self._entry.links.get("related", ())) > MAX_LINKS:
                self._refuse(f"an entry has more than {MAX_LINKS} links")

    def _content(self, local: str) -> None:
        if "entry" not in self._path:
            self._begin_entry()
        if self._entry is not None and self._entry.content is None:
            self._entry.content = local

    def _keep_reading(self) -> None:
        found, self._reading = self._reading or {}, None
        if self._entry is None:
            self._begin_entry()
        if len(self.feed.line) >= MAX_READINGS:
            self._refuse(f"it holds more than {MAX_READINGS} readings")
        if self._entry is not None:
            self._entry.readings += 1
        self.feed.line.append(self._reading_line)
        self.feed.entry.append(len(self.feed.entries) - 1)
        self.feed.start.append(found.get("start", ""))
        self.feed.duration.append(found.get("duration", ""))
        self.feed.value.append(found.get("value", ""))
        self.feed.quality.append(found.get("quality", ""))

    def _refuse(self, why: str) -> None:
        message = f"{self._file}, line {self.at()}: {why}. This is no meter's feed."
        raise Terminal(message)


def plain(href: str) -> str:
    """Give an address without scheme, host and final slash, so that links meet."""
    return re.sub(r"^[a-zA-Z][a-zA-Z0-9+.-]*://[^/]*", "", href.strip()).rstrip("/")
