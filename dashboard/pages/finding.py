"""One finding: what is wrong, what shows it, what it costs, what to check, who knows."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final

import polars as pl
from dash import dcc, html

from dashboard import data, evidence
from dashboard import format as fmt
from dashboard.components import parts
from dashboard.components.aria import aria
from dashboard.pages import findings_text
from dashboard.pages.site_figures import FigureBlock
from dashboard.view_models import Table
from monitor.errors import NotFoundError
from monitor.findings.finding import Evidence
from monitor.store import derived
from monitor.store.connection import Store
from monitor.store.findings import KeptFinding, load_findings, note_finding
from monitor.store.users import User

NOTE: Final = "finding-note"
SEND: Final = "finding-note-send"
HISTORY: Final = "finding-history"

#: Longest note that a person may leave.
MOST_NOTE: Final = 1000


def find(record: data.Record, store: Store, number: int) -> KeptFinding:
    """A finding of this very site, open or cleared.

    Raises
    ------
    NotFoundError
        No finding of that number was ever made here.
    """
    for one in load_findings(store, record.site.id, cleared=True):
        if one.number == number:
            return one
    message = f"There is no finding {number} of site '{record.site.id}'."
    raise NotFoundError(message)


def layout(user: User, store: Store, site_id: str, number: int, now: datetime) -> html.Div:
    """The whole page."""
    record = data.record(user, store, site_id, now)
    kept = find(record, store, number)
    finding = kept.finding
    body: list[Any] = [html.P(finding.what, className="judgement")]
    if finding.caution:
        body.append(html.P([html.Strong("▲ Caution: "), finding.caution], className="caution"))
    body.append(parts.facts(findings_text.facts(kept, record), big=False))
    charts = [
        parts.figure(
            _block(record, store, kept, shown), f"/download/{site_id}/evidence-{number}-{n}.csv"
        )
        for n, shown in enumerate(finding.evidence, start=1)
    ]
    checks: list[Any] = []
    if finding.check:
        steps = html.Ol([html.Li(step) for step in finding.check])
        checks = [html.Section([html.H2("What to check, in order"), steps], className="card")]
    figures: list[Any] = []
    if finding.figures:
        rows = tuple((f.name, f"{f.value:,.3g}", f.unit) for f in finding.figures)
        shown = Table(("Evidence", "Value", "Unit"), rows, frozenset({1}))
        figures = [html.Section(parts.table(shown, "What it rests on"), className="card")]
    plain = finding.plainly or "Nothing: this is none of the household's concern."
    return html.Div(
        [
            html.Nav(
                dcc.Link(f"← {record.site.name}", href=f"/site/{site_id}"),
                className="crumb",
                **aria(label="Back"),
            ),
            html.H1(finding.title, tabIndex=-1),
            html.P(
                [
                    findings_text.mark(finding),
                    f" {finding.topic.value}, {finding.confidence.value}",
                ],
                className="place",
            ),
            *body,
            *charts,
            *figures,
            *checks,
            html.Section(
                [html.H2("What the household reads"), html.P(plain)],
                className="card",
            ),
            html.Section(
                [
                    html.H2("History"),
                    html.Div(history(kept, record), id=HISTORY, **aria(live="polite")),
                    *_form(kept),
                ],
                className="card",
            ),
        ],
        className="page",
    )


def history(kept: KeptFinding, record: data.Record) -> list[Any]:
    """When it was opened, seen and cleared, and who took note of it."""
    zone = record.site.tz
    lines = [findings_text.history(kept, record.site)]
    lines.append(f"Last found true on {fmt.moment(kept.seen_at.astimezone(zone))}.")
    if kept.cleared_at is not None:
        lines.append(f"No longer found since {fmt.moment(kept.cleared_at.astimezone(zone))}.")
    return [html.P(line) for line in lines]


def _form(kept: KeptFinding) -> list[Any]:
    """Where a person says what was done; for findings that are open."""
    if kept.cleared_at is not None:
        return []
    return [
        html.Label("Take note, for whoever looks next", htmlFor=NOTE),
        dcc.Textarea(id=NOTE, maxLength=MOST_NOTE, rows=3, className="note-box"),
        html.Button("Take note", id=SEND, type="button", n_clicks=0),
    ]


def take_note(
    user: User, store: Store, site_id: str, number: int, text: str, now: datetime
) -> list[Any]:
    """Keep a person's note, and give the history with it.

    Raises
    ------
    NotFoundError
        The finding is not open, not of this site, or the site not the person's.
    """
    record = data.record(user, store, site_id, now)
    find(record, store, number)
    note_finding(store, number, user.email, text.strip()[:MOST_NOTE], now)
    return history(find(record, store, number), record)


def download(
    user: User, store: Store, site_id: str, number: int, nth: int, now: datetime
) -> pl.DataFrame:
    """The data behind one chart.

    Raises
    ------
    NotFoundError
        The finding has no such chart, or the site is not the person's to see.
    """
    record = data.record(user, store, site_id, now)
    kept = find(record, store, number)
    if not 1 <= nth <= len(kept.finding.evidence):
        message = f"Finding {number} has no chart {nth}."
        raise NotFoundError(message)
    return _series(record, store, kept, kept.finding.evidence[nth - 1]).frame


def _series(
    record: data.Record, store: Store, kept: KeptFinding, shown: Evidence
) -> evidence.Series:
    behaviour = derived.load_behaviour(store, record.site.id)
    return evidence.series(record, behaviour, record.days, kept.finding, shown)


def _block(record: data.Record, store: Store, kept: KeptFinding, shown: Evidence) -> FigureBlock:
    found = _series(record, store, kept, shown)
    title = fmt.initial(shown.label)
    known = found.known
    if known.height == 0:
        return FigureBlock("evidence", title, "The records that showed it are no longer there.")
    inside = known.filter("in_window")
    hourly = shown.of in {"state", "slot"}
    span = "hour" if hourly else "day"
    beyond = inside.filter(
        (pl.col("value") < pl.col("low")) | (pl.col("value") > pl.col("high"))
    ).height
    says = f"{fmt.plural(inside.height, span)} of the finding, marked as diamonds"
    if shown.band:
        says += f"; {beyond} of them outside what was to be expected (the shaded band)"
    unknown = found.frame.height - known.height
    if unknown:
        says += f"; {fmt.plural(unknown, span)} shown as gaps are not known"
    rows = tuple(
        (
            fmt.moment(r["time"].astimezone(record.site.tz))
            if hourly
            else fmt.short_day(r["time"]),
            fmt.figures(r["value"]),
            _expected(r["low"], r["high"]),
        )
        for r in known.tail(120).iter_rows(named=True)
    )
    head = ("Time" if hourly else "Day", f"{title}, {shown.unit}".rstrip(", "), "Expected")
    return FigureBlock(
        "evidence",
        title,
        f"{fmt.initial(says)}.",
        evidence.chart(found),
        Table(head, rows, frozenset({1})),
        "The newest 120; the file has every one." if known.height > 120 else "",
    )


def _expected(low: float | None, high: float | None) -> str:
    if low is None and high is None:
        return fmt.NOTHING
    if low is None:
        return f"up to {fmt.figures(high)}"
    if high is None:
        return f"from {fmt.figures(low)}"
    return f"{fmt.figures(low)} to {fmt.figures(high)}"
