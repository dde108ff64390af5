"""Local time, daylight saving and the ways in which exports write a time."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.clock import Stamps, check_time_format, read_stamps
from ingest.local_time import parse_zone

TWICE = "the local time {} occurs twice on this day and its order does not tell which"


def stamps(texts: list[str], zone: str = "Europe/London", time_format: str = "iso") -> Stamps:
    return read_stamps(
        pl.Series(texts, dtype=pl.String), time_format=time_format, zone=parse_zone(zone)
    )


def hours(read: Stamps) -> list[str | None]:
    return [None if one is None else f"{one:%d %H:%M}" for one in read.utc]


def local_clock(count: int, minutes: int, zone: str = "Europe/London") -> list[str]:
    """Write the stamps of a logger on local time about the autumn night of 2024."""
    begin = datetime(2024, 10, 26, 22, 0, tzinfo=UTC)
    moments = [begin + k * timedelta(minutes=minutes) for k in range(count)]
    return [f"{one.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M}" for one in moments]


@pytest.mark.parametrize("zone", ["Europe/London", "Europe/Berlin", "Europe/Athens"])
@pytest.mark.parametrize("minutes", [60, 30, 15, 10, 1])
def test_a_logger_on_local_time_gives_both_autumn_hours_in_file_order(
    zone: str, minutes: int
) -> None:
    count = 6 * 60 // minutes
    read = stamps(local_clock(count, minutes, zone), zone)
    steps = np.diff(read.utc.to_physical().to_numpy()) // 60_000_000
    assert read.utc.null_count() == 0
    assert (steps == minutes).all()


@pytest.mark.parametrize("minutes", [60, 30, 15])
def test_a_file_with_the_newest_row_first_gives_both_autumn_hours_too(minutes: int) -> None:
    count = 6 * 60 // minutes
    read = stamps(local_clock(count, minutes)[::-1])
    steps = np.diff(read.utc.to_physical().to_numpy()) // 60_000_000
    assert read.utc.null_count() == 0
    assert (steps == -minutes).all()


def test_an_autumn_hour_that_stands_there_once_is_not_guessed() -> None:
    read = stamps(["2024-10-27 00:30", "2024-10-27 01:00", "2024-10-27 01:30", "2024-10-27 02:00"])
    assert hours(read) == ["26 23:30", None, None, "27 02:00"]
    assert read.reason.to_list() == [None, TWICE.format("01:00"), TWICE.format("01:30"), None]


@given(st.permutations(range(24)))
def test_in_a_shuffled_file_only_a_run_in_order_tells_an_autumn_hour(order: list[int]) -> None:
    texts = local_clock(24, 15)
    begin = datetime(2024, 10, 26, 22, 0, tzinfo=UTC)
    read = stamps([texts[k] for k in order])
    double = {k for k in range(24) if "2024-10-27 01:" in texts[k]}
    for k, moment in zip(order, read.utc, strict=True):
        if k not in double:
            assert moment == begin + k * timedelta(minutes=15)
    places = [place for place, k in enumerate(order) if k in double]
    told = [read.utc[place] for place in places]
    assert None not in told or set(told) == {None}
    if None not in told:
        around = read.utc[max(places[0] - 5, 0) : places[-1] + 6].to_list()
        assert around in (sorted(set(around)), sorted(set(around), reverse=True))


def test_two_rows_of_an_autumn_hour_alone_in_a_file_do_not_tell_their_order() -> None:
    assert hours(stamps(["2024-10-27 01:30", "2024-10-27 01:00"])) == [None, None]
    assert hours(stamps(["2024-10-27 01:00", "2024-10-27 01:00"])) == [None, None]


def test_rows_of_several_points_are_ordered_within_each_point() -> None:
    one = ["2024-10-27 00:00", "2024-10-27 01:00", "2024-10-27 01:00", "2024-10-27 02:00"]
    texts = [text for text in one for _ in range(2)]
    group = np.array([0, 1] * 4, dtype=np.int64)
    zone = parse_zone("Europe/London")
    read = read_stamps(pl.Series(texts), time_format="iso", zone=zone, group=group)
    expected = ["26 23:00", "27 00:00", "27 01:00", "27 02:00"]
    assert hours(read)[::2] == expected
    assert hours(read)[1::2] == expected


def test_a_time_that_clocks_skip_in_spring_is_refused() -> None:
    read = stamps(["2024-03-31 00:30", "2024-03-31 01:30", "2024-03-31 02:30"])
    assert hours(read) == ["31 00:30", None, "31 01:30"]
    assert read.reason[1] == ("the local time 01:30 does not exist on this day: clocks go forward")


def test_standard_time_all_year_is_a_fixed_offset_without_double_hours() -> None:
    read = stamps(["2024-07-01 12:00", "2024-10-27 02:30", "2024-03-31 02:30"], "+01:00")
    assert hours(read) == ["01 11:00", "27 01:30", "31 01:30"]


def test_an_offset_in_the_stamp_wins_over_the_zone() -> None:
    read = stamps(
        [
            "2024-10-27T01:30:00+01:00",
            "2024-10-27T01:30:00+00:00",
            "2024-10-27T01:30Z",
            "2024-10-27 01:30:00 -0500",
            "2024-07-01 10:00",
        ]
    )
    assert hours(read) == ["27 00:30", "27 01:30", "27 01:30", "27 06:30", "01 09:00"]


def test_24_00_is_midnight_of_the_next_day() -> None:
    assert hours(stamps(["2024-07-01 24:00", "2024-07-31 24:00:00"], "UTC")) == [
        "02 00:00",
        "01 00:00",
    ]
    german = stamps(["31.12.2023 24:00"], "UTC", "%d.%m.%Y %H:%M")
    assert german.utc[0] == datetime(2024, 1, 1, tzinfo=UTC)
    assert stamps(["2024-07-01 24:30"], "UTC").utc[0] is None


@pytest.mark.parametrize(
    ("time_format", "text", "expected"),
    [
        # POSIX.1-2017, 4.16 "Seconds Since the Epoch": 86400 s a day.
        ("epoch_s", "86400", "1970-01-02 00:00:00"),
        ("epoch_s", "1700000000.5", "2023-11-14 22:13:20.500000"),
        ("epoch_ms", "1700000000000", "2023-11-14 22:13:20"),
        # ECMA-376 part 1, 18.17.4.1: serial 45292 is 2024-01-01 in the 1900 system.
        ("excel", "45292", "2024-01-01 00:00:00"),
        ("excel", "45292.0416666667", "2024-01-01 01:00:00"),
        ("excel", "45292.9999884259", "2024-01-01 23:59:59"),
        ("%d/%m/%Y %I:%M:%S %p", "02/03/2024 12:00:05 AM", "2024-03-02 00:00:05"),
        ("%m/%d/%y %H:%M", "12/31/23 23:45", "2023-12-31 23:45:00"),
        ("%d.%m.%Y", "05.01.2024", "2024-01-05 00:00:00"),
        ("%Y-%m-%d %H:%M:%S %z", "2024-01-05 10:00:00 +0200", "2024-01-05 08:00:00"),
        ("iso", "2024-01-05", "2024-01-05 00:00:00"),
        ("iso", "2024-01-05T10:00:00.250", "2024-01-05 10:00:00.250000"),
    ],
)
def test_a_time_reads_as_its_format_means(time_format: str, text: str, expected: str) -> None:
    read = stamps([text], "UTC", time_format)
    assert read.utc[0] == datetime.fromisoformat(expected).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("31.02.2024 10:00", "cannot be read as an ISO 8601 time"),
        ("2024-02-30 10:00", "cannot be read as an ISO 8601 time"),
        ("Total", "cannot be read as an ISO 8601 time"),
        ("", "there is no time in this row"),
        ("1969-12-31 23:00", "lies outside 1970 to 2199"),
        ("9999-01-01 00:00", "lies outside 1970 to 2199"),
    ],
)
def test_a_time_that_cannot_be_read_says_why(text: str, reason: str) -> None:
    read = stamps([text, "2024-01-01 00:00"], "UTC")
    assert read.utc.is_null().to_list() == [True, False]
    assert reason in str(read.reason[0])


@pytest.mark.parametrize("text", ["Moon/Base", "+25:00", "+01", "../etc/passwd", "", "CETish"])
def test_a_zone_that_does_not_exist_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not a zone"):
        parse_zone(text)


@pytest.mark.parametrize(
    "text", ["%H:%M", "%d.%m.%Y %I:%M", "%Q", "%", "yesterday", "%d.%m. %H:%M"]
)
def test_a_time_format_without_a_whole_date_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"strptime format|whole date"):
        check_time_format(text)


@given(
    st.datetimes(datetime.fromisoformat("1971-01-01"), datetime.fromisoformat("2190-01-01")),
    st.sampled_from(["Europe/London", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu"]),
)
def test_a_plain_local_time_agrees_with_the_zone_database(moment: datetime, zone: str) -> None:
    moment = moment.replace(second=0, microsecond=0)
    there = moment.replace(tzinfo=ZoneInfo(zone))
    utc = there.astimezone(UTC)
    exists = utc.astimezone(ZoneInfo(zone)).replace(tzinfo=None) == moment
    double = there.utcoffset() != there.replace(fold=1).utcoffset()
    read = stamps([f"{moment:%Y-%m-%d %H:%M}"], zone)
    assert read.utc[0] == (utc if exists and not double else None)
