"""What a promise lacks is shared out among causes, exactly and by name."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from itertools import permutations
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.guarantee.basis import basis
from monitor.guarantee.causes import Cause, Shortfall
from monitor.guarantee.money import money
from monitor.guarantee.shortfall import shortfall
from monitor.guarantee.worlds import Days, Lever, Members, Reference, Worlds
from monitor.metrics import climate as weather
from monitor.metrics.boundary import promised_recipe
from monitor.metrics.heat_check import HeatCheck
from monitor.metrics.performance import pair
from monitor.metrics.shapley import shapley
from monitor.models import Expectation, RatedPoint, Site, Tariff
from tests.monitor.linear_home import FIRST, NORMALS, Home, end_of, frames_of, site_of, spf_of

SOUND = Home()
EXPECTED = Expectation(hot_water_kwh_day=6.0, standby_kwh_day=0.45)
PROMISE = spf_of(SOUND)


def expecting(site: Site, expects: Expectation) -> Site:
    terms = site.terms[0].model_copy(update={"expects": expects})
    return site.model_copy(update={"terms": (terms,)})


def lacking(
    site: Site, slots: pl.DataFrame, states: pl.DataFrame, *, now: datetime, **more: Any
) -> Shortfall | None:
    base = basis(site, slots, states, now=now)
    return None if base is None else shortfall(base, **more)


def split(
    it: Home,
    promise: float = PROMISE,
    *,
    site: Any = None,
    expects: Expectation = EXPECTED,
    **more: Any,
) -> Shortfall:
    slots, states = frames_of(it)
    site = expecting(site or site_of(it, promise), expects)
    arguments = {
        "now": end_of(it),
        "climate": weather.from_months(NORMALS, "normals of the place"),
        **more,
    }
    found = lacking(site, slots, states, **arguments)
    assert found is not None
    return found


def spf(found: Shortfall, cause: Cause) -> float:
    share = found.share(cause)
    assert share is not None
    assert share.spf is not None
    return share.spf


def adds_up(found: Shortfall) -> None:
    shares = [s for s in found.shares if s.spf is not None]
    assert sum(s.spf or 0.0 for s in shares) == pytest.approx(found.gap_spf, abs=1e-9)
    assert sum(s.kwh or 0.0 for s in shares) == pytest.approx(found.extra_kwh, abs=1e-6)
    for s in shares:
        assert s.low is not None
        assert s.high is not None
        assert s.low <= (s.spf or 0.0) <= s.high


def test_a_home_that_is_as_promised_lacks_nothing_and_blames_nobody() -> None:
    found = split(SOUND)
    assert found.gap_spf == pytest.approx(0.0, abs=0.02)
    for share in found.shares:
        if share.spf is not None:
            assert abs(share.spf) < 0.04, share
    adds_up(found)


@pytest.mark.parametrize(
    ("trouble", "cause"),
    [
        ({"colder_k": 4.0}, Cause.WEATHER),
        ({"flow_above_k": 8.0}, Cause.FLOW),
        ({"water_kwh": 18.0}, Cause.WATER),
        ({"immersion_kwh": 5.0}, Cause.RESISTIVE),
        ({"backup_share": 0.15}, Cause.RESISTIVE),
        ({"standby_kwh": 3.0}, Cause.STANDBY),
        ({"more": 0.15}, Cause.UNIT),
        ({"more": 0.25, "more_from": 150}, Cause.UNIT),
    ],
    ids=lambda v: v.value if isinstance(v, Cause) else "",
)
def test_one_thing_gone_wrong_is_named_and_costs_what_it_costs(
    trouble: dict[str, Any], cause: Cause
) -> None:
    it = replace(SOUND, **trouble)
    found = split(it)
    cost = PROMISE - spf_of(it)
    assert cost > 0.1
    assert found.biggest is not None
    assert found.biggest.cause is cause
    assert spf(found, cause) == pytest.approx(cost, abs=0.06 + 0.15 * cost)
    others = [s.spf for s in found.shares if s.spf is not None and s.cause is not cause]
    assert max(map(abs, others)) < 0.06 + 0.25 * cost
    adds_up(found)


def test_a_backup_heater_that_does_all_the_heating_is_named_though_the_pump_shows_nothing() -> None:
    it = replace(SOUND, backup_share=1.0)
    found = split(it)
    assert found.is_split
    assert found.biggest is not None
    assert found.biggest.cause is Cause.RESISTIVE
    assert spf(found, Cause.RESISTIVE) > 0.7 * found.gap_spf
    adds_up(found)


def test_a_heat_meter_that_reads_low_is_told_from_a_poor_unit_by_a_check_of_its_water() -> None:
    it = replace(SOUND, heat_shown=0.85)
    blind = split(it)
    assert blind.biggest is not None
    assert blind.biggest.cause is Cause.UNIT
    metering = blind.share(Cause.METERING)
    assert metering is not None
    assert metering.spf is None
    assert metering.state == "not measurable here"
    assert "the heat meter" in blind.biggest.assumed
    seen = split(it, heat_check=HeatCheck(true_share=1 / 0.85, u=0.02, hours=500))
    assert seen.biggest is not None
    assert seen.biggest.cause is Cause.METERING
    adds_up(seen)


def test_a_check_that_agrees_leaves_the_heat_meter_near_nothing_with_its_doubt() -> None:
    found = split(SOUND, heat_check=HeatCheck(true_share=1.0, u=0.03, hours=500))
    share = found.share(Cause.METERING)
    assert share is not None
    assert share.spf == pytest.approx(0.0, abs=1e-6)
    assert share.low is not None
    assert share.low < -0.1
    assert "agree" in share.sentence


def test_kwh_of_the_causes_are_the_extra_electricity_of_the_remedy() -> None:
    it = replace(SOUND, flow_above_k=8.0)
    site = site_of(it, PROMISE, tariff=[Tariff(valid_from=FIRST, price_per_kwh=0.25)])
    found = split(it, site=site, price_per_kwh=0.25)
    slots, _ = frames_of(it)
    terms = site.current_terms
    assert terms is not None
    cost = money(site, pair(slots, promised_recipe(site, terms)), terms.start, terms.end, PROMISE)
    assert cost is not None
    assert found.extra_kwh == pytest.approx(cost.extra_kwh)
    assert found.money == pytest.approx(cost.extra_cost)
    assert sum(s.money or 0.0 for s in found.shares) == pytest.approx(cost.extra_cost)
    assert found.currency == "GBP"


def test_the_price_changes_the_money_and_nothing_else() -> None:
    it = replace(SOUND, standby_kwh=3.0)
    dear, cheap = split(it, price_per_kwh=0.40), split(it, price_per_kwh=0.10)
    for a, b in zip(dear.shares, cheap.shares, strict=True):
        assert a.model_copy(update={"money": None}) == b.model_copy(update={"money": None})
        if a.money is not None:
            assert a.money == pytest.approx(4.0 * (b.money or 0.0))


def test_a_promise_that_is_outdone_is_split_as_well() -> None:
    found = split(SOUND, PROMISE - 0.4)
    assert found.gap_spf == pytest.approx(-0.4, abs=0.02)
    assert spf(found, Cause.UNIT) == pytest.approx(-0.4, abs=0.06)
    assert "above the promise" in found.sentence
    adds_up(found)


def test_a_summer_of_hot_water_is_not_held_against_the_unit() -> None:
    site = site_of(SOUND, PROMISE)
    terms = site.terms[0].model_copy(update={"start": FIRST.replace(year=2024, month=6)})
    found = split(SOUND, site=site.model_copy(update={"terms": (terms,)}))
    assert found.days == 30
    assert found.gap_spf > 0.1
    assert spf(found, Cause.SEASON) == pytest.approx(found.gap_spf, abs=0.08)
    assert abs(spf(found, Cause.UNIT)) < 0.08
    adds_up(found)


def test_without_a_design_curve_a_hot_flow_cannot_be_measured_and_shows_as_the_units() -> None:
    it = replace(SOUND, flow_above_k=8.0)
    no_curve = {"design_flow_temp_c": None, "design_outdoor_temp_c": None}
    found = split(it, site=site_of(it, PROMISE, heat_pump=no_curve))
    share = found.share(Cause.FLOW)
    assert share is not None
    assert (share.spf, share.kwh, share.state) == (None, None, "not measurable here")
    assert "design curve" in share.sentence
    assert found.biggest is not None
    assert found.biggest.cause is Cause.UNIT
    assert "the flow temperature" in found.biggest.assumed
    adds_up(found)


def test_without_a_flow_sensor_a_hot_flow_cannot_be_measured() -> None:
    found = split(replace(SOUND, with_flow=False))
    share = found.share(Cause.FLOW)
    assert share is not None
    assert share.state == "not measurable here"
    assert "not recorded" in share.sentence


def test_an_unmetered_heater_is_not_measurable_and_an_absent_one_not_fitted() -> None:
    absent = split(SOUND).share(Cause.RESISTIVE)
    assert absent is not None
    assert absent.state == "not fitted"
    channels = site_of(SOUND, PROMISE, heat_pump={"immersion_heater": True})
    counted = ["unit", "source", "pumps", "immersion"]
    data = channels.model_dump(mode="json")
    data["meter"][1]["channel"][0]["counts"] = counted
    data["terms"][0]["assumptions"] = ["unmetered_resistive_heat_is_zero"]
    hidden = split(SOUND, site=type(channels).model_validate(data)).share(Cause.RESISTIVE)
    assert hidden is not None
    assert hidden.state == "not measurable here"


def test_a_heater_outside_the_boundary_does_not_touch_the_promise() -> None:
    it = replace(SOUND, immersion_kwh=3.0)
    site = site_of(it, PROMISE)
    data = site.model_dump(mode="json")
    data["terms"][0]["boundary"] = "H2"
    data["heat_pump"]["pumps_apart"] = False
    data["meter"][1]["channel"][0]["counts"] = ["unit", "source"]
    share = split(it, site=type(site).model_validate(data)).share(Cause.RESISTIVE)
    assert share is not None
    assert share.state == "outside the boundary"


def test_test_points_part_a_bold_promise_from_a_poor_unit() -> None:
    # Points of a unit that is as good as the one fitted: the promise alone is too high.
    points = tuple(
        RatedPoint(source_c=s, flow_c=f, cop=1.0 / (0.06 + 0.0075 * (f - s)))
        for s, f in ((7.0, 35.0), (2.0, 35.0), (-7.0, 45.0), (7.0, 55.0))
    )
    told = EXPECTED.model_copy(update={"test_point": points})
    found = split(SOUND, PROMISE + 0.5, expects=told)
    assert spf(found, Cause.DESIGN) == pytest.approx(0.5, abs=0.2)
    assert abs(spf(found, Cause.UNIT)) < 0.2
    adds_up(found)


def test_what_the_terms_do_not_say_is_taken_from_common_practice_and_said() -> None:
    found = split(SOUND, expects=Expectation())
    share = found.share(Cause.WATER)
    stated = split(SOUND).share(Cause.WATER)
    assert share is not None
    assert stated is not None
    assert "common practice" in share.assumed
    assert "as the promise assumed" in stated.assumed
    assert (share.high or 0.0) - (share.low or 0.0) > (stated.high or 0.0) - (stated.low or 0.0)


def test_hot_water_without_its_own_meter_is_told_by_warm_days() -> None:
    it = replace(SOUND, water_kwh=18.0, with_dhw_meter=False)
    found = split(it)
    assert found.biggest is not None
    assert found.biggest.cause is Cause.WATER
    assert "warm days" in found.biggest.assumed


def test_too_few_days_leave_everything_unexplained_and_say_why() -> None:
    found = split(replace(SOUND, days=10))
    assert not found.is_split
    assert [s.cause for s in found.shares] == [Cause.UNEXPLAINED]
    assert "days" in found.sentence
    adds_up(found)


def test_without_a_promise_or_before_the_first_reading_there_is_no_shortfall() -> None:
    site = site_of(SOUND, PROMISE)
    slots, states = frames_of(SOUND)
    nothing = site.model_copy(update={"terms": ()})
    assert lacking(nothing, slots, states, now=end_of(SOUND)) is None
    assert lacking(site, slots.clear(), states, now=end_of(SOUND)) is None


def test_the_same_records_give_the_same_shortfall() -> None:
    it = replace(SOUND, flow_above_k=4.0)
    assert split(it) == split(it)


def test_hours_that_are_lost_leave_the_sum_exact() -> None:
    it = replace(SOUND, flow_above_k=6.0)
    slots, states = frames_of(it)
    hour = pl.col("slot_start_utc").dt.epoch("s") // 3600
    holed = slots.filter((hour % 97 > 5) | (pl.col("role") != "heat_total"))
    found = lacking(
        expecting(site_of(it, PROMISE), EXPECTED),
        holed,
        states,
        now=end_of(it),
        climate=weather.from_months(NORMALS, "normals"),
    )
    assert found is not None
    assert found.days < 366
    assert found.biggest is not None
    assert found.biggest.cause is Cause.FLOW
    adds_up(found)


@settings(max_examples=12, deadline=None)
@given(
    colder=st.floats(-2.0, 4.0),
    above=st.floats(-3.0, 12.0),
    water=st.floats(2.0, 20.0),
    standby=st.floats(0.2, 4.0),
    more=st.floats(-0.1, 0.3),
    promise=st.floats(2.0, 5.0),
)
def test_whatever_goes_wrong_the_causes_add_up_exactly(
    colder: float, above: float, water: float, standby: float, more: float, promise: float
) -> None:
    it = Home(colder_k=colder, flow_above_k=above, water_kwh=water, standby_kwh=standby, more=more)
    adds_up(split(it, promise))


def small_worlds(**changed: Any) -> Worlds:
    """Worlds of three members and forty days, without a fit."""
    rng = np.random.default_rng(3)
    count, one = 40, np.ones(3)
    outdoor = rng.uniform(-2.0, 14.0, count)
    reference_c = changed.pop("reference_c", outdoor + 1.0)
    days = Days(
        number=np.arange(19_700, 19_700 + count),
        outdoor_c=outdoor,
        reference_c=reference_c,
        pump_heat=6.0 + 5.0 * np.maximum(15.0 - outdoor, 0.0),
        pump_used=np.full(count, 10.0),
        water=np.full(count, 6.0),
        flow_c=changed.pop("flow_c", 36.0 + 0.8 * (15.0 - outdoor)),
        space_flow_c=None,
        backup=np.full(count, changed.pop("backup", 2.0)),
        immersion=np.full(count, changed.pop("immersion", 1.0)),
        idle_kwh=None,
    )
    found = Members(
        base=6.0 * one, slope=5.0 * one, balance=15.0 * one,
        standby=np.array([0.8, 1.0, 0.9]), offset=0.06 * one, per_lift=0.0075 * one,
        step=0.02 * one, since=np.full(3, 19_720),
        flow_at_15=34.0 * one, flow_per_k=0.8 * one, flow_water=50.0 * one,
    )  # fmt: skip
    reference = Reference(
        climate_c=weather.from_months(NORMALS, "").normal(np.arange(3.0, 366.0, 5.0)),
        climate_sd=2.0, flow_at_15_c=30.0, flow_per_k=0.7,
        water_kwh=changed.pop("water_kwh", 5.0) * one,
        standby_kwh=changed.pop("standby_kwh", 0.5) * one,
        water_flow_c=None, reciprocal_cop=None,
        heat_share=changed.pop("heat_share", 1.05) * one,
    )  # fmt: skip
    assert not changed
    return Worlds(days, found, reference, air_source=True)


LEVERS = tuple(Lever)
METERS = np.array([1.0, 0.98, 1.03])


def shares(worlds: Worlds, levers: tuple[Lever, ...], promise: float = 3.2) -> dict[Lever, Any]:
    worth = worlds.worth(levers, promise, METERS)
    return dict(zip(levers, -shapley(worth.spf), strict=True))


def test_the_order_in_which_causes_are_named_does_not_matter() -> None:
    worlds = small_worlds()
    told = shares(worlds, LEVERS)
    for order in list(permutations(LEVERS))[::997]:
        other = shares(worlds, order)
        for lever in LEVERS:
            np.testing.assert_allclose(other[lever], told[lever], atol=1e-12)


@pytest.mark.parametrize(
    ("lever", "changed"),
    [
        (Lever.RESISTIVE, {"backup": 0.0, "immersion": 0.0}),
        (Lever.METERING, {"heat_share": 1.0}),
        (Lever.WATER, {"water_kwh": 7.0}),
    ],
)
def test_a_cause_that_is_as_promised_has_no_share(lever: Lever, changed: dict[str, Any]) -> None:
    assert shares(small_worlds(**changed), LEVERS)[lever] == pytest.approx(0.0, abs=1e-9)
    assert np.abs(shares(small_worlds(), LEVERS)[lever]).max() > 0.01


def test_days_that_are_the_reference_days_give_the_weather_no_share() -> None:
    outdoor = np.random.default_rng(3).uniform(-2.0, 14.0, 40)
    same = shares(small_worlds(reference_c=outdoor), LEVERS)
    assert same[Lever.WEATHER] == pytest.approx(0.0, abs=1e-12)


def test_a_home_in_which_all_is_as_promised_keeps_its_promise_in_every_member() -> None:
    worth = small_worlds().worth(LEVERS, 3.2, METERS)
    np.testing.assert_allclose(worth.year, 3.2, atol=1e-12)


@given(
    worth=st.lists(st.floats(-10.0, 10.0), min_size=16, max_size=16),
    factor=st.floats(0.001, 1000.0),
    shift=st.floats(-5.0, 5.0),
)
def test_shares_change_with_the_unit_and_not_with_the_zero(
    worth: list[float], factor: float, shift: float
) -> None:
    plain = shapley(np.array(worth))
    np.testing.assert_allclose(
        shapley(factor * np.array(worth)), factor * plain, rtol=1e-9, atol=1e-7 * factor
    )
    np.testing.assert_allclose(shapley(np.array(worth) + shift), plain, atol=1e-9)
    assert plain.sum() == pytest.approx(worth[-1] - worth[0], abs=1e-9)


@pytest.mark.parametrize("count", [0, 3, 6, 1 << 13])
def test_coalitions_that_are_not_all_of_them_are_refused(count: int) -> None:
    with pytest.raises(ValueError, match="coalitions"):
        shapley(np.zeros(count))


def test_a_game_without_players_has_no_shares() -> None:
    assert shapley(np.array([3.0])).shape == (0,)
