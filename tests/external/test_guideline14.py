"""Fit quality against ASHRAE Guideline 14-2014, Annex B.

Formulas: CV(RMSE) = sqrt(sum (y - f)^2 / (n - p)) / mean y; NMBE = sum (y - f) / ((n - p)
mean y); n' = n (1 - r)/(1 + r). The ten pairs of values are the example of the CRAN
package PerMat (help page of CVRMSE); the results were computed apart from the product.
"""

from __future__ import annotations

import numpy as np
import pytest

from monitor.metrics.quality import cv_rmse, nmbe, quality
from monitor.metrics.regression import effective_share, lag_one

pytestmark = pytest.mark.external

ACTUAL = np.arange(100.0, 551.0, 50.0)
PREDICTED = np.array([95.0, 148, 210, 245, 290, 360, 395, 440, 510, 540])


@pytest.mark.parametrize(
    ("parameters", "cv", "bias"),
    [(0, 2.5354, 0.5231), (1, 2.6726, 0.5812), (2, 2.8347, 0.6538)],
)
def test_cv_rmse_and_nmbe_of_the_worked_example(parameters: int, cv: float, bias: float) -> None:
    assert 100 * cv_rmse(ACTUAL, PREDICTED, parameters) == pytest.approx(cv, abs=5e-5)
    assert 100 * nmbe(ACTUAL, PREDICTED, parameters) == pytest.approx(bias, abs=5e-5)


def test_quality_carries_the_same_figures() -> None:
    found = quality(ACTUAL, PREDICTED, 2)
    assert 100 * found.cv_rmse == pytest.approx(2.8347, abs=5e-5)
    assert found.r2 == pytest.approx(np.corrcoef(ACTUAL, PREDICTED)[0, 1] ** 2, abs=2e-3)


def test_correlated_days_count_less() -> None:
    # Guideline 14: n = 365 days at r = 0.6 count as 91.25.
    assert 365 * effective_share(0.6) == pytest.approx(91.25)
    assert effective_share(-0.3) == 1.0


def test_the_correlation_of_a_first_order_series_is_found() -> None:
    rng = np.random.default_rng(1)
    x = np.zeros(4000)
    for i in range(1, 4000):
        x[i] = 0.6 * x[i - 1] + rng.normal()
    assert lag_one(x, np.arange(4000)) == pytest.approx(0.6, abs=0.04)
    # Days that are not neighbours say nothing.
    assert lag_one(x, np.arange(4000) * 2) == 0.0
