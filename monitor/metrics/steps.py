"""Changes of a unit's efficiency over time: a step with its date, or a slow drift.

The efficiency of a day is its COP, net of standby, over the Carnot COP of that day's flow
and source with the usual loss in the heat exchangers. What load, cold and hot water do to
it is taken off by regression on the days themselves, together with the change that is
sought, so that a season does not pass for one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.metrics import priors
from monitor.metrics.plausibility import KELVIN
from monitor.metrics.regression import HUBER, effective_share, lag_one

Values = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

#: Days that must lie before and after a step, and over which a drift must run.
#: Common practice, no source.
LEAST_BEFORE: Final = 28
LEAST_AFTER: Final = 7
LEAST_DRIFT: Final = 60

#: Rounds of reweighting, enough for the weights to settle where bad days are scattered.
_ROUNDS: Final = 4

#: Ratio of the median absolute deviation of a normal distribution to its standard deviation.
_MAD: Final = 1.4826

#: Share of probability that an interval of the date holds.
_INSIDE: Final = 0.95


@dataclass(frozen=True)
class Family:
    """Changes of one shape, one column for each day on which it may begin.

    Attributes
    ----------
    name
        Of the shape.
    at
        Index of the first day that the change touches, shape (k,).
    columns
        Shape (n, k): how far the change has gone on each day.
    """

    name: str
    at: Whole
    columns: Values


@dataclass(frozen=True)
class Change:
    """The most likely change within a series.

    Attributes
    ----------
    shape
        Name of its family.
    at, earliest, latest
        Index of the first day that it touches, and the 95 % interval of that.
    size, u
        Its coefficient and standard uncertainty, correlation of neighbouring days included.
    f
        F statistic of the change: reduction of the sum of squares over the mean square left.
    rivals
        Of every other family: how far the logarithmic likelihood of its best change lies
        below.
    noise, correlation
        Standard deviation of a day as a multiple of its scale, and correlation of neighbours.
    level
        Series less what the covariates say, shape (n,).
    rest
        Residuals over their scale, shape (n,).
    """

    shape: str
    at: int
    earliest: int
    latest: int
    size: float
    u: float
    f: float
    rivals: dict[str, float]
    noise: float
    correlation: float
    level: Values
    rest: Values

    @property
    def t(self) -> float:
        """The change over its standard uncertainty."""
        return self.size / self.u if self.u > 0 else 0.0


def efficiency(
    heat_kwh: Values,
    electricity_kwh: Values,
    flow_c: Values,
    source_c: Values,
    standby_kwh: float = 0.0,
) -> Values:
    """COP of days, net of standby, over the Carnot COP with the loss of the heat exchangers.

    The Carnot COP is taken between temperatures `priors.EXCHANGERS_K` further apart than
    flow and source, so that the ratio hardly goes with the lift.

    Parameters
    ----------
    heat_kwh, electricity_kwh, flow_c, source_c
        Shape (n,): energies of days, and temperatures weighted with heat.
    standby_kwh
        Electricity of a day that makes no heat.

    Returns
    -------
    array of shape (n,)
        NaN where nothing is left beside standby, or without a lift.
    """
    net = electricity_kwh - standby_kwh
    lift = flow_c - source_c + priors.EXCHANGERS_K
    good = (net > 0) & (lift > 0)
    least = heat_kwh * lift / (flow_c + KELVIN)
    return np.where(good, least / np.where(good, net, 1.0), np.nan)


def tested_cop(points: Values, source_c: Values, flow_c: Values, near_k: float) -> Values:
    """COP between test points: their share of the Carnot COP, weighted by distance.

    Parameters
    ----------
    points
        Shape (k, 3): source and flow temperature and COP of each.
    source_c, flow_c
        Shape (n,).
    near_k
        Distance at which a point counts half as much as one that is met, K.

    Returns
    -------
    array of shape (n,)
        At a lone point its share of Carnot holds everywhere.
    """
    carnot = (points[:, 1] + KELVIN) / (points[:, 1] - points[:, 0] + priors.EXCHANGERS_K)
    share = points[:, 2] / carnot
    away = (source_c[:, None] - points[:, 0]) ** 2 + (flow_c[:, None] - points[:, 1]) ** 2
    weight = 1.0 / (1.0 + away / near_k**2)
    own = (flow_c + KELVIN) / np.maximum(flow_c - source_c + priors.EXCHANGERS_K, 1.0)
    return np.asarray(own * (weight @ share) / weight.sum(axis=1))


def circumstances(
    load: Values, lift_k: Values, outdoor_c: Values, water: Values | None, *, air_source: bool
) -> Values:
    """What moves the efficiency of a sound unit from day to day, one column each.

    Parameters
    ----------
    load
        Heat of the day over what the unit's nominal output gives around the clock.
    lift_k, outdoor_c
        Flow less source temperature, and outdoor temperature.
    water
        Share of the day's heat that went to hot water; None where no meter tells.

    Returns
    -------
    array of shape (n, p)
        Centred, without a constant.
    """
    columns = [load, load**2, lift_k / 30.0, outdoor_c / 10.0]
    if air_source:
        # Frost grows fastest in damp air about freezing.
        columns.append(np.exp(-(((outdoor_c - 1.0) / 4.0) ** 2)))
    columns.append(np.maximum(5.0 - outdoor_c, 0.0) / 10.0)
    if water is not None:
        columns += [water, water**2]
    out = np.stack(columns, axis=1)
    return np.asarray(out - out.mean(axis=0))


def steps(
    n: int,
    *,
    least_before: int = LEAST_BEFORE,
    least_after: int = LEAST_AFTER,
    like: Values | None = None,
    name: str = "step",
) -> Family:
    """A step on each day that has enough days on either side.

    Parameters
    ----------
    like
        How a step of one shows on each day, shape (n,); default alike on all.
    """
    at = np.arange(least_before, max(n - least_after + 1, least_before), dtype=np.int64)
    columns = np.where(np.arange(n)[:, None] >= at, 1.0, 0.0)
    return Family(name, at, columns if like is None else columns * like[:, None])


def drifts(
    day: Whole, *, least_days: int = LEAST_DRIFT, every: int = 7, name: str = "drift"
) -> Family:
    """A straight drift from each week on to the last day, where it has reached one."""
    at = np.flatnonzero(day <= day[-1] - least_days)[::every]
    run = np.maximum(day[:, None] - day[at], 0) / np.maximum(day[-1] - day[at], 1)
    return Family(name, np.asarray(at, dtype=np.int64), np.asarray(run, dtype=np.float64))


def find_change(
    y: Values,
    covariates: Values,
    scale: Values,
    day: Whole,
    families: Sequence[Family],
    *,
    huber: float = HUBER,
) -> Change | None:
    """Find the one change that explains a series best, beside its covariates.

    Every candidate is tried by least squares on what the covariates leave (Frisch and Waugh
    1933), with Huber weights. The interval of the date holds the days of highest likelihood.
    That of the size does not know that the best of many days was chosen: judge `f` or `t` by
    limits of the largest of all days (Andrews 1993).

    Parameters
    ----------
    y, scale
        Shape (n,): the series, and the noise of each day up to a common factor.
    covariates
        Shape (n, p), without a constant; p may be 0.
    day
        Day numbers, ascending, without doubles.
    huber
        Residuals beyond so many standard deviations count less; infinity for least squares.

    Returns
    -------
    Change or None
        None with too few days, or none on which a change may begin.
    """
    n = len(y)
    at = np.concatenate([family.at for family in families])
    if len(at) == 0 or n < covariates.shape[1] + 4:
        return None
    shapes = np.concatenate([family.columns for family in families], axis=1)
    kind = np.repeat(np.arange(len(families)), [len(family.at) for family in families])
    fixed = np.concatenate([np.ones((n, 1)), covariates], axis=1)
    robust = np.ones(n)
    for _ in range(_ROUNDS):
        root = np.sqrt(robust) / scale
        found = _scan(y * root, fixed * root[:, None], shapes * root[:, None])
        rest = (y - fixed @ found.fixed - shapes[:, found.best] * found.size) / scale
        if np.isinf(huber):
            sigma = float(np.sqrt(np.sum(rest**2) / max(n - fixed.shape[1] - 1, 1)))
            break
        sigma = max(_MAD * float(np.median(np.abs(rest))), 1e-12)
        robust = np.minimum(1.0, huber * sigma / np.maximum(np.abs(rest), 1e-12))
    correlation = lag_one(np.clip(rest, -3 * sigma, 3 * sigma), day)
    share = effective_share(correlation)
    odds = 0.5 * share * (found.gains - found.gains[found.best]) / sigma**2
    own = kind == kind[found.best]
    earliest, latest = _interval(odds[own], at[own])
    return Change(
        shape=families[int(kind[found.best])].name,
        at=int(at[found.best]),
        earliest=earliest,
        latest=latest,
        size=found.size,
        u=float(sigma / np.sqrt(max(found.weight, 1e-300) * share)),
        f=float(found.gains[found.best] / sigma**2),
        rivals={
            family.name: float(-odds[kind == number].max())
            for number, family in enumerate(families)
            if number != kind[found.best] and len(family.at)
        },
        noise=sigma,
        correlation=correlation,
        level=y - covariates @ found.fixed[1:],
        rest=rest,
    )


@dataclass(frozen=True)
class _Scan:
    """Every candidate's reduction of the sum of squares, and the best one in full."""

    gains: Values
    best: int
    size: float
    weight: float
    fixed: Values


