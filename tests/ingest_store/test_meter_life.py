"""Corrections that replace a span, clocks that are known to be wrong, two meters at once."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from ingest.inbox import ImportReport, import_file
from ingest.profile import Profile
from monitor.errors import DescriptionError
from monitor.models import record_from_data
from monitor.store.connection import Store, open_store
from monitor.store.readings import load_readings, quarantined
from monitor.store.sites import load_site, save_site, stored_channels
from tests.monitor.homes import home

BEGIN = datetime(2024, 1, 1, tzinfo=UTC)
NOW = datetime(2024, 12, 31, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "homes.duckdb", create=True) as opened:
        save_site(opened, home({"role": "heat_total"}), NOW)
        yield opened


def profile(**more: Any) -> Profile:
    column = {"column": "heat", "role": "heat_total", "kind": "register", "unit": "kWh"}
    layout = {"time": "time"} | more.pop("delimited", {})
    data = {"name": "logger", "format": "delimited", "delimited": layout, "column": [column]}
    return record_from_data(Profile, data | more, where="a test", what="profile")


def stamp(hours: float) -> str:
    return f"{BEGIN + timedelta(hours=hours):%Y-%m-%dT%H:%M:%SZ}"


def bring(store: Store, folder: Path, rows: list[tuple[float, float]], **more: Any) -> ImportReport:
    path = folder / f"{len(list(folder.glob('*.csv')))}.csv"
    path.write_text("\n".join(["time,heat", *(f"{stamp(h)},{v}" for h, v in rows)]) + "\n")
    return import_file(store, "mill-lane-1", path, profile(**more), now=NOW)


def kept(store: Store) -> list[tuple[float, float]]:
    site = load_site(store, "mill-lane-1")
    frame = load_readings(store, [s.channel_id for s in stored_channels(store, site)])
    return [
        ((t - BEGIN).total_seconds() / 3600, value)
        for t, value in frame.select("t_utc", "value").rows()
    ]


def test_a_correction_of_a_span_replaces_all_that_was_said_in_it(
    store: Store, tmp_path: Path
) -> None:
    bring(store, tmp_path, [(h, 100.0 + h) for h in range(10)])
    report = bring(store, tmp_path, [(2, 202.0), (5, 105.0), (7, 207.0)], correction="span")
    assert (report.counts.accepted, report.counts.duplicates) == (2, 1)
    assert kept(store) == [
        (0, 100.0), (1, 101.0), (2, 202.0), (5, 105.0), (7, 207.0), (8, 108.0), (9, 109.0),
    ]  # fmt: skip
    # Nothing is deleted: what no longer counts is listed with the reason.
    replaced = quarantined(store).filter(pl.col("reason").str.contains("replaced the span"))
    assert replaced.height == 3


def test_a_plain_correction_leaves_what_it_does_not_repeat(store: Store, tmp_path: Path) -> None:
    bring(store, tmp_path, [(h, 100.0 + h) for h in range(10)])
    bring(store, tmp_path, [(2, 202.0), (7, 207.0)], correction=True)
    assert len(kept(store)) == 10


def test_a_span_that_was_replaced_can_be_replaced_again(store: Store, tmp_path: Path) -> None:
    bring(store, tmp_path, [(h, 100.0 + h) for h in range(6)])
    bring(store, tmp_path, [(1, 101.0), (4, 104.0)], correction="span")
    assert [h for h, _ in kept(store)] == [0, 1, 4, 5]
    bring(store, tmp_path, [(1, 101.0), (2, 102.0), (4, 104.0)], correction="span")
    assert kept(store) == [(0, 100.0), (1, 101.0), (2, 102.0), (4, 104.0), (5, 105.0)]


def test_a_clock_that_is_an_hour_ahead_is_set_right_and_said(store: Store, tmp_path: Path) -> None:
    report = bring(store, tmp_path, [(1, 100.0), (2, 101.0)], clock={"ahead": "PT1H"})
    assert kept(store) == [(0, 100.0), (1, 101.0)]
    assert any("3600 s ahead" in note for note in report.notes)


def test_a_clock_that_drifts_is_set_right_by_what_it_has_gained(
    store: Store, tmp_path: Path
) -> None:
    clock = {"ahead": "PT60S", "gains_s_per_day": 2.0, "at": "2024-01-02T00:00:00Z"}
    bring(store, tmp_path, [(24, 100.0), (264, 200.0)], clock=clock)
    (first, _), (last, _) = kept(store)
    assert first * 3600 == pytest.approx(24 * 3600 - 60.0, abs=0.01)
    # Ten days on it is 60 s and 20 s ahead.
    assert last * 3600 == pytest.approx(264 * 3600 - 80.0, abs=0.05)


def test_a_drift_needs_the_time_at_which_it_was_seen() -> None:
    with pytest.raises(DescriptionError, match="needs 'at'"):
        profile(clock={"gains_s_per_day": 2.0})


def test_readings_of_two_meters_at_once_need_their_serial(store: Store, tmp_path: Path) -> None:
    channel = [{"role": "heat_total", "kind": "register"}]
    old = {
        "serial": "OLD", "measures": "heat", "fitted": BEGIN,
        "removed": BEGIN + timedelta(hours=8), "channel": channel,
    }  # fmt: skip
    new = {
        "serial": "NEW", "measures": "heat", "fitted": BEGIN + timedelta(hours=4),
        "counts_from": BEGIN + timedelta(hours=6), "channel": channel,
    }  # fmt: skip
    save_site(store, home(meters=[old, new]), NOW)
    report = bring(store, tmp_path, [(h, 100.0 + h) for h in range(12)])
    assert (report.counts.accepted, report.counts.quarantined) == (8, 4)
    (reason,) = quarantined(store)["reason"].unique().to_list()
    assert "two meters of heat_total are fitted" in reason
    path = tmp_path / "both.txt"
    rows = [f"{stamp(h)},{v},{m}" for m, v in (("OLD", 104.0), ("NEW", 4.0)) for h in range(4, 8)]
    path.write_text("\n".join(["time,heat,meter", *rows]) + "\n")
    named = profile(delimited={"serial": "meter"})
    both = import_file(store, "mill-lane-1", path, named, now=NOW)
    assert both.counts.accepted == 8
