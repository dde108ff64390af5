"""The installer's page for an export of an unknown kind: look, correct, confirm."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any, Final

import polars as pl
from dash import ALL, Dash, Input, Output, State, dcc, html
from dash.exceptions import PreventUpdate

from dashboard import format as fmt
from dashboard import importing, theme
from dashboard.access import guarded, require_user
from dashboard.components import parts
from dashboard.components.aria import aria
from dashboard.components.written import written
from dashboard.pages import import_site
from dashboard.pages.import_site import SITE as SITE
from dashboard.proposal_text import how_sure, kind_of, reasons_of, verdict
from dashboard.uploads import MOST_BYTES, Upload, UploadError, Uploads
from dashboard.view_models import Table
from ingest.inbox import ImportReport
from ingest.propose import ColumnProposal, Preview, Proposal, profile_to_toml
from monitor.errors import PledgewattError
from monitor.models import Kind, Role
from monitor.store.connection import Store
from monitor.store.users import User

UPLOAD: Final = "import-file"
TOKEN: Final = "import-token"  # noqa: S105 - the id of a part of the page
LOOK: Final = "import-look"
AGAIN: Final = "import-again"
CONFIRM: Final = "import-confirm"
REPORT: Final = "import-report"
#: Fields of the whole file, in the order of the page; they come with the form.
WHOLE: Final = ("zone", "time_format", "name")
#: Fields of one column of the file, told apart by its row.
FIELDS: Final = ("role", "kind", "unit")

_MOST_DAYS: Final = 62


def _field(key: str, row: Any) -> dict[str, Any]:
    return {"type": f"import-{key}", "row": row}


def layout(user: User, store: Store, now: datetime) -> html.Div:
    """The page before a file was chosen."""
    found, count = importing.find(user, store, "", now)
    page: list[Any] = [
        html.P([dcc.Link("← Fleet", href="/")], className="crumb"),
        html.H1("Import a file", tabIndex=-1),
        html.P(
            "Choose a site and an export of its meters. What the file holds is told from the file "
            "itself; you see what an import would bring, and nothing is imported before you "
            "confirm it.",
            className="judgement",
        ),
    ]
    if not found:
        page.append(html.P("There is no site yet. Describe one with 'pledgewatt site add'."))
        return html.Div(page, className="page")
    page += [
        html.Section(
            [
                *import_site.choice(found, count),
                html.H2("The file"),
                dcc.Upload(
                    html.Button("Choose a file …", type="button"),
                    id=UPLOAD,
                    max_size=MOST_BYTES,
                    multiple=False,
                ),
                html.P(
                    f"At most {MOST_BYTES >> 20} MiB. Larger files: 'pledgewatt import'.",
                    className="note",
                ),
            ],
            className="card import-file",
        ),
        dcc.Store(id=TOKEN),
        html.Div(id=LOOK, **aria(live="polite")),
        html.Div(_buttons(shown=False), id="import-buttons"),
        html.Div(id=REPORT, **aria(live="polite")),
    ]
    return html.Div(page, className="page")


def _buttons(*, shown: bool) -> list[Any]:
    """The buttons; they are always on the page, so that callbacks find them."""
    return [
        html.Button("Look again", id=AGAIN, type="button", className="plain", hidden=not shown),
        html.Button("Confirm and import", id=CONFIRM, type="button", hidden=not shown),
    ]


def problem(sentence: str) -> html.P:
    """A sentence on what went wrong."""
    return html.P(sentence, className="problem", role="alert")


def looked(upload: Upload, seen: Preview | None, why_not: str) -> list[Any]:
    """What was told of a file, the fields to correct it, and what an import would bring."""
    proposal = upload.proposal
    if proposal is None:
        return []
    words = importing.in_their_words(verdict(proposal), upload)
    out: list[Any] = [html.H2("What the file is"), html.P(words, className="judgement")]
    if proposal.format is None:
        return out
    for title, lines in (
        ("Questions", [one.text for one in proposal.questions]),
        ("Doubts", list(proposal.doubts)),
    ):
        out += _sentences(title, [importing.in_their_words(line, upload) for line in lines])
    out.append(_form(upload, proposal))
    out.append(
        html.Details(
            [html.Summary("How was this told?"), parts.table(_facts(proposal), "Of the file")],
            className="how",
        )
    )
    if why_not:
        out.append(problem(importing.in_their_words(why_not, upload)))
    if seen is not None:
        out += _preview(upload, seen)
    if proposal.profile is not None:
        out.append(
            html.Details(
                [
                    html.Summary("The profile as a file"),
                    html.Pre(profile_to_toml(proposal.profile)),
                ],
                className="how",
            )
        )
    return [html.Section(out, className="card")]


def _sentences(title: str, lines: Sequence[str]) -> list[Any]:
    if not lines:
        return []
    return [html.H3(title), html.Ul([html.Li(line) for line in lines])]


def _facts(proposal: Proposal) -> Table:
    rows = tuple(
        (
            fact.name,
            fact.guess.value or fmt.NOTHING,
            how_sure(fact.guess),
            " ".join(fact.guess.reasons),
        )
        for fact in proposal.facts
    )
    return Table(("What", "Is", "How sure", "Because"), rows)


def _form(upload: Upload, proposal: Proposal) -> html.Div:
    now = importing.form_values(upload)
    asked = {one.key: one.options for one in proposal.questions}
    whole = [
        ("zone", "Zone of the times", now["zone"], asked.get("zone", ())),
        ("time_format", "How times are written", now["time_format"], asked.get("time_format", ())),
        ("name", "Name of the profile", now["name"], ()),
    ]
    fields = [
        html.Div(
            [
                html.Label(
                    [
                        title,
                        dcc.Input(
                            id=_field("whole", name),
                            type="text",
                            value=value,
                            maxLength=80,
                            autoComplete="off",
                        ),
                    ]
                ),
                html.Span(f"For instance {' or '.join(options)}", className="remark")
                if options
                else None,
            ],
            className="field",
        )
        for name, title, value, options in whole
    ]
    head = ("Column of the file", "Role", "Kind", "Unit", "How sure", "Because")
    body = [_column_row(row, one) for row, one in enumerate(proposal.columns)]
    return html.Div(
        [
            html.Div(fields, className="import-fields"),
            html.Div(
                html.Table(
                    [
                        html.Caption("What each column means; correct it here, then look again"),
                        html.Thead(html.Tr([html.Th(one, scope="col") for one in head])),
                        html.Tbody(body),
                    ],
                    className="wide import-columns",
                ),
                className="scroll",
                tabIndex=0,
                role="region",
                **aria(label="What each column means"),
            ),
        ]
    )


def _column_row(row: int, one: ColumnProposal) -> html.Tr:
    def choice(key: str, options: Sequence[str], value: str | None) -> html.Td:
        chosen = dcc.Dropdown(
            id=_field(key, row),
            options=[{"label": name, "value": name} for name in options],
            value=value,
            clearable=False,
            searchable=False,
            className="choice",
        )
        return html.Td(html.Div(chosen, role="group", **aria(label=f"{key} of {one.column}")))

    return html.Tr(
        [
            html.Th(one.column, scope="row"),
            choice("role", ["none", *Role], one.role.value or "none"),
            choice("kind", list(Kind), one.kind.value),
            html.Td(
                html.Label(
                    [
                        html.Span(f"unit of {one.column}", className="unseen"),
                        dcc.Input(
                            id=_field("unit", row),
                            type="text",
                            value=one.unit.value or "",
                            maxLength=20,
                            autoComplete="off",
                            className="short",
                        ),
                    ]
                )
            ),
            html.Td(how_sure(one.confidence) if one.used else "left out"),
            html.Td(
                f"{reasons_of(one)} {kind_of(one).capitalize()}." if one.used else reasons_of(one)
            ),
        ]
    )


def _preview(upload: Upload, seen: Preview) -> list[Any]:
    report = importing.in_their_words(seen.report.sentence, upload)
    out: list[Any] = [html.H2("What an import would bring"), html.P(report)]
    notes = [importing.in_their_words(note, upload) for note in seen.report.notes]
    out += _sentences("Notes", notes)
    if seen.first:
        lines = tuple((str(number), text) for number, text in seen.first)
        out.append(parts.table(Table(("Line", "As it stands there"), lines), "First lines"))
    if seen.read.height:
        out.append(parts.table(_read_table(seen.read), "First readings as they are taken (UTC)"))
    for title, frame in (
        ("Refused, by reason", seen.refused),
        ("Set aside by the account, by reason", seen.suspects),
    ):
        if frame.height:
            out.append(parts.table(_reasons_table(frame), title))
    if not seen.refused.height:
        out.append(html.P("No reading would be refused."))
    if seen.days.height:
        out.append(_energy(seen))
    return out


def _read_table(frame: pl.DataFrame) -> Table:
    rows = tuple(
        (f"{row[0]:%Y-%m-%d %H:%M:%S}", *(fmt.number(value, 3) for value in row[1:]))
        for row in frame.iter_rows()
    )
    head = ("Time", *frame.columns[1:])
    return Table(head, rows, frozenset(range(1, len(head))))


def _reasons_table(frame: pl.DataFrame) -> Table:
    rows = tuple(
        (
            fmt.number(row["count"]),
            row["column"] or "",
            row["reason"],
            "" if row["line"] is None else f"line {row['line']}",
            row["raw"] or "",
        )
        for row in frame.head(20).iter_rows(named=True)
    )
    return Table(("Readings", "Column", "Why", "First at", "What stands there"), rows)


def _energy(seen: Preview) -> html.Figure:
    """Energy by day as a chart, and the same as a table."""
    fig = theme.figure(x_title="", y_title="kWh a day")
    roles = seen.days["role"].unique().sort().to_list()
    for role in roles:
        own = seen.days.filter(pl.col("role") == role)
        colour = theme.HEAT if role.startswith("heat_") else theme.ELECTRICITY
        fig.add(
            "scatter",
            x=own["day"].to_list(),
            y=own.select(pl.when(pl.col("measured_h") > 0).then("kwh").alias("shown"))[
                "shown"
            ].to_list(),
            mode="lines+markers",
            line={"color": colour, "dash": "solid" if role.endswith("total") else "dot"},
            connectgaps=False,
            name=role,
            hovertemplate=f"{role}<br>%{{x|%-d %b %Y}}: %{{y:.1f}} kWh<extra></extra>",
        )
    fig.set(showlegend=True, legend={"orientation": "h", "y": 1.12})
    totals = [
        f"{role} {fmt.energy(float(seen.days.filter(pl.col('role') == role)['kwh'].sum()))}"
        for role in roles
    ]
    bridged = sum(seen.bridged_kwh.values())
    caption = f"Energy of measured hours by local day: {fmt.listing(totals)}."
    if bridged > 0:
        caption += f" A further {fmt.energy(bridged)} lies in gaps: known in sum, not by hour."
    return html.Figure(
        [
            html.Div(
                dcc.Graph(
                    figure=fig.plain(),
                    config={"displayModeBar": False, "responsive": True},
                    className="graph",
                ),
                role="img",
                **aria(label=f"Chart: energy by day. {caption}"),
            ),
            html.Figcaption(caption),
            html.Details(
                [
                    html.Summary("Show as table"),
                    parts.table(_days_table(seen.days), "Energy by day"),
                ]
            ),
        ]
    )


def _days_table(days: pl.DataFrame) -> Table:
    rows = tuple(
        (
            f"{row['day']:%Y-%m-%d}",
            row["role"],
            fmt.number(row["kwh"], 2),
            fmt.number(row["measured_h"]),
            fmt.number(row["bridged_h"]),
            fmt.number(row["missing_h"]),
        )
        for row in days.tail(_MOST_DAYS * days["role"].n_unique()).iter_rows(named=True)
    )
    head = ("Day", "Stream", "kWh", "Hours measured", "Bridged", "Missing")
    return Table(head, rows, frozenset({2, 3, 4, 5}))


def reported(report: ImportReport, upload: Upload) -> list[Any]:
    """What an import brought, with the accounting identity and the way to the site."""
    words = importing.in_their_words(report.sentence, upload)
    notes = [importing.in_their_words(note, upload) for note in report.notes]
    return [
        html.Section(
            [
                html.H2("Imported"),
                html.P(words, className="judgement"),
                *_sentences("Notes", notes),
                html.P(dcc.Link("See the site", href=f"/site/{report.site_id}")),
            ],
            className="card",
        )
    ]


def register(app: Dash, store: Store, clock: Callable[[], datetime], uploads: Uploads) -> None:
    """Add the callbacks of the page."""

    @app.callback(
        Output(LOOK, "children"),
        Output(TOKEN, "data"),
        Output("import-buttons", "children"),
        Output(REPORT, "children"),
        Input(UPLOAD, "contents"),
        State(UPLOAD, "filename"),
        State(SITE, "value"),
        prevent_initial_call=True,
    )
    @guarded
    def arrived(contents: str | None, filename: str | None, site_id: str | None) -> Any:
        if contents is None:
            raise PreventUpdate
        user = require_user()
        if site_id is None:
            return problem("Choose the site first, then the file again."), None, _hidden(), []
        site = importing.site_of(user, store, site_id)
        try:
            upload = uploads.keep(user.user_id, filename, contents)
        except UploadError as error:
            return problem(error.user_message), None, _hidden(), []
        seen, why_not = importing.look(upload, site, now=clock())
        return written(looked(upload, seen, why_not)), upload.token, _buttons(shown=True), []

    form = [
        State(TOKEN, "data"),
        State(SITE, "value"),
        # Found by pattern: before a file was looked at, none of them is on the page.
        *(State(_field(key, ALL), "value") for key in ("whole", *FIELDS)),
    ]

    @app.callback(
        Output(LOOK, "children", allow_duplicate=True),
        Input(AGAIN, "n_clicks"),
        *form,
        prevent_initial_call=True,
    )
    @guarded
    def again(clicks: int | None, token: object, site_id: str | None, *given: Any) -> Any:
        if not clicks:
            raise PreventUpdate
        user = require_user()
        try:
            upload = uploads.find(user.user_id, token)
            site = importing.site_of(user, store, site_id)
            _corrected(upload, given)
            seen, why_not = importing.look(upload, site, now=clock())
        except UploadError as error:
            return problem(error.user_message)
        return written(looked(upload, seen, why_not))

    @app.callback(
        Output(REPORT, "children", allow_duplicate=True),
        Output("import-buttons", "children", allow_duplicate=True),
        Input(CONFIRM, "n_clicks"),
        *form,
        prevent_initial_call=True,
    )
    @guarded
    def confirmed(clicks: int | None, token: object, site_id: str | None, *given: Any) -> Any:
        if not clicks:
            raise PreventUpdate
        user = require_user()
        try:
            upload = uploads.find(user.user_id, token)
            if _corrected(upload, given):
                message = "You have changed the form since you looked. Look again first."
                return problem(message), _buttons(shown=True)
            report = importing.confirm(user, store, upload, site_id, now=clock())
        except PledgewattError as error:
            return problem(error.user_message), _buttons(shown=True)
        uploads.drop(upload.token)
        return written(reported(report, upload)), _hidden()


def _hidden() -> list[Any]:
    return _buttons(shown=False)


def _corrected(upload: Upload, given: Sequence[Any]) -> bool:
    """Take over what the form holds; say whether it differs from the proposal."""
    whole, *fields = given
    columns: dict[str, object] = {}
    names = [one.column for one in upload.proposal.columns] if upload.proposal else []
    for key, values in zip(FIELDS, fields, strict=True):
        for column, value in zip(names, values or (), strict=False):
            columns[f"{column}.{key}"] = value
    return importing.correct(upload, dict(zip(WHOLE, whole, strict=True)), columns)
