"""Delimited exports as meters, loggers and portals really write them."""

from __future__ import annotations

import gzip
from pathlib import Path
from typing import Any

import pytest

from ingest.errors import IngestError, Terminal, Transient
from monitor.errors import DescriptionError
from tests.ingest.exports import ELEC, HEAT, profile, read, reasons, times, values

WIDE = "time;heat;elec\n2024-01-01 00:00;100.5;30\n2024-01-01 01:00;104;31.25\n"


@pytest.mark.parametrize("separator", [";", ",", "\t", "|"])
def test_the_separator_is_found_from_the_header_line(tmp_path: Path, separator: str) -> None:
    found = read(tmp_path, WIDE.replace(";", separator), profile())
    assert values(found, "heat") == [100.5, 104.0]
    assert values(found, "elec") == [30.0, 31.25]
    assert found.readings["line"].unique().sort().to_list() == [2, 3]
    assert (found.lines, found.blank, found.rows_read, found.notes) == (2, 0, 4, ())


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_any_line_end_gives_the_same_lines(tmp_path: Path, line_end: str) -> None:
    found = read(tmp_path, WIDE.replace("\n", line_end), profile())
    assert found.readings["line"].to_list() == [2, 3, 2, 3]
    assert found.rejects.is_empty()


@pytest.mark.parametrize(
    ("codec", "declared"),
    [
        ("utf-8", None),
        ("utf-8-sig", None),
        ("utf-16", None),
        ("cp1252", "cp1252"),
        ("latin-1", "latin-1"),
    ],
)
def test_names_with_umlauts_are_found_in_every_encoding(
    tmp_path: Path, codec: str, declared: str | None
) -> None:
    text = "Zeit;Wärme [kWh];Außen [°C]\n2024-01-01 00:00;100;-7,5\n"
    used = profile(
        {**HEAT, "column": "Wärme [kWh]"},
        {"column": "Außen [°C]", "role": "outdoor_temp", "kind": "state", "unit": "degC"},
        time="Zeit",
        decimal=",",
        encoding=declared,
    )
    found = read(tmp_path, text.encode(codec), used)
    assert values(found, "Außen [°C]") == [-7.5]


def test_a_byte_that_is_no_text_spoils_its_own_cell_only(tmp_path: Path) -> None:
    found = read(tmp_path, WIDE.encode().replace(b"104", b"1\xff4"), profile())
    assert values(found, "heat") == [100.5]
    assert values(found, "elec") == [30.0, 31.25]
    assert reasons(found) == [(3, "heat", "not a number: '1\ufffd4'")]
    assert "1 bytes are not text in utf-8" in found.notes[0]


def test_lines_before_the_header_are_preamble(tmp_path: Path) -> None:
    preamble = "sep=;\nSite;Fern Cottage\nExported at;2024-02-01\n\n"
    found = read(tmp_path, preamble + WIDE, profile())
    assert found.readings["line"].to_list() == [6, 7, 6, 7]
    assert found.lines == 2


def test_a_header_can_be_known_by_a_text_that_it_contains(tmp_path: Path) -> None:
    text = "time zone;UTC;x\n" + WIDE
    found = read(tmp_path, text, profile(header_contains="heat;elec"))
    assert values(found, "elec") == [30.0, 31.25]


def test_a_repeated_header_is_counted_and_a_footer_is_refused(tmp_path: Path) -> None:
    text = WIDE + "time;heat;elec\n2024-01-01 02:00;108;33\n\nTotal;108;33\n* end of report\n"
    found = read(tmp_path, text, profile())
    assert values(found, "heat") == [100.5, 104.0, 108.0]
    assert "The header line is repeated 1 times; these are no data." in found.notes
    total = "the time 'Total' cannot be read as an ISO 8601 time such as 2024-01-31 13:45"
    assert reasons(found) == [
        (7, "heat", total),
        (7, "elec", total),
        (8, "(whole line)", "the line has 1 fields, the header has 3"),
    ]
    assert found.lines == 5


