"""A weather allowance moves the SPF to the reference climate and leaves the measured one alone."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest
from pydantic import ValidationError

from monitor.errors import DescriptionError
from monitor.guarantee.allowance import Allowance, allowance
from monitor.guarantee.basis import basis
from monitor.guarantee.outlook import outlook
from monitor.guarantee.price_steps import PRICE
from monitor.guarantee.settlement import Settlement, make_record, period_of, settle
from monitor.guarantee.standing import StandingWord, standing
from monitor.metrics import climate as weather
from monitor.metrics.plausibility import Kind
from monitor.models import Site
from monitor.rules import DEFAULT_RULES
from monitor.schemas import WEATHER, empty
from tests.monitor.linear_home import FIRST, NORMALS, Home, end_of, frames_of, site_of, spf_of

USUAL = Home()
COLD = replace(USUAL, colder_k=3.0)
CLIMATE = {"monthly_means_c": NORMALS, "origin": "normals of the place"}


def site(promise: float = 3.0, it: Home = COLD, **terms: Any) -> Site:
    """The home with an allowance in its terms."""
    made = site_of(it, promise, climate=CLIMATE)
    agreed = made.terms[0].model_copy(update={"weather_allowance": "reference_climate", **terms})
    return made.model_copy(update={"terms": (agreed,)})


def moved(it: Home, **more: Any) -> Allowance:
    slots, states = frames_of(it)
    base = basis(site(it=it), slots, states, now=end_of(it), **more)
    assert base is not None
    return allowance(base, weather.from_months(NORMALS, "normals of the place"))


def settled(described: Site, it: Home, series: pl.DataFrame | None = None) -> Settlement:
    slots, states = (period_of(described, frame) for frame in frames_of(it))
    prices = empty(PRICE)
    record = make_record(described, slots, states, prices, series, rules=DEFAULT_RULES)
    return settle(record, slots, states, prices, series)


def test_a_cold_year_is_moved_to_what_the_same_home_does_in_a_usual_one() -> None:
    found = moved(COLD)
    assert found.spf == pytest.approx(spf_of(USUAL), abs=0.02)
    assert found.colder_k == pytest.approx(3.0, abs=0.1)
    assert abs(found.spf - spf_of(USUAL)) < 1.96 * found.u_spf
    assert found.factor == pytest.approx(found.heat_factor / found.electricity_factor)
    assert found.u_factor == pytest.approx(
        np.linalg.norm([found.u_parameters, found.u_sensor, found.u_backup, found.u_form])
    )


def test_a_mild_year_is_moved_down() -> None:
    found = moved(replace(USUAL, colder_k=-2.0))
    assert found.factor < 1.0
    assert found.spf == pytest.approx(spf_of(USUAL), abs=0.03)
    assert "2.0 K milder" in found.sentence


def test_a_usual_year_stays_what_it_was() -> None:
    assert moved(USUAL).factor == pytest.approx(1.0, abs=0.003)


def test_a_moved_figure_is_less_certain_than_the_measured_one() -> None:
    slots, states = frames_of(COLD)
    base = basis(site(), slots, states, now=end_of(COLD))
    found = moved(COLD)
    assert found.u_spf / found.spf > base.so_far.u_spf / base.so_far.spf


def test_a_backup_heater_makes_the_move_less_certain() -> None:
    with_backup = moved(replace(COLD, backup_share=0.3))
    assert with_backup.u_backup > 0
    assert moved(COLD).u_backup == pytest.approx(0.0, abs=1e-12)


def test_too_few_whole_days_give_no_allowance_and_say_so() -> None:
    slots, states = frames_of(COLD)
    at = pl.col("slot_start_utc").dt.ordinal_day()
    sparse = states.filter((pl.col("role") != "outdoor_temp") | (at < 120))
    base = basis(site(), slots, sparse, now=end_of(COLD))
    found = allowance(base, weather.from_months(NORMALS, "normals of the place"))
    assert found.spf is None
    assert "of the measured heat lies on days that are known as a whole" in found.sentence


def test_with_an_allowance_the_moved_figure_decides_and_the_measured_one_stands_beside_it() -> None:
    promise = (spf_of(COLD) + spf_of(USUAL)) / 2
    got = settled(site(promise), COLD)
    assert got.decision == "kept"
    assert got.decision_as_measured == "not kept"
    assert got.account.spf == pytest.approx(spf_of(COLD), abs=0.005)
    assert got.allowance.spf == pytest.approx(spf_of(USUAL), abs=0.02)
    assert "as measured" in got.why
    without = settled(site(promise, weather_allowance="none"), COLD)
    assert (without.decision, without.allowance) == ("not kept", None)


def test_a_guard_band_is_that_of_the_moved_figure() -> None:
    got = settled(site(spf_of(USUAL), decision="guarded"), COLD)
    assert got.decision == "undecided"
    assert got.band == pytest.approx(2.0 * got.allowance.u_spf)


def test_an_allowance_that_cannot_be_computed_decides_nothing() -> None:
    blind = replace(COLD)
    described = site(1.5)
    slots, states = (period_of(described, frame) for frame in frames_of(blind))
    states = states.filter(pl.col("role") != "outdoor_temp")
    prices = empty(PRICE)
    record = make_record(described, slots, states, prices, rules=DEFAULT_RULES)
    got = settle(record, slots, states, prices)
    assert got.decision == "undecided"
    assert got.decision_as_measured == "kept"
    assert "cannot be moved to the reference climate" in got.why


def test_the_weather_of_a_settlement_is_sealed_with_it() -> None:
    described = site().model_copy(update={"weather": "valley"})
    days = pl.date_range(FIRST, FIRST.replace(year=FIRST.year + 1), eager=True)
    series = pl.DataFrame(
        {"series": "valley", "day": days, "typical": False, "outdoor_c": 8.0}, schema=WEATHER
    )
    slots, states = (period_of(described, frame) for frame in frames_of(COLD))
    prices = empty(PRICE)
    record = make_record(described, slots, states, prices, series, rules=DEFAULT_RULES)
    warmer = series.with_columns(pl.col("outdoor_c") + 0.1)
    with pytest.raises(DescriptionError, match="hashes differ"):
        settle(record, slots, states, prices, warmer)
    assert settle(record, slots, states, prices, series).allowance.spf is not None


def test_standing_and_settlement_tell_the_same() -> None:
    promise = (spf_of(COLD) + spf_of(USUAL)) / 2
    described = site(promise)
    slots, states = frames_of(COLD)
    found = moved(COLD)
    got = standing(
        described,
        slots,
        states,
        newest_reading=end_of(COLD),
        now=end_of(COLD),
        rules=DEFAULT_RULES,
        granted=found,
    )
    final = settled(described, COLD)
    assert got.settlement == final.decision == "kept"
    assert got.allowance.spf == pytest.approx(final.allowance.spf, rel=1e-12)
    assert got.probability == pytest.approx(final.probability, rel=1e-12)
    assert got.probability_as_measured < 0.5 < got.probability
    assert got.word is not StandingWord.OFF_COURSE
    assert "in the reference climate" in got.why


def test_an_outlook_tells_the_probability_of_the_figure_that_decides() -> None:
    # From July to the end of January: the cold is behind, the end is open.
    it = replace(COLD, days=215)
    slots, states = frames_of(it)
    promise = (spf_of(COLD) + spf_of(USUAL)) / 2
    described = site(promise, it)
    base = basis(described, slots, states, now=end_of(it))
    climate = weather.from_months(NORMALS, "normals of the place")
    granted = allowance(base, climate)
    found = outlook(base, climate=climate, granted=granted)
    assert found.allowed.median > found.median
    assert found.deciding_probability == found.allowed.probability > found.probability
    plain = outlook(base, climate=climate)
    assert plain.allowed is None
    assert plain.median == found.median


def test_an_allowance_without_a_reference_climate_is_refused_when_the_terms_are_entered() -> None:
    made = site_of(COLD, 3.0).model_dump(exclude_unset=True)
    made["terms"][0]["weather_allowance"] = "reference_climate"
    with pytest.raises(ValidationError, match="need the reference climate"):
        Site.model_validate(made)


def test_a_promise_kept_by_a_cold_house_is_settled_with_that_doubt() -> None:
    cold_rooms = replace(USUAL, room_c=16.0)
    got = settled(site_of(cold_rooms, 2.0), cold_rooms)
    assert got.decision == "kept"
    (doubt,) = [d for d in got.doubts if d.kind is Kind.ROOM]
    assert "left cold" in doubt.caution
    assert not [d for d in settled(site_of(USUAL, 2.0), USUAL).doubts if d.kind is Kind.ROOM]
