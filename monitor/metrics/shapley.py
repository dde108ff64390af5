"""Shares of a whole that add up exactly: the Shapley value.

Source: L. S. Shapley (1953), "A Value for n-Person Games", Contributions to the Theory of
Games II, pages 307 to 317. A player's share is the mean of what it adds to a coalition
over all orders in which the players can come; computed here over all 2^n coalitions.
"""

from __future__ import annotations

from functools import cache
from math import factorial
from typing import Final

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[np.float64]

#: Most players for whom all coalitions are asked.
LARGEST: Final = 12


def players_in(count: int) -> npt.NDArray[np.bool_]:
    """Who is in each coalition: shape (2^n, n); row m holds player i if bit i of m is set."""
    masks = np.arange(1 << count)
    return np.asarray((masks[:, None] >> np.arange(count)[None, :]) & 1, dtype=bool)


@cache
def _weights(count: int) -> Values:
    """What each coalition's worth counts for in each player's share, shape (n, 2^n)."""
    inside = players_in(count)
    size = inside.sum(axis=1)
    # A player comes after s others in s! (n - s - 1)! of the n! orders.
    order = [factorial(s) * factorial(count - s - 1) / factorial(count) for s in range(count)]
    adds = np.array([0.0, *order])[size][:, None] * inside
    lacks = np.array([*order, 0.0])[size][:, None] * ~inside
    weights = (adds - lacks).T
    weights.setflags(write=False)
    return np.asarray(weights)


def shapley(worth: Values) -> Values:
    """Share of each player.

    Parameters
    ----------
    worth
        Shape (2^n,) or (2^n, m): worth of each coalition in the order of `players_in`.

    Returns
    -------
    array of shape (n,) or (n, m)
        The shares add up to worth of all minus worth of none.

    Raises
    ------
    ValueError
        The number of coalitions is not a power of two, or there are more than `LARGEST`
        players.
    """
    worth = np.asarray(worth, dtype=np.float64)
    count = max(len(worth).bit_length() - 1, 0)
    if len(worth) != 1 << count or count > LARGEST:
        message = f"{len(worth)} coalitions are not all those of at most {LARGEST} players"
        raise ValueError(message)
    if count == 0:
        return np.zeros((0, *worth.shape[1:]))
    return np.asarray(_weights(count) @ worth)
