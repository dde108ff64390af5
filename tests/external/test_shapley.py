"""The Shapley value against published games and against all orders of the players.

Sources: L. S. Shapley (1953), "A Value for n-Person Games": the glove game is the usual
first example (from memory); S. C. Littlechild and G. Owen (1973), "A Simple Expression for
the Shapley Value in a Special Case", Management Science 20: the airport game, of which the
runways of 8, 11, 13 and 18 are the usual worked numbers (from memory).
"""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from monitor.metrics.shapley import players_in, shapley

pytestmark = pytest.mark.external


def worth_of(game, count: int) -> np.ndarray:
    return np.array(
        [game(frozenset(np.flatnonzero(row).tolist())) for row in players_in(count)], dtype=float
    )


def over_all_orders(worth: np.ndarray, count: int) -> np.ndarray:
    """What each player adds, averaged over every order in which they can come."""
    shares = np.zeros(count)
    orders = list(permutations(range(count)))
    for order in orders:
        mask = 0
        for player in order:
            shares[player] += worth[mask | 1 << player] - worth[mask]
            mask |= 1 << player
    return shares / len(orders)


def test_the_only_left_glove_is_worth_two_thirds_of_a_pair() -> None:
    worth = worth_of(lambda s: 1.0 if 0 in s and len(s) > 1 else 0.0, 3)
    assert shapley(worth) == pytest.approx([2 / 3, 1 / 6, 1 / 6], abs=1e-12)


def test_aircraft_share_a_runway_as_littlechild_and_owen_say() -> None:
    runway = (8.0, 11.0, 13.0, 18.0)
    worth = worth_of(lambda s: max((runway[i] for i in s), default=0.0), 4)
    assert shapley(worth) == pytest.approx([2.0, 3.0, 4.0, 9.0], abs=1e-12)


@pytest.mark.parametrize("count", [1, 2, 3, 5, 7])
def test_coalitions_give_what_all_orders_give(count: int) -> None:
    worth = np.random.default_rng(count).normal(0.0, 1.0, 1 << count)
    assert shapley(worth) == pytest.approx(over_all_orders(worth, count), abs=1e-12)
