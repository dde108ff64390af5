"""Logs of P1 telegrams and IEC 62056-21 readouts."""

from __future__ import annotations

import gzip
from datetime import UTC as PY_UTC
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest import obis_log
from ingest.errors import IngestError, Terminal
from ingest.normal_form import Extract
from ingest.obis_log import crc16_arc
from ingest.profile import Profile
from monitor.errors import DescriptionError
from monitor.models import record_from_data
from tests.ingest.exports import read, reasons, times, values
from tests.ingest.writers_obis import checksum, hexed, p1, telegram

LOW: dict[str, Any] = {"column": "1-0:1.8.1", "role": "elec_total", "kind": "register"}
SUM: dict[str, Any] = {**LOW, "column": "1-0:1.8.1 + 1-0:1.8.2"}
POWER: dict[str, Any] = {"column": "1-0:1.7.0", "role": "elec_unit", "kind": "power"}
HEAT: dict[str, Any] = {"column": "0-1:24.2.1", "role": "heat_total", "kind": "register"}
SHORT: dict[str, Any] = {"column": "6.8", "role": "heat_total", "kind": "register"}

EVENING = datetime(2026, 2, 15, 19, 7, 40, tzinfo=PY_UTC)
CAPTURE = datetime(2026, 2, 15, 19, 5, 23, tzinfo=PY_UTC)


def profile(*columns: dict[str, Any], zone: str = "Europe/Amsterdam", **layout: Any) -> Profile:
    data = {"name": "test", "format": "obis", "zone": zone, "column": list(columns or [LOW])}
    if layout:
        data["obis"] = layout
    return record_from_data(Profile, data, where="test profile", what="profile")


def received(where: str = "line", **layout: Any) -> dict[str, Any]:
    return {"received": where, **layout}


def said(found: Extract) -> str:
    return " ".join(found.notes)


# The test telegrams of the dsmr_parser library (MIT licence), with the values and times that
# its own tests expect of them.
PUBLISHED_5 = (
    "/ISk5\\2MT382-1000\r\n\r\n1-3:0.2.8(50)\r\n0-0:1.0.0(170102192002W)\r\n"
    "0-0:96.1.1(4B384547303034303436333935353037)\r\n1-0:1.8.1(000004.426*kWh)\r\n"
    "1-0:1.8.2(000002.399*kWh)\r\n1-0:2.8.1(000002.444*kWh)\r\n1-0:2.8.2(000000.000*kWh)\r\n"
    "0-0:96.14.0(0002)\r\n1-0:1.7.0(00.244*kW)\r\n1-0:2.7.0(00.000*kW)\r\n0-0:96.7.21(00013)\r\n"
    "0-0:96.7.9(00000)\r\n1-0:99.97.0(0)(0-0:96.7.19)\r\n1-0:32.32.0(00000)\r\n"
    "1-0:52.32.0(00000)\r\n1-0:72.32.0(00000)\r\n1-0:32.36.0(00000)\r\n1-0:52.36.0(00000)\r\n"
    "1-0:72.36.0(00000)\r\n0-0:96.13.0()\r\n1-0:32.7.0(0230.0*V)\r\n1-0:52.7.0(0230.0*V)\r\n"
    "1-0:72.7.0(0229.0*V)\r\n1-0:31.7.0(0.48*A)\r\n1-0:51.7.0(0.44*A)\r\n1-0:71.7.0(0.86*A)\r\n"
    "1-0:21.7.0(00.070*kW)\r\n1-0:41.7.0(00.032*kW)\r\n1-0:61.7.0(00.142*kW)\r\n"
    "1-0:22.7.0(00.000*kW)\r\n1-0:42.7.0(00.000*kW)\r\n1-0:62.7.0(00.000*kW)\r\n"
    "0-1:24.1.0(003)\r\n0-1:96.1.0(3232323241424344313233343536373839)\r\n"
    "0-1:24.2.1(170102161005W)(00000.107*m3)\r\n0-2:24.1.0(003)\r\n0-2:96.1.0()\r\n!6EEE\r\n"
)
PUBLISHED_WH = (
    "/EST5\\253710000_A\r\n\r\n1-3:0.2.8(50)\r\n0-0:1.0.0(221006155014S)\r\n"
    "1-0:1.8.0(006545766*Wh)\r\n1-0:1.8.1(005017120*Wh)\r\n1-0:1.8.2(001528646*Wh)\r\n"
    "1-0:1.7.0(000000286*W)\r\n1-0:2.8.0(000000058*Wh)\r\n1-0:2.8.1(000000000*Wh)\r\n"
    "1-0:2.8.2(000000058*Wh)\r\n1-0:2.7.0(000000000*W)\r\n1-0:3.8.0(000000747*varh)\r\n"
    "1-0:3.8.1(000000000*varh)\r\n1-0:3.8.2(000000747*varh)\r\n1-0:3.7.0(000000000*var)\r\n"
    "1-0:4.8.0(003897726*varh)\r\n1-0:4.8.1(002692848*varh)\r\n1-0:4.8.2(001204878*varh)\r\n"
    "1-0:4.7.0(000000166*var)\r\n!7EF9\r\n"
)


