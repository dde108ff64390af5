"""The flat table of the fleet tells what the documents that it comes from tell."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest

from monitor.findings.finding import Confidence, Finding, Topic
from monitor.guarantee.standing import Standing, StandingWord
from monitor.models import Boundary
from monitor.refresh import refresh_site
from monitor.store import connection, derived, fleet, views
from monitor.store.connection import open_store, query
from monitor.store.findings import keep_findings
from monitor.store.fleet import Wanted
from monitor.store.sites import list_sites, save_site
from tests.dashboard.conftest import NOW, SITES, fill

TODAY = NOW.date()


@pytest.fixture(scope="module")
def path(tmp_path_factory) -> Path:
    """Two homes with half a year of hours, refreshed twice."""
    path = tmp_path_factory.mktemp("rows") / "s.duckdb"
    with open_store(path, create=True) as store:
        for site_id in ("brook-cottage", "dene-farm"):
            site, faults = SITES[site_id]
            save_site(store, site, NOW)
            fill(store, site, **faults)
            for later in (timedelta(0), timedelta(hours=1)):
                refresh_site(store, site_id, now=NOW + later)
    return path


@pytest.fixture
def store(path):
    with open_store(path) as opened:
        yield opened


def strays(store) -> list[object]:
    """Rows that the flat tables hold and the documents do not, and the other way round."""
    columns = "site_id, " + ", ".join((*fleet._OF_SITE, *fleet._OF_STANDING, *fleet._OF_OUTLOOK))
    documents = (
        f"SELECT {columns} FROM fleet_site_now LEFT JOIN fleet_standing_now USING (site_id) "
        "LEFT JOIN fleet_outlook_now USING (site_id)"
    )
    pairs = [
        (f"SELECT {columns} FROM fleet", documents),
        ("FROM fleet_finding", "FROM fleet_finding_now"),
    ]
    return [
        row
        for one, other in pairs
        for a, b in ((one, other), (other, one))
        for row in store.cursor().execute(f"({a}) EXCEPT ALL ({b})").fetchall()
    ]


def test_after_a_refresh_the_flat_rows_are_those_of_the_documents(store):
    assert strays(store) == []
    rows = fleet.rows(store, Wanted(TODAY))
    kept = {one.site: one for one in derived.load_standings(store)}
    found = [derived.load_outlook(store, site.id) for site in list_sites(store)]
    ahead = {one.site: one for one in found if one is not None}
    for row in rows.iter_rows(named=True):
        standing = kept[row["site_id"]]
        assert row["word"] == standing.word
        assert row["spf"] == pytest.approx(standing.account.spf)
        assert row["newest_reading"] == standing.newest_reading
        assert row["ahead_now"] == ahead[row["site_id"]].deciding_probability
        assert len(row["trend"].split(",")) == 26
        assert row["trend_end"] == TODAY


def test_a_change_of_description_standing_or_findings_reaches_the_row(store):
    site = SITES["dene-farm"][0].model_copy(update={"name": "Deane Farm", "designer": "A. Tarn"})
    save_site(store, site, NOW)
    gone = Standing(site=site.id, word=StandingWord.NO_PROMISE, why="None.", computed_at=NOW)
    derived.save_standing(store, gone)
    keep_findings(store, site.id, [], NOW)
    assert strays(store) == []
    row = fleet.rows(store, Wanted(TODAY, text="deane tarn")).row(0, named=True)
    assert (row["word"], row["promise"], row["findings"]) == ("no promise", None, 0)
    # The outlook is of a promise that is there no longer; the trend stays what was measured.
    assert row["ahead_now"] is None
    assert row["trend"]


def test_a_store_from_before_the_flat_table_gets_its_rows_when_it_is_opened(
    path, tmp_path, monkeypatch
):
    steps = connection._migrations()
    old = tmp_path / "old.duckdb"
    monkeypatch.setattr(connection, "_migrations", lambda: [s for s in steps if s[0] < 11])
    with open_store(old, create=True) as store:
        cursor = store.cursor()
        site = SITES["fen-view"][0]
        standing = Standing(
            site=site.id,
            word=StandingWord.BLIND,
            why="Too little.",
            promise=3.1,
            boundary=Boundary.H3,
            period_start=date(2026, 1, 1),
            period_end=date(2027, 1, 1),
            days_left=200,
            computed_at=NOW,
        )
        leak = Finding(
            kind="leak",
            topic=Topic.UNIT,
            title="It leaks",
            what="It leaks.",
            confidence=Confidence.LIKELY,
        )
        cursor.execute(
            "INSERT INTO site_version (site_id, document, recorded_at) VALUES (?, ?, ?)",
            [site.id, site.model_dump_json(), NOW],
        )
        cursor.execute("INSERT INTO standing VALUES (?, ?)", [site.id, standing.model_dump_json()])
        cursor.execute(
            "INSERT INTO finding (site_id, kind, opened_at, seen_at, times_opened, document) "
            "VALUES ($1, 'leak', $2, $2, 1, $3)",
            [site.id, NOW, leak.model_dump_json()],
        )
    monkeypatch.setattr(connection, "_migrations", lambda: steps)
    with open_store(old) as store:
        assert strays(store) == []
        row = fleet.rows(store, Wanted(TODAY)).row(0, named=True)
        assert (row["word"], row["boundary"], row["finding"]) == ("blind", "H3", "It leaks")


def test_what_kept_views_search_is_taken_out_of_their_addresses(path, tmp_path, monkeypatch):
    steps = connection._migrations()
    old = tmp_path / "old.duckdb"
    monkeypatch.setattr(connection, "_migrations", lambda: [s for s in steps if s[0] < 14])
    site = SITES["alder-row-3"][0]
    before = {
        "One": "?q=alder+r%C3%B6w&standing=blind&sort=-spf",
        "Two": "?place=Marlbeck&designer=&by=team",
        "Three": "",
    }
    with open_store(old, create=True) as store:
        cursor = store.cursor()
        cursor.execute(
            "INSERT INTO site_version (site_id, document, recorded_at) VALUES (?, ?, ?)",
            [site.id, site.model_dump_json(), NOW],
        )
        cursor.execute("INSERT INTO fleet BY NAME SELECT * FROM fleet_site_now")
        for name, search in before.items():
            cursor.execute(
                "INSERT INTO saved_view (user_id, name, search, saved_at) VALUES (1, ?, ?, ?)",
                [name, search, NOW],
            )
    monkeypatch.setattr(connection, "_migrations", lambda: steps)
    with open_store(old) as store:
        assert strays(store) == []
        kept = {view.name: view.search for view in views.saved_views(store, 1)}
        token = kept["One"].removeprefix("?view=").partition("&")[0]
        assert kept["One"] == f"?view={token}&standing=blind&sort=-spf"
        assert views.sought(store, token) == "alder röw"
        places = fleet.cohorts(store, Wanted(TODAY), "place")
        assert kept["Two"] == f"?place={places['token'][0]}&designer=&by=team"
        assert kept["Three"] == ""
        areas = fleet.cohorts(store, Wanted(TODAY), "area")
        assert areas["cohort"].to_list() == ["XV4"]


def test_a_document_that_nobody_can_read_leaves_an_empty_row_and_no_error(store):
    with store.transaction() as cursor:
        cursor.execute(
            "UPDATE standing SET document = ? WHERE site_id = 'brook-cottage'",
            ['{"word": "off course", "promise": "three", "account": [1, 2]}'],
        )
        fleet.keep_standing(cursor, "brook-cottage")
    row = query(store.cursor(), "FROM fleet WHERE site_id = 'brook-cottage'").row(0, named=True)
    assert (row["word"], row["promise"], row["spf"]) == ("off course", None, None)
