"""The climate's statistics against statsmodels, scipy and exact sums.

References: statsmodels 0.15 (least squares by harmonics, generalised least squares, processes
of first order); scipy 1.17 (integrals). Formulas: the posterior of a Gaussian vector seen
through noise, Gelman et al., Bayesian Data Analysis, 3rd edition, 14.8 and A.1; a block
bootstrap of blocks of b days keeps (1 - k/b) of the autocovariance at lag k, Kuensch (1989),
Annals of Statistics 17 (from memory). Monthly means: SAP 10.2 (2021), Table U1, region 0.
"""

from __future__ import annotations

from datetime import date
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from scipy.integrate import quad
from scipy.linalg import toeplitz
from scipy.stats import norm
from statsmodels.regression.linear_model import GLS, OLS
from statsmodels.tsa.arima_process import ArmaProcess
from statsmodels.tsa.stattools import acf

from monitor.metrics.climate import (
    AMPLITUDE_SPREAD_K,
    BLOCK_DAYS,
    MEMORY_DAYS,
    PLACE_SPREAD_K,
    SUMMER_SD_K,
    UK_AVERAGE,
    WINDOW_DAYS,
    WINTER_SD_K,
    YEAR_SPREAD_K,
    Climate,
    day_of_year,
    degree_days,
    draw,
    from_days,
    from_months,
    place,
)

pytestmark = pytest.mark.external

FIRST = date(2023, 1, 1)
YEAR = pl.date_range(FIRST, date(2023, 12, 31), eager=True)
NOTHING = (pl.Series([], dtype=pl.Date), np.empty(0))
NUMBER = np.arange(1.0, 366.0)

#: What the weather of one day has in common with the next: exp(-1/memory).
KEEP = float(np.exp(-1.0 / MEMORY_DAYS))


def season(doy: np.ndarray) -> np.ndarray:
    """1 at the coldest time of a northern year, 20 January, and -1 half a year later."""
    return np.cos(2.0 * np.pi * (doy - 20.0) / 365.25)


def daily_sd(doy: np.ndarray) -> np.ndarray:
    """Spread that goes from its winter to its summer value with the season."""
    return SUMMER_SD_K + (WINTER_SD_K - SUMMER_SD_K) * (1.0 + season(doy)) / 2.0


def reference_years(years: int = 1, seed: int = 1) -> tuple[pl.Series, np.ndarray]:
    days = pl.date_range(date(2021, 1, 1), date(2020 + years, 12, 31), eager=True)
    rng = np.random.default_rng(seed)
    rest = ArmaProcess([1.0, -0.75], [1.0]).generate_sample(
        len(days), 2.0, distrvs=rng.standard_normal, burnin=100
    )
    return days, 9.5 - 6.0 * season(day_of_year(days)) + rest


