"""How well a model follows what was measured, by the formulas of ASHRAE Guideline 14."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from monitor.models import Record

Values = npt.NDArray[np.float64]


class Quality(Record):
    """How well a model follows its days.

    Attributes
    ----------
    days, parameters
        Days fitted and coefficients estimated.
    r2
        Share of the variance explained.
    cv_rmse, nmbe
        By the formulas of ASHRAE Guideline 14-2014, Annex B.
    """

    days: int
    parameters: int
    r2: float
    cv_rmse: float
    nmbe: float


def cv_rmse(measured: Values, predicted: Values, parameters: int) -> float:
    """Root mean square error over the mean: sqrt(sum (y - f)^2 / (n - p)) / mean(y).

    Source: ASHRAE Guideline 14-2014, Annex B.
    """
    free = max(len(measured) - parameters, 1)
    return float(np.sqrt(np.sum((measured - predicted) ** 2) / free) / np.mean(measured))


def nmbe(measured: Values, predicted: Values, parameters: int) -> float:
    """Normalised mean bias error: sum (y - f) / ((n - p) mean(y)), positive if f is low.

    Source: ASHRAE Guideline 14-2014, Annex B; the sign is a convention.
    """
    free = max(len(measured) - parameters, 1)
    return float(np.sum(measured - predicted) / (free * np.mean(measured)))


def quality(measured: Values, predicted: Values, parameters: int) -> Quality:
    """Fit quality of a set of days."""
    spread = float(np.sum((measured - np.mean(measured)) ** 2))
    r2 = 1.0 - float(np.sum((measured - predicted) ** 2)) / spread if spread > 0 else 0.0
    return Quality(
        days=len(measured),
        parameters=parameters,
        r2=r2,
        cv_rmse=cv_rmse(measured, predicted, parameters),
        nmbe=nmbe(measured, predicted, parameters),
    )
