"""What is found at a site, and how it is kept over time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from monitor.errors import NotFoundError
from monitor.findings.doubts import ROOMS_LATELY, doubted
from monitor.findings.finding import Confidence, Finding, Seen, SourceSeen, Topic
from monitor.findings.registry import findings
from monitor.guarantee.assessment import assessment
from monitor.guarantee.basis import basis
from monitor.guarantee.standing import standing
from monitor.metrics.boundary import promised_recipe
from monitor.metrics.daily import day_frame
from monitor.metrics.site_weather import site_weather
from monitor.models import Site
from monitor.rules import DEFAULT_RULES
from monitor.store.connection import Store, open_store
from monitor.store.findings import keep_findings, load_findings, note_finding
from tests.monitor.linear_home import FIRST, NORMALS, Home, end_of, frames_of, site_of, spf_of

CLIMATE = {"monthly_means_c": NORMALS, "origin": "normals of the place"}
TARIFF = [{"valid_from": FIRST, "price_per_kwh": 0.30}]
SOUND = Home()
PROMISE = spf_of(SOUND)
NOW = datetime(2026, 1, 10, 12, tzinfo=UTC)


def begin_of(it: Home) -> datetime:
    return end_of(it) - timedelta(days=it.days)


def seen(
    it: Home,
    *,
    sources: tuple[SourceSeen, ...] = (),
    now: Any = None,
    frames: tuple[pl.DataFrame, pl.DataFrame] | None = None,
    **terms: Any,
) -> Seen:
    site = site_of(it, PROMISE, climate=CLIMATE, tariff=TARIFF)
    if terms:
        agreed = site.terms[0].model_copy(update=terms)
        site = site.model_copy(update={"terms": (agreed,)})
    slots, states = frames or frames_of(it)
    moment = now or end_of(it) - timedelta(hours=1)
    base = basis(site, slots, states, now=moment, given=site_weather(site))
    assert base is not None
    return Seen(
        site=site,
        standing=standing(
            site, slots, states, newest_reading=end_of(it), now=moment, rules=DEFAULT_RULES
        ),
        assessment=assessment(base),
        sources=sources,
        now=moment,
        rules=DEFAULT_RULES,
    )


def kinds(it: Home, **more: Any) -> list[str]:
    return [finding.kind for finding in findings(seen(it, **more))]


def test_a_sound_home_has_no_findings() -> None:
    assert kinds(SOUND) == []


@pytest.mark.parametrize(
    ("trouble", "kind"),
    [
        ({"flow_above_k": 8.0}, "cause:flow_temperature"),
        ({"backup_share": 0.25}, "cause:backup_and_immersion"),
        ({"standby_kwh": 3.0}, "cause:standby_cycling_pumps"),
        ({"more": 0.3}, "cause:unit"),
        ({"colder_k": 4.0}, "weather-not-system"),
    ],
)
def test_a_trouble_is_found_with_what_it_costs_and_what_to_check(
    trouble: dict[str, Any], kind: str
) -> None:
    found = {f.kind: f for f in findings(seen(Home(**trouble)))}
    assert kind in found
    finding = found[kind]
    assert finding.effect is not None
    assert finding.effect.low <= finding.effect.spf <= finding.effect.high
    assert finding.effect.low > 0
    assert finding.effect.money_year == pytest.approx(finding.effect.kwh_year * 0.30)
    assert finding.check


def test_a_cold_year_that_the_promise_survived_is_no_finding() -> None:
    cold = Home(colder_k=4.0)
    site = site_of(cold, spf_of(cold) - 0.2, climate=CLIMATE, tariff=TARIFF)
    slots, states = frames_of(cold)
    base = basis(site, slots, states, now=end_of(cold), given=site_weather(site))
    assert base is not None
    known = assessment(base)
    where = standing(
        site, slots, states, newest_reading=end_of(cold), now=end_of(cold), rules=DEFAULT_RULES
    )
    found = findings(Seen(site, where, known, (), end_of(cold), DEFAULT_RULES))
    assert {"cause:weather", "weather-not-system"}.isdisjoint(f.kind for f in found)


def test_work_on_the_unit_and_hot_water_comes_with_its_caution() -> None:
    unit = next(f for f in findings(seen(Home(more=0.3))) if f.kind == "cause:unit")
    assert "licensed" in (unit.caution or "")


def test_a_doubted_meter_silences_what_would_be_blamed_on_the_unit() -> None:
    low = Home(heat_shown=0.8, with_water_sensors=True)
    found = kinds(low)
    assert "heat_beside_flow_and_temperatures" in found
    assert "cause:unit" not in found
    assert found[0] == "heat_beside_flow_and_temperatures"


def test_a_cold_household_comes_before_everything_else() -> None:
    found = findings(seen(Home(room_c=16.0, flow_above_k=8.0)))
    assert found[0].topic is Topic.HOUSEHOLD
    assert found[0].caution is not None
    assert found[0].plainly is not None
    assert "cause:flow_temperature" in [f.kind for f in found]


def cold_for(days: int, of: int = 200) -> list[Finding]:
    """Findings after so many newest days at 16 degC inside, after months at 20 degC."""
    home = Home(room_c=20.0)
    slots, states = frames_of(home)
    now = begin_of(home) + timedelta(days=of)
    late = pl.col("slot_start_utc") >= now - timedelta(days=days)
    room = (pl.col("role") == "room_temp") & late
    states = states.with_columns(
        pl.when(room).then(pl.lit(16.0)).otherwise(pl.col("mean")).alias("mean")
    )
    it = seen(home, now=now, frames=(slots, states))
    days = day_frame(it.site, promised_recipe(it.site, it.site.terms[0]), slots, states)
    return doubted(replace(it, slots=slots, states=states, days=days))


def test_a_household_left_cold_in_winter_is_found_within_weeks_though_the_year_was_warm() -> None:
    (found,) = cold_for(25)
    assert found.kind == "room_temperature"
    assert found.topic is Topic.HOUSEHOLD
    assert "16.0 degC" in found.what
    assert found.window_start is not None
    assert found.window_end - found.window_start == ROOMS_LATELY


def test_three_weeks_away_from_home_make_no_cold_household() -> None:
    assert cold_for(21) == []


def test_a_source_that_goes_silent_raises_a_finding_and_one_that_speaks_does_not() -> None:
    now = end_of(SOUND) - timedelta(hours=1)
    quiet = SourceSeen("portal", now - timedelta(days=3), timedelta(days=2), "HTTP 503")
    heard = SourceSeen("logger", now - timedelta(days=1), timedelta(days=2))
    (found,) = findings(seen(SOUND, sources=(quiet, heard)))
    assert found.kind == "silent-source:portal"
    assert found.since == now - timedelta(days=3)
    assert "HTTP 503" in found.what


def test_a_site_without_sources_whose_readings_stopped_is_silent() -> None:
    it = Home(days=200)
    later = end_of(it) + timedelta(days=5)
    (found,) = [f for f in findings(seen(it, now=later)) if f.topic is Topic.DATA]
    assert found.kind == "silent-site"


def test_a_period_that_can_no_longer_be_decided_says_so() -> None:
    it = Home(days=200)
    later = end_of(it) + timedelta(days=60)
    found = {f.kind: f for f in findings(seen(it, now=later, minimum_coverage=0.95))}
    assert found["coverage-at-risk"].confidence is Confidence.CERTAIN
    assert "cannot be reached any more" in found["coverage-at-risk"].what


# Over time


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "homes.duckdb", create=True) as opened:
        yield opened


def one(kind: str, title: str = "Something") -> Finding:
    return Finding(
        kind=kind, topic=Topic.OPERATION, title=title, what="It is.", confidence=Confidence.LIKELY
    )


def test_a_finding_is_opened_once_cleared_and_opened_again(store: Store) -> None:
    keep_findings(store, "home", [one("a"), one("b")], NOW)
    keep_findings(store, "home", [one("a", "Something else")], NOW + timedelta(days=1))
    (kept,) = load_findings(store, "home")
    assert (kept.opened_at, kept.seen_at) == (NOW, NOW + timedelta(days=1))
    assert kept.finding.title == "Something else"
    _, cleared = load_findings(store, "home", cleared=True)
    assert (cleared.finding.kind, cleared.cleared_at) == ("b", NOW + timedelta(days=1))
    keep_findings(store, "home", [one("a"), one("b")], NOW + timedelta(days=9))
    again = next(k for k in load_findings(store, "home") if k.finding.kind == "b")
    assert (again.times_opened, again.opened_at) == (2, NOW + timedelta(days=9))
    assert again.cleared_at is None


def test_findings_of_one_site_do_not_touch_those_of_another(store: Store) -> None:
    keep_findings(store, "home", [one("a")], NOW)
    keep_findings(store, "other", [], NOW)
    assert len(load_findings(store, "home")) == 1
    assert load_findings(store, "other") == []


def test_a_note_stays_with_the_opening_it_was_made_for(store: Store) -> None:
    keep_findings(store, "home", [one("a")], NOW)
    number = load_findings(store, "home")[0].number
    note_finding(store, number, "R. Vane", "Curve set back", NOW)
    assert load_findings(store, "home")[0].note == "Curve set back"
    keep_findings(store, "home", [], NOW + timedelta(days=1))
    with pytest.raises(NotFoundError):
        note_finding(store, number, "R. Vane", "Too late", NOW)
    keep_findings(store, "home", [one("a")], NOW + timedelta(days=2))
    assert load_findings(store, "home")[0].note is None


def test_a_refresh_keeps_what_it_finds(store: Store) -> None:
    from tests.monitor.test_weather_store import filled, judged

    site: Site = site_of(Home(), PROMISE + 0.6, climate=CLIMATE, tariff=TARIFF)
    filled(store, site)
    judged(store, site, end_of(Home()) - timedelta(hours=12))
    assert [k.finding.kind for k in load_findings(store)] == ["cause:unit"]