def test_a_published_telegram_reads_as_published(tmp_path: Path) -> None:
    found = read(tmp_path, PUBLISHED_5, profile(LOW, POWER, {**LOW, "column": "1-0:1.8.2"}))
    assert found.rejects.is_empty()
    assert values(found, "1-0:1.8.1") == [4.426]
    assert values(found, "1-0:1.8.2") == [2.399]
    assert values(found, "1-0:1.7.0") == [0.244]
    assert set(found.readings["t_utc"]) == {datetime(2017, 1, 2, 18, 20, 2, tzinfo=PY_UTC)}
    assert {target.serial for target in found.targets} == {"K8EG004046395507"}
    assert found.lines == 39


def test_a_published_telegram_in_wh_adds_its_tariffs_to_its_total(tmp_path: Path) -> None:
    used = profile(SUM, {**LOW, "column": "1-0:1.8.0", "role": "elec_unit"}, zone="Europe/Tallinn")
    found = read(tmp_path, PUBLISHED_WH, used)
    assert values(found, SUM["column"]) == values(found, "1-0:1.8.0") == pytest.approx([6545.766])
    assert times(found, "1-0:1.8.0") == ["2022-10-06 12:50"]


def test_the_example_of_the_standard_reads_as_printed(tmp_path: Path) -> None:
    # Example telegram of the P1 Companion Standard 5.0.2, shortened and without its checksum;
    # from memory.
    text = telegram(
        "1-3:0.2.8(50)",
        "0-0:1.0.0(101209113020W)",
        "0-0:96.1.1(4B384547303034303436333935353037)",
        "1-0:1.8.1(123456.789*kWh)",
        "1-0:1.8.2(123456.789*kWh)",
        "1-0:1.7.0(01.193*kW)",
        "1-0:99.97.0(2)(0-0:96.7.19)(101208152415W)(0000000240*s)(101208151004W)(0000000301*s)",
        "0-1:24.1.0(003)",
        "0-1:96.1.0(3232323241424344313233343536373839)",
        "0-1:24.2.1(101209112500W)(12785.123*m3)",
        head="/ISk5\\2MT382-1000",
        crc=False,
    )
    found = read(tmp_path, text, profile(SUM, POWER, HEAT))
    assert values(found, SUM["column"]) == [246913.578]
    assert values(found, "1-0:1.7.0") == [1.193]
    assert times(found, "1-0:1.7.0") == ["2010-12-09 10:30"]
    assert [(line, why[:21]) for line, _, why in reasons(found)] == [(12, "it is of a gas meter ")]


def test_the_checksum_has_its_catalogued_check_value() -> None:
    # CRC-16/ARC of the digits 1 to 9 is BB3D (catalogue of parametrised CRC algorithms; from
    # memory).
    assert crc16_arc([b"123456789", b"", b"1"]).tolist() == [0xBB3D, 0, checksum("1")]


def test_a_thermal_meter_on_the_m_bus_has_its_own_serial_unit_and_time(tmp_path: Path) -> None:
    # The values and times are those that the dsmr_parser library 1.11.2 (its V5
    # specification) reads from the same telegram.
    text = p1(EVENING, low=4021.5, normal=3977.123, power=1.204, heat=(CAPTURE, 240.86))
    assert text.endswith("!8F6B\r\n")
    found = read(tmp_path, text, profile(HEAT, SUM, POWER))
    assert values(found, "0-1:24.2.1") == pytest.approx([240.86 / 0.0036])
    assert times(found, "0-1:24.2.1") == ["2026-02-15 19:05"]
    assert values(found, SUM["column"]) == [4021.5 + 3977.123]
    assert times(found, SUM["column"]) == ["2026-02-15 19:07"]
    assert values(found, "1-0:1.7.0") == [1.204]
    assert [target.serial for target in found.targets] == ["HM-77120", "EM-204417", "EM-204417"]


@pytest.mark.parametrize(
    ("unit", "factor"), [("GJ", 1 / 0.0036), ("kWh", 1.0), ("MWh", 1000.0), ("Wh", 0.001)]
)
def test_a_thermal_meter_may_count_in_any_unit_of_energy(
    unit: str, factor: float, tmp_path: Path
) -> None:
    text = telegram("0-1:24.1.0(004)", f"0-1:24.2.1(260215200000W)(00012.345*{unit})")
    found = read(tmp_path, text, profile(HEAT))
    assert values(found, "0-1:24.2.1") == pytest.approx([12.345 * factor])


