"""What wants a person today, most pressing first, and taking note of several things at once."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from dashboard import fleet_data
from dashboard.pages import agenda
from dashboard.pages.agenda import AgendaQuery, told, words
from dashboard.pages.fleet_pages import take_note
from monitor.findings.finding import Confidence, Effect, Finding, Topic
from monitor.guarantee.standing import Standing, StandingWord
from monitor.models import Boundary
from monitor.store import cases, derived, users
from monitor.store.connection import open_store
from monitor.store.findings import keep_findings, load_findings
from monitor.store.fleet import AGENDA
from monitor.store.sites import save_site
from tests.dashboard.conftest import NOW, PASSWORD, SITES

COST = Effect(spf=0.3, low=0.2, high=0.4, kwh_year=400, money_year=120, currency="GBP")


def finding(kind: str, topic: Topic, effect: Effect | None = None) -> Finding:
    return Finding(
        kind=kind,
        topic=topic,
        title=kind.replace("-", " "),
        what="It is so.",
        confidence=Confidence.LIKELY,
        effect=effect,
        check=("The filter first", "Then the pump"),
    )


def standing(site_id: str, *, end: date, settlement=None) -> Standing:
    return Standing(
        site=site_id,
        word=StandingWord.IN_DOUBT,
        why="It hangs in the balance.",
        promise=3.0,
        boundary=Boundary.H2,
        period_start=date(2025, 3, 1),
        period_end=end,
        days_left=max(0, (end - NOW.date()).days),
        probability=0.5,
        settlement=settlement,
        newest_reading=NOW - timedelta(days=5),
        computed_at=NOW,
    )


@pytest.fixture
def opened(tmp_path):
    with open_store(tmp_path / "s.duckdb", create=True) as store:
        for site, _ in SITES.values():
            save_site(store, site, NOW)
        yield store


@pytest.fixture
def person(opened):
    return users.add_user(
        opened, email="i@example.org", name="Ida", role="installer", password=PASSWORD, now=NOW
    )


def listed(store, user, kind):
    return fleet_data.agenda(user, store, [kind])["title"].to_list()


def test_people_come_first_then_data_and_meters_then_what_costs_most(opened, person):
    found = [
        finding("a-dear-thing", Topic.OPERATION, COST.model_copy(update={"money_year": 300})),
        finding("a-cheap-thing", Topic.UNIT, COST),
        finding("a-doubted-meter", Topic.METER),
        finding("too-little-data", Topic.DATA),
        finding("a-cold-house", Topic.HOUSEHOLD),
    ]
    keep_findings(opened, "fen-view", found, NOW)
    assert listed(opened, person, "new") == [
        "a cold house",
        "too little data",
        "a doubted meter",
        "a dear thing",
        "a cheap thing",
    ]
    # As the site page lists them.
    assert [kept.finding.title for kept in load_findings(opened)] == listed(opened, person, "new")


def test_a_noted_finding_is_no_longer_new_until_it_is_opened_again(opened, person):
    leak = [finding("a-leak", Topic.UNIT)]
    keep_findings(opened, "fen-view", leak, NOW)
    number = load_findings(opened)[0].number
    assert fleet_data.take_note(person, opened, [number, number, 999], "Called them.", NOW) == 1
    assert listed(opened, person, "new") == []
    keep_findings(opened, "fen-view", [], NOW + timedelta(days=1))
    keep_findings(opened, "fen-view", leak, NOW + timedelta(days=2))
    assert listed(opened, person, "new") == ["a leak"]


def test_one_note_goes_to_several_findings_and_to_none_of_others_homes(opened, person):
    for site_id in ("fen-view", "dene-farm"):
        keep_findings(opened, site_id, [finding("a-leak", Topic.UNIT)], NOW)
    numbers = [kept.number for kept in load_findings(opened)]
    only = replace(person, everywhere=False, sites=("fen-view",))
    assert fleet_data.take_note(only, opened, numbers, "Seen on site.", NOW) == 1
    noted = {kept.site_id: kept.noted_by for kept in load_findings(opened)}
    assert noted == {"fen-view": "Ida", "dene-farm": None}


def test_silent_meters_stay_on_the_agenda_with_what_was_noted_of_them(opened, person):
    keep_findings(opened, "fen-view", [finding("silent-site", Topic.DATA)], NOW)
    keep_findings(opened, "dene-farm", [finding("silent-source:logger", Topic.DATA)], NOW)
    number = next(kept.number for kept in load_findings(opened) if kept.site_id == "fen-view")
    fleet_data.take_note(person, opened, [number], "The owner is away.", NOW)
    rows = fleet_data.agenda(person, opened, ["silent"])
    assert rows["site_id"].to_list() == ["dene-farm", "fen-view"]
    assert rows["note"].to_list() == [None, "The owner is away."]
    assert fleet_data.agenda_counts(person, opened)["new"] == 0


def test_periods_that_end_soon_and_those_that_are_over_are_told_apart(opened, person):
    derived.save_standing(opened, standing("fen-view", end=NOW.date() + timedelta(days=60)))
    derived.save_standing(opened, standing("alder-row-3", end=NOW.date() + timedelta(days=9)))
    derived.save_standing(opened, standing("dene-farm", end=NOW.date() + timedelta(days=61)))
    over = standing("elm-close-8", end=date(2026, 3, 1), settlement="not kept")
    derived.save_standing(opened, over)
    assert fleet_data.agenda(person, opened, ["ending"])["site_id"].to_list() == [
        "alder-row-3",
        "fen-view",
    ]
    assert fleet_data.agenda(person, opened, ["due"])["site_id"].to_list() == ["elm-close-8"]


def test_a_period_that_was_settled_is_not_due_any_more(opened, person):
    over = standing("elm-close-8", end=date(2026, 3, 1), settlement="kept")
    derived.save_standing(opened, over)
    for when, due in (
        # A trial before the end settles nothing.
        (datetime(2026, 2, 1, tzinfo=UTC), ["elm-close-8"]),
        (datetime(2026, 3, 2, tzinfo=UTC), []),
    ):
        opened.cursor().execute(
            "INSERT INTO settlement (settlement_id, site_id, settled_at, input_hash, record, "
            "document) VALUES (nextval('settlement_seq'), 'elm-close-8', ?, 'h', '{}', '{}')",
            [when],
        )
        assert fleet_data.agenda(person, opened, ["due"])["site_id"].to_list() == due


def test_a_claim_waits_until_it_is_closed(opened, person):
    number = cases.raise_claim(
        opened, "fen-view", user_id=1, role="homeowner", said="It hums.", now=NOW
    )
    rows = fleet_data.agenda(person, opened, ["claim"])
    assert rows.select("site_id", "claim_id").rows() == [("fen-view", number)]
    known, todo = told(rows.row(0, named=True), NOW)
    assert "nobody has answered yet" in known
    assert "hums" not in known + todo
    cases.add_step(
        opened, number, cases.What.CLOSED, user_id=1, role="warranty", said="Done.", now=NOW
    )
    assert fleet_data.agenda_counts(person, opened)["claim"] == 0


def test_each_thing_says_what_to_do_next(opened, person):
    keep_findings(opened, "fen-view", [finding("a-leak", Topic.UNIT, COST)], NOW)
    derived.save_standing(opened, standing("alder-row-3", end=NOW.date() + timedelta(days=9)))
    over = standing("elm-close-8", end=date(2026, 3, 1), settlement="not kept")
    derived.save_standing(opened, over)
    told_of = {
        row["item"]: told(row, NOW)
        for row in fleet_data.agenda(person, opened, AGENDA).iter_rows(named=True)
    }
    assert told_of["new"][1] == "the filter first"
    assert "costs 0.30 SPF" in told_of["new"][0]
    assert "£120" in told_of["new"][0]
    assert "the warranty team then takes it up" in told_of["due"][1]
    assert "28 February 2026" in told_of["due"][0]
    assert "9\u00a0days" in told_of["ending"][0]


def test_the_agenda_fits_in_one_sentence():
    none = dict.fromkeys(AGENDA, 0)
    assert words(none) == "Nothing waits for you today."
    said = words(none | {"new": 2, "due": 1}).replace("\u00a0", " ")
    assert said == "2 new findings and 1 settlement due."


@pytest.mark.parametrize("search", ["?kind=x", "?page=-2", "?page=", "?kind=new&page=99999999", ""])
def test_nonsense_in_the_address_bar_gives_the_first_page(search):
    assert AgendaQuery.parse(search).page == 1


def test_the_page_can_be_asked_for_kind_by_kind(opened, person):
    keep_findings(opened, "fen-view", [finding("a-leak", Topic.UNIT)], NOW)
    for kind in AGENDA:
        page = agenda.layout(person, opened, f"?kind={kind}", NOW)
        assert ("a leak" in str(page)) is (kind == "new")


def test_a_note_without_words_or_ticks_asks_for_them(app, store, installer):
    assert take_note(store, [], "words", NOW).startswith("Nothing is ticked")
    assert take_note(store, [1], "   ", NOW).startswith("A note needs")


def test_the_file_holds_the_whole_agenda(as_installer, store, installer):
    body = as_installer.get("/agenda.csv").get_data(as_text=True)
    assert len(body.splitlines()) - 1 == sum(fleet_data.agenda_counts(installer, store).values())
    assert body.startswith("item,site_id,finding_id,")