def test_a_line_with_too_few_or_too_many_fields_never_shifts_a_column(tmp_path: Path) -> None:
    text = "time,heat,elec\n2024-01-01 00:00,100,5,30\n2024-01-01 01:00,104\n"
    text += "2024-01-01 02:00,108,32\n"
    found = read(tmp_path, text, profile())
    assert values(found, "heat") == [108.0]
    assert reasons(found) == [
        (2, "(whole line)", "the line has 4 fields, the header has 3"),
        (3, "(whole line)", "the line has 2 fields, the header has 3"),
    ]


def test_a_separator_at_the_end_of_every_row_is_ignored_and_said(tmp_path: Path) -> None:
    text = "time;heat;elec\n2024-01-01 00:00;100;30;\n2024-01-01 01:00;104;31;\n"
    found = read(tmp_path, text, profile())
    assert values(found, "elec") == [30.0, 31.0]
    assert found.notes == ("Every row ends with a separator that the header lacks; it is ignored.",)


def test_quoted_fields_may_hold_separators(tmp_path: Path) -> None:
    text = (
        '"time","note, with ""quotes""","heat","elec"\n'
        '"2024-01-01 00:00","a, b","1,234.5","30"\n'
        '"2024-01-01 01:00","","1,236.0",31\n'
    )
    found = read(tmp_path, text, profile(thousands=","))
    assert values(found, "heat") == [1234.5, 1236.0]
    assert values(found, "elec") == [30.0, 31.0]


def test_a_quotation_mark_that_does_not_close_spoils_its_own_line_only(tmp_path: Path) -> None:
    text = 'time;heat;elec\n2024-01-01 00:00;"100;30\n2024-01-01 01:00;104;31\n'
    found = read(tmp_path, text, profile())
    assert values(found, "heat") == [104.0]
    assert reasons(found) == [
        (
            2,
            "(whole line)",
            "a quotation mark is open at the end of the line or stands inside a field",
        )
    ]


def test_a_half_last_line_is_refused_and_a_missing_line_end_is_said(tmp_path: Path) -> None:
    found = read(tmp_path, WIDE + "2024-01-01 02:0", profile())
    assert reasons(found) == [(4, "(whole line)", "the line has 1 fields, the header has 3")]
    assert found.notes[0].startswith("The last line (4) has no line end")


def test_nul_bytes_are_shown_and_refused(tmp_path: Path) -> None:
    found = read(tmp_path, WIDE + "2024-01-01 02:00;1\x008;33\n" + "\x00" * 500 + "\n", profile())
    assert [line for line, _, _ in reasons(found)] == [4, 5]
    assert found.rejects["raw"][0] == "1\u24008"
    assert len(found.rejects["raw"][1]) == 201


def test_a_gzipped_export_is_read(tmp_path: Path) -> None:
    found = read(tmp_path, gzip.compress(WIDE.encode()), profile(), name="export.csv.gz")
    assert values(found, "heat") == [100.5, 104.0]


def test_a_gzip_file_that_ends_early_may_be_tried_again(tmp_path: Path) -> None:
    with pytest.raises(Transient, match="middle of its gzip data"):
        read(tmp_path, gzip.compress(WIDE.encode())[:-12], profile())


def test_an_empty_file_and_a_missing_file_are_said_to_be_so(tmp_path: Path) -> None:
    with pytest.raises(Terminal, match=r"export\.csv is empty"):
        read(tmp_path, "", profile())
    from ingest.registry import adapter

    with pytest.raises(Transient, match="cannot be read at present"):
        adapter("delimited").read(tmp_path / "none.csv", profile())