@pytest.mark.parametrize("break_", ["\r\n", "\n"])
def test_the_older_form_has_its_value_in_the_next_line(break_: str, tmp_path: Path) -> None:
    # Form of DSMR 2.2 and 3.0 (P1 Companion Standard 3.0, 5.7; from memory).
    text = telegram(
        f"0-1:96.1.0({hexed('HM-77120')})",
        "0-1:24.1.0(04)",
        "0-1:24.3.0(090212160000)(00)(60)(1)(0-1:24.2.1)(GJ)",
        "(00001.001)",
        "0-1:24.4.0(1)",
        crc=False,
    ).replace("\r\n", break_)
    found = read(tmp_path, text, profile({**HEAT, "column": "0-1:24.3.0"}))
    assert values(found, "0-1:24.3.0") == pytest.approx([1.001 / 0.0036])
    assert times(found, "0-1:24.3.0") == ["2009-02-12 15:00"]
    assert [target.serial for target in found.targets] == ["HM-77120"]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (
            "0-1:24.3.0(090212160000)(00)(60)(1)(0-1:24.2.1)(GJ)",
            "its value, which should stand in the next line, is missing",
        ),
        (
            "0-1:24.3.0(090212160000)(00)(60)(2)(0-1:24.2.1)(GJ)\r\n(00001.001)",
            "it holds several values, of which none can be told to be the one meant",
        ),
        (
            "0-1:24.3.0(090212160000)(00)(60)",
            "3 values stand where one, or a time and one, are expected",
        ),
        ("0-1:24.3.0(09021216", "the line is cut short"),
        (
            "0-1:24.3.0(632525252525)(00)(60)(1)(0-1:24.2.1)(GJ)\r\n(00001.001)",
            "the time '632525252525' cannot be read as a time written as %y%m%d%H%M%S",
        ),
        (
            "0-1:24.3.0(090212160000)(00)(60)(1)(0-1:24.2.1)(GJ)\r\n(0000x.001)",
            "not a number: '0000x.001'",
        ),
    ],
)
def test_an_item_that_cannot_be_read_says_why(line: str, reason: str, tmp_path: Path) -> None:
    text = telegram("0-0:1.0.0(260215200000W)", line, crc=False)
    found = read(tmp_path, text, profile({**HEAT, "column": "0-1:24.3.0"}))
    assert reasons(found) == [(4, "0-1:24.3.0", reason)]


def test_a_sub_meter_of_another_kind_is_no_heat_meter(tmp_path: Path) -> None:
    text = telegram("0-1:24.1.0(003)", "0-1:24.2.1(170102161005W)(00000.107*m3)")
    found = read(tmp_path, text, profile(HEAT))
    assert reasons(found) == [
        (
            4,
            "0-1:24.2.1",
            "it is of a gas meter (device type 3), which cannot be role 'heat_total'",
        )
    ]


def test_a_telegram_with_a_wrong_checksum_is_set_aside_whole(tmp_path: Path) -> None:
    good, bad = p1(EVENING, low=1.0), p1(EVENING, low=7.0).replace("1.8.1(00000", "1.8.1(00009")
    found = read(
        tmp_path, good + bad + good, profile(LOW, SUM | {"column": "1-0:1.8.2 + 1-0:2.8.1"})
    )
    assert values(found, "1-0:1.8.1") == [1.0, 1.0]
    assert reasons(found) == [
        (16, "1-0:1.8.1", "the checksum of the telegram is wrong"),
        (17, "1-0:1.8.2 + 1-0:2.8.1", "the checksum of the telegram is wrong"),
    ]
    assert "1 telegrams were set aside, the first in line 11, because the checksum" in said(found)
    assert found.rejects["raw"][0] == "(000097.000*kWh)"


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace("\r\n", "\n"),
        lambda text: text.replace("\r\n\r\n", "\r\n"),
        lambda text: text.replace("\r\n", "\r\r\n"),
        lambda text: "\0\0" + text,
        lambda text: text.replace("!", "\0!"),
    ],
    ids=["line feeds", "no blank line", "doubled returns", "NUL before", "NUL within"],
)
def test_what_a_logger_does_to_line_ends_does_not_spoil_a_checksum(
    change: Any, tmp_path: Path
) -> None:
    found = read(tmp_path, change(p1(EVENING, low=3.0)), profile(LOW))
    assert values(found, "1-0:1.8.1") == [3.0]


def test_a_checksum_may_lack_its_leading_zeros(tmp_path: Path) -> None:
    # Seen in the field. The power is chosen so that the checksum begins with a zero.
    power = next(w / 1000 for w in range(1000) if "!0" in p1(EVENING, power=w / 1000))
    text = p1(EVENING, power=power)
    start = text.index("!")
    found = read(
        tmp_path, f"!{text[start + 1 :].lstrip('0')}".join([text[:start], ""]), profile(LOW)
    )
    assert values(found, "1-0:1.8.1") == [1.0]


