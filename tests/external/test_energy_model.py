"""The energy model and its draws against scipy and statsmodels.

References: scipy 1.17 (nonlinear least squares, lognormal distribution, integration);
statsmodels 0.15 (robust regression, autocorrelation). The signature is the three-parameter
model of Kissock, Haberl and Claridge (2003). Degree days of normally distributed days:
Schoenau and Kehrig, D = N s [Z Phi(Z) + phi(Z)] (ASHRAE Handbook of Fundamentals; from
memory). Blocks of b days keep (1 - k/b) of the autocovariance: Kuensch (1989; from memory).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import cache

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import curve_fit
from scipy.stats import kstest, lognorm, norm
from statsmodels.regression.linear_model import OLS
from statsmodels.robust.robust_linear_model import RLM
from statsmodels.tools.eval_measures import rmse
from statsmodels.tsa.arima_process import ArmaProcess
from statsmodels.tsa.stattools import acf

from monitor.guarantee.worlds import Days, Lever, Members, Reference, Worlds, members
from monitor.metrics import priors
from monitor.metrics.model import RESIDUAL_BLOCK, EnergyModel
from monitor.metrics.regression import Posterior
from monitor.metrics.shapley import players_in
from tests.monitor.test_model import BALANCE, SLOPE, fitted, made_days

pytestmark = pytest.mark.external

FIRST = date(2022, 7, 1)


@cache
def model() -> EnergyModel:
    """Two years of a home whose days stray by 8 %."""
    return fitted(made_days(730, FIRST, noise=0.08))


def signature(outdoor: np.ndarray, b0: float, b1: float, balance: float) -> np.ndarray:
    return b0 + b1 * np.maximum(balance - outdoor, 0.0)


def moments(found: Posterior, column: int) -> tuple[float, float]:
    """Mean and standard deviation of a coefficient over all candidates."""
    mean = float(found.weight @ found.mean[:, column])
    within = np.einsum("kpq,kpq->kp", found.root, found.root)[:, column]
    return mean, float(np.sqrt(found.weight @ (within + (found.mean[:, column] - mean) ** 2)))


class TestFit:
    @pytest.mark.parametrize("seed", [1, 2, 3, 4])
    def test_the_signature_is_that_of_nonlinear_least_squares(self, seed: int) -> None:
        """A year of a home whose days stray by a quarter: the priors have little to say."""
        days = made_days(365, FIRST, noise=0.25, seed=seed)
        outdoor, heat = days["outdoor_c"].to_numpy(), days["heat_kwh"].to_numpy()
        # Days stray as the model takes them to, up to a factor.
        sigma = 2.0 + 0.12 * SLOPE * np.maximum(BALANCE - outdoor, 0.0)
        theirs, cov = curve_fit(signature, outdoor, heat, p0=[8.0, 4.0, 14.0], sigma=sigma)
        sd = np.sqrt(np.diag(cov))
        found = fitted(days).heat_posterior
        spread = [moments(found, 0), moments(found, 1)]
        balance = float(found.weight @ priors.BALANCE_GRID)
        variance = float(found.weight @ (priors.BALANCE_GRID - balance) ** 2)
        spread.append((balance, variance**0.5))
        for (mean, mine), other, its_sd in zip(spread, theirs, sd, strict=True):
            # Huber's weights are 95 % efficient; the noise comes from a median, the balance
            # temperature from a grid of 0.25 K.
            assert mean == pytest.approx(other, abs=0.6 * its_sd)
            assert mine == pytest.approx(its_sd, rel=0.2)

    def test_electricity_of_its_days_is_that_of_a_robust_regression(self) -> None:
        days = made_days(730, FIRST, noise=0.08)
        heat, used = days["heat_kwh"].to_numpy(), days["electricity_kwh"].to_numpy()
        lift = days["flow_c"].to_numpy() - days["outdoor_c"].to_numpy()
        theirs = RLM(used, np.stack([np.ones_like(heat), heat, heat * lift], axis=1)).fit()
        found = model()
        assert found.change is None
        mine = found.expected_electricity(
            heat, days["flow_c"].to_numpy(), days["outdoor_c"].to_numpy()
        )
        # Coefficients of heat and of heat times lift trade against one another; what they give
        # together does not: 1 % of the mean of a day.
        assert rmse(mine, theirs.fittedvalues) < 0.01 * used.mean()
        assert mine.sum() == pytest.approx(theirs.fittedvalues.sum(), rel=0.002)

    def test_the_heating_curve_is_that_of_least_squares(self) -> None:
        days = made_days(730, FIRST, noise=0.08)
        outdoor, flow = days["outdoor_c"].to_numpy(), days["flow_c"].to_numpy()
        found = model()
        space = found.slope_kwh_k * np.maximum(found.balance_c - outdoor, 0.0)
        share = space / (space + found.base_kwh)
        design = np.stack([1.0 - share, share, share * (15.0 - outdoor)], axis=1)
        theirs = OLS(flow, design).fit()
        mine = (found.flow.hot_water_c, found.flow.at_15_c, found.flow.per_k)
        assert mine == pytest.approx(theirs.params, rel=0.01)
        assert found.expected_flow(outdoor) == pytest.approx(theirs.fittedvalues, abs=0.3)

    def test_its_quality_is_that_of_its_own_predictions(self) -> None:
        days = made_days(730, FIRST, noise=0.08)
        heat = days["heat_kwh"].to_numpy()
        error = rmse(heat, model().expected_heat(days["outdoor_c"].to_numpy()))
        # Three parameters: n/(n - 3).
        cv = error * np.sqrt(730 / 727) / heat.mean()
        assert model().heat.cv_rmse == pytest.approx(cv, rel=1e-9)


def settled() -> EnergyModel:
    """The same home with nothing left to learn: one candidate, no spread, no residuals."""
    it = model()

    def point(of: Posterior, mean: list[float]) -> Posterior:
        weight = np.zeros_like(of.weight)
        weight[of.best] = 1.0
        return replace(
            of,
            weight=weight,
            mean=np.broadcast_to(np.array(mean), of.mean.shape),
            root=np.zeros_like(of.root),
        )

    assert it.flow.posterior is not None
    flow = [it.flow.hot_water_c, it.flow.at_15_c, it.flow.per_k, 0.0]
    return replace(
        it,
        heat_posterior=point(it.heat_posterior, [it.base_kwh, it.slope_kwh_k]),
        electricity_posterior=point(
            it.electricity_posterior, [it.standby_kwh, it.offset, it.per_lift, 0.0]
        ),
        flow=replace(it.flow, posterior=point(it.flow.posterior, flow)),
        residual_heat=np.zeros(it.residual_heat.shape),
        residual_electricity=np.zeros(it.residual_electricity.shape),
    )


class TestDraws:
    MEMBERS = 4000

    def test_what_the_form_misses_of_space_heat_is_one_lognormal_factor_a_member(self) -> None:
        it = settled()
        outdoor = np.tile([2.0, 6.0], (self.MEMBERS, 1))
        heat, _ = it.simulate(outdoor, np.array([20_000, 20_001]), np.random.default_rng(1))
        plain = it.slope_kwh_k * (it.balance_c - np.array([2.0, 6.0]))
        factor = (heat - it.base_kwh) / plain
        assert factor[:, 0] == pytest.approx(factor[:, 1], rel=1e-9)
        assert kstest(factor[:, 0], lognorm(s=priors.HEAT_SPREAD).cdf).pvalue > 1e-3

    @pytest.mark.parametrize(("outdoor_c", "unseen"), [(6.0, 0.0), (-25.0, 1.0)])
    def test_what_it_misses_of_electricity_is_lognormal_and_more_where_nothing_was_seen(
        self, outdoor_c: float, unseen: float
    ) -> None:
        it = settled()
        assert it.coldest_c < 6.0 < it.warmest_c
        outdoor = np.full((self.MEMBERS, 1), outdoor_c)
        heat, used = it.simulate(outdoor, np.array([20_000]), np.random.default_rng(2))
        space = heat - it.base_kwh
        curve = it.flow.at_15_c + it.flow.per_k * (15.0 - outdoor)
        # Flow follows what the member heats and not what the home usually does.
        flow = (space * curve + it.base_kwh * it.flow.hot_water_c) / heat
        reciprocal = it.offset + it.per_lift * (flow - outdoor)
        assert reciprocal.max() < 1.0 / 0.9
        factor = used / (it.standby_kwh + reciprocal * heat)
        spread = np.hypot(priors.ELECTRICITY_SPREAD, priors.UNSEEN_SPREAD * unseen)
        assert kstest(factor[:, 0], lognorm(s=spread).cdf).pvalue > 1e-3

    @pytest.mark.parametrize("lag", [1, 3, 6])
    def test_residuals_in_blocks_keep_their_share_of_the_autocovariance(self, lag: int) -> None:
        rng = np.random.default_rng(3)
        rest = ArmaProcess([1.0, -0.6], [1.0]).generate_sample(
            730, 0.05, distrvs=rng.standard_normal
        )
        rest -= rest.mean()
        it = replace(settled(), residual_electricity=rest)
        outdoor = np.full((60, 3500), 6.0)
        heat, used = it.simulate(outdoor, np.arange(3500), np.random.default_rng(4))
        assert np.ptp(heat, axis=1).max() < 1e-9
        found = np.mean([acf(row, nlags=lag)[lag] for row in used])
        circular = float(np.mean(rest * np.roll(rest, -lag)) / np.mean(rest**2))
        assert found == pytest.approx((1.0 - lag / RESIDUAL_BLOCK) * circular, abs=0.015)

    def test_draws_of_heat_have_the_moments_of_the_fit(self) -> None:
        """Base heat alone, on days too warm for heating: the posterior of b0."""
        it = replace(model(), residual_heat=np.zeros(10))
        outdoor = np.full((20_000, 1), 30.0)
        heat, _ = it.simulate(outdoor, np.array([20_000]), np.random.default_rng(5))
        mean, sd = moments(it.heat_posterior, 0)
        assert heat.mean() == pytest.approx(mean, abs=4.0 * sd / 20_000**0.5)
        assert heat.std() == pytest.approx(sd, rel=0.03)


def test_members_are_draws_of_the_fit_behind_its_most_probable_one() -> None:
    it = model()
    found = members(it, 20_000, np.random.default_rng(7))
    of = it.electricity_posterior
    for drawn, column in ((found.offset, 1), (found.per_lift, 2)):
        mean, sd = moments(of, column)
        assert drawn[0] == of.mean[of.best, column]
        assert drawn[1:].mean() == pytest.approx(mean, abs=4.0 * sd / 20_000**0.5)
        assert drawn[1:].std() == pytest.approx(sd, rel=0.03)
    share = np.bincount(
        np.searchsorted(priors.BALANCE_GRID, found.balance[1:]), minlength=len(priors.BALANCE_GRID)
    )
    assert share / 20_000 == pytest.approx(it.heat_posterior.weight, abs=0.015)


class TestReferenceYear:
    """A year in which all is as promised, by five Gauss-Hermite points a day."""

    CLIMATE = 10.0 - 6.5 * np.cos(2 * np.pi * (np.arange(3.0, 366.0, 5.0) - 20.0) / 365.25)
    SD, BALANCE, LOSS, WATER = 2.8, 15.2, 4.4, 7.0
    AT_15, PER_K, WATER_FLOW = 28.0, 0.8, 50.0
    STANDBY, OFFSET, PER_LIFT = 0.5, 0.05, 0.0078

    OUTDOOR = np.random.default_rng(6).uniform(-3.0, 14.0, 200)

    def days(self, *, milder_k: float = 0.0) -> Days:
        space = self.LOSS * np.maximum(self.BALANCE - self.OUTDOOR, 0.0)
        heat = space + self.WATER
        curve = self.AT_15 + self.PER_K * (15.0 - self.OUTDOOR)
        flow = (space * curve + self.WATER * self.WATER_FLOW) / heat
        lift = flow - self.OUTDOOR
        return Days(
            number=np.arange(200, dtype=np.int64),
            outdoor_c=self.OUTDOOR,
            reference_c=self.OUTDOOR + milder_k,
            pump_heat=heat,
            pump_used=self.STANDBY + (self.OFFSET + self.PER_LIFT * lift) * heat,
            water=np.full(200, self.WATER),
            flow_c=flow,
            space_flow_c=None,
            backup=np.zeros(200),
            immersion=np.zeros(200),
            idle_kwh=self.STANDBY,
        )

    def found(self) -> Members:
        def one(value: float) -> np.ndarray:
            return np.array([value])

        return Members(
            base=one(self.WATER),
            slope=one(self.LOSS),
            balance=one(self.BALANCE),
            standby=one(self.STANDBY),
            offset=one(self.OFFSET),
            per_lift=one(self.PER_LIFT),
            step=one(0.0),
            since=np.full(1, np.iinfo(np.int64).max),
            flow_at_15=one(self.AT_15),
            flow_per_k=one(self.PER_K),
            flow_water=one(self.WATER_FLOW),
        )

    def reference(
        self, *, curve: tuple[float, float] | None = None, water: float = WATER
    ) -> Reference:
        at_15, per_k = curve or (None, None)
        return Reference(
            climate_c=self.CLIMATE,
            climate_sd=self.SD,
            flow_at_15_c=at_15,
            flow_per_k=per_k,
            water_kwh=np.array([water]),
            standby_kwh=np.array([self.STANDBY]),
            water_flow_c=None,
            reciprocal_cop=None,
            heat_share=np.ones(1),
        )

    def worlds(self) -> Worlds:
        return Worlds(self.days(), self.found(), self.reference(), air_source=True)

    def test_its_heat_is_that_of_schoenau_and_kehrigs_degree_days(self) -> None:
        year = self.worlds().year(follows_design=False)
        z = (self.BALANCE - self.CLIMATE) / self.SD
        degree = 5.0 * np.sum(self.SD * (z * norm.cdf(z) + norm.pdf(z)))
        assert year.days == pytest.approx(365.0)
        assert year.water[0] == pytest.approx(365.0 * self.WATER)
        # Five points on a curve with one bend: 0.3 % of a year's degree days.
        assert year.heat[0] - year.water[0] == pytest.approx(self.LOSS * degree, rel=0.003)

    def test_its_lift_is_the_integral_over_the_days(self) -> None:
        year = self.worlds().year(follows_design=False)

        def lift(outdoor: float, mean: float) -> float:
            space = self.LOSS * max(self.BALANCE - outdoor, 0.0)
            flow = self.AT_15 + self.PER_K * (15.0 - outdoor)
            moment = space * (flow - outdoor) + self.WATER * (self.WATER_FLOW - outdoor)
            return moment * float(norm.pdf(outdoor, mean, self.SD))

        whole = 5.0 * sum(
            quad(
                lift,
                mean - 7 * self.SD,
                mean + 7 * self.SD,
                args=(mean,),
                points=[self.BALANCE] if abs(mean - self.BALANCE) < 7 * self.SD else None,
            )[0]
            for mean in self.CLIMATE
        )
        assert year.lift[0] == pytest.approx(whole, rel=0.003)

    def test_the_reference_unit_makes_the_promise_come_true_in_it(self) -> None:
        worlds = self.worlds()
        found = worlds.worth(tuple(Lever), 3.4, np.ones(1))
        assert found.year[0] == pytest.approx(3.4, rel=1e-12)
        # Idle hours tell all of the standby, so hot water has the usual overhead of starts,
        # 0.14 kWh a kWh, as if 2 kWh a day of it had been seen beside the home's own 7.
        overhead = 0.14 * 2.0 / (self.WATER + 2.0)
        year = worlds.year(follows_design=True)
        own = overhead * year.water[0] + self.OFFSET * year.heat[0] + self.PER_LIFT * year.lift[0]
        left = year.heat[0] / 3.4 - self.STANDBY * 365.0
        assert found.unit_ratio[0] == pytest.approx(left / own, rel=1e-9)

    def test_every_world_is_what_its_days_add_up_to(self) -> None:
        """Each combination of weather, flow and hot water, day by day in plain arithmetic."""
        at_15, per_k, bath = 26.0, 0.7, 5.0
        worlds = Worlds(
            self.days(milder_k=1.5),
            self.found(),
            self.reference(curve=(at_15, per_k), water=bath),
            air_source=True,
        )
        found = worlds.worth((Lever.WEATHER, Lever.FLOW, Lever.WATER), 3.4, np.ones(1))
        overhead = 0.14 * 2.0 / (self.WATER + 2.0)
        for row, inside in enumerate(players_in(3)):
            weather, flow, water = inside
            heat = used = 0.0
            for cold in self.OUTDOOR:
                t = cold if weather else cold + 1.5
                space = self.LOSS * max(self.BALANCE - t, 0.0)
                hot = self.WATER if water else bath
                # A sound control looks 1.2 K hotter than its curve on days with hot water.
                low, slope = (self.AT_15, self.PER_K) if flow else (at_15 + 1.2, per_k)
                lift = space * (low + slope * (15.0 - t) - t) + hot * (self.WATER_FLOW - t)
                heat += space + hot
                used += self.STANDBY + overhead * hot
                used += self.OFFSET * (space + hot) + self.PER_LIFT * lift
            assert found.spf[row, 0] == pytest.approx(heat / used, rel=1e-9)

    def test_heat_and_electricity_in_other_weather_are_the_sums_of_their_days(self) -> None:
        worlds = Worlds(self.days(milder_k=1.5), self.found(), self.reference(), air_source=True)
        overhead = 0.14 * 2.0 / (self.WATER + 2.0)
        for levers, milder in ((frozenset(Lever), 0.0), (frozenset(Lever) - {Lever.WEATHER}, 1.5)):
            heat = used = 0.0
            for t in self.OUTDOOR + milder:
                space = self.LOSS * max(self.BALANCE - t, 0.0)
                flow = self.AT_15 + self.PER_K * (15.0 - t)
                lift = space * (flow - t) + self.WATER * (self.WATER_FLOW - t)
                heat += space + self.WATER
                used += self.STANDBY + overhead * self.WATER
                used += self.OFFSET * (space + self.WATER) + self.PER_LIFT * lift
            found = worlds.energies(levers)
            assert (found[0][0], found[1][0]) == pytest.approx((heat, used), rel=1e-9)
