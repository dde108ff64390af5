"""A figure that cannot be true, or that a cold household pays for, is doubted aloud."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from monitor.metrics.account import account, heat_meter_use
from monitor.metrics.boundary import promised_recipe
from monitor.metrics.daily import day_frame
from monitor.metrics.performance import pair
from monitor.metrics.plausibility import (
    Doubt,
    Kind,
    Plausibility,
    degree_days,
    expected_heat,
    plausibility,
)
from monitor.models import Site
from tests.monitor.linear_home import Home, end_of, frames_of, outdoor_of, site_of

# Its 5 kW of heat loss over 24 K are 5 kWh a day and kelvin, as its days have it.
SOUND = Home(with_water_sensors=True, room_c=20.5)


def checked(it: Home, *, site: Site | None = None, **more: Any) -> Plausibility:
    site = site or site_of(it, 3.0)
    slots, states = frames_of(it)
    terms = site.current_terms
    assert terms is not None
    recipe = promised_recipe(site, terms)
    use = heat_meter_use(site, slots, states)
    so_far = account(site, recipe, pair(slots, recipe), use, terms.start, terms.end, end_of(it))
    days = day_frame(site, recipe, slots, states)
    return plausibility(site, slots, states, days, so_far, **more)


def doubt(found: Plausibility, kind: Kind) -> Doubt:
    return next(d for d in found.doubts if d.kind is kind)


def figure(of: Doubt, name: str) -> float:
    return next(f.value for f in of.figures if f.name == name)


def test_a_sound_and_warm_home_gives_no_doubt() -> None:
    found = checked(SOUND)
    assert found.doubts == ()
    assert len(found.in_order) == 5
    assert found.not_measurable == ()
    assert all(text.endswith("no doubt.") for text in found.in_order)


def test_expected_heat_is_loss_per_kelvin_times_degree_days_and_hot_water() -> None:
    site = site_of(SOUND, 3.0)
    outdoor = np.array([5.5, 10.5, 20.0])
    # 5 kW / 24 K x 24 h = 5 kWh a degree day; 10 + 5 + 0 degree days; 3 days x 7 kWh.
    assert degree_days(outdoor) == pytest.approx(15.0)
    assert expected_heat(site, outdoor) == pytest.approx(5.0 * 15.0 + 21.0)
    assert expected_heat(site.model_copy(update={"heat_loss_kw": None}), outdoor) is None


def test_a_house_that_takes_far_less_heat_than_its_loss_is_doubted_and_asked_about_cold() -> None:
    found = doubt(checked(replace(SOUND, slope=1.6)), Kind.HOUSE)
    assert figure(found, "ratio") < 0.55
    assert figure(found, "ratio, upper end") < 1.0
    assert found.caution is not None
    assert "warm" in found.caution
    assert found.spf_if_corrected == pytest.approx((found.spf_now or 0) / figure(found, "ratio"))


def test_heat_that_no_such_house_can_lose_is_doubted_without_a_caution() -> None:
    found = doubt(checked(replace(SOUND, heat_shown=2.4)), Kind.HOUSE)
    assert figure(found, "ratio, lower end") > 1.0
    assert found.caution is None
    assert (found.spf_if_corrected or 0) < (found.spf_now or 0)


def test_the_ratio_is_unsure_enough_for_a_heat_loss_that_strays_by_a_third() -> None:
    for slope in (3.4, 6.7):
        found = checked(replace(SOUND, slope=slope))
        assert [d.kind for d in found.doubts if d.kind is Kind.HOUSE] == []


def test_without_a_heat_loss_or_with_too_few_degree_days_nothing_is_compared() -> None:
    silent = checked(SOUND, site=site_of(SOUND, 3.0).model_copy(update={"heat_loss_kw": None}))
    assert any("no design heat loss" in text for text in silent.not_measurable)
    summer = checked(replace(SOUND, days=60))
    assert any("degree days are too few" in text for text in summer.not_measurable)


def test_a_cold_household_is_seen_and_comes_with_a_caution() -> None:
    found = doubt(checked(replace(SOUND, room_c=16.5)), Kind.ROOM)
    assert figure(found, "room temperature") == pytest.approx(16.5)
    assert figure(found, "days below 18 degC") == pytest.approx(1.0)
    assert found.caution is not None
    assert "cold" in found.caution
    assert (found.spf_if_corrected or 0) < (found.spf_now or 0)


def test_a_room_below_what_was_asked_for_is_doubted_even_if_it_is_not_unhealthy() -> None:
    it = replace(SOUND, room_c=19.0)
    assert not any(d.kind is Kind.ROOM for d in checked(it).doubts)
    assert any(d.kind is Kind.ROOM for d in checked(it, asked_room_c=21.5).doubts)


def test_without_room_sensors_nobody_claims_that_the_household_is_warm() -> None:
    found = checked(replace(SOUND, room_c=None))
    assert any("whether the household is warm" in text for text in found.not_measurable)
    assert not any("room" in text for text in found.in_order)


@pytest.mark.parametrize(("shown", "word"), [(0.85, "low"), (1.2, "high")])
def test_a_heat_meter_that_disagrees_with_its_water_is_doubted(shown: float, word: str) -> None:
    found = checked(replace(SOUND, heat_shown=shown))
    check = found.heat_check
    assert check is not None
    assert check.is_doubtful
    assert check.true_share == pytest.approx(1.0 / shown, rel=0.01)
    about = doubt(found, Kind.WATER)
    assert f"may read {word}" in about.sentence
    assert about.spf_if_corrected == pytest.approx((about.spf_now or 0) * check.true_share)


def test_sensors_that_differ_at_standstill_are_set_right_before_they_judge_the_meter() -> None:
    site = site_of(SOUND, 3.0)
    slots, states = frames_of(SOUND)
    off = states.with_columns(
        pl.when(pl.col("role") == "return_temp")
        .then(pl.col("mean") + 0.4)
        .otherwise("mean")
        .alias("mean")
    )
    terms = site.current_terms
    assert terms is not None
    recipe = promised_recipe(site, terms)
    use = heat_meter_use(site, slots, off)
    so_far = account(site, recipe, pair(slots, recipe), use, terms.start, terms.end, end_of(SOUND))
    found = plausibility(site, slots, off, day_frame(site, recipe, slots, off), so_far)
    assert found.heat_check is not None
    assert found.heat_check.true_share == pytest.approx(1.0, abs=0.015)


@pytest.mark.parametrize(("calibrated_for", "share"), [("water", 1.0), ("mixture", 0.97)])
def test_antifreeze_counts_only_against_a_meter_that_knows_of_it(
    calibrated_for: str, share: float
) -> None:
    # 20 % propylene glycol holds 2.5 to 3 % less heat than water (CoolProp).
    site = site_of(SOUND, 3.0)
    data = site.model_dump(mode="json")
    data["heat_pump"]["antifreeze"] = {"fluid": "propylene_glycol", "mass_fraction": 0.2}
    for fit in data["meter"]:
        if fit["measures"] == "heat":
            fit["calibrated_for"] = calibrated_for
    found = checked(SOUND, site=Site.model_validate(data))
    assert found.heat_check is not None
    assert found.heat_check.true_share == pytest.approx(share, abs=0.012)


def test_without_flow_and_return_the_heat_meter_is_not_checked() -> None:
    found = checked(replace(SOUND, with_water_sensors=False))
    assert found.heat_check is None
    assert any("heat meter is not checked" in text for text in found.not_measurable)


def test_a_cop_beyond_what_units_reach_is_doubted() -> None:
    found = doubt(checked(replace(SOUND, more=-0.55)), Kind.CARNOT)
    share = figure(found, "share of the Carnot COP")
    assert share > 0.6
    assert found.spf_if_corrected == pytest.approx((found.spf_now or 0) * 0.6 / share)


def test_a_cop_beyond_the_carnot_bound_is_called_impossible_and_its_days_counted() -> None:
    found = doubt(checked(replace(SOUND, heat_shown=5.0)), Kind.CARNOT)
    assert figure(found, "days beyond the bound") > 300
    assert "no heat pump reaches that" in found.sentence


def test_a_cop_that_is_too_poor_for_any_unit_sends_one_to_the_meter_too() -> None:
    found = doubt(checked(replace(SOUND, heat_shown=0.3)), Kind.CARNOT)
    assert figure(found, "share of the Carnot COP") < 0.2
    assert "heat meter" in found.sentence


def test_without_a_flow_sensor_the_carnot_bound_is_not_asked() -> None:
    found = checked(replace(SOUND, with_flow=False, with_water_sensors=False))
    assert any("Carnot" in text for text in found.not_measurable)


def test_only_the_window_of_the_account_is_looked_at() -> None:
    # The first hundred days were cold inside; the period begins after them.
    site = site_of(SOUND, 3.0)
    terms = site.terms[0].model_copy(update={"start": site.terms[0].start.replace(month=11)})
    site = site.model_copy(update={"terms": (terms,)})
    slots, states = frames_of(SOUND)
    start = site.midnight(terms.start)
    cold = states.with_columns(
        pl.when((pl.col("role") == "room_temp") & (pl.col("slot_start_utc") < start))
        .then(12.0)
        .otherwise("mean")
        .alias("mean")
    )
    recipe = promised_recipe(site, terms)
    use = heat_meter_use(site, slots, cold)
    so_far = account(site, recipe, pair(slots, recipe), use, terms.start, terms.end, end_of(SOUND))
    found = plausibility(site, slots, cold, day_frame(site, recipe, slots, cold), so_far)
    assert not any(d.kind is Kind.ROOM for d in found.doubts)


def test_the_weather_of_the_home_of_these_tests_has_a_winter() -> None:
    assert degree_days(outdoor_of(SOUND)) > 1500
