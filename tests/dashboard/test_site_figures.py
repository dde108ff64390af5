"""The figures of one site agree with its standing, and gaps stay gaps."""

from __future__ import annotations

import plotly.graph_objects as go
import polars as pl
import pytest

from dashboard import calendar_chart, charts, data, hour_data
from dashboard.pages import site_figures, site_text
from monitor.metrics.uncertainty import BudgetLine


@pytest.fixture(params=["alder-row-3", "brook-cottage", "dene-farm", "elm-close-8"])
def record(request, store, installer, now):
    return data.record(installer, store, request.param, now)


@pytest.fixture
def brook(store, installer, now):
    return data.record(installer, store, "brook-cottage", now)


def guarantee(record):
    return data.period(record, "guarantee").window


def test_the_course_ends_in_the_standing(record):
    last = data.cumulative(record, guarantee(record)).row(-1, named=True)
    standing = record.standing
    assert last["spf"] == pytest.approx(standing.account.spf)
    assert last["low"] == pytest.approx(standing.low)
    assert last["high"] == pytest.approx(standing.high)
    assert last["coverage"] == pytest.approx(standing.account.coverage)


def test_a_long_course_is_thinned_and_still_ends_in_the_standing(record, monkeypatch):
    monkeypatch.setattr(data, "MOST_POINTS", 13)
    course = data.cumulative(record, guarantee(record))
    assert course.height <= 13
    assert course["spf"][-1] == pytest.approx(record.standing.account.spf)


def test_days_and_streams_account_for_every_hour(record):
    window = guarantee(record)
    total = record.standing.account.hours.total
    by_day = data.daily(record, window)
    assert by_day["hours_total"].sum() == total
    streams = hour_data.streams(record, window)
    summed = streams.select(pl.sum_horizontal("hours_measured", "hours_bridged", "hours_missing"))
    assert summed.to_series().to_list() == [total] * streams.height


def test_days_say_what_is_known_of_them(brook):
    status = dict(data.daily(brook, guarantee(brook)).select("first", "status").iter_rows())
    by_name = {str(day): word for day, word in status.items()}
    assert by_name["2025-11-01"] == "whole"
    assert by_name["2025-11-21"] == "missing"
    assert by_name["2025-12-30"] == "bridged"
    assert by_name["2025-09-20"] == "part"


def test_months_add_up_to_the_period_where_no_block_crosses_them(store, installer, now):
    record = data.record(installer, store, "alder-row-3", now)
    assert data.months(record)["heat_kwh"].sum() == pytest.approx(record.standing.account.heat_kwh)


@pytest.mark.parametrize(
    "key", [None, "", "0000-01", "9999-12", "2026-13", "../..", "guarantee;", "2031-01"]
)
def test_an_unknown_period_is_the_guarantee_period(brook, key):
    assert data.period(brook, key).key == "guarantee"


def test_any_month_of_the_record_can_be_asked_for(brook):
    window = data.period(brook, "2026-01").window
    assert (str(window.first), str(window.end)) == ("2026-01-01", "2026-02-01")


def test_the_line_of_the_course_pauses_where_nothing_became_known(brook):
    block = site_figures.course_block(brook)
    line = next(t for t in go.Figure(block.figure.plain()).data if t.name == "SPF")
    assert line.connectgaps is False
    assert sum(y is None for y in line.y) >= 6


def test_days_that_are_not_known_have_no_bar_but_a_shade(brook):
    by_day = data.daily(brook, guarantee(brook))
    fig = go.Figure(charts.energy_days(by_day).plain())
    heat = dict(zip(map(str, fig.data[0].x), fig.data[0].y, strict=True))
    assert heat["2025-11-21"] is None
    assert heat["2025-12-30"] is None
    assert heat["2025-11-01"] > 0
    assert len(fig.layout.shapes) == 2


