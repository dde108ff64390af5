"""What must hold of every export, whatever it looks like."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import IngestError
from ingest.normal_form import Extract
from ingest.profile import Profile
from monitor.errors import DescriptionError
from monitor.models import record_from_data
from tests.ingest.exports import ELEC, HEAT, profile, read

BEGIN = datetime(2024, 1, 1, tzinfo=UTC)
LONG = {"layout": "long", "point": "point", "value": "value"}
TELEGRAM = (
    "68 3C 3C 68 08 FD 72 78 56 34 12 24 23 2A 04 26 00 00 00 0C 06 27 04 85 02 0C 13 76 34 70 "
    "00 4C 06 19 54 44 01 42 6C FF 0C 0B 3B 27 01 00 0B 2A 97 32 00 0A 5A 43 04 0A 5E 51 02 02 "
    "FD 17 00 00 C8 16"
)
MBUS = record_from_data(
    Profile,
    {
        "name": "test",
        "format": "mbus",
        "column": [
            {"role": "heat_total", "kind": "register", "record": {"quantity": "energy"}},
            {"role": "flow_temp", "kind": "state", "record": {"quantity": "flow_temp"}},
        ],
    },
    where="test",
    what="profile",
)

cents = st.integers(-10_000_000, 10_000_000)
rows = st.lists(st.tuples(cents, st.none() | cents), min_size=1, max_size=30)


def written(number: int | None, decimal: str, thousands: str) -> str:
    if number is None:
        return ""
    whole, rest = divmod(abs(number), 100)
    sign = "-" if number < 0 else ""
    return f"{sign}{whole:,}".replace(",", thousands) + f"{decimal}{rest:02}"


def kept(extract: Extract) -> list[tuple[str, datetime, float]]:
    """Give every reading by its column, without its line."""
    names = [target.label for target in extract.targets]
    found = extract.readings.select("target", "t_utc", "value").rows()
    return sorted((names[number], moment, value) for number, moment, value in found)


def read_anywhere(content: bytes, used: Profile) -> Extract:
    with tempfile.TemporaryDirectory() as folder:
        return read(Path(folder), content, used)


@given(
    rows,
    st.sampled_from([";", "\t", "|", ","]),
    st.sampled_from([(".", ""), (".", "'"), (",", ""), (",", "."), (",", " ")]),
    st.booleans(),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
    st.sampled_from(["wide", "long"]),
)
def test_what_a_logger_writes_is_what_is_read(
    table: list[tuple[int, int | None]],
    separator: str,
    marks: tuple[str, str],
    quoted: bool,
    line_end: str,
    codec: str,
    shape: str,
) -> None:
    decimal, thousands = marks
    quote = '"' if quoted or separator == "," else ""
    lines: list[str] = []
    expected = []
    places = []
    for hour, pair in enumerate(table):
        moment = BEGIN + timedelta(hours=hour)
        cells = [f"{quote}{written(one, decimal, thousands)}{quote}" for one in pair]
        stamp = f"{moment:%d.%m.%Y %H:%M}"
        if shape == "wide":
            places += [len(lines) + 2 for one in pair if one is not None]
            lines.append(separator.join([stamp, *cells]))
        else:
            places += [len(lines) + 2 + k for k, one in enumerate(pair) if one is not None]
            lines += [
                separator.join([stamp, name, cell])
                for name, cell in zip(("heat", "elec"), cells, strict=True)
            ]
        expected += [
            (name, moment, one / 100)
            for name, one in zip(("heat", "elec"), pair, strict=True)
            if one is not None
        ]
    names = ("time", "heat", "elec") if shape == "wide" else ("time", "point", "value")
    text = line_end.join([separator.join(names), *lines, ""])
    layout: dict[str, Any] = {
        "time_format": "%d.%m.%Y %H:%M",
        "decimal": decimal,
        "thousands": thousands or None,
        **(LONG if shape == "long" else {}),
    }
    found = read_anywhere(text.encode(codec), profile(**layout))
    assert kept(found) == sorted(expected)
    assert found.rejects.is_empty()
    assert found.blank == sum(one is None for pair in table for one in pair)
    assert found.readings["line"].sort().to_list() == places


@given(rows, st.data())
def test_a_file_cut_in_two_gives_the_readings_of_the_whole(
    table: list[tuple[int, int | None]], data: st.DataObject
) -> None:
    header = "time;heat;elec\n"
    lines = [
        f"{BEGIN + timedelta(hours=hour):%Y-%m-%dT%H:%MZ};{a / 100};"
        f"{'Err' if b is None else b / 100}\n"
        for hour, (a, b) in enumerate(table)
    ]
    cut = data.draw(st.integers(0, len(lines)))
    whole = read_anywhere((header + "".join(lines)).encode(), profile())
    parts = [
        read_anywhere((header + "".join(part)).encode(), profile())
        for part in (lines[:cut], lines[cut:])
    ]
    assert sorted(one for part in parts for one in kept(part)) == kept(whole)
    assert sum(part.rows_read for part in parts) == whole.rows_read == 2 * len(table)
    assert sum(part.lines for part in parts) == whole.lines


WIDE_FILE = (
    b'time;heat;elec\n2024-01-01 00:00;100.5;"30"\n2024-01-01 01:00;104;\n'
    b"2024-01-01 02:00;108;32.5\n2024-01-01 03:00;1,2;33\n"
)
LONG_FILE = (
    b"time;point;value\n2024-01-01 00:00;heat;100\n2024-01-01 00:00;elec;30\n"
    b"2024-01-01 01:00;heat;Err\n2024-01-01 01:00;elec;31\n"
)
CAPTURE = f"# reader 1\n2024-01-01T00:00Z;{TELEGRAM}\n2024-01-01T01:00Z;{TELEGRAM}\n".encode()
edits = st.lists(
    st.tuples(
        st.integers(0, 400),
        st.integers(0, 3),
        st.binary(max_size=3) | st.sampled_from([b'"', b";", b"\n", b"\r", b"\x00", b",", b"68"]),
    ),
    min_size=1,
    max_size=6,
)


def read_damaged(
    content: bytes, changes: list[tuple[int, int, bytes]], used: Profile
) -> Extract | None:
    """Read a file after changes to its bytes; None where it is refused in a sentence."""
    for place, cut, new in changes:
        content = content[:place] + new + content[place + cut :]
    try:
        return read_anywhere(content, used)
    except (IngestError, DescriptionError) as error:
        said = error.user_message
    assert said.endswith(".")
    return None


def accounted(extract: Extract, cells_a_line: int) -> None:
    """Hold an extract to R10: each cell of each line is a reading, a reject or blank."""
    whole = extract.rejects.filter(pl.col("column").is_in(["(whole line)", "telegram"])).height
    single = extract.rejects.height - whole
    assert extract.rows_read == extract.readings.height + extract.rejects.height
    assert extract.readings.height + single + extract.blank == cells_a_line * (
        extract.lines - whole
    )
    places = pl.concat(
        [
            extract.readings.select("line", pl.col("target").cast(pl.String)),
            extract.rejects.select("line", pl.col("column").alias("target")),
        ]
    )
    assert places.is_unique().all()
    assert extract.readings["value"].is_finite().all()
    assert extract.rejects["reason"].str.len_chars().min() != 0


@settings(max_examples=80)
@given(edits)
def test_no_damage_to_a_wide_file_raises_or_loses_a_cell(
    changes: list[tuple[int, int, bytes]],
) -> None:
    found = read_damaged(WIDE_FILE, changes, profile())
    if found is not None:
        accounted(found, cells_a_line=2)


@settings(max_examples=60)
@given(edits)
def test_no_damage_to_a_long_file_raises_or_loses_a_cell(
    changes: list[tuple[int, int, bytes]],
) -> None:
    found = read_damaged(LONG_FILE, changes, profile(**LONG))
    if found is not None:
        of_others = sum(
            int(note.split(" rows are of points")[0])
            for note in found.notes
            if " rows are of points" in note
        )
        whole = found.rejects.filter(pl.col("column") == "(whole line)").height
        single = found.rejects.height - whole
        assert found.readings.height + single + found.blank == found.lines - whole - of_others


@settings(max_examples=60)
@given(edits)
def test_no_damage_to_a_capture_raises_or_loses_a_telegram(
    changes: list[tuple[int, int, bytes]],
) -> None:
    found = read_damaged(CAPTURE, changes, MBUS)
    if found is not None:
        accounted(found, cells_a_line=2)


@settings(max_examples=60)
@given(st.binary(min_size=20, max_size=120), st.integers(0, 255))
def test_a_telegram_with_any_records_in_it_never_raises(payload: bytes, medium: int) -> None:
    header = bytes.fromhex("0801727856341224232A") + bytes([medium]) + bytes.fromhex("26000000")
    body = header + payload
    frame = bytes([0x68, len(body), len(body), 0x68]) + body + bytes([sum(body) % 256, 0x16])
    found = read_anywhere(f"2024-01-01T00:00Z;{frame.hex()}\n".encode(), MBUS)
    assert found.lines == 1
    assert found.readings["value"].is_finite().all()


@pytest.mark.parametrize("columns", [(HEAT,), (HEAT, ELEC)])
def test_a_column_that_the_profile_does_not_name_is_no_reading(
    tmp_path: Path, columns: tuple[dict[str, Any], ...]
) -> None:
    found = read(tmp_path, WIDE_FILE, profile(*columns))
    assert {target.label for target in found.targets} == {one["column"] for one in columns}
    assert found.rows_read + found.blank == 4 * len(columns)
