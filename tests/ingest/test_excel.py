"""Workbooks as portals write them and people edit them, and workbooks made to do harm."""

from __future__ import annotations

import tempfile
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.profile import Excel
from monitor.errors import DescriptionError
from tests.ingest.exports import ELEC, HEAT, profile, reasons, times, values
from tests.ingest.exports import read as read_file
from tests.ingest.workbooks import (
    DAY,
    HEADER,
    HOUR,
    ROW,
    TABLE,
    excel,
    raw,
    read,
    refusal,
    workbook,
)

LONG = {"layout": "long", "point": "point", "value": "value"}


def test_numbers_and_dates_of_a_sheet_are_readings_of_its_rows(tmp_path: Path) -> None:
    found = read(tmp_path, workbook(("Log", TABLE)))
    assert values(found, "heat") == [100.5, 104.0]
    assert values(found, "elec") == [30.0, 31.25]
    assert times(found, "heat") == ["2024-01-01 00:00", "2024-01-01 01:00"]
    assert found.readings["line"].to_list() == [2, 3, 2, 3]
    assert (found.lines, found.blank, found.rows_read, found.notes) == (2, 0, 4, ())


def test_numbers_are_read_to_their_last_digit(tmp_path: Path) -> None:
    exact = [0.1 + 0.2, 1 / 3, 1e-11, 123456789.123456789, 4.35]
    rows = "".join(
        f'<row r="{k}"><c r="A{k}" s="1"><v>{45292 + k}</v></c><c r="B{k}"><v>{one!r}</v></c></row>'
        for k, one in enumerate(exact, 2)
    )
    assert values(read(tmp_path, raw(HEADER + rows)), "heat") == exact


def test_a_table_may_stand_anywhere_in_its_sheet_below_a_preamble(tmp_path: Path) -> None:
    rows = [["Site", "Fern Cottage"], ["Exported", DAY], [None], *TABLE]
    found = read(tmp_path, workbook(("Log", rows), at=(4, 27)))
    assert found.readings["line"].unique().sort().to_list() == [9, 10]
    broken = [*rows, [DAY + 2 * HOUR, "Err", 32]]
    found = read(tmp_path, workbook(("Log", broken), at=(4, 27)))
    assert reasons(found) == [(11, "heat", "not a number: 'Err' (sheet 'Log', cell AC11)")]


def test_a_header_can_be_known_by_a_text_in_a_cell(tmp_path: Path) -> None:
    rows = [["time", "heat", "elec"], ["UTC", "x", "y"], ["time", "heat", "elec", "(log 2)"]]
    found = read(tmp_path, workbook(("Log", [*rows, *TABLE[1:]])), excel(header_contains="(log 2"))
    assert values(found, "heat") == [100.5, 104.0]
    message = refusal(tmp_path, workbook(("Log", TABLE)), excel(header_contains="nowhere"))
    assert "no cell in its first 500 rows holds 'nowhere'" in message


def test_a_row_of_units_is_held_to_the_profile_and_is_no_data(tmp_path: Path) -> None:
    rows = [TABLE[0], [None, "kWh", "kWh"], *TABLE[1:]]
    found = read(tmp_path, workbook(("Log", rows)))
    assert found.lines == 2
    assert found.notes == ("Row 2 states units; they agree with the profile.",)
    rows[1] = [None, "MWh", "kWh"]
    message = refusal(tmp_path, workbook(("Log", rows)))
    assert "sheet 'Log', row 2: the file states 'MWh' for the column 'heat'" in message


def test_a_unit_in_the_header_that_contradicts_the_profile_stops_the_file(tmp_path: Path) -> None:
    used = excel({**HEAT, "column": "heat [MWh]"})
    message = refusal(tmp_path, workbook(("Log", [["time", "heat [MWh]"], [DAY, 1]])), used)
    assert "sheet 'Log', row 1: the file states 'MWh'" in message


@pytest.mark.parametrize("sheet", ["Readings", " Readings ", 2])
def test_a_sheet_is_found_by_name_or_number(tmp_path: Path, sheet: str | int) -> None:
    content = workbook(("Cover", [["Fern Cottage"]]), ("Readings", TABLE))
    assert values(read(tmp_path, content, excel(sheet=sheet)), "heat") == [100.5, 104.0]


