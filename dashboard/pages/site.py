"""The installer's page of one site: the answer, the figures, the pictures, the detail."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, Final
from urllib.parse import parse_qs

import polars as pl
from dash import dcc, html

from dashboard import calendar_chart, data, hour_data
from dashboard import format as fmt
from dashboard.components import parts
from dashboard.components.aria import aria
from dashboard.components.written import written
from dashboard.pages import findings_text, how_site, site_figures, site_reasons, site_text
from dashboard.view_models import Fact, Table
from monitor.errors import NotFoundError
from monitor.models import Site
from monitor.store import origins
from monitor.store.connection import Store
from monitor.store.users import User

CLOSER: Final = "site-period"


def period_key(search: str | None) -> str | None:
    """The period that the address bar asks for."""
    given = parse_qs((search or "").lstrip("?")).get("period")
    return given[-1] if given else None


def _csv(site_id: str, what: str, period: str = "") -> str:
    return f"/download/{site_id}/{what}.csv" + (f"?period={period}" if period else "")


def layout(user: User, store: Store, site_id: str, search: str | None, now: datetime) -> html.Div:
    """The whole page; a callback replaces the part that follows the period."""
    record = data.record(user, store, site_id, now)
    # Ages are told to the minute; all else stands until something changes.
    minute = now.replace(second=0, microsecond=0)
    return html.Div(
        [
            *record.parts.get("top", lambda: _written(_top(record, now)), stamp=minute),
            *record.parts.get("reasons", lambda: _written(_reasons(record))),
            html.Section(closer(record, search), id=CLOSER, **aria(live="polite")),
            *record.parts.get("history", lambda: _written(_history(record))),
            record.parts.get("arrivals", lambda: written(_arrivals(user, store, record.site))),
            record.parts.get("events", lambda: written(_events(record))),
        ],
        className="page",
    )


def _written(made: list[Any]) -> list[Any]:
    return [written(part) for part in made]


def _top(record: data.Record, now: datetime) -> list[Any]:
    site = record.site
    top = site_text.judgement(record, now)
    return [
        html.Nav(dcc.Link("← All sites", href="/"), className="crumb", **aria(label="Back")),
        html.H1(top.name, tabIndex=-1),
        html.P(
            [
                f"{top.place} · " if top.place else "",
                f"commissioned {fmt.day(site.commissioned)} · ",
                html.A("What the homeowner sees", href=f"/site/{site.id}/home"),
            ],
            className="place",
        ),
        html.P([parts.badge(top.look), " ", top.why], className="judgement"),
        html.Div(parts.facts(top.facts, big=True), id="spf"),
        _ingredients(record),
        findings_text.section(record.findings, record),
    ]


def _events(record: data.Record) -> html.Section:
    happened = site_text.events_table(record.site, record.findings)
    return html.Section(
        [
            html.H2("Events and notes"),
            parts.table(happened, "What happened here and what was noted, newest first")
            if happened
            else html.P("No event and no note is on record for this site."),
        ],
        className="card",
    )


def _reasons(record: data.Record) -> list[Any]:
    site_id = record.site.id
    return [
        parts.figure(site_figures.course_block(record), _csv(site_id, "cumulative")),
        parts.figure(site_reasons.shortfall_block(record), _csv(site_id, "shortfall")),
        site_reasons.model(record),
        site_reasons.doubts(record),
    ]


def _history(record: data.Record) -> list[Any]:
    site_id = record.site.id
    return [
        _windows(record, site_id),
        parts.figure(calendar_chart.block(record), _csv(site_id, "daily", "all")),
        site_reasons.costs(record),
        html.Section(
            [
                html.H2("Promise and meters", id="promise"),
                *_promise(site_text.terms_facts(record.site.current_terms)),
                *site_reasons.exclusions(record),
                parts.table(
                    site_text.meters_table(record.site), "Meters, each from fitting to removal"
                ),
            ],
            className="card",
        ),
    ]


def _arrivals(user: User, store: Store, site: Site) -> html.Section:
    imports = data.imports(user, store, site.id)
    return html.Section(
        [
            html.H2("What came in", id="imports"),
            parts.table(
                site_text.imports_table(site, imports),
                _of("Imports, newest first", imports.height),
                wide=True,
            )
            if imports.height
            else html.P("Nothing has been imported for this site yet."),
            *_set_aside(data.quarantine(user, store, site.id), site.id),
        ],
        className="card",
    )


def _of(caption: str, height: int) -> str:
    most = site_text.MOST_ROWS
    return f"{caption} (first {most} of {height:,})" if height > most else caption


def _ingredients(record: data.Record) -> html.Div:
    table = site_text.outlook_table(record.outlook)
    if table is None:
        return html.Div()
    return html.Div(
        html.Details(
            [
                html.Summary("What is the outlook made from?"),
                parts.table(table, "A forecast: none of it enters a measured figure"),
            ]
        ),
        className="how",
        id="outlook",
    )


def _promise(facts: tuple[Fact, ...]) -> list[Any]:
    return [parts.facts(facts) if facts else html.P("No promise has been entered for this site.")]


def _set_aside(quarantine: pl.DataFrame, site_id: str) -> list[Any]:
    if quarantine.height == 0:
        return [html.P("No reading has been set aside.")]
    return [
        parts.table(
            site_text.quarantine_table(quarantine),
            f"{fmt.plural(quarantine.height, 'reading')} set aside or in doubt, by reason",
        ),
        html.Div(
            html.A(
                "Download every one with file and line",
                href=_csv(site_id, "quarantine"),
                download="",
                className="quiet",
            ),
            className="more",
        ),
    ]


def _windows(record: data.Record, site_id: str) -> html.Section:
    title = html.H2("Month by month", id="months")
    by_month, by_season = data.months(record), data.seasons(record)
    if by_month.height == 0:
        return html.Section([title, html.P(record.why_not)], className="card")
    rows: list[tuple[str, ...]] = []
    first: list[Any] = []
    for row in by_season.iter_rows(named=True):
        rows.append(("", *site_text.window_row(row)))
        first.append(fmt.initial(row["name"]))
    for row in reversed(list(by_month.iter_rows(named=True))):
        rows.append(("", *site_text.window_row(row)))
        key = f"{row['first']:%Y-%m}"
        first.append(dcc.Link(row["name"], href=f"/site/{site_id}?period={key}#closer"))
    boundary = record.recipe.boundary if record.recipe else ""
    return html.Section(
        [
            title,
            parts.table(
                Table(site_text.WINDOW_HEAD, tuple(rows), frozenset(range(1, 9))),
                f"Heating seasons and months, boundary {boundary}; u is the standard uncertainty "
                "of the SPF; hours not yet begun are left out",
                first=first,
                wide=True,
            ),
            parts.how(how_site.months(record, by_month)),
            html.Div(
                html.A(
                    "Download as CSV",
                    href=_csv(site_id, "months"),
                    download="",
                    className="quiet",
                ),
                className="more",
            ),
        ],
        className="card",
    )


def closer(record: data.Record, search: str | None) -> list[Any]:
    """The part of the page that follows the chosen period."""
    chosen = data.period(record, period_key(search))
    found: list[Any] = record.parts.get(
        ("closer", chosen.key), lambda: _written(_closer(record, chosen))
    )
    return found


def _closer(record: data.Record, chosen: data.Period) -> list[Any]:
    site_id = record.site.id
    offered = data.choices(record)
    links: list[Any] = [
        dcc.Link(
            fmt.initial(choice.window.name),
            href=f"/site/{site_id}?period={choice.key}#closer",
            className="chip chosen" if choice.key == chosen.key else "chip",
        )
        for choice in offered
    ]
    if chosen.key not in {choice.key for choice in offered}:
        links.append(html.Span(chosen.window.name, className="chip chosen"))
    account = data.window_account(record, chosen.window)
    by_day = data.daily(record, chosen.window)
    words = chosen.window.name
    after = record.today + timedelta(days=1)
    if chosen.window.first >= after:
        words += f", from {fmt.day(chosen.window.first)}"
    else:
        words += " so far" if chosen.window.end > after else ""
        words += f", {fmt.stretch(chosen.window.first, min(chosen.window.end, after))}"
    budget = site_text.budget_table(account)
    return [
        html.H2("A closer look", id="closer"),
        html.Nav(links, className="chips", **aria(label="Period")),
        html.P(site_text.summary(account, words) if account else record.why_not),
        parts.how(how_site.spf(record, account, chosen)),
        parts.figure(
            site_figures.days_block(record, by_day, chosen), _csv(site_id, "daily", chosen.key)
        ),
        html.Div(
            [
                parts.figure(
                    site_figures.cop_block(record, by_day, chosen),
                    _csv(site_id, "cop", chosen.key),
                ),
                parts.figure(
                    site_figures.flow_block(record, chosen), _csv(site_id, "flow", chosen.key)
                ),
            ],
            className="pair",
        ),
        html.Section(
            [
                html.H3("Energy account"),
                parts.table(
                    site_text.streams_table(
                        record, hour_data.streams(record, chosen.window), chosen
                    ),
                    "Hours of each stream: measured, bridged and missing add up to the period so "
                    "far",
                ),
                html.Div(_down_to_readings(site_id, chosen), className="more"),
                html.H3("Uncertainty budget", id="budget"),
                parts.table(budget, "What the standard uncertainty of the SPF is made of")
                if budget
                else html.P("There is no SPF in this period, so there is no uncertainty to state."),
            ],
            className="card",
        ),
    ]


def _down_to_readings(site_id: str, chosen: data.Period) -> list[Any]:
    """From the sums to what they are sums of."""
    links: list[Any] = [
        html.A(
            "Every hour of each stream as CSV",
            href=_csv(site_id, "hours", chosen.key),
            download="",
            className="quiet",
        )
    ]
    if data.days_of(chosen.window) <= data.MOST_READING_DAYS:
        links.append(
            html.A(
                "Every reading with its file and line as CSV",
                href=_csv(site_id, "readings", chosen.key),
                download="",
                className="quiet",
            )
        )
    else:
        links.append(
            html.Span("Choose a month to get its readings with file and line.", className="note")
        )
    return links


def download(
    user: User, store: Store, site_id: str, what: str, period: str | None, now: datetime
) -> pl.DataFrame:
    """Data behind a part of the page.

    Raises
    ------
    NotFoundError
        Nothing of that name can be downloaded, or the site is not the person's to see.
    """
    if what == "quarantine":
        return data.quarantine(user, store, site_id)
    record = data.record(user, store, site_id, now)
    window = data.period(record, period).window
    if what == "cumulative":
        terms = record.site.current_terms
        chosen = data.period(record, "guarantee" if terms else "all")
        return data.cumulative(record, chosen.window)
    if what == "shortfall":
        return data.shares(record)
    if what == "months":
        return _plain(data.months(record))
    if what == "flow":
        return hour_data.flow_hours(record, window)
    if what == "hours":
        return hour_data.account_hours(record, window)
    if what == "readings" and data.days_of(window) <= data.MOST_READING_DAYS:
        return origins.readings_of(store, site_id, *record.span(window))
    by_day = data.daily(record, window)
    if what == "daily":
        return _plain(by_day)
    if what == "cop" and by_day.width > 3:
        return _plain(
            by_day.filter(pl.col("spf").is_not_null() & pl.col("outdoor_c").is_not_null())
        )
    message = f"Nothing called '{what}' can be downloaded for this site."
    raise NotFoundError(message)


def _plain(frame: pl.DataFrame) -> pl.DataFrame:
    """Without the columns that only the computation needs."""
    return frame.select(pl.exclude("^u_edge:.*$")).rename(
        {"first": "first_day", "end": "end_day"}, strict=False
    )
