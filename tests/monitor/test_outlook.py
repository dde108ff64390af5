"""The outlook keeps measured and estimated apart, and its figures hang together."""

from __future__ import annotations

import time
import tracemalloc
from datetime import UTC, date, datetime, timedelta
from functools import cache
from typing import Any

import numpy as np
import polars as pl
import pytest

from monitor.guarantee.basis import basis
from monitor.guarantee.outlook import Outlook, outlook
from monitor.metrics.climate import UK_AVERAGE, from_months
from monitor.metrics.site_weather import SiteWeather
from monitor.models import Site
from monitor.schemas import SLOT, STATE_SLOT, empty
from tests.monitor.homes import home

START = datetime(2023, 10, 1, tzinfo=UTC)
HOURS = 366 * 24


def site(promise: float = 3.0, **extra: Any) -> Site:
    return home(
        {"role": "heat_total"},
        {"role": "elec_total"},
        {"role": "outdoor_temp", "kind": "state", "unit": "degC"},
        heat_loss_kw=5.0,
        terms=[
            {
                "signed": date(2023, 9, 1),
                "promised_spf": promise,
                "boundary": "H4",
                "start": START.date(),
                "months": 12,
            }
        ],
        **extra,
    )


@cache
def year() -> dict[str, np.ndarray]:
    """Hourly truth of a plain home whose COP follows the outdoor temperature."""
    rng = np.random.default_rng(11)
    hour = np.arange(HOURS)
    day = hour // 24
    doy = 274 + day
    spell = np.zeros(day[-1] + 1)
    for i in range(1, len(spell)):
        spell[i] = 0.78 * spell[i - 1] + rng.normal(0.0, 1.8)
    outdoor = 9.5 - 6.2 * np.cos(2 * np.pi * (doy - 22) / 365.25) + spell[day]
    heat = 0.25 + 0.21 * np.maximum(15.2 - outdoor, 0.0)
    heat = heat * np.exp(rng.normal(0.0, 0.08, len(spell)))[day]
    lift = 30.0 + 0.8 * (15.0 - outdoor) - outdoor + 6.0
    used = 0.02 + heat * (0.055 + 0.0062 * lift)
    return {"heat_total": heat, "elec_total": used, "outdoor_temp": outdoor}


def slots(hours: int, lost: slice | None = None, begin: datetime = START) -> pl.DataFrame:
    stamp = [begin + timedelta(hours=h) for h in range(hours)]
    parts = []
    for role in ("heat_total", "elec_total"):
        kwh = year()[role][:hours]
        frame = pl.DataFrame(
            {
                "role": [role] * hours,
                "slot_start_utc": stamp,
                "status": ["measured"] * hours,
                "kwh": kwh,
                "block_start_utc": stamp,
                "block_end_utc": [s + timedelta(hours=1) for s in stamp],
                "block_kwh": kwh,
                "u_start_kwh": [0.0] * hours,
                "u_end_kwh": [0.0] * hours,
            },
            schema=SLOT,
        )
        if lost is not None and role == "heat_total":
            gone = np.zeros(hours, dtype=bool)
            gone[lost] = True
            frame = frame.filter(pl.Series(~gone))
        parts.append(frame)
    return pl.concat(parts)


def states(hours: int) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "role": ["outdoor_temp"] * hours,
            "slot_start_utc": [START + timedelta(hours=h) for h in range(hours)],
            "mean": year()["outdoor_temp"][:hours],
            "covered": [1.0] * hours,
        },
        schema=STATE_SLOT,
    )


def ahead(
    home: Site,
    known: pl.DataFrame,
    seen: pl.DataFrame,
    *,
    now: datetime,
    daily_weather: pl.DataFrame | None = None,
    **more: Any,
) -> Outlook | None:
    given = None if daily_weather is None else SiteWeather(None, daily_weather)
    base = basis(home, known, seen, now=now, given=given)
    return None if base is None else outlook(base, **more)


