"""Hours that nobody knows: what they may hide is told by the home's own model."""

from __future__ import annotations

from datetime import timedelta

import polars as pl
import pytest

from monitor.guarantee.basis import Basis, basis
from monitor.metrics.site_weather import site_weather
from tests.monitor.linear_home import BEGIN, NORMALS, Home, end_of, frames_of, site_of, spf_of

IT = Home()
CLIMATE = {"monthly_means_c": NORMALS, "origin": "normals of the place"}
#: Spans of lost electricity, in days from the start: July on.
JANUARY, SUMMER, WINTER = (184, 215), (0, 60), (150, 240)


def seen(*lost: tuple[int, int], without_sensor: bool = False) -> Basis:
    site = site_of(IT, 3.0, climate=CLIMATE)
    slots, states = frames_of(IT)
    for first, end in lost:
        a, b = BEGIN + timedelta(days=first), BEGIN + timedelta(days=end)
        inside = (pl.col("slot_start_utc") >= a) & (pl.col("slot_start_utc") < b)
        slots = slots.filter(~(inside & (pl.col("role") == "elec_total")))
        if without_sensor:
            states = states.filter(~inside)
    found = basis(site, slots, states, now=end_of(IT), given=site_weather(site))
    assert found is not None
    return found


def gap_line(base: Basis) -> tuple[float, str]:
    (line,) = [x for x in base.so_far.budget if x.source == "hours not known"]
    return line.u_spf, line.detail


@pytest.mark.parametrize("lost", [[JANUARY], [SUMMER], [WINTER], [JANUARY, (300, 330)]])
def test_what_a_gap_is_held_to_hide_covers_what_it_hid(lost: list[tuple[int, int]]) -> None:
    base = seen(*lost)
    off = abs(base.so_far.spf - spf_of(IT))
    u, detail = gap_line(base)
    assert 0.5 * off < u < 1.5 * off + 0.03
    assert "by the energy model they hide about" in detail


def test_a_lost_winter_says_that_the_whole_would_be_lower() -> None:
    base = seen(WINTER)
    detail = gap_line(base)[1]
    told = float(detail.rsplit(" ", 1)[1])
    assert told == pytest.approx(spf_of(IT), abs=0.03)
    assert told < base.so_far.spf
    # The estimate stands in the uncertainty, and never in the figure (R9).
    known = (
        base.blocks.heat[base.blocks.known].sum() / base.blocks.electricity[base.blocks.known].sum()
    )
    assert base.so_far.spf == pytest.approx(known)


def test_a_gap_whose_weather_nobody_knows_hides_more() -> None:
    known, unknown = gap_line(seen(JANUARY))[0], gap_line(seen(JANUARY, without_sensor=True))[0]
    assert unknown > 0.8 * known


def test_nothing_missing_hides_nothing() -> None:
    assert gap_line(seen())[0] == 0.0


def test_without_a_model_the_spread_of_days_stands_in() -> None:
    base = seen((8, 366))
    u, detail = gap_line(base)
    assert "by the energy model" not in detail
    assert u > 0
