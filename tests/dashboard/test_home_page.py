"""What the people in the house are told."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from dashboard import home_data
from dashboard.pages import home, home_parts
from monitor.store import cases


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
    assert seen("alder-row-3").warmth.endswith("°C on average.")
    assert facts["How much we could measure"].value.endswith("%")


def test_a_room_without_a_sensor_is_not_guessed(seen):
    assert seen("elm-close-8").warmth.startswith("No sensor measures")


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


# What it cost, warmth, gaps


def test_the_last_week_month_and_year_are_told_apart(seen):
    rows = seen("alder-row-3").spent
    assert [row.name for row in rows] == [
        "The last 7 days",
        "This month (since 1 March)",
        "The last 12 months",
    ]
    assert all(row.cost.startswith("£") for row in rows)
    assert rows[0].old == "–", "nothing is on record of what heated the home before"


def test_a_room_colder_than_planned_is_said_and_what_to_do(store, installer, now):
    found = home_data.home(installer, store, "alder-row-3", now)
    cold = home_parts.warmth(replace(found, asked_c=22.5, room_week_c=19.0))
    assert "colder than the 22.5" in cold
    assert "tell your installer" in cold
    warm = home_parts.warmth(replace(found, asked_c=20.0, room_week_c=20.2))
    assert "colder" not in warm


def test_gaps_are_told_with_the_longest_one(seen):
    gaps = seen("brook-cottage").gaps.replace("\u00a0", " ")
    assert "The longest gap was 6 days, from 18 November 2025" in gaps


def test_a_word_of_the_trade_is_explained_once_where_it_is_first_used():
    explain = home_parts.Explainer()
    first = explain("The promise <b> counts each kWh.")
    assert first.count("<button") == 2
    assert "&lt;b&gt;" in first
    assert "<button" not in explain("Again the promise and kWh.")
    assert [word for _, word, _ in explain.explained] == ["promise", "kWh"]


def test_every_word_with_a_button_has_its_meaning_on_the_page(as_homeowner):
    page = as_homeowner.get("/home").get_data(as_text=True)
    buttons = set(re.findall(r'class="word" popovertarget="([^"]+)"', page))
    assert buttons
    assert buttons == set(re.findall(r'<div id="([^"]+)" popover', page))


# A claim


def token(page: str) -> str:
    return re.search(r'name="csrf" value="([^"]+)"', page)[1]


def test_a_household_raises_a_claim_and_reads_what_becomes_of_it(as_homeowner, store):
    page = as_homeowner.get("/home").get_data(as_text=True)
    sent = as_homeowner.post("/home/claim", data={"csrf": token(page), "words": "Bills <high>"})
    assert (sent.status_code, sent.headers["Location"]) == (303, "/home#claim")
    page = as_homeowner.get("/home").get_data(as_text=True)
    assert "You wrote: Bills &lt;high&gt;" in page
    assert "Add to my claim" in page
    (claim,) = cases.load_claims(store, "alder-row-3")
    cases.add_step(
        store,
        claim.number,
        cases.What.CLOSED,
        user_id=1,
        role="warranty",
        said="The promise was kept.",
        now=claim.raised_at,
    )
    page = as_homeowner.get("/home").get_data(as_text=True)
    assert "The claim was closed. The promise was kept." in page


def test_a_claim_needs_the_token_of_the_form(as_homeowner, store):
    before = len(cases.load_claims(store))
    sent = as_homeowner.post("/home/claim", data={"csrf": "guessed", "words": "Mine"})
    assert sent.status_code == 400
    assert len(cases.load_claims(store)) == before


def test_an_installer_raises_no_claim_in_the_household_s_name(as_installer, store):
    before = len(cases.load_claims(store))
    assert as_installer.post("/home/claim", data={"words": "Mine"}).status_code == 404
    assert len(cases.load_claims(store)) == before


# Words


def grade(text: str) -> float:
    """School grade that a text asks for: Flesch and Kincaid (1975); syllables by vowel groups."""
    plain = re.sub(r"(\d)[.,](\d)", r"\1\2", text.replace("\u00a0", " "))
    sentences = [s for s in re.split(r"[.!?]+(?:\s|$)", plain) if s.strip()]
    words = re.findall(r"[A-Za-z']+", plain)

    def syllables(word: str) -> int:
        groups = len(re.findall(r"[aeiouy]+", word.lower()))
        silent = word.lower().endswith("e") and not word.lower().endswith("le")
        return max(groups - (silent and groups > 1), 1)

    spoken = sum(syllables(word) for word in words)
    return 0.39 * len(words) / len(sentences) + 11.8 * spoken / len(words) - 15.59


def test_the_formula_tells_plain_words_from_hard_ones():
    assert grade("The cat sat on the mat. It was warm.") < 2
    assert grade("Seasonal performance factors necessitate instrumentation of considerable "
                 "metrological sophistication throughout the guarantee period.") > 18  # fmt: skip


@pytest.mark.parametrize("site_id", ["alder-row-3", "brook-cottage", "dene-farm", "fen-view"])
def test_a_child_of_twelve_can_read_the_page(seen, site_id):
    view = seen(site_id)
    said = [view.headline, *view.sentences, view.warmth, *view.hot_water, *view.installers]
    # Age 12 is the seventh grade.
    assert grade(" ".join([*said, *view.yours, view.gaps, view.spent_note])) <= 7
