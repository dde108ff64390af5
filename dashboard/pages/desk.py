"""The warranty desk: claims that wait, and promises that are due."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from urllib.parse import parse_qs, urlencode

from dash import dcc, html

from dashboard import desk_data, theme
from dashboard import format as fmt
from dashboard.access import form_token
from dashboard.components import parts
from dashboard.components.aria import aria
from dashboard.desk_data import Case, Desk, State
from dashboard.view_models import Table, promise_text, spf_interval
from monitor.store.connection import Store
from monitor.store.users import User

_HEAD = (
    "Claim", "Home", "Received", "Standing", "Promise", "SPF so far", "95 % interval", "Days left",
    "Evidence", "Remedy so far",
)  # fmt: skip

_TAKE_UP = (
    "A promise whose period is over is settled whether anybody claims or not: take it up, propose "
    "a settlement, and let a second person confirm it."
)


def layout(user: User, store: Store, search: str | None, now: datetime) -> html.Div:
    """The whole page; the address says which page of each list."""
    given = parse_qs((search or "").lstrip("?"))
    at = {name: _number(given.get(name, [""])[-1]) for name in ("claims", "due")}
    found = desk_data.desk(user, store, now, waiting_page=at["claims"], due_page=at["due"])
    at = {"claims": found.waiting_page, "due": found.due_page}
    return html.Div(
        [
            html.H1("Warranty desk", tabIndex=-1),
            html.P(_says(found), className="judgement"),
            _section(
                "Claims that wait",
                found.waiting,
                now,
                "No claim waits.",
                _pager("claims", found.waiting_in_all, at),
            ),
            _section(
                f"Promises due, or ending within {desk_data.SOON} days",
                found.due,
                now,
                "No promise ends soon without a claim.",
                _pager("due", found.due_in_all, at),
            ),
        ],
        className="page",
    )


def _number(given: str) -> int:
    return int(given) if given.isascii() and given.isdecimal() and len(given) < 6 else 1


def _pager(name: str, in_all: int, at: dict[str, int]) -> list[Any]:
    """Which of a long list is shown, and the ways to the rest."""
    pages = -(-in_all // desk_data.PAGE)
    if pages < 2:
        return []
    first = (at[name] - 1) * desk_data.PAGE
    last = min(first + desk_data.PAGE, in_all)
    steps = ((at[name] - 1, "← Previous"), (at[name] + 1, "Next →"))
    return [
        html.Nav(
            [
                html.Span(f"{first + 1} to {last} of {fmt.number(in_all)}", className="note"),
                *(
                    html.A(words, href=f"/desk?{urlencode(at | {name: page})}", className="chip")
                    for page, words in steps
                    if 1 <= page <= pages
                ),
            ],
            className="chips",
            **aria(label="Pages"),
        )
    ]


def _says(found: Desk) -> str:
    due = f"{fmt.plural(found.due_in_all, 'promise')} to settle soon."
    count = found.waiting_in_all
    if not count:
        return f"No claim waits; {due}"
    said = f"{fmt.plural(count, 'claim')} wait" + ("s" if count == 1 else "")
    if found.proposed:
        said += f", {found.proposed} of them for a second person to confirm"
    return f"{said}; {due}"


def _section(
    title: str, found: list[Case], now: datetime, nothing: str, pager: list[Any]
) -> html.Section:
    if not found:
        return html.Section([html.H2(title), html.P(nothing)], className="card")
    rows = tuple(_row(case, now) for case in found)
    first = [_way_in(case) for case in found]
    return html.Section(
        [
            html.H2(title),
            *(
                [html.P(_TAKE_UP, className="note")]
                if any(case.claim is None and _is_due(case) for case in found)
                else []
            ),
            parts.table(
                Table(_HEAD, rows, frozenset({4, 5, 6, 7, 8, 9})),
                "Figures of the period so far, known hours only; evidence: pieces that are there",
                first=first,
                wide=True,
            ),
            *pager,
        ],
        className="card",
    )


def _is_due(case: Case) -> bool:
    return case.standing is not None and case.standing.settlement is not None


def _way_in(case: Case) -> Any:
    if case.claim:
        return dcc.Link(f"Claim {case.claim.number}", href=f"/claim/{case.claim.number}")
    look = dcc.Link("Open the site", href=f"/site/{case.site.id}")
    if not _is_due(case):
        return look
    take_up = html.Form(
        [
            dcc.Input(type="hidden", name="csrf", value=form_token()),
            html.Button(
                ["Take up", html.Span(f" the promise of {case.site.name}", className="unseen")],
                type="submit",
                className="plain",
            ),
        ],
        method="post",
        action=f"/site/{case.site.id}/settle",
    )
    return [look, take_up]


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