def test_a_checksum_that_is_none_sets_the_telegram_aside(tmp_path: Path) -> None:
    found = read(tmp_path, p1(EVENING, crc=False).replace("!", "!G7"), profile(LOW))
    assert reasons(found) == [(6, "1-0:1.8.1", "the checksum of the telegram cannot be read")]


def test_telegrams_without_checksum_among_others_are_told(tmp_path: Path) -> None:
    found = read(tmp_path, p1(EVENING) + p1(EVENING, crc=False), profile(LOW))
    assert values(found, "1-0:1.8.1") == [1.0, 1.0]
    assert "1 telegrams carry no checksum, although others in the file do." in said(found)


def test_a_telegram_that_is_cut_short_costs_its_own_readings_only(tmp_path: Path) -> None:
    whole = p1(EVENING, low=5.0)
    cut = whole[: whole.index("1-0:1.7.0")]
    found = read(tmp_path, whole[60:] + whole + cut + whole + cut, profile(LOW))
    assert values(found, "1-0:1.8.1") == [5.0, 5.0]
    assert [reason for _, _, reason in reasons(found)] == [
        "it stands outside of any telegram: the beginning of its own is lost",
        "the telegram is not whole: its end is missing",
        "the telegram is not whole: its end is missing",
    ]


def test_a_telegram_that_begins_in_a_torn_line_is_kept(tmp_path: Path) -> None:
    whole = p1(EVENING, low=5.0)
    torn = whole[: whole.index("5.000*kWh")]
    found = read(tmp_path, torn + whole, profile(LOW))
    assert values(found, "1-0:1.8.1") == [5.0]
    assert reasons(found) == [
        (6, "1-0:1.8.1", "the telegram is not whole: its end is missing"),
    ]
    assert found.readings["line"].to_list() == [11]


def test_a_value_that_is_torn_within_its_line_is_a_reject(tmp_path: Path) -> None:
    text = telegram("0-0:1.0.0(260215200000W)", "1-0:1.8.1(0001(00002.000*kWh)", crc=False)
    found = read(tmp_path, text, profile(LOW))
    assert reasons(found) == [(4, "1-0:1.8.1", "the line is cut short")]


def test_garbage_between_telegrams_is_counted_and_said(tmp_path: Path) -> None:
    whole = p1(EVENING)
    content = whole.encode() + b"\0\0\xff\xfe rubbish\n# a remark\nmore\n" + whole.encode()
    found = read(tmp_path, content, profile(LOW))
    assert values(found, "1-0:1.8.1") == [1.0, 1.0]
    assert "2 NUL bytes stand in the file" in said(found)
    assert "2 lines are neither a time nor part of a telegram; the first is line 11:" in said(found)


def test_an_endless_line_is_refused_by_itself(tmp_path: Path) -> None:
    whole = p1(EVENING)
    found = read(tmp_path, whole + "1" * 3_000_000 + "\n" + whole, profile(LOW))
    assert values(found, "1-0:1.8.1") == [1.0, 1.0]
    assert reasons(found) == [(11, "(whole line)", "the line is longer than any of a telegram")]
    assert len(found.rejects["raw"][0]) == 201


def test_a_telegram_without_end_in_sight_is_refused(tmp_path: Path) -> None:
    text = telegram(*["0-0:96.13.0(303132)"] * 4000, "1-0:1.8.1(00002.000*kWh)")
    found = read(tmp_path, p1(EVENING) + text, profile(LOW))
    assert values(found, "1-0:1.8.1") == [1.0]
    assert reasons(found) == [
        (4013, "1-0:1.8.1", "the telegram is longer than any that a meter writes")
    ]


def test_a_file_of_countless_codes_is_no_log(tmp_path: Path) -> None:
    text = "\n".join(f"{a}.{b}.0(1)" for a in range(250) for b in range(250))
    with pytest.raises(Terminal, match="more than 50000 different codes"):
        read(tmp_path, text, profile(LOW))


def test_tariffs_are_added_only_where_both_stand_in_the_telegram(tmp_path: Path) -> None:
    clock = "0-0:1.0.0(260215200000W)"
    text = (
        telegram(clock, "1-0:1.8.1(00001.000*kWh)", "1-0:1.8.2(00002.000*kWh)")
        + telegram(clock, "1-0:1.8.1(00001.000*kWh)")
        + telegram(clock, "1-0:1.8.1(00001.000*kWh)", "1-0:1.8.2(00002.000*MWh)")
        + telegram(clock, "1-0:1.8.1(00001.000*kWh)", "1-0:1.8.2(0000x*kWh)")
        + telegram(clock, "1-0:1.8.1(1*kWh)", "1-0:1.8.1(1*kWh)", "1-0:1.8.2(2*kWh)")
        + telegram(clock, "1-0:1.8.1(1*kWh)", "1-0:1.8.1(4*kWh)", "1-0:1.8.2(2*kWh)")
    )
    found = read(tmp_path, text, profile(SUM))
    assert values(found, SUM["column"]) == [3.0, 3.0]
    assert [reason for _, _, reason in reasons(found)] == [
        "1-0:1.8.2 is missing in this telegram",
        "its parts are in different units",
        "not a number: '0000x'",
        "the telegram holds this twice, with different values",
    ]