def test_a_header_without_rows_gives_no_readings_and_a_note(tmp_path: Path) -> None:
    found = read(tmp_path, "time;heat;elec\n", profile())
    assert found.rows_read == 0
    assert found.notes == ("export.csv has a header but no rows below it.",)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("Time;heat;elec\n", r"time column 'time' was found in it\. The nearest is 'Time'"),
        ("time;heat;elek\n", r"line 1: there is no column 'elec'\. The nearest is 'elek'"),
        ("time;heat;elec;heat\n", r"'heat' occurs more than once \(columns 2 and 4\)"),
    ],
)
def test_a_column_that_is_missing_or_double_is_named(
    tmp_path: Path, text: str, message: str
) -> None:
    with pytest.raises(Terminal, match=message):
        read(tmp_path, text + "2024-01-01 00:00;1;2\n", profile())


@pytest.mark.parametrize(
    ("cell", "layout", "expected"),
    [
        ("1234.5", {}, 1234.5),
        (" 1234.5 ", {}, 1234.5),
        ("\u22121.5", {}, -1.5),
        ("+1.2E+03", {}, 1200.0),
        ("1,234.5", {"thousands": ","}, 1234.5),
        ("1,234,567", {"thousands": ","}, 1234567.0),
        ("1.234,5", {"decimal": ",", "thousands": "."}, 1234.5),
        ("1234,5", {"decimal": ",", "thousands": "."}, 1234.5),
        ("1.234", {"decimal": ",", "thousands": "."}, 1234.0),
        ("1'234.5", {"thousands": "'"}, 1234.5),
        ("1\u202f234,5", {"decimal": ",", "thousands": " "}, 1234.5),
        ("1\u00a0234,5", {"decimal": ",", "thousands": " "}, 1234.5),
    ],
)
def test_a_number_reads_as_the_profile_says_it_is_written(
    tmp_path: Path, cell: str, layout: dict[str, Any], expected: float
) -> None:
    found = read(tmp_path, f"time;heat\n2024-01-01 00:00;{cell}\n", profile(HEAT, **layout))
    assert values(found, "heat") == [expected]


@pytest.mark.parametrize(
    ("cell", "layout", "reason"),
    [
        ("Err", {}, "not a number: 'Err'"),
        ("---", {}, "not a number: '---'"),
        ("12,3 kWh", {"decimal": ","}, "not a number: '12,3 kWh'"),
        ("NaN", {}, "not a finite number: 'NaN'"),
        ("-inf", {}, "not a finite number: '-inf'"),
        ("1e999", {}, "not a finite number: '1e999'"),
        ("1,5", {}, "not a number with the decimal mark '.': '1,5'"),
        ("1.5", {"decimal": ","}, "not a number with the decimal mark ',': '1.5'"),
        (
            "12.5",
            {"decimal": ",", "thousands": "."},
            "not a number with the decimal mark ',': '12.5'",
        ),
        ("1,23", {"thousands": ","}, "not a number with the decimal mark '.': '1,23'"),
        ("0x10", {}, "not a number: '0x10'"),
        ("12-", {}, "not a number: '12-'"),
        ("1.7e308", {}, "the value is too large"),
    ],
)
def test_a_cell_that_could_mean_two_things_or_none_is_refused(
    tmp_path: Path, cell: str, layout: dict[str, Any], reason: str
) -> None:
    used = profile({**HEAT, "unit": "MWh"}, **layout)
    found = read(tmp_path, f"time;heat\n2024-01-01 00:00;{cell}\n2024-01-01 01:00;7\n", used)
    assert values(found, "heat") == [7000.0]
    assert reasons(found) == [(2, "heat", reason)]
    assert found.rejects["raw"][0] == cell


def test_blank_cells_are_no_readings_but_are_counted(tmp_path: Path) -> None:
    text = 'time;heat;elec\n2024-01-01 00:00;;30\n2024-01-01 01:00;  ;""\n;;\n'
    found = read(tmp_path, text, profile())
    assert (found.rows_read, found.blank, found.lines) == (1, 5, 3)
    assert found.rejects.is_empty()


