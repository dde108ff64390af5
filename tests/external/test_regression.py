"""The regression against statsmodels and scipy, where the two must coincide.

References: statsmodels 0.15 (WLS, GLS, RLM with Huber's norm, autocorrelation of series) and
scipy 1.17 (multivariate normal). Formulas: Gelman et al., Bayesian Data Analysis, 3rd edition,
14.8: a Gaussian prior of a coefficient is one more row of data; the weight of a candidate is
its prior probability times the marginal likelihood of the data, y ~ N(X m, Sigma + X S X').
Huber (1981), Robust Statistics, for the weights (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import toeplitz
from scipy.stats import multivariate_normal
from statsmodels.regression.linear_model import GLS, OLS, WLS
from statsmodels.robust.norms import HuberT
from statsmodels.robust.robust_linear_model import RLM
from statsmodels.tools.eval_measures import bias, rmse
from statsmodels.tsa.arima_process import ArmaProcess, arma_generate_sample
from statsmodels.tsa.stattools import acf

from monitor.metrics.quality import cv_rmse, nmbe, quality
from monitor.metrics.regression import HUBER, Posterior, effective_share, lag_one, regress

pytestmark = pytest.mark.external

#: Days so far apart that none has a neighbour: no correlation is estimated.
APART = 30


def heat_days(n: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Design of a signature, scale and heat of days."""
    rng = np.random.default_rng(seed)
    hinge = np.maximum(15.5 - rng.uniform(-4.0, 20.0, n), 0.0)
    design = np.stack([np.ones(n), hinge], axis=1)
    scale = 1.0 + 0.1 * hinge
    return design, scale, design @ [6.0, 5.0] + scale * rng.normal(0.0, 2.0, n)


def fit(
    designs: np.ndarray,
    scale: np.ndarray,
    y: np.ndarray,
    *,
    prior_mean: np.ndarray | None = None,
    prior_sd: np.ndarray | None = None,
    day: np.ndarray | None = None,
    log_prior: np.ndarray | None = None,
    noise: float = 2.0,
    huber: float = np.inf,
) -> Posterior:
    k, n, p = designs.shape
    return regress(
        designs,
        y,
        scale,
        np.arange(n) * APART if day is None else day,
        prior_mean=np.zeros(p) if prior_mean is None else prior_mean,
        prior_sd=np.full(p, 1e6) if prior_sd is None else prior_sd,
        log_prior=np.zeros(k) if log_prior is None else log_prior,
        noise=noise,
        huber=huber,
    )


def covariance(found: Posterior, candidate: int = 0) -> np.ndarray:
    return np.asarray(found.root[candidate] @ found.root[candidate].T)


def test_with_a_flat_prior_and_no_robustness_it_is_weighted_least_squares() -> None:
    design, scale, y = heat_days(200)
    found = fit(design[None], scale, y)
    theirs = WLS(y, design, weights=scale**-2.0).fit()
    # A prior of 1e6 is flat to 1e-10 of what 200 days say.
    assert found.mean[0] == pytest.approx(theirs.params, rel=1e-8)
    assert covariance(found) == pytest.approx(
        theirs.normalized_cov_params * found.noise**2, rel=1e-8
    )
    assert found.residual == pytest.approx(theirs.wresid, abs=1e-8)


def test_its_noise_is_the_standard_error_of_the_fit() -> None:
    design, scale, y = heat_days(4000)
    theirs = WLS(y, design, weights=scale**-2.0).fit()
    # From the median of 4000 residuals: its own standard error is 1.2 %; three of them.
    assert fit(design[None], scale, y).noise == pytest.approx(theirs.mse_resid**0.5, rel=0.036)


@pytest.mark.parametrize("at", [0.0, 6.0, 19.5])
def test_the_uncertainty_of_a_day_to_come_is_that_of_a_prediction(at: float) -> None:
    design, _, y = heat_days(60)
    found = fit(design[None], np.ones(60), y)
    theirs = OLS(y, design).fit()
    row = np.array([1.0, at])
    mine = np.sqrt(found.noise**2 + row @ covariance(found) @ row)
    # Both are noise x sqrt(1 + h); they differ in the noise alone.
    se = theirs.get_prediction(row[None]).se_obs[0] * found.noise / theirs.mse_resid**0.5
    assert mine == pytest.approx(se, rel=1e-8)


