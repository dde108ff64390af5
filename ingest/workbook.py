"""Excel workbooks, made safe to open.

A workbook is a zip archive of XML. What is opened is never the file itself but a plain
copy of the one sheet that is wanted, written from parts that were unpacked within bounds
and looked through first. So a sheet that claims to reach across a trillion cells, texts
that repeat until memory is full, or an archive that lies about its sizes are refused
before anything is built from them, and macros, links and all other parts are left out.

In the copy, error cells and formulas without a stored value are texts, so that they are
refused one by one and not taken for blank cells. Parts and attributes are those of
ECMA-376 part 1, 18.2 (workbook), 18.3 (sheet) and 18.4 (shared strings).
"""

from __future__ import annotations

import errno
import posixpath
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree as ET

from ingest.errors import Terminal, Transient
from ingest.numbers import shown
from ingest.sheet_xml import SheetCopier, check_xml, text_lengths, without_counts

#: Larger workbooks are refused: they are no meter's export.
MAX_BYTES = 1 << 28
#: What the parts of a workbook that are needed may unpack to.
MAX_UNPACKED = 1 << 29
#: XML of a sheet shrinks by ten to fifty; more than this is made to fill memory.
MAX_RATIO = 250
_RATIO_MATTERS = 1 << 24
_SMALL = 1 << 22
_SHEET_PART = "xl/worksheets/sheet1.xml"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006/relationships"
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_SKELETON = {
    "_rels/.rels": (
        f'<Relationships xmlns="{_PACKAGE}"><Relationship Id="rId1" '
        f'Type="{_OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>'
    ),
    "xl/workbook.xml": (
        f'<workbook xmlns="{_MAIN}" xmlns:r="{_OFFICE}"><sheets>'
        '<sheet name="sheet" sheetId="1" r:id="rId1"/></sheets></workbook>'
    ),
    "xl/_rels/workbook.xml.rels": (
        f'<Relationships xmlns="{_PACKAGE}"><Relationship Id="rId1" '
        f'Type="{_OFFICE}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>'
    ),
}
_DAMAGED = (
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    OSError,
    ValueError,
    KeyError,
    NotImplementedError,
    RuntimeError,
    struct.error,
)

_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EACCES, errno.EMFILE)


@dataclass(frozen=True)
class Sheet:
    """One sheet of a workbook as a plain file.

    Attributes
    ----------
    name, others
        Its name, and the names of the sheets beside it.
    path
        A workbook that holds the sheet and nothing else.
    from_1904
        True where serial dates count from 1904.
    iso_dates
        True where a cell holds its date as ISO text (cell type `d`).
    without_value
        Formulas without a stored value.
    """

    name: str
    others: tuple[str, ...]
    path: Path
    from_1904: bool
    iso_dates: bool
    without_value: int


@dataclass(frozen=True)
class _Contents:
    """What a workbook says of itself: names of sheets with their parts."""

    sheets: tuple[tuple[str, str], ...]
    from_1904: bool


def plain_sheet(path: Path, wanted: str | int | None, folder: Path) -> Sheet:
    """Write a plain copy of one sheet of a workbook.

    Parameters
    ----------
    path
        The workbook.
    wanted
        Name of the sheet, or its number from 1; None for the first.
    folder
        Where the copy is written.

    Raises
    ------
    Terminal
        The file is no workbook that can be read, or has no such sheet.
    Transient
        It cannot be read at present.
    """
    with _archive(path) as archive:
        contents = _contents(path.name, archive)
        name, part = _wanted(path.name, contents, wanted)
        parts = {one.casefold(): one for one in archive.namelist()}
        texts = parts.get("xl/sharedstrings.xml")
        styles = parts.get("xl/styles.xml")
        needed = [one for one in (part, texts, styles) if one is not None]
        _check_sizes(path.name, [archive.getinfo(one) for one in needed])
        copy = folder / "sheet.xlsx"
        with zipfile.ZipFile(copy, "w", zipfile.ZIP_STORED) as plain:
            for one, content in _SKELETON.items():
                plain.writestr(one, content)
            lengths = text_lengths(b"")
            if styles is not None:
                plain.writestr("xl/styles.xml", _part(path.name, archive, styles))
            if texts is not None:
                data = _part(path.name, archive, texts)
                lengths = text_lengths(data)
                plain.writestr("xl/sharedStrings.xml", without_counts(data))
                del data
            copier = SheetCopier(f"{path.name}, sheet '{name}'", lengths)
            with archive.open(part) as source, plain.open(_SHEET_PART, "w") as target:
                copier.copy(source, target)
    others = tuple(one for one, _ in contents.sheets if one != name)
    return Sheet(name, others, copy, contents.from_1904, copier.iso_dates, copier.without_value)