def test_the_same_code_with_two_values_in_one_telegram_is_refused(tmp_path: Path) -> None:
    text = telegram("0-0:1.0.0(260215200000W)", "1-0:1.8.1(1*kWh)", "1-0:1.8.1(2*kWh)")
    found = read(tmp_path, text, profile(LOW))
    assert [reason for _, _, reason in reasons(found)] == [
        "the telegram holds this twice, with different values"
    ] * 2


def test_an_empty_value_is_no_reading(tmp_path: Path) -> None:
    text = telegram("0-0:1.0.0(260215200000W)", "1-0:1.8.1()")
    found = read(tmp_path, text, profile(LOW))
    assert (found.rows_read, found.blank) == (0, 1)


# Times


def test_the_autumn_hour_is_told_by_its_letter(tmp_path: Path) -> None:
    # Clocks in Amsterdam went back on 25 October 2026 at 01:00 UTC (tz database).
    start = datetime(2026, 10, 25, 0, 30, tzinfo=PY_UTC)
    moments = [start, start + timedelta(hours=1)]
    text = "".join(p1(moment) for moment in reversed(moments))
    assert "(261025023000S)" in text
    assert "(261025023000W)" in text
    found = read(tmp_path, text, profile(LOW))
    assert times(found, "1-0:1.8.1") == ["2026-10-25 01:30", "2026-10-25 00:30"]


def test_stamps_without_a_letter_are_told_by_their_order(tmp_path: Path) -> None:
    # Each capture stands in several telegrams, as sub-meters are read once an hour.
    hours = ["00", "01", "02", "03", "04"]
    text = "".join(
        telegram(f"0-1:24.3.0(261025{hour}0000)(00)(60)(1)(0-1:24.2.1)(GJ)\r\n({n}.0)", crc=False)
        for n, hour in enumerate(hours)
        for _ in range(3)
    )
    found = read(tmp_path, text, profile({**HEAT, "column": "0-1:24.3.0"}))
    assert sorted(set(times(found, "0-1:24.3.0"))) == [
        "2026-10-24 22:00",
        "2026-10-24 23:00",
        "2026-10-25 02:00",
        "2026-10-25 03:00",
    ]
    assert {reason for _, _, reason in reasons(found)} == {
        "the local time 02:00 occurs twice on this day and its order does not tell which"
    }
    assert found.rejects.height == 3


def test_a_fixed_offset_is_the_winter_time_of_the_letters(tmp_path: Path) -> None:
    text = telegram("0-0:1.0.0(260715200000S)", "1-0:1.8.1(1*kWh)")
    found = read(tmp_path, text, profile(LOW, zone="+01:00"))
    assert times(found, "1-0:1.8.1") == ["2026-07-15 18:00"]


def test_a_zone_without_summer_time_takes_the_letters_at_their_word(tmp_path: Path) -> None:
    text = telegram("0-0:1.0.0(260715200000S)", "1-0:1.8.1(1*kWh)")
    found = read(tmp_path, text, profile(LOW, zone="Africa/Lagos"))
    assert times(found, "1-0:1.8.1") == ["2026-07-15 18:00"]
    assert "1 times carry S (summer) or W (winter) against the calendar of Africa/Lagos" in said(
        found
    )


def test_letters_need_a_zone(tmp_path: Path) -> None:
    with pytest.raises(Terminal, match="Give the profile a 'zone', such as 'Europe/Amsterdam'"):
        read(tmp_path, p1(EVENING), profile(LOW, zone="UTC"))


def test_a_meter_that_has_no_valid_time_yet_is_refused(tmp_path: Path) -> None:
    text = telegram("0-1:24.1.0(004)", "0-1:24.2.1(632525252525W)(00000.000*GJ)")
    found = read(tmp_path, text, profile(HEAT))
    assert reasons(found)[0][2].startswith("the time '632525252525' cannot be read")


def test_a_time_of_reception_stands_in_a_line_of_its_own(tmp_path: Path) -> None:
    text = "".join(
        f"2026-02-15 20:0{minute}:00\n"
        + telegram(f"1-0:1.8.1(0000{minute}.000*kWh)", crc=False)
        + "\n"
        for minute in range(3)
    )
    found = read(tmp_path, text, profile(LOW, **received()))
    assert times(found, "1-0:1.8.1") == [f"2026-02-15 19:0{minute}" for minute in range(3)]
    assert values(found, "1-0:1.8.1") == [0.0, 1.0, 2.0]
    assert found.rejects.is_empty()


