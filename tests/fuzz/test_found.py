"""What the fuzz found, each as small as it can be."""

from __future__ import annotations

import re
from pathlib import Path
from time import process_time

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from ingest.errors import Terminal
from ingest.json_values import number_of
from ingest.numbers import shown
from ingest.sheet_xml import without_counts
from tests.fuzz.samples import samples
from tests.fuzz.worker import sentence_fault
from tests.ingest.exports import ELEC, HEAT, profile, read, reasons


def test_a_workbook_in_an_encoding_that_nobody_knows_is_refused_in_a_sentence(
    tmp_path: Path,
) -> None:
    sample = next(one for one in samples("excel") if one.name == "xl/workbook.xml")
    for declared in (b"UTF-1", b"shift_jis"):
        spoilt = sample.content.replace(b"UTF-8", declared)
        assert spoilt != sample.content
        with pytest.raises(Terminal, match="its list of sheets is no XML"):
            read(tmp_path, sample.pack(spoilt), sample.profile, name=sample.file)


def test_a_workbook_that_claims_billions_of_texts_is_read_by_those_that_it_has(
    tmp_path: Path,
) -> None:
    sample = next(one for one in samples("excel") if one.name == "xl/sharedStrings.xml")
    spoilt = re.sub(rb'uniqueCount="[0-9]+"', b'uniqueCount="4294967295"', sample.content)
    assert spoilt != sample.content
    sound = read(tmp_path, sample.pack(sample.content), sample.profile, name=sample.file)
    found = read(tmp_path, sample.pack(spoilt), sample.profile, name=sample.file)
    assert found.readings.equals(sound.readings)


def test_only_the_count_of_the_texts_goes_and_a_text_that_says_uniquecount_stays() -> None:
    before = b"<x:sst a='>' uniqueCount = '9'><x:si><x:t>uniqueCount</x:t></x:si></x:sst>"
    after = b"<x:sst a='>' statedCount = '9'><x:si><x:t>uniqueCount</x:t></x:si></x:sst>"
    assert without_counts(before) == after


def test_a_zone_that_no_database_knows_refuses_a_parquet_file_in_a_sentence(
    tmp_path: Path,
) -> None:
    table = pa.table(
        {
            "time": pa.array([1_705_320_000_000_000], pa.timestamp("us", tz="Moon/Base")),
            "heat": [1.0],
            "elec": [2.0],
            "flow": [3.0],
        }
    )
    pq.write_table(table, tmp_path / "moon.parquet")
    content = (tmp_path / "moon.parquet").read_bytes()
    with pytest.raises(Terminal, match=r"column 'time' cannot be read: .*'Moon/Base'") as error:
        read(tmp_path, content, samples("parquet")[0].profile, name="export.parquet")
    assert sentence_fault(error.value.user_message) is None


def test_a_date_cell_of_an_impossible_age_refuses_the_workbook_in_a_sentence(
    tmp_path: Path,
) -> None:
    sample = next(one for one in samples("excel") if one.name == "xl/worksheets/sheet1.xml")
    spoilt = sample.content.replace(b"<v>45591.5</v>", b"<v>-9223372036854775808</v>", 1)
    assert spoilt != sample.content
    with pytest.raises(Terminal, match="formatted as a date holds a number that is none"):
        read(tmp_path, sample.pack(spoilt), sample.profile, name=sample.file)


def test_a_parquet_file_whose_text_is_no_utf_8_is_refused_before_the_store_sees_it(
    tmp_path: Path,
) -> None:
    sample = samples("parquet")[0]
    spoilt = sample.content.replace(b"\x03\x00\x00\x00309", b"\x03\x00\x00\x003\xb39", 1)
    assert spoilt != sample.content
    with pytest.raises(Terminal, match="is damaged and cannot be read as Parquet"):
        read(tmp_path, spoilt, sample.profile, name=sample.file)


def test_a_million_digits_that_are_no_number_take_no_time(tmp_path: Path) -> None:
    digits = "9" * 1_000_000 + "x"
    sample = samples("line_protocol")[0]
    began = process_time()
    found = read(tmp_path, f"meter,id=1 energy={digits} 1705320000\n", sample.profile)
    assert number_of(digits) == (None, "the text is not a number")
    assert process_time() - began < 5
    assert found.readings.is_empty()


def test_signs_that_steer_a_terminal_are_shown_as_pictures(tmp_path: Path) -> None:
    assert shown("a\x1b[2J\x07\x7f\x9b\tb") == "a␛[2J␇␡\ufffd\tb"
    text = "time;heat;elec\n2024-01-01 00:00;1\x1b[31m;\x08\n2024-01-01 01:00;2;3\n"
    found = read(tmp_path, text, profile(HEAT, ELEC))
    assert reasons(found) == [
        (2, "heat", "not a number: '1␛[31m'"),
        (2, "elec", "not a number: '␈'"),
    ]
    assert found.rejects["raw"].to_list() == ["1␛[31m", "␈"]


def test_a_damaged_parquet_file_is_described_without_control_characters(tmp_path: Path) -> None:
    sample = samples("parquet")[0]
    said = []
    for place in range(len(sample.content) - 600, len(sample.content) - 8, 3):
        spoilt = bytearray(sample.content)
        spoilt[place] ^= 0xFF
        try:
            read(tmp_path, bytes(spoilt), sample.profile, name=sample.file)
        except Terminal as error:
            said.append(error.user_message)
    assert len(said) > 10
    assert [sentence_fault(one) for one in said] == [None] * len(said)
