"""Writers of workbooks for tests: ordinary ones by xlsxwriter, odd ones as raw XML."""

from __future__ import annotations

import zipfile
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter

from ingest.errors import IngestError
from ingest.normal_form import Extract
from ingest.profile import Profile
from monitor.models import record_from_data
from tests.ingest.exports import ELEC, HEAT
from tests.ingest.exports import read as read_file

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006/relationships"
PARTS = {
    "_rels/.rels": (
        f'<Relationships xmlns="{PACKAGE}"><Relationship Id="r1" Type="{OFFICE}/officeDocument" '
        'Target="xl/workbook.xml"/></Relationships>'
    ),
    "xl/workbook.xml": (
        f'<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}"><workbookPr/><sheets>'
        '<sheet name="Log" sheetId="1" r:id="r1"/></sheets></workbook>'
    ),
    "xl/_rels/workbook.xml.rels": (
        f'<Relationships xmlns="{PACKAGE}"><Relationship Id="r1" Type="{OFFICE}/worksheet" '
        'Target="worksheets/sheet1.xml"/></Relationships>'
    ),
    "xl/styles.xml": (
        f'<styleSheet xmlns="{MAIN}"><cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="22"/>'
        "</cellXfs></styleSheet>"
    ),
}
HEADER = (
    '<row r="1"><c r="A1" t="inlineStr"><is><t>time</t></is></c>'
    '<c r="B1" t="inlineStr"><is><t>heat</t></is></c>'
    '<c r="C1" t="inlineStr"><is><t>elec</t></is></c></row>'
)
ROW = (
    '<row r="2"><c r="A2" s="1"><v>45292</v></c><c r="B2"><v>100.5</v></c>'
    '<c r="C2"><v>30</v></c></row>'
)

DAY = datetime(2024, 1, 1)  # noqa: DTZ001
HOUR = timedelta(hours=1)
TABLE: list[list[Any]] = [
    ["time", "heat", "elec"],
    [DAY, 100.5, 30],
    [DAY + HOUR, 104, 31.25],
]


def excel(*columns: dict[str, Any], zone: str = "UTC", **layout: Any) -> Profile:
    """Give a profile for a workbook whose time column is 'time'."""
    data = {
        "name": "test",
        "format": "excel",
        "zone": zone,
        "excel": {"time": "time", **layout},
        "column": list(columns or (HEAT, ELEC)),
    }
    return record_from_data(Profile, data, where="test profile", what="profile")


def workbook(
    *sheets: tuple[str, Sequence[Any]],
    at: tuple[int, int] = (0, 0),
    change: Callable[[Any, Any], None] | None = None,
    **options: Any,
) -> bytes:
    """Give a workbook's bytes; `change` may add what rows of values cannot say.

    Strings that begin with '=' are formulas with a stored value of nothing.
    """
    stream = BytesIO()
    with xlsxwriter.Workbook(stream, {"in_memory": True, **options}) as book:
        stamp = book.add_format({"num_format": "dd/mm/yyyy hh:mm:ss"})
        for name, rows in sheets:
            sheet = book.add_worksheet(name)
            for row, cells in enumerate(rows, at[0]):
                for column, cell in enumerate(cells, at[1]):
                    if cell is None:
                        continue
                    if isinstance(cell, datetime):
                        sheet.write_datetime(row, column, cell, stamp)
                    elif isinstance(cell, str) and cell.startswith("="):
                        sheet.write_formula(row, column, cell, value="")
                    elif isinstance(cell, str):
                        sheet.write_string(row, column, cell)
                    else:
                        sheet.write(row, column, cell)
            if change is not None:
                change(book, sheet)
    return stream.getvalue()


def raw(rows: str, *, packed: int = zipfile.ZIP_DEFLATED, **parts: str | bytes) -> bytes:
    """Give a workbook of one sheet whose rows are XML; `parts` replace others by name.

    Names of parts are written with '__' for '/' and without '.xml'.
    """
    content: dict[str, str | bytes] = {
        **PARTS,
        "xl/worksheets/sheet1.xml": (
            f'<worksheet xmlns="{MAIN}"><sheetData>{rows}</sheetData></worksheet>'
        ),
        **{_part_name(name): part for name, part in parts.items()},
    }
    stream = BytesIO()
    with zipfile.ZipFile(stream, "w", packed) as archive:
        for name, part in content.items():
            archive.writestr(name, part)
    return stream.getvalue()


def _part_name(name: str) -> str:
    path = name.replace("__", "/")
    return path if "." in path else f"{path}.xml"


def read(folder: Path, content: bytes, used: Profile | None = None) -> Extract:
    """Write a workbook and read it."""
    return read_file(folder, content, used or excel(), name="export.xlsx")


def refusal(folder: Path, content: bytes, used: Profile | None = None) -> str:
    """Give the sentence in which a workbook is refused as a whole."""
    with pytest.raises(IngestError) as error:
        read(folder, content, used)
    assert error.value.user_message.endswith(".")
    return error.value.user_message
