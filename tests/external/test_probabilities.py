"""Probabilities and the members of an outlook against the distributions of scipy.

References: scipy 1.17 (normal, truncated normal, uniform, exponential and beta distributions,
Kolmogorov-Smirnov test). JCGM 106:2012, 7.3.3 (from memory): conformance with one lower limit;
clause 9: risks over a population. JCGM 101:2008: propagation of distributions. Bernardo and
Smith (1994), Bayesian Theory (from memory): k of n under Jeffreys' prior has the mean
(k + 1/2)/(n + 1).
"""

from __future__ import annotations

from datetime import date, timedelta
from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import beta, expon, kstest, norm, truncnorm, uniform

from monitor.guarantee.basis import basis
from monitor.guarantee.conformance import conformance_probability, decide, guard_band
from monitor.guarantee.ensemble import Ensemble, ensemble
from monitor.guarantee.outlook import Outlook, outlook
from monitor.metrics import priors
from monitor.metrics.account import heat_meter_use
from monitor.metrics.boundary import promised_recipe
from monitor.metrics.climate import UK_AVERAGE, from_months
from monitor.metrics.daily import day_frame
from monitor.metrics.performance import pair
from monitor.models import Terms
from tests.monitor.linear_home import BEGIN, Home, frames_of, site_of

pytestmark = pytest.mark.external

DAYS_KNOWN = 240
MEMBERS = 20_000

#: One constant a day: what is left of a day's electricity are the changes to come.
HEAT_A_DAY, USED_A_DAY = 30.0, 10.0


class EvenModel:
    """A home that takes the same on every day, whatever the weather."""

    def simulate(
        self, outdoor_c: np.ndarray, day: np.ndarray, rng: np.random.Generator
    ) -> tuple[np.ndarray, np.ndarray]:
        return np.full_like(outdoor_c, HEAT_A_DAY), np.full_like(outdoor_c, USED_A_DAY)


@cache
def drawn() -> Ensemble:
    it = Home(days=DAYS_KNOWN)
    site = site_of(it, 3.0)
    slots, states = frames_of(it)
    terms = site.current_terms
    assert terms is not None
    plan = promised_recipe(site, terms)
    even: Any = EvenModel()
    return ensemble(
        site,
        terms,
        plan,
        pair(slots, plan),
        day_frame(site, plan, slots, states),
        even,
        from_months(UK_AVERAGE, "table"),
        heat_meter_use(site, slots, states),
        until=BEGIN + timedelta(days=DAYS_KNOWN),
        members=MEMBERS,
        seed=1,
    )


@pytest.mark.parametrize("y", [2.31, 2.79, 2.8, 3.06, 4.2])
@pytest.mark.parametrize("u", [0.02, 0.13, 0.6])
def test_conformance_is_the_upper_tail_of_the_normal_distribution(y: float, u: float) -> None:
    assert conformance_probability(y, u, 2.8) == pytest.approx(
        norm(y, u).sf(2.8), rel=1e-9, abs=1e-15
    )


@pytest.mark.parametrize(("y", "u"), [(2.9, 0.15), (3.2, 0.3)])
def test_an_spf_that_cannot_be_negative_changes_nothing_that_can_be_seen(
    y: float, u: float
) -> None:
    truncated = truncnorm(-y / u, np.inf, loc=y, scale=u)
    assert conformance_probability(y, u, 2.8) == pytest.approx(truncated.sf(2.8), abs=1e-9)


def guarded(factor: float) -> Terms:
    return Terms.model_validate(
        {
            "signed": date(2024, 1, 1),
            "promised_spf": 2.8,
            "boundary": "H3",
            "start": date(2024, 2, 1),
            "months": 12,
            "decision": "guarded",
            "guard_factor": factor,
        }
    )


@pytest.mark.parametrize("factor", [0.0, 0.5, 1.0])
def test_the_risk_of_a_wrong_kept_over_a_fleet_is_its_double_integral(factor: float) -> None:
    """JCGM 106:2012, clause 9: true SPFs of a fleet N(2.9, 0.3), measured with u = 0.1."""
    terms, u = guarded(factor), 0.1
    rng = np.random.default_rng(3)
    true = rng.normal(2.9, 0.3, 40_000)
    shown = true + rng.normal(0.0, u, 40_000)
    kept = np.array([decide(float(y), u, 1.0, terms) == "kept" for y in shown])
    limit = 2.8 + guard_band(u, terms)
    assert guard_band(u, terms) == pytest.approx(factor * 2.0 * u)
    risk = quad(lambda x: norm(2.9, 0.3).pdf(x) * norm(x, u).sf(limit), 0.0, 2.8)[0]
    found = float(np.mean(kept & (true < 2.8)))
    assert found == pytest.approx(risk, abs=4.0 * (risk / 40_000) ** 0.5)


