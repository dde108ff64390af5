"""What the home does otherwise than the promise took for granted."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from monitor.findings.doubts import doubted
from monitor.findings.finding import Seen
from monitor.findings.promise import (
    comfort_above_terms,
    heat_loss_above_design,
    stated_loss_kw_k,
    weather_not_system,
)
from monitor.guarantee.causes import Cause
from monitor.guarantee.standing import StandingWord
from tests.monitor.findings.unit_home import seen_of
from tests.monitor.linear_home import Home, energies, site_of, spf_of

SOUND = Home()
PROMISE = spf_of(SOUND)
WARM = Home(room_c=23.5)


def test_rooms_well_above_the_terms_are_told_with_what_they_cost() -> None:
    (found,) = comfort_above_terms(seen_of(WARM, PROMISE, expects={"room_c": 20.5}))
    assert found.kind == "comfort-above-terms"
    assert "23.5 degC" in found.what
    assert found.effect is not None
    # More heat at the same flow leaves the SPF about as it is; only a raised curve takes from it.
    assert abs(found.effect.spf) < 0.03
    assert found.effect.low < -0.1 < 0.1 < found.effect.high
    # By hand: days below 10 degC are at about 6 degC, and 6 K of the room's 23.5 are free heat,
    # which leaves 11.5 K to the heating, 3 of them above the terms. Every day of a usual year is
    # below the 17.5 degC that are left, and has as much.
    e = energies(WARM)
    cold = e["outdoor_temp"] < 10.0
    rooms = float((e["used"] * e["space"] / e["heat"])[cold].mean())
    assert found.effect.kwh_year == pytest.approx(365.0 * rooms * 3.0 / 11.5, rel=0.05)
    assert found.plainly is not None
    assert "fine if you want" in found.plainly


@pytest.mark.parametrize("room_c", [20.5, 21.2])
def test_rooms_as_agreed_are_no_finding(room_c: float) -> None:
    home = Home(room_c=room_c)
    assert comfort_above_terms(seen_of(home, PROMISE, expects={"room_c": 20.5})) == []


def test_a_warm_house_is_nobodys_business_where_the_terms_state_no_room_temperature() -> None:
    assert comfort_above_terms(seen_of(WARM, PROMISE)) == []


def test_a_house_that_loses_half_more_than_designed_is_found() -> None:
    (found,) = heat_loss_above_design(seen_of(Home(slope=7.5), PROMISE, assess=True))
    told = {f.name: f.value for f in found.figures}
    # The site file states 5 kW at 24 K: 208 W/K. The home loses 7.5 kWh/(K d): 312 W/K.
    assert told["stated"] == pytest.approx(208.3, abs=0.1)
    assert told["loss for each kelvin"] == pytest.approx(312.5, rel=0.03)
    assert told["ratio, lower end"] > 1.1
    assert found.effect is not None
    assert found.effect.low < found.effect.spf < found.effect.high
    assert "room is not recorded" in found.what


@pytest.mark.parametrize("home", [SOUND, Home(slope=4.0), Home(slope=5.5, water_kwh=16.0)])
def test_a_house_as_designed_is_left_alone_however_much_hot_water_it_draws(home: Home) -> None:
    assert heat_loss_above_design(seen_of(home, PROMISE, assess=True)) == []


def test_a_house_that_is_kept_warmer_as_it_gets_colder_is_judged_by_its_rooms() -> None:
    # The room rises by half a kelvin for each kelvin colder: the slope on the weather is
    # half more than the loss.
    plain = seen_of(Home(slope=7.5, room_c=20.0), PROMISE, assess=True)
    outdoor = plain.days.select("day", "outdoor_c")
    day = pl.col("slot_start_utc").dt.date().alias("day")
    states = (
        plain.states.with_columns(day)
        .join(outdoor, on="day", how="left", maintain_order="left")
        .with_columns(
            pl.when(pl.col("role") == "room_temp")
            .then(pl.col("mean") + 0.5 * (15.0 - pl.col("outdoor_c")))
            .otherwise("mean")
            .alias("mean")
        )
        .select(plain.states.columns)
    )
    assert heat_loss_above_design(plain) != []
    assert heat_loss_above_design(replace(plain, states=states)) == []


def test_the_stated_loss_is_that_of_the_design_temperature() -> None:
    assert stated_loss_kw_k(site_of(SOUND, PROMISE)) == pytest.approx(5.0 / 24.0)


def test_a_gap_that_the_cold_makes_is_the_weathers_and_not_the_systems() -> None:
    cold = Home(colder_k=4.0)
    (found,) = weather_not_system(seen_of(cold, PROMISE, assess=True))
    assert found.explains is Cause.WEATHER
    assert "no weather allowance" in found.what
    assert found.effect is not None
    assert found.effect.low > 0


def test_a_cold_year_is_no_finding_where_the_promise_was_kept_or_something_else_is_wrong() -> None:
    cold = Home(colder_k=4.0)
    assert weather_not_system(seen_of(cold, spf_of(cold) - 0.3, assess=True)) == []
    hot = Home(colder_k=2.0, flow_above_k=12.0)
    assert weather_not_system(seen_of(hot, PROMISE, assess=True)) == []
    assert weather_not_system(seen_of(SOUND, PROMISE + 0.4, assess=True)) == []


def cold_rooms(word: StandingWord) -> str:
    seen: Seen = seen_of(Home(room_c=16.5), PROMISE, assess=True)
    seen = replace(seen, standing=seen.standing.model_copy(update={"word": word}))
    seen = replace(seen, standing=seen.standing.model_copy(update={"settlement": None}))
    (found,) = [f for f in doubted(seen) if f.kind == "room_temperature"]
    return f"{found.title}. {found.what}"


def test_a_promise_that_is_kept_by_a_cold_house_says_so() -> None:
    told = cold_rooms(StandingWord.ON_COURSE)
    assert "The promise is kept, but the house is cold" in told
    assert "no success" in told
    assert f"would miss the promised {PROMISE:.2f}" in told


def test_cold_rooms_of_a_promise_off_course_keep_their_plain_title() -> None:
    told = cold_rooms(StandingWord.OFF_COURSE)
    assert "Rooms are colder than was asked for" in told
    assert "no success" not in told