@contextmanager
def _archive(path: Path) -> Iterator[zipfile.ZipFile]:
    """Open a workbook's archive; every way in which it can be broken is a sentence."""
    try:
        size = path.stat().st_size
        with path.open("rb") as stream:
            start = stream.read(8)
            stream.seek(max(size - 65_557, 0))
            tail = stream.read(65_557)
    except OSError as error:
        message = f"{path.name} cannot be read at present: {error.strerror or error}."
        raise Transient(message) from error
    _check_kind(path, size, start, tail)
    try:
        with zipfile.ZipFile(path) as archive:
            yield archive
    except _DAMAGED as error:
        if isinstance(error, OSError) and error.errno in _NO_ROOM:
            message = f"{path.name} cannot be unpacked at present: {error.strerror}."
            raise Transient(message) from error
        message = f"{path.name} is a damaged workbook: {_said(error)}. Export it again."
        raise Terminal(message) from error


def _said(error: BaseException) -> str:
    text = " ".join(str(error).split()).rstrip(".") or type(error).__name__
    return shown(text)


def _check_kind(path: Path, size: int, start: bytes, tail: bytes) -> None:
    """Refuse what is no zip archive of a modest number of parts."""
    save = "Open it in a spreadsheet program and save it as a workbook of kind .xlsx."
    if size == 0:
        message = f"{path.name} is empty. Export it again."
    elif size > MAX_BYTES:
        message = f"{path.name} is larger than {MAX_BYTES >> 20} MiB. Export a shorter period."
    elif start.startswith(b"\xd0\xcf\x11\xe0"):
        if b"E\0n\0c\0r\0y\0p\0t\0e\0d\0P\0a\0c\0k\0a\0g\0e\0" in path.read_bytes():
            message = f"{path.name} is protected with a password. Save it without one."
        else:
            message = f"{path.name} is a workbook of the old binary kind (.xls). {save}"
    elif not start.startswith(b"PK"):
        message = (
            f"{path.name} is no Excel workbook, whatever its name says. If it is text that a "
            "spreadsheet opens, read it with format 'delimited'."
        )
    else:
        end = tail.rfind(b"PK\x05\x06")
        if end < 0 or len(tail) - end < 22:
            message = f"{path.name} ends in the middle of its zip data; it may still be written."
            raise Transient(message)
        entries, directory = struct.unpack_from("<HI", tail, end + 10)
        if entries < 10_000 and directory < _SMALL:
            return
        message = f"{path.name} has more parts than a workbook of readings. {save}"
    raise Terminal(message)


def _check_sizes(file: str, parts: list[zipfile.ZipInfo]) -> None:
    total = sum(part.file_size for part in parts)
    if total > MAX_UNPACKED:
        message = f"{file} unpacks to more than {MAX_UNPACKED >> 20} MiB. Export a shorter period."
        raise Terminal(message)
    for part in parts:
        if part.flag_bits & 1:
            message = f"{file} is a zip archive with a password. Save it without one."
            raise Terminal(message)
        if part.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            message = (
                f"{file}: its part '{shown(part.filename, 60)}' is packed in a way that Excel "
                "does not use. Save the workbook again."
            )
            raise Terminal(message)
        if part.file_size > max(_RATIO_MATTERS, MAX_RATIO * part.compress_size):
            message = (
                f"{file}: its part '{shown(part.filename, 60)}' unpacks to more than "
                f"{MAX_RATIO} times its size, as no table of readings does. Nothing was read."
            )
            raise Terminal(message)