def test_a_line_of_reception_behind_a_broken_telegram_belongs_to_the_next(tmp_path: Path) -> None:
    text = "2026-02-15 20:00\n/XYZ5\\X\n\n1-0:1.8.1(1*kWh)\n2026-02-15 20:01\n" + telegram(
        "1-0:1.8.1(2*kWh)", crc=False
    )
    found = read(tmp_path, text, profile(LOW, **received()))
    assert times(found, "1-0:1.8.1") == ["2026-02-15 19:01"]
    assert values(found, "1-0:1.8.1") == [2.0]


@pytest.mark.parametrize("each", [True, False])
@pytest.mark.parametrize("separator", [" ", ";", "\t"])
def test_a_time_of_reception_stands_before_the_first_or_each_line(
    each: bool, separator: str, tmp_path: Path
) -> None:
    lines = []
    for minute in range(3):
        before = f"2026-02-15 20:0{minute}:00{separator}"
        first, *others = telegram(f"1-0:1.8.1(0000{minute}.000*kWh)").split("\r\n")[:-1]
        lines += [before + first, *((before if each else "") + one for one in others)]
    used = profile(LOW, **received("prefix", separator=separator))
    found = read(tmp_path, "\r\n".join([*lines, ""]), used)
    assert times(found, "1-0:1.8.1") == [f"2026-02-15 19:0{minute}" for minute in range(3)]
    assert values(found, "1-0:1.8.1") == [0.0, 1.0, 2.0]
    assert found.rejects.is_empty()


def test_the_profile_may_prefer_the_time_of_reception(tmp_path: Path) -> None:
    text = "1771186000\n" + p1(EVENING, heat=(CAPTURE, 1.0))
    layout = received(time_format="epoch_s")
    meter = read(tmp_path, text, profile(LOW, HEAT, **layout))
    assert times(meter, "1-0:1.8.1") == ["2026-02-15 19:07"]
    logger = read(tmp_path, text, profile(LOW, HEAT, **layout, time="received"))
    assert times(logger, "1-0:1.8.1") == ["2026-02-15 20:06"]
    assert times(logger, "0-1:24.2.1") == ["2026-02-15 19:05"]


def test_a_log_without_any_time_is_refused(tmp_path: Path) -> None:
    text = telegram("1-0:1.8.1(1*kWh)", crc=False)
    with pytest.raises(Terminal, match=r"do not state when they were made.*Set 'received'"):
        read(tmp_path, text, profile(LOW))


def test_a_telegram_without_time_among_others_is_refused_by_itself(tmp_path: Path) -> None:
    found = read(tmp_path, p1(EVENING) + telegram("1-0:1.8.1(1*kWh)"), profile(LOW))
    assert reasons(found) == [(13, "1-0:1.8.1", "the telegram does not state a time")]


# Readouts

# Form of the readout of a heat meter through its optical head (IEC 62056-21 mode B); figures
# invented.
READOUT = (
    "/LUG4\r\n\x026.8(0203.951*GJ)6.26(02062.98*m3)9.21(66153690)\r\n"
    "6.26*01(01968.44*m3)6.8*01(0192.076*GJ)\r\nF(0)9.20(66153691)6.35(60*m)\r\n"
    "6.6(0013.0*kW)6.6*01(0013.0*kW)6.33(000.528*m3ph)9.4(082.2*C&079.6*C)\r\n"
    "6.36.5()9.36(2026-02-15&20:40:07)9.24(1.5*m3ph)\r\n0.0(66153690)\r\n!\r\n\x03k\r\n"
)


def test_a_heat_meter_is_read_through_its_optical_head(tmp_path: Path) -> None:
    used = profile(
        SHORT,
        {"column": "6.33", "role": "flow_rate", "kind": "state"},
        {"column": "6.6", "role": "heat_space", "kind": "power"},
        clock_format="%Y-%m-%d %H:%M:%S",
    )
    found = read(tmp_path, READOUT, used)
    assert found.rejects.is_empty()
    assert values(found, "6.8") == pytest.approx([203.951 / 0.0036])
    assert values(found, "6.33") == [0.528]
    assert values(found, "6.6") == [13.0]
    assert times(found, "6.8") == ["2026-02-15 19:40"]
    assert {target.serial for target in found.targets} == {"66153691"}


def test_a_value_of_an_earlier_period_is_meant_only_where_it_is_named(tmp_path: Path) -> None:
    layout = {"clock_format": "%Y-%m-%d %H:%M:%S"}
    found = read(tmp_path, READOUT, profile({**SHORT, "column": "6.8*01"}, **layout))
    assert values(found, "6.8*01") == pytest.approx([192.076 / 0.0036])