def test_a_sheet_that_is_not_there_is_answered_with_those_that_are(tmp_path: Path) -> None:
    content = workbook(("Cover", [["x"]]), ("Readings", TABLE))
    message = refusal(tmp_path, content, excel(sheet="readings"))
    assert "has no sheet 'readings'. Its sheets are: 'Cover', 'Readings'" in message
    assert "has no sheet number 3" in refusal(tmp_path, content, excel(sheet=3))
    with pytest.raises(DescriptionError, match="sheet"):
        excel(sheet=0)


def test_the_first_sheet_is_read_and_the_others_are_named(tmp_path: Path) -> None:
    found = read(tmp_path, workbook(("Log", TABLE), ("Notes", [["x"]])))
    assert values(found, "heat") == [100.5, 104.0]
    assert found.notes[0].startswith("Read was the sheet 'Log' of export.xlsx; it also has 'Notes'")
    assert read(tmp_path, workbook(("Log", TABLE), ("N", [["x"]])), excel(sheet=1)).notes == ()


def test_a_missing_or_double_column_is_named_with_its_place(tmp_path: Path) -> None:
    message = refusal(tmp_path, workbook(("Log", [["time", "heat", "elek"], *TABLE[1:]])))
    assert "sheet 'Log', row 1: there is no column 'elec'. The nearest is 'elek'" in message
    message = refusal(tmp_path, workbook(("Log", [["time", "heat", "elec", "heat"], *TABLE[1:]])))
    assert "occurs more than once (columns B and D)" in message
    message = refusal(tmp_path, workbook(("Log", [["Time", "heat", "elec"], *TABLE[1:]])))
    assert "no header row with the time column 'time'" in message
    assert "The nearest is 'Time'" in message


def test_an_empty_sheet_and_a_header_without_rows_are_said_to_be_so(tmp_path: Path) -> None:
    assert "The likeliest header has: nothing" in refusal(tmp_path, workbook(("Log", [])))
    found = read(tmp_path, workbook(("Log", TABLE[:1])))
    assert found.rows_read == 0
    assert found.notes == ("export.xlsx, sheet 'Log' has a header but no rows below it.",)


def test_blank_rows_are_no_data_and_repeated_headers_are_counted(tmp_path: Path) -> None:
    rows = [*TABLE, [None], ["  "], TABLE[0], [DAY + 2 * HOUR, 105, None], ["Total", 105, 31.25]]
    found = read(tmp_path, workbook(("Log", rows)))
    assert "The header row is repeated 1 times; these are no data." in found.notes
    assert (found.lines, found.blank) == (4, 1)
    assert values(found, "heat") == [100.5, 104.0, 105.0]
    assert [(line, column) for line, column, _ in reasons(found)] == [(8, "heat"), (8, "elec")]
    assert "'Total' cannot be read as an ISO 8601 time" in reasons(found)[0][2]


def test_serial_dates_are_read_to_the_second_whatever_their_rounding(tmp_path: Path) -> None:
    # A minute is 1/1440 day, which no binary fraction hits.
    rows = [TABLE[0], *([DAY + timedelta(minutes=k), k, k] for k in range(1441))]
    found = read(tmp_path, workbook(("Log", rows)))
    expected = pl.datetime_range(DAY, DAY + timedelta(days=1), "1m", eager=True, time_zone="UTC")
    assert found.readings.filter(pl.col("target") == 0)["t_utc"].to_list() == expected.to_list()


def test_a_workbook_of_the_1904_date_system_gives_the_same_times(tmp_path: Path) -> None:
    found = read(tmp_path, workbook(("Log", TABLE), date_1904=True))
    assert times(found, "heat") == ["2024-01-01 00:00", "2024-01-01 01:00"]
    assert found.notes == ("The workbook counts its dates from 1904; that is taken into account.",)


@pytest.mark.parametrize(("from_1904", "serial"), [(False, 45292.0416666667), (True, 43830.041667)])
def test_serial_numbers_without_a_date_format_are_dates_if_the_profile_says_so(
    tmp_path: Path, from_1904: bool, serial: float
) -> None:
    rows = [TABLE[0], [serial, 1, 2], [DAY + 2 * HOUR, 3, 4], ["45292,125", 5, 6], [1e300, 7, 8]]
    content = workbook(("Log", rows), date_1904=from_1904)
    text = excel(time_format="excel", decimal=",")
    if from_1904:
        content = workbook(("Log", rows[:3]), date_1904=True)
    found = read(tmp_path, content, text)
    expected = ["2024-01-01 01:00", "2024-01-01 02:00", "2024-01-01 03:00"]
    assert times(found, "heat") == expected[: 2 if from_1904 else 3]
    assert found.rejects.height == (0 if from_1904 else 2)