@pytest.mark.parametrize("n", [3, 20, 200])
def test_a_prior_counts_as_one_more_row_of_data_for_each_coefficient(n: int) -> None:
    design, scale, y = heat_days(n)
    mean, sd = np.array([7.0, 4.0]), np.array([3.5, 1.2])
    found = fit(design[None], scale, y, prior_mean=mean, prior_sd=sd)
    theirs = WLS(
        np.concatenate([y, mean]),
        np.concatenate([design, np.eye(2)]),
        weights=np.concatenate([(found.noise * scale) ** -2.0, sd**-2.0]),
    ).fit()
    assert found.mean[0] == pytest.approx(theirs.params, rel=1e-9)
    assert covariance(found) == pytest.approx(theirs.normalized_cov_params, rel=1e-9)


@pytest.mark.parametrize("bad_share", [0.02, 0.08])
def test_with_absurd_days_it_is_hubers_m_estimate(bad_share: float) -> None:
    rng = np.random.default_rng(55)
    design, _, _ = heat_days(365)
    y = design @ [6.0, 5.0] + rng.normal(0.0, 4.0, 365)
    y = y + np.where(rng.random(365) < bad_share, rng.uniform(30.0, 200.0, 365), 0.0)
    found = fit(design[None], np.ones(365), y, noise=4.0, huber=HUBER)
    # Their default is Huber's 1.345 as well.
    theirs = RLM(y, design, M=HuberT()).fit(scale_est="mad")
    plain = OLS(y, design).fit()
    # Four rounds, and a scale that leans on a prior of eight days: within a twentieth of a
    # standard error of the settled estimate, from which least squares lies further away.
    assert (np.abs(found.mean[0] - theirs.params) / theirs.bse).max() < 0.05
    assert (np.abs(plain.params - theirs.params) / theirs.bse).max() > 2.0
    assert found.noise == pytest.approx(theirs.scale, rel=0.02)
    assert found.robust == pytest.approx(theirs.weights, abs=0.02)


def test_candidates_weigh_as_their_marginal_likelihoods() -> None:
    rng = np.random.default_rng(2)
    outdoor = rng.uniform(2.0, 18.0, 25)
    grid = np.array([12.0, 14.0, 15.0, 16.0, 18.0])
    hinge = np.maximum(grid[:, None] - outdoor, 0.0)
    designs = np.stack([np.ones_like(hinge), hinge], axis=2)
    y = designs[2] @ [6.0, 3.0] + rng.normal(0.0, 3.0, 25)
    scale = 1.0 + 0.05 * hinge[2]
    mean, sd = np.array([7.0, 4.0]), np.array([3.5, 1.2])
    prior = np.array([0.1, 0.2, 0.4, 0.2, 0.1])
    found = fit(designs, scale, y, prior_mean=mean, prior_sd=sd, log_prior=np.log(prior), noise=3.0)
    likelihood = [
        multivariate_normal(
            x @ mean, np.diag((found.noise * scale) ** 2) + x @ np.diag(sd**2) @ x.T
        ).pdf(y)
        for x in designs
    ]
    expected = prior * likelihood
    expected /= expected.sum()
    assert found.weight == pytest.approx(expected, rel=1e-6)
    # The data speak, but not with one voice.
    assert 0.1 < expected.max() < 0.95


def test_candidates_may_have_priors_of_their_own() -> None:
    design, scale, y = heat_days(12, seed=8)
    means, sds = np.array([[7.0, 4.0], [5.0, 6.0]]), np.array([[3.0, 1.0], [1.0, 0.4]])
    found = fit(np.stack([design, design]), scale, y, prior_mean=means, prior_sd=sds)
    likelihood = np.array(
        [
            multivariate_normal(
                design @ m, np.diag((found.noise * scale) ** 2) + design @ np.diag(s**2) @ design.T
            ).pdf(y)
            for m, s in zip(means, sds, strict=True)
        ]
    )
    assert found.weight == pytest.approx(likelihood / likelihood.sum(), rel=1e-6)


def test_correlated_days_leave_a_mean_as_unsure_as_generalised_least_squares() -> None:
    rng = np.random.default_rng(3)
    n = 1000
    rest = arma_generate_sample([1.0, -0.6], [1.0], n, 1.6, distrvs=rng.standard_normal, burnin=200)
    y = 40.0 + rest
    found = fit(np.ones((1, n, 1)), np.ones(n), y, day=np.arange(n))
    r = found.correlation
    exact = GLS(y, np.ones(n), sigma=found.noise**2 * toeplitz(r ** np.arange(n))).fit()
    # (1 - r)/(1 + r) is the limit for many days; at its ends a record has a little more.
    assert covariance(found)[0, 0] == pytest.approx(exact.normalized_cov_params[0, 0], rel=0.01)
    assert found.mean[0, 0] == pytest.approx(exact.params[0], abs=0.2 * exact.bse[0])