def _scan(y: Values, fixed: Values, shapes: Values) -> _Scan:
    inverse = np.linalg.pinv(fixed)
    both = np.column_stack([y, shapes])
    left = both - fixed @ (inverse @ both)
    cross = shapes.T @ left[:, 0]
    weight = np.einsum("nk,nk->k", shapes, left[:, 1:])
    # What the covariates say as well cannot be told.
    told = weight > 1e-9 * np.einsum("nk,nk->k", shapes, shapes)
    safe = np.where(told, weight, 1.0)
    gains = np.where(told, cross**2 / safe, 0.0)
    best = int(np.argmax(gains))
    size = float(cross[best] / safe[best]) if told[best] else 0.0
    return _Scan(gains, best, size, float(weight[best]), inverse @ (y - shapes[:, best] * size))


def _interval(odds: Values, at: Whole) -> tuple[int, int]:
    """Smallest set of days that holds the probability, from its first to its last."""
    weight = np.exp(odds - odds.max())
    order = np.argsort(-weight, kind="stable")
    held = np.cumsum(weight[order]) / weight.sum()
    inside = order[: int(np.searchsorted(held, _INSIDE)) + 1]
    return int(at[inside].min()), int(at[inside].max())


def robust_u(rest: Values, design: Values, lags: int) -> Values:
    """Standard errors of least-squares coefficients, robust to correlation in time.

    Heteroscedasticity and autocorrelation consistent, with Bartlett's weights (Newey and
    West 1987).

    Parameters
    ----------
    rest
        Residuals in order of time, shape (n,).
    design
        Shape (n, p).
    lags
        Days over which residuals may go together.

    Returns
    -------
    array of shape (p,)
    """
    bread = np.linalg.pinv(design.T @ design)
    score = design * rest[:, None]
    meat = score.T @ score
    for lag in range(1, min(lags, len(rest) - 1) + 1):
        cross = score[lag:].T @ score[:-lag]
        meat += (1.0 - lag / (lags + 1.0)) * (cross + cross.T)
    return np.asarray(np.sqrt(np.maximum(np.diag(bread @ meat @ bread), 0.0)))
