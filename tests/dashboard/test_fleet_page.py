"""Every site, worst first; searched, filtered, gathered and sorted by the address bar."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from statistics import median

import polars as pl
import pytest

from dashboard import fleet_data, fleet_text
from dashboard.fleet_query import (
    COHORT_MARK,
    MOST_PICKED,
    PAGE_SIZE,
    SORT_WORDS,
    VIEW_MARK,
    FleetQuery,
)
from dashboard.fleet_text import attention, chips, line
from dashboard.pages import fleet as fleet_page
from dashboard.theme import look
from monitor.errors import DescriptionError, NotFoundError
from monitor.guarantee.standing import StandingWord
from monitor.store.connection import open_store
from monitor.store.fleet import COHORTS
from monitor.store.sites import load_site, save_site
from monitor.store.users import User
from tests.bench import fleet_page as many
from tests.dashboard.conftest import NOW

MANY = 160


@pytest.fixture(scope="module")
def big(tmp_path_factory):
    """A fleet of several pages, drawn as for the bench."""
    with open_store(tmp_path_factory.mktemp("big") / "fleet.duckdb", create=True) as store:
        many.fill(store, MANY)
        yield store


@pytest.fixture
def ask(store, installer, now):
    def asked(**query):
        return fleet_data.fleet(installer, store, FleetQuery(**query), now)

    return asked


def names(fleet):
    return fleet.rows["name"].to_list()


def scoped(user: User, *sites: str) -> User:
    return replace(user, everywhere=False, sites=sites)


# Order, search and filters -------------------------------------------------------------------


def test_the_worst_comes_first(ask):
    assert names(ask()) == [
        "Brook Cottage",
        "Dene Farm",
        "12 Chapel Hill",
        "8 Elm Close",
        "3 Alder Row",
        "Fen View",
    ]


def test_one_sentence_says_how_many_need_attention(ask):
    assert attention(ask().total).replace("\u00a0", " ") == (
        "3 of 6 sites need attention: 1 off course, 1 blind and 1 in doubt."
    )
    assert attention({"on-course": 1}) == "The one site does not need attention today."
    assert attention({}) == "There is no site in this store yet."


def test_chips_count_what_the_search_finds(ask):
    found = ask(text="marlbeck")
    assert {chip.look.word: chip.count for chip in chips(found)} == {
        "in doubt": 1,
        "too early": 1,
        "on course": 1,
    }
    assert fleet_text.found(found).replace("\u00a0", " ") == "3 of 6 sites shown"


def test_a_chip_filters_and_a_second_time_shows_all(ask):
    found = ask(standing="blind")
    assert names(found) == ["Dene Farm"]
    assert next(chip for chip in chips(found) if chip.chosen).href == ""


@pytest.mark.parametrize("key", SORT_WORDS)
def test_every_order_runs_both_ways_with_unknown_values_last(ask, key):
    up = names(ask(sort=key))
    down = names(ask(sort=key, descending=True))
    assert sorted(up) == sorted(down)
    if key in {"promise", "spf", "probability", "coverage", "left", "gap"}:
        assert up[-1] == down[-1] == "Fen View"
    if key in {"promise", "spf", "probability"}:
        assert up[:-1] == down[:-1][::-1]


def test_a_search_minds_neither_case_nor_accents_and_wants_every_word(ask):
    assert names(ask(text="MÄRLBECK hill")) == ["12 Chapel Hill"]
    assert names(ask(text="marlbeck farm")) == []


def test_what_a_spreadsheet_or_a_database_would_run_is_only_a_text(ask):
    for text in ("'; DROP TABLE fleet; --", "$today", "%", "_"):
        assert names(ask(text=text)) == []


@pytest.mark.parametrize(
    "search",
    [
        "?sort=password",
        "?page=-1",
        "?page=1e9",
        "?page=²",
        "?page=99999999",
        "?%ff&&=",
        "?by=x",
        "?standing=x",
    ],
)
def test_nonsense_in_the_address_bar_gives_the_usual_page(store, installer, now, search):
    found = fleet_data.fleet(installer, store, FleetQuery.parse(search), now)
    assert found.rows.height == 6


def test_a_query_survives_the_address_bar():
    query = FleetQuery(
        text="a b&c=ü",
        standing="blind",
        cohorts=(("designer", ""), ("place", "0123456789ab")),
        by="model",
        sort="spf",
        descending=True,
        page=3,
        picked=("one-1", "two-2"),
    )
    assert FleetQuery.parse(query.search, "a b&c=ü") == query
    assert FleetQuery().search == ""
    kept = query.kept("k" * 16)
    assert (kept.page, kept.picked, kept.view) == (1, (), "k" * 16)


def test_a_search_whose_text_is_not_known_here_says_so_and_hides_no_site(store, installer, now):
    query = fleet_data.asked(installer, store, "?searched=1&sort=spf")
    assert (query.lost, query.search) == (True, "?sort=spf")
    page = fleet_page.layout(installer, store, "?searched=1", now)
    assert "addresses do not hold what was searched" in str(page)
    assert fleet_data.fleet(installer, store, query, now).matching == 6


@pytest.mark.parametrize("typed", [None, 7, ["x"], {"a": 1}])
def test_what_a_browser_remembers_is_a_text_or_nothing(typed):
    assert FleetQuery.parse("?searched=1", typed).lost


def test_a_cohort_is_told_by_a_digest_that_only_this_store_makes(store, big, installer, now):
    tokens = [
        dict(
            fleet_data.cohorts(installer, one, FleetQuery(by="place"), NOW)
            .select("cohort", "token")
            .rows()
        )
        for one in (store, big)
    ]
    assert set(tokens[0]) >= {"Marlbeck"}
    assert all(re.fullmatch(COHORT_MARK, token) for token in tokens[0].values())
    with open_store(store.path.with_name("other.duckdb"), create=True) as other:
        save_site(other, load_site(store, "alder-row-3"), now)
        found = fleet_data.cohorts(installer, other, FleetQuery(by="place"), now)
        assert found["cohort"].to_list() == ["Marlbeck"]
        assert found["token"][0] != tokens[0]["Marlbeck"]


def test_the_name_of_a_cohort_is_told_to_those_who_see_one_of_its_sites(store, installer, now):
    found = fleet_data.cohorts(installer, store, FleetQuery(by="place"), now)
    tokens = dict(found.select("cohort", "token").rows())
    query = FleetQuery().choosing("place", tokens["Marlbeck"])
    every = fleet_data.fleet(installer, store, query, now)
    assert (every.matching, fleet_text.chosen(every)) == (3, [("place: Marlbeck", "")])
    other = fleet_data.fleet(scoped(installer, "fen-view"), store, query, now)
    assert (other.matching, fleet_text.chosen(other)) == (0, [("place: none of yours", "")])


def test_a_site_picked_twice_is_taken_out_again():
    query = FleetQuery().picking("a").picking("b")
    assert query.picked == ("a", "b")
    assert query.picking("a").picked == ("b",)
    for n in range(10):
        query = query.picking(f"site-{n}")
    assert len(query.picked) == MOST_PICKED


# A large fleet -------------------------------------------------------------------------------


def test_a_large_fleet_comes_in_pages_that_hold_each_site_once(big, installer):
    pages = [
        fleet_data.fleet(installer, big, FleetQuery(page=n, sort="cost"), NOW) for n in (1, 2, 3, 9)
    ]
    assert [page.rows.height for page in pages[:2]] == [PAGE_SIZE, PAGE_SIZE]
    assert pages[3].query.page == pages[3].pages == -(-MANY // PAGE_SIZE)
    seen = pl.concat([page.rows["site_id"] for page in (*pages[:3], pages[3])])
    assert seen.n_unique() == seen.len() == MANY


@pytest.mark.parametrize("by", COHORTS)
def test_cohorts_hold_every_site_once_and_lead_to_just_their_sites(big, installer, by):
    found = fleet_data.cohorts(installer, big, FleetQuery(by=by), NOW)
    assert found["sites"].sum() == MANY
    assert found["cohort"].n_unique() == found.height
    first = found.row(0, named=True)
    only = FleetQuery().choosing(by, first["token"])
    assert fleet_data.fleet(installer, big, only, NOW).matching == first["sites"]


def test_a_cohort_shows_median_and_spread_of_its_judged_sites(big, installer):
    every = fleet_data.table(installer, big, FleetQuery(), NOW)
    found = fleet_data.cohorts(installer, big, FleetQuery(by="designer"), NOW)
    for row in found.iter_rows(named=True):
        own = every.filter(
            (pl.col("designer") == row["cohort"])
            & pl.col("word").is_in(["on course", "in doubt", "off course"])
        )
        gaps = (own["spf"] - own["promise"]).to_list()
        assert row["judged"] == len(gaps)
        if gaps:
            assert row["gap"] == pytest.approx(median(gaps))
            assert row["gap_25"] == pytest.approx(pl.Series(gaps).quantile(0.25, "linear"))
    assert found["gap_all"][0] == pytest.approx(every["gap"].drop_nulls().median())


def test_a_designer_whose_sites_run_below_is_marked_and_one_like_all_is_not():
    row = {
        "cohort": "C. Ostrel",
        "token": "0123456789ab",
        **dict.fromkeys(("on_course", "in_doubt", "off_course", "blind"), 0),
        "sites": 40,
        "judged": 40,
        "gap": -0.3,
        "gap_25": -0.5,
        "gap_75": -0.1,
        "low": -0.4,
        "high": -0.2,
        "gap_all": 0.05,
    }
    below, like, few = fleet_text.cohort_lines(
        pl.DataFrame([row, row | {"gap_all": -0.25}, row | {"judged": 4}])
    )
    assert (below.mark, below.beside) == ("▼", "0.35 below all")
    assert (like.mark, like.beside) == ("", "like all")
    assert (few.mark, few.beside) == ("", "only 4 judged")
    assert below.middle.replace("\u00a0", " ") == "−0.50 to −0.10"


def test_cohorts_follow_the_other_filters(big, installer):
    query = FleetQuery(by="team", standing="blind")
    found = fleet_data.cohorts(installer, big, query, NOW)
    assert found["sites"].sum() == found["blind"].sum()
    assert found["sites"].sum() == fleet_data.fleet(installer, big, query, NOW).matching


# Who sees what -------------------------------------------------------------------------------


def test_who_sees_two_sites_finds_counts_and_names_of_two(store, installer, now):
    two = scoped(installer, "alder-row-3", "fen-view")
    found = fleet_data.fleet(two, store, FleetQuery(picked=("brook-cottage", "fen-view")), now)
    assert sorted(names(found)) == ["3 Alder Row", "Fen View"]
    assert sum(found.total.values()) == 2
    assert found.picked == {"fen-view": "Fen View"}
    gathered = fleet_data.cohorts(two, store, FleetQuery(by="place"), now)
    assert sorted(gathered["cohort"]) == ["Marlbeck", "Sedgeford Fen"]
    assert set(fleet_data.table(two, store, FleetQuery(), now)["site_id"]) == set(two.sites)
    assert set(fleet_data.agenda(two, store, ["new"])["site_id"]) <= set(two.sites)


def test_a_homeowner_has_no_fleet(store, homeowner, now):
    for ask in (
        lambda: fleet_data.fleet(homeowner, store, FleetQuery(), now),
        lambda: fleet_data.table(homeowner, store, FleetQuery(), now),
        lambda: fleet_data.cohorts(homeowner, store, FleetQuery(by="place"), now),
        lambda: fleet_data.some(homeowner, store, ["alder-row-3"], now),
        lambda: fleet_data.months(homeowner, store, ["alder-row-3"], now),
        lambda: fleet_data.agenda_counts(homeowner, store),
        lambda: fleet_data.agenda(homeowner, store, ["new"]),
        lambda: fleet_data.saved(homeowner, store),
        lambda: fleet_data.save(homeowner, store, "x", FleetQuery(), now),
        lambda: fleet_data.forget(homeowner, store, [1]),
        lambda: fleet_data.take_note(homeowner, store, [1], "x", now),
    ):
        with pytest.raises(NotFoundError):
            ask()


# What a row says -----------------------------------------------------------------------------


@pytest.fixture
def row(ask):
    return ask(text="chapel").rows.row(0, named=True)


def test_where_too_little_is_known_no_probability_is_shown(ask):
    shown = {r["name"]: fleet_text.probability(r) for r in ask().rows.iter_rows(named=True)}
    assert shown["Dene Farm"] == shown["8 Elm Close"] == "not judged"
    assert shown["12 Chapel Hill"].endswith("%")


def test_a_row_gives_spf_with_interval_and_coverage_and_the_way_to_its_finding(row, now):
    told = line(row, now)
    assert told.coverage.endswith("covered")
    assert " to " in told.interval.replace("\u00a0", " ")
    assert told.look.word == "in doubt"
    with_finding = line(row | {"finding_id": 7, "finding": "It runs hot", "findings": 3}, now)
    assert with_finding.finding_href == "/site/chapel-hill-12/finding/7"
    assert with_finding.more_findings == "and 2 more"


def test_a_period_that_is_over_shows_how_it_was_settled(row):
    assert fleet_text.left(row | {"days_left": 0, "settlement": "not kept"}) == "over: not kept"


def test_a_site_without_figures_yet_says_so(row, now):
    bare = dict.fromkeys(row) | {"site_id": "x", "name": "X", "place": "", "findings": 0}
    told = line(bare, now)
    assert told.look.word == "not computed"
    assert (told.spf, told.finding, told.trend) == ("–", "–", None)


def test_no_two_standings_share_a_shape():
    shapes = [look(word).shape for word in (*StandingWord, None)]
    assert len(set(shapes)) == len(shapes)


def test_the_trend_is_drawn_on_the_server_and_told_in_words(ask, now):
    told = line(ask(text="alder").rows.row(0, named=True), now)
    assert told.trend is not None
    assert told.trend.source.startswith("data:image/svg+xml;base64,")
    assert told.trend.words.startswith("SPF of 30 days over the last year: ")


# Pages and files -----------------------------------------------------------------------------


def test_every_way_to_sort_is_a_link_and_heads_say_which_one_is_used(store, installer, now):
    page = json.dumps(
        fleet_page.layout(installer, store, "?sort=-spf", now).to_plotly_json(),
        default=lambda part: part.to_plotly_json(),
    )
    assert '"aria-sort": "descending"' in page
    for key in SORT_WORDS:
        assert f"sort={key}" in page or f"sort=-{key}" in page or key == "standing"


def test_the_file_holds_every_site_asked_for_and_every_column(as_installer):
    form = {"csrf": "token", "asked": "?searched=1&sort=site", "text": "marlbeck"}
    body = as_installer.post("/fleet.csv", data=form).get_data(as_text=True)
    head, *lines = body.splitlines()
    assert [text.split(",")[1] for text in lines] == [
        "12 Chapel Hill",
        "3 Alder Row",
        "8 Elm Close",
    ]
    for column in ("spf", "low", "high", "coverage", "boundary", "ahead_now", "finding", "trend"):
        assert column in head.split(",")


def test_views_are_kept_by_name_and_belong_to_one_person(store, installer, now):
    other = replace(installer, user_id=installer.user_id + 1000)
    query = FleetQuery(standing="blind", page=4, picked=("fen-view",))
    fleet_data.save(installer, store, "  Marlbeck   homes ", query, now)
    fleet_data.save(installer, store, "Marlbeck homes", query.sorted_by("spf"), now)
    kept = fleet_data.saved(installer, store)
    assert [(view.name, view.search) for view in kept] == [
        ("Marlbeck homes", "?standing=blind&sort=spf")
    ]
    assert fleet_data.saved(other, store) == []
    fleet_data.forget(other, store, [kept[0].view_id])
    assert fleet_data.saved(installer, store) == kept
    fleet_data.forget(installer, store, [kept[0].view_id])
    assert fleet_data.saved(installer, store) == []


def test_a_view_with_a_search_is_opened_by_its_link_and_shows_each_their_own(
    store, installer, as_installer, now
):
    fleet_data.save(installer, store, "M", FleetQuery(text="marlbeck").sorted_by("spf"), now)
    (view,) = fleet_data.saved(installer, store)
    assert re.fullmatch(rf"\?view={VIEW_MARK}&sort=spf", view.search)
    query = fleet_data.asked(installer, store, view.search)
    assert names(fleet_data.fleet(installer, store, query, now))[-1] == "8 Elm Close"
    colleague = scoped(installer, "alder-row-3", "fen-view")
    query = fleet_data.asked(colleague, store, view.search, "typed before")
    assert names(fleet_data.fleet(colleague, store, query, now)) == ["3 Alder Row"]
    # What follows from it keeps the token; another text, or another view of it, does not.
    assert query.sorted_by("site").search == view.search.replace("spf", "site")
    assert query.searching("fen").search == "?searched=1&sort=spf"
    form = {"csrf": "token", "asked": view.search}
    assert as_installer.post("/fleet.csv", data=form).get_data(as_text=True).count("Marlbeck") == 3
    fleet_data.save(installer, store, "N", query, now)
    assert len({one.search for one in fleet_data.saved(installer, store)}) == 2
    fleet_data.forget(installer, store, [one.view_id for one in fleet_data.saved(installer, store)])
    assert fleet_data.asked(installer, store, view.search).lost


@pytest.mark.parametrize("name", ["", "   ", "x" * 61])
def test_a_view_without_a_usable_name_is_refused_in_a_sentence(store, installer, now, name):
    with pytest.raises(DescriptionError, match="needs a name"):
        fleet_data.save(installer, store, name, FleetQuery(), now)
