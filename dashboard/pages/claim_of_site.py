"""A claim as the installer of the home sees it: read it, and add what was seen or done.

What the warranty team writes for itself is not shown, and nothing is decided here.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any, Final

from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.exceptions import PreventUpdate

from dashboard import data, desk_data, site_claims, theme
from dashboard import format as fmt
from dashboard.access import guarded, require_user
from dashboard.components import parts
from dashboard.components.aria import aria
from dashboard.components.written import written
from dashboard.desk_data import Moment
from dashboard.pages import how_promise, how_site
from dashboard.pages.claim import evidence_table, terms_card
from dashboard.view_models import Fact, promise_text, spf_interval
from monitor.errors import DescriptionError
from monitor.models import Site
from monitor.store.cases import MOST_TEXT, Claim
from monitor.store.connection import Store
from monitor.store.users import User

NUMBER: Final = "site-claim-number"
BODY: Final = "site-claim-body"
SAYS: Final = "site-claim-says"
WORDS: Final = "site-claim-words"
DAY: Final = "site-claim-day"
ADD: Final = "site-claim-add"


def layout(user: User, store: Store, number: int, now: datetime) -> html.Div:
    """The whole page; a callback replaces its body after something was added."""
    claim = desk_data.own_claim(user, store, number)
    record = data.record(user, store, claim.site_id, now)
    return html.Div(
        [
            html.Nav(dcc.Link("← Agenda", href="/agenda"), className="crumb", **aria(label="Back")),
            html.H1(f"Claim {number}: {record.site.name}", tabIndex=-1),
            dcc.Store(id=NUMBER, data=number),
            html.P(id=SAYS, role="status", className="said"),
            html.Div(body(store, claim, record, now), id=BODY),
        ],
        className="page",
    )


def body(store: Store, claim: Claim, record: data.Record, now: datetime) -> list[Any]:
    """Everything below the title."""
    site, standing = record.site, record.standing
    figure, between = spf_interval(standing)
    counted = standing.account if standing else None
    items = desk_data.evidence(store, site, standing, claim)
    return [
        html.P(
            [
                parts.badge(theme.look(standing.word if standing else None)),
                " ",
                standing.why if standing else "Nothing is computed yet.",
                " ",
                dcc.Link("Open the site", href=f"/site/{site.id}"),
            ],
            className="judgement",
        ),
        parts.facts(
            [
                Fact(
                    "Received",
                    fmt.day(claim.raised_at.astimezone(site.tz).date()),
                    fmt.age(claim.raised_at, now),
                ),
                Fact("Promise", promise_text(standing), how=how_promise.promise(site)),
                Fact(
                    "SPF so far",
                    figure,
                    f"95 % interval {between}" if between else "",
                    how_site.spf(record, counted, how_site.guarantee(record)),
                ),
                Fact(
                    "Coverage",
                    fmt.share(counted.coverage if counted else None),
                    "of the period's hours so far",
                    how_site.coverage(record, counted),
                ),
            ],
            big=True,
        ),
        html.Section(
            [
                html.H2("What happened with the claim"),
                _steps(site_claims.for_installers(claim), site),
            ],
            className="card",
        ),
        html.Section([html.H2("Add what you know"), *_form(claim)], className="card"),
        html.Section(
            [
                html.H2("Evidence"),
                html.P(
                    "What is missing here keeps the claim waiting. What only a person can see is "
                    "confirmed by the warranty team.",
                    className="note",
                ),
                evidence_table(items, confirm=False),
            ],
            className="card",
        ),
        terms_card(site),
    ]


def _steps(moments: list[Moment], site: Site) -> html.Ul:
    """What happened and when, by local time."""
    return html.Ul(
        [
            html.Li(
                [
                    html.Span(
                        [html.B(one.what), f" · {fmt.moment(one.at.astimezone(site.tz))}"],
                        className="head",
                    ),
                    html.Span(one.said),
                ]
            )
            for one in moments
        ],
        className="things",
    )


def _form(claim: Claim) -> list[Any]:
    if not claim.is_open:
        return [html.P("The claim is closed; nothing can be added to it.")]
    return [
        html.P(
            "The warranty team reads it with the claim, and it stays on record. The household is "
            "told that you were there, but not your words.",
            className="note",
        ),
        html.Label("What you saw, did or found out", htmlFor=WORDS),
        dcc.Textarea(id=WORDS, rows=3, maxLength=MOST_TEXT, className="note-box", value=""),
        html.Div(
            [
                html.Label("Day of your visit, if it is about one", htmlFor=DAY),
                dcc.Input(
                    id=DAY,
                    type="text",
                    placeholder="2026-01-31",
                    maxLength=10,
                    value="",
                    autoComplete="off",
                ),
            ],
            className="form-line",
        ),
        html.Button("Add to the claim", id=ADD, type="button", n_clicks=0),
    ]


def register(app: Dash, store: Store, clock: Callable[[], datetime]) -> None:
    """Add the callback of this page."""

    @app.callback(
        Output(BODY, "children"),
        Output(SAYS, "children"),
        Input(ADD, "n_clicks"),
        State(WORDS, "value"),
        State(DAY, "value"),
        State(NUMBER, "data"),
        prevent_initial_call=True,
    )
    @guarded
    def claim_added(
        clicks: int | None, words: object, day: object, number: object
    ) -> tuple[Any, str]:
        # A body that is drawn anew calls with a button that nobody pressed.
        if not clicks or not isinstance(number, int):
            raise PreventUpdate
        user, now = require_user(), clock()
        said = words if isinstance(words, str) else ""
        on = day if isinstance(day, str) else ""
        try:
            site_claims.add(user, store, number, said, on, now)
        except DescriptionError as error:
            # The body stays as it is, with what was typed.
            return no_update, error.user_message
        claim = desk_data.own_claim(user, store, number)
        record = data.record(user, store, claim.site_id, now)
        return written(body(store, claim, record, now)), "Added."
