"""The SPF moved to a reference climate, against a home of known arithmetic.

References: a home whose days follow plain formulas, computed once in the weather that was and
once in the reference climate; pandas 3.1 (means by month); uncertainties 3.2 for the product of SPF
and factor; JCGM 100:2008, 4.3.7 and 5.1.2.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
from scipy.stats import uniform
from uncertainties import ufloat

from monitor.guarantee.allowance import FORM_SPREAD, FORM_U, SENSOR_U_K, Allowance, allowance
from monitor.guarantee.basis import basis
from monitor.guarantee.home_days import home_days
from monitor.metrics.climate import UK_AVERAGE, from_months
from tests.monitor.linear_home import (
    NORMALS,
    Home,
    end_of,
    energies,
    frames_of,
    outdoor_of,
    site_of,
    spf_of,
)

pytestmark = pytest.mark.external

COLD = Home(colder_k=2.0)
WITH_BACKUP = Home(colder_k=2.0, backup_share=0.1)


@cache
def moved(it: Home) -> Allowance:
    base = basis(site_of(it, 3.0), *frames_of(it), now=end_of(it))
    assert base is not None
    return allowance(base, from_months(NORMALS, "normals of the place"))


def figures(found: Allowance) -> tuple[float, ...]:
    parts = (found.u_parameters, found.u_sensor, found.u_backup, found.u_form)
    values = (found.spf, found.u_spf, found.factor, found.u_factor, *parts)
    assert None not in values, found.sentence
    return tuple(v for v in values if v is not None)


@pytest.mark.parametrize(
    ("it", "usual"),
    [(COLD, Home()), (WITH_BACKUP, Home(backup_share=0.1))],
    ids=["plain", "backup"],
)
def test_a_home_in_a_cold_year_gets_the_spf_of_its_usual_weather(it: Home, usual: Home) -> None:
    found = moved(it)
    spf, _, factor, u_factor, *_ = figures(found)
    assert found.colder_k == pytest.approx(2.0, abs=0.1)
    assert spf > 1.01 * spf_of(it)
    # The home's model has to find its formulas again, and the cycle of the climate meets its
    # months to a tenth of a kelvin.
    assert factor == pytest.approx(spf_of(usual) / spf_of(it), abs=0.5 * u_factor)
    assert spf == pytest.approx(factor * spf_of(it), rel=1e-6)
    assert found.heat_factor is not None
    assert found.electricity_factor is not None
    assert factor == pytest.approx(found.heat_factor / found.electricity_factor)
    cold, usually = energies(it), energies(usual)
    heat = [e["heat"].sum() + e["backup"].sum() for e in (usually, cold)]
    assert found.heat_factor == pytest.approx(heat[0] / heat[1], rel=0.005)


@pytest.mark.parametrize("it", [COLD, WITH_BACKUP], ids=["plain", "backup"])
def test_its_uncertainty_is_that_of_a_product_of_independent_factors(it: Home) -> None:
    found = moved(it)
    spf, u_spf, factor, u_factor, *parts = figures(found)
    measured = basis(site_of(it, 3.0), *frames_of(it), now=end_of(it))
    assert measured is not None
    so_far = measured.so_far
    assert so_far.spf is not None
    assert so_far.u_spf is not None
    change = factor + sum(ufloat(0.0, u) for u in parts if u > 0)
    theirs = ufloat(so_far.spf, so_far.u_spf) * change
    assert u_factor == pytest.approx(change.s, rel=1e-9)
    assert (spf, u_spf) == pytest.approx((theirs.n, theirs.s), rel=1e-9)
    form = (ufloat(0.0, FORM_SPREAD * abs(factor - 1.0)) + ufloat(0.0, FORM_U)).s
    assert parts[3] == pytest.approx(form, rel=1e-9)


def test_each_month_is_moved_to_its_mean_in_the_climate_and_keeps_its_ups_and_downs() -> None:
    base = basis(site_of(COLD, 3.0), *frames_of(COLD), now=end_of(COLD))
    assert base is not None
    elsewhere = from_months(UK_AVERAGE, "table")
    found = home_days(base, elsewhere)
    assert not isinstance(found, str)
    days = pd.to_datetime(found.table.number, unit="D")
    outdoor = pd.Series(found.table.outdoor_c, index=days)
    normal = pd.Series(elsewhere.normal(days.day_of_year.to_numpy().astype(float)), index=days)
    month = days.strftime("%Y-%m")
    moved = outdoor + (normal - outdoor).groupby(month).transform("mean")
    assert found.table.reference_c == pytest.approx(moved.to_numpy(), rel=1e-9)
    # The months differ in how far they are moved, so that one shift for all would not do.
    assert (moved - outdoor).groupby(month).first().std() > 0.3


def test_a_thermometer_that_is_off_moves_the_factor_as_other_weather_does() -> None:
    _, _, _, _, _, u_sensor, u_backup, _ = figures(moved(COLD))
    warmer = spf_of(Home(colder_k=-SENSOR_U_K)) / spf_of(COLD)
    assert u_sensor == pytest.approx(abs(warmer - spf_of(Home()) / spf_of(COLD)), rel=0.05)
    assert u_backup == pytest.approx(0.0, abs=1e-12)


def test_a_backup_heater_may_keep_its_heat_in_other_weather() -> None:
    """One end of a rectangle about a heater that follows the house, and a spread of its share."""
    *_, u_backup, _ = figures(moved(WITH_BACKUP))
    cold, usual = energies(WITH_BACKUP), energies(Home(backup_share=0.1))
    outdoor = outdoor_of(Home())
    less = 5.0 * (np.maximum(15.0 - outdoor, 0.0) - np.maximum(15.0 - outdoor_of(COLD), 0.0))
    # The heater gives what it gave, on each day; the heat pump what else the house wants.
    kept, water = cold["backup"], usual["water"]
    space = np.maximum(cold["space"] + less, 0.0)
    heat = space + water
    moment = space * (30.0 + 0.8 * (15.0 - outdoor)) + water * 50.0
    used = 0.45 + 0.06 * heat + 0.0075 * (moment - heat * outdoor) + 0.14 * water
    spf = (heat + kept).sum() / (used + kept).sum()
    limit = abs(spf - spf_of(Home(backup_share=0.1))) / spf_of(WITH_BACKUP)
    assert limit > 0.04
    # And its share of the heat is another by 12 % from year to year.
    more = 1.12 * usual["backup"]
    space = usual["space"] + usual["backup"] - more
    heat = space + water
    moment = space * (30.0 + 0.8 * (15.0 - outdoor)) + water * 50.0
    used = 0.45 + 0.06 * heat + 0.0075 * (moment - heat * outdoor) + 0.14 * water
    spf = (heat + more).sum() / (used + more).sum()
    share = abs(spf - spf_of(Home(backup_share=0.1))) / spf_of(WITH_BACKUP)
    expected = np.hypot(uniform(-limit, 2 * limit).std(), share)
    assert u_backup == pytest.approx(expected, rel=0.06)
