"""The heating curve, set-backs and summer."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from monitor.findings.curve import flow_above_curve, no_weather_compensation
from monitor.findings.hours import heating_days, spared_share
from monitor.findings.timing import setback_recovery, summer_heating
from monitor.guarantee.causes import Cause
from monitor.models import Role
from monitor.schemas import BEHAVIOUR, check
from tests.monitor.findings.hourly_home import PER_K, REHEATS, Hours, seen, sound, without

FIRST = date(2024, 1, 1)
DRY = [hour for hour in range(24) if hour not in REHEATS]


def hotter(days: int, kelvin: float, since: int = 0) -> dict[str, Hours]:
    """A home whose flow for rooms rises by some kelvin on a day."""
    it = sound(days)
    it["flow_temp"][since:, DRY] += kelvin
    return it


def fixed(days: int, flow_c: float = 44.0) -> dict[str, Hours]:
    """A home whose flow knows nothing of the weather."""
    it = sound(days)
    it["flow_temp"][:, DRY] = flow_c
    return it


def recovering(days: int = 40, drop_k: float = 4.0) -> dict[str, Hours]:
    """A home that rests from ten to six and catches up with full load and a hot flow."""
    it = sound(days, mean_c=3.0)
    space = it["heat_total"] - it["heat_dhw"]
    night = [22, 23, 0, 1, 2, 3, 4, 5]
    space[:, night] = 0.0
    space[:, 6:9] *= 2.0
    it["heat_total"] = space + it["heat_dhw"]
    it["flow_temp"][:, 7:9] += 6.0
    it["room_temp"][:, night] -= drop_k
    return it


def test_a_sound_curve_is_silent() -> None:
    it = seen(sound())
    assert flow_above_curve(it) == no_weather_compensation(it) == setback_recovery(it) == []


def test_a_flow_above_the_curve_is_found_with_its_date_and_its_share_of_the_shortfall() -> None:
    (found,) = flow_above_curve(seen(hotter(60, 6.0, since=30)))
    assert found.kind == "flow-above-curve"
    assert found.explains is Cause.FLOW
    assert found.since is not None
    assert abs((found.since.date() - date(2024, 1, 31)).days) <= 2
    assert found.figures[0].value == pytest.approx(6.0, abs=0.2)
    assert found.effect is not None
    assert 0.0 < found.effect.low < found.effect.spf < found.effect.high
    assert found.effect.money_year == pytest.approx(0.30 * found.effect.kwh_year)


def test_it_is_found_within_two_weeks() -> None:
    assert flow_above_curve(seen(hotter(40, 6.0, since=26)))


def test_a_curve_that_was_lowered_clears_the_finding() -> None:
    it = sound(60)
    it["flow_temp"][:40, DRY] += 6.0
    assert flow_above_curve(seen(it)) == []


def test_much_hot_water_does_not_count_as_a_hot_flow() -> None:
    it = sound()
    often = [2, 6, 9, 12, 15, 18, 21]
    it["heat_dhw"][:, often] = 3.0
    it["heat_total"][:, often] += 3.0
    it["flow_temp"][:, often] = 55.0
    assert flow_above_curve(seen(it)) == []
    assert flow_above_curve(seen(without(it, Role.DHW_TEMP))) == []


def test_without_a_meter_of_hot_water_the_many_hours_of_heating_tell_the_flow() -> None:
    bare = (Role.HEAT_DHW, Role.DHW_TEMP)
    assert flow_above_curve(seen(without(sound(), *bare))) == []
    assert flow_above_curve(seen(without(hotter(60, 6.0), *bare)))


def minutes(flow_c: float, days: int = 40) -> pl.DataFrame:
    """What samples of minutes tell: the flow of steady running for rooms at 5 degC outside."""
    told = {"space_h": 10.0, "space_flow_c": flow_c, "space_outdoor_c": 5.0, "space_delta_k": 5.0}
    known = [
        pl.lit(told.get(name), dtype=dtype).alias(name)
        for name, dtype in BEHAVIOUR.items()
        if name != "day"
    ]
    span = pl.date_range(FIRST, FIRST + timedelta(days=days - 1), eager=True).alias("day")
    return check(pl.DataFrame(span).with_columns(known), BEHAVIOUR)


def test_samples_of_minutes_come_before_hourly_means() -> None:
    # The curve says 38 degC at 5 degC outside.
    hot, fine = replace(seen(sound(40)), behaviour=minutes(44.0)), minutes(38.5)
    (found,) = flow_above_curve(hot)
    assert found.evidence[0].of == "behaviour"
    assert found.figures[0].value == pytest.approx(6.0)
    assert flow_above_curve(replace(seen(hotter(40, 6.0)), behaviour=fine)) == []


def test_samples_that_nothing_marks_as_hot_water_are_left_aside() -> None:
    bare = without(sound(40), Role.HEAT_DHW, Role.DHW_TEMP)
    assert flow_above_curve(replace(seen(bare), behaviour=minutes(44.0))) == []


def test_a_household_that_keeps_it_warmer_needs_a_hotter_flow() -> None:
    it = hotter(60, 3.6)
    assert flow_above_curve(seen(it))
    it["room_temp"][:] = 23.0
    assert flow_above_curve(seen(it)) == []


def test_a_wide_spread_at_the_right_mean_is_a_matter_of_the_pump() -> None:
    it = hotter(60, 4.0)
    it["return_temp"] = it["flow_temp"] - 13.0
    assert flow_above_curve(seen(it)) == []
    it["return_temp"] = it["flow_temp"] - 5.0
    assert flow_above_curve(seen(it))


def test_without_a_design_curve_nothing_is_above_it() -> None:
    bare = {"design_flow_temp_c": None, "flow_temp_at_15_c": None}
    assert flow_above_curve(seen(hotter(60, 8.0), heat_pump=bare)) == []


def test_a_fixed_flow_does_not_follow_the_weather_and_is_told_once() -> None:
    it = seen(fixed(60))
    (found,) = no_weather_compensation(it)
    assert found.figures[0].value == pytest.approx(0.0, abs=0.05)
    assert found.figures[1].value == PER_K
    assert found.explains is Cause.FLOW
    assert flow_above_curve(it) == []
    assert "warm" in (found.caution or "")


def test_a_fixed_flow_is_found_without_a_design_curve_where_it_is_hot() -> None:
    bare = {"design_flow_temp_c": None, "flow_temp_at_15_c": None}
    assert no_weather_compensation(seen(fixed(60, 44.0), heat_pump=bare))
    assert no_weather_compensation(seen(fixed(60, 32.0), heat_pump=bare)) == []


def test_days_that_are_all_alike_do_not_tell_a_fixed_flow() -> None:
    it = fixed(60)
    it["outdoor_temp"][:] = 5.0
    assert no_weather_compensation(seen(it)) == []


def test_a_controller_that_was_set_to_follow_the_weather_clears_the_finding() -> None:
    it = fixed(60)
    it["flow_temp"][35:] = sound(60)["flow_temp"][35:]
    assert no_weather_compensation(seen(it)) == []


def test_a_deep_setback_with_a_hot_recovery_is_found_and_warmth_comes_first() -> None:
    (found,) = setback_recovery(seen(recovering()))
    assert found.figures[0].value == pytest.approx(8.0)
    assert found.figures[1].value == pytest.approx(4.0)
    assert "cold" in (found.caution or "")
    assert "cold" in (found.plainly or "")
    assert found.effect is not None
    assert found.effect.low <= 0.0


def test_a_gentle_setback_is_nobodys_business() -> None:
    assert setback_recovery(seen(recovering(drop_k=1.5))) == []


def test_hot_recoveries_are_not_told_again_as_a_hot_curve() -> None:
    it = recovering()
    it["flow_temp"][:, DRY] += 3.0
    assert flow_above_curve(seen(it)) == []


def summer(heat_kwh: float, room_from: int = 0) -> dict[str, Hours]:
    it = sound(40, mean_c=20.0)
    it["outdoor_temp"] = np.maximum(it["outdoor_temp"], 16.5)
    it["heat_total"] = it["heat_dhw"].copy()
    it["heat_total"][room_from:, 8:12] += heat_kwh / 4.0
    return it


def test_rooms_heated_on_warm_days_are_found_where_hot_water_is_told_apart() -> None:
    it = summer(4.0)
    (found,) = summer_heating(seen(it, first=date(2024, 6, 20)))
    assert found.figures[0].value == pytest.approx(4.0, abs=0.3)
    assert summer_heating(seen(without(it, Role.HEAT_DHW), first=date(2024, 6, 20))) == []


def test_summer_heating_costs_electricity_though_the_spf_may_gain_by_it() -> None:
    it = summer(8.0)
    it["elec_total"] = it["heat_dhw"] / 2.0 + (it["heat_total"] - it["heat_dhw"]) / 6.0
    (found,) = summer_heating(seen(it, first=date(2024, 6, 20)))
    assert found.effect is not None
    assert found.effect.kwh_year > 0.0
    assert found.effect.low < found.effect.spf < 0.0


def test_hot_water_alone_is_no_heating_in_summer_though_meters_differ() -> None:
    it = summer(0.0)
    it["heat_dhw"] = it["heat_dhw"] * 0.95
    assert summer_heating(seen(it, first=date(2024, 6, 20))) == []


def test_the_cool_morning_of_a_warm_day_may_be_heated() -> None:
    it = summer(0.0)
    it["outdoor_temp"][:] = np.where(np.arange(40)[:, None] % 2 == 0, 12.0, 19.0)
    it["heat_total"][1::2, :7] += 3.0
    assert summer_heating(seen(it, first=date(2024, 6, 20))) == []
    # The nights after warm days are none of these.
    it["heat_total"][1::2, 18:23] += 2.0
    it["heat_total"][0::2, :5] += 2.0
    assert summer_heating(seen(it, first=date(2024, 6, 20)))


def test_a_cool_summer_day_may_be_heated() -> None:
    it = sound(60, mean_c=11.0)
    assert summer_heating(seen(it, first=date(2024, 6, 1))) == []


def test_a_kelvin_of_flow_is_worth_what_heat_pumps_are_known_to_lose() -> None:
    # Common practice, no source: 2 to 2.5 % of the electricity for each kelvin of flow.
    at = pl.DataFrame({"flow": [40.0], "source": [4.0]})
    per_k = at.select(spared_share(pl.col("flow"), pl.col("flow") - 1.0, pl.col("source"))).item()
    assert 0.015 < per_k < 0.026
    # EN 14511 working points: Carnot COP at 2 degC air, 7.40 at 45 degC and 9.34 at 35 degC.
    ten = at.select(spared_share(pl.lit(45.0), pl.lit(35.0), pl.lit(2.0))).item()
    assert ten == pytest.approx(1.0 - 7.40 / 9.34, abs=0.04)


def test_two_months_of_winter_are_not_a_sixth_of_the_heating() -> None:
    assert heating_days(seen(sound(60)), date(2024, 1, 1)) > 75.0
