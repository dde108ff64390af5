"""Files that are no workbooks, and workbooks made to do harm: each is a sentence, and quickly."""

from __future__ import annotations

import struct
import tempfile
import time
import zipfile
import zlib
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import IngestError, Transient
from ingest.normal_form import Extract
from ingest.registry import adapter
from tests.ingest.exports import values
from tests.ingest.workbooks import (
    HEADER,
    MAIN,
    PARTS,
    ROW,
    TABLE,
    excel,
    raw,
    read,
    refusal,
    workbook,
)


def zipped(**parts: bytes) -> bytes:
    stream = BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for name, part in parts.items():
            archive.writestr(name.replace("__", "/").replace("_xml", ".xml"), part)
    return stream.getvalue()


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "export.xlsx is empty"),
        (b"time;heat\n1;2\n", "is no Excel workbook, whatever its name says"),
        (b"<html><table>", "read it with format 'delimited'"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "the old binary kind (.xls)"),
        (
            b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + "EncryptedPackage".encode("utf-16-le"),
            "is protected with a password. Save it without one",
        ),
        (zipped(readme=b"x"), "no Excel workbook, although it is a zip archive"),
        (zipped(content_xml=b"<x/>"), "an OpenDocument table (.ods)"),
        (zipped(a=b"x").replace(b"PK\x05\x06", b"PK\x05\x07"), "may still be written"),
        (raw("", xl__workbook="<workbook"), "its list of sheets is no XML"),
        (raw("", xl__workbook=PARTS["xl/workbook.xml"].replace("<sheet ", "<page ")), "none"),
        (raw(HEADER + "<row"), "cannot be read"),
        (raw(HEADER + ROW.replace("<c r", '<c t="s" r')), "cannot be read"),
        (raw(HEADER, xl__styles=b"\x00" * 9), "NUL bytes"),
    ],
)
def test_a_file_that_is_no_workbook_is_answered_in_a_sentence(
    tmp_path: Path, content: bytes, message: str
) -> None:
    assert message in refusal(tmp_path, content)


def test_a_binary_workbook_is_named_as_what_it_is(tmp_path: Path) -> None:
    stream = BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("xl/workbook.bin", b"x")
    assert "of the binary kind (.xlsb)" in refusal(tmp_path, stream.getvalue())


def test_a_workbook_that_is_still_being_written_may_be_tried_again(tmp_path: Path) -> None:
    content = workbook(("Log", TABLE))
    with pytest.raises(Transient, match="may still be written"):
        read(tmp_path, content[:-100])
    with pytest.raises(Transient, match="cannot be read at present"):
        adapter("excel").read(tmp_path / "none.xlsx", excel())


def test_macros_are_left_alone(tmp_path: Path) -> None:
    content = raw(HEADER + ROW, xl__vbaProject=b"Sub AutoOpen()")
    assert values(read(tmp_path, content), "heat") == [100.5]


def test_links_out_of_the_archive_lead_nowhere(tmp_path: Path) -> None:
    links = PARTS["xl/_rels/workbook.xml.rels"]
    for target in ("../../../../etc/passwd", "file:///etc/passwd", "C:\\sheet.xml"):
        part = links.replace("worksheets/sheet1.xml", target)
        content = raw(HEADER + ROW, **{"xl___rels__workbook.xml.rels": part})
        assert "the sheet 'Log' is not in the file" in refusal(tmp_path, content)


def test_entities_are_not_expanded(tmp_path: Path) -> None:
    laughs = '<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]>'
    content = raw(HEADER, xl__workbook=laughs + PARTS["xl/workbook.xml"])
    assert "holds what no workbook does" in refusal(tmp_path, content)
    assert "holds what no workbook does" in refusal(tmp_path, raw(f"{HEADER}{laughs}"))


def test_a_zip_bomb_is_refused_by_its_ratio_before_it_is_unpacked(tmp_path: Path) -> None:
    content = raw(HEADER + " " * (64 << 20))
    assert len(content) < 1 << 20
    assert "unpacks to more than 250 times its size" in refusal(tmp_path, content)


def lying(content: bytes, name: bytes, size: int) -> bytes:
    """Change the size that the archive's directory declares for a part."""
    place = content.rindex(name) - 46
    assert content[place : place + 4] == b"PK\x01\x02"
    return content[: place + 24] + struct.pack("<I", size) + content[place + 28 :]


@pytest.mark.parametrize(
    ("size", "message"), [(100, "damaged workbook: Bad CRC-32"), (0xFFFFFF00, "unpacks to more")]
)
def test_an_archive_that_lies_about_its_sizes_is_refused(
    tmp_path: Path, size: int, message: str
) -> None:
    content = lying(raw(HEADER + ROW + " " * 5000), b"xl/worksheets/sheet1.xml", size)
    assert message in refusal(tmp_path, content)


def test_no_more_is_unpacked_than_an_archive_declares(tmp_path: Path) -> None:
    # The checksum of the declared part fits, so that only the bound itself can help.
    whole = raw(HEADER + ROW + " " * (40 << 20))
    sheet = f'<worksheet xmlns="{MAIN}"><sheetData>{HEADER}{ROW}'.encode()
    content = lying(whole, b"xl/worksheets/sheet1.xml", len(sheet))
    place = content.rindex(b"xl/worksheets/sheet1.xml") - 46
    content = content[: place + 16] + struct.pack("<I", zlib.crc32(sheet)) + content[place + 20 :]
    assert "cannot be read" in refusal(tmp_path, content)