def test_numbers_that_are_no_dates_are_refused_as_iso_times(tmp_path: Path) -> None:
    found = read(tmp_path, workbook(("Log", [TABLE[0], [45292.5, 1, 2]])))
    assert found.readings.is_empty()
    assert "the time '45292.5' cannot be read as an ISO 8601 time" in reasons(found)[0][2]


@pytest.mark.parametrize(
    ("time_format", "stamp"), [("epoch_s", 1704067200), ("epoch_ms", 1.7040672e12)]
)
def test_unix_times_in_cells_are_read(tmp_path: Path, time_format: str, stamp: float) -> None:
    found = read(
        tmp_path, workbook(("Log", [TABLE[0], [stamp, 1, 2]])), excel(time_format=time_format)
    )
    assert times(found, "heat") == ["2024-01-01 00:00"]


def test_text_stamps_are_read_by_the_format_beside_true_dates(tmp_path: Path) -> None:
    rows = [TABLE[0], ["31.12.2023 23:00", 99, 29], [DAY, 100, 30], ["2024-01-01 01:00", 101, 31]]
    found = read(tmp_path, workbook(("Log", rows)), excel(time_format="%d.%m.%Y %H:%M"))
    assert times(found, "heat") == ["2023-12-31 23:00", "2024-01-01 00:00"]
    assert "'2024-01-01 01:00' cannot be read as a time written as %d.%m.%Y" in reasons(found)[0][2]


def test_iso_date_cells_are_dates(tmp_path: Path) -> None:
    row = ROW.replace('s="1"><v>45292', 't="d"><v>2024-01-01T05:00:00')
    found = read(tmp_path, raw(HEADER + row), excel(time_format="%d.%m.%Y %H:%M"))
    assert times(found, "heat") == ["2024-01-01 05:00"]


def test_both_hours_of_an_autumn_night_are_told_apart_by_their_order(tmp_path: Path) -> None:
    night = datetime(2024, 10, 27)  # noqa: DTZ001
    clock = [0.5, 1, 1.5, 1, 1.5, 2]
    rows = [["time", "heat"], *([night + one * HOUR, k] for k, one in enumerate(clock))]
    found = read(tmp_path, workbook(("Log", rows)), excel(HEAT, zone="Europe/London"))
    expected = ["26 23:30", "27 00:00", "27 00:30", "27 01:00", "27 01:30", "27 02:00"]
    assert times(found, "heat") == [f"2024-10-{one}" for one in expected]


def test_date_and_clock_cells_are_joined_however_each_is_typed(tmp_path: Path) -> None:
    clock, date = 13.75 / 24, 45292

    def typed(book: Any, sheet: Any) -> None:
        day, hour = (book.add_format({"num_format": one}) for one in ("dd/mm/yyyy", "hh:mm"))
        for row, (first, second) in enumerate(
            [(date, clock), (date, 1.0), (date, date + clock), (date, None), (None, clock)], 1
        ):
            if first is not None:
                sheet.write_number(row, 0, first, day)
            if second is not None:
                sheet.write_number(row, 1, second, hour)
        sheet.write_number(6, 0, date + 0.5, day)
        sheet.write_number(6, 1, clock, hour)

    rows: list[list[Any]] = [["Date", "Clock", "heat"], *([None, None, k] for k in range(6))]
    rows[4][1], rows[5][0] = "24:00", "01.01.2024"
    used = excel(HEAT, time=["Date", "Clock"], time_format="%d.%m.%Y %H:%M")
    found = read(tmp_path, workbook(("Log", rows), change=typed), used)
    assert times(found, "heat") == [
        *("2024-01-01 13:45", "2024-01-02 00:00", "2024-01-01 13:45"),
        *("2024-01-02 00:00", "2024-01-01 13:45"),
    ]
    assert [line for line, _, _ in reasons(found)] == [7]


