"""Degree days and the Carnot bound against worked numbers.

Sources: mean outdoor temperatures, SAP 10.2 (2021), Appendix U, Table U1, region 0; base
temperature 15.5 degC, ESRU, University of Strathclyde; degree days as mean degree hours
and Hitchin's formula with k = 0.71 /K, CIBSE TM41:2006 (from memory); days with lowest and
highest temperature, the Met Office's cases as printed at vesma.com. Carnot (1824):
COP = T / (T - T0) in kelvin. Numbers computed independently.
"""

from __future__ import annotations

import numpy as np
import pytest

from monitor.metrics.climate import UK_AVERAGE
from monitor.metrics.plausibility import carnot_cop, degree_days, hitchin_degree_days

pytestmark = pytest.mark.external

LENGTH = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])


def test_degree_days_of_mean_temperatures_are_those_of_the_table() -> None:
    naive = [347.2, 296.8, 279.0, 198.0, 117.8, 27.0, 0, 0, 42.0, 151.9, 252.0, 350.3]
    monthly = [degree_days(np.full(n, t)) for n, t in zip(LENGTH, UK_AVERAGE, strict=True)]
    assert monthly == pytest.approx(naive, abs=0.05)
    assert sum(monthly) == pytest.approx(2062.0, abs=0.05)


def test_hitchins_formula_gives_its_worked_months() -> None:
    worked = [347.3, 297.0, 279.5, 199.8, 126.3, 57.2, 28.8, 31.2, 66.7, 156.7, 252.6, 350.4]
    found = hitchin_degree_days(np.array(UK_AVERAGE), LENGTH)
    assert found == pytest.approx(worked, abs=0.05)
    assert found.sum() == pytest.approx(2193.6, abs=0.1)


def test_hitchins_formula_at_the_base_temperature_has_its_limit() -> None:
    assert hitchin_degree_days(np.array([15.5]), np.array([30]))[0] == pytest.approx(30 / 0.71)


@pytest.mark.parametrize(
    ("coldest", "warmest", "integral", "met_office"),
    [(2, 9, 10.0, 10.0), (10, 18, 2.114, 2.125), (11, 20, 1.432, 1.125), (12, 22, 0.914, 0.875)],
)
def test_hours_of_a_day_give_the_integral_of_its_course(
    coldest: float, warmest: float, integral: float, met_office: float
) -> None:
    hours = (np.arange(2400) + 0.5) / 100.0
    course = (coldest + warmest) / 2 - (warmest - coldest) / 2 * np.cos(2 * np.pi * hours / 24)
    found = degree_days(course) / 2400.0
    assert found == pytest.approx(integral, abs=0.001)
    # The customary formula from extremes alone comes near it.
    assert found == pytest.approx(met_office, abs=0.35)


@pytest.mark.parametrize(
    ("source", "at_35", "at_45", "at_55"),
    [(-7, 7.34, 6.12, 5.29), (0, 8.80, 7.07, 5.97), (2, 9.34, 7.40, 6.19), (7, 11.01, 8.37, 6.84)],
)
def test_the_carnot_bound_is_that_of_the_table(
    source: float, at_35: float, at_45: float, at_55: float
) -> None:
    found = carnot_cop(np.array([35.0, 45.0, 55.0]), np.array([source]))
    assert found == pytest.approx([at_35, at_45, at_55], abs=0.006)