def test_correlated_days_leave_a_signature_as_unsure_as_generalised_least_squares() -> None:
    rng = np.random.default_rng(4)
    n = 730
    season = 10.0 - 7.0 * np.cos(2 * np.pi * np.arange(n) / 365.25)
    hinge = np.maximum(15.5 - season, 0.0)
    design = np.stack([np.ones(n), hinge], axis=1)
    rest = arma_generate_sample([1.0, -0.5], [1.0], n, 3.0, distrvs=rng.standard_normal, burnin=200)
    y = design @ [6.0, 5.0] + rest
    found = fit(design[None], np.ones(n), y, day=np.arange(n))
    sigma = found.noise**2 * toeplitz(found.correlation ** np.arange(n))
    exact = GLS(y, design, sigma=sigma).fit()
    # The season moves slowly against the memory of the residuals: 5 %.
    assert np.diag(covariance(found)) == pytest.approx(
        np.diag(exact.normalized_cov_params), rel=0.05
    )


@pytest.mark.parametrize("r", [0.0, 0.3, 0.6, 0.9])
def test_the_share_of_independent_days_is_that_of_a_first_order_series(r: float) -> None:
    n = 20_000
    gamma = ArmaProcess([1.0, -r], [1.0]).acovf(n)
    # Variance of a mean: (1/n) sum over all lags of (1 - |k|/n) gamma_k.
    variance = (gamma[0] + 2.0 * np.sum((1.0 - np.arange(1, n) / n) * gamma[1:])) / n
    assert effective_share(r) == pytest.approx(gamma[0] / n / variance, rel=2e-3)


def test_the_correlation_of_neighbours_is_the_first_of_the_autocorrelations() -> None:
    rng = np.random.default_rng(6)
    x = arma_generate_sample([1.0, -0.7], [1.0], 800, 1.0, distrvs=rng.standard_normal)
    x = x - x.mean()
    # They differ by which of the two ends the scale leaves out: 2/n.
    assert lag_one(x, np.arange(800)) == pytest.approx(acf(x, nlags=1)[1], abs=2 / 800)


def test_days_that_are_not_neighbours_do_not_count_as_such() -> None:
    rng = np.random.default_rng(7)
    x = arma_generate_sample([1.0, -0.7], [1.0], 3000, 1.0, distrvs=rng.standard_normal)
    kept = rng.random(3000) < 0.6
    holed = np.where(kept, x - x[kept].mean(), np.nan)
    theirs = acf(holed, nlags=1, adjusted=True, missing="conservative")[1]
    assert lag_one(holed[kept], np.flatnonzero(kept)) == pytest.approx(theirs, abs=0.02)


def test_draws_over_candidates_have_the_moments_of_their_mixture() -> None:
    design, scale, y = heat_days(8, seed=9)
    other = design * [1.0, 0.8]
    found = fit(
        np.stack([design, other]),
        scale,
        y,
        prior_mean=np.array([7.0, 4.0]),
        prior_sd=np.array([3.0, 1.0]),
    )
    which, drawn = found.draw(200_000, np.random.default_rng(10))
    share = found.weight
    assert np.bincount(which) / 200_000 == pytest.approx(share, abs=0.004)
    mean = share @ found.mean
    within = sum(w * covariance(found, k) for k, w in enumerate(share))
    between = (found.mean - mean).T @ np.diag(share) @ (found.mean - mean)
    assert drawn.mean(axis=0) == pytest.approx(mean, rel=0.005)
    np.testing.assert_allclose(np.cov(drawn.T), within + between, rtol=0.03, atol=0.01)


def test_quality_of_a_least_squares_fit_is_that_of_statsmodels() -> None:
    design, _, y = heat_days(120)
    theirs = OLS(y, design).fit()
    found = quality(y, theirs.fittedvalues, 2)
    assert found.r2 == pytest.approx(theirs.rsquared, rel=1e-12)
    assert found.cv_rmse == pytest.approx(theirs.mse_resid**0.5 / y.mean(), rel=1e-12)
    assert found.nmbe == pytest.approx(0.0, abs=1e-12)
    assert (found.days, found.parameters) == (120, 2)


def test_quality_of_any_prediction_is_that_of_the_customary_measures() -> None:
    rng = np.random.default_rng(11)
    y = rng.uniform(5.0, 90.0, 50)
    guess = 0.9 * y + rng.normal(0.0, 4.0, 50)
    assert cv_rmse(y, guess, 0) == pytest.approx(rmse(y, guess) / y.mean(), rel=1e-12)
    assert nmbe(y, guess, 0) == pytest.approx(bias(y, guess) / y.mean(), rel=1e-12)
