"""Sections of a site's page on reasons: the shortfall, doubts about the figures, money."""

from __future__ import annotations

from typing import Any

from dash import html

from dashboard import charts, data
from dashboard import format as fmt
from dashboard.components import parts
from dashboard.pages import how_cost
from dashboard.pages import reasons_text as text
from dashboard.pages.site_figures import FigureBlock
from monitor.metrics.plausibility import Plausibility


def shortfall_block(record: data.Record) -> FigureBlock:
    """Promise less SPF so far, cause by cause."""
    title = "Where the difference to the promise comes from"
    found = record.assessment
    if found is None or found.shortfall is None:
        why = "Nothing has been measured of the guarantee period yet."
        if record.site.current_terms is None:
            why = "Nothing was promised, so there is nothing to compare with."
        return FigureBlock("shortfall", title, record.why_not or why)
    split = found.shortfall
    caption = (
        f"{split.sentence} Boundary {record.recipe.boundary if record.recipe else ''}, "
        f"{fmt.plural(split.days, 'whole day')}, up to "
        f"{fmt.moment(split.until.astimezone(record.site.tz))}. Lines are 95 % intervals; an "
        "estimate by the home's energy model, none of which enters a measured figure."
    )
    return FigureBlock(
        "shortfall",
        title,
        caption,
        charts.waterfall(split, text.CAUSES),
        text.shares_table(split, found.price_per_kwh),
        "A plus sign takes from the SPF, a minus sign adds to it.",
        how_cost.split(split),
    )


def model(record: data.Record) -> html.Div:
    """Fit quality of the energy model."""
    found = record.assessment
    if found is None:
        return html.Div()
    said = found.no_fit if found.fit is None else found.fit.sentence
    body: list[Any] = [html.P(said)]
    if found.fit is not None:
        body.append(
            parts.table(
                text.model_table(found.fit),
                "CV(RMSE) and NMBE by ASHRAE Guideline 14; outdoor temperatures of the days "
                f"{fmt.temperature(found.fit.coldest_c)} to {fmt.temperature(found.fit.warmest_c)}",
            )
        )
    is_good = found.fit is not None and found.fit.is_adequate
    return html.Div(
        html.Details(
            [html.Summary("How good is the energy model?"), *body], open=not is_good or None
        ),
        className="how",
    )


def doubts(record: data.Record) -> html.Section:
    """Whether the figures can be true."""
    title = html.H2("Can these figures be true?")
    found = record.assessment.plausibility if record.assessment else None
    if found is None:
        return html.Section(
            [title, html.P("Nothing has been measured of the guarantee period yet.")],
            className="card",
        )
    return html.Section([title, *_doubts(found)], className="card")


def _doubts(found: Plausibility) -> list[Any]:
    out: list[Any] = []
    if not found.doubts:
        out.append(html.P("No check casts doubt on the figures so far."))
    for doubt in found.doubts:
        would = ""
        if doubt.spf_now is not None and doubt.spf_if_corrected is not None:
            would = (
                f" SPF {fmt.spf(doubt.spf_now)} as measured, {fmt.spf(doubt.spf_if_corrected)} if "
                "the doubt is right."
            )
        out.append(html.P([html.Strong("◆ Doubt: "), doubt.sentence, would]))
        if doubt.caution:
            out.append(html.P([html.Strong("▲ Caution: "), doubt.caution], className="caution"))
    rest = [
        *(html.Li(["In order: ", sentence]) for sentence in found.in_order),
        *(html.Li(["Not checked: ", sentence]) for sentence in found.not_measurable),
    ]
    if rest:
        out.append(html.Ul(rest))
    return out


def costs(record: data.Record) -> html.Section:
    """Money and carbon of the period so far."""
    title = html.H2("Money and carbon, guarantee period so far")
    shown = text.cost_table(record.site, record.standing, record.assessment)
    if shown is None:
        said = "No tariff, former heating or carbon factor is on record for this site."
        return html.Section([title, html.P(said)], className="card")
    return html.Section(
        [
            title,
            parts.table(
                shown,
                "Only hours in which heat and electricity are known; bounds where a price or an "
                "efficiency is not certain",
                wide=True,
            ),
        ],
        className="card",
    )


def exclusions(record: data.Record) -> list[Any]:
    """Exclusions in force, each with what it does to the SPF."""
    if not record.exclusions:
        return [html.P("No hours are excluded.")]
    account = record.standing.account if record.standing else None
    return [
        parts.table(
            text.exclusions_table(record.exclusions, account.spf if account else None, record.site),
            "Hours that both parties agree do not count",
            wide=True,
        )
    ]
