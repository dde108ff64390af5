"""Resistive heaters, and hot water."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pytest

from monitor.findings.cylinder import (
    NEVER_DAYS,
    hot_water_set_point,
    pasteurisation_none,
    pasteurisation_often,
)
from monitor.findings.finding import Confidence, Finding, Seen
from monitor.findings.heaters import backup_beside_unit, immersion_runs
from monitor.findings.hot_water import hot_water_reheats, hot_water_share
from monitor.guarantee.causes import Cause
from monitor.models import Role
from tests.monitor.findings.hourly_home import Hours, seen, sound, without

CHECKS = (
    backup_beside_unit,
    immersion_runs,
    hot_water_share,
    hot_water_reheats,
    hot_water_set_point,
    pasteurisation_often,
    pasteurisation_none,
)


def kinds(it: Seen) -> list[str]:
    return [finding.kind for check in CHECKS for finding in check(it)]


def with_backup(days: int = 40, *, below_c: float = 5.0, kw: float = 3.0) -> dict[str, Hours]:
    """A home whose backup heater takes its part of the heat in four hours of each cold day."""
    it = sound(days, mean_c=4.0)
    on = np.zeros_like(it["heat_total"], dtype=bool)
    on[:, 9:13] = it["outdoor_temp"][:, 9:13] < below_c
    backup = np.where(on, np.minimum(kw, 0.8 * it["heat_total"]), 0.0)
    it["elec_total"] = it["elec_total"] - backup / 3.5
    it["elec_backup"] = backup
    it["heat_total"] = it["heat_total"] - backup
    return it


def counted_in(it: dict[str, Hours]) -> dict[str, Hours]:
    """The same home with meters that count the backup heater, which has none of its own."""
    out = without(it, Role.ELEC_BACKUP)
    out["elec_total"] = it["elec_total"] + it["elec_backup"]
    out["heat_total"] = it["heat_total"] + it["elec_backup"]
    return out


APART: dict[str, Any] = {"counts": {"elec_total": ["unit", "source"]}}
WITHIN: dict[str, Any] = {
    "counts": {"elec_total": ["unit", "source", "backup"], "heat_total": ["backup"]},
    "heat_pump": {"backup_heater": True},
}


def test_a_sound_home_has_no_findings_about_heaters_and_water() -> None:
    assert kinds(seen(sound(), expects={"hot_water_kwh_day": 6.0})) == []


def test_a_backup_heater_in_mild_weather_is_found_with_what_the_unit_would_have_saved() -> None:
    it = with_backup()
    (found,) = backup_beside_unit(seen(it, **APART))
    assert found.explains is Cause.RESISTIVE
    assert found.confidence is Confidence.LIKELY
    mild = it["elec_backup"][it["outdoor_temp"] >= -3.0].sum()
    assert found.figures[0].value == pytest.approx(mild, rel=0.15)
    assert found.effect is not None
    assert 0.0 < found.effect.low < found.effect.spf < found.effect.high
    assert "electricians" in (found.caution or "")


@pytest.mark.parametrize("kw", [1.0, 3.0, 6.0])
def test_what_a_backup_heater_costs_is_the_spf_of_the_same_home_without_it(kw: float) -> None:
    """However much is the heater's: it is held against the unit alone."""
    alone = sound(40, mean_c=4.0)
    it = with_backup(below_c=20.0, kw=kw)
    (found,) = backup_beside_unit(seen(it, boundary="H3", **APART))
    heat = it["heat_total"].sum() + it["elec_backup"].sum()
    shown = heat / (it["elec_total"].sum() + it["elec_backup"].sum())
    cost = alone["heat_total"].sum() / alone["elec_total"].sum() - shown
    assert found.effect is not None
    assert found.effect.low < cost < found.effect.high
    assert found.effect.spf == pytest.approx(cost, rel=0.12)


def test_a_backup_heater_below_the_design_temperature_is_in_its_place() -> None:
    it = with_backup(below_c=-3.0)
    assert backup_beside_unit(seen(it, **APART)) == []