def test_a_chart_whose_channel_is_not_there_says_so(store, installer, now):
    record = data.record(installer, store, "elm-close-8", now)
    chosen = data.period(record, None)
    by_day = data.daily(record, chosen.window)
    for block in (
        site_figures.cop_block(record, by_day, chosen),
        site_figures.flow_block(record, chosen),
    ):
        assert block.figure is None
        assert "outdoor temperature, which no meter of this site measures" in block.caption


def test_bins_of_flow_temperature_lose_no_hour(brook):
    hours = hour_data.flow_hours(brook, guarantee(brook))
    bins = charts.flow_bins(hours)
    assert bins["hours"].sum() == hours.height
    assert (bins["outdoor_c"] % 1 == 0.5).all()


def test_a_summary_carries_figure_interval_boundary_and_coverage(brook):
    account = data.window_account(brook, guarantee(brook))
    text = site_text.summary(account, "so far").replace("\u00a0", " ")
    assert "SPF 3.45 (95 % interval 3.22 to 3.68), boundary H2, 97 % of the hours known" in text


def test_a_silent_week_has_no_figure_and_no_error(store, installer, now):
    record = data.record(installer, store, "dene-farm", now)
    chosen = data.period(record, "7")
    account = data.window_account(record, chosen.window)
    assert account.coverage == 0
    assert "no hour is known in full" in site_text.summary(account, "x")
    assert site_text.budget_table(account) is None
    by_day = data.daily(record, chosen.window)
    assert site_figures.cop_block(record, by_day, chosen).figure is None
    assert set(by_day["status"]) == {"missing"}


def test_a_site_without_a_promise_is_shown_on_its_widest_boundary(store, installer, now):
    record = data.record(installer, store, "fen-view", now)
    assert record.recipe.boundary == "H4"
    block = site_figures.course_block(record)
    assert "boundary H4" in block.caption
    assert "guarantee" not in block.title


def test_months_of_which_nothing_is_known_show_no_zero(store, installer, now):
    record = data.record(installer, store, "dene-farm", now)
    silent = data.months(record).row(-1, named=True)
    assert silent["heat_kwh"] == 0
    assert site_text.window_row(silent)[2:5] == ("–", "–", "0\u00a0%")


def test_a_day_between_two_gaps_is_a_point():
    frame = pl.DataFrame({"v": [1.0, None, 2.0, None, 3.0, 4.0]})
    assert charts._alone(frame["v"]).to_list() == [True, False, True, False, False, False]


def test_a_meter_of_several_streams_is_one_line_of_the_budget(brook):
    account = data.window_account(brook, guarantee(brook))
    shared = account.model_copy(
        update={
            "budget": (
                BudgetLine(
                    source="meter: heat_dhw and heat_space",
                    detail="one meter",
                    limit=5.0,
                    unit="%",
                    distribution="rectangular",
                    sensitivity=0.03,
                ),
            )
        }
    )
    assert site_text.budget_table(shared).rows[0][0] == (
        "meter: heat for hot water and heat for rooms"
    )


# The data calendar


def test_the_calendar_has_a_cell_for_each_day_and_a_sign_for_what_is_not_known(
    store, installer, now
):
    record = data.record(installer, store, "brook-cottage", now)
    found = calendar_chart.block(record)
    (cells,) = go.Figure(found.figure.plain()).data
    days = [value for row in cells.z for value in row if value is not None]
    assert len(days) == (record.today - record.first).days + 1
    lost = list(calendar_chart.STATES).index("missing")
    november = list(cells.y).index("2025-11")
    assert [n for n, value in enumerate(cells.z[november], start=1) if value == lost] == [
        19, 20, 21, 22, 23, 24,
    ]  # fmt: skip
    assert all(cells.text[november][n - 1] == "×" for n in range(19, 25))
    assert "6\u00a0days not known" in found.caption


def test_the_months_of_the_calendar_s_table_add_up_to_its_days(store, installer, now):
    record = data.record(installer, store, "dene-farm", now)
    table = calendar_chart.block(record).table
    days = sum(int(cell) for row in table.rows for cell in row[1:])
    assert days == (record.today - record.first).days + 1
