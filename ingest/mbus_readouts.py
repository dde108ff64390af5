"""XML dumps of M-Bus readouts (`<MBusData>`): their documents, records and times.

The schema and its two dialects are those of the open M-Bus library that writes them: raw
(`<Unit>Power (100 W)</Unit>`) and normalised (`<Quantity>Power</Quantity>`, base units).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import NoReturn
from xml.sax import SAXParseException
from xml.sax.handler import ContentHandler, ErrorHandler
from xml.sax.xmlreader import AttributesImpl, Locator

from defusedxml.sax import make_parser

from ingest.errors import Terminal
from ingest.text_table import Text

#: Deeper elements, longer texts of one and longer documents are no readout.
MAX_DEPTH = 32
MAX_TEXT = 1_000
MAX_DOCUMENT = 1 << 24

_NAMELESS = "the readout does not say which meter it is of (SlaveInformation, Id)"
_BROKEN = "the XML ends too early or is damaged here"

_QUANTITIES = {
    "energy": "energy",
    "power": "power",
    "volume flow": "flow_rate",
    "flow temperature": "flow_temp",
    "return temperature": "return_temp",
}
_UNITS = {
    "Wh": "Wh",
    "J": "J",
    "W": "W",
    "J/h": "J/h",
    "m^3/h": "m3/h",
    "m^3/min": "m3/min",
    "m^3/s": "m3/s",
    "deg C": "degC",
    "°C": "degC",
    "degree F": "degF",
    "°F": "degF",
}
_PREFIXES = {"": 0, "my": -6, "m": -3, "k": 3, "M": 6, "G": 9}
_SCALED = re.compile(
    r"(?:(?:1e(?P<power>-?\d{1,2})|(?P<ten>10{0,2}|0\.1)) )?(?P<prefix>my|[mkMG])? ?"
    rf"(?P<unit>{'|'.join(re.escape(unit) for unit in _UNITS)})"
)
_TENS = {None: 0, "0.1": -1, "1": 0, "10": 1, "100": 2}
_FUNCTIONS = {
    "instantaneous value": "instantaneous",
    "value during error state": "error",
}
#: Names of the medium byte (EN 13757-3) that matter here.
_MEDIA = {
    "electricity": 0x02,
    "heat": 0x04,
    "heat: outlet": 0x04,
    "heat: inlet": 0x0C,
    "heat / cooling load meter": 0x0D,
}
_FIELDS = frozenset(
    [
        "Id",
        "Medium",
        "Error",
        "Timestamp",
        "Function",
        "StorageNumber",
        "Tariff",
        "Device",
        "Unit",
        "Quantity",
        "Value",
    ]
)
_DECLARED = re.compile(r"<!(?:DOCTYPE|ENTITY)\b", re.IGNORECASE)
_START = re.compile(r"<MBusData(?=[\s/>])")
_END = "</MBusData>"
_STAMP = re.compile(
    r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?: ?Z| ?[+-]\d{2}:?\d{2})?"
)


@dataclass(frozen=True)
class Reading:
    """One data record of a quantity that a profile can mean.

    Attributes
    ----------
    line, id
        Where it stands in the file, and its number in the readout.
    unit, multiplier
        Unit of value x multiplier; the unit is None where it is not known.
    value, stamp
        As the file writes them.
    """

    line: int
    id: int | None
    quantity: str
    unit: str | None
    multiplier: float
    function: str
    storage: int
    tariff: int
    device: int
    value: str
    stamp: str | None
    stated_unit: str


@dataclass
class Readout:
    """One document: the answer of one meter.

    `wrong` says why the document, or its rest from `wrong_line` on, cannot be used.
    """

    line: int
    stamp: str | None = None
    meter: str = ""
    medium: int | None = None
    medium_name: str = ""
    readings: list[Reading] = field(default_factory=list)
    wrong: str = ""
    wrong_line: int = 0


def readouts(text: Text) -> list[Readout]:
    """Read every document of a file.

    Raises
    ------
    Terminal
        The file holds none, or declares a document type.
    """
    whole = text.data.decode("utf-8", "replace")
    if _DECLARED.search(whole):
        message = (
            f"{text.name} declares a document type or entities, which no readout needs and "
            "which can do harm; nothing was read. Export the readouts without."
        )
        raise Terminal(message)
    starts = [found.start() for found in _START.finditer(whole)]
    if not starts:
        message = f"{text.name} has no element <MBusData>, so it is no dump of M-Bus readouts."
        raise Terminal(message)
    found = []
    done, line, after = 0, 1, 0
    for start, following in zip(starts, [*starts[1:], len(whole)], strict=True):
        line += whole.count("\n", done, start)
        closes = whole.find(_END, start, following)
        end = following if closes < 0 else closes + len(_END)
        readout = _read(whole[start:end], line)
        readout.stamp = readout.stamp or _stamp_in_comments(whole[after:start])
        found.append(readout)
        line += whole.count("\n", start, end)
        done = end
        # What follows a document that does not close may belong to the next.
        after = start if closes < 0 else end
    return found


def _stamp_in_comments(between: str) -> str | None:
    """Give the time that the last comment before a document states."""
    end = between.rfind("-->")
    while end >= 0:
        start = between.rfind("<!--", 0, end)
        if start < 0:
            break
        stamps = _STAMP.findall(between, start, end)
        if len(stamps) == 1:
            return str(stamps[0])
        end = between.rfind("-->", 0, start)
    return None


class _DamagedError(Exception):
    """The document cannot be read from here on."""


class _Stop(ErrorHandler):
    """Ends reading at what the parser cannot read."""

    def fatalError(self, exception: BaseException) -> NoReturn:  # noqa: N802
        if isinstance(exception, SAXParseException):
            raise _DamagedError(
                exception.getLineNumber() or 1, f"{_BROKEN} ({exception.getMessage()})"
            )
        raise exception


class _Handler(ContentHandler):
    """Collects meter and records of one document."""

    def __init__(self, readout: Readout) -> None:
        super().__init__()
        self._readout = readout
        self._path: list[str] = []
        self._text: list[str] = []
        self._length = 0
        self._fields: dict[str, str] = {}
        self._attributes: dict[str, str] = {}
        self._line = 0
        self._where: Locator | None = None

    def setDocumentLocator(self, locator: Locator) -> None:  # noqa: N802
        self._where = locator

    def startElement(self, name: str, attrs: AttributesImpl) -> None:  # noqa: N802
        self._path.append(name)
        depth = len(self._path)
        if depth > MAX_DEPTH:
            raise _DamagedError(self._at(), f"more than {MAX_DEPTH} elements inside each other")
        self._text, self._length = [], 0
        if depth == 1:
            self._readout.stamp = attrs.get("timestamp")
        elif depth == 2:
            self._fields = {}
            self._attributes = {key: str(value) for key, value in attrs.items()}
            self._line = self._at()

    def characters(self, content: str) -> None:
        if len(self._path) == 3 and self._length < MAX_TEXT:
            self._text.append(content[:MAX_TEXT])
            self._length += len(content)

    def endElement(self, name: str) -> None:  # noqa: N802
        depth = len(self._path)
        if depth == 3 and name in _FIELDS:
            self._fields.setdefault(name, "".join(self._text).strip())
        elif depth == 2 and name == "SlaveInformation":
            self._take_meter()
        elif depth == 2 and name == "DataRecord":
            reading = _reading(self._readout.line + self._line - 1, self._fields, self._attributes)
            if reading is not None:
                self._readout.readings.append(reading)
        self._path.pop()

    def _take_meter(self) -> None:
        error = self._fields.get("Error")
        if error is not None:
            raise _DamagedError(self._line, f"the meter answered with an error: {error}")
        meter = self._fields.get("Id", "").zfill(8).upper()
        if re.fullmatch(r"[0-9A-F]{8}", meter) is None:
            raise _DamagedError(self._line, _NAMELESS)
        self._readout.meter = meter
        self._readout.medium_name = self._fields.get("Medium", "")
        self._readout.medium = _MEDIA.get(self._readout.medium_name.casefold())
        stamp = self._attributes.get("timestamp") or self._fields.get("Timestamp")
        self._readout.stamp = self._readout.stamp or stamp

    def _at(self) -> int:
        return int(self._where.getLineNumber() or 1) if self._where is not None else 1


def _read(document: str, line: int) -> Readout:
    readout = Readout(line)
    parser = make_parser()
    parser.forbid_dtd = True
    handler = _Handler(readout)
    handler.setDocumentLocator(parser)
    parser.setContentHandler(handler)
    parser.setErrorHandler(_Stop())
    try:
        parser.feed(document[:MAX_DOCUMENT].encode())
        parser.close()
    except _DamagedError as damage:
        within, what = damage.args
        readout.wrong_line = line + within - 1
        readout.wrong = str(what)
    if not readout.wrong and not readout.meter:
        readout.wrong_line, readout.wrong = line, _NAMELESS
    if not readout.meter:
        readout.readings = []
    return readout


def _reading(line: int, fields: dict[str, str], attributes: dict[str, str]) -> Reading | None:
    """Give what a record means, or None where it is of no quantity that is read."""
    stated = fields.get("Unit", "")
    if "Quantity" in fields:
        name, scaled = fields["Quantity"], stated
    else:
        name, _, scaled = stated.removesuffix(")").partition("(")
    quantity = _QUANTITIES.get(name.strip().casefold())
    if quantity is None:
        return None
    unit, multiplier = _unit(scaled)
    number = attributes.get("id", "")
    return Reading(
        line=line,
        id=int(number) if re.fullmatch(r"\d{1,9}", number) else None,
        quantity=quantity,
        unit=unit,
        multiplier=multiplier,
        function=_FUNCTIONS.get(fields.get("Function", "").casefold(), "other"),
        storage=_whole(fields.get("StorageNumber")),
        tariff=_whole(fields.get("Tariff")),
        device=_whole(fields.get("Device")),
        value=fields.get("Value", ""),
        stamp=fields.get("Timestamp") or attributes.get("timestamp"),
        stated_unit=stated,
    )


def _unit(scaled: str) -> tuple[str | None, float]:
    """Give unit and multiplier of a text such as '100 W', '1e-1 deg C', 'm m^3/h'."""
    found = _SCALED.fullmatch(" ".join(scaled.split()))
    if found is None:
        return None, 1.0
    exponent = int(found["power"] or 0) + _TENS[found["ten"]] + _PREFIXES[found["prefix"] or ""]
    return _UNITS[found["unit"]], float(f"1e{exponent}")


def _whole(text: str | None) -> int:
    """Read a number of storage, tariff or subunit; -1 where it is none."""
    if text is None:
        return 0
    return int(text) if re.fullmatch(r"\d{1,9}", text) else -1
