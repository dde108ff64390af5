"""Every site, worst first; searched, filtered and sorted by the address bar."""

from __future__ import annotations

import pytest

from dashboard import data
from dashboard.theme import look
from dashboard.view_models import COLUMNS, PAGE_SIZE, FleetQuery, attention, fleet_view
from monitor.guarantee.standing import StandingWord


@pytest.fixture
def rows(store, installer):
    return data.fleet(installer, store)


def names(rows, now, **query):
    return [line.name for line in fleet_view(rows, FleetQuery(**query), now).lines]


def test_the_worst_comes_first(rows, now):
    assert names(rows, now) == [
        "Brook Cottage",
        "Dene Farm",
        "12 Chapel Hill",
        "8 Elm Close",
        "3 Alder Row",
        "Fen View",
    ]


def test_one_sentence_says_how_many_need_attention(rows):
    assert attention(rows).replace("\u00a0", " ") == (
        "3 of 6 sites need attention: 1 off course, 1 blind and 1 in doubt."
    )
    fine = [r for r in rows if r.standing.word is StandingWord.ON_COURSE]
    assert attention(fine) == "The one site does not need attention today."
    assert attention([]) == "There is no site in this store yet."


def test_chips_count_what_the_search_finds(rows, now):
    view = fleet_view(rows, FleetQuery(text="marlbeck"), now)
    assert {chip.look.word: chip.count for chip in view.chips} == {
        "in doubt": 1,
        "too early": 1,
        "on course": 1,
    }
    assert view.found.replace("\u00a0", " ") == "3 of 6 sites shown"


def test_a_chip_filters_and_a_second_time_shows_all(rows, now):
    view = fleet_view(rows, FleetQuery(standing="blind"), now)
    assert [line.name for line in view.lines] == ["Dene Farm"]
    chosen = next(chip for chip in view.chips if chip.chosen)
    assert chosen.href == ""


@pytest.mark.parametrize("key", COLUMNS)
def test_every_column_sorts_both_ways_with_unknown_values_last(rows, now, key):
    up = names(rows, now, sort=key)
    down = names(rows, now, sort=key, descending=True)
    assert sorted(up) == sorted(down)
    if key in {"promise", "spf", "probability", "coverage", "left"}:
        assert up[-1] == down[-1] == "Fen View"
    if key in {"promise", "spf", "probability"}:
        assert up[:-1] == down[:-1][::-1]


def test_where_too_little_is_known_no_probability_is_shown(rows, now):
    shown = {line.name: line.probability for line in fleet_view(rows, FleetQuery(), now).lines}
    assert shown["Dene Farm"] == shown["8 Elm Close"] == "not judged"
    assert shown["12 Chapel Hill"].endswith("%")


def test_a_period_that_is_over_shows_how_it_was_settled(rows, now):
    over = rows[0].standing.model_copy(update={"days_left": 0, "settlement": "not kept"})
    line = fleet_view([data.FleetRow(rows[0].site, over)], FleetQuery(), now).lines[0]
    assert line.left == "over: not kept"


def test_a_query_survives_the_address_bar():
    query = FleetQuery(text="a b&c=ü", standing="blind", sort="spf", descending=True, page=3)
    assert FleetQuery.parse(query.search) == query
    assert FleetQuery().search == ""


@pytest.mark.parametrize(
    "search",
    ["?sort=password", "?page=-1", "?page=1e9", "?page=²", "?page=99999999", "?%ff&&="],
)
def test_nonsense_in_the_address_bar_gives_the_usual_page(rows, now, search):
    view = fleet_view(rows, FleetQuery.parse(search), now)
    assert len(view.lines) == 6


def test_a_large_fleet_comes_in_pages(rows, now):
    many = rows * 20
    first = fleet_view(many, FleetQuery(), now)
    last = fleet_view(many, FleetQuery(page=99), now)
    assert (len(first.lines), first.pages) == (PAGE_SIZE, 3)
    assert len(last.lines) == len(many) - 2 * PAGE_SIZE
    assert last.query.page == 3


def test_a_site_without_figures_yet_says_so(rows, now):
    bare = [data.FleetRow(rows[0].site, None)]
    line = fleet_view(bare, FleetQuery(), now).lines[0]
    assert line.look.word == "not computed"
    assert line.spf == "–"
    assert attention(bare) == "The one site does not need attention today."


def test_no_two_standings_share_a_shape():
    shapes = [look(word).shape for word in (*StandingWord, None)]
    assert len(set(shapes)) == len(shapes)
