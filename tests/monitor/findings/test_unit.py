"""An efficiency that fell, and what only looks like one."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from monitor.findings.finding import Topic
from monitor.findings.unit import efficiency_change
from monitor.guarantee.causes import Cause
from tests.monitor.findings.unit_home import seen_of
from tests.monitor.linear_home import BEGIN, FIRST, Home, spf_of

SOUND = Home()
PROMISE = spf_of(SOUND)
DAYS = np.arange(SOUND.days)

#: In the record from July on: a day of December.
WINTER = 160


def stepped(size: float, at: int = WINTER) -> np.ndarray:
    """Electricity of each day over that of a sound unit, with so much efficiency lost."""
    return np.where(at <= DAYS, 1.0 / (1.0 - size), 1.0)


def drifting(size: float, at: int = 100) -> np.ndarray:
    return 1.0 / (1.0 - size * np.maximum(DAYS - at, 0) / (SOUND.days - at))


def test_a_sound_unit_is_left_alone_all_year_long() -> None:
    for days in (90, 200, 366):
        assert efficiency_change(seen_of(SOUND, PROMISE, days=days)) == []


def test_an_eighth_lost_at_one_go_is_found_within_a_fortnight_with_its_date() -> None:
    seen = seen_of(SOUND, PROMISE, days=WINTER + 14, factor=stepped(0.12))
    (found,) = efficiency_change(seen)
    assert (found.kind, found.topic) == ("efficiency-step", Topic.UNIT)
    assert found.explains is Cause.UNIT
    assert found.since is not None
    assert abs(found.since - (BEGIN + timedelta(days=WINTER))) <= timedelta(days=2)
    fall = {f.name: f.value for f in found.figures}
    assert fall["fall of the efficiency"] == pytest.approx(0.12, abs=0.03)
    assert fall["fall, lower end"] <= 0.12 <= fall["fall, upper end"]
    assert "95 % interval" in found.what
    assert "licensed" in (found.caution or "")
    assert found.plainly is not None


def test_what_a_step_has_cost_is_the_electricity_that_it_took() -> None:
    seen = seen_of(SOUND, PROMISE, factor=stepped(0.12))
    (found,) = efficiency_change(seen)
    used = seen.days.filter(pl.col("day") >= FIRST + timedelta(days=WINTER))
    extra = 0.12 * float((used["electricity_kwh"] - SOUND.standby_kwh).sum())
    assert found.effect is not None
    years = (SOUND.days - WINTER) / 365.25
    assert found.effect.kwh_year * years == pytest.approx(extra, rel=0.25)
    assert found.effect.low < found.effect.spf < found.effect.high
    assert found.effect.low > 0


def test_a_slow_loss_over_months_is_a_drift_and_no_step() -> None:
    (found,) = efficiency_change(seen_of(SOUND, PROMISE, factor=drifting(0.10)))
    assert found.kind == "efficiency-drift"
    assert {f.name: f.value for f in found.figures}["fall of the efficiency"] == pytest.approx(
        0.10, abs=0.03
    )


def test_a_unit_that_was_repaired_is_not_found_any_more() -> None:
    mended = np.where((DAYS >= WINTER) & (DAYS < WINTER + 60), 1.0 / 0.85, 1.0)
    assert efficiency_change(seen_of(SOUND, PROMISE, days=WINTER + 60, factor=mended)) != []
    assert efficiency_change(seen_of(SOUND, PROMISE, days=WINTER + 100, factor=mended)) == []


@pytest.mark.parametrize(
    "look_alike",
    [
        {"factor": stepped(0.02)},
        {"factor": stepped(-0.12)},
        {"factor": stepped(0.80)},
        {"standby_kw": 0.12, "standby_from": WINTER},
    ],
    ids=["within the noise of habits", "better", "an electricity meter's unit", "standby"],
)
def test_what_is_no_matter_of_the_unit_is_not_blamed_on_it(look_alike: dict[str, float]) -> None:
    assert efficiency_change(seen_of(SOUND, PROMISE, **look_alike)) == []  # type: ignore[arg-type]


def test_a_hotter_curve_is_no_loss_of_efficiency() -> None:
    hot, plain = seen_of(Home(flow_above_k=8.0), PROMISE), seen_of(SOUND, PROMISE)
    late = BEGIN + timedelta(days=WINTER)

    def spliced(before: pl.DataFrame, after: pl.DataFrame) -> pl.DataFrame:
        is_late = pl.col("slot_start_utc") >= late
        return pl.concat([before.filter(~is_late), after.filter(is_late)])

    day = pl.col("day") >= late.date()
    seen = replace(
        plain,
        days=pl.concat([plain.days.filter(~day), hot.days.filter(day)]),
        slots=spliced(plain.slots, hot.slots),
        states=spliced(plain.states, hot.states),
    )
    assert efficiency_change(seen) == []


def test_without_flow_temperature_or_with_few_days_nothing_is_said() -> None:
    blind = Home(with_flow=False)
    assert efficiency_change(seen_of(blind, PROMISE, factor=stepped(0.2))) == []
    assert efficiency_change(seen_of(SOUND, PROMISE, days=30)) == []


def test_a_heater_that_no_meter_tells_apart_is_named_as_another_reason() -> None:
    seen = seen_of(SOUND, PROMISE, factor=stepped(0.15))
    counted = seen.site.heat_pump.model_copy(update={"immersion_heater": True})
    with_heater = seen.site.model_copy(update={"heat_pump": counted})
    (found,) = efficiency_change(replace(seen, site=with_heater))
    assert "resistive heater" in found.what
    assert "immersion" in " ".join(found.check)
