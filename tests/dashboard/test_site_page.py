"""The page of a site as a tree of components, and the files it hands out."""

from __future__ import annotations

import io
import json

import orjson
import plotly.graph_objects as go
import polars as pl
import pytest
from dash import dcc, html
from dash.development.base_component import Component

from dashboard import access
from dashboard.components import shell
from dashboard.pages import agenda, claim, claim_of_site, compare, finding, fleet, import_page, site
from monitor.store import cases
from monitor.store.findings import load_findings

ALL = ["alder-row-3", "brook-cottage", "chapel-hill-12", "dene-farm", "elm-close-8", "fen-view"]


def alive(node):
    """A component again, where a page keeps it as the browser gets it."""
    if isinstance(node, orjson.Fragment):
        node = orjson.loads(orjson.dumps(node))
    if not isinstance(node, dict) or "namespace" not in node:
        return node
    if node["namespace"] == "pledgewatt":
        return [revived(one) for one in node["props"]["nodes"]]
    module = {"dash_html_components": html, "dash_core_components": dcc}[node["namespace"]]
    return getattr(module, node["type"])(**node["props"])


ELEMENTS = {name.lower(): getattr(html, name) for name in html.__all__}


def revived(node):
    """What stands still on a page, as the component that it was."""
    if not isinstance(node, list):
        return node
    kind, attributes, *children = node
    made = dcc.Link if kind == "Link" else ELEMENTS[kind]
    return made([revived(child) for child in children], **(attributes or {}))


def walk(node):
    node = alive(node)
    if isinstance(node, Component):
        yield node
        yield from walk(getattr(node, "children", None))
    elif isinstance(node, list | tuple):
        for child in node:
            yield from walk(child)


def text(node) -> str:
    node = alive(node)
    if isinstance(node, str | int | float):
        return str(node)
    if isinstance(node, list | tuple):
        return " ".join(text(child) for child in node)
    return text(getattr(node, "children", None) or "") if isinstance(node, Component) else ""


@pytest.mark.parametrize("site_id", ALL)
@pytest.mark.parametrize("search", ["", "?period=7", "?period=all", "?period=2026-01"])
def test_every_site_has_a_page_for_every_period(store, installer, now, site_id, search):
    page = site.layout(installer, store, site_id, search, now)
    kinds = [type(node).__name__ for node in walk(page)]
    assert kinds.count("H1") == 1
    for node in walk(page):
        if type(node).__name__ == "Th":
            assert node.scope in {"row", "col"}
        if type(node).__name__ == "Figure":
            assert text(node.children[-1]), "a chart without a sentence"


@pytest.mark.parametrize("site_id", ALL)
def test_every_chart_of_a_site_is_one_that_plotly_knows(store, installer, now, site_id):
    page = site.layout(installer, store, site_id, "", now)
    charts = [node.figure for node in walk(page) if type(node).__name__ == "Graph"]
    assert charts
    for chart in charts:
        go.Figure(chart)  # refuses what it does not know


def test_the_answer_stands_first(store, installer, now):
    page = site.layout(installer, store, "brook-cottage", "", now)
    words = text(page).replace("\u00a0", " ")
    assert words.index("off course") < words.index("SPF so far") < words.index("Month by month")


def test_what_a_hostile_file_said_is_counted(store, installer, now):
    words = text(site.layout(installer, store, "brook-cottage", "", now))
    assert "refused on import" in words
    assert "2\u00a0readings set aside" in words


