"""The installer's first page: the fleet, worst first, and what it has in common."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any, Final

from dash import dcc, html

from dashboard import fleet_data, fleet_text
from dashboard import format as fmt
from dashboard.access import form_token
from dashboard.components import parts
from dashboard.components.aria import UNHEARD, aria
from dashboard.fleet_data import Fleet
from dashboard.fleet_query import COHORT_WORDS, MOST_PICKED, MOST_TEXT, SORT_WORDS, FleetQuery
from dashboard.fleet_text import CohortLine, FleetLine
from dashboard.pages import agenda
from monitor.store.connection import Store
from monitor.store.users import User
from monitor.store.views import MOST_NAME, SavedView

RESULTS: Final = "fleet-results"
SEARCH: Final = "fleet-search"
VIEWS: Final = "fleet-views"
VIEW_NAME: Final = "fleet-view-name"
VIEW_SAVE: Final = "fleet-view-save"
VIEW_DROP: Final = "fleet-view-drop"
VIEW_DROPPED: Final = "fleet-view-dropped"

#: Columns of the table: the key that sorts, if any, and the head.
_HEADS: Final = (
    ("site", "Site"),
    ("standing", "Standing"),
    ("promise", "Promise"),
    ("spf", "SPF so far (95 % interval)"),
    ("ahead", "Kept by the end (90 % interval)"),
    ("finding", "First finding"),
    ("age", "Last reading"),
    ("left", "Left of the period"),
    ("", "Trend of a year"),
)

#: Cohorts shown before the rest is asked for.
_FIRST_COHORTS: Final = 12


def layout(
    user: User, store: Store, search: str | None, now: datetime, typed: object = ""
) -> html.Div:
    """The page with what the address bar asks for; a callback replaces what is found.

    Parameters
    ----------
    typed
        What was searched last, as the page remembers it.
    """
    query = fleet_data.asked(user, store, search, typed)
    fleet = fleet_data.fleet(user, store, query, now)
    return html.Div(
        [
            html.H1("Fleet", tabIndex=-1),
            html.P(fleet_text.attention(fleet.total), className="judgement"),
            *_first_steps(fleet.total),
            agenda.teaser(fleet_data.agenda_counts(user, store)),
            html.Div(saved_views(fleet_data.saved(user, store)), id=VIEWS, className="views"),
            html.Div(
                [
                    html.Label(
                        "Search name, place, postcode area, model, designer or team", htmlFor=SEARCH
                    ),
                    dcc.Input(
                        id=SEARCH,
                        type="search",
                        value=query.text,
                        debounce=0.4,
                        maxLength=MOST_TEXT,
                        autoComplete="off",
                    ),
                ],
                className="search",
                role="search",
            ),
            html.Div(results(user, store, fleet, now), id=RESULTS, className="results"),
        ],
        className="page",
    )


def _first_steps(total: Mapping[str, int]) -> list[html.P]:
    """What to do where there is no site yet."""
    if sum(total.values()):
        return []
    return [
        html.P(
            [
                "Describe a home in a site file and record it with ",
                html.Code("pledgewatt site add FILE"),
                ". Then its exports can come in, and it stands here.",
            ]
        )
    ]


def saved_views(views: list[SavedView], said: str = "") -> list[Any]:
    """Views that the person keeps, and the way to keep and remove them."""
    out: list[Any] = []
    if views:
        out.append(
            html.Nav(
                [
                    html.Span("Saved views:", className="lead"),
                    *(
                        dcc.Link(view.name, href=f"/{view.search}", className="chip")
                        for view in views
                    ),
                ],
                className="chips",
                **aria(label="Saved views"),
            )
        )
    inside: list[Any] = [
        html.Div(
            [
                html.Label("Name for what is shown now", htmlFor=VIEW_NAME),
                dcc.Input(id=VIEW_NAME, type="text", maxLength=MOST_NAME, autoComplete="off"),
                html.Button("Save this view", id=VIEW_SAVE, n_clicks=0, className="plain"),
            ],
            className="form-line",
        ),
        html.Div(
            [
                dcc.Checklist(
                    options=[{"label": view.name, "value": view.view_id} for view in views],
                    value=[],
                    id=VIEW_DROPPED,
                    className="ticks",
                ),
                html.Button("Remove ticked views", id=VIEW_DROP, n_clicks=0, className="plain"),
            ],
            hidden=not views,
            className="form-line",
        ),
    ]
    out.append(
        html.Details(
            [html.Summary("Save this view" if not views else "Save or remove views"), *inside],
            open=bool(said) or None,
        )
    )
    out.append(html.P(said, className="note", role="status"))
    return out


def results(user: User, store: Store, fleet: Fleet, now: datetime) -> list[Any]:
    """Filters, cohorts and table."""
    query = fleet.query
    out: list[Any] = []
    if query.lost:
        out.append(
            html.P(
                "This address is of a search, and addresses do not hold what was searched. Type "
                "it again; to keep or pass on a search, save it as a view.",
                className="note",
            )
        )
    out += [
        html.Nav(
            [
                dcc.Link(
                    [
                        parts.badge(chip.look),
                        html.Span(f" {fmt.number(chip.count)}", className="count"),
                        *parts.chosen(chip.chosen),
                    ],
                    href=f"/{chip.href}",
                    className="chip chosen" if chip.chosen else "chip",
                )
                for chip in fleet_text.chips(fleet)
            ],
            className="chips",
            **aria(label="Show one standing only; choose it again to show all"),
        ),
        *_chosen(fleet),
        *_cohorts(user, store, query, now),
        *_picked(fleet),
        html.Div(
            [
                html.Span(fleet_text.found(fleet), className="found", role="status"),
                _download(query),
            ],
            className="more",
        ),
    ]
    if fleet.rows.height:
        out += [_sort_menu(query), _table(fleet, now)]
    elif query.is_filtered:
        out.append(html.P(["No site is like that. ", dcc.Link("Show all sites", href="/")]))
    if fleet.pages > 1:
        out.append(_pager(fleet))
    return out


def _download(query: FleetQuery) -> html.Form:
    """The list as a file. What is searched goes inside the request, not in its address."""
    fields = {"csrf": form_token(), "asked": query.search, "text": query.text}
    return html.Form(
        [
            *(dcc.Input(type="hidden", name=name, value=value) for name, value in fields.items()),
            html.Button("Download as CSV", type="submit", className="plain"),
        ],
        method="post",
        action="/fleet.csv",
    )


def _chosen(fleet: Fleet) -> list[Any]:
    """Cohorts that were chosen, each with the way to drop it."""
    chosen = fleet_text.chosen(fleet)
    if not chosen:
        return []
    return [
        html.Nav(
            [
                dcc.Link(
                    [words, html.Span(" ×", **UNHEARD), html.Span(" (drop)", className="unseen")],
                    href=f"/{search}",
                    className="chip chosen",
                )
                for words, search in chosen
            ],
            className="chips",
            **aria(label="Only these; choose one to drop it"),
        )
    ]


def _cohorts(user: User, store: Store, query: FleetQuery, now: datetime) -> list[Any]:
    """Ways to gather the sites, and the cohorts where one was chosen."""
    out: list[Any] = [
        html.Nav(
            [
                html.Span("Group by", className="lead"),
                *(
                    dcc.Link(
                        [words, *parts.chosen(query.by == key)],
                        href=f"/{replace(query, by='' if query.by == key else key).search}",
                        className="chip chosen" if query.by == key else "chip",
                    )
                    for key, words in COHORT_WORDS.items()
                ),
            ],
            className="chips",
            **aria(label="Gather the sites; choose it again to close"),
        )
    ]
    if query.by:
        lines = fleet_text.cohort_lines(fleet_data.cohorts(user, store, query, now))
        out.append(_cohort_section(query, lines))
    return out


def _cohort_section(query: FleetQuery, lines: list[CohortLine]) -> html.Section:
    words = COHORT_WORDS[query.by]
    inside: list[Any] = [
        html.H2(f"Sites by {words}"),
        html.P(
            "SPF against the promise of the judged sites: the median, and between what the middle "
            "half lies. Marked are those whose median differs from that of all sites shown by more "
            "than the spread explains (notches of McGill, Tukey and Larsen, 1978). Of twenty like "
            "cohorts about one is marked by chance; homes, promises and winters differ too.",
            className="note how",
        ),
        _cohort_table(query, lines[:_FIRST_COHORTS], words),
    ]
    rest = lines[_FIRST_COHORTS:]
    if rest:
        inside.append(
            html.Details(
                [
                    html.Summary(f"Show {fmt.number(len(rest))} more"),
                    _cohort_table(query, rest, words),
                ]
            )
        )
    return html.Section(inside, className="card cohorts")


def _cohort_table(query: FleetQuery, lines: list[CohortLine], words: str) -> html.Div:
    heads = (
        fmt.initial(words),
        "Sites",
        "● On course",
        "▲ Off course",
        "Median SPF against the promise",
        "Middle half",
        "Beside all sites shown",
    )
    numeric = ("", "num", "num", "num", "num", "num", "")
    return html.Div(
        html.Table(
            [
                html.Caption(f"Cohorts by {words}, the lowest first", className="unseen"),
                html.Thead(
                    html.Tr(
                        [
                            html.Th(head, scope="col", className=css)
                            for head, css in zip(heads, numeric, strict=True)
                        ]
                    )
                ),
                html.Tbody([_cohort_row(query, line) for line in lines]),
            ]
        ),
        className="scroll",
        tabIndex=0,
        role="region",
        **aria(label=f"Cohorts by {words}"),
    )


def _cohort_row(query: FleetQuery, line: CohortLine) -> html.Tr:
    only = replace(query.choosing(query.by, line.value), by="")
    css = {"▼": "off-course", "▲": "on-course"}.get(line.mark, "")
    return html.Tr(
        [
            html.Th(dcc.Link(line.name, href=f"/{only.search}"), scope="row"),
            *(
                html.Td(text, className="num")
                for text in (line.sites, line.on_course, line.off_course, line.gap, line.middle)
            ),
            html.Td(
                [html.Span(f"{line.mark} ", **UNHEARD) if line.mark else "", line.beside],
                className=css,
            ),
        ]
    )


def _picked(fleet: Fleet) -> list[Any]:
    """Sites that are to be compared."""
    if not fleet.picked:
        return []
    query = "&".join(f"site={site_id}" for site_id in fleet.picked)
    ready = len(fleet.picked) > 1
    return [
        html.Div(
            [
                html.Span(f"To compare: {fmt.listing(list(fleet.picked.values()))}."),
                dcc.Link("Compare side by side", href=f"/compare?{query}", className="button")
                if ready
                else html.Span("Choose at least one more.", className="note"),
                dcc.Link("Clear", href=f"/{replace(fleet.query, picked=()).search}"),
            ],
            className="card picked",
            role="status",
        )
    ]


def _pager(fleet: Fleet) -> html.Nav:
    query = fleet.query
    steps = (
        (1, "« First"),
        (query.page - 1, "← Previous"),
        (query.page + 1, "Next →"),
        (fleet.pages, "Last »"),
    )
    return html.Nav(
        [
            dcc.Link(words, href=f"/{replace(query, page=page).search}", className="chip")
            for page, words in steps
            if 1 <= page <= fleet.pages and page != query.page
        ],
        className="chips",
        **aria(label="Pages"),
    )


def _sort_menu(query: FleetQuery) -> html.Details:
    """Every way to sort; on narrow screens the heads of the table are not shown."""
    direction = ", from the top down" if query.descending else ""
    return html.Details(
        [
            html.Summary(f"Sorted by: {SORT_WORDS[query.sort].lower()}{direction}"),
            html.Ul(
                [
                    html.Li(dcc.Link(title, href=f"/{query.sorted_by(key).search}"))
                    for key, title in SORT_WORDS.items()
                ]
            ),
        ],
        className="sort-menu",
    )


def _table(fleet: Fleet, now: datetime) -> html.Table:
    query = fleet.query
    heads = []
    for key, title in _HEADS:
        extra: dict[str, Any] = {}
        content: Any = title
        if key:
            arrow = ""
            if key == query.sort:
                extra = aria(sort="descending" if query.descending else "ascending")
                arrow = " ↓" if query.descending else " ↑"
            content = dcc.Link(
                [title, html.Span(arrow, **UNHEARD)], href=f"/{query.sorted_by(key).search}"
            )
        heads.append(html.Th(content, scope="col", **extra))
    lines = [fleet_text.line(row, now) for row in fleet.rows.iter_rows(named=True)]
    return html.Table(
        [
            html.Caption("Sites with promise and standing; heads sort", className="unseen"),
            html.Thead(html.Tr(heads)),
            html.Tbody([_row(line, query) for line in lines]),
        ],
        className="fleet sites",
    )


def _row(line: FleetLine, query: FleetQuery) -> html.Tr:
    def cell(n: int, *content: Any, css: str = "") -> html.Td:
        # Names the figure where a narrow screen shows no heads.
        label: dict[str, Any] = {"data-label": _HEADS[n][1]}
        return html.Td([part for part in content if part is not None], className=css, **label)

    def remark(text: str) -> html.Span | None:
        return html.Span(text, className="remark") if text else None

    finding: Any = line.finding
    if line.finding != fmt.NOTHING:
        finding = dcc.Link(line.finding, href=line.finding_href)
    trend: Any = fmt.NOTHING
    if line.trend is not None:
        trend = html.Img(src=line.trend.source, alt=line.trend.words, className="spark")
    return html.Tr(
        [
            html.Th(
                [
                    dcc.Link(line.name, href=f"/site/{line.site_id}"),
                    html.Span(line.place, className="place"),
                    _pick(line, query),
                ],
                scope="row",
            ),
            cell(1, parts.badge(line.look), html.Span(line.why, className="why"), css="wide"),
            cell(2, line.promise, remark(line.cost)),
            cell(3, html.B(line.spf), remark(line.interval), remark(line.coverage)),
            cell(4, line.ahead, remark(line.ahead_interval)),
            cell(5, finding, remark(line.more_findings), css="finding"),
            cell(6, line.age),
            cell(7, line.left),
            cell(8, trend),
        ]
    )


def _pick(line: FleetLine, query: FleetQuery) -> Any:
    """The way to put a site among those to compare, or to take it out."""
    chosen = line.site_id in query.picked
    if not chosen and len(query.picked) == MOST_PICKED:
        return html.Span("six already", className="note")
    return dcc.Link(
        [
            html.Span("✓ " if chosen else "+ ", **UNHEARD),
            "to be compared" if chosen else "compare",
            html.Span(f" {line.name}", className="unseen"),
        ],
        href=f"/{query.picking(line.site_id).search}",
        className="pick chosen" if chosen else "pick",
    )