class TestMembers:
    def test_a_meters_error_is_one_uniform_factor(self) -> None:
        # Class 2 at 5 K and q_p/q 2, MID class B: indicated over true within 5.44 and 2 %.
        found = drawn()
        heat, used = 1.0 / found.heat_factor - 1.0, 1.0 / found.electricity_factor - 1.0
        for error, limit in ((heat, 0.0544), (used, 0.02)):
            assert np.abs(error).max() <= limit
            assert kstest(error, uniform(-limit, 2 * limit).cdf).pvalue > 1e-3
        # Two meters that know nothing of one another.
        assert abs(np.corrcoef(heat, used)[0, 1]) < 4.0 / MEMBERS**0.5

    def test_the_spf_is_measured_and_drawn_energy_as_the_meters_err(self) -> None:
        found = drawn()
        to_come = 366 - DAYS_KNOWN
        assert found.future.sum() == pytest.approx(to_come)
        unchanged = found.electricity[:, -1] == USED_A_DAY
        spf = (
            (found.measured_heat + to_come * HEAT_A_DAY)
            * found.heat_factor
            / ((found.measured_electricity + to_come * USED_A_DAY) * found.electricity_factor)
        )
        assert found.spf[unchanged] == pytest.approx(spf[unchanged], rel=1e-12)
        assert found.course()[:, -1] == pytest.approx(found.spf, rel=1e-12)

    def test_what_was_measured_may_be_moved_to_other_weather(self) -> None:
        found = drawn()
        heat, used = np.linspace(0.9, 1.1, MEMBERS), 0.93
        share = found.past + found.future
        spf = (
            (heat * found.measured_heat + (found.heat * share).sum(axis=1))
            * found.heat_factor
            / (used * found.measured_electricity + (found.electricity * share).sum(axis=1))
            / found.electricity_factor
        )
        assert found.moved(heat, used) == pytest.approx(spf, rel=1e-12)

    @pytest.mark.parametrize("day", [1, 30, 90, 125])
    def test_changes_to_come_arrive_at_a_constant_rate(self, day: int) -> None:
        # Exponential waiting: by day d a share 1 - exp(-rate d) of the members has changed.
        changed = drawn().electricity[:, DAYS_KNOWN + day] != USED_A_DAY
        share = expon(scale=365.25 / priors.CHANGES_A_YEAR).cdf(day)
        assert changed.mean() == pytest.approx(share, abs=4.0 * (share / MEMBERS) ** 0.5)

    def test_changes_to_come_are_normal_and_never_halve_the_electricity(self) -> None:
        last = drawn().electricity[:, -1] / USED_A_DAY - 1.0
        sizes = last[last != 0.0]
        assert len(sizes) > 1000
        assert sizes.min() > -0.5
        assert kstest(sizes, norm(priors.CHANGE_MEAN, priors.CHANGE_SD).cdf).pvalue > 1e-3
        error = 3.5 / (2 * len(sizes)) ** 0.5
        assert sizes.std() == pytest.approx(priors.CHANGE_SD, rel=error)


def outlook_of(promise: float, members: int) -> Outlook:
    it = Home(days=DAYS_KNOWN)
    base = basis(site_of(it, promise), *frames_of(it), now=BEGIN + timedelta(days=DAYS_KNOWN))
    assert base is not None
    return outlook(base, members=members)


def test_the_probability_of_an_outlook_is_that_of_its_count_under_jeffreys_prior() -> None:
    members = 400
    found = outlook_of(2.9, members)
    assert found.probability is not None
    kept = round(found.probability * (members + 1) - 0.5)
    assert 0 < kept < members
    assert found.probability == pytest.approx(beta(kept + 0.5, members - kept + 0.5).mean())
    # The median is reached by half of the members.
    assert found.median is not None
    assert outlook_of(found.median, members).probability == pytest.approx(0.5, abs=1.0 / members)
