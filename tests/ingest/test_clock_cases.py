"""Clocks of real exports, from the file to UTC: one test a habit of loggers and portals."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.normal_form import Extract
from ingest.profile import Profile
from monitor.errors import DescriptionError
from tests.ingest.exports import HEAT, profile, read, reasons, times

ELEC: dict[str, Any] = {"column": "elec", "role": "elec_total", "kind": "interval", "unit": "kWh"}
HEADER = "time;heat\n"


def registers(
    folder: Path, stamps: list[str], zone: str = "UTC", time_format: str = "iso", **layout: Any
) -> Extract:
    """Read a heat register that rises by one with each stamp."""
    text = HEADER + "".join(f"{stamp};{100 + k}\n" for k, stamp in enumerate(stamps))
    return read(folder, text, profile(HEAT, zone=zone, time_format=time_format, **layout))


def intervals(folder: Path, stamps: list[str], zone: str = "UTC", **column: Any) -> list[str]:
    """Read intervals; give the start of each and its minutes."""
    text = "time;elec\n" + "".join(f"{stamp};1\n" for stamp in stamps)
    found = read(folder, text, profile({**ELEC, **column}, zone=zone)).readings.sort("line")
    return [
        f"{start:%d %H:%M} {length // 60}"
        for start, length in zip(found["t_utc"], found["duration_s"], strict=True)
    ]


@pytest.mark.parametrize(
    ("zone", "utc"),
    [
        # Offsets of the tz database (tzdata): +0, +1, -5, +5:45, +10:30 h in January.
        ("Europe/London", "2024-01-15 12:00"),
        ("Europe/Berlin", "2024-01-15 11:00"),
        ("America/New_York", "2024-01-15 17:00"),
        ("Asia/Kathmandu", "2024-01-15 06:15"),
        ("Australia/Lord_Howe", "2024-01-15 01:00"),
        ("UTC", "2024-01-15 12:00"),
        ("+01:00", "2024-01-15 11:00"),
        ("-03:30", "2024-01-15 15:30"),
    ],
)
def test_a_plain_stamp_is_local_time_of_the_profile_s_zone(
    tmp_path: Path, zone: str, utc: str
) -> None:
    assert times(registers(tmp_path, ["2024-01-15 12:00"], zone), "heat") == [utc]


def test_a_fixed_offset_is_the_same_in_summer_as_a_named_zone_is_not(tmp_path: Path) -> None:
    stamps = ["2024-01-15 12:00", "2024-07-15 12:00"]
    assert times(registers(tmp_path, stamps, "+01:00"), "heat") == [
        "2024-01-15 11:00",
        "2024-07-15 11:00",
    ]
    assert times(registers(tmp_path, stamps, "Europe/Berlin"), "heat") == [
        "2024-01-15 11:00",
        "2024-07-15 10:00",
    ]


@pytest.mark.parametrize("direction", [1, -1])
def test_both_autumn_hours_of_a_file_in_order_are_kept(tmp_path: Path, direction: int) -> None:
    clock = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    found = registers(
        tmp_path, [f"2024-10-27 {one}" for one in clock][::direction], "Europe/London"
    )
    expected = ["26 23:30", "27 00:00", "27 00:30", "27 01:00", "27 01:30", "27 02:00"]
    assert times(found, "heat") == [f"2024-10-{one}" for one in expected][::direction]
    assert found.rejects.is_empty()


def test_where_order_does_not_tell_the_hour_only_its_rows_are_refused_with_a_sentence(
    tmp_path: Path,
) -> None:
    stamps = ["2024-10-27 00:30", "2024-10-27 01:00", "2024-10-27 01:30", "2024-10-27 02:00"]
    found = registers(tmp_path, stamps, "Europe/London")
    assert times(found, "heat") == ["2024-10-26 23:30", "2024-10-27 02:00"]
    said = "the local time {} occurs twice on this day and its order does not tell which"
    assert reasons(found) == [
        (3, "heat", said.format("01:00")),
        (4, "heat", said.format("01:30")),
    ]


def test_a_spring_hour_that_clocks_skip_is_refused_and_its_neighbours_are_kept(
    tmp_path: Path,
) -> None:
    stamps = ["2024-03-31 00:30", "2024-03-31 01:00", "2024-03-31 01:30", "2024-03-31 02:00"]
    found = registers(tmp_path, stamps, "Europe/London")
    assert times(found, "heat") == ["2024-03-31 00:30", "2024-03-31 01:00"]
    assert [reason for _, _, reason in reasons(found)] == [
        f"the local time {one} does not exist on this day: clocks go forward"
        for one in ("01:00", "01:30")
    ]


def test_24_00_ends_its_day_also_at_the_end_of_a_year_and_of_february(tmp_path: Path) -> None:
    stamps = ["2023-12-31 24:00", "2024-02-29 24:00:00", "2023-02-28T24:00"]
    assert times(registers(tmp_path, stamps), "heat") == [
        "2024-01-01 00:00",
        "2024-03-01 00:00",
        "2023-03-01 00:00",
    ]


def test_24_00_on_the_eve_of_a_change_is_midnight_of_the_zone(tmp_path: Path) -> None:
    stamps = ["2024-03-30 24:00", "2024-03-31 24:00"]
    assert times(registers(tmp_path, stamps, "Europe/Berlin"), "heat") == [
        "2024-03-30 23:00",
        "2024-03-31 22:00",
    ]


def test_24_00_with_minutes_is_no_time(tmp_path: Path) -> None:
    found = registers(tmp_path, ["2024-07-01 24:15", "2024-07-02 00:30"])
    assert times(found, "heat") == ["2024-07-02 00:30"]
    assert [line for line, _, _ in reasons(found)] == [2]


def test_spreadsheet_serials_are_local_days_and_their_rounding_is_undone(tmp_path: Path) -> None:
    # ECMA-376 part 1, 18.17.4.1: serial 45292 is 2024-01-01 in the 1900 system; a
    # quarter of an hour is 1/96 day, which no finite decimal holds.
    stamps = [f"{45292 + k / 96:.10f}" for k in range(5)]
    found = registers(tmp_path, stamps, "Europe/Berlin", "excel")
    assert found.readings["t_utc"].to_list() == [
        datetime(2023, 12, 31, 23, tzinfo=UTC) + k * timedelta(minutes=15) for k in range(5)
    ]


@given(st.datetimes(datetime.fromisoformat("1990-01-01"), datetime.fromisoformat("2100-01-01")))
def test_a_spreadsheet_serial_gives_its_moment_to_the_second(
    tmp_path_factory: pytest.TempPathFactory, moment: datetime
) -> None:
    moment = moment.replace(microsecond=0)
    days = (moment - datetime.fromisoformat("1899-12-30")) / timedelta(days=1)
    found = registers(tmp_path_factory.getbasetemp(), [f"{days!r}"], time_format="excel")
    assert found.readings["t_utc"].to_list() == [moment.replace(tzinfo=UTC)]


@pytest.mark.parametrize(
    ("time_format", "stamp"),
    [("epoch_s", "1705320000"), ("epoch_ms", "1705320000000"), ("epoch_s", "1.70532E9")],
)
def test_seconds_and_milliseconds_since_1970_are_utc_whatever_the_zone(
    tmp_path: Path, time_format: str, stamp: str
) -> None:
    found = registers(tmp_path, [stamp], "Europe/Berlin", time_format)
    assert times(found, "heat") == ["2024-01-15 12:00"]


@pytest.mark.parametrize(("declared", "stamp"), [("epoch_s", 1705320000000), ("epoch_ms", -1)])
def test_milliseconds_read_as_seconds_lie_beyond_all_years_and_are_refused(
    tmp_path: Path, declared: str, stamp: int
) -> None:
    found = registers(tmp_path, [str(stamp)], time_format=declared)
    assert [reason for _, _, reason in reasons(found)] == [
        f"the time '{stamp}' lies outside 1970 to 2199"
    ]


def test_the_same_quarter_hours_stamped_at_start_or_end_are_the_same_intervals(
    tmp_path: Path,
) -> None:
    starts = ["2024-01-15 12:00", "2024-01-15 12:15", "2024-01-15 12:30"]
    ends = ["2024-01-15 12:15", "2024-01-15 12:30", "2024-01-15 12:45"]
    expected = ["15 12:00 15", "15 12:15 15", "15 12:30 15"]
    assert intervals(tmp_path, starts, stamp="start") == expected
    assert intervals(tmp_path, ends, stamp="end") == expected


def test_an_interval_that_ends_at_24_00_is_the_last_of_its_day(tmp_path: Path) -> None:
    stamps = ["2024-01-15 23:30", "2024-01-15 24:00", "2024-01-16 00:30"]
    assert intervals(tmp_path, stamps, stamp="end") == ["15 23:00 30", "15 23:30 30", "16 00:00 30"]


@pytest.mark.parametrize(
    ("stamp", "expected"),
    [("start", ["26 22:00 1500", "27 23:00 1440"]), ("end", ["25 22:00 1440", "26 22:00 1500"])],
)
def test_daily_energy_has_the_hours_of_its_local_day_at_either_end(
    tmp_path: Path, stamp: str, expected: list[str]
) -> None:
    days = ["2024-10-27", "2024-10-28"]
    assert intervals(tmp_path, days, "Europe/Berlin", interval="P1D", stamp=stamp) == expected


def test_intervals_stamped_at_their_end_cross_the_autumn_night_without_gap_or_overlap(
    tmp_path: Path,
) -> None:
    begin = datetime(2024, 10, 26, 22, tzinfo=UTC)
    zone = ZoneInfo("Europe/Berlin")
    ends = [begin + (k + 1) * timedelta(minutes=30) for k in range(12)]
    stamps = [f"{one.astimezone(zone):%Y-%m-%d %H:%M}" for one in ends]
    text = "time;elec\n" + "".join(f"{one};1\n" for one in stamps)
    used = profile({**ELEC, "interval": "PT30M", "stamp": "end"}, zone="Europe/Berlin")
    found = read(tmp_path, text, used)
    assert found.readings["t_utc"].to_list() == [
        begin + k * timedelta(minutes=30) for k in range(12)
    ]
    assert found.readings["duration_s"].unique().to_list() == [1800]


def test_an_offset_on_some_rows_counts_for_those_rows_only(tmp_path: Path) -> None:
    stamps = [
        "2024-07-01 12:00",
        "2024-07-01T12:30:00+02:00",
        "2024-07-01 13:00",
        "2024-07-01T11:30Z",
    ]
    assert times(registers(tmp_path, stamps, "Europe/London"), "heat") == [
        "2024-07-01 11:00",
        "2024-07-01 10:30",
        "2024-07-01 12:00",
        "2024-07-01 11:30",
    ]


def test_an_offset_settles_an_autumn_hour_that_order_alone_does_not(tmp_path: Path) -> None:
    stamps = ["2024-10-27 01:30+01:00", "2024-10-27 01:30+00:00"]
    assert times(registers(tmp_path, stamps, "Europe/London"), "heat") == [
        "2024-10-27 00:30",
        "2024-10-27 01:30",
    ]


@pytest.mark.parametrize(("year", "read_as"), [("24", 2024), ("68", 2068), ("70", 1970)])
def test_a_year_of_two_digits_is_of_1969_to_2068(tmp_path: Path, year: str, read_as: int) -> None:
    # POSIX.1-2017, strptime: %y from 69 is 1969 on, below it is 2000 on.
    found = registers(tmp_path, [f"31/12/{year} 12:00"], time_format="%d/%m/%y %H:%M")
    assert times(found, "heat") == [f"{read_as}-12-31 12:00"]


def test_a_year_of_four_digits_is_not_read_as_one_of_two(tmp_path: Path) -> None:
    found = registers(tmp_path, ["31/12/2024 12:00"], time_format="%d/%m/%y %H:%M")
    assert found.readings.is_empty()
    assert [line for line, _, _ in reasons(found)] == [2]


def test_a_year_of_two_digits_is_not_read_as_the_first_century(tmp_path: Path) -> None:
    found = registers(tmp_path, ["31/12/24 12:00"], time_format="%d/%m/%Y %H:%M")
    assert found.readings.is_empty()
    assert [line for line, _, _ in reasons(found)] == [2]


def test_day_first_and_month_first_are_what_the_profile_says_and_never_tried_in_turn(
    tmp_path: Path,
) -> None:
    stamps = ["03/02/2024 12:00", "13/02/2024 12:00"]
    assert times(registers(tmp_path, stamps, time_format="%d/%m/%Y %H:%M"), "heat") == [
        "2024-02-03 12:00",
        "2024-02-13 12:00",
    ]
    american = registers(tmp_path, stamps, time_format="%m/%d/%Y %H:%M")
    assert times(american, "heat") == ["2024-03-02 12:00"]
    assert reasons(american) == [
        (
            3,
            "heat",
            "the time '13/02/2024 12:00' cannot be read as a time written as %m/%d/%Y %H:%M",
        )
    ]


def test_a_date_with_strokes_is_never_taken_for_iso(tmp_path: Path) -> None:
    found = registers(tmp_path, ["03/02/2024 12:00"])
    assert found.readings.is_empty()
    assert "cannot be read as an ISO 8601 time" in reasons(found)[0][2]


@pytest.mark.parametrize(
    ("clock", "utc"),
    [
        ("12:00 AM", "00:00"),
        ("12:30 AM", "00:30"),
        ("1:00 AM", "01:00"),
        ("12:00 PM", "12:00"),
        ("11:59 PM", "23:59"),
    ],
)
def test_a_clock_of_twelve_hours_has_midnight_at_12_am(
    tmp_path: Path, clock: str, utc: str
) -> None:
    found = registers(tmp_path, [f"15/01/2024 {clock}"], time_format="%d/%m/%Y %I:%M %p")
    assert times(found, "heat") == [f"2024-01-15 {utc}"]


def test_a_logger_reset_to_1970_or_2000_keeps_its_good_rows(tmp_path: Path) -> None:
    stamps = ["2024-01-15 12:00", "1969-12-31 23:59", "0000-00-00 00:00", "2024-01-15 13:00"]
    found = registers(tmp_path, stamps)
    assert times(found, "heat") == ["2024-01-15 12:00", "2024-01-15 13:00"]
    assert [line for line, _, _ in reasons(found)] == [3, 4]


def test_seconds_that_drift_are_kept_as_they_are(tmp_path: Path) -> None:
    found = registers(tmp_path, ["2024-01-15 10:00:07", "2024-01-15 10:15:11"])
    assert [f"{one:%H:%M:%S}" for one in found.readings["t_utc"]] == ["10:00:07", "10:15:11"]


@pytest.mark.parametrize("zone", ["CEST", "Europe/Londn", "+1", "local"])
def test_a_zone_that_is_none_is_refused_with_what_would_do(zone: str) -> None:
    with pytest.raises(ValueError, match="is not a zone: write a name such as 'Europe/London'"):
        profile(HEAT).model_validate({**profile(HEAT).model_dump(), "zone": zone})


def test_the_zone_of_a_profile_is_said_in_the_error_of_its_file(tmp_path: Path) -> None:
    from ingest.profile import profile_from_toml

    path = tmp_path / "p.toml"
    path.write_text(
        'name = "p"\nformat = "delimited"\nzone = "BST"\n[delimited]\ntime = "t"\n[[column]]\n'
        'column = "h"\nrole = "heat_total"\nkind = "register"\nunit = "kWh"\n'
    )
    with pytest.raises(DescriptionError, match="zone: 'BST' is not a zone"):
        profile_from_toml(path)
    assert Profile.model_fields["zone"].default == "UTC"
