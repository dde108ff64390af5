"""Weather to come: what the drawn years have in common with their reference."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from monitor.metrics.climate import (
    UK_AVERAGE,
    UK_ORIGIN,
    YEAR_SPREAD_K,
    day_of_year,
    degree_days,
    draw,
    from_days,
    from_months,
    place,
    reference,
)

FIRST = date(2023, 1, 1)
YEAR = pl.date_range(FIRST, date(2023, 12, 31), eager=True)
NOTHING = (pl.Series([], dtype=pl.Date), np.empty(0))


def months_of(values: np.ndarray) -> np.ndarray:
    month = YEAR.dt.month().to_numpy()
    return np.array([values[..., month == m].mean() for m in range(1, 13)])


def reference_year(seed: int = 1, offset: float = 0.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    rest = np.zeros(365)
    for i in range(1, 365):
        rest[i] = 0.8 * rest[i - 1] + rng.normal(0.0, 1.7)
    season = -6.0 * np.cos(2 * np.pi * (np.arange(365) - 20) / 365.25)
    return 9.5 + offset + season + rest - rest.mean()


def test_a_climate_by_months_has_the_months_it_was_given() -> None:
    normal = from_months(UK_AVERAGE, "table").normal(day_of_year(YEAR))
    np.testing.assert_allclose(months_of(normal), UK_AVERAGE, atol=0.1)
    # SAP 10.2, Table U1, region 0: day-weighted annual mean 10.0205 degC.
    assert normal.mean() == pytest.approx(10.0205, abs=0.02)


@pytest.mark.parametrize("means", [(1.0,) * 11, (*UK_AVERAGE[:11], float("nan")), (400.0,) * 12])
def test_what_are_no_monthly_means_is_refused(means: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="twelve mean temperatures"):
        from_months(means, "table")


def test_drawn_years_scatter_about_the_reference_by_season() -> None:
    placed = place(from_months(UK_AVERAGE, "table"), *NOTHING)
    drawn = draw(placed, FIRST, 365, 4000, np.random.default_rng(2))
    assert drawn.shape == (4000, 365)
    np.testing.assert_allclose(months_of(drawn), UK_AVERAGE, atol=0.15)
    # A year's mean spreads by place, year and the weather's own memory.
    spread = drawn.mean(axis=1).std()
    assert np.hypot(placed.climate.place_k, YEAR_SPREAD_K) < spread < 1.6


def test_successive_days_are_alike() -> None:
    placed = place(from_days(YEAR, reference_year(), "year"), *NOTHING)
    drawn = draw(placed, FIRST, 365, 400, np.random.default_rng(3))
    rest = drawn - drawn.mean(axis=0) - (drawn - drawn.mean(axis=0)).mean(axis=1)[:, None]
    next_day = np.mean(rest[:, 1:] * rest[:, :-1]) / np.mean(rest**2)
    assert 0.5 < next_day < 0.85


def test_anomalies_of_a_season_come_from_that_season() -> None:
    values = reference_year()
    summer = (YEAR.dt.month().to_numpy() > 5) & (YEAR.dt.month().to_numpy() < 9)
    season = -6.0 * np.cos(2 * np.pi * (np.arange(365) - 20) / 365.25)
    calm = np.where(summer, 9.5 + season, values)
    placed = place(from_days(YEAR, calm, "year"), *NOTHING)
    drawn = draw(placed, FIRST, 365, 500, np.random.default_rng(4))
    within = (drawn - drawn.mean(axis=1, keepdims=True)).std(axis=0)
    july = within[(YEAR.dt.month() == 7).to_numpy()].mean()
    january = within[(YEAR.dt.month() == 1).to_numpy()].mean()
    assert july < 0.6 * january


def test_a_colder_site_is_learnt_but_not_all_at_once() -> None:
    climate = from_days(YEAR, reference_year(), "year")
    site = climate.normal(day_of_year(YEAR)) - 2.0
    nothing = place(climate, *NOTHING)
    month = place(climate, YEAR[:30], site[:30])
    year = place(climate, YEAR, site)
    assert nothing.mean[0] == 0.0
    assert -2.0 < year.mean[0] < month.mean[0] < -0.5
    sd = [float(np.linalg.norm(p.root[0])) for p in (nothing, month, year)]
    assert sd[0] > sd[1] > sd[2] > 0.3


def test_another_places_climate_is_noticed() -> None:
    climate = from_days(YEAR, reference_year(), "year")
    site = climate.normal(day_of_year(YEAR))
    assert place(climate, YEAR, site + 2.0).fits
    assert not place(climate, YEAR, site - 8.0).fits
    half_a_year_off = climate.normal((day_of_year(YEAR) + 182) % 365)
    assert not place(climate, YEAR, half_a_year_off).fits


def test_days_without_a_temperature_teach_nothing() -> None:
    climate = from_months(UK_AVERAGE, "table")
    blank = place(climate, YEAR, np.full(365, np.nan))
    np.testing.assert_allclose(blank.root, place(climate, *NOTHING).root)


def test_a_sites_own_year_is_a_climate_that_lies_where_it_lies() -> None:
    own = from_days(YEAR, reference_year(offset=1.0), "own record", own=True)
    assert own.place_k < from_months(UK_AVERAGE, "table").place_k
    assert own.normal(day_of_year(YEAR)).mean() == pytest.approx(10.5, abs=0.05)


def test_the_reference_is_the_sites_own_record_once_it_covers_a_year() -> None:
    values = reference_year()
    holed = np.where(np.arange(365) % 30 == 3, np.nan, values)
    assert reference(YEAR, holed[:365]).origin == "the site's own record"
    assert "United Kingdom" in reference(YEAR[:300], values[:300]).origin
    assert "United Kingdom" in reference(*NOTHING).origin


def test_part_of_a_year_is_no_climate() -> None:
    with pytest.raises(ValueError, match="there are 200"):
        from_days(YEAR[:200], reference_year()[:200], "own record")


def test_several_reference_years_are_drawn_from_by_turns() -> None:
    years = pl.date_range(date(2019, 1, 1), date(2020, 12, 31), eager=True)
    values = np.concatenate([reference_year(1), reference_year(2), [5.0]])
    climate = from_days(years, values, "two years")
    assert climate.anomalies is not None
    assert climate.anomalies.shape == (2, 365)
    assert np.isfinite(climate.anomalies).all()


def test_the_same_seed_draws_the_same_years() -> None:
    placed = place(from_months(UK_AVERAGE, "table"), *NOTHING)
    a, b, c = (draw(placed, FIRST, 30, 20, np.random.default_rng(seed)) for seed in (1, 1, 2))
    np.testing.assert_array_equal(a, b)
    assert not np.array_equal(a, c)


def test_a_period_may_begin_on_any_day_and_run_over_years() -> None:
    placed = place(from_days(YEAR, reference_year(), "year"), *NOTHING)
    drawn = draw(placed, FIRST + timedelta(200), 730, 50, np.random.default_rng(5))
    assert np.isfinite(drawn).all()
    assert drawn[:, 180].mean() < drawn[:, 0].mean() - 5.0


@pytest.mark.parametrize("offset", [-2.0, 0.0, 2.0])
def test_degree_days_of_a_usual_year_are_those_of_the_years_that_are_drawn(offset: float) -> None:
    """Mild months have some as well: those of the seasonal cycle alone would be too few."""
    outdoor = reference_year(offset=offset)
    there = place(from_months(UK_AVERAGE, UK_ORIGIN), YEAR, outdoor)
    years = draw(there, FIRST, 365, 2000, np.random.default_rng(5))
    drawn = np.maximum(15.5 - years, 0.0).sum(axis=1).mean()
    assert degree_days(there, 15.5) == pytest.approx(drawn, rel=0.01)
    cycle = there.climate.normal(np.arange(1.0, 366.0)) + there.mean[0]
    assert degree_days(there, 15.5) > 1.01 * np.maximum(15.5 - cycle, 0.0).sum()