def test_a_value_that_stands_for_no_value_is_set_aside_in_its_column_only(tmp_path: Path) -> None:
    outdoor = {"column": "out", "role": "outdoor_temp", "kind": "state", "unit": "degC"}
    used = profile({**HEAT, "sentinels": [-999, 65535]}, outdoor)
    text = "time;heat;out\n2024-01-01 00:00;-999;-999\n2024-01-01 01:00;65535;5\n"
    found = read(tmp_path, text, used)
    assert values(found, "out") == [-999.0, 5.0]
    said = "this value stands for 'no value' in this column"
    assert reasons(found) == [(2, "heat", said), (3, "heat", said)]


def test_units_and_scale_are_converted_to_what_is_kept(tmp_path: Path) -> None:
    used = profile(
        {**HEAT, "unit": "GJ"},
        {**ELEC, "unit": "Wh", "scale": 40},
        {"column": "flow", "role": "flow_rate", "kind": "state", "unit": "l/min"},
        {"column": "t", "role": "flow_temp", "kind": "state", "unit": "degF"},
    )
    found = read(tmp_path, "time;heat;elec;flow;t\n2024-01-01 00:00;3.6;250;20;95\n", used)
    kept = [values(found, name)[0] for name in ("heat", "elec", "flow", "t")]
    assert kept == pytest.approx([1000.0, 10.0, 1.2, 35.0], rel=1e-12)


@pytest.mark.parametrize(
    ("role", "kind", "unit", "message"),
    [
        ("heat_total", "register", "kW", "'kW' is a unit of power.*needs an energy unit"),
        ("elec_total", "power", "kWh", "'kWh' is a unit of energy.*needs a power unit"),
        ("flow_temp", "state", "kWh", "'kWh' is a unit of energy.*needs a temperature unit"),
        ("flow_rate", "state", "degC", "needs a volume flow unit"),
        ("heat_total", "register", "kHw", "the unit 'kHw' is not known"),
        ("heat_total", "register", "mwh", "the unit 'mwh' is not known"),
    ],
)
def test_a_unit_that_cannot_be_right_is_refused_with_what_would_fit(
    tmp_path: Path, role: str, kind: str, unit: str, message: str
) -> None:
    used = profile({"column": "heat", "role": role, "kind": kind, "unit": unit})
    with pytest.raises(DescriptionError, match=message):
        read(tmp_path, WIDE, used)


@pytest.mark.parametrize("header", ["heat [MWh]", "heat (GJ)", "heat_MWh", "heat in MWh"])
def test_a_unit_in_the_header_that_contradicts_the_profile_stops_the_file(
    tmp_path: Path, header: str
) -> None:
    used = profile({**HEAT, "column": header})
    with pytest.raises(Terminal, match="but the profile says 'kWh'"):
        read(tmp_path, f"time;{header}\n2024-01-01 00:00;1\n", used)


@pytest.mark.parametrize(
    ("header", "unit", "scale", "kept"),
    [
        ("heat [MWh]", "MWh", 1, 2000.0),
        ("heat [status]", "kWh", 1, 2.0),
        ("heat [Wh]", "kWh", 1e-3, 2e-3),
    ],
)
def test_a_unit_in_the_header_that_agrees_or_is_no_unit_is_fine(
    tmp_path: Path, header: str, unit: str, scale: float, kept: float
) -> None:
    used = profile({**HEAT, "column": header, "unit": unit, "scale": scale})
    found = read(tmp_path, f"time;{header}\n2024-01-01 00:00;2\n", used)
    assert values(found, header) == [kept]


