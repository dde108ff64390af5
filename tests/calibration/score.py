"""Scores of a forecast: coverage and the continuous ranked probability score (CRPS)."""

from __future__ import annotations

from math import erf, exp, pi, sqrt

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def crps_ensemble(members: Floats, outcome: float) -> float:
    """CRPS of an ensemble: E|X - y| - E|X - X'| / 2 (Gneiting and Raftery 2007, eq. 21)."""
    x = np.sort(np.asarray(members, dtype=float))
    n = len(x)
    # Sum of |x_i - x_j| over all pairs, from the order statistics.
    pairs = 2.0 * float(np.sum((2.0 * np.arange(1, n + 1) - n - 1.0) * x))
    return float(np.mean(np.abs(x - outcome))) - pairs / (2.0 * n * n)


def crps_normal(mean: float, sd: float, outcome: float) -> float:
    """CRPS of a normal forecast in closed form (Gneiting and Raftery 2007, section 4.2)."""
    z = (outcome - mean) / sd
    density = exp(-0.5 * z * z) / sqrt(2.0 * pi)
    below = 0.5 * (1.0 + erf(z / sqrt(2.0)))
    return sd * (z * (2.0 * below - 1.0) + 2.0 * density - 1.0 / sqrt(pi))


def holds(members: Floats, outcome: float, share: float) -> bool:
    """Whether the central interval of this share holds the outcome."""
    low, high = np.quantile(members, [0.5 - share / 2.0, 0.5 + share / 2.0])
    return bool(low <= outcome <= high)
