"""Builds the web application: routes, callbacks and what stands in front of them."""

from __future__ import annotations

import logging
import re
from collections.abc import Callable
from datetime import datetime
from importlib.resources import files
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, no_update, set_props
from dash.exceptions import PreventUpdate
from flask import Flask, Response, abort, make_response, render_template, request, session
from werkzeug.exceptions import HTTPException

from dashboard import access, auth, data, headers
from dashboard.access import guarded, require_user
from dashboard.components import shell
from dashboard.pages import downloads, fleet, home, import_page, site, sources
from dashboard.uploads import Uploads
from dashboard.view_models import FleetQuery
from monitor.errors import NotFoundError
from monitor.metrics.periods import utc_now
from monitor.store.connection import Store

log = logging.getLogger(__name__)

Clock = Callable[[], datetime]

_SITE_PATH = re.compile(r"/site/([a-z0-9][a-z0-9-]{0,63})")


def create_app(store: Store, *, secure_cookies: bool = False, clock: Clock = utc_now) -> Dash:
    """Build the application on an open store.

    Parameters
    ----------
    secure_cookies
        Set where the pages are served over TLS: cookies then never travel without it.
    clock
        The present, in UTC.
    """
    server = Flask("dashboard", static_folder=None)
    policies: dict[str, str] = {}
    headers.install(server, policies)
    auth.install(server, store, secure_cookies=secure_cookies)
    access.install(server)
    _routes(server, store, clock)
    app = Dash(
        "dashboard",
        server=server,  # type: ignore[arg-type]
        assets_folder=str(files("dashboard") / "assets"),
        title="pledgewatt",
        update_title="",
        index_string=shell.INDEX,
        serve_locally=True,
        suppress_callback_exceptions=True,
        enable_mcp=False,
        on_error=_polite,
    )
    # Evaluated for each request; says nothing to anybody who is not signed in.
    app.layout = shell.layout
    _callbacks(app, store, clock)
    import_page.register(app, store, clock, Uploads())
    policies["app"] = headers.app_policy(app.csp_hashes())
    return app


def _polite(error: Exception) -> Any:
    """Say that a part of the page failed, and keep the details for the log."""
    if isinstance(error, HTTPException):
        raise error
    log.exception("A part of a page failed", exc_info=error)
    set_props(
        "notice",
        {
            "children": "What was asked for could not be computed. Nothing is lost; the log of the "
            "server says why."
        },
    )
    return no_update


def _routes(server: Flask, store: Store, clock: Clock) -> None:
    def health() -> Response:
        return make_response("ok", 200, {"Content-Type": "text/plain"})

    def home_page(site_id: str | None = None) -> Response:
        user = require_user()
        wanted = site_id if site_id is not None else next(iter(user.sites), "")
        page = render_template(
            "home.html",
            home=home.home_view(user, store, wanted, clock()),
            user=user,
            site_id=wanted,
            csrf=session["csrf"],
        )
        return make_response(page, 200, {headers.PLAIN: "yes"})

    def download(site_id: str, what: str) -> Response:
        frame = site.download(
            require_user(), store, site_id, what, request.args.get("period"), clock()
        )
        return downloads.csv_response(frame, f"{site_id}-{what}.csv")

    def not_found(error: HTTPException) -> Response:  # noqa: ARG001 - Flask passes it
        if request.path.startswith("/_"):
            return make_response({"error": "There is nothing here."}, 404)
        page = render_template(
            "message.html",
            title="There is nothing here",
            sentence="This address leads nowhere, or to something that is not yours to see.",
        )
        return make_response(page, 404, {headers.PLAIN: "yes"})

    def gone(error: NotFoundError) -> Response:  # noqa: ARG001 - Flask passes it
        return not_found(HTTPException())

    server.add_url_rule("/health", "health", health)
    server.add_url_rule("/home", "home", home_page)
    server.add_url_rule("/site/<site_id>/home", "site_home", home_page)
    server.add_url_rule("/download/<site_id>/<what>.csv", "download", download)
    server.register_error_handler(404, not_found)
    server.register_error_handler(NotFoundError, gone)

    @server.before_request
    def known_site() -> None:
        match = _SITE_PATH.fullmatch(request.path)
        if match:
            data.site_name(require_user(), store, match[1])


def _callbacks(app: Dash, store: Store, clock: Clock) -> None:
    @app.callback(
        Output("page", "children"),
        Output("title", "data"),
        Output("notice", "children"),
        Input("url", "pathname"),
        State("url", "search"),
    )
    @guarded
    def route(pathname: str, search: str | None) -> tuple[object, str, str]:
        user = require_user()
        if pathname == "/":
            return fleet.layout(user, store, search, clock()), "Fleet – pledgewatt", ""
        if pathname == "/import":
            return import_page.layout(user, store), "Import – pledgewatt", ""
        if pathname == "/sources":
            return sources.layout(user, store, clock()), "Sources – pledgewatt", ""
        match = _SITE_PATH.fullmatch(pathname or "")
        if match is None:
            abort(404)
        name = data.site_name(user, store, match[1])
        page = site.layout(user, store, match[1], search, clock())
        return page, f"{name} – pledgewatt", ""

    # The first results come with the page: an initial call would wait for the search box.
    @app.callback(
        Output(fleet.RESULTS, "children"),
        Input("url", "search"),
        State("url", "pathname"),
        prevent_initial_call=True,
    )
    @guarded
    def fleet_results(search: str | None, pathname: str) -> list[object]:
        if pathname != "/":
            raise PreventUpdate
        return fleet.results(data.fleet(require_user(), store), search, clock())

    @app.callback(
        Output("url", "search"),
        Input(fleet.SEARCH, "value"),
        State("url", "search"),
        State("url", "pathname"),
        prevent_initial_call=True,
    )
    @guarded
    def search_to_address(value: str | None, search: str | None, pathname: str) -> str:
        query = FleetQuery.parse(search)
        text = (value or "").strip()
        if pathname != "/" or text == query.text:
            raise PreventUpdate
        return query.searching(text).search

    @app.callback(
        Output(site.CLOSER, "children"),
        Input("url", "search"),
        State("url", "pathname"),
        prevent_initial_call=True,
    )
    @guarded
    def closer(search: str | None, pathname: str) -> list[object]:
        match = _SITE_PATH.fullmatch(pathname or "")
        if match is None:
            raise PreventUpdate
        record = data.record(require_user(), store, match[1], clock())
        return site.closer(record, search)

    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction(namespace="pledgewatt", function_name="arrive"),
        Output("announcer", "children"),
        Input("title", "data"),
    )