def test_a_row_of_units_below_the_header_is_held_to_the_profile(tmp_path: Path) -> None:
    text = "time;heat;elec\n;kWh;kWh\n2024-01-01 00:00;100;30\n"
    found = read(tmp_path, text, profile())
    assert values(found, "heat") == [100.0]
    assert found.rejects.is_empty()
    assert found.notes == ("Line 2 states units; they agree with the profile.",)
    with pytest.raises(Terminal, match="line 2: the file states 'MWh' for the column 'elec'"):
        read(tmp_path, text.replace("kWh;kWh", "kWh;MWh"), profile())


def test_date_and_time_in_two_columns_are_read_together(tmp_path: Path) -> None:
    text = "date;clock;heat\n31.12.2023;24:00;100\n01.01.2024;01:00;101\n"
    used = profile(HEAT, time=["date", "clock"], time_format="%d.%m.%Y %H:%M")
    assert times(read(tmp_path, text, used), "heat") == ["2024-01-01 00:00", "2024-01-01 01:00"]


def test_serial_dates_with_a_decimal_comma_are_read(tmp_path: Path) -> None:
    used = profile(HEAT, time_format="excel", decimal=",")
    found = read(tmp_path, "time;heat\n45292,0416666667;1,5\n", used)
    assert times(found, "heat") == ["2024-01-01 01:00"]


INTERVAL = {"column": "elec", "role": "elec_total", "kind": "interval", "unit": "kWh"}


def test_an_interval_stamped_at_its_end_starts_one_interval_earlier(tmp_path: Path) -> None:
    used = profile({**INTERVAL, "interval": "PT15M", "stamp": "end"})
    found = read(tmp_path, "time;elec\n2024-01-01 00:15;0.5\n2024-01-01 00:30;0.25\n", used)
    assert times(found, "elec") == ["2024-01-01 00:00", "2024-01-01 00:15"]
    assert found.readings["duration_s"].to_list() == [900, 900]


def test_the_interval_is_taken_from_regular_stamps_and_said(tmp_path: Path) -> None:
    rows = [f"2024-01-01 {hour:02}:{minute}" for hour in range(3) for minute in ("00", "30")]
    del rows[3]
    found = read(tmp_path, "time;elec\n" + "".join(f"{row};1\n" for row in rows), profile(INTERVAL))
    assert found.readings["duration_s"].unique().to_list() == [1800]
    assert found.notes == (
        "The column 'elec' has a reading every 0:30:00; that is taken as its interval.",
    )


@pytest.mark.parametrize("rows", [["00:00"], ["00:00", "00:07", "00:30", "01:11"]])
def test_stamps_that_are_not_regular_ask_for_the_interval(tmp_path: Path, rows: list[str]) -> None:
    text = "time;elec\n" + "".join(f"2024-01-01 {row};1\n" for row in rows)
    with pytest.raises(Terminal, match="Give the column 'elec' an 'interval'"):
        read(tmp_path, text, profile(INTERVAL))