def test_a_readout_s_own_clock_needs_a_format(tmp_path: Path) -> None:
    with pytest.raises(Terminal, match=r"for a readout's own clock .* 'clock_format'"):
        read(tmp_path, READOUT, profile(SHORT))


def test_date_and_time_of_a_readout_may_be_two_items(tmp_path: Path) -> None:
    text = telegram("0.9.1(20:15:30)", "0.9.2(26-02-15)", "1.8.0(000123.4*kWh)", crc=False)
    used = profile({**LOW, "column": "1.8.0"}, clock_format="%y-%m-%d %H:%M:%S")
    assert times(read(tmp_path, text, used), "1.8.0") == ["2026-02-15 19:15"]


@pytest.mark.parametrize("column", ["1.8.0", "1-0:1.8.0", "1-0:1.8.0*255"])
@pytest.mark.parametrize("written", ["1.8.0", "1-0:1.8.0", "1-0:1.8.0*255", "1.8.0*255"])
def test_a_code_may_be_written_short_or_long(column: str, written: str, tmp_path: Path) -> None:
    text = f"2026-02-15 20:00\n{written}(000123.4*kWh)\n1-0:1.8.0*01(000099.0*kWh)\n"
    found = read(tmp_path, text, profile({**LOW, "column": column}, **received()))
    assert values(found, column) == [123.4]


def test_lists_without_beginning_are_read_from_time_to_time(tmp_path: Path) -> None:
    text = "".join(
        f"15.02.2026 20:0{n}\r\n0.0.0(EM-1)\r\n1.8.0(00012{n}.4*kWh)\r\n2.8.0(0*kWh)\r\n\r\n"
        for n in range(3)
    )
    used = profile({**LOW, "column": "1.8.0"}, **received(time_format="%d.%m.%Y %H:%M"))
    found = read(tmp_path, text, used)
    assert values(found, "1.8.0") == [120.4, 121.4, 122.4]
    assert times(found, "1.8.0") == [f"2026-02-15 19:0{n}" for n in range(3)]
    assert {target.serial for target in found.targets} == {"EM-1"}


def test_each_line_of_a_list_may_carry_its_time(tmp_path: Path) -> None:
    text = "".join(
        f"2026-02-15T20:0{n}:00;1.8.1({n}*kWh)\n2026-02-15T20:0{n}:00;1.8.2({n}*kWh)\n"
        for n in range(3)
    )
    used = profile({**LOW, "column": "1.8.1 + 1.8.2"}, **received("prefix"))
    found = read(tmp_path, text, used)
    assert values(found, "1.8.1 + 1.8.2") == [0.0, 2.0, 4.0]
    assert times(found, "1.8.1 + 1.8.2") == [f"2026-02-15 19:0{n}" for n in range(3)]


def test_a_list_that_ends_in_a_checksum_has_lost_its_beginning(tmp_path: Path) -> None:
    text = p1(EVENING)
    found = read(tmp_path, text[text.index("0-0:1.0.0") :], profile(LOW))
    assert reasons(found) == [
        (3, "1-0:1.8.1", "the telegram is not whole: its beginning is missing")
    ]


# Profiles


@pytest.mark.parametrize(
    ("columns", "message"),
    [
        ([{**LOW, "column": "heat"}], "'heat' is not an OBIS code"),
        ([{**LOW, "column": "1.8.1 + "}], "nor a sum such as"),
        ([{**LOW, "column": "1.8.1 + 1.8.1*255"}], "adds the same code twice"),
        ([LOW, {**LOW, "column": "1.8.1"}], "both mean '1-0:1.8.1'"),
        ([LOW, SUM], "both mean '1-0:1.8.1'"),
        (
            [{**HEAT, "column": "24.1.0"}],
            "means '0-1:24.1.0' as well as '0-2:24.1.0', which both stand in the file",
        ),
        ([{"role": "heat_total", "kind": "register", "record": {"quantity": "energy"}}], "OBIS"),
    ],
)
def test_a_profile_whose_codes_are_not_clear_is_refused(
    columns: list[dict[str, Any]], message: str, tmp_path: Path
) -> None:
    text = PUBLISHED_5
    with pytest.raises(DescriptionError) as caught:
        read(tmp_path, text, profile(*columns))
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("layout", "message"),
    [
        ({"time": "received"}, "needs 'received'"),
        ({"separator": "/"}, "cannot stand between a time and a telegram"),
        ({"clock_format": "iso"}, "is not how a meter shows its clock"),
        ({"time_format": "%H:%M"}, "does not hold a whole date"),
    ],
)
def test_a_layout_that_cannot_be_meant_is_refused(layout: dict[str, Any], message: str) -> None:
    with pytest.raises(DescriptionError, match=message):
        profile(LOW, **layout)