def test_numbers_written_as_text_follow_the_marks_of_the_profile(tmp_path: Path) -> None:
    rows = [TABLE[0], [DAY, "1.204,5", 30.5], [DAY + HOUR, "1,5 kWh", "1.5"]]
    found = read(tmp_path, workbook(("Log", rows)), excel(decimal=",", thousands="."))
    assert values(found, "heat") == [1204.5]
    assert values(found, "elec") == [30.5]
    assert reasons(found) == [
        (3, "heat", "not a number: '1,5 kWh' (sheet 'Log', cell B3)"),
        (3, "elec", "not a number with the decimal mark ',': '1.5' (sheet 'Log', cell C3)"),
    ]


def test_sentinels_are_set_aside_typed_or_written(tmp_path: Path) -> None:
    rows = [TABLE[0], [DAY, -999, 1], [DAY + HOUR, "-999", 2], [DAY + 2 * HOUR, 5, -999]]
    found = read(tmp_path, workbook(("Log", rows)), excel({**HEAT, "sentinels": [-999]}, ELEC))
    assert values(found, "heat") == [5.0]
    assert values(found, "elec") == [1.0, 2.0, -999.0]
    assert all("stands for 'no value'" in reason for _, _, reason in reasons(found))


def test_truth_values_and_dates_in_a_value_column_are_refused_one_by_one(tmp_path: Path) -> None:
    rows = [TABLE[0], [DAY, True, DAY], [DAY + HOUR, 1, 2]]
    found = read(tmp_path, workbook(("Log", rows)))
    assert reasons(found) == [
        (2, "heat", "not a number: 'true' (sheet 'Log', cell B2)"),
        (2, "elec", "not a number: '2024-01-01 00:00:00' (sheet 'Log', cell C2)"),
    ]


def test_formulas_give_their_stored_values(tmp_path: Path) -> None:
    def formulas(book: Any, sheet: Any) -> None:
        sheet.write_formula(1, 1, "=SUM(1,2)", None, 3.5)
        sheet.write_formula(2, 1, '=IF(1>2,1,"")', None, "")

    rows = [TABLE[0], [DAY, None, 30], [DAY + HOUR, None, 31]]
    row = (
        '<row r="3"><c r="A3" s="1"><v>45292.5</v></c><c r="B3" t="str"><f>""</f><v></v></c></row>'
    )
    found = read(tmp_path, workbook(("Log", rows), change=formulas))
    assert values(found, "heat") == [3.5]
    found = read(tmp_path, raw(HEADER + ROW + row))
    assert (found.blank, found.rejects.height) == (2, 0)


def test_a_formula_without_a_stored_value_is_refused_and_never_blank(tmp_path: Path) -> None:
    rows = "".join(
        f'<row r="{k}"><c r="A{k}" s="1"><v>45292.5</v></c><c r="B{k}">{formula}</c></row>'
        for k, formula in enumerate(
            ["<f>A1&lt;2</f>", "<f>B2</f><v></v>", "<f>B2</f> <v/>", '<f t="shared" si="0"/>'], 3
        )
    )
    found = read(tmp_path, raw(HEADER + ROW + rows))
    assert values(found, "heat") == [100.5]
    said = "not a number: 'formula without a stored value"
    assert reasons(found)[0][2] == f"{said}: =A1<2' (sheet 'Log', cell B3)"
    assert reasons(found)[3][2] == f"{said}' (sheet 'Log', cell B6)"
    assert found.rejects.height == 4
    assert found.notes[0].startswith("4 formulas have no stored value. Open the workbook")


def test_error_cells_are_refused_with_their_place(tmp_path: Path) -> None:
    errors = ["#DIV/0!", "#N/A", "#REF!", "#SPILL!", "#BLOCKED!"]
    rows = "".join(
        f'<row r="{k}"><c r="A{k}" s="1"><v>45292.5</v></c>'
        f'<c r="B{k}" t="e"><f>1/0</f><v>{one}</v></c></row>'
        for k, one in enumerate(errors, 3)
    )
    clock = '<row r="8"><c r="A8" t="e"><v>#VALUE!</v></c><c r="B8"><v>1</v></c></row>'
    found = read(tmp_path, raw(HEADER + ROW + rows + clock))
    assert values(found, "heat") == [100.5]
    assert [reason for _, _, reason in reasons(found)[:5]] == [
        f"not a number: '{one}' (sheet 'Log', cell B{k})" for k, one in enumerate(errors, 3)
    ]
    assert "the time '#VALUE!' cannot be read" in reasons(found)[5][2]


