"""What is said of findings."""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from dashboard import data
from dashboard import format as fmt
from dashboard.components import parts
from dashboard.components.aria import UNHEARD
from dashboard.pages import how_cost
from dashboard.view_models import Fact, Table
from monitor.findings.finding import Finding, Topic
from monitor.models import Site
from monitor.store.findings import KeptFinding

#: A shape for each topic, so that no colour is needed to tell them apart.
SHAPES = {
    Topic.HOUSEHOLD: "▲",
    Topic.DATA: "■",
    Topic.METER: "◆",
    Topic.OPERATION: "●",
    Topic.UNIT: "●",
    Topic.PROMISE: "○",
}


def effect(finding: Finding) -> str:
    """What a finding costs, with its interval; to follow "costs"."""
    cost = finding.effect
    if cost is None:
        return fmt.NOTHING
    # What is too much the other way has its ends the other way round.
    low, high = sorted((abs(cost.low), abs(cost.high)))
    size = f"{abs(cost.spf):.2f}"
    between = f"({fmt.interval(low, high)})"
    if cost.low <= 0 <= cost.high:
        between = f"({fmt.signed(cost.low)} to {fmt.signed(cost.high)})"
    if not cost.kwh_year:
        if cost.low <= 0 <= cost.high:
            return f"no electricity, and by how much the SPF shown is off is open {between}"
        side = "low" if cost.spf > 0 else "high"
        return f"no electricity: the SPF is shown {size} too {side} {between}"
    year = f"{fmt.number(cost.kwh_year)}{fmt.NBSP}kWh a year"
    if cost.money_year is not None:
        year += f", {fmt.money(cost.money_year, cost.currency)}"
    if cost.low > 0:
        return f"{size} SPF {between}, {year}"
    if cost.high < 0:
        return f"{year}; the SPF is {size} higher for it {between}"
    return f"{year}; what it does to the SPF is open {between}"


def section(found: list[KeptFinding], record: data.Record) -> html.Section:
    """What to look at first at one site."""
    title = html.H2("What to look at first")
    if not found:
        return html.Section(
            [title, html.P("Nothing stands out in the records so far.")], className="card"
        )
    return html.Section([title, *[_one(kept, record) for kept in found]], className="card")


def mark(finding: Finding) -> html.Span:
    """The shape of a finding's topic."""
    return html.Span(SHAPES[finding.topic], **UNHEARD)


def stake(finding: Finding) -> str:
    """What is at stake until the period ends, and how long that is."""
    if finding.days_left is None:
        return fmt.NOTHING
    left = fmt.plural(finding.days_left, "day")
    if finding.at_stake is None:
        return f"{left} left"
    currency = finding.effect.currency if finding.effect else None
    return f"{fmt.money(finding.at_stake, currency)} in the {left} left"


def facts(kept: KeptFinding, record: data.Record) -> list[Fact]:
    """Since when, what it costs and what is at stake."""
    finding, site = kept.finding, record.site
    found: list[Fact] = []
    if finding.since is not None:
        found.append(Fact("Since", fmt.day(finding.since.astimezone(site.tz).date())))
    if finding.window_start is not None and finding.window_end is not None:
        first = finding.window_start.astimezone(site.tz).date()
        last = finding.window_end.astimezone(site.tz).date()
        found.append(Fact("Seen in", fmt.stretch(first, last)))
    if finding.effect is not None:
        asked = how_cost.effect(finding, site.id, kept.number, record.standing)
        found.append(Fact("It costs", effect(finding), "with its 95 % interval", asked))
    if finding.days_left is not None:
        found.append(Fact("At stake", stake(finding), "if nothing is done before the period ends"))
    return found


def _one(kept: KeptFinding, record: data.Record) -> html.Details:
    finding, site = kept.finding, record.site
    body: list[Any] = [html.P(finding.what)]
    if finding.caution:
        body.append(html.P([html.Strong("▲ Caution: "), finding.caution], className="caution"))
    if finding.effect is not None:
        body.append(html.P(["Costs ", effect(finding), " (95 % interval)."]))
    if finding.at_stake is not None:
        body.append(html.P(["At stake: ", stake(finding), "."]))
    body.append(parts.how(how_cost.effect(finding, site.id, kept.number, record.standing)))
    if finding.check:
        body += [html.P("What to check, in order:"), html.Ol([html.Li(c) for c in finding.check])]
    if finding.figures:
        rows = tuple((f.name, fmt.figures(f.value), f.unit) for f in finding.figures)
        shown = Table(("Evidence", "Value", "Unit"), rows, frozenset({1}))
        body.append(parts.table(shown, "What it rests on"))
    body.append(
        html.P(
            [
                f"{history(kept, site)} ",
                dcc.Link(
                    "See what shows it" if finding.evidence else "Open it",
                    href=f"/site/{kept.site_id}/finding/{kept.number}",
                ),
            ],
            className="note",
        )
    )
    return html.Details(
        [
            html.Summary(
                [
                    mark(finding),
                    f" {finding.title} ",
                    html.Span(f"({finding.topic.value}, {finding.confidence.value})"),
                ]
            ),
            *body,
        ],
        open=finding.topic in {Topic.HOUSEHOLD, Topic.DATA, Topic.METER} or None,
    )


def history(kept: KeptFinding, site: Site) -> str:
    """When it was opened, and who took note of it."""
    opened = fmt.day(kept.opened_at.astimezone(site.tz).date())
    said = f"Finding {kept.number}, open since {opened}"
    if kept.times_opened > 1:
        said += f", for the {kept.times_opened}. time"
    if kept.noted_by is not None:
        said += f". Noted by {kept.noted_by}: {kept.note}"
    return f"{said}."
