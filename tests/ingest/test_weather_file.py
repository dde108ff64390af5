"""Weather files become daily means; what cannot be used is counted and said."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest

from ingest.weather_file import WeatherFileError, read_weather_file

HEADER = [
    "LOCATION,Hallowmere,-,XXX,invented,000000,54.50,-2.00,0.0,50.0",
    "DESIGN CONDITIONS,0",
    "TYPICAL/EXTREME PERIODS,0",
    "GROUND TEMPERATURES,0",
    "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0",
    "COMMENTS 1,invented",
    "COMMENTS 2,invented",
    "DATA PERIODS,1,1,Data,Sunday, 1/ 1,12/31",
]


def epw_hours(first: date, days: int, year_of_month: dict[int, int] | None = None) -> list[str]:
    out = []
    for n in range(days):
        day = first + timedelta(n)
        year = (year_of_month or {}).get(day.month, day.year)
        out += [
            f"{year},{day.month},{day.day},{hour},60,?9?9,{day.month + hour / 24:.2f},1.0,80,99000"
            for hour in range(1, 25)
        ]
    return out


def write(folder: Path, lines: list[str], name: str = "place.epw") -> Path:
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_an_epw_year_gives_a_mean_for_each_day(tmp_path: Path) -> None:
    found = read_weather_file(write(tmp_path, HEADER + epw_hours(date(2019, 1, 1), 365)))
    assert found.place == "Hallowmere"
    assert found.daily.height == 365
    assert found.daily["outdoor_c"][0] == pytest.approx(1 + 12.5 / 24, abs=0.005)
    assert (found.hours, found.missing_hours, found.wrong_lines) == (8760, 0, 0)
    assert not found.is_typical


def test_months_of_different_years_are_a_typical_year_on_one_nominal_year(tmp_path: Path) -> None:
    years = {month: 1990 + month for month in range(1, 13)}
    found = read_weather_file(write(tmp_path, HEADER + epw_hours(date(2019, 1, 1), 365, years)))
    assert found.is_typical
    assert found.daily["day"].to_list()[:2] == [date(2001, 1, 1), date(2001, 1, 2)]
    assert found.daily["day"].is_sorted()
    assert found.daily.height == 365


def test_missing_and_damaged_hours_are_counted_and_the_rest_is_kept(tmp_path: Path) -> None:
    hours = epw_hours(date(2019, 1, 1), 10)
    hours[0] = hours[0].replace(",1.04,", ",99.9,")
    hours[30] = "2019,1,2,seven"
    hours[31] = "2019,13,45,8,60,?9,5.0"
    hours[48:60] = [line.rsplit(",", 4)[0] + ",999,1,80,99000" for line in hours[48:60]]
    found = read_weather_file(write(tmp_path, HEADER + hours))
    assert found.hours == 240
    assert found.missing_hours == 1
    assert found.wrong_lines == 14
    assert found.short_days == 1
    assert found.daily.height == 9
    assert found.remarks[0] == "place.epw, line 39: the dry bulb cannot be read."
    assert found.remarks[1] == "place.epw, line 40: the date cannot be read."


def test_a_tmy3_file_is_read_by_its_column_names(tmp_path: Path) -> None:
    lines = [
        '700000,"HALLOWMERE",XX,0.0,54.500,-2.000,50',
        "Date (MM/DD/YYYY),Time (HH:MM),ETR (W/m^2),Dry-bulb (C),Dry-bulb source",
    ]
    for n in range(3):
        day = date(1995, 1, 1) + timedelta(n)
        lines += [f"{day:%m/%d/%Y},{hour:02d}:00,0,{n}.5,A" for hour in range(1, 25)]
    lines[5] = lines[5].replace(",0.5,", ",-9900,")
    found = read_weather_file(write(tmp_path, lines, "700000TYA.csv"))
    assert found.place == "HALLOWMERE"
    assert found.daily.rows() == [
        (date(1995, 1, 1), 0.5),
        (date(1995, 1, 2), 1.5),
        (date(1995, 1, 3), 2.5),
    ]
    assert found.missing_hours == 1


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (["time;temperature", "1;2"], "neither an EPW nor a TMY3"),
        ([""], "neither an EPW nor a TMY3"),
        (HEADER, "no day with at least 18 hours"),
        ([*HEADER, "\x00\x01,rubbish"], "1 of 1 lines cannot be read"),
        (["x", "Time (HH:MM),Dry-bulb (C)", "1:00,2"], "no column 'Date (MM/DD/YYYY)'"),
    ],
)
def test_what_is_no_weather_file_is_told_in_a_sentence(
    tmp_path: Path, lines: list[str], said: str
) -> None:
    with pytest.raises(WeatherFileError, match=r"place\.epw") as caught:
        read_weather_file(write(tmp_path, lines))
    assert said in str(caught.value)


def test_a_file_that_is_not_there_is_told_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(WeatherFileError, match=r"gone\.epw cannot be read"):
        read_weather_file(tmp_path / "gone.epw")