class TestCycle:
    def test_a_cycle_of_days_is_a_harmonic_least_squares(self) -> None:
        days, values = reference_years(2)
        angle = 2.0 * np.pi * (day_of_year(days) - 0.5) / 365.25
        columns = [np.ones_like(angle)]
        for k in (1, 2):
            columns += [np.cos(k * angle), np.sin(k * angle)]
        theirs = OLS(values, np.stack(columns, axis=1)).fit()
        found = from_days(days, values, "two years")
        assert found.cycle == pytest.approx(theirs.params, rel=1e-9)
        assert found.anomalies is not None
        assert found.anomalies.ravel() == pytest.approx(theirs.resid, abs=1e-9)

    def test_the_integral_of_each_month_is_its_mean(self) -> None:
        found = from_months(UK_AVERAGE, "table")
        edge = np.cumsum([0, 31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
        # Time t in days since New Year stands at day of year t + 0.5.
        means = [
            quad(lambda t: float(found.normal(np.array([t + 0.5]))[0]), a, b)[0] / (b - a)
            for a, b in pairwise(edge)
        ]
        # Eleven coefficients for twelve means leave the part that changes sign by the month,
        # the last term of a discrete Fourier transform, and what months of unlike length add.
        left = np.abs(np.fft.rfft(UK_AVERAGE)[6]) / 12
        assert np.abs(np.array(means) - UK_AVERAGE) == pytest.approx(np.full(12, left), abs=0.02)
        assert left < 0.1
        assert quad(lambda t: float(found.normal(np.array([t + 0.5]))[0]), 0.0, 365.25, limit=200)[
            0
        ] / 365.25 == pytest.approx(10.02, abs=0.01)


class TestPlace:
    """What a site's days say of how far it lies off its reference."""

    def posterior(
        self, climate: Climate, doy: np.ndarray, gap: np.ndarray, noise: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Offset, amplitude and stray of the year as one Gaussian vector, conditioned on days."""
        years = max(1.0, len(doy) / 365.25)
        prior = np.diag(
            [climate.place_k**2, climate.amplitude_k**2, YEAR_SPREAD_K**2 / years],
        )
        design = np.stack([np.ones_like(doy), -season(doy), np.ones_like(doy)], axis=1)
        joint = design @ prior @ design.T + noise
        gain = np.linalg.solve(joint, design @ prior).T
        mean, cov = gain @ gap, prior - gain @ design @ prior
        return mean[:2], cov[:2, :2]

    @pytest.mark.parametrize("count", [10, 90, 365])
    def test_it_is_the_conditional_distribution_of_a_gaussian_vector(self, count: int) -> None:
        climate = from_months(UK_AVERAGE, "table")
        rng = np.random.default_rng(count)
        doy = NUMBER[:count]
        gap = -1.5 + rng.normal(0.0, 2.0, count)
        found = place(climate, YEAR[:count], climate.normal(doy) + gap)
        # n days of correlation r count as n (1 - r)/(1 + r), each as unsure as its season is.
        noise = np.diag(daily_sd(doy) ** 2 * (1.0 + KEEP) / (1.0 - KEEP))
        mean, cov = self.posterior(climate, doy, gap, noise)
        assert found.mean == pytest.approx(mean, rel=1e-9)
        np.testing.assert_allclose(found.root @ found.root.T, cov, rtol=1e-9, atol=1e-12)

    def test_days_with_their_full_correlation_say_the_same(self) -> None:
        # Against generalised least squares with the process's own covariance: the shortcut
        # leaves out what the ends of a record tell (5 % of the standard deviation).
        climate = from_months(UK_AVERAGE, "table")
        rng = np.random.default_rng(7)
        rest = ArmaProcess([1.0, -KEEP], [1.0]).generate_sample(
            365, np.sqrt(1.0 - KEEP**2), distrvs=rng.standard_normal, burnin=100
        )
        gap = 0.8 + daily_sd(NUMBER) * rest
        found = place(climate, YEAR, climate.normal(NUMBER) + gap)
        sd = daily_sd(NUMBER)
        noise = np.outer(sd, sd) * toeplitz(KEEP ** np.arange(365))
        mean, cov = self.posterior(climate, NUMBER, gap, noise)
        mine = found.root @ found.root.T
        assert np.sqrt(np.diag(mine)) == pytest.approx(np.sqrt(np.diag(cov)), rel=0.05)
        assert np.abs(found.mean - mean).max() < 0.3 * np.sqrt(np.diag(cov)).min()

    def test_with_a_wide_prior_it_is_generalised_least_squares(self) -> None:
        cycle = from_months(UK_AVERAGE, "table").cycle
        climate = Climate("anywhere", cycle, None, place_k=1e3, amplitude_k=1e3)
        rng = np.random.default_rng(3)
        gap = 2.0 - 0.5 * season(NUMBER) + rng.normal(0.0, 1.0, 365)
        found = place(climate, YEAR, climate.normal(NUMBER) + gap)
        design = np.stack([np.ones(365), -season(NUMBER)], axis=1)
        theirs = GLS(gap, design, sigma=daily_sd(NUMBER) ** 2).fit()
        assert found.mean == pytest.approx(theirs.params, rel=1e-4)

    def test_without_days_the_prior_stays(self) -> None:
        found = place(from_months(UK_AVERAGE, "table"), *NOTHING)
        np.testing.assert_allclose(
            found.root @ found.root.T,
            np.diag([PLACE_SPREAD_K**2, AMPLITUDE_SPREAD_K**2]),
            atol=1e-12,
        )


@pytest.fixture(scope="module")
def drawn() -> np.ndarray:
    """Years drawn from monthly means, for a site of which nothing is known."""
    placed = place(from_months(UK_AVERAGE, "table"), *NOTHING)
    return draw(placed, FIRST, 365, 20_000, np.random.default_rng(11))


@pytest.fixture(scope="module")
def climate() -> Climate:
    """Three reference years of a site that lies where they were measured."""
    found = from_days(*reference_years(3), "three years")
    return Climate(found.origin, found.cycle, found.anomalies, 1e-9, 1e-9)


@pytest.fixture(scope="module")
def strays(climate: Climate) -> np.ndarray:
    """Anomalies of 40 days from 1 March on; the year's stray is still in them."""
    placed = place(climate, *NOTHING)
    drawn = draw(placed, date(2023, 3, 1), 40, 60_000, np.random.default_rng(13))
    return drawn - climate.normal(NUMBER[59:99])


class TestFirstOrderWeather:
    """Years drawn where only monthly means are known."""

    def test_its_mean_is_the_cycle(self, drawn: np.ndarray) -> None:
        normal = from_months(UK_AVERAGE, "table").normal(NUMBER)
        # 20 000 members of 3.5 K: a standard error of 0.025 K; five of them.
        assert drawn.mean(axis=0) == pytest.approx(normal, abs=0.125)

    def test_its_covariance_is_that_of_place_year_and_a_first_order_process(
        self, drawn: np.ndarray
    ) -> None:
        at = np.array([0, 1, 2, 4, 8, 30, 120, 200, 201, 210, 300])
        found = np.cov(drawn[:, at].T)
        doy = NUMBER[at]
        memory = ArmaProcess([1.0, -KEEP], [1.0]).acf(400)
        lag = np.abs(at[:, None] - at)
        expected = (
            PLACE_SPREAD_K**2
            + YEAR_SPREAD_K**2
            + AMPLITUDE_SPREAD_K**2 * np.outer(season(doy), season(doy))
            + np.outer(daily_sd(doy), daily_sd(doy)) * memory[lag]
        )
        # Standard error of a covariance from n members: below (variance) sqrt(2/n), 1 %.
        assert np.abs(found - expected).max() < 4.5 * expected.max() * np.sqrt(2 / 20_000)

    def test_a_long_course_forgets_as_its_memory_says(self) -> None:
        climate = Climate("flat", np.array([10.0]), None, place_k=1e-9, amplitude_k=1e-9)
        course = draw(place(climate, *NOTHING), FIRST, 20_000, 6, np.random.default_rng(12))
        doy = day_of_year(
            pl.date_range(FIRST, date.fromordinal(FIRST.toordinal() + 19_999), eager=True)
        )
        theirs = ArmaProcess([1.0, -KEEP], [1.0]).acf(13)
        found = np.mean([acf(row / daily_sd(doy), nlags=12) for row in course - 10.0], axis=0)
        # The year's stray is one number for the course, so it goes with the mean.
        assert found == pytest.approx(theirs, abs=0.02)
        # After MEMORY_DAYS the correlation has fallen to 1/e.
        assert found[int(MEMORY_DAYS)] == pytest.approx(np.exp(-1.0), abs=0.02)

    def test_the_coldest_days_spread_as_in_winter_and_the_warmest_as_in_summer(
        self, drawn: np.ndarray
    ) -> None:
        common = PLACE_SPREAD_K**2 + YEAR_SPREAD_K**2 + AMPLITUDE_SPREAD_K**2
        winter, summer = drawn[:, 19].var(), drawn[:, 202].var()
        assert winter == pytest.approx(common + WINTER_SD_K**2, rel=0.045)
        assert summer == pytest.approx(common + SUMMER_SD_K**2, rel=0.045)


class TestBlocksOfReferenceYears:
    """Years drawn by resampling the anomalies of reference years."""

    def moments(self, climate: Climate, i: int, j: int) -> tuple[float, float]:
        """Mean at day i and covariance of days i and j of the window, by full enumeration."""
        table = climate.anomalies
        assert table is not None
        shift = np.arange(-WINDOW_DAYS, WINDOW_DAYS + 1)
        a, b = table[:, (59 + i + shift) % 365], table[:, (59 + j + shift) % 365]
        if i // BLOCK_DAYS == j // BLOCK_DAYS:
            return float(a.mean()), float((a * b).mean() - a.mean() * b.mean())
        return float(a.mean()), 0.0

    @pytest.mark.parametrize("i", [0, 5, 9, 10, 39])
    def test_each_day_has_the_moments_of_the_days_about_its_date(
        self, climate: Climate, strays: np.ndarray, i: int
    ) -> None:
        mean, variance = self.moments(climate, i, i)
        assert strays[:, i].mean() == pytest.approx(mean, abs=0.06)
        assert strays[:, i].var() == pytest.approx(variance + YEAR_SPREAD_K**2, rel=0.03)

    @pytest.mark.parametrize(("i", "j"), [(0, 1), (2, 7), (9, 10), (10, 12), (5, 25)])
    def test_days_of_one_block_vary_as_in_the_reference_and_blocks_are_independent(
        self, climate: Climate, strays: np.ndarray, i: int, j: int
    ) -> None:
        _, covariance = self.moments(climate, i, j)
        _, variance = self.moments(climate, i, i)
        found = float(np.cov(strays[:, i], strays[:, j])[0, 1])
        # Standard error of a covariance: variance x sqrt(2/n), 0.6 %; four of them.
        assert found == pytest.approx(
            covariance + YEAR_SPREAD_K**2, abs=0.025 * (variance + YEAR_SPREAD_K**2)
        )

    @pytest.mark.parametrize("lag", [1, 3, 6])
    def test_a_course_keeps_its_share_of_the_autocovariance(
        self, climate: Climate, lag: int
    ) -> None:
        placed = place(climate, *NOTHING)
        course = draw(placed, FIRST, 10 * 365, 200, np.random.default_rng(14))
        doy = day_of_year(
            pl.date_range(FIRST, date.fromordinal(FIRST.toordinal() + 10 * 365 - 1), eager=True)
        )
        rest = course - climate.normal(doy)
        found = float(np.mean([acf(row, nlags=lag)[lag] for row in rest]))
        assert climate.anomalies is not None
        table = climate.anomalies - climate.anomalies.mean()
        both = float(np.mean([np.mean(row * np.roll(row, -lag)) for row in table]))
        kept = (1.0 - lag / BLOCK_DAYS) * both / float(np.mean(table**2))
        assert found == pytest.approx(kept, abs=0.02)


def test_degree_days_of_a_usual_year_are_the_expectation_over_normal_days() -> None:
    """Each day's by numerical integration; the sum is that of Schoenau and Kehrig (1990).

    Energy and Buildings 14 (from memory): days of a month stray normally about its mean.
    """
    there = place(from_months(UK_AVERAGE, "the United Kingdom"), YEAR, np.full(365, np.nan))
    doy = np.arange(1.0, 366.0)
    half = 0.5 * (WINTER_SD_K - SUMMER_SD_K)
    sd = WINTER_SD_K - half + half * np.cos(2.0 * np.pi * (doy - 20.0) / 365.25)
    mean = there.climate.normal(doy)
    each = [
        norm(m, s).expect(lambda t: max(15.5 - t, 0.0), lb=-40.0, ub=15.5)
        for m, s in zip(mean[2::5], sd[2::5], strict=True)
    ]
    assert degree_days(there, 15.5) == pytest.approx(sum(each) * 365.25 / len(each), rel=2e-3)
