"""Two meters on clocks that differ are told from each other by what they count."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.guarantee.basis import basis
from monitor.metrics.lag import clock_lag
from monitor.metrics.plausibility import Kind, plausibility
from tests.monitor.homes import home
from tests.monitor.linear_home import BEGIN, Home, end_of, frames_of, site_of

IT = Home(days=200)


def later(slots: pl.DataFrame, hours: int | pl.Expr) -> pl.DataFrame:
    """Slots whose heat is stamped so many hours later."""
    is_heat = pl.col("role").str.starts_with("heat_")
    shift = pl.when(is_heat).then(pl.duration(hours=hours)).otherwise(pl.duration(hours=0))
    times = ("slot_start_utc", "block_start_utc", "block_end_utc")
    return slots.with_columns(pl.col(time) + shift for time in times)


@pytest.mark.parametrize("hours", [-3, -1, 1, 2, 5])
def test_a_clock_that_is_hours_off_is_found(hours: int) -> None:
    slots, _ = frames_of(IT)
    found = clock_lag(site_of(IT, 3.0), later(slots, hours))
    assert found is not None
    assert found.hours == pytest.approx(hours, abs=0.1)
    assert found.is_doubtful


def test_clocks_that_agree_are_no_doubt() -> None:
    slots, _ = frames_of(IT)
    found = clock_lag(site_of(IT, 3.0), slots)
    assert found is not None
    assert found.hours == pytest.approx(0.0, abs=0.1)
    assert not found.is_doubtful


def test_half_an_hour_is_told_to_a_tenth() -> None:
    slots, _ = frames_of(IT)
    whole, half = slots, later(slots, 1)
    keys = ["role", "slot_start_utc"]
    both = whole.join(half.select(*keys, "kwh"), on=keys, suffix="_late")
    mixed = both.with_columns(
        pl.when(pl.col("role").str.starts_with("heat_"))
        .then((pl.col("kwh") + pl.col("kwh_late")) / 2)
        .otherwise(pl.col("kwh"))
        .alias("kwh")
    ).select(slots.columns)
    found = clock_lag(site_of(IT, 3.0), mixed)
    assert found is not None
    assert found.hours == pytest.approx(0.5, abs=0.1)


def test_a_clock_that_drifts_shows_by_the_quarter() -> None:
    it = Home(days=364)
    slots, _ = frames_of(it)
    day = (pl.col("slot_start_utc") - pl.col("slot_start_utc").min()).dt.total_days()
    found = clock_lag(site_of(it, 3.0), later(slots, (day // 91)))
    assert found is not None
    assert found.by_quarter == pytest.approx((0.0, 1.0, 2.0, 3.0), abs=0.15)


@settings(max_examples=10, deadline=None)
@given(st.integers(-4, 4), st.floats(0.0, 0.4))
def test_holes_do_not_hide_a_lag(hours: int, share: float) -> None:
    slots, _ = frames_of(IT)
    rng = np.random.default_rng(7)
    kept = later(slots, hours).filter(pl.Series(rng.random(slots.height) >= share))
    found = clock_lag(site_of(IT, 3.0), kept)
    assert found is not None
    assert found.hours == pytest.approx(hours, abs=0.2)


def test_a_month_of_hours_or_one_meter_alone_tells_nothing() -> None:
    slots, _ = frames_of(IT)
    site = site_of(IT, 3.0)
    assert clock_lag(site, slots.filter(pl.col("slot_start_utc") < BEGIN + timedelta(20))) is None
    assert clock_lag(site, slots.filter(pl.col("role") == "heat_total")) is None
    assert clock_lag(home({"role": "heat_total"}), slots) is None


def test_a_lag_is_a_doubt_beside_the_account() -> None:
    slots, states = frames_of(IT)
    site = site_of(IT, 3.0)
    base = basis(site, later(slots, 1), states, now=end_of(IT))
    assert base is not None
    found = plausibility(site, base.slots, base.states, base.days, base.so_far)
    (doubt,) = [d for d in found.doubts if d.kind is Kind.CLOCKS]
    assert "1.0 h after" in doubt.sentence
    assert doubt.spf_if_corrected is None