def test_a_heater_that_joins_in_when_the_unit_gives_all_it_can_is_in_its_place() -> None:
    it = with_backup(below_c=0.0)
    it["heat_total"] += 4.0 * (it["elec_backup"] > 0)
    assert backup_beside_unit(seen(it, **APART)) == []


def test_mild_weather_does_not_refute_a_heater_that_comes_on_in_the_cold() -> None:
    it = with_backup(60)
    it["outdoor_temp"][40:] = 9.0
    it["elec_backup"][40:] = 0.0
    assert backup_beside_unit(seen(it, **APART))


def test_a_controller_put_right_in_the_cold_clears_it() -> None:
    it = with_backup(60)
    it["elec_backup"][40:] = 0.0
    assert backup_beside_unit(seen(it, **APART)) == []


def test_where_only_the_whole_is_metered_a_heater_shows_as_steps() -> None:
    (found,) = backup_beside_unit(seen(counted_in(with_backup()), **WITHIN))
    assert found.confidence is Confidence.SUSPECTED
    true = with_backup()["elec_backup"].sum()
    assert found.figures[0].value == pytest.approx(true, rel=0.35)


def test_a_unit_that_is_a_quarter_worse_is_no_heater() -> None:
    it = counted_in(with_backup(below_c=-50.0))
    it["elec_total"][20:] *= 1.25
    assert backup_beside_unit(seen(it, **WITHIN)) == []


def test_a_meter_that_counts_the_house_is_no_heater() -> None:
    it = counted_in(with_backup(below_c=-50.0))
    it["heat_total"][:, [0, 1, 2]] = 0.0
    it["elec_total"][:, [0, 1, 2]] = 0.4
    it["elec_total"][:, 17:21] += 2.0
    assert backup_beside_unit(seen(it, **WITHIN)) == []


def with_immersion(kwh: float, *, every: int = 1, days: int = 40) -> dict[str, Hours]:
    it = sound(days)
    it["elec_immersion"] = np.zeros((days, 24))
    it["elec_immersion"][::every, 4:6] = kwh / 2.0
    return it


def test_an_immersion_heater_left_on_is_found_and_nobody_is_told_to_switch_it_off() -> None:
    (found,) = immersion_runs(seen(with_immersion(4.0), **APART))
    assert found.explains is Cause.RESISTIVE
    assert found.effect is not None
    assert found.effect.kwh_year > 0
    assert "Do not switch it off" in (found.plainly or "")
    assert "legionella" in (found.caution or "")


@pytest.mark.parametrize(("kwh", "every"), [(4.0, 7), (1.5, 1)])
def test_a_weekly_or_a_small_top_up_is_what_a_pasteurisation_takes(kwh: float, every: int) -> None:
    assert immersion_runs(seen(with_immersion(kwh, every=every), **APART)) == []


def test_a_promise_that_leaves_heaters_out_loses_no_spf_by_them() -> None:
    it = with_immersion(4.0)
    inside = immersion_runs(seen(it, **APART))[0].effect
    outside = immersion_runs(seen(it, boundary="H2", **APART))[0].effect
    assert inside is not None
    assert outside is not None
    assert inside.low > 0.0
    # What the unit would have made of that heat is as good as its average, or nearly.
    assert outside.low < 0.0 < outside.high
    assert abs(outside.spf) < 0.1 * inside.spf
    assert outside.money_year == pytest.approx(0.30 * outside.kwh_year)
    assert outside.kwh_year > 500.0


def test_more_hot_water_than_the_terms_expect_is_found_only_where_they_expect_something() -> None:
    it = sound()
    it["heat_dhw"] *= 2.0
    (found,) = hot_water_share(seen(it, expects={"hot_water_kwh_day": 6.0}))
    assert found.explains is Cause.WATER
    assert found.figures[0].value == pytest.approx(12.0)
    assert hot_water_share(seen(it)) == []
    assert hot_water_share(seen(it, expects={"hot_water_kwh_day": 12.0})) == []


