"""What wants a person today, and what to do next about each thing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final
from urllib.parse import parse_qs

import polars as pl
from dash import dcc, html

from dashboard import fleet_data
from dashboard import format as fmt
from dashboard.components import parts
from dashboard.components.aria import UNHEARD, aria
from dashboard.fleet_text import look
from dashboard.pages import findings_text
from dashboard.rules import reaches
from monitor.findings.finding import Topic
from monitor.store.connection import Store
from monitor.store.fleet import AGENDA, ENDING_DAYS
from monitor.store.users import User

RESULTS: Final = "agenda-results"
#: Where findings that a person may take note of are ticked, by their kind.
TICKED: Final = {"new": "agenda-ticked", "silent": "agenda-ticked-silent"}
NOTE: Final = "agenda-note"
SEND: Final = "agenda-send"

#: Longest note that a person may leave.
MOST_NOTE: Final = 1000

#: Things of one kind beside those of others, and on a page of their own.
_FEW: Final = 10
_PAGE: Final = 50

#: SPF that a finding costs, below which only its electricity is told.
_LEAST_SPF: Final = 0.01

#: Heading of each kind, how it is counted, and what is to be done with things of the kind.
_KINDS: Final[Mapping[str, tuple[str, tuple[str, str], str]]] = {
    "new": (
        "New findings",
        ("new finding", "new findings"),
        "Nobody took note of these yet: people first, then data and meters, then what costs most.",
    ),
    "silent": (
        "Silent meters",
        ("silent meter", "silent meters"),
        "What is not recorded now is lost to the promise; the longest silent first.",
    ),
    "claim": (
        "Claims waiting",
        ("claim waiting", "claims waiting"),
        "Claims that are not closed; the longest open first.",
    ),
    "due": (
        "Settlements due",
        ("settlement due", "settlements due"),
        "The period is over and nothing was sealed; the oldest first.",
    ),
    "ending": (
        f"Periods that end within {ENDING_DAYS} days",
        ("period ending", "periods ending"),
        "The last days in which anything can still be put right; the nearest first.",
    ),
}

#: What the last step of a claim means for those who wait.
CLAIM_WORDS: Final = {
    "raised": "raised, and nobody has answered yet",
    "note": "something was added to it last",
    "visit": "the installer was there, and nothing is proposed yet",
    "checked": "looked into, and nothing is proposed yet",
    "proposed": "a settlement is proposed and waits for a second person",
    "refused": "a proposed settlement was refused, and a new one is wanted",
}


@dataclass(frozen=True)
class AgendaQuery:
    """What the address bar asks of the agenda: one kind only, and a page of it."""

    kind: str = ""
    page: int = 1

    @classmethod
    def parse(cls, search: str | None) -> AgendaQuery:
        """Read a query string; what is not known is left at its default."""
        lists = parse_qs((search or "")[:500].lstrip("?"))
        given = {key: values[-1] for key, values in lists.items()}
        kind, page = given.get("kind", ""), given.get("page", "1")
        return cls(
            kind=kind if kind in AGENDA else "",
            page=int(page) if page.isascii() and page.isdecimal() and 0 < len(page) < 6 else 1,
        )


def words(counts: Mapping[str, int]) -> str:
    """The agenda in one sentence."""
    told = [
        fmt.plural(counts[kind], *nouns) for kind, (_, nouns, _) in _KINDS.items() if counts[kind]
    ]
    return f"{fmt.initial(fmt.listing(told))}." if told else "Nothing waits for you today."


def teaser(counts: Mapping[str, int]) -> html.P:
    """The agenda on the fleet page: a sentence and the way to it."""
    return html.P(
        [html.Strong("Today: "), words(counts), " ", dcc.Link("Open the agenda", href="/agenda")],
        className="today",
    )


def layout(user: User, store: Store, search: str | None, now: datetime) -> html.Div:
    """The page with what the address bar asks for; a callback replaces what is found."""
    return html.Div(
        [
            html.P([dcc.Link("← Fleet", href="/")], className="crumb"),
            html.H1("Agenda", tabIndex=-1),
            html.Div(
                results(user, store, AgendaQuery.parse(search), now),
                id=RESULTS,
                className="results",
            ),
        ],
        className="page",
    )


def results(
    user: User, store: Store, query: AgendaQuery, now: datetime, said: str = ""
) -> list[Any]:
    """The sentence, the kinds, and the things of each."""
    counts = fleet_data.agenda_counts(user, store)
    kinds = (query.kind,) if query.kind else tuple(kind for kind in AGENDA if counts[kind])
    lists = {kind: _some(user, store, kind, query) for kind in kinds}
    notable = any(lists[kind].height for kind in TICKED if kind in lists)
    out: list[Any] = [
        html.P(words(counts), className="judgement"),
        html.Nav(
            [
                dcc.Link(
                    [
                        title,
                        html.Span(f" {fmt.number(counts[kind])}", className="count"),
                        *parts.chosen(query.kind == kind),
                    ],
                    href="/agenda" if query.kind == kind else f"/agenda?kind={kind}",
                    className="chip chosen" if query.kind == kind else "chip",
                )
                for kind, (title, _, _) in _KINDS.items()
            ],
            className="chips",
            **aria(label="Show one kind only; choose it again to show all"),
        ),
        html.Div(
            html.A(
                "Download as CSV",
                href="/agenda.csv" + (f"?kind={query.kind}" if query.kind else ""),
                download="",
                className="quiet",
            ),
            className="more",
        ),
        _form(hidden=not notable),
        html.P(said, className="note", role="status"),
    ]
    out += [_section(user, kind, lists[kind], counts[kind], query, now) for kind in kinds]
    # What is ticked is asked for wherever the form is, even with nothing there to tick.
    out += [_ticks(user, kind, [], now) for kind in TICKED if kind not in lists]
    return out


def _some(user: User, store: Store, kind: str, query: AgendaQuery) -> pl.DataFrame:
    if not query.kind:
        return fleet_data.agenda(user, store, [kind], count=_FEW)
    first = (query.page - 1) * _PAGE
    return fleet_data.agenda(user, store, [kind], first=first, count=_PAGE)


def _form(*, hidden: bool) -> html.Div:
    return html.Div(
        [
            html.Label("Take note of what is ticked: what was seen, decided or done", htmlFor=NOTE),
            dcc.Input(id=NOTE, type="text", maxLength=MOST_NOTE, autoComplete="off", value=""),
            html.Button("Take note", id=SEND, n_clicks=0),
        ],
        className="card form-line note-form",
        hidden=hidden,
    )


def _section(
    user: User, kind: str, frame: pl.DataFrame, count: int, query: AgendaQuery, now: datetime
) -> html.Section:
    title, _, told = _KINDS[kind]
    rows = list(frame.iter_rows(named=True))
    body: list[Any] = [html.H2(f"{title} ({fmt.number(count)})"), html.P(told, className="note")]
    if kind in TICKED:
        body.append(_ticks(user, kind, rows, now))
    else:
        body.append(html.Ul([html.Li(_thing(user, row, now)) for row in rows], className="things"))
    if not rows:
        body.append(html.P("Nothing here.", className="absent"))
    body += _more(kind, len(rows), count, query)
    return html.Section(body, className="card")


def _ticks(user: User, kind: str, rows: list[dict[str, Any]], now: datetime) -> dcc.Checklist:
    return dcc.Checklist(
        options=[
            {
                "label": html.Span(_thing(user, row, now), className="thing"),
                "value": row["finding_id"],
            }
            for row in rows
        ],
        value=[],
        id=TICKED[kind],
        className="ticks things",
    )


def _more(kind: str, shown: int, count: int, query: AgendaQuery) -> list[Any]:
    if not query.kind:
        if shown == count:
            return []
        return [html.P(dcc.Link(f"Show all {fmt.number(count)}", href=f"/agenda?kind={kind}"))]
    pages = max(1, -(-count // _PAGE))
    steps = ((query.page - 1, "← Previous"), (query.page + 1, "Next →"))
    links = [
        dcc.Link(said, href=f"/agenda?kind={kind}&page={page}", className="chip")
        for page, said in steps
        if 1 <= page <= pages
    ]
    return [html.Nav(links, className="chips", **aria(label="Pages"))] if links else []


def _costs(row: Mapping[str, Any]) -> str:
    """What a finding costs, in short; its page has the interval."""
    if not row["kwh_year"]:
        side = "low" if row["spf"] > 0 else "high"
        return f"the SPF is shown {abs(row['spf']):.2f} too {side}"
    said = "costs " + (f"{row['spf']:.2f} SPF, " if row["spf"] >= _LEAST_SPF else "")
    said += f"{fmt.number(row['kwh_year'])} kWh a year"
    if row["money_year"] is not None:
        said += f", {fmt.money(row['money_year'], row['cost_currency'])}"
    return said


def _thing(user: User, row: dict[str, Any], now: datetime) -> list[Any]:
    """One thing: what it is and where, what is known of it, and what to do next."""
    home = dcc.Link(row["name"], href=f"/site/{row['site_id']}")
    place = html.Span(f" {row['place']}", className="place") if row["place"] else ""
    known, todo = told(row, now)
    if row["finding_id"] is None:
        head: list[Any] = [parts.badge(look(row["word"])), " ", html.B(home), place]
        claim = f"/claim/{row['claim_id']}"
        if row["item"] == "claim" and reaches(user, claim):
            head += [" ", dcc.Link(f"Open claim {row['claim_id']}", href=claim)]
    else:
        href = f"/site/{row['site_id']}/finding/{row['finding_id']}"
        shape = html.Span(findings_text.SHAPES[Topic(row["topic"])], className="shape", **UNHEARD)
        head = [shape, html.B(dcc.Link(row["title"], href=href)), " at ", home, place]
    return [
        html.Span(head, className="head"),
        html.Span(known, className="known"),
        html.Span(
            [html.B("Next: " if row["finding_id"] is None else "Check first: "), todo],
            className="todo",
        ),
    ]


def told(row: Mapping[str, Any], now: datetime) -> tuple[str, str]:
    """What is known of a thing, and what to do next."""
    if row["item"] == "due":
        return (
            f"The period ended on {fmt.day(row['period_end'] - timedelta(days=1))}; by the terms "
            f"it is {row['settlement']} as the readings stand.",
            "agree on hours that do not count and correct what is wrong; the warranty team "
            "then takes it up at its desk, where two people settle it",
        )
    if row["item"] == "claim":
        return (
            f"Claim {row['claim_id']} of {fmt.day(row['opened_at'].date())}: "
            f"{CLAIM_WORDS.get(row['title'], row['title'])}.",
            "look at the findings of the home first, then answer the household",
        )
    if row["item"] == "ending":
        likely = fmt.share(row["probability"])
        return (
            f"Ends on {fmt.day(row['period_end'] - timedelta(days=1))}, in "
            f"{fmt.plural(row['days_left'], 'day')}; coverage {fmt.share(row['coverage'])}, "
            f"probability that it is kept so far {likely}.",
            "see that readings come in to the last day, and agree on hours that do not count",
        )
    known = [f"{row['topic']}, {row['confidence']}"]
    if row["spf"] is not None:
        known.append(_costs(row))
    known.append(f"open since {fmt.short_day(row['opened_at'].date())}")
    if row["item"] == "silent":
        known.append(f"last reading {fmt.age(row['newest_reading'], now)}")
    if row["noted_by"]:
        known.append(f"noted by {row['noted_by']}: {row['note']}")
    todo = row["todo"] or "open the finding and see what it rests on"
    return f"{fmt.initial('; '.join(known))}.", todo[:1].lower() + todo[1:]
