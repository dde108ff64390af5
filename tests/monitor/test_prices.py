"""Series of prices in the store: every row of a file is accounted for, none is overwritten."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from monitor.guarantee.money import money
from monitor.metrics.boundary import recipe
from monitor.metrics.performance import pair
from monitor.models import Boundary
from monitor.schemas import REJECT
from monitor.store.changes import pending
from monitor.store.connection import Store, open_store
from monitor.store.prices import (
    STAGED_PRICE,
    PriceBatch,
    PriceCounts,
    load_prices,
    price_quarantine,
    price_series,
    record_prices,
)
from monitor.store.sites import save_site
from tests.monitor.homes import at, home, readings, slots_of

NOW = datetime(2024, 6, 1, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "homes.duckdb", create=True) as opened:
        yield opened


def take(
    store: Store,
    prices: list[float],
    *,
    start: float = 0.0,
    minutes: int = 30,
    series: str = "east",
    correction: bool = False,
    duplicates: int = 0,
    rejects: int = 0,
) -> PriceCounts:
    """Import prices that hold for some minutes each; lines are numbered from 2."""
    staged = [
        (line, at(start) + timedelta(minutes=minutes * n + quarter), price)
        for n, (line, price) in enumerate(enumerate(prices, start=2))
        for quarter in range(0, minutes, 15)
    ]
    refused = [(900 + n, "price", "n/a", "not a number") for n in range(rejects)]
    batch = PriceBatch(
        series=series,
        file_name="prices.csv",
        content_hash="h",
        correction=correction,
        prices=pl.DataFrame(staged, schema=STAGED_PRICE, orient="row"),
        duplicates=duplicates,
        rejects=pl.DataFrame(refused, schema=REJECT, orient="row"),
        notes=(),
    )
    counts = record_prices(store, batch, NOW)
    assert counts.rows_read == (
        counts.accepted + counts.duplicates + counts.conflicts + counts.rejected
    )
    assert counts.rows_read == len(prices) + duplicates + rejects
    return counts


def on_record(store: Store, series: str = "east") -> list[float]:
    return load_prices(store, [series])["price_per_kwh"].to_list()


def test_prices_come_back_by_quarter_hour(store: Store) -> None:
    take(store, [0.1, 0.2])
    frame = load_prices(store, ["east"])
    assert frame["start_utc"].to_list() == [at(h / 4) for h in range(4)]
    assert frame["price_per_kwh"].to_list() == [0.1, 0.1, 0.2, 0.2]


def test_the_same_prices_again_change_nothing(store: Store) -> None:
    take(store, [0.1, 0.2], duplicates=1, rejects=2)
    again = take(store, [0.1, 0.2, 0.3])
    assert (again.accepted, again.duplicates) == (1, 2)
    assert on_record(store) == [0.1, 0.1, 0.2, 0.2, 0.3, 0.3]


def test_another_price_for_a_time_on_record_is_set_aside_with_both_figures(store: Store) -> None:
    take(store, [0.1, 0.2])
    counts = take(store, [0.1, 0.9, 0.3], rejects=1)
    assert (counts.accepted, counts.duplicates, counts.conflicts, counts.rejected) == (1, 1, 1, 1)
    assert on_record(store) == [0.1, 0.1, 0.2, 0.2, 0.3, 0.3]
    kept = price_quarantine(store, counts.price_import_id)
    assert kept.select("line", "raw").rows() == [(3, "0.9"), (900, "n/a")]
    assert kept["reason"][0] == (
        "at 2024-01-10 00:30 UTC the price on record is 0.2; import the file as a correction if "
        "it is right"
    )


def test_a_correction_holds_from_then_on(store: Store) -> None:
    take(store, [0.1, 0.2])
    counts = take(store, [0.9], start=0.5, correction=True)
    assert (counts.accepted, counts.conflicts) == (1, 0)
    assert on_record(store) == [0.1, 0.1, 0.9, 0.9]
    take(store, [0.2], start=0.5)
    assert on_record(store) == [0.1, 0.1, 0.9, 0.9]
    take(store, [0.2], start=0.5, correction=True)
    assert on_record(store) == [0.1, 0.1, 0.2, 0.2]


def test_an_hourly_price_at_odds_with_one_of_its_quarters_is_set_aside_whole(store: Store) -> None:
    take(store, [0.2], start=0.75, minutes=15)
    counts = take(store, [0.1, 0.3], minutes=60)
    assert (counts.accepted, counts.conflicts) == (1, 1)
    assert on_record(store) == [0.2, 0.3, 0.3, 0.3, 0.3]


def test_an_hourly_price_that_agrees_with_what_is_known_fills_up_the_rest(store: Store) -> None:
    take(store, [0.2], start=0.75, minutes=15)
    counts = take(store, [0.2], minutes=60)
    assert counts.accepted == 1
    assert on_record(store) == [0.2] * 4


def test_series_are_kept_apart_and_listed_with_their_holes(store: Store) -> None:
    take(store, [0.1, 0.2])
    take(store, [0.3], start=2.0)
    take(store, [0.5], series="west")
    assert on_record(store, "west") == [0.5, 0.5]
    assert load_prices(store, []).height == 0
    assert load_prices(store, ["east", "west"]).height == 8
    assert price_series(store).rows() == [
        ("east", at(0), at(2.25), 6, 4),
        ("west", at(0), at(0.25), 2, 0),
    ]


def test_new_prices_mark_the_homes_that_pay_them(store: Store) -> None:
    tariff = {"valid_from": date(2024, 1, 1), "series": "east"}
    save_site(store, home({"role": "heat_total"}, tariff=[tariff]), NOW)
    take(store, [0.1], series="west")
    with store.transaction() as cursor:
        cursor.execute("DELETE FROM changed")
    take(store, [0.2], series="west", start=1.0)
    assert pending(store, "mill-lane-1") is None
    take(store, [0.1, 0.2], start=3.0)
    assert pending(store, "mill-lane-1").since == at(3)


def test_prices_from_the_store_price_the_electricity(store: Store) -> None:
    take(store, [0.1, 0.3] * 24)
    tariff = {"valid_from": date(2024, 1, 1), "series": "east"}
    site = home({"role": "heat_total"}, {"role": "elec_unit"}, tariff=[tariff])
    frame = readings(*([(at(h), 1.0 * h) for h in range(25)] for _ in range(2)))
    blocks = pair(slots_of(site, frame), recipe(site, Boundary.H2))
    prices = load_prices(store, ["east"])
    got = money(site, blocks, date(2024, 1, 10), date(2024, 1, 11), None, prices=prices)
    assert got is not None
    assert got.energy_cost == pytest.approx(24 * 0.2)
    assert got.unpriced_kwh == 0.0