def ask(days: int, *, lost: slice | None = None, promise: float = 3.0, **extra: Any) -> Outlook:
    hours = days * 24
    found = ahead(
        site(promise),
        slots(hours, lost),
        states(hours),
        now=START + timedelta(hours=hours),
        **extra,
    )
    assert found is not None
    return found


def true_spf() -> float:
    return float(year()["heat_total"].sum() / year()["elec_total"].sum())


@pytest.mark.parametrize("days", [60, 120, 180, 270, 330])
def test_the_interval_holds_what_comes_of_a_plain_home(days: int) -> None:
    found = ask(days)
    assert found.is_forecast
    assert found.low_90 < true_spf() < found.high_90
    assert found.low_90 < found.low_50 < found.median < found.high_50 < found.high_90


def test_the_interval_narrows_to_what_the_meters_leave_open() -> None:
    width = [(o := ask(days, members=8000)).high_90 - o.low_90 for days in (60, 120, 200, 366)]
    assert width == sorted(width, reverse=True)
    # Class 2 at 5 K and class B: rectangular limits of 5.44 % and 2 %, 90 % of their ratio.
    errors = np.random.default_rng(1).uniform(-1, 1, (2, 100_000))
    ratio = (1 + 0.02 * errors[1]) / (1 + 0.0544 * errors[0])
    bare = np.diff(np.quantile(ratio, [0.05, 0.95]))[0] * true_spf()
    assert width[-1] == pytest.approx(bare, rel=0.06)


def test_when_the_period_is_over_and_known_nothing_is_estimated() -> None:
    found = ask(366)
    assert found.median == pytest.approx(true_spf(), rel=0.005)
    assert found.filled_heat_kwh is None
    assert found.coming_heat_kwh.high == 0.0
    assert found.measured_heat_kwh == pytest.approx(year()["heat_total"].sum())
    assert len(found.fan) == 1


def test_hours_that_are_lost_are_filled_apart_from_what_was_measured() -> None:
    lost = slice(100 * 24, 125 * 24)
    whole, holed = ask(200), ask(200, lost=lost)
    missing = year()["heat_total"][lost].sum()
    assert holed.measured_heat_kwh == pytest.approx(whole.measured_heat_kwh - missing)
    assert holed.filled_heat_kwh.low < missing < holed.filled_heat_kwh.high
    assert holed.filled_heat_kwh.high / holed.filled_heat_kwh.low > 1.02
    assert whole.filled_heat_kwh is None
    detail = {i.name: i.detail for i in holed.ingredients}
    assert detail["hours of the past not known"] == "25.0 days, filled by the model"


def test_expected_energies_add_up_to_a_year_like_the_true_one() -> None:
    found = ask(120)
    expected = found.measured_heat_kwh + found.coming_heat_kwh.median
    assert expected == pytest.approx(year()["heat_total"].sum(), rel=0.08)


def test_the_fan_starts_at_what_is_measured_and_ends_at_the_outlook() -> None:
    found = ask(150)
    first, last = found.fan[0], found.fan[-1]
    assert first.day == START.date() + timedelta(151)
    assert last.day == found.period_end
    assert first.p50 == pytest.approx(
        found.measured_heat_kwh / found.measured_electricity_kwh, rel=0.015
    )
    assert (last.p5, last.p50, last.p95) == pytest.approx(
        (found.low_90, found.median, found.high_90)
    )
    assert all(p.p5 < p.p25 < p.p50 < p.p75 < p.p95 for p in found.fan)


@pytest.mark.parametrize(("promise", "least", "most"), [(2.0, 0.99, 1.0), (6.0, 0.0, 0.01)])
def test_the_probability_follows_the_promise(promise: float, least: float, most: float) -> None:
    found = ask(180, promise=promise)
    assert least <= found.probability <= most


def test_the_probability_is_even_at_the_median() -> None:
    found = ask(180)
    assert ask(180, promise=round(found.median, 3)).probability == pytest.approx(0.5, abs=0.02)


def test_the_same_seed_gives_the_same_outlook() -> None:
    assert ask(100) == ask(100)
    other = ask(100, seed=5)
    assert other.seed == 5
    assert other.median != ask(100).median
    assert other.median == pytest.approx(ask(100).median, abs=0.03)


