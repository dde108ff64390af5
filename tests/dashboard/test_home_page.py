"""What the people in the house are told."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dashboard import home_data
from dashboard.pages import home


@pytest.fixture
def seen(store, installer, now):
    def of(site_id: str) -> home.HomeView:
        return home.home_view(installer, store, site_id, now)

    return of


@pytest.mark.parametrize(
    ("site_id", "says"),
    [
        ("alder-row-3", "doing what was promised"),
        ("brook-cottage", "not doing what was promised"),
        ("chapel-hill-12", "cannot yet tell"),
        ("dene-farm", "too little was measured"),
        ("elm-close-8", "too early"),
        ("fen-view", "No promise is on record"),
    ],
)
def test_the_answer_is_in_plain_words(seen, site_id, says):
    assert says in seen(site_id).headline


def test_the_figure_comes_with_the_promise_and_its_uncertainty(seen):
    told = " ".join(seen("brook-cottage").sentences)
    assert "3.45" in told
    assert "The promise is at least 3.9." in told
    assert "between 3.22 and 3.68" in told


def test_cost_heat_warmth_and_coverage_are_told(seen):
    facts = {fact.name: fact for fact in seen("alder-row-3").facts}
    assert facts["Cost"].value.startswith("£")
    assert "£0.25 a kWh" in facts["Cost"].remark
    assert facts["Warmth of the room"].value.endswith("°C")
    assert facts["How much we could measure"].value.endswith("%")


def test_a_room_without_a_sensor_is_not_guessed(seen):
    facts = {fact.name: fact for fact in seen("elm-close-8").facts}
    assert facts["Warmth of the room"].value == "not measured"


def test_the_bars_add_up_to_the_heat_of_the_period(store, installer, now):
    found = home_data.home(installer, store, "alder-row-3", now)
    assert found.months["heat_kwh"].sum() == pytest.approx(found.account.heat_kwh)


def test_a_month_that_was_not_measured_has_no_bar(seen):
    bars = {bar.month: bar for bar in seen("dene-farm").bars}
    assert bars["Jan 2026"].nothing
    assert not bars["Oct 2025"].nothing


def test_a_cold_house_is_told_to_turn_the_heating_up(store, installer, now):
    found = home_data.home(installer, store, "alder-row-3", now)
    assert home.view(found, now).cold == ""
    cold = home.view(replace(found, room_week_c=15.2), now).cold
    assert "Do not stay cold" in cold
    assert "15.2" in cold


def test_the_page_warns_about_hot_water_and_the_inside_of_the_machine(as_homeowner):
    page = as_homeowner.get("/home").get_data(as_text=True)
    assert "legionella" in page
    assert "licensed" in page
    assert '<html lang="en">' in page
    assert page.count("<h1") == 1


def test_an_installer_can_look_at_what_the_homeowner_sees(as_installer):
    page = as_installer.get("/site/brook-cottage/home").get_data(as_text=True)
    assert "This is what the homeowner sees." in page
