"""Windows in local days, on clocks that change and in zones off the hour."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest

from monitor.metrics import periods
from monitor.metrics.periods import Window
from monitor.models import Site
from tests.monitor.homes import home


def in_zone(zone: str) -> Site:
    return home({"role": "heat_total"}).model_copy(update={"zone": zone})


def hours(zone: str, day: date) -> int:
    start, end = periods.span(in_zone(zone), Window("", day, day + timedelta(days=1)))
    return int((end - start).total_seconds() / 3600)


@pytest.mark.parametrize(
    ("zone", "day", "length"),
    [
        # Clock changes of 2024 as in the IANA time zone database.
        ("Europe/London", date(2024, 3, 31), 23),
        ("Europe/London", date(2024, 10, 27), 25),
        ("Europe/London", date(2024, 7, 1), 24),
        ("Europe/Berlin", date(2024, 3, 31), 23),
        ("America/New_York", date(2024, 11, 3), 25),
        ("Africa/Cairo", date(2024, 4, 26), 23),  # the clock goes on at midnight itself
    ],
)
def test_a_local_day_has_the_hours_that_its_clock_shows(zone: str, day: date, length: int) -> None:
    assert hours(zone, day) == length


def test_a_british_summer_day_begins_at_eleven_in_the_evening_utc() -> None:
    start, end = periods.span(
        in_zone("Europe/London"), Window("", date(2024, 7, 1), date(2024, 7, 2))
    )
    assert start == datetime(2024, 6, 30, 23, tzinfo=UTC)
    assert end == datetime(2024, 7, 1, 23, tzinfo=UTC)


@pytest.mark.parametrize(
    "zone",
    [
        "UTC",
        "Europe/London",
        "Africa/Cairo",
        "Asia/Kolkata",
        "Asia/Kathmandu",
        "Australia/Lord_Howe",
    ],
)
def test_days_of_a_year_adjoin_without_holes_or_overlap(zone: str) -> None:
    site = in_zone(zone)
    spans = [periods.span(site, d) for d in periods.days(date(2024, 1, 1), date(2025, 1, 1))]
    assert len(spans) == 366
    assert all(end == start for (_, end), (start, _) in pairwise(spans))
    assert all(start < end and start.minute == 0 for start, end in spans)


def test_in_a_zone_of_half_hours_a_day_begins_at_the_nearest_full_hour() -> None:
    start, _ = periods.span(
        in_zone("Asia/Kathmandu"), Window("", date(2024, 1, 2), date(2024, 1, 3))
    )
    assert start == datetime(2024, 1, 1, 18, tzinfo=UTC)  # midnight there is 18:15 UTC


def test_months_are_whole_even_where_the_stretch_is_not() -> None:
    got = periods.months(date(2023, 11, 20), date(2024, 2, 1))
    assert [w.name for w in got] == ["November 2023", "December 2023", "January 2024"]
    assert (got[0].first, got[-1].end) == (date(2023, 11, 1), date(2024, 2, 1))


def test_a_heating_season_runs_from_october_to_april() -> None:
    got = periods.heating_seasons(date(2023, 6, 1), date(2024, 10, 2))
    assert got == [
        Window("heating season 2023/24", date(2023, 10, 1), date(2024, 5, 1)),
        Window("heating season 2024/25", date(2024, 10, 1), date(2025, 5, 1)),
    ]


def test_a_summer_touches_no_heating_season() -> None:
    assert periods.heating_seasons(date(2024, 5, 1), date(2024, 10, 1)) == []


def test_the_turn_of_a_century_is_written_with_two_digits() -> None:
    got = periods.heating_seasons(date(2099, 12, 1), date(2099, 12, 2))
    assert [w.name for w in got] == ["heating season 2099/00"]


def test_a_rolling_window_ends_with_its_day() -> None:
    got = periods.rolling(date(2024, 3, 1), date(2024, 3, 3), 30)
    assert got == [
        Window("2024-03-01", date(2024, 2, 1), date(2024, 3, 2)),
        Window("2024-03-02", date(2024, 2, 2), date(2024, 3, 3)),
    ]


def test_the_local_day_of_a_moment_is_the_one_on_the_wall() -> None:
    moment = datetime(2024, 6, 30, 23, 30, tzinfo=UTC)
    assert periods.local_day(in_zone("Europe/London"), moment) == date(2024, 7, 1)
    assert periods.local_day(in_zone("UTC"), moment) == date(2024, 6, 30)
