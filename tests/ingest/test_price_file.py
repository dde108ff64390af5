"""Files of changing prices: what is read, what is set aside, and what stays without a price."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from ingest.errors import Terminal
from ingest.price_file import PriceLayout, read_price_file
from monitor.store.prices import PriceBatch


def write(folder: Path, text: str | list[str]) -> Path:
    path = folder / "prices.csv"
    path.write_text(text if isinstance(text, str) else "\n".join(text) + "\n", encoding="utf-8")
    return path


def utc(hour: int, minute: int = 0, day: int = 10) -> datetime:
    return datetime(2024, 1, day, hour, minute, tzinfo=UTC)


def told(batch: PriceBatch) -> dict[datetime, float]:
    return dict(batch.prices.select("start_utc", "price_per_kwh").rows())


def test_a_half_hourly_price_holds_for_two_quarters_of_an_hour(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        [
            "time,price",
            "2024-01-10T00:00Z,0.21",
            "2024-01-10T00:30Z,0.25",
            "2024-01-10T01:00Z,-0.01",
        ],
    )
    got = read_price_file(path, "east")
    assert told(got) == {
        utc(0): 0.21,
        utc(0, 15): 0.21,
        utc(0, 30): 0.25,
        utc(0, 45): 0.25,
        utc(1): -0.01,
        utc(1, 15): -0.01,
    }
    assert got.rejects.height == 0
    assert got.notes == (
        "Each price holds for 30 minutes; they lie between -0.0100 and 0.2500 a kWh.",
    )


@pytest.mark.parametrize("minutes", [15, 30, 60])
def test_the_step_is_the_usual_distance_of_the_times(tmp_path: Path, minutes: int) -> None:
    times = [utc(0) + timedelta(minutes=minutes * n) for n in range(10)]
    path = write(tmp_path, ["time,price", *(f"{t:%Y-%m-%d %H:%M},0.2" for t in times)])
    assert read_price_file(path, "east").prices.height == 10 * minutes // 15


def test_a_continental_file_in_local_time_and_money_per_mwh(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        [
            "Zone;Beginn;Preis",
            "A;10.01.2024 00:00;85,50",
            "A;10.01.2024 01:00;-4,00",
            "A;10.01.2024 02:00;79,1",
        ],
    )
    layout = PriceLayout(
        time="Beginn",
        price="Preis",
        zone="Europe/Berlin",
        time_format="%d.%m.%Y %H:%M",
        decimal=",",
        scale=0.001,
    )
    got = told(read_price_file(path, "north", layout))
    assert got[utc(23, day=9)] == 0.0855
    assert got[utc(0, 45)] == -0.004
    assert len(got) == 12


def test_the_hour_that_occurs_twice_in_autumn_has_two_prices(tmp_path: Path) -> None:
    hours = ["00:00", "01:00", "01:00", "02:00"]
    path = write(
        tmp_path, ["time,price", *(f"2024-10-27 {h},0.{n + 1}" for n, h in enumerate(hours))]
    )
    got = told(read_price_file(path, "east", PriceLayout(zone="Europe/London")))
    start = datetime(2024, 10, 26, 23, tzinfo=UTC)
    assert [got[start + timedelta(hours=n)] for n in range(4)] == [0.1, 0.2, 0.3, 0.4]


def test_missing_times_stay_without_a_price_and_are_said(tmp_path: Path) -> None:
    rows = [
        f"2024-01-10 {h:02d}:{m:02d},0.2" for h in range(6) for m in (0, 30) if (h, m) != (2, 30)
    ]
    got = read_price_file(write(tmp_path, ["time,price", *rows]), "east")
    assert utc(2, 30) not in told(got)
    assert utc(2, 45) not in told(got)
    assert got.notes[-1] == (
        "Between the first and the last price 0.50 hours have none, in 1 gap; they stay without "
        "a price."
    )


def test_rows_that_cannot_be_read_are_set_aside_beside_those_that_can(tmp_path: Path) -> None:
    lines = [
        "time,price",
        "2024-01-10 00:00,0.20",
        "2024-01-10 00:30,n/a",
        "someday,0.20",
        "2024-01-10 01:00,0.20",
        "2024-01-10 01:37,0.20",
        "2024-01-10 01:30,",
        "2024-01-10 02:00,inf",
        "2024-01-10 02:30,0.20,0.30",
        "2024-01-10 01:30,0.22",
        "2024-01-10 02:00,0.24",
    ]
    got = read_price_file(write(tmp_path, lines), "east")
    assert got.prices["line"].unique().sort().to_list() == [2, 5, 10, 11]
    assert got.rejects.select("line", "column").rows() == [
        (3, "price"),
        (4, "time"),
        (6, "time"),
        (7, "price"),
        (8, "price"),
        (9, "(whole line)"),
    ]
    reasons = got.rejects["reason"].to_list()
    assert reasons[2] == "a price begins on the quarter of an hour"
    assert reasons[3] == "there is no price in this row"


def test_the_same_row_again_counts_once_and_two_prices_for_one_time_count_not_at_all(
    tmp_path: Path,
) -> None:
    lines = [
        "time,price",
        "2024-01-10 00:00,0.20",
        "2024-01-10 00:00,0.20",
        "2024-01-10 00:30,0.20",
        "2024-01-10 01:00,0.20",
        "2024-01-10 01:00,0.31",
    ]
    got = read_price_file(write(tmp_path, lines), "east")
    assert got.duplicates == 1
    assert utc(1) not in told(got)
    assert got.rejects.select("line", "raw").rows() == [(5, "0.20"), (6, "0.31")]
    assert "more than one price for 2024-01-10 01:00 UTC" in got.rejects["reason"][0]


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (["time,cost", "2024-01-10 00:00,0.2"], "there is no column 'price'"),
        (["a,b", "1,2"], "no header line with the time column 'time'"),
        (["time,price"], "no rows below it"),
        (["time,price", "2024-01-10 00:00,0.2"], "has 1 usable price, too few"),
        (["time,price", "x,y", "x,z"], "has 0 usable prices, too few"),
        (
            ["time,price", *(f"2024-01-{d} 00:00,0.2" for d in range(10, 20))],
            "prices hold for 1440 minutes",
        ),
        (
            [
                "time,price",
                *(f"2024-01-10 {h:02d}:00,0.2" for h in range(6)),
                "2024-01-10 05:15,0.3",
                "2024-01-10 05:30,0.3",
            ],
            "line 8: a price begins at 2024-01-10 05:15 UTC while the one before it, of 60 minutes",
        ),
        (["\x00\x01\x02"], "no header line"),
    ],
)
def test_a_file_that_holds_no_usable_prices_is_told_in_a_sentence(
    tmp_path: Path, lines: list[str], said: str
) -> None:
    with pytest.raises(Terminal, match=r"prices\.csv") as caught:
        read_price_file(write(tmp_path, lines), "east")
    assert said in str(caught.value)


def test_an_empty_file_and_an_unknown_zone_are_told_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(Terminal, match="is empty"):
        read_price_file(write(tmp_path, ""), "east")
    with pytest.raises(Terminal, match="'Atlantis' is not a zone"):
        read_price_file(write(tmp_path, "time,price\n"), "east", PriceLayout(zone="Atlantis"))
    with pytest.raises(Terminal, match="with a scale of 0"):
        read_price_file(write(tmp_path, "time,price\n"), "east", PriceLayout(scale=0.0))


def test_a_stated_step_goes_before_the_usual_distance(tmp_path: Path) -> None:
    # Every second half hour was left out of the export: those have no price.
    path = write(tmp_path, ["time,price", *(f"2024-01-10 {h:02d}:00,0.2" for h in range(5))])
    got = read_price_file(path, "east", PriceLayout(step_min=30))
    assert got.prices.height == 10
    assert "2.00 hours have none, in 4 gaps" in got.notes[-1]
