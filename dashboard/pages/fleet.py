"""The installer's first page: every site, worst first."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any, Final

from dash import dcc, html

from dashboard import data
from dashboard.components import parts
from dashboard.components.aria import UNHEARD, aria
from dashboard.view_models import (
    COLUMNS,
    FleetLine,
    FleetQuery,
    FleetView,
    attention,
    fleet_view,
)
from monitor.store.connection import Store
from monitor.store.users import User

RESULTS: Final = "fleet-results"
SEARCH: Final = "fleet-search"


def layout(user: User, store: Store, search: str | None, now: datetime) -> html.Div:
    """The page with what the address bar asks for; a callback replaces what is found."""
    rows = data.fleet(user, store)
    return html.Div(
        [
            html.H1("Fleet", tabIndex=-1),
            html.P(attention(rows), className="judgement"),
            html.Div(
                [
                    html.Label("Search by name or place", htmlFor=SEARCH),
                    dcc.Input(
                        id=SEARCH,
                        type="search",
                        value=FleetQuery.parse(search).text,
                        debounce=0.4,
                        maxLength=100,
                        autoComplete="off",
                    ),
                ],
                className="search",
                role="search",
            ),
            html.Div(results(rows, search, now), id=RESULTS, **aria(live="polite")),
        ],
        className="page",
    )


def results(rows: list[data.FleetRow], search: str | None, now: datetime) -> list[Any]:
    """Filters and table."""
    view = fleet_view(rows, FleetQuery.parse(search), now)
    out: list[Any] = [
        html.Nav(
            [
                dcc.Link(
                    [parts.badge(chip.look), html.Span(f" {chip.count}", className="count")],
                    href=f"/{chip.href}",
                    className="chip chosen" if chip.chosen else "chip",
                )
                for chip in view.chips
            ],
            className="chips",
            **aria(label="Show one standing only; choose it again to show all"),
        ),
        html.P(view.found, className="found"),
    ]
    if view.lines:
        out += [_sort_menu(view.query), _table(view)]
    elif view.query.text or view.query.standing:
        out.append(html.P([dcc.Link("Show all sites", href="/")]))
    if view.pages > 1:
        out.append(_pager(view))
    return out


def _pager(view: FleetView) -> html.Nav:
    steps = ((view.query.page - 1, "← Previous"), (view.query.page + 1, "Next →"))
    return html.Nav(
        [
            dcc.Link(words, href=f"/{replace(view.query, page=page).search}", className="chip")
            for page, words in steps
            if 1 <= page <= view.pages
        ],
        className="chips",
        **aria(label="Pages"),
    )


def _sort_menu(query: FleetQuery) -> html.Details:
    """Sorting for narrow screens, where the heads of the table are not shown."""
    return html.Details(
        [
            html.Summary(f"Sorted by: {COLUMNS[query.sort].lower()}"),
            html.Ul(
                [
                    html.Li(dcc.Link(title, href=f"/{query.sorted_by(key).search}"))
                    for key, title in COLUMNS.items()
                ]
            ),
        ],
        className="sort-menu",
    )


def _table(view: FleetView) -> html.Table:
    heads = []
    for key, title in COLUMNS.items():
        extra: dict[str, Any] = {}
        arrow = ""
        if key == view.query.sort:
            extra = aria(sort="descending" if view.query.descending else "ascending")
            arrow = " ↓" if view.query.descending else " ↑"
        heads.append(
            html.Th(
                dcc.Link(
                    [title, html.Span(arrow, **UNHEARD)],
                    href=f"/{view.query.sorted_by(key).search}",
                ),
                scope="col",
                **extra,
            )
        )
    return html.Table(
        [
            html.Caption("Sites with promise and standing; each head sorts", className="unseen"),
            html.Thead(html.Tr(heads)),
            html.Tbody([_row(line) for line in view.lines]),
        ],
        className="fleet",
    )


def _row(line: FleetLine) -> html.Tr:
    def cell(key: str, *content: Any) -> html.Td:
        # Names the figure where a narrow screen shows no heads.
        label: dict[str, Any] = {"data-label": COLUMNS[key]}
        return html.Td(list(content), **label)

    return html.Tr(
        [
            html.Th(
                [
                    dcc.Link(line.name, href=f"/site/{line.site_id}"),
                    html.Span(line.place, className="place"),
                ],
                scope="row",
            ),
            cell("standing", parts.badge(line.look), html.Span(line.why, className="why")),
            cell("promise", line.promise),
            cell(
                "spf", html.Span([html.B(line.spf), html.Span(line.interval, className="remark")])
            ),
            cell("probability", line.probability),
            cell(
                "ahead",
                html.Span([line.ahead, html.Span(line.ahead_interval, className="remark")]),
            ),
            cell("coverage", line.coverage),
            cell("age", line.age),
            cell("left", line.left),
            cell("cost", line.cost),
        ]
    )
