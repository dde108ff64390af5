"""Robust linear regression with Gaussian priors over a family of candidate designs.

The candidates differ in one thing that enters nonlinearly: the balance temperature of a
heating signature, or the day from which on a home behaves otherwise. Each candidate is a
linear model with a closed-form posterior (Gelman et al., Bayesian Data Analysis, chapter
14); the candidates' marginal likelihoods weigh them against each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

#: Huber's constant: 95 % efficiency for normal errors (Huber 1981; from memory).
HUBER: Final = 1.345

#: Rounds of reweighting, enough for the weights to settle where bad days are scattered.
_ROUNDS: Final = 4

#: Weight of the prior guess of the noise, in days.
_NOISE_DAYS: Final = 8.0

#: Ratio of the median absolute deviation of a normal distribution to its standard deviation.
_MAD: Final = 1.4826


@dataclass(frozen=True)
class Posterior:
    """What a regression knows.

    Attributes
    ----------
    weight
        Probability of each candidate, shape (k,).
    mean, root
        Coefficients of each candidate, shape (k, p), and the Cholesky factor of their
        covariance, shape (k, p, p).
    best
        Index of the most probable candidate.
    noise
        Standard deviation of a day's residual as a multiple of its scale.
    correlation
        Lag-one correlation of residuals.
    residual
        Residuals of the most probable candidate over their scale, shape (n,).
    robust
        Final Huber weights, shape (n,).
    """

    weight: Values
    mean: Values
    root: Values
    best: int
    noise: float
    correlation: float
    residual: Values
    robust: Values

    def draw(self, members: int, rng: np.random.Generator) -> tuple[Whole, Values]:
        """Draw candidates and their coefficients: shapes (members,) and (members, p)."""
        which = rng.choice(len(self.weight), size=members, p=self.weight)
        shock = rng.standard_normal((members, self.mean.shape[1]))
        return which, self.mean[which] + np.einsum("mpq,mq->mp", self.root[which], shock)


def effective_share(correlation: float) -> float:
    """Share of days that count as independent: (1 - r)/(1 + r) for lag-one correlation r.

    Source: ASHRAE Guideline 14-2014, Annex B, as n' = n (1 - r)/(1 + r).
    """
    r = min(max(correlation, 0.0), 0.95)
    return (1.0 - r) / (1.0 + r)


def lag_one(residual: Values, day: Whole) -> float:
    """Correlation of the residuals of neighbouring days; 0 with fewer than ten pairs."""
    pair = np.flatnonzero(np.diff(day) == 1)
    if len(pair) < 10:
        return 0.0
    a, b = residual[pair], residual[pair + 1]
    scale = float(np.sqrt(np.mean(a**2) * np.mean(b**2)))
    return float(np.mean(a * b) / scale) if scale > 0 else 0.0


def regress(
    designs: Values,
    y: Values,
    scale: Values,
    day: Whole,
    *,
    prior_mean: Values,
    prior_sd: Values,
    log_prior: Values,
    noise: float,
    huber: float = HUBER,
) -> Posterior:
    """Fit every candidate and weigh them.

    Parameters
    ----------
    designs
        Shape (k, n, p): candidates, days, coefficients.
    y
        Shape (n,).
    scale
        Shape (n,): the noise of each day is a common factor times this.
    day
        Day numbers, ascending; only neighbours tell of correlation.
    prior_mean, prior_sd
        Shape (p,) or (k, p): independent Gaussian priors of the coefficients.
    log_prior
        Shape (k,): logarithm of the candidates' prior probabilities, up to a constant.
    noise
        Prior guess of the common factor of the noise.
    huber
        Residuals beyond so many standard deviations count less; infinity for least squares.
    """
    k, n, p = designs.shape
    prior_mean = np.broadcast_to(prior_mean, (k, p))
    prior_precision = np.broadcast_to(np.asarray(prior_sd, dtype=float) ** -2.0, (k, p))
    robust = np.ones(n)
    sigma, correlation = noise, 0.0
    x = designs / scale[None, :, None]
    target = y / scale
    best = 0
    residual = np.zeros(n)
    for _ in range(_ROUNDS if n else 0):
        mean, _, score = _posterior(
            x, target, robust, sigma, correlation, prior_mean, prior_precision, log_prior
        )
        best = int(np.argmax(score))
        residual = target - x[best] @ mean[best]
        size = _MAD * float(np.median(np.abs(residual)))
        sigma = float(np.sqrt((_NOISE_DAYS * noise**2 + n * size**2) / (_NOISE_DAYS + n)))
        robust = np.minimum(1.0, huber * sigma / np.maximum(np.abs(residual), 1e-12))
        correlation = lag_one(np.clip(residual, -3 * sigma, 3 * sigma), day)
    mean, covariance, score = _posterior(
        x, target, robust, sigma, correlation, prior_mean, prior_precision, log_prior
    )
    best = int(np.argmax(score))
    weight = np.exp(score - score[best])
    return Posterior(
        weight=weight / weight.sum(),
        mean=mean,
        root=np.asarray(np.linalg.cholesky(covariance), dtype=np.float64),
        best=best,
        noise=sigma,
        correlation=correlation,
        residual=target - x[best] @ mean[best],
        robust=robust,
    )


def _posterior(
    x: Values,
    y: Values,
    robust: Values,
    sigma: float,
    correlation: float,
    prior_mean: Values,
    prior_precision: Values,
    log_prior: Values,
) -> tuple[Values, Values, Values]:
    """Means, covariances and log scores of all candidates for given noise."""
    weight = robust * effective_share(correlation) / sigma**2
    xw = x * weight[None, :, None]
    a = np.matmul(np.swapaxes(xw, 1, 2), x)
    b = xw.swapaxes(1, 2) @ y
    p = x.shape[2]
    precision = a + prior_precision[:, :, None] * np.eye(p)
    covariance = np.linalg.inv(precision)
    shift = b + prior_precision * prior_mean
    mean = np.einsum("kpq,kq->kp", covariance, shift)
    misfit = (
        float(weight @ y**2)
        + np.einsum("kp,kp->k", prior_precision, prior_mean**2)
        - np.einsum("kp,kp->k", mean, shift)
    )
    _, log_det = np.linalg.slogdet(precision)
    score = log_prior - 0.5 * misfit - 0.5 * log_det + 0.5 * np.log(prior_precision).sum(axis=1)
    covariance = 0.5 * (covariance + np.swapaxes(covariance, 1, 2))
    return mean, covariance, score
