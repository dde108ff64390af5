"""Hours that do not count count nowhere: not in the outlook, and not against a cause."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from monitor.guarantee.basis import basis
from monitor.guarantee.causes import Cause
from monitor.guarantee.outlook import outlook
from monitor.guarantee.shortfall import shortfall
from monitor.metrics import climate as weather
from tests.monitor.linear_home import BEGIN, NORMALS, Home, end_of, frames_of, site_of, spf_of

SOUND = Home()
PROMISE = spf_of(SOUND)
CLIMATE = weather.from_months(NORMALS, "normals of the place")

#: January and February, in which a heater was left on by the builders.
SPAN = (BEGIN + timedelta(days=184), BEGIN + timedelta(days=243))


def spoilt(it: Home) -> pl.DataFrame:
    """Slots with twice the electricity inside the span."""
    slots, _ = frames_of(it)
    inside = (pl.col("slot_start_utc") >= SPAN[0]) & (pl.col("slot_start_utc") < SPAN[1])
    twice = pl.when(inside & (pl.col("role") == "elec_total")).then(2.0).otherwise(1.0)
    return slots.with_columns(pl.col("kwh") * twice, pl.col("block_kwh") * twice)


def test_an_outlook_neither_counts_nor_fills_what_is_excluded() -> None:
    it = replace(SOUND, days=300)
    site, (_, states) = site_of(it, PROMISE), frames_of(it)
    now = end_of(it)
    base = basis(site, spoilt(it), states, now=now, excluded=[SPAN])
    found = outlook(base, climate=CLIMATE)
    counted = outlook(basis(site, spoilt(it), states, now=now), climate=CLIMATE)
    sound, _ = frames_of(it)
    clean = outlook(basis(site, sound, states, now=now, excluded=[SPAN]), climate=CLIMATE)
    assert counted.median < found.median - 0.2
    # What happened inside the span makes no difference at all.
    assert found == clean
    assert found.filled_heat_kwh is None
    assert found.measured_heat_kwh == pytest.approx(base.so_far.heat_kwh)


def test_an_exclusion_agreed_for_days_to_come_is_not_forecast() -> None:
    it = replace(SOUND, days=200)
    site, (slots, states) = site_of(it, PROMISE), frames_of(it)
    ahead = end_of(it), end_of(it) + timedelta(days=40)
    whole = outlook(basis(site, slots, states, now=end_of(it)), climate=CLIMATE)
    less = outlook(basis(site, slots, states, now=end_of(it), excluded=[ahead]), climate=CLIMATE)
    assert less.coming_heat_kwh.median < 0.8 * whole.coming_heat_kwh.median


def test_excluded_hours_blame_no_cause() -> None:
    site, (_, states) = site_of(SOUND, PROMISE), frames_of(SOUND)
    now = end_of(SOUND)
    base = basis(site, spoilt(SOUND), states, now=now, excluded=[SPAN])
    found = shortfall(base, climate=CLIMATE)
    counted = shortfall(basis(site, spoilt(SOUND), states, now=now), climate=CLIMATE)
    assert counted.gap_spf > 0.2
    assert abs(found.gap_spf) < 0.15
    assert found.days == 366 - 59
    for share in found.shares:
        if share.spf is not None and share.cause not in {Cause.SEASON, Cause.DESIGN}:
            assert abs(share.spf) < 0.08, share
    assert sum(s.spf or 0.0 for s in found.shares) == pytest.approx(found.gap_spf, abs=1e-9)


def test_days_that_an_exclusion_touches_teach_the_model_nothing() -> None:
    site, (slots, states) = site_of(SOUND, PROMISE), frames_of(SOUND)
    # From noon to noon: both days are cut.
    span = SPAN[0] + timedelta(hours=12), SPAN[0] + timedelta(hours=36)
    days = basis(site, slots, states, now=end_of(SOUND), excluded=[span]).days
    cut = days.filter(~pl.col("complete"))["day"].to_list()
    assert cut == [SPAN[0].date(), SPAN[0].date() + timedelta(1)]
    assert np.all(days.filter(pl.col("complete"))["hours_placed"].to_numpy() == 24)
