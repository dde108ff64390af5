"""The warranty desk: claims that wait, and promises that are due."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from dash import dcc, html

from dashboard import desk_data, theme
from dashboard import format as fmt
from dashboard.components import parts
from dashboard.desk_data import Case, State
from dashboard.view_models import Table, promise_text, spf_interval
from monitor.store.connection import Store
from monitor.store.users import User

_HEAD = (
    "Claim", "Home", "Received", "Standing", "Promise", "SPF so far", "95 % interval", "Days left",
    "Evidence", "Remedy so far",
)  # fmt: skip


def layout(user: User, store: Store, now: datetime) -> html.Div:
    """The whole page."""
    waiting, due = desk_data.desk(user, store, now)
    return html.Div(
        [
            html.H1("Warranty desk", tabIndex=-1),
            html.P(_says(waiting, due), className="judgement"),
            _section("Claims that wait", waiting, now, "No claim waits."),
            _section(
                f"Promises due, or ending within {desk_data.SOON} days",
                due,
                now,
                "No promise ends soon without a claim.",
            ),
        ],
        className="page",
    )


def _says(waiting: list[Case], due: list[Case]) -> str:
    if not waiting:
        return f"No claim waits; {fmt.plural(len(due), 'promise')} to settle soon."
    proposed = sum(1 for case in waiting if case.claim and case.claim.proposal)
    said = f"{fmt.plural(len(waiting), 'claim')} wait" + ("s" if len(waiting) == 1 else "")
    if proposed:
        said += f", {proposed} of them for a second person to confirm"
    return f"{said}; {fmt.plural(len(due), 'promise')} to settle soon."


def _section(title: str, found: list[Case], now: datetime, nothing: str) -> html.Section:
    if not found:
        return html.Section([html.H2(title), html.P(nothing)], className="card")
    rows = tuple(_row(case, now) for case in found)
    first: list[Any] = [
        dcc.Link(f"Claim {case.claim.number}", href=f"/claim/{case.claim.number}")
        if case.claim
        else dcc.Link("Open the site", href=f"/site/{case.site.id}")
        for case in found
    ]
    return html.Section(
        [
            html.H2(title),
            parts.table(
                Table(_HEAD, rows, frozenset({4, 5, 6, 7, 8, 9})),
                "Figures of the period so far, known hours only; evidence: pieces that are there",
                first=first,
                wide=True,
            ),
        ],
        className="card",
    )


def _row(case: Case, now: datetime) -> tuple[str, ...]:
    standing, site = case.standing, case.site
    look = theme.look(standing.word if standing else None)
    figure, between = spf_interval(standing)
    received = fmt.NOTHING
    if case.claim is not None:
        day = fmt.day(case.claim.raised_at.astimezone(site.tz).date())
        received = f"{day} ({fmt.age(case.claim.raised_at, now)})"
    waits = [item for item in case.items if item.state is not State.THERE]
    owed = standing.money if standing else None
    return (
        "",
        f"{site.name}{f', {site.place}' if site.place else ''}",
        received,
        f"{look.shape} {look.word}",
        promise_text(standing),
        figure,
        between,
        fmt.days_left(standing.days_left if standing else None),
        f"{case.complete} of {len(case.items)}" + (" ✓" if not waits else ""),
        fmt.NOTHING
        if owed is None or owed.remedy_owed is None
        else fmt.money(owed.remedy_owed, owed.currency),
    )
