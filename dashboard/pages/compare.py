"""A few sites side by side."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final
from urllib.parse import parse_qs, urlencode

import polars as pl
from dash import dcc, html

from dashboard import fleet_data, fleet_text
from dashboard import format as fmt
from dashboard.charts_compare import side_by_side
from dashboard.components import parts
from dashboard.fleet_query import MOST_PICKED
from dashboard.pages.site_figures import FigureBlock
from dashboard.view_models import Table
from monitor.store.connection import Store
from monitor.store.users import User

RESULTS: Final = "compare-results"


def asked(search: str | None) -> list[str]:
    """Sites that the address bar asks for, each once."""
    given = parse_qs((search or "")[:1000].lstrip("?")).get("site", [])
    return list(dict.fromkeys(given))[:MOST_PICKED]


def layout(user: User, store: Store, search: str | None, now: datetime) -> html.Div:
    """The page with what the address bar asks for; a callback replaces what is found."""
    return html.Div(
        [
            html.P([dcc.Link("← Fleet", href="/")], className="crumb"),
            html.H1("Side by side", tabIndex=-1),
            html.Div(results(user, store, search, now), id=RESULTS, className="results"),
        ],
        className="page",
    )


def results(user: User, store: Store, search: str | None, now: datetime) -> list[Any]:
    """Figures, chart and findings of the sites asked for."""
    rows = fleet_data.some(user, store, asked(search), now)
    ids = rows["site_id"].to_list()
    if len(ids) < 2:
        return [
            html.P(
                [
                    f"Two to {MOST_PICKED} sites can be compared. ",
                    dcc.Link("Pick them in the fleet", href="/"),
                    ", each with 'compare' under its name.",
                ],
                className="judgement",
            )
        ]
    sites = list(rows.iter_rows(named=True))
    return [
        html.P(alike(sites), className="judgement"),
        _figures(sites, now),
        parts.figure(
            months_block(fleet_data.months(user, store, ids, now), sites),
            f"/compare.csv?{urlencode([('site', one) for one in ids])}",
        ),
        html.Section([html.H2("What to look at first"), _findings(sites)], className="card"),
    ]


def alike(sites: list[dict[str, Any]]) -> str:
    """Whether the figures can be put beside one another as they are."""
    unlike = []
    if len({site["boundary"] for site in sites}) > 1:
        unlike.append("boundaries")
    if len({(site["period_start"], site["period_end"]) for site in sites}) > 1:
        unlike.append("periods")
    if not unlike:
        return "Boundary and period are the same, so that the figures can be put side by side."
    return (
        f"The {fmt.listing(unlike)} differ: compare each site with its own promise first, and "
        "then with the others."
    )


def _figures(sites: list[dict[str, Any]], now: datetime) -> html.Section:
    head = ("Figure", *(site["name"] for site in sites))
    rows = tuple((name, *values) for name, values in figures(sites, now))
    table = parts.table(
        Table(head, rows), "Figures of the guarantee period so far, 95 % intervals", wide=True
    )
    badges = html.Div(
        [
            html.Span(
                [
                    dcc.Link(site["name"], href=f"/site/{site['site_id']}"),
                    " ",
                    parts.badge(fleet_text.look(site["word"])),
                ]
            )
            for site in sites
        ],
        className="more",
    )
    return html.Section([html.H2("Figures"), badges, table], className="card compare")


def figures(sites: list[dict[str, Any]], now: datetime) -> list[tuple[str, list[str]]]:
    """Key figures: a name, and a text for each site."""

    def each(name: str, said: Any) -> tuple[str, list[str]]:
        return name, [said(site) or fmt.NOTHING for site in sites]

    return [
        each("Standing", lambda s: fleet_text.look(s["word"]).word),
        each("Place", lambda s: s["place"]),
        each("Unit model", lambda s: s["unit_model"]),
        each("Designer", lambda s: s["designer"]),
        each("Installer team", lambda s: s["team"]),
        each("Commissioned", lambda s: fmt.short_day(s["commissioned"])),
        each("Boundary", lambda s: s["boundary"]),
        each("Guarantee period", _period),
        each("Promised SPF", lambda s: fmt.promise(s["promise"])),
        each("SPF so far", lambda s: fmt.spf(s["spf"], s["u_spf"])),
        each("95 % interval", fleet_text.spf_interval),
        each("SPF against the promise", lambda s: fmt.signed(s["gap"])),
        each("Coverage", lambda s: fmt.share(s["coverage"])),
        each("Heat", lambda s: fmt.energy(s["heat_kwh"])),
        each("Electricity", lambda s: fmt.energy(s["electricity_kwh"])),
        each("Probability of keeping it, so far", fleet_text.probability),
        each("Probability by the end", lambda s: fleet_text.ahead(s)[0]),
        each("90 % interval by the end", lambda s: fleet_text.ahead(s)[1]),
        each("Extra cost so far", fleet_text.extra_cost),
        each("Left of the period", fleet_text.left),
        each("Last reading", lambda s: fmt.age(s["newest_reading"], now)),
    ]


def _period(site: Mapping[str, Any]) -> str:
    if site["period_start"] is None:
        return fmt.NOTHING
    return fmt.stretch(site["period_start"], site["period_end"])


def _findings(sites: list[dict[str, Any]]) -> html.Ul:
    def said(site: dict[str, Any]) -> list[Any]:
        home = html.B(site["name"])
        if site["finding"] is None:
            return [home, ": nothing stands out in the records so far."]
        href = f"/site/{site['site_id']}/finding/{site['finding_id']}"
        others = site["findings"] - 1
        rest = f", and {fmt.plural(others, 'other finding')}" if others else ""
        return [home, ": ", dcc.Link(site["finding"], href=href), f"{rest}."]

    return html.Ul([html.Li(said(site)) for site in sites])


def months_block(frame: pl.DataFrame, sites: list[dict[str, Any]]) -> FigureBlock:
    """SPF by calendar month with its sentence and its data as a table."""
    title = "SPF by month"
    known = frame.filter(pl.col("spf").is_not_null())
    if known.height == 0:
        return FigureBlock("months", title, "No month of these sites is known yet.")
    figure = side_by_side(frame, {site["site_id"]: site["name"] for site in sites})
    wide = known.pivot("site_id", index="month", values="spf").sort("month", descending=True)
    ids = [site["site_id"] for site in sites if site["site_id"] in wide.columns]
    names = {site["site_id"]: site["name"] for site in sites}
    rows = tuple(
        (f"{row['month']:%B %Y}", *(fmt.spf(row[one]) for one in ids))
        for row in wide.iter_rows(named=True)
    )
    return FigureBlock(
        "months",
        title,
        "Heat over electricity of each calendar month, each site inside its own boundary; a month "
        "of which less than half is known is shown as an open mark. In summer little heat is "
        "made, most of it hot water: those months say little.",
        figure,
        Table(("Month", *(names[one] for one in ids)), rows, frozenset(range(1, len(ids) + 1))),
    )


def download(user: User, store: Store, search: str | None, now: datetime) -> pl.DataFrame:
    """Months of the sites asked for, for a file."""
    ids = fleet_data.some(user, store, asked(search), now)["site_id"].to_list()
    return fleet_data.months(user, store, ids, now)
