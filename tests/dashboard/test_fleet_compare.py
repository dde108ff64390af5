"""A few sites side by side, and the small picture of a trend."""

from __future__ import annotations

from base64 import b64decode
from dataclasses import replace
from datetime import date

import plotly.graph_objects as go
import polars as pl
import pytest

from dashboard import fleet_data
from dashboard.charts_compare import side_by_side
from dashboard.pages import compare
from dashboard.sparkline import sparkline, values

THREE = ["brook-cottage", "alder-row-3", "fen-view"]


@pytest.fixture
def sites(store, installer, now):
    return list(fleet_data.some(installer, store, THREE, now).iter_rows(named=True))


def test_sites_stand_in_the_order_asked(sites):
    assert [site["site_id"] for site in sites] == THREE


def test_a_site_that_is_none_of_ones_own_is_not_there(store, installer, now):
    one = replace(installer, everywhere=False, sites=("fen-view",))
    assert fleet_data.some(one, store, [*THREE, "no-such"], now)["site_id"].to_list() == [
        "fen-view"
    ]
    assert "Brook" not in str(compare.layout(one, store, "?site=fen-view&site=brook-cottage", now))


def test_key_figures_carry_interval_coverage_boundary_and_period(sites, now):
    shown = dict(compare.figures(sites, now))
    brook, _, fen = range(3)
    assert shown["Boundary"][brook] == "H2"
    assert shown["Guarantee period"][brook] == "20 September 2025 to 19 September 2026"
    assert "to" in shown["95 % interval"][brook]
    assert shown["Coverage"][brook].endswith("%")
    assert shown["Heat"][brook].endswith("MWh")
    assert shown["Promised SPF"][fen] == shown["SPF so far"][fen] == "–"


def test_unlike_boundaries_or_periods_are_said_first(sites):
    brook, alder, fen = sites
    assert compare.alike([brook, alder]).startswith("Boundary and period are the same")
    assert "boundaries and periods differ" in compare.alike([brook, fen])


def test_fewer_than_two_sites_lead_back_to_the_fleet(store, installer, now):
    for search in ("", "?site=fen-view", "?site=fen-view&site=fen-view", "?site=no-such"):
        assert "can be compared" in str(compare.results(installer, store, search, now))


def test_months_are_those_of_the_site_page(store, installer, now):
    from dashboard import data

    found = fleet_data.months(installer, store, ["alder-row-3"], now)
    record = data.record(installer, store, "alder-row-3", now)
    there = data.months(record)
    assert found["spf"].to_list() == pytest.approx(there["spf"].to_list())
    assert found["month"][0] == date(2025, 9, 1)
    assert set(found["boundary"]) == {"H2"}


def test_lines_differ_by_dash_and_mark_and_not_by_colour_alone():
    months = pl.DataFrame(
        [
            {"site_id": f"s{n}", "month": date(2026, 1, 1), "spf": 3.0, "coverage": 0.4 + n / 5}
            for n in range(6)
        ]
    )
    drawn = go.Figure(side_by_side(months, {f"s{n}": f"Site {n}" for n in range(6)}).plain()).data
    assert len({line.line.dash for line in drawn}) == 6
    assert len({line.marker.symbol[0] for line in drawn}) == 6
    assert drawn[0].marker.symbol[0].endswith("-open")
    assert not drawn[5].marker.symbol[0].endswith("-open")


def test_the_file_holds_each_month_of_each_site(as_installer):
    body = as_installer.get("/compare.csv?site=brook-cottage&site=alder-row-3").get_data(
        as_text=True
    )
    assert body.startswith("site_id,month,boundary,spf,coverage,heat_kwh,electricity_kwh")
    assert len(body.splitlines()) == 1 + 2 * 7


# The picture ---------------------------------------------------------------------------------


def svg(trend, promise=3.0):
    drawn = sparkline(trend, promise)
    return b64decode(drawn.source.partition("base64,")[2]).decode()


def test_a_line_pauses_where_too_little_is_known():
    assert svg([3.0, 3.1, None, None, 3.2, 3.3]).count("M") == 3  # two runs and the promise
    assert "h0.1" in svg([3.0, None, 3.1, None, 3.2, 3.3])


def test_a_trend_of_nothing_is_no_picture():
    assert sparkline([None, None], 3.0) is None
    assert sparkline(values(None), 3.0) is None


def test_what_was_kept_is_read_back():
    assert values(",3.1,,2.9") == [None, 3.1, None, 2.9]


def test_a_trend_says_in_words_where_it_stands_and_that_it_stopped():
    assert sparkline([2.5, 3.5, 3.0], 3.0).words.endswith("2.50 to 3.50, now 3.00")
    assert sparkline([2.5, 3.0, None], None).words.endswith("last known 3.00")


def test_small_noise_does_not_look_like_a_fall():
    def height(trend):
        path = svg(trend, None).partition('d="')[2].partition('"')[0]
        ys = [float(part.split(" ")[1]) for part in path[1:].split("L")]
        return max(ys) - min(ys)

    assert height([3.0, 3.02, 3.01]) < 2
    assert height([2.0, 4.0, 3.0]) > 20
