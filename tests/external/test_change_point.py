"""The change-point regression against published formulas and worked numbers.

Sources: Kissock, Haberl and Claridge (2003), "Inverse Modeling Toolkit: Numerical
Algorithms", ASHRAE Transactions 109(2): three-parameter heating model by a search over the
change point with least squares at each, and the prediction uncertainty of its equation 24;
outdoor temperatures from SAP 10.2 (2021), Appendix U, Table U1, region 0. The noisy case's
figures were computed with an independent least-squares search.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from monitor.metrics.climate import UK_AVERAGE
from monitor.metrics.quality import cv_rmse
from monitor.metrics.regression import Posterior, regress

pytestmark = pytest.mark.external

OUTDOOR = np.array(UK_AVERAGE)
EXACT = np.array([21.80, 20.90, 18.50, 14.90, 10.70, 6.35, 5.00, 5.00, 7.10, 12.35, 17.60, 21.95])
NOISE = np.array([0.3, -0.4, 0.2, 0.5, -0.3, 0.1, -0.2, 0.2, -0.1, 0.4, -0.5, -0.2])
GRID = np.arange(12.0, 17.0, 0.01)


def least_squares(
    designs: np.ndarray, y: np.ndarray, noise: float = 1.0, days: np.ndarray | None = None
) -> Posterior:
    """The product's regression without its priors and its robustness."""
    p = designs.shape[2]
    return regress(
        designs,
        y,
        np.ones(len(y)),
        days if days is not None else np.arange(len(y)) * 30,
        prior_mean=np.zeros(p),
        prior_sd=np.full(p, 1e5),
        log_prior=np.zeros(len(designs)),
        noise=noise,
        huber=np.inf,
    )


def search(y: np.ndarray) -> tuple[float, float, float, float]:
    """b0, b1, b2 and the sum of squares of the best change point."""
    hinge = np.maximum(GRID[:, None] - OUTDOOR, 0.0)
    designs = np.stack([np.ones_like(hinge), hinge], axis=2)
    found = least_squares(designs, y)
    rest = y - np.einsum("knp,kp->kn", designs, found.mean)
    sums = (rest**2).sum(axis=1)
    best = int(np.argmin(sums))
    return (*found.mean[best], GRID[best], sums[best])


def test_an_exact_three_parameter_signature_is_recovered() -> None:
    b0, b1, b2, rest = search(EXACT)
    assert (b0, b1, b2) == pytest.approx((5.0, 1.5, 15.5), abs=1e-4)
    assert rest == pytest.approx(0.0, abs=1e-6)


def test_the_noisy_signature_gives_the_worked_numbers() -> None:
    y = EXACT + NOISE
    b0, b1, b2, rest = search(y)
    assert b2 == pytest.approx(15.55, abs=0.005)
    assert b0 == pytest.approx(4.9990, abs=5e-4)
    assert b1 == pytest.approx(1.4892, abs=5e-4)
    assert rest == pytest.approx(1.1644, abs=5e-4)
    fitted = b0 + b1 * np.maximum(b2 - OUTDOOR, 0.0)
    assert cv_rmse(y, fitted, 3) == pytest.approx(0.02662, abs=1e-5)


def test_the_search_agrees_with_a_general_optimiser() -> None:
    y = EXACT + NOISE

    def sum_of_squares(change_point: float) -> float:
        design = np.stack([np.ones(12), np.maximum(change_point - OUTDOOR, 0.0)], axis=1)
        return float(np.linalg.lstsq(design, y, rcond=None)[1][0])

    best = minimize_scalar(sum_of_squares, bounds=(14.7, 16.3), method="bounded")
    assert search(y)[2] == pytest.approx(best.x, abs=0.011)
    assert search(y)[3] == pytest.approx(best.fun, abs=1e-4)


@pytest.mark.parametrize("at", [-3.0, 4.0, 12.0])
def test_the_posterior_gives_kissocks_prediction_uncertainty(at: float) -> None:
    # Equation 24: s [1 + 1/n + (x - mean x)^2 / sum (x - mean x)^2]^(1/2), t apart.
    rng = np.random.default_rng(3)
    outdoor = rng.uniform(-2.0, 14.0, 200)
    y = 5.0 + 1.5 * (15.5 - outdoor) + rng.normal(0.0, 2.0, 200)
    x = 15.5 - outdoor
    design = np.stack([np.ones(200), x], axis=1)[None]
    # Days far apart: no correlation between neighbours is estimated.
    found = least_squares(design, y, noise=2.0)
    row = np.array([1.0, 15.5 - at])
    covariance = found.root[0] @ found.root[0].T
    mine = np.sqrt(found.noise**2 + row @ covariance @ row)
    spread = np.sum((x - x.mean()) ** 2)
    closed = found.noise * np.sqrt(1.0 + 1.0 / 200 + (15.5 - at - x.mean()) ** 2 / spread)
    assert mine == pytest.approx(closed, rel=1e-6)
    # The noise itself is that of the data.
    rest = y - design[0] @ found.mean[0]
    assert found.noise == pytest.approx(np.sqrt(np.sum(rest**2) / 198), rel=0.10)


def test_draws_of_the_posterior_have_its_covariance() -> None:
    rng = np.random.default_rng(4)
    x = rng.uniform(0.0, 18.0, 60)
    y = 5.0 + 1.5 * x + rng.normal(0.0, 2.0, 60)
    found = least_squares(np.stack([np.ones(60), x], axis=1)[None], y, noise=2.0)
    _, draws = found.draw(40_000, np.random.default_rng(5))
    np.testing.assert_allclose(
        np.cov(draws.T), found.root[0] @ found.root[0].T, rtol=0.05, atol=1e-4
    )
    np.testing.assert_allclose(draws.mean(axis=0), found.mean[0], rtol=0.01)
