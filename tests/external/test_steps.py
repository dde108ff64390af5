"""Changes within a series, and efficiencies, against published examples and statsmodels.

Sources: Cobb (1978), Biometrika 65(2), and Zeileis, Leisch, Hornik and Kleiber (2002),
Journal of Statistical Software 7(2): the yearly flow of the Nile at Aswan fell after 1898;
their sup F is 75.93 and their 95 % interval of the last year of the old level 1895 to 1902
(from memory). Andrews (1993), Econometrica 61(4): critical values of sup F (from memory).
Newey and West (1987), Econometrica 55(3). Lovell (1963) for covariates taken off first.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from monitor.metrics import steps

pytestmark = pytest.mark.external

NONE = np.zeros((100, 0))


def nile() -> np.ndarray:
    return np.asarray(sm.datasets.nile.load_pandas().data["volume"], dtype=float)


def step_in(y: np.ndarray, covariates: np.ndarray, either_side: int) -> steps.Change:
    """The best step by plain least squares, days too far apart to go together."""
    n = len(y)
    far = 30 * np.arange(n)
    found = steps.find_change(
        y,
        covariates,
        np.ones(n),
        far,
        [steps.steps(n, least_before=either_side, least_after=either_side)],
        huber=np.inf,
    )
    assert found is not None
    return found


def test_the_flow_of_the_nile_fell_after_1898_with_the_published_statistic() -> None:
    found = step_in(nile(), NONE, 15)
    assert 1871 + found.at - 1 == 1898
    assert found.f == pytest.approx(75.93, abs=0.005)
    # The published interval is that of a last year, and wider by its asymptotic theory.
    assert 1895 <= 1871 + found.earliest - 1 <= 1898 <= 1871 + found.latest - 1 <= 1902
    assert found.size == pytest.approx(849.97 - 1097.75, abs=0.01)


def test_every_day_tried_by_itself_gives_no_better_step() -> None:
    rng = np.random.default_rng(11)
    n = 120
    covariates = np.column_stack([np.cos(np.arange(n) / 20.0), rng.normal(size=n)])
    y = 3.0 + covariates @ [0.8, -0.4] + rng.normal(0.0, 0.3, n) - 0.5 * (np.arange(n) >= 70)
    found = step_in(y, covariates, 10)
    fits = {}
    for at in range(10, 111):
        x = sm.add_constant(np.column_stack([covariates, np.arange(n) >= at]).astype(float))
        fits[at] = sm.OLS(y, x).fit()
    best = min(fits, key=lambda at: fits[at].ssr)
    assert found.at == best
    assert found.size == pytest.approx(fits[best].params[-1])
    assert found.u == pytest.approx(fits[best].bse[-1])
    assert found.t == pytest.approx(fits[best].tvalues[-1])
    assert found.f == pytest.approx(fits[best].tvalues[-1] ** 2)


def test_chance_alone_rarely_reaches_the_critical_value_of_andrews() -> None:
    # One parameter, 15 % cut off at either end: 8.85 is passed in 5 of 100 series.
    rng = np.random.default_rng(12)
    passed = [step_in(rng.normal(size=100), NONE, 15).f > 8.85 for _ in range(200)]
    assert 0.015 <= np.mean(passed) <= 0.085


def test_a_drift_is_told_from_a_step() -> None:
    rng = np.random.default_rng(13)
    day = np.arange(300)
    noise = rng.normal(0.0, 0.02, 300)
    families = [steps.steps(300), steps.drifts(day)]
    slow = -0.10 * np.maximum(day - 98, 0) / 201.0
    sudden = -0.10 * (day >= 200)
    for course, name, at in ((slow, "drift", 98), (sudden, "step", 200)):
        found = steps.find_change(course + noise, np.zeros((300, 0)), np.ones(300), day, families)
        assert found is not None
        assert found.shape == name
        assert found.earliest <= at <= found.latest
        assert found.size == pytest.approx(-0.10, abs=0.02)
        assert min(found.rivals.values()) > 2.0


def test_the_interval_of_a_steps_date_holds_it_as_often_as_it_says() -> None:
    rng = np.random.default_rng(14)
    held = 0
    for _ in range(120):
        at = int(rng.integers(30, 70))
        y = rng.normal(0.0, 1.0, 100) - 1.2 * (np.arange(100) >= at)
        found = step_in(y, NONE, 15)
        held += found.earliest <= at <= found.latest
    # 0.95 less two standard deviations of so many draws.
    assert held / 120 >= 0.91


def test_errors_robust_to_correlation_are_those_of_newey_and_west() -> None:
    rng = np.random.default_rng(15)
    n = 250
    rest = np.zeros(n)
    for i in range(1, n):
        rest[i] = 0.6 * rest[i - 1] + rng.normal()
    x = sm.add_constant(np.column_stack([np.arange(n) / n, rng.normal(size=n)]))
    y = x @ [1.0, -2.0, 0.5] + rest
    fit = sm.OLS(y, x).fit(cov_type="HAC", cov_kwds={"maxlags": 14, "use_correction": False})
    np.testing.assert_allclose(steps.robust_u(y - fit.fittedvalues, x, 14), fit.bse, rtol=1e-8)


def test_an_efficiency_is_the_cop_beside_standby_over_carnot_with_exchangers() -> None:
    # By hand: 40 kWh for 10.5 - 0.5 kWh is COP 4; Carnot between 38 + 273.15 K and a
    # difference of 38 - 3 + 8 = 43 K is 311.15 / 43 = 7.2360.
    heat, used = np.array([40.0, 1.0]), np.array([10.5, 0.4])
    share = steps.efficiency(heat, used, np.full(2, 38.0), np.full(2, 3.0), 0.5)
    assert share[0] == pytest.approx(4.0 / 7.2360, rel=1e-4)
    # Nothing is left beside standby.
    assert np.isnan(share[1])


def test_a_cop_between_test_points_follows_carnot_from_the_points() -> None:
    # A lone point by hand: COP 4.0 at 2/35 is 4.0 x 41 / 308.15 = 0.5322 of Carnot, which
    # at 7/35 is 0.5322 x 308.15 / 36 = 4.5556.
    lone = np.array([[2.0, 35.0, 4.0]])
    at = steps.tested_cop(lone, np.array([2.0, 7.0]), np.array([35.0, 35.0]), 5.0)
    np.testing.assert_allclose(at, [4.0, 4.5556], rtol=1e-4)
    # Half as much at the stated distance: two points 5 K apart, seen from the first, weigh
    # 1 and 1/2, with shares 4.0 x 41 / 308.15 and 3.0 x 46 / 313.15.
    two = np.array([[2.0, 35.0, 4.0], [2.0, 40.0, 3.0]])
    shares = np.array([4.0 * 41.0 / 308.15, 3.0 * 46.0 / 313.15])
    mixed = (shares[0] + 0.5 * shares[1]) / 1.5 * 308.15 / 41.0
    assert steps.tested_cop(two, np.array([2.0]), np.array([35.0]), 5.0)[0] == pytest.approx(mixed)


def test_what_moves_a_sound_units_efficiency_is_centred_and_frost_is_airs_alone() -> None:
    rng = np.random.default_rng(16)
    load, lift, outdoor = rng.uniform(0.1, 0.9, 50), rng.uniform(20, 45, 50), rng.normal(5, 5, 50)
    air = steps.circumstances(load, lift, outdoor, None, air_source=True)
    brine = steps.circumstances(load, lift, outdoor, load, air_source=False)
    np.testing.assert_allclose(air.mean(axis=0), 0.0, atol=1e-12)
    # Air: frost; brine with a meter of hot water: its share and the square of it.
    assert (air.shape[1], brine.shape[1]) == (6, 7)
    slope = sm.OLS(air[:, 2], sm.add_constant(lift)).fit().params[1]
    assert slope == pytest.approx(1.0 / 30.0)
