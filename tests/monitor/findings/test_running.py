"""How the unit runs, judged by its days."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from functools import cache

import polars as pl
import pytest

from monitor.findings.finding import Finding, Seen
from monitor.findings.resting import pump_always_on, standby_high
from monitor.findings.running import defrost_often, low_flow, short_cycling
from monitor.guarantee.basis import basis
from monitor.guarantee.causes import Cause
from monitor.guarantee.standing import standing
from monitor.metrics.site_weather import site_weather
from monitor.models import Boundary, Expectation
from monitor.rules import DEFAULT_RULES
from monitor.schemas import BEHAVIOUR, check, empty
from tests.monitor.linear_home import FIRST, Home, end_of, frames_of, site_of, spf_of

CHECKS = (short_cycling, low_flow, defrost_often, pump_always_on, standby_high)
Check = Callable[[Seen], list[Finding]]

#: What a sound unit of 8 kW does on a day, apart from frost.
SOUND: dict[str, float] = {
    "seen_h": 24.0,
    "run_h": 12.0,
    "starts": 8.0,
    "run_median_min": 80.0,
    "space_h": 8.0,
    "space_flow_c": 36.0,
    "space_return_c": 31.0,
    "space_delta_k": 5.0,
    "space_flow_m3h": 0.7,
    "space_heat_kw": 4.0,
    "dhw_h": 0.5,
    "turned_h": 0.0,
    "idle_h": 12.0,
    "idle_flow_h": 1.0,
    "idle_kw": 0.020,
    "idle_pumps_kw": 0.002,
    "defrost_h": 0.4,
}

CYCLING = {"starts": 50.0, "run_median_min": 12.0}
THIRSTY = {"space_delta_k": 9.0, "space_flow_m3h": 0.39}
ALWAYS = {"idle_flow_h": 12.0, "idle_pumps_kw": 0.045}
AWAKE = {"idle_kw": 0.15}
ICY = {"defrosts": 12.0, "defrost_h": 1.2}

TROUBLES: list[tuple[Check, dict[str, float]]] = [
    (short_cycling, CYCLING),
    (low_flow, THIRSTY),
    (pump_always_on, ALWAYS),
    (standby_high, AWAKE),
    (defrost_often, ICY),
]


@cache
def plain() -> Seen:
    """A year of a sound home, before anything is known of its minutes."""
    it = Home()
    site = site_of(
        it,
        spf_of(it),
        tariff=[{"valid_from": FIRST, "price_per_kwh": 0.30}],
        heat_pump={"nominal_heat_kw": 8.0},
    )
    slots, states = frames_of(it)
    base = basis(site, slots, states, now=end_of(it), given=site_weather(site))
    assert base is not None
    stands = standing(
        site, slots, states, newest_reading=end_of(it), now=end_of(it), rules=DEFAULT_RULES
    )
    return Seen(
        site, stands, None, (), end_of(it), DEFAULT_RULES, slots=slots, states=states,
        days=base.days, base=base, price_per_kwh=0.30, currency="GBP",
    )  # fmt: skip


def year(
    trouble: dict[str, float | None] | dict[str, float] | None = None,
    *,
    first: int = 200,
    days: int = 400,
    step_s: int = 60,
) -> Seen:
    """The year with days of another kind, from a day of it on."""
    seen = plain()
    cold = pl.col("outdoor_c") < 7.0
    frame = seen.days.select(
        "day",
        pl.lit(step_s, pl.Int32).alias("step_s"),
        *(pl.lit(value, pl.Float64).alias(name) for name, value in SOUND.items()),
        pl.lit(None, pl.Float64).alias("dhw_flow_c"),
        pl.col("outdoor_c").alias("space_outdoor_c"),
        pl.when(cold).then(10.0).otherwise(0.0).alias("frost_h"),
        pl.when(cold).then(3.0).otherwise(0.0).alias("defrosts"),
        *(pl.lit(None, pl.Float64).alias(c) for c in ("dhw_max_c", "dhw_min_c", "dhw_reheats")),
    )
    begin = FIRST + timedelta(days=first)
    there = pl.col("day").is_between(begin, begin + timedelta(days=days - 1))
    changed = [
        pl.when(there).then(pl.lit(value, pl.Float64)).otherwise(pl.col(name)).alias(name)
        for name, value in (trouble or {}).items()
    ]
    return replace(seen, behaviour=check(frame.with_columns(changed), BEHAVIOUR))


def only(found: list[Finding]) -> Finding:
    assert len(found) == 1
    return found[0]


@pytest.mark.parametrize("look", CHECKS)
def test_a_sound_unit_has_no_findings(look: Check) -> None:
    assert look(year()) == []


@pytest.mark.parametrize("look", CHECKS)
def test_records_too_coarse_to_show_it_find_nothing(look: Check) -> None:
    assert look(replace(plain(), behaviour=empty(BEHAVIOUR))) == []
    unknown = dict.fromkeys([n for n in BEHAVIOUR if n not in ("day", "step_s", "seen_h")])
    assert look(year(unknown, first=0)) == []


@pytest.mark.parametrize(("look", "trouble"), TROUBLES)
def test_a_trouble_is_found_since_it_began_with_what_it_costs(
    look: Check, trouble: dict[str, float]
) -> None:
    seen = year(trouble)
    finding = only(look(seen))
    assert finding.since is not None
    assert finding.since.date() - (FIRST + timedelta(days=200)) <= timedelta(days=3)
    assert finding.effect is not None
    assert 0 < finding.effect.low < finding.effect.spf < finding.effect.high
    assert finding.effect.money_year == pytest.approx(0.30 * finding.effect.kwh_year)
    assert finding.check
    assert all(e.name in BEHAVIOUR for e in finding.evidence)
    assert {k: [f.kind for f in k(seen)] for k in CHECKS if k is not look and k(seen)} == {}


@pytest.mark.parametrize(("look", "trouble"), TROUBLES)
def test_it_is_found_within_a_fortnight_and_cleared_by_sound_days(
    look: Check, trouble: dict[str, float]
) -> None:
    """Days in winter, on which each of them can be judged."""
    seen = year(trouble, first=180, days=14)
    begun = FIRST + timedelta(days=180)

    def until(day: date) -> list[Finding]:
        return look(replace(seen, behaviour=seen.behaviour.filter(pl.col("day") < day)))

    assert until(begun) == []
    assert only(until(begun + timedelta(days=14))).since is not None
    assert until(begun + timedelta(days=28)) == []


class TestStarts:
    def test_more_than_half_of_the_runs_shorter_than_a_quarter_of_an_hour(self) -> None:
        """Field report of the Heat Pump Plus project, Community Energy Scotland (2023)."""
        assert only(short_cycling(year({"starts": 48.0, "run_median_min": 14.0})))
        assert short_cycling(year({"starts": 40.0, "run_median_min": 17.0})) == []

    def test_readings_of_five_minutes_know_a_run_to_half_of_that(self) -> None:
        runs = {"starts": 48.0, "run_median_min": 15.0}
        found = only(short_cycling(year(runs, step_s=300)))
        assert "shorter than 5 minutes are not seen" in found.what

    def test_short_runs_for_hot_water_alone_in_summer_are_no_cycling(self) -> None:
        summer = {"run_h": 1.2, "starts": 6.0, "run_median_min": 12.0, "idle_h": 22.8}
        assert short_cycling(year(summer, first=0)) == []

    def test_days_on_which_it_never_rests_at_a_high_load_say_nothing_of_it(self) -> None:
        seen = year(CYCLING, first=100, days=60)
        full = {"run_h": 23.5, "idle_h": 0.5, "starts": 1.0, "run_median_min": None}
        loaded = year({**full, "space_flow_m3h": 1.2}, first=160)
        light = year({**full, "space_flow_m3h": 0.4}, first=160)
        before = seen.behaviour.filter(pl.col("day") < FIRST + timedelta(days=160))

        def then(later: Seen) -> list[Finding]:
            after = later.behaviour.filter(pl.col("day") >= FIRST + timedelta(days=160))
            return short_cycling(replace(seen, behaviour=pl.concat([before, after])))

        assert only(then(loaded))
        assert then(light) == []

    def test_mild_and_cold_days_are_told_apart(self) -> None:
        what = only(short_cycling(year(CYCLING))).what
        assert "at or above 7 degC" in what
        assert "below 7 degC" in what


class TestWater:
    def test_too_much_water_shows_only_where_the_unit_gives_some_heat(self) -> None:
        """A pump keeps a least flow, so that the difference falls at a low load."""
        flooded = {"space_delta_k": 2.3, "space_flow_m3h": 1.5}
        assert "much" in only(low_flow(year(flooded))).title
        assert low_flow(year({**flooded, "space_flow_m3h": 0.75})) == []

    def test_a_pump_for_twice_the_water_takes_three_quarters_of_its_power_for_nothing(
        self,
    ) -> None:
        """Half of the speed is a quarter of the power, between a half and an eighth of it."""
        seen = year({"space_delta_k": 2.5, "space_flow_m3h": 1.4})
        assert only(low_flow(seen)).effect is None
        hours = seen.slots.filter(pl.col("role") == "elec_total")
        pump = hours.with_columns(pl.lit("elec_pumps").alias("role"), pl.lit(0.08).alias("kwh"))
        found = only(low_flow(replace(seen, slots=pl.concat([seen.slots, pump]))))
        assert found.effect is not None
        assert found.effect.kwh_year == pytest.approx(0.75 * 0.08 * 24 * 365.25, rel=0.01)

    def test_heat_and_flow_stand_for_a_return_that_is_not_measured(self) -> None:
        found = only(low_flow(year({"space_delta_k": None, "space_flow_m3h": 0.38})))
        assert found.figures[0].value == pytest.approx(4.0 / (1.152 * 0.38), rel=1e-3)

    def test_sensors_the_wrong_way_round_say_nothing_of_the_flow(self) -> None:
        assert low_flow(year({"space_delta_k": -5.0, "space_heat_kw": None})) == []

    def test_the_design_difference_of_the_site_is_what_counts(self) -> None:
        seen = year({"space_delta_k": 9.0})
        pump = seen.site.heat_pump.model_copy(update={"design_delta_t_k": 8.0})
        site = seen.site.model_copy(update={"heat_pump": pump})
        assert low_flow(replace(seen, site=site)) == []


class TestRest:
    def test_a_pump_of_45_w_for_half_of_the_year(self) -> None:
        """0.045 kW x 12 h x 365.25 days."""
        found = only(pump_always_on(year(ALWAYS)))
        assert found.explains is Cause.STANDBY
        assert found.effect is not None
        assert found.effect.kwh_year == pytest.approx(0.045 * 12 * 365.25, rel=0.02)

    def test_a_promise_that_counts_no_pumps_loses_nothing_by_one(self) -> None:
        seen = year(ALWAYS)
        assert seen.base is not None
        pump = seen.site.heat_pump.model_copy(update={"pumps_apart": True})
        recipe = replace(seen.base.recipe, boundary=Boundary.H3)
        found = only(
            pump_always_on(
                replace(
                    seen,
                    site=seen.site.model_copy(update={"heat_pump": pump}),
                    base=replace(seen.base, recipe=recipe),
                )
            )
        )
        assert found.effect is not None
        assert found.effect.spf == 0.0
        assert found.effect.money_year == pytest.approx(0.30 * 0.045 * 12 * 365.25, rel=0.02)

    def test_a_pump_that_runs_on_for_a_while_is_no_finding(self) -> None:
        assert pump_always_on(year({"idle_flow_h": 6.0})) == []

    def test_a_crankcase_heater_of_50_w_is_usual(self) -> None:
        assert standby_high(year({"idle_kw": 0.075})) == []

    def test_standby_that_the_terms_state_is_no_surprise(self) -> None:
        seen = year({"idle_kw": 0.12})
        assert standby_high(seen)
        terms = seen.site.terms[-1].model_copy(update={"expects": Expectation(standby_kwh_day=2.4)})
        assert (
            standby_high(replace(seen, site=seen.site.model_copy(update={"terms": (terms,)}))) == []
        )

    def test_a_pump_on_the_same_meter_is_told_once(self) -> None:
        seen = year({**ALWAYS, "idle_pumps_kw": 0.08, "idle_kw": 0.10})
        assert [f.kind for look in CHECKS for f in look(seen)] == ["pump-always-on"]

    def test_a_pump_on_the_same_meter_whose_power_is_not_known_says_nothing_of_standby(
        self,
    ) -> None:
        seen = year({"idle_flow_h": 12.0, "idle_pumps_kw": None, "idle_kw": 0.10})
        assert standby_high(seen) == []


class TestDefrosts:
    def test_what_is_often_at_part_load_is_usual_at_full_load(self) -> None:
        often = {"defrosts": 9.0, "defrost_h": 0.9}
        by_meter = {**often, "space_flow_m3h": None}
        assert only(defrost_often(year(often, first=120)))
        assert only(defrost_often(year({**by_meter, "space_heat_kw": 4.0}, first=120)))
        assert defrost_often(year({**by_meter, "space_heat_kw": 8.0}, first=120)) == []
        assert defrost_often(year({**often, "space_flow_m3h": 1.4}, first=120)) == []

    def test_a_heat_meter_that_stands_still_says_nothing_of_the_load(self) -> None:
        dead = {"space_heat_kw": 0.0, "space_flow_m3h": None}
        assert defrost_often(year({**ICY, **dead}, first=120)) == []

    def test_it_is_not_forgotten_in_summer(self) -> None:
        found = only(defrost_often(year(ICY, first=120)))
        assert found.window_end is not None
        assert found.window_end < plain().now - timedelta(days=20)
        assert found.caution is not None
        assert "licensed" in found.caution
