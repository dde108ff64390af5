"""Which format a file is in, by what stands in it and not by its name."""

from __future__ import annotations

import gzip
import re
import zipfile
import zlib
from pathlib import Path
from typing import Final

from ingest.adapters.line_protocol import _carefully, _plainly
from ingest.errors import Terminal, Transient
from ingest.json_values import decode
from ingest.propose.model import Guess

#: So much of a file is looked at to tell its format.
HEAD_BYTES: Final = 1 << 16
_LINES: Final = 60
_LONGEST_LINE: Final = 10_000

_OBIS: Final = re.compile(
    r"^[ \t]*(?:\d{1,3}-\d{1,3}:)?[0-9A-Z]{1,3}(?:\.[0-9A-Z]{1,3}){1,2}(?:[*&]\d{1,3})?\(.*\)", re.M
)
_IDENTIFIES: Final = re.compile(r"^(?:[^/\n]{0,40}[;,\t ])?/[A-Za-z]{3}\S", re.M)
_HEX: Final = re.compile(r"(?:[0-9A-Fa-f]{2}\s?){12,}")


def head_of(path: Path) -> bytes:
    """Give the first bytes of a file, unpacked if it is gzipped.

    Raises
    ------
    Terminal, Transient
        There is no such file, or it cannot be read at present.
    """
    try:
        with path.open("rb") as stream:
            data = stream.read(HEAD_BYTES)
        if data.startswith(b"\x1f\x8b"):
            with gzip.open(path) as stream:
                data = stream.read(HEAD_BYTES)
    except FileNotFoundError as error:
        message = f"There is no file {path}."
        raise Terminal(message) from error
    except IsADirectoryError as error:
        message = f"{path} is a folder; name a file in it."
        raise Terminal(message) from error
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        message = f"{path.name} looks like gzip but is damaged: {error}. Export it again."
        raise Terminal(message) from error
    except OSError as error:
        message = f"{path.name} cannot be read at present: {error.strerror or error}."
        raise Transient(message) from error
    if not data:
        message = f"{path.name} is empty. Export it again."
        raise Terminal(message)
    return data


def text_of(head: bytes) -> str:
    """Give the beginning of a file as text, whatever its encoding."""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return head.decode("utf-16", "replace").replace("\r\n", "\n").replace("\r", "\n")
    text = head.decode("utf-8-sig", "replace")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def format_of(path: Path) -> Guess:
    """Tell the format of a file.

    Returns
    -------
    Guess
        Its value is the name of an adapter, or None where nothing fits.

    Raises
    ------
    Terminal, Transient
        The file cannot be read.
    """
    head = head_of(path)
    if head.startswith(b"PAR1"):
        return _sure("parquet", "The file begins as Parquet does.")
    if head.startswith(b"PK"):
        return _zipped(path)
    if head.startswith(b"\xd0\xcf\x11\xe0"):
        return Guess(
            reasons=(
                "This is a workbook of the old binary kind. Save it as .xlsx and propose that.",
            )
        )
    text = text_of(head)
    if text.count("\0") > len(text) // 20 and not head.startswith((b"\xff\xfe", b"\xfe\xff")):
        wide = head[1::2].count(0) > len(head) // 3 or head[::2].count(0) > len(head) // 3
        if not wide:
            return Guess(reasons=("The file holds bytes and not text.",))
    return _of_text(text)


def _sure(name: str, why: str) -> Guess:
    return Guess(value=name, confidence=0.98, reasons=(why,))


def _zipped(path: Path) -> Guess:
    try:
        with zipfile.ZipFile(path) as archive:
            names = {one.filename.casefold() for one in archive.infolist()[:10_000]}
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, EOFError):
        return Guess(reasons=("The file begins as a zip archive does, but is damaged.",))
    if "xl/workbook.xml" in names:
        return _sure("excel", "The archive holds an Excel workbook.")
    return Guess(reasons=("The file is a zip archive without an Excel workbook: unpack it first.",))


def _of_text(text: str) -> Guess:
    bare = text.lstrip("\ufeff \t\n\0")
    lines = [line for line in bare.split("\n") if line.strip()][:_LINES]
    if bare.startswith("<"):
        if "<MBusData" in text:
            return _sure("mbus_xml", "The text holds documents <MBusData>.")
        if "naesb.org/espi" in text or "IntervalReading" in text or "<feed" in text:
            return _sure("espi", "The text is a feed of ESPI XML.")
        return Guess(reasons=("The file is XML of a kind that no adapter reads.",))
    json = _of_json(bare, lines)
    if json is not None:
        return json
    if len(_OBIS.findall(text)) >= 2 and (_IDENTIFIES.search(text) or _mostly(_OBIS, lines)):
        return _sure("obis", "Lines hold OBIS codes with values in brackets.")
    telegrams = sum(_is_telegram(line) for line in lines)
    if telegrams >= max(1, len(lines) // 2):
        return _sure("mbus", "Lines hold a time and an M-Bus telegram in hex.")
    plain = [line for line in lines if not line.startswith("#")]
    if plain and sum(_is_protocol(line.strip()) for line in plain) >= 0.8 * len(plain):
        return _sure("line_protocol", "Lines hold a measurement, fields and a time.")
    if any(mark in line for line in lines for mark in ";\t,|"):
        return Guess(
            value="delimited", confidence=0.9, reasons=("The text is parted by separators.",)
        )
    return Guess(reasons=("The text has no form that an adapter reads.",))


def _mostly(pattern: re.Pattern[str], lines: list[str]) -> bool:
    return sum(bool(pattern.match(line)) for line in lines) > len(lines) // 2


def _of_json(bare: str, lines: list[str]) -> Guess | None:
    if bare.startswith("["):
        if re.search(r'"b?n"\s*:', bare) or re.search(r'"b?v"\s*:', bare):
            return _sure("senml", "The text is a JSON array of SenML records.")
        return Guess(reasons=("The file is one JSON array, which no adapter reads.",))
    if not bare.startswith("{"):
        return None
    for line in lines[:3]:
        try:
            value, _ = decode(line.strip())
        except ValueError:
            continue
        if isinstance(value, dict):
            return _sure("jsonl", "Each line is a JSON object.")
    return Guess(reasons=("The file is JSON, but not one object on each line.",))


def _is_protocol(line: str) -> bool:
    """Whether a line holds a measurement, a field and a time."""
    if len(line) > _LONGEST_LINE:
        return False
    try:
        _, pairs, stamp = _plainly(line) or _carefully(line)
    except ValueError:
        return False
    return stamp is not None and bool(pairs)


def _is_telegram(line: str) -> bool:
    """Whether a line ends in the hex of a long frame, or of a wireless telegram."""
    hit = _HEX.search(line)
    if hit is None or hit.end() < len(line.rstrip()) - 3:
        return False
    digits = re.sub(r"\s", "", hit[0]).upper()
    wired = digits.startswith("68") and digits[6:8] == "68"
    return wired or (len(digits) >= 40 and digits[2:4] == "44")
