"""Callbacks and files of the pages of the whole fleet: fleet, agenda, side by side."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any, Final

from dash import Dash, Input, Output, State, ctx, set_props
from dash.exceptions import PreventUpdate
from flask import Flask, Response, request

from dashboard import fleet_data
from dashboard import format as fmt
from dashboard.access import guarded, require_user
from dashboard.components import shell
from dashboard.components.written import written
from dashboard.pages import agenda, compare, fleet
from dashboard.pages.agenda import AgendaQuery
from dashboard.pages.downloads import csv_response
from monitor.errors import DescriptionError
from monitor.store.connection import Store
from monitor.store.fleet import AGENDA

Clock = Callable[[], datetime]

#: Address, layout and title of each page but the fleet's own.
PAGES: Final = {
    "/agenda": (agenda.layout, "Agenda"),
    "/compare": (compare.layout, "Side by side"),
}


def install(server: Flask, store: Store, clock: Clock) -> None:
    """Add the files that these pages hand out."""

    def fleet_file() -> Response:
        user, form = require_user(), request.form
        query = fleet_data.asked(user, store, form.get("asked"), form.get("text"))
        frame = fleet_data.table(user, store, query, clock())
        return csv_response(frame, "fleet.csv")

    def agenda_file() -> Response:
        kind = AgendaQuery.parse(request.query_string.decode(errors="replace")).kind
        frame = fleet_data.agenda(require_user(), store, (kind,) if kind else AGENDA)
        return csv_response(frame, "agenda.csv")

    def compare_file() -> Response:
        search = request.query_string.decode(errors="replace")
        return csv_response(
            compare.download(require_user(), store, search, clock()), "side-by-side.csv"
        )

    server.add_url_rule("/fleet.csv", "fleet_file", fleet_file, methods=["POST"])
    server.add_url_rule("/agenda.csv", "agenda_file", agenda_file)
    server.add_url_rule("/compare.csv", "compare_file", compare_file)


def register(app: Dash, store: Store, clock: Clock) -> None:
    """Add the callbacks."""
    _follow_the_address(app, store, clock)
    _views(app, store, clock)

    @app.callback(
        Output(agenda.RESULTS, "children"),
        Input("url", "search"),
        Input(agenda.SEND, "n_clicks"),
        State(agenda.NOTE, "value"),
        *(State(where, "value") for where in agenda.TICKED.values()),
        State("url", "pathname"),
        prevent_initial_call=True,
    )
    @guarded
    def agenda_results(
        search: str | None,
        clicks: int | None,
        note: str | None,
        new: list[int] | None,
        silent: list[int] | None,
        pathname: str,
    ) -> Any:
        if pathname != "/agenda":
            raise PreventUpdate
        user, said = require_user(), ""
        if ctx.triggered_id == agenda.SEND:
            if not clicks:
                raise PreventUpdate
            said = take_note(store, [*(new or []), *(silent or [])], note or "", clock())
        return written(agenda.results(user, store, AgendaQuery.parse(search), clock(), said))


def take_note(store: Store, ticked: list[int], note: str, now: datetime) -> str:
    """Take note of what is ticked, and say what became of it."""
    if not ticked:
        return "Nothing is ticked: tick the findings that the note is about."
    if not note.strip():
        return "A note needs a few words: what was seen, decided or done."
    text = note.strip()[: agenda.MOST_NOTE]
    noted = fleet_data.take_note(require_user(), store, ticked, text, now)
    said = f"{fmt.plural(noted, 'finding')} noted."
    gone = len(ticked) - noted
    return f"{said} {fmt.number(gone)} no longer open." if gone else said


def _follow_the_address(app: Dash, store: Store, clock: Clock) -> None:
    # The first results come with the page: an initial call would wait for the search box.
    @app.callback(
        Output(fleet.RESULTS, "children"),
        Input("url", "search"),
        Input(shell.SEARCHED, "data"),
        State(fleet.SEARCH, "value"),
        State("url", "pathname"),
        prevent_initial_call=True,
    )
    @guarded
    def fleet_results(search: str | None, typed: object, box: str | None, pathname: str) -> Any:
        if pathname != "/":
            raise PreventUpdate
        user, now = require_user(), clock()
        query = fleet_data.asked(user, store, search, typed)
        if not _is_typed((box or "").strip(), query.text):
            # A link that searches fills the box as well.
            set_props(fleet.SEARCH, {"value": query.text})
        found = fleet_data.fleet(user, store, query, now)
        return written(fleet.results(user, store, found, now))

    @app.callback(
        Output(compare.RESULTS, "children"),
        Input("url", "search"),
        State("url", "pathname"),
        prevent_initial_call=True,
    )
    @guarded
    def compare_results(search: str | None, pathname: str) -> Any:
        if pathname != "/compare":
            raise PreventUpdate
        return written(compare.results(require_user(), store, search, clock()))

    @app.callback(
        Output("url", "search"),
        Output(shell.SEARCHED, "data"),
        Input(fleet.SEARCH, "value"),
        State("url", "search"),
        State(shell.SEARCHED, "data"),
        State("url", "pathname"),
        prevent_initial_call=True,
    )
    @guarded
    def search_typed(
        value: str | None, search: str | None, typed: object, pathname: str
    ) -> tuple[str, str]:
        query = fleet_data.asked(require_user(), store, search, typed)
        text = (value or "").strip()
        if pathname != "/" or text == query.text:
            raise PreventUpdate
        # The address says no more than that something is searched.
        return query.searching(text).search, text


def _is_typed(box: str, text: str) -> bool:
    """Whether the search box holds what the address asks for, or is being typed in."""
    return box == text or bool(box and text and (box.startswith(text) or text.startswith(box)))


def _views(app: Dash, store: Store, clock: Clock) -> None:
    @app.callback(
        Output(fleet.VIEWS, "children"),
        Input(fleet.VIEW_SAVE, "n_clicks"),
        Input(fleet.VIEW_DROP, "n_clicks"),
        State(fleet.VIEW_NAME, "value"),
        State(fleet.VIEW_DROPPED, "value"),
        State("url", "search"),
        State(shell.SEARCHED, "data"),
        prevent_initial_call=True,
    )
    @guarded
    def keep_views(
        saves: int | None,
        drops: int | None,
        name: str | None,
        dropped: list[int] | None,
        search: str | None,
        typed: object,
    ) -> Any:
        user = require_user()
        if ctx.triggered_id == fleet.VIEW_SAVE and saves:
            try:
                query = fleet_data.asked(user, store, search, typed)
                fleet_data.save(user, store, name or "", query, clock())
                said = "The view is saved. Its link can be passed on; it shows each their own."
            except DescriptionError as error:
                said = error.user_message
        elif ctx.triggered_id == fleet.VIEW_DROP and drops:
            fleet_data.forget(user, store, dropped or [])
            said = "Removed." if dropped else "Nothing is ticked: tick the views to remove."
        else:
            raise PreventUpdate
        return written(fleet.saved_views(fleet_data.saved(user, store), said))
