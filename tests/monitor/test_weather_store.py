"""Weather from elsewhere: kept by day, sorted into climate and what the weather was."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from monitor.guarantee.assessment import Assessment
from monitor.guarantee.settlement import Exclusion
from monitor.metrics.climate import day_of_year
from monitor.metrics.site_weather import site_weather
from monitor.models import Site
from monitor.refresh import judge
from monitor.schemas import SUSPECT, WEATHER, empty
from monitor.store import claims, derived
from monitor.store.connection import Store, open_store
from monitor.store.prices import STAGED_PRICE, PriceBatch, record_prices
from monitor.store.sites import save_site, stored_channels
from monitor.store.weather import (
    WeatherBatch,
    WeatherCounts,
    load_weather,
    record_weather,
    weather_series,
)
from tests.monitor.linear_home import FIRST, Home, end_of, frames_of, site_of

NOW = datetime(2024, 6, 1, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "homes.duckdb", create=True) as opened:
        yield opened


def year(mean: float = 9.0, *, first: date = date(2023, 1, 1), days: int = 365) -> pl.DataFrame:
    at = pl.date_range(first, first + timedelta(days - 1), eager=True)
    cycle = mean - 5.0 * np.cos(2 * np.pi * (day_of_year(at) - 20.0) / 365.25)
    return pl.DataFrame({"day": at, "outdoor_c": cycle})


def series(frame: pl.DataFrame, *, typical: bool = False, name: str = "valley") -> pl.DataFrame:
    return frame.select(
        pl.lit(name).alias("series"), "day", pl.lit(typical).alias("typical"), "outdoor_c"
    ).cast(WEATHER)  # type: ignore[arg-type]


def take(store: Store, days: pl.DataFrame, *, correction: bool = False) -> WeatherCounts:
    batch = WeatherBatch(
        "valley", "place.epw", "hash", correction, days, days.height * 24, 0, 0, 0, ()
    )
    return record_weather(store, batch, NOW)


def test_each_day_of_a_file_is_accepted_a_duplicate_or_a_conflict(store: Store) -> None:
    assert take(store, series(year())) == WeatherCounts(365, 365, 0, 0)
    other = year().with_columns(
        pl.when(pl.col("day") == date(2023, 3, 1))
        .then(30.0)
        .otherwise("outdoor_c")
        .alias("outdoor_c")
    )
    assert take(store, series(other)) == WeatherCounts(365, 0, 364, 1)
    held = load_weather(store, "valley").filter(pl.col("day") == date(2023, 3, 1))
    assert held["outdoor_c"].item() != 30.0
    assert take(store, series(other), correction=True) == WeatherCounts(365, 1, 364, 0)
    held = load_weather(store, "valley").filter(pl.col("day") == date(2023, 3, 1))
    assert held["outdoor_c"].item() == 30.0


def test_a_typical_day_and_a_real_one_of_the_same_date_stand_side_by_side(store: Store) -> None:
    take(store, series(year(), typical=True))
    take(store, series(year(11.0)))
    row = weather_series(store).row(0, named=True)
    assert (row["typical_days"], row["real_days"]) == (365, 365)
    assert load_weather(store, "valley").height == 730


def home(**more: Any) -> Site:
    return site_of(Home(), 3.0, **more)


def test_a_typical_year_is_the_climate_and_never_what_the_weather_was() -> None:
    found = site_weather(home(weather="valley"), series(year(), typical=True))
    assert found.climate is not None
    assert "a typical year of 'valley'" in found.climate.origin
    assert found.daily.height == 0


def test_real_days_say_what_the_weather_was_and_a_year_of_them_is_a_climate_too() -> None:
    found = site_weather(home(weather="valley"), series(year()))
    assert found.daily.height == 365
    assert found.climate is not None
    half = site_weather(home(weather="valley"), series(year(days=180)))
    assert half.daily.height == 180
    assert half.climate is None


def test_monthly_means_of_the_description_come_before_any_file() -> None:
    climate = {"monthly_means_c": [5.0] * 12, "origin": "a table"}
    found = site_weather(home(weather="valley", climate=climate), series(year(), typical=True))
    assert found.climate is not None
    assert found.climate.origin == "a table"


def test_weather_of_another_place_is_not_used() -> None:
    found = site_weather(home(weather="hill"), series(year()))
    assert found.climate is None
    assert found.daily.height == 0


# What takes the energy model is computed once a day, and when something it rests on changes.


def filled(store: Store, site: Site, *, without: str = "") -> None:
    save_site(store, site, NOW)
    slots, states = frames_of(Home())
    states = states.filter(pl.col("role") != without)
    beginning = datetime(1970, 1, 1, tzinfo=UTC)
    derived.replace_derived(store, site.id, beginning, slots, states, empty(SUSPECT))


def judged(store: Store, site: Site, now: datetime) -> Assessment:
    judge(store, site, stored_channels(store, site), now=now)
    found = derived.load_assessment(store, site.id)
    assert found is not None
    return found


def test_an_assessment_is_kept_for_the_day_and_made_anew_on_the_next(store: Store) -> None:
    site = home(tariff=[{"valid_from": FIRST, "price_per_kwh": 0.3}])
    filled(store, site)
    noon = end_of(Home()) - timedelta(hours=12)
    first = judged(store, site, noon)
    assert judged(store, site, noon + timedelta(hours=3)).at == first.at
    assert judged(store, site, noon + timedelta(days=1)).at == noon + timedelta(days=1)


def test_an_exclusion_a_price_or_weather_makes_it_anew_at_once(store: Store) -> None:
    tariff = [{"valid_from": FIRST, "series": "east"}]
    site = home(tariff=tariff, weather="valley")
    filled(store, site)
    noon = end_of(Home()) - timedelta(hours=12)
    judged(store, site, noon)
    at = noon + timedelta(minutes=10)
    claims.add_exclusion(
        store,
        site.id,
        Exclusion(
            start_utc=noon - timedelta(hours=48),
            end_utc=noon - timedelta(hours=24),
            reason="power cut",
            by="R. Vane",
            at=noon,
        ),
    )
    assert judged(store, site, at).at == at
    at += timedelta(minutes=10)
    prices = pl.DataFrame([(2, noon, 0.2)], schema=STAGED_PRICE, orient="row")
    none = pl.DataFrame(
        schema={"line": pl.Int64, "column": pl.String, "raw": pl.String, "reason": pl.String}
    )
    record_prices(store, PriceBatch("east", "p.csv", "h", False, prices, 0, none, ()), NOW)
    assert judged(store, site, at).at == at
    at += timedelta(minutes=10)
    take(store, series(year()))
    assert judged(store, site, at).at == at
    assert judged(store, site, at + timedelta(minutes=10)).at == at


def test_a_weather_file_lets_a_home_without_a_sensor_be_split(store: Store) -> None:
    it, site = Home(), home(weather="valley")
    filled(store, site, without="outdoor_temp")
    now = end_of(it) - timedelta(hours=12)
    assert judged(store, site, now).fit is None
    known = frames_of(it)[1].filter(pl.col("role") == "outdoor_temp")
    daily = known.group_by(pl.col("slot_start_utc").dt.date().alias("day")).agg(
        pl.col("mean").mean().alias("outdoor_c")
    )
    take(store, series(daily))
    found = judged(store, site, now)
    assert found.fit is not None
    assert found.fit.is_adequate
    assert found.shortfall is not None
    assert found.shortfall.is_split


def test_an_assessment_holds_the_fit_by_guideline_14_and_every_check(store: Store) -> None:
    boiler = {"fuel": "gas", "installed": 2005, "past_bills": {"yearly_kwh": [9000.0]}}
    tariff = [{"valid_from": FIRST, "price_per_kwh": 0.3}]
    site = home(tariff=tariff, boiler=boiler)
    filled(store, site)
    found = judged(store, site, end_of(Home()) - timedelta(hours=12))
    assert found.fit.heat.cv_rmse < 0.05
    assert abs(found.fit.heat.nmbe) < 0.01
    checks = found.plausibility
    assert len(checks.doubts) + len(checks.in_order) + len(checks.not_measurable) == 5
    assert found.shortfall.money == pytest.approx(found.shortfall.extra_kwh * 0.3)
    assert found.bills.heat_loss_kw.low < found.bills.heat_loss_kw.best
    # Without a price of the fuel nothing is compared, and nothing is guessed.
    assert found.comparison.heat_kwh == 0
    assert found.comparison.left_out_kwh > 0


def test_what_an_earlier_version_kept_and_cannot_be_read_is_made_anew(store: Store) -> None:
    site = home()
    filled(store, site)
    noon = end_of(Home()) - timedelta(hours=12)
    judged(store, site, noon)
    for table in ("assessment", "outlook", "standing"):
        store.cursor().execute(f"UPDATE {table} SET document = '{{}}'")
    assert derived.load_assessment(store, site.id) is None
    assert derived.load_outlook(store, site.id) is None
    assert derived.load_standings(store) == []
    assert judged(store, site, noon + timedelta(hours=1)).at == noon + timedelta(hours=1)
