"""The score of the calibration study against closed forms.

Source: Gneiting and Raftery (2007), "Strictly Proper Scoring Rules, Prediction, and
Estimation", Journal of the American Statistical Association 102, equation 21 and
section 4.2 (CRPS of a normal forecast; from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from tests.calibration.score import crps_ensemble, crps_normal, holds

pytestmark = pytest.mark.external


@pytest.mark.parametrize("outcome", [-1.0, 0.0, 0.4, 2.5])
def test_the_closed_form_is_the_integral_that_defines_the_score(outcome: float) -> None:
    below = quad(lambda x: norm.cdf(x) ** 2, -12.0, outcome)[0]
    above = quad(lambda x: norm.sf(x) ** 2, outcome, 12.0)[0]
    assert crps_normal(0.0, 1.0, outcome) == pytest.approx(below + above, abs=1e-7)


def test_a_perfect_standard_normal_scores_0_2337_at_its_centre() -> None:
    # (sqrt(2) - 1) / sqrt(pi)
    assert crps_normal(0.0, 1.0, 0.0) == pytest.approx(0.233695, abs=1e-6)


@pytest.mark.parametrize("outcome", [2.6, 3.0, 3.5])
def test_the_score_of_many_members_is_that_of_their_distribution(outcome: float) -> None:
    members = norm.ppf((np.arange(5000) + 0.5) / 5000, 3.0, 0.2)
    assert crps_ensemble(members, outcome) == pytest.approx(
        crps_normal(3.0, 0.2, outcome), abs=2e-4
    )


def test_one_member_scores_its_absolute_error() -> None:
    assert crps_ensemble(np.array([3.2]), 3.0) == pytest.approx(0.2)


def test_a_small_ensemble_scores_what_its_pairs_say() -> None:
    x = np.array([2.0, 2.5, 4.0])
    pairs = np.abs(x[:, None] - x[None, :]).mean()
    assert crps_ensemble(x, 3.0) == pytest.approx(np.abs(x - 3.0).mean() - pairs / 2)


def test_central_intervals_hold_their_share() -> None:
    rng = np.random.default_rng(8)
    members = rng.normal(3.0, 0.2, 20_000)
    held = [holds(members, y, 0.5) for y in rng.normal(3.0, 0.2, 2000)]
    assert np.mean(held) == pytest.approx(0.5, abs=0.04)