def test_a_colder_reference_climate_costs_heat() -> None:
    mild = from_months(tuple(t + 1.5 for t in UK_AVERAGE), "mild")
    cold = from_months(tuple(t - 1.5 for t in UK_AVERAGE), "cold")
    mild_heat = ask(30, climate=mild).coming_heat_kwh.median
    assert ask(30, climate=cold).coming_heat_kwh.median > mild_heat * 1.03


def test_a_reference_climate_of_another_place_is_said_not_to_fit() -> None:
    arctic = from_months(tuple(t - 15.0 for t in UK_AVERAGE), "an arctic island")
    found = ask(200, climate=arctic)
    assert not found.is_adequate
    assert "off the reference climate (an arctic island)" in found.sentence


def test_a_promise_of_fifteen_years_has_an_outlook_in_bounded_memory() -> None:
    long = site()
    terms = long.terms[0].model_copy(update={"months": 180})
    hours = 200 * 24
    tracemalloc.start()
    found = ahead(
        long.model_copy(update={"terms": (terms,)}),
        slots(hours),
        states(hours),
        now=START + timedelta(hours=hours),
        members=300,
    )
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert found is not None
    assert found.period_end == date(2038, 10, 1)
    assert found.low_90 < found.median < found.high_90
    assert peak < 120e6


def test_what_lies_after_now_is_not_used() -> None:
    now = START + timedelta(days=120)
    all_known = ahead(site(), slots(HOURS), states(HOURS), now=now)
    assert all_known == ask(120)


def test_an_early_outlook_says_that_it_leans_on_what_is_usual() -> None:
    found = ask(40)
    assert found.is_forecast
    assert not found.is_adequate
    assert "only 40 whole days are known" in found.sentence
    assert "leans on what is usual" in found.sentence


def test_without_outdoor_temperature_the_outlook_is_no_forecast() -> None:
    hours = 150 * 24
    found = ahead(site(), slots(hours), empty(STATE_SLOT), now=START + timedelta(hours=hours))
    assert found is not None
    assert not found.is_forecast
    assert found.median is None
    assert found.probability is None
    assert "nothing tells the outdoor temperature" in found.sentence


def test_a_weather_file_stands_in_for_the_sensor() -> None:
    hours = 150 * 24
    daily = pl.DataFrame(
        {
            "day": [START.date() + timedelta(d) for d in range(150)],
            "outdoor_c": year()["outdoor_temp"][:hours].reshape(-1, 24).mean(axis=1),
        }
    )
    found = ahead(
        site(),
        slots(hours),
        empty(STATE_SLOT),
        now=START + timedelta(hours=hours),
        daily_weather=daily,
    )
    assert found is not None
    assert found.median == pytest.approx(ask(150).median, abs=0.01)


def test_no_readings_at_all_are_no_forecast() -> None:
    found = ahead(site(), empty(SLOT), empty(STATE_SLOT), now=START + timedelta(days=3))
    assert found is not None
    assert not found.is_forecast


def test_no_promise_is_no_outlook() -> None:
    bare = site().model_copy(update={"terms": ()})
    assert ahead(bare, slots(24), states(24), now=START + timedelta(days=1)) is None


def test_readings_from_before_the_period_teach_the_model_but_are_not_counted() -> None:
    later = site()
    terms = later.terms[0].model_copy(update={"start": date(2024, 2, 1)})
    hours = 122 * 24
    found = ahead(
        later.model_copy(update={"terms": (terms,)}),
        slots(hours),
        states(hours),
        now=START + timedelta(hours=hours),
    )
    assert found is not None
    assert found.is_forecast
    assert found.measured_heat_kwh == 0.0
    assert found.coming_heat_kwh.median > 1000.0


def test_an_outlook_takes_well_under_a_second() -> None:
    hours = 200 * 24
    frames = slots(hours), states(hours)
    begun = time.process_time()
    ahead(site(), *frames, now=START + timedelta(hours=hours))
    assert time.process_time() - begun < 1.5