def test_every_id_that_a_callback_names_is_on_a_page(app, store, installer, now):
    with app.server.test_request_context("/"):
        from flask import g, session

        g.user = installer
        session["csrf"] = "token"
        nodes = list(walk(shell.layout()))
    for of_fleet in (fleet, agenda, compare):
        nodes += walk(of_fleet.layout(installer, store, "", now))
    nodes += walk(site.layout(installer, store, "alder-row-3", "", now))
    nodes += walk(import_page.layout(installer, store, now))
    kept = next(k for k in load_findings(store) if k.cleared_at is None)
    nodes += walk(finding.layout(installer, store, kept.site_id, kept.number, now))
    number = cases.raise_claim(
        store, "fen-view", user_id=1, role="installer", said="Bills.", now=now
    )
    nodes += walk(claim.layout(installer, store, number, now))
    nodes += walk(claim_of_site.layout(installer, store, number, now))
    cases.add_step(
        store, number, cases.What.CLOSED, user_id=1, role="installer", said="Paid.", now=now
    )
    there = {node.id for node in nodes if isinstance(getattr(node, "id", None), str)}
    named = set()
    for spec in app._callback_list:
        named |= {part["id"] for part in (*spec["inputs"], *spec["state"])}
        named |= {one.rsplit(".", 1)[0] for one in spec["output"].strip(".").split("...")}
    # Fields of the form that a looked-at file brings are found by pattern.
    patterns = {json.loads(one)["type"] for one in named if one.startswith("{")}
    own = {f"import-{key}" for key in ("whole", *import_page.FIELDS)}
    assert patterns == own | {claim.DO, claim.ITEM, claim.WITHDRAW}
    assert {one for one in named if not one.startswith("{")} <= there


def test_a_layout_for_nobody_is_empty(app):
    assert not getattr(shell.layout(), "children", None)


@pytest.mark.parametrize("what", ["cumulative", "daily", "cop", "flow", "months", "quarantine"])
def test_the_data_of_every_chart_can_be_downloaded(as_installer, what):
    response = as_installer.get(f"/download/brook-cottage/{what}.csv?period=guarantee")
    assert response.status_code == 200
    assert response.mimetype == "text/csv"
    assert f'filename="brook-cottage-{what}.csv"' in response.headers["Content-Disposition"]
    assert pl.read_csv(io.BytesIO(response.data)).height > 0


def test_a_download_follows_the_period(as_installer):
    week = as_installer.get("/download/alder-row-3/daily.csv?period=7")
    assert pl.read_csv(io.BytesIO(week.data)).height == 7


def test_the_page_asked_for_comes_through_the_callback(as_installer):
    body = {
        "output": "..page.children...title.data...notice.children..",
        "outputs": [
            {"id": "page", "property": "children"},
            {"id": "title", "property": "data"},
            {"id": "notice", "property": "children"},
        ],
        "inputs": [{"id": "url", "property": "pathname", "value": "/site/brook-cottage"}],
        "state": [
            {"id": "url", "property": "search", "value": "?period=30"},
            {"id": "fleet-searched", "property": "data", "value": None},
        ],
        "changedPropIds": ["url.pathname"],
    }
    answer = as_installer.post(access.CALLBACK, json=body, headers={"X-CSRFToken": "token"})
    assert answer.json["response"]["title"]["data"] == "Brook Cottage – pledgewatt"
    body["inputs"][0]["value"] = "/site/no-such-home"
    gone = as_installer.post(access.CALLBACK, json=body, headers={"X-CSRFToken": "token"})
    assert gone.status_code == 404


# Down to the readings


def test_every_reading_behind_a_month_can_be_had_with_file_and_line(as_installer, store):
    file = as_installer.get("/download/brook-cottage/readings.csv?period=2026-02")
    rows = pl.read_csv(io.BytesIO(file.data))
    heat = rows.filter(pl.col("role") == "heat_total")
    assert heat.height == 28 * 24
    assert heat["line"].is_unique().all()
    assert set(rows["file_name"]) == {"brook-cottage.csv"}
    hours = pl.read_csv(
        io.BytesIO(as_installer.get("/download/brook-cottage/hours.csv?period=2026-02").data)
    ).filter(pl.col("role") == "heat_total")
    # Between the first and the last reading of the month the hours are the register's rise.
    rise = heat["value"][-1] - heat["value"][0]
    assert hours["kwh"][:-1].sum() == pytest.approx(rise)


def test_readings_of_a_whole_year_are_not_handed_out_in_one_file(as_installer):
    assert as_installer.get("/download/brook-cottage/readings.csv?period=365").status_code == 404