def _part(file: str, archive: zipfile.ZipFile, name: str) -> bytes:
    """Unpack a part whose declared size was checked; never more than it declares."""
    info = archive.getinfo(name)
    with archive.open(info) as stream:
        data = stream.read(info.file_size)
    check_xml(file, data)
    return data


def _contents(file: str, archive: zipfile.ZipFile) -> _Contents:
    """Read the list of sheets and the date system."""
    parts = {one.casefold(): one for one in archive.namelist()}
    book, links = parts.get("xl/workbook.xml"), parts.get("xl/_rels/workbook.xml.rels")
    if book is None or links is None:
        kind = "of the binary kind (.xlsb)" if "xl/workbook.bin" in parts else ""
        kind = "an OpenDocument table (.ods)" if "content.xml" in parts else kind
        kind = kind or "no Excel workbook, although it is a zip archive"
        message = (
            f"{file} is {kind}. Open it in a spreadsheet program and save it as a workbook of "
            "kind .xlsx."
        )
        raise Terminal(message)
    infos = [archive.getinfo(book), archive.getinfo(links)]
    _check_sizes(file, infos)
    if sum(info.file_size for info in infos) > _SMALL:
        message = f"{file}: its list of sheets is too long to be one. Nothing was read."
        raise Terminal(message)
    try:
        workbook = ET.fromstring(_part(file, archive, book))  # noqa: S314 # no entities
        relations = ET.fromstring(_part(file, archive, links))  # noqa: S314
    except (ET.ParseError, LookupError, ValueError) as error:  # the last two: its encoding
        message = f"{file}: its list of sheets is no XML: {_said(error)}. Save the workbook again."
        raise Terminal(message) from error
    targets = {
        one.get("Id", ""): _resolved(one.get("Target", ""))
        for one in relations
        if one.get("Type", "").endswith("/worksheet")
    }
    sheets = []
    epoch = False
    for element in workbook.iter():
        tag = element.tag.rpartition("}")[2]
        if tag == "sheet":
            link = next((v for k, v in element.attrib.items() if k.endswith("}id")), "")
            if link in targets:
                sheets.append((element.get("name", ""), parts.get(targets[link].casefold(), "")))
        elif tag == "workbookPr":
            epoch = element.get("date1904", "0").strip().casefold() in ("1", "true", "on")
    return _Contents(tuple(sheets), epoch)


def _resolved(target: str) -> str:
    """Give the name of a part as the archive has it; parts are only ever looked up there."""
    return posixpath.normpath(posixpath.join("/xl", target.replace("\\", "/"))).lstrip("/")


def _wanted(file: str, contents: _Contents, wanted: str | int | None) -> tuple[str, str]:
    names = [name for name, _ in contents.sheets]
    listed = ", ".join(f"'{shown(name, 60)}'" for name in names[:20]) or "none"
    number = wanted if isinstance(wanted, int) else 1
    if isinstance(wanted, str):
        number = next((k for k, name in enumerate(names, 1) if name.strip() == wanted.strip()), 0)
    if not 1 <= number <= len(names):
        asked = f"'{wanted}'" if isinstance(wanted, str) else f"number {number}"
        message = f"{file} has no sheet {asked}. Its sheets are: {listed}. Correct 'sheet'."
        raise Terminal(message)
    name, part = contents.sheets[number - 1]
    if not part:
        message = f"{file}: the sheet '{shown(name, 60)}' is not in the file. Save it again."
        raise Terminal(message)
    return name, part