def test_a_part_with_a_password_or_an_odd_packing_is_refused(tmp_path: Path) -> None:
    content = raw(HEADER + ROW, packed=zipfile.ZIP_LZMA)
    assert "packed in a way that Excel does not use" in refusal(tmp_path, content)
    content = raw(HEADER + ROW)
    place = content.rindex(b"xl/worksheets/sheet1.xml") - 46
    content = content[: place + 8] + b"\x01" + content[place + 9 :]
    assert "zip archive with a password" in refusal(tmp_path, content)


@pytest.mark.parametrize(
    "far",
    [
        '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>',
        '<row><c r="A4294967297"><v>1</v></c></row>',
        '<row><c r="A0000000000000001048576"><v>1</v></c></row>',
        "<row><c r='XFD1048576'><v>1</v></c></row>",
        '<row><c s="1" r = "XFD1048576"><v>1</v></c></row>',
        '<row><c r="zzzzzz1"><v>1</v></c></row>',
        '<row r="1000000">' + "<c><v>1</v></c>" * 40 + "</row>",
    ],
)
def test_a_sheet_that_reaches_across_too_many_cells_is_refused(tmp_path: Path, far: str) -> None:
    assert "its cells reach over" in refusal(tmp_path, raw(HEADER + ROW + far))


def test_blank_cells_far_away_do_no_harm(tmp_path: Path) -> None:
    far = '<row r="1048576" s="1"><c r="XFD1048576" s="1"/></row>'
    found = read(tmp_path, raw(HEADER + ROW + far))
    assert (values(found, "heat"), found.lines) == ([100.5], 1)


def test_cells_without_references_follow_one_another(tmp_path: Path) -> None:
    row = '<row><c s="1"><v>45292.5</v></c><c/><c><v>31</v></c></row>'
    found = read(tmp_path, raw(HEADER + ROW + row))
    assert values(found, "heat") == [100.5]
    assert values(found, "elec") == [30.0, 31.0]


def test_a_text_that_a_million_cells_share_does_not_fill_memory(tmp_path: Path) -> None:
    texts = f'<sst xmlns="{MAIN}"><si><t>{"x" * 100_000}</t></si><si><t>ok</t></si></sst>'
    rows = "".join(f'<row r="{k}"><c r="D{k}" t="s"><v>0</v></c></row>' for k in range(3, 20_000))
    content = raw(HEADER + ROW + rows, xl__sharedStrings=texts)
    assert "hold more than 1024 MiB of text" in refusal(tmp_path, content)
    short = raw(HEADER + ROW + rows.replace("<v>0<", "<v>1<"), xl__sharedStrings=texts)
    assert read(tmp_path, short).lines == 19_998


def test_a_million_empty_rows_cost_little_and_are_no_data(tmp_path: Path) -> None:
    empty = "".join(f'<row r="{k}" ht="15"/>' for k in range(3, 1_000_003))
    begin = time.monotonic()
    found = read(tmp_path, raw(HEADER + ROW + empty))
    assert (values(found, "heat"), found.lines) == ([100.5], 1)
    assert time.monotonic() - begin < 60


@pytest.mark.parametrize(
    "text",
    [
        "<c " + "t=" * 200_000,
        "<c><f>1</f>" + " " * 400_000 + "<",
        "<c r" + " " * 400_000 + "=",
        "<c " + 't="' * 200_000 + '"e"',
    ],
)
def test_no_text_makes_the_scan_slow(tmp_path: Path, text: str) -> None:
    begin = time.monotonic()
    refusal(tmp_path, raw(HEADER + ROW + text, packed=zipfile.ZIP_STORED))
    assert time.monotonic() - begin < 20


def accounted(found: Extract) -> None:
    """Hold an extract to R10: each of two cells of each row is a reading, a reject or blank."""
    assert found.readings["value"].is_finite().all()
    assert found.rows_read + found.blank == 2 * found.lines


@settings(max_examples=80, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 900), st.integers(0, 4), st.binary(max_size=4)),
        min_size=1,
        max_size=5,
    )
)
def test_no_damage_to_a_sheet_raises_or_invents_a_reading(
    changes: list[tuple[int, int, bytes]],
) -> None:
    rows = HEADER + ROW + ROW.replace("2", "3", 1).replace("A2", "A3")
    sheet = f'<worksheet xmlns="{MAIN}"><sheetData>{rows}</sheetData></worksheet>'.encode()
    for place, cut, new in changes:
        sheet = sheet[:place] + new + sheet[place + cut :]
    try:
        with tempfile.TemporaryDirectory() as folder:
            found = read(Path(folder), raw("", xl__worksheets__sheet1=sheet))
    except IngestError as error:
        said = error.user_message
    else:
        accounted(found)
        said = "."
    assert said.endswith(".")


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 9000), st.binary(min_size=1, max_size=3)), min_size=1, max_size=4
    )
)
def test_no_damage_to_an_archive_raises(changes: list[tuple[int, bytes]]) -> None:
    content = workbook(("Log", TABLE))
    for place, new in changes:
        place %= len(content)
        content = content[:place] + new + content[place + len(new) :]
    try:
        with tempfile.TemporaryDirectory() as folder:
            found = read(Path(folder), content)
    except IngestError as error:
        said = error.user_message
    else:
        accounted(found)
        said = "."
    assert said.endswith(".")
