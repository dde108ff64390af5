"""The installer's page of what brings files by itself: silent sources first."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final

from dash import dcc, html

from dashboard import data
from dashboard import format as fmt
from dashboard.components import parts
from dashboard.source_text import attention, look, why, worst_first
from monitor.store.connection import Store
from monitor.store.sources import SourceState
from monitor.store.users import User

#: Columns by what names a figure where a narrow screen shows no heads.
COLUMNS: Final = (
    "Source",
    "State",
    "Last success",
    "Newest reading",
    "Files taken",
    "Files failed",
    "Readings",
    "Rejects",
)


def layout(user: User, store: Store, now: datetime) -> html.Div:
    """The page: one sentence, then every source, worst first."""
    states = worst_first(data.sources(user, store), now)
    page: list[Any] = [
        html.P([dcc.Link("← Fleet", href="/")], className="crumb"),
        html.H1("Sources", tabIndex=-1),
        html.P(attention(states, now), className="judgement"),
    ]
    if states:
        page.append(_table(states, now))
    return html.Div(page, className="page")


def _table(states: list[SourceState], now: datetime) -> html.Table:
    return html.Table(
        [
            html.Caption("Sources with what they brought; silent ones first", className="unseen"),
            html.Thead(html.Tr([html.Th(title, scope="col") for title in COLUMNS])),
            html.Tbody([_row(state, now) for state in states]),
        ],
        className="fleet",
    )


def _row(state: SourceState, now: datetime) -> html.Tr:
    def cell(title: str, *content: Any) -> html.Td:
        label: dict[str, Any] = {"data-label": title}
        return html.Td(list(content), **label)

    values = (
        fmt.age(state.succeeded_at, now),
        fmt.age(state.newest, now),
        fmt.number(state.files),
        fmt.number(state.failed),
        fmt.number(state.readings),
        fmt.number(state.rejects),
    )
    return html.Tr(
        [
            html.Th(
                [
                    state.name,
                    html.Span(
                        [
                            state.kind,
                            " for ",
                            dcc.Link(state.site_id, href=f"/site/{state.site_id}"),
                        ],
                        className="place",
                    ),
                ],
                scope="row",
            ),
            cell(
                COLUMNS[1],
                parts.badge(look(state, now)),
                html.Span(why(state, now), className="why"),
            ),
            *(cell(title, value) for title, value in zip(COLUMNS[2:], values, strict=True)),
        ]
    )