def test_only_the_first_of_merged_cells_holds_a_value(tmp_path: Path) -> None:
    def merge(book: Any, sheet: Any) -> None:
        sheet.merge_range(1, 1, 2, 2, 7.5)

    rows = [TABLE[0], [DAY], [DAY + HOUR], [DAY + 2 * HOUR, 8, 9]]
    found = read(tmp_path, workbook(("Log", rows), change=merge))
    assert values(found, "heat") == [7.5, 8.0]
    assert (found.blank, found.rejects.height) == (3, 0)


def test_a_long_sheet_is_read_by_its_points_and_meters(tmp_path: Path) -> None:
    rows = [
        ["time", "meter", "point", "value"],
        [DAY, 77120, "heat", 100],
        [DAY, 77121, "heat", 7],
        [DAY, 77120, "valve", 1],
        [DAY + HOUR, 77120, "heat", "Err"],
    ]
    used = excel({**HEAT, "serial": "77120"}, serial="meter", **LONG)
    found = read(tmp_path, workbook(("Log", rows)), used)
    assert values(found, "heat") == [100.0]
    assert reasons(found) == [(5, "heat", "not a number: 'Err' (sheet 'Log', cell D5)")]
    assert found.notes == (
        "1 rows are of points that the profile does not map: 'valve' (1).",
        "1 rows are of meters that the profile does not name: '77121'.",
    )


def test_an_interval_is_taken_from_regular_dates(tmp_path: Path) -> None:
    column = {"column": "elec", "role": "elec_total", "kind": "interval", "unit": "kWh"}
    rows = [["time", "elec"], *([DAY + k * HOUR, 1] for k in range(4))]
    found = read(tmp_path, workbook(("Log", rows)), excel(column))
    assert found.readings["duration_s"].to_list() == [3600] * 4


cells = st.none() | st.integers(-10_000_000, 10_000_000).map(lambda n: n / 100) | st.just("Err")


@settings(max_examples=40)
@given(
    st.lists(st.tuples(cells, cells), min_size=1, max_size=12),
    st.sampled_from(["wide", "long"]),
    st.sampled_from(["UTC", "Europe/Berlin"]),
    st.tuples(st.integers(0, 3), st.integers(0, 30)),
)
def test_a_sheet_says_what_the_same_table_says_as_text(
    table: list[tuple[Any, Any]], shape: str, zone: str, at: tuple[int, int]
) -> None:
    begin = datetime(2024, 3, 30, 22, 7)  # noqa: DTZ001
    rows: list[list[Any]] = [
        ["time", "heat", "elec"] if shape == "wide" else ["time", "point", "value"]
    ]
    for k, pair in enumerate(table):
        moment = begin + timedelta(minutes=37 * k)
        if shape == "wide":
            rows.append([moment, *pair])
        else:
            rows += [[moment, name, one] for name, one in zip(("heat", "elec"), pair, strict=True)]
    text = "".join(";".join("" if c is None else str(c) for c in row) + "\n" for row in rows)
    layout: dict[str, Any] = LONG if shape == "long" else {}
    with tempfile.TemporaryDirectory() as folder:
        written = read_file(Path(folder), text, profile(zone=zone, **layout))
        found = read(Path(folder), workbook(("Log", rows), at=at), excel(zone=zone, **layout))
    moved = found.readings.with_columns(line=pl.col("line") - at[0])
    assert moved.equals(written.readings)
    assert (found.blank, found.lines) == (written.blank, written.lines)
    assert [
        (line - at[0], column, reason.rsplit(" (sheet", 1)[0])
        for line, column, reason in reasons(found)
    ] == reasons(written)


def test_every_key_of_the_layout_is_on_the_page_of_profiles() -> None:
    page = (Path(__file__).parents[2] / "docs" / "profile-file.md").read_text(encoding="utf-8")
    assert [key for key in Excel.model_fields if f"| `{key}` |" not in page] == []
    assert f"[{Excel.__name__.lower()}]" in page


def test_a_profile_without_its_table_is_refused_in_a_sentence(tmp_path: Path) -> None:
    used = excel().model_copy(update={"excel": None})
    with pytest.raises(DescriptionError, match=r"no table \[excel\]"):
        read(tmp_path, workbook(("Log", TABLE)), used)