def test_guests_for_a_week_are_no_finding() -> None:
    it = sound()
    it["heat_dhw"][30:37] *= 2.5
    assert hot_water_share(seen(it, expects={"hot_water_kwh_day": 6.0})) == []


def test_reheats_after_two_kelvin_are_too_soon_and_a_family_that_draws_much_is_not() -> None:
    often = np.zeros((40, 24))
    often[:, ::3] = 0.8
    it = sound(40)
    it["heat_dhw"] = often
    it["dhw_temp"] = 48.0 + np.tile(np.array([2.0, 1.0, 0.0]), (40, 8))
    (found,) = hot_water_reheats(seen(it))
    assert found.figures[2].value == pytest.approx(2.0)
    family = sound(40)
    family["heat_dhw"] = 3.0 * often
    family["dhw_temp"] = 44.0 + np.tile(np.array([4.0, 7.0, 0.0]), (40, 8))
    assert hot_water_reheats(seen(family)) == []


def test_a_cylinder_kept_at_60_degrees_is_asked_about_and_never_told_to_be_lowered() -> None:
    it = sound(40)
    it["dhw_temp"] += 10.0
    (found,) = hot_water_set_point(seen(it))
    assert found.confidence is Confidence.SUSPECTED
    assert _guards(found)
    assert "codes" in found.check[0]
    assert pasteurisation_often(seen(it)) == pasteurisation_none(seen(it)) == []


def test_a_daily_pasteurisation_is_told_from_a_hot_set_point() -> None:
    it = sound(40)
    it["dhw_temp"][:, 3] = 60.5
    (found,) = pasteurisation_often(seen(it))
    assert found.figures[0].value == pytest.approx(7.0)
    assert _guards(found)
    assert hot_water_set_point(seen(it)) == []


def test_what_a_metered_heater_takes_for_daily_pasteurisations_is_what_they_cost() -> None:
    """1.5 kWh a day, of which one in seven would do; the unit makes the same heat with a third."""
    it = with_immersion(1.5)
    it["dhw_temp"][:, 5] = 60.5
    (found,) = pasteurisation_often(seen(it, **APART))
    assert found.effect is not None
    needless = 1.5 * 6.0 / 7.0 * 365.25
    assert 0.55 * needless < found.effect.kwh_year < 0.75 * needless
    del it["elec_immersion"]
    (unmetered,) = pasteurisation_often(seen(it))
    assert unmetered.effect is not None
    assert unmetered.effect.kwh_year < 0.5 * found.effect.kwh_year


def test_what_an_immersion_heater_keeps_hot_is_told_once() -> None:
    it = with_immersion(5.0)
    it["dhw_temp"][:] = 60.0
    assert kinds(seen(it, **APART)) == ["immersion-runs"]


def test_a_cylinder_that_was_never_hot_for_five_weeks_is_suspected_with_caution_first() -> None:
    it = sound(60)
    it["dhw_temp"] = np.minimum(it["dhw_temp"], 50.0)
    (found,) = pasteurisation_none(seen(it))
    assert found.confidence is Confidence.SUSPECTED
    assert found.effect is None
    assert found.since is not None
    assert found.since.date() == date(2024, 1, 1)
    assert _guards(found)
    assert "ask your installer" in (found.plainly or "")


def test_five_weeks_with_holes_or_four_of_them_do_not_suffice() -> None:
    it = sound(60)
    it["dhw_temp"] = np.minimum(it["dhw_temp"], 50.0)
    assert pasteurisation_none(seen({name: v[: NEVER_DAYS - 7] for name, v in it.items()})) == []
    it["dhw_temp"][-30:-20] = np.nan
    assert pasteurisation_none(seen(it)) == []


def _guards(found: Finding) -> bool:
    """Whether a finding keeps anybody from lowering hot water and defers to local codes."""
    said = f"{found.caution} {' '.join(found.check)}"
    return "Never lower hot water below" in said and "local codes" in said and "60 degC" in said