def test_a_file_that_no_column_means_lists_what_it_holds(tmp_path: Path) -> None:
    found = read(tmp_path, PUBLISHED_5, profile({**LOW, "column": "1-0:9.9.9"}))
    assert found.rows_read == 0
    assert "The file has no rows of the points '1-0:9.9.9'." in said(found)
    assert "'1-0:1.7.0' (1)" in said(found)


def test_a_packed_log_is_read(tmp_path: Path) -> None:
    found = read(tmp_path, gzip.compress(p1(EVENING).encode()), profile(LOW), name="log.gz")
    assert values(found, "1-0:1.8.1") == [1.0]


def test_an_empty_log_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Terminal, match="is empty"):
        read(tmp_path, b"", profile(LOW))


# Properties

moments = st.datetimes(
    min_value=datetime(2001, 1, 1),  # noqa: DTZ001
    max_value=datetime(2067, 12, 31),  # noqa: DTZ001
    timezones=st.just(PY_UTC),
).map(lambda moment: moment.replace(microsecond=0))
registers = st.integers(0, 999_999_999).map(lambda watt_hours: watt_hours / 1000)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.tuples(moments, registers, registers, registers), min_size=1, max_size=8),
    st.booleans(),
)
def test_what_is_written_is_read_again(
    tmp_path: Path, rows: list[tuple[datetime, float, float, float]], crc: bool
) -> None:
    text = "".join(
        p1(moment, low=low, normal=normal, heat=(moment, gj / 100), crc=crc)
        for moment, low, normal, gj in rows
    )
    found = read(tmp_path, text, profile(SUM, HEAT))
    assert found.rejects.is_empty()
    expected = pl.DataFrame(rows, schema=["t", "low", "normal", "gj"], orient="row")
    summed = found.readings.filter(pl.col("target") == 0)
    assert summed["value"].to_list() == pytest.approx(
        (expected["low"] + expected["normal"]).to_list()
    )
    assert summed["t_utc"].to_list() == [moment for moment, *_ in rows]
    heat = found.readings.filter(pl.col("target") == 1)
    assert heat["value"].to_list() == pytest.approx(
        [float(f"{gj / 100:.3f}") / 0.0036 for gj in expected["gj"]]
    )


pieces = st.one_of(
    st.integers(0, 20).map(lambda n: p1(EVENING, low=float(n), heat=(CAPTURE, 1.0)).encode()),
    st.tuples(st.integers(0, 300), st.integers(0, 300)).map(
        lambda cut: p1(EVENING).encode()[min(cut) : max(cut)]
    ),
    st.binary(max_size=30),
    st.sampled_from(
        [
            b"\n",
            b"\0\0",
            b"2026-02-15 20:00\n",
            b"!\n",
            b"!ABCD\n",
            b"/XYZ5\\T\n",
            b"(1.0)\n",
            b"1-0:1.8.1(12*kWh)\n",
            b"1-0:1.8.1((()\n",
            b"0-1:24.2.1(260215200000W)(1*m3)\n",
        ]
    ),
)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(pieces, min_size=1, max_size=8),
    st.sampled_from(["none", "line", "prefix"]),
    st.sampled_from([8, 200, 1 << 24]),
)
def test_no_log_ends_in_a_traceback_and_every_item_meant_is_accounted_for(
    tmp_path: Path, parts: list[bytes], where: str, size: int
) -> None:
    content = b"".join(parts)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(obis_log, "PIECE", size)
        try:
            found = read(tmp_path, content, profile(LOW, HEAT, **received(where)))
        except (IngestError, DescriptionError) as error:
            assert str(error).endswith(".")  # noqa: PT017
            return
    assert found.readings["value"].is_finite().all()
    # Each pair of code and brackets that stands whole in a line by itself must turn up.
    lines = content.decode("utf-8", "replace").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    whole = [
        n
        for n, line in enumerate(lines, 1)
        if line.startswith("1-0:1.8.1(") and line.endswith("*kWh)")
    ]
    account = [*found.readings["line"], *found.rejects["line"]]
    assert set(whole) <= set(account)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.integers(0, 999), min_size=1, max_size=12), st.integers(1, 2000))
def test_the_size_of_the_pieces_changes_nothing(
    tmp_path: Path, numbers: list[int], size: int
) -> None:
    text = "".join(
        p1(EVENING + timedelta(seconds=n), low=float(low)).replace("99", "98")
        for n, low in enumerate(numbers)
    )
    whole = read(tmp_path, text, profile(LOW))
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(obis_log, "PIECE", size)
        cut = read(tmp_path, text, profile(LOW))
    assert cut.readings.equals(whole.readings)
    assert cut.rejects.equals(whole.rejects)
    assert (cut.lines, cut.notes) == (whole.lines, whole.notes)
