"""The rolling SPF of a year, a fortnight apart."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from monitor.metrics import periods
from monitor.metrics.boundary import promised_recipe
from monitor.metrics.performance import accounts, pair
from monitor.metrics.periods import Window
from monitor.metrics.trend import POINTS, trend
from monitor.refresh import refresh_site
from monitor.schemas import SLOT, empty
from monitor.store.connection import open_store
from monitor.store.derived import load_slots
from monitor.store.sites import save_site
from tests.dashboard.conftest import NOW, SITES, fill


@pytest.fixture(scope="module")
def brook(tmp_path_factory):
    site, faults = SITES["brook-cottage"]
    with open_store(tmp_path_factory.mktemp("trend") / "s.duckdb", create=True) as store:
        save_site(store, site, NOW)
        fill(store, site, **faults)
        refresh_site(store, site.id, now=NOW)
        return site, pair(load_slots(store, site.id), promised_recipe(site, site.current_terms))


UNTIL = datetime.fromisoformat("2026-03-20T12:00:00+00:00")


def test_each_point_is_the_account_of_thirty_days(brook):
    site, blocks = brook
    end, points = trend(site, blocks, UNTIL, least_coverage=0.5)
    assert (end.isoformat(), len(points)) == ("2026-03-20", POINTS)
    for back in (0, 3, 9):
        day = end - timedelta(days=14 * back)
        start, stop = periods.span(site, Window("", day - timedelta(days=30), day))
        assert points[-1 - back] == accounts(blocks, [start], [stop])["spf"][0]


def test_before_the_record_and_where_too_little_is_known_there_is_no_point(brook):
    site, blocks = brook
    _, points = trend(site, blocks, UNTIL, least_coverage=0.5)
    # Half a year of readings: the first windows lie before them.
    assert points[:12] == [None] * 12
    assert all(point is not None for point in points[-10:])
    _, strict = trend(site, blocks, UNTIL, least_coverage=1.0)
    assert None in strict[-10:]


def test_a_site_without_any_known_hour_has_no_point(brook):
    site, blocks = brook
    nothing = pair(empty(SLOT), blocks.recipe)
    assert trend(site, nothing, UNTIL, least_coverage=0.5)[1] == [None] * POINTS
