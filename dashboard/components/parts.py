"""Small parts: standings, tables, figures and lists of facts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from dashboard.components.aria import UNHEARD, aria
from dashboard.pages.site_figures import FigureBlock
from dashboard.theme import Look
from dashboard.view_models import Fact, How, Table


def badge(look: Look) -> html.Span:
    """A standing as shape and word."""
    return html.Span(
        [html.Span(look.shape, className="shape", **UNHEARD), look.word],
        className=f"badge {look.css}",
    )


def chosen(is_chosen: bool) -> list[html.Span]:  # noqa: FBT001 - the one thing that it says
    """What a screen reader is told of a link whose look says that it is chosen."""
    return [html.Span(" (chosen)", className="unseen")] if is_chosen else []


def how(asked: How | None) -> html.Details | None:
    """Answer to "How was this computed?", closed until somebody asks."""
    if asked is None:
        return None
    links: list[Any] = []
    for words, href in asked.down:
        links += [_way(words, href), " "]
    return html.Details(
        [
            html.Summary(["How was this computed?", html.Span(f" {asked.of}", className="unseen")]),
            html.Div(
                [html.P(line) for line in asked.lines]
                + ([html.P(links, className="down")] if links else []),
                className="computed-by",
            ),
        ],
        className="computed",
    )


def _way(words: str, href: str) -> Any:
    if href.startswith("/download/"):
        return html.A(words, href=href, download="")
    return dcc.Link(words, href=href)


def _element(kind: str, children: Any, **more: str) -> dict[str, Any]:
    """An element as the browser gets it: a page has thousands of cells, and components are slow."""
    props = {"children": children, **more}
    return {"namespace": "dash_html_components", "type": kind, "props": props}


def table(
    model: Table, caption: str, *, first: Sequence[Any] | None = None, wide: bool = False
) -> html.Div:
    """A table with caption and scoped heads; `first` may replace the text of column one."""
    numeric = [("num" if i in model.numeric else "") for i in range(len(model.head))]
    hows = model.hows or (None,) * len(model.rows)
    body: list[Any] = []
    for n, (row, asked) in enumerate(zip(model.rows, hows, strict=True)):
        head = first[n] if first is not None else row[0]
        cells = [_element("Th", head, scope="row", className=numeric[0])]
        cells += [
            _element("Td", cell, className=css)
            for cell, css in zip(row[1:], numeric[1:], strict=True)
        ]
        body.append(_element("Tr", cells, className="asked" if asked else ""))
        if asked is not None:
            # A row of its own: no column changes its width when the answer is opened.
            body.append(html.Tr(html.Td(how(asked), colSpan=len(model.head)), className="hows"))
    return html.Div(
        html.Table(
            [
                html.Caption(html.Span(caption)),
                html.Thead(
                    html.Tr(
                        [
                            html.Th(title, scope="col", className=css)
                            for title, css in zip(model.head, numeric, strict=True)
                        ]
                    )
                ),
                html.Tbody(body),
            ],
            className="wide" if wide else "",
        ),
        className="scroll",
        tabIndex=0,
        role="region",
        **aria(label=caption),
    )


def figure(block: FigureBlock, csv: str) -> html.Section:
    """A chart with its sentence, its data as a table and as a file."""
    title = html.H3(block.title)
    if block.figure is None:
        return html.Section([title, html.P(block.caption, className="absent")], className="card")
    more: list[Any] = [html.A("Download as CSV", href=csv, download="", className="quiet")]
    if block.table is not None:
        inside: list[Any] = [table(block.table, f"{block.title}: the data")]
        if block.note:
            inside.insert(0, html.P(block.note, className="note"))
        more.insert(0, html.Details([html.Summary("Show as table"), *inside]))
    return html.Section(
        [
            title,
            html.Figure(
                [
                    html.Div(
                        dcc.Graph(
                            figure=block.figure.plain(),
                            config={"displayModeBar": False, "responsive": True},
                            className="graph",
                        ),
                        role="img",
                        **aria(label=f"Chart: {block.title}. {block.caption}"),
                    ),
                    html.Figcaption(block.caption),
                ]
            ),
            how(block.how),
            html.Div(more, className="more"),
        ],
        className="card",
    )


def facts(told: Sequence[Fact], *, big: bool = False) -> html.Dl:
    """Name, value and perhaps a remark, as a description list."""
    return html.Dl(
        [
            html.Div(
                [html.Dt(fact.name), html.Dd(fact.value)]
                + ([html.Dd(fact.remark, className="remark")] if fact.remark else [])
                + ([html.Dd(how(fact.how), className="remark")] if fact.how else [])
            )
            for fact in told
        ],
        className="facts big" if big else "facts",
    )
