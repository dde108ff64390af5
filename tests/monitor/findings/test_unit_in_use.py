"""Heat in the cold and COP in steady running, against the unit's own data sheet."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from monitor.findings.finding import Seen
from monitor.findings.unit_in_use import below_test_points, capacity_kw, capacity_short
from monitor.models import HeatPump
from monitor.schemas import BEHAVIOUR
from tests.monitor.findings.unit_home import seen_of
from tests.monitor.linear_home import BEGIN, Home, spf_of

SOUND = Home(room_c=20.0)
PROMISE = spf_of(SOUND)


def in_the_cold(
    share: float, *, run_h: float = 24.0, sinks_k: float = 1.0, below_k: float = 3.0
) -> Seen:
    """A home whose unit gives this share of its nominal 6 kW on days below 3 degC."""
    plain = seen_of(SOUND, PROMISE)
    cold = pl.col("outdoor_c") < 3.0
    days = plain.days.with_columns(
        pl.when(cold).then(24.0 * 6.0 * share).otherwise("heat_kwh").alias("heat_kwh")
    )
    curve = 30.0 + 0.8 * (15.0 - pl.col("outdoor_c"))
    told: dict[str, Any] = {
        "step_s": pl.lit(300, pl.Int32),
        "seen_h": pl.lit(24.0),
        "run_h": pl.when(cold).then(run_h).otherwise(14.0),
        "space_flow_c": pl.when(cold).then(curve - below_k).otherwise(curve),
    }
    behaviour = days.select(
        "day",
        *(e.alias(name) for name, e in told.items()),
        *(
            pl.lit(None, dtype).alias(name)
            for name, dtype in BEHAVIOUR.items()
            if name not in {"day", *told}
        ),
    ).select(list(BEHAVIOUR))
    frosty = days.filter(cold)["day"].to_list()
    room = (pl.col("role") == "room_temp") & pl.col("slot_start_utc").dt.date().is_in(frosty)
    states = plain.states.with_columns(
        pl.when(room).then(pl.col("mean") - sinks_k).otherwise("mean").alias("mean")
    )
    return replace(plain, days=days, behaviour=behaviour, states=states)


def test_a_unit_that_runs_all_day_and_leaves_the_house_cold_is_short_of_capacity() -> None:
    (found,) = capacity_short(in_the_cold(0.5))
    assert found.kind == "capacity-short"
    assert "3.0 kW" in found.what
    assert "coldest days" in found.what
    assert found.evidence[0].name == "heat_kwh"
    assert "cold" in (found.caution or "")
    assert "licensed" in (found.caution or "")


@pytest.mark.parametrize(
    "sound",
    [
        {"share": 0.5, "run_h": 18.0},
        {"share": 0.5, "sinks_k": 0.0},
        {"share": 0.5, "below_k": 0.0},
        {"share": 0.85},
    ],
    ids=["it rests", "the rooms stay warm", "the flow is as it should be", "it gives its heat"],
)
def test_a_unit_that_needs_not_give_more_is_not_short(sound: dict[str, float]) -> None:
    assert capacity_short(in_the_cold(**sound)) == []


def test_without_samples_of_running_nothing_is_said_of_capacity() -> None:
    blind = in_the_cold(0.5)
    assert capacity_short(replace(blind, behaviour=pl.DataFrame(schema=BEHAVIOUR))) == []


def test_an_air_source_unit_gives_less_in_the_cold_and_a_ground_source_one_does_not() -> None:
    # By hand: 12 K below 7 degC at 2 % a kelvin, and 8 % for defrost, leave 68 %.
    air, brine = HeatPump(nominal_heat_kw=10.0), HeatPump(nominal_heat_kw=10.0, source="brine")
    outdoor, flow = np.array([-5.0, 7.0]), np.array([35.0, 45.0])
    np.testing.assert_allclose(capacity_kw(air, outdoor, flow), [6.8, 9.5])
    np.testing.assert_allclose(capacity_kw(brine, outdoor, flow), [10.0, 9.5])


#: The linear home's COP is 1 / (0.06 + 0.0075 lift), less what standby and starts take from
#: an hour of running.
AS_RUN = 0.92


def data_sheet(better: float) -> dict[str, Any]:
    points = [
        {
            "source_c": source,
            "flow_c": flow,
            "cop": round(AS_RUN * better / (0.06 + 0.0075 * lift), 3),
        }
        for source, flow in ((-7.0, 45.0), (2.0, 40.0), (7.0, 35.0))
        for lift in (flow - source,)
    ]
    return {"test_point": points}


def test_a_unit_that_does_as_tested_is_left_alone() -> None:
    for better in (0.95, 1.0, 1.05):
        assert below_test_points(seen_of(SOUND, PROMISE, expects=data_sheet(better))) == []


def test_a_unit_a_fifth_below_its_tests_is_found_with_what_that_costs() -> None:
    seen = seen_of(SOUND, PROMISE, expects=data_sheet(1.25))
    (found,) = below_test_points(seen)
    told = {f.name: f.value for f in found.figures}
    share = told["share of the COP as tested"]
    assert share == pytest.approx(0.80, abs=0.03)
    assert told["share, lower end"] < share < told["share, upper end"] < 0.93
    assert found.effect is not None
    assert 0 < found.effect.low < found.effect.spf < found.effect.high
    account = seen.standing.account
    assert account is not None
    assert found.effect.kwh_year == pytest.approx((1.0 - share) * account.electricity_kwh, rel=0.01)


def test_without_test_points_in_the_terms_or_with_a_doubtful_meter_nothing_is_compared() -> None:
    assert below_test_points(seen_of(SOUND, PROMISE)) == []
    # A tenth of the COP is a matter of a meter.
    assert below_test_points(seen_of(SOUND, PROMISE, expects=data_sheet(2.3))) == []


def test_a_unit_that_was_put_right_is_not_found_below_its_tests_any_more() -> None:
    day = np.arange(SOUND.days)
    mended = np.where(day < 200, 1.3, 1.0)
    before = seen_of(SOUND, PROMISE, days=200, factor=mended, expects=data_sheet(1.0))
    assert [f.kind for f in below_test_points(before)] == ["below-test-points"]
    assert before.now == BEGIN + timedelta(days=200)
    assert below_test_points(seen_of(SOUND, PROMISE, factor=mended, expects=data_sheet(1.0))) == []
