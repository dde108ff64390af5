"""A heat meter that began to read wrong on a day, and a unit or a household that changed."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from scipy import stats

from monitor.findings.finding import Confidence, Finding, Topic
from monitor.findings.heat_meter import heat_meter_changed
from monitor.findings.registry import findings
from monitor.findings.unit import efficiency_change
from monitor.metrics.heat_check import steady_heat
from monitor.models import Role
from tests.monitor.findings.unit_home import seen_of
from tests.monitor.linear_home import BEGIN, Home, spf_of

SOUND = Home()
WATCHED = Home(with_water_sensors=True)
PROMISE = spf_of(SOUND)
DAYS = np.arange(SOUND.days)

#: In the record from July on: a day of December.
WINTER = 160


def from_winter(times: float) -> np.ndarray:
    return np.where(DAYS >= WINTER, times, 1.0)


def changed(found: Finding) -> float:
    return next(f.value for f in found.figures if f.name == "change of the heat shown")


@pytest.mark.parametrize("home", [SOUND, WATCHED], ids=["by weather", "by water"])
@pytest.mark.parametrize("times", [0.85, 1.15])
def test_a_meter_that_goes_wrong_in_winter_is_found_in_a_fortnight_with_its_day(
    home: Home, times: float
) -> None:
    seen = seen_of(home, PROMISE, days=WINTER + 14, heat_factor=from_winter(times))
    (found,) = heat_meter_changed(seen)
    assert found.topic is Topic.METER
    assert found.since is not None
    assert abs(found.since - (BEGIN + timedelta(days=WINTER))) <= timedelta(days=2)
    assert changed(found) == pytest.approx(times - 1.0, abs=0.02)
    assert found.effect is not None
    assert (found.effect.spf > 0) == (times < 1.0)


def test_the_unit_is_not_blamed_for_what_the_meter_lost() -> None:
    for home in (SOUND, WATCHED):
        seen = seen_of(home, PROMISE, heat_factor=from_winter(0.85))
        kinds = {finding.kind for finding in findings(seen)}
        assert "heat-meter-changed" in kinds
        assert not kinds & {"efficiency-step", "efficiency-drift", "cause:unit"}


def test_a_unit_that_lost_an_eighth_is_the_units_trouble_and_no_meters() -> None:
    seen = seen_of(WATCHED, PROMISE, factor=from_winter(1.0 / 0.88))
    assert heat_meter_changed(seen) == []
    assert [found.kind for found in efficiency_change(seen)] == ["efficiency-step"]


def test_a_household_that_heats_more_changes_neither() -> None:
    more = from_winter(1.25)
    seen = seen_of(SOUND, PROMISE, factor=more, heat_factor=more)
    assert heat_meter_changed(seen) == []
    assert efficiency_change(seen) == []


def test_sound_meters_and_a_loss_within_their_class_are_left_alone() -> None:
    for home in (SOUND, WATCHED):
        assert heat_meter_changed(seen_of(home, PROMISE)) == []
        # Class 2 of EN 1434-1 allows 3 % and more.
        assert heat_meter_changed(seen_of(home, PROMISE, heat_factor=from_winter(0.97))) == []


def test_a_meter_that_only_weather_tells_on_is_a_suspicion_and_says_what_it_rests_on() -> None:
    by_weather, by_water = (
        heat_meter_changed(seen_of(home, PROMISE, heat_factor=from_winter(0.85)))[0]
        for home in (SOUND, WATCHED)
    )
    assert by_weather.confidence is Confidence.SUSPECTED
    assert "same weather" in by_weather.what
    assert by_water.confidence is Confidence.LIKELY
    assert Role.FLOW_RATE in by_water.roles
    assert Role.FLOW_RATE not in by_weather.roles


def test_its_size_and_loss_are_those_of_plain_means_before_and_after() -> None:
    # Two-sample comparison of means, Student (1908), as scipy computes it.
    seen = seen_of(WATCHED, PROMISE, heat_factor=from_winter(0.85))
    steady = steady_heat(seen.site, seen.slots, seen.states)
    assert steady is not None
    ratio = np.log(steady.indicated_kwh / steady.computed_kwh)
    late = steady.start_us >= (BEGIN + timedelta(days=WINTER)).timestamp() * 1e6
    (found,) = heat_meter_changed(seen)
    test = stats.ttest_ind(ratio[late], ratio[~late])
    assert test.pvalue < 1e-12
    assert np.log1p(changed(found)) == pytest.approx(
        ratio[late].mean() - ratio[~late].mean(), abs=1e-3
    )

    account, base = seen.standing.account, seen.base
    assert account is not None
    assert base is not None
    after = base.blocks.start >= (BEGIN + timedelta(days=WINTER)).timestamp() / 3600.0
    lost = base.blocks.heat[after & base.blocks.known].sum() * (1.0 / 0.85 - 1.0)
    assert found.effect is not None
    assert found.effect.spf == pytest.approx(lost / account.electricity_kwh, rel=0.01)