@pytest.mark.parametrize("declared", [{}, {"interval": "P1D"}])
def test_a_daily_interval_has_the_hours_of_its_local_day(
    tmp_path: Path, declared: dict[str, str]
) -> None:
    used = profile({**INTERVAL, **declared}, zone="Europe/Berlin")
    days = ["2024-03-30", "2024-03-31", "2024-04-01", "2024-10-26", "2024-10-27", "2024-10-28"]
    found = read(tmp_path, "time;elec\n" + "".join(f"{day} 00:00;8\n" for day in days), used)
    assert [length // 3600 for length in found.readings["duration_s"]] == [24, 23, 24, 24, 25, 24]


def test_registers_and_powers_have_no_duration(tmp_path: Path) -> None:
    assert read(tmp_path, WIDE, profile()).readings["duration_s"].null_count() == 4


LONG = {"layout": "long", "point": "point", "value": "value"}


def test_a_long_export_is_read_by_its_points_and_other_points_are_counted(tmp_path: Path) -> None:
    text = (
        "time;point;value;state\n"
        "2024-01-01 00:00;heat;100;ok\n"
        "2024-01-01 00:00;pump speed;55;ok\n"
        "2024-01-01 00:05;elec;;ok\n"
        "never;heat;101;ok\n"
        "never;pump speed;7;ok\n"
        "2024-01-01 01:00;elec;31;ok\n"
    )
    found = read(tmp_path, text, profile(**LONG))
    assert values(found, "heat") == [100.0]
    assert values(found, "elec") == [31.0]
    assert [(line, column) for line, column, _ in reasons(found)] == [(5, "heat")]
    assert (found.rows_read, found.blank, found.lines) == (3, 1, 6)
    assert found.notes == ("2 rows are of points that the profile does not map: 'pump speed' (2).",)


def test_a_point_of_the_profile_that_the_file_lacks_is_said(tmp_path: Path) -> None:
    found = read(tmp_path, "time;point;value\n2024-01-01 00:00;heat;1\n", profile(**LONG))
    assert found.notes == ("The file has no rows of the points 'elec'.",)


def test_autumn_hours_of_a_long_export_are_told_apart_point_by_point(tmp_path: Path) -> None:
    clock = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    rows = [f"2024-10-27 {one};{point};1\n" for one in clock for point in ("heat", "elec")]
    used = profile(zone="Europe/London", **LONG)
    found = read(tmp_path, "time;point;value\n" + "".join(rows), used)
    expected = ["26 23:30", "27 00:00", "27 00:30", "27 01:00", "27 01:30", "27 02:00"]
    for point in ("heat", "elec"):
        assert times(found, point) == [f"2024-10-{one}" for one in expected]


def test_a_serial_column_tells_the_meters_apart(tmp_path: Path) -> None:
    text = (
        "time;meter;heat\n2024-01-01 00:00;A1;100\n2024-01-01 00:00;B2;7\n2024-01-01 01:00;A1;101\n"
    )
    found = read(tmp_path, text, profile(HEAT, serial="meter"))
    assert {
        target.serial: values_of
        for target, values_of in zip(
            found.targets,
            found.readings.group_by("target", maintain_order=True).agg("value")["value"].to_list(),
            strict=True,
        )
    } == {"A1": [100.0, 101.0], "B2": [7.0]}
    one = read(tmp_path, text, profile({**HEAT, "serial": "A1"}, serial="meter"))
    assert values(one, "heat") == [100.0, 101.0]
    assert one.notes == ("1 rows are of meters that the profile does not name: 'B2'.",)


@pytest.mark.parametrize(
    ("columns", "layout", "message"),
    [
        ([HEAT, {**HEAT, "role": "heat_space"}], {}, "names the column 'heat' twice"),
        ([HEAT, {**HEAT, "serial": "A"}], {"serial": "elec"}, "with and without a serial"),
        (
            [{"role": "heat_total", "kind": "register", "record": {"quantity": "energy"}}],
            {},
            "without 'column'",
        ),
    ],
)
def test_a_profile_that_could_mean_two_things_is_refused(
    tmp_path: Path, columns: list[dict[str, Any]], layout: dict[str, Any], message: str
) -> None:
    with pytest.raises(DescriptionError, match=message):
        read(tmp_path, WIDE, profile(*columns, **layout))


def test_a_profile_for_another_format_is_refused_in_a_sentence(tmp_path: Path) -> None:
    used = profile().model_copy(update={"delimited": None})
    with pytest.raises(DescriptionError, match=r"no table \[delimited\]"):
        read(tmp_path, WIDE, used)


@pytest.mark.parametrize(
    "content", [b"\x00" * 5000, b"\xff\xfe\x00", b"\x1f\x8bnot gzip", b"\n" * 900]
)
def test_a_file_that_is_no_export_is_answered_in_a_sentence(tmp_path: Path, content: bytes) -> None:
    with pytest.raises(IngestError) as error:
        read(tmp_path, content, profile())
    assert error.value.user_message.startswith("export.csv")
