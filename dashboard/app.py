"""Builds the web application: routes, callbacks and what stands in front of them."""

from __future__ import annotations

import logging
import re
from collections.abc import Callable
from datetime import datetime
from importlib.resources import files
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, no_update, set_props
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate
from flask import Flask, Response, abort, make_response, render_template, request, session
from werkzeug.exceptions import HTTPException
from werkzeug.middleware.proxy_fix import ProxyFix

from dashboard import access, auth, data, desk_acts, headers, joining, provider_door
from dashboard.access import guarded, require_user
from dashboard.components import shell
from dashboard.components.written import written
from dashboard.pages import (
    claim,
    claim_of_site,
    desk,
    downloads,
    finding,
    fleet,
    fleet_pages,
    home,
    import_page,
    import_site,
    people,
    site,
    sources,
    told,
)
from dashboard.provider import Client, Provider
from dashboard.rules import reaches
from dashboard.telling.described import Telling
from dashboard.uploads import Uploads
from monitor.errors import NotFoundError
from monitor.metrics.periods import utc_now
from monitor.store.connection import Store
from monitor.store.users import User

log = logging.getLogger(__name__)

Clock = Callable[[], datetime]

_CLAIM_PATH = re.compile(r"/claim/(\d{1,9})")
_FINDING_PATH = re.compile(r"/site/([a-z0-9][a-z0-9-]{0,63})/finding/(\d{1,9})")
_SITE_PATH = re.compile(r"/site/([a-z0-9][a-z0-9-]{0,63})")


def create_app(
    store: Store,
    *,
    secure_cookies: bool = False,
    proxies: int = 0,
    provider: Provider | None = None,
    telling: Telling | None = None,
    clock: Clock = utc_now,
) -> Dash:
    """Build the application on an open store.

    Parameters
    ----------
    secure_cookies
        Set where the pages are served over TLS: cookies then never travel without it, and
        browsers are told to come no other way.
    proxies
        Proxies in front, each of which says for whom it asks; what they say is believed of
        so many and no more.
    provider
        The provider that people may sign in through as well.
    telling
        How people are told of findings, where they are.
    clock
        The present, in UTC.

    Raises
    ------
    PledgewattError
        The secret of the provider is not set.
    """
    client = None if provider is None else Client(provider)
    server = Flask("dashboard", static_folder=None)
    policies: dict[str, str] = {}
    if proxies:
        trusted = ProxyFix(server.wsgi_app, x_for=proxies, x_proto=proxies, x_host=0)
        server.wsgi_app = trusted  # type: ignore[method-assign]
    headers.install(server, policies, only_tls=secure_cookies)
    auth.install(
        server,
        store,
        secure_cookies=secure_cookies,
        provider=None if provider is None else provider.name,
    )
    provider_door.install(server, store, client, clock)
    access.install(server, store)
    joining.install(server, store, clock)
    people.install(server, store, clock)
    told.install(server, store, clock, telling)
    fleet_pages.install(server, store, clock)
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
    fleet_pages.register(app, store, clock)
    import_site.register(app, store, clock)
    import_page.register(app, store, clock, Uploads())
    claim.register(app, store, clock)
    claim_of_site.register(app, store, clock)
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

    def raise_claim() -> Response:
        user = require_user()
        home.raise_claim(user, store, request.form.get("words", ""), clock())
        return make_response("", 303, {"Location": "/home#claim"})

    def take_up(site_id: str) -> Response:
        number = desk_acts.take_up(require_user(), store, site_id, clock())
        return make_response("", 303, {"Location": f"/claim/{number}"})

    def download(site_id: str, what: str) -> Response:
        frame = site.download(
            require_user(), store, site_id, what, request.args.get("period"), clock()
        )
        return downloads.csv_response(frame, f"{site_id}-{what}.csv")

    def evidence_file(site_id: str, number: int, nth: int) -> Response:
        frame = finding.download(require_user(), store, site_id, number, nth, clock())
        return downloads.csv_response(frame, f"{site_id}-finding-{number}-{nth}.csv")

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
    server.add_url_rule("/home/claim", "claim_raised", raise_claim, methods=["POST"])
    server.add_url_rule("/site/<site_id>/home", "site_home", home_page)
    server.add_url_rule("/site/<site_id>/settle", "taken_up", take_up, methods=["POST"])
    server.add_url_rule("/download/<site_id>/<what>.csv", "download", download)
    server.add_url_rule(
        "/download/<site_id>/evidence-<int:number>-<int:nth>.csv", "evidence", evidence_file
    )
    server.register_error_handler(404, not_found)
    server.register_error_handler(NotFoundError, gone)

    @server.before_request
    def known_site() -> None:
        match = _SITE_PATH.fullmatch(request.path) or _FINDING_PATH.fullmatch(request.path)
        if match:
            data.must_exist(require_user(), store, match[1])


def _callbacks(app: Dash, store: Store, clock: Clock) -> None:
    @app.callback(
        Output("page", "children"),
        Output("title", "data"),
        Output("notice", "children"),
        Input("url", "pathname"),
        State("url", "search"),
        State(shell.SEARCHED, "data"),
    )
    @guarded
    def route(pathname: str, search: str | None, typed: object) -> tuple[object, str, str]:
        user = require_user()
        if not reaches(user, pathname):
            abort(404)
        page, title = _page(user, store, clock(), pathname or "", search, typed)
        return written(page), f"{title} – pledgewatt", ""

    @app.callback(
        Output(finding.HISTORY, "children"),
        Output(finding.NOTE, "value"),
        Input(finding.SEND, "n_clicks"),
        State(finding.NOTE, "value"),
        State("url", "pathname"),
        prevent_initial_call=True,
    )
    @guarded
    def take_note(clicks: int, text: str | None, pathname: str) -> tuple[list[object], str]:
        one = _FINDING_PATH.fullmatch(pathname or "")
        if one is None or not clicks or not (text or "").strip():
            raise PreventUpdate
        said = finding.take_note(require_user(), store, one[1], int(one[2]), text or "", clock())
        return said, ""

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


def _page(
    user: User, store: Store, now: datetime, pathname: str, search: str | None, typed: object
) -> tuple[Component, str]:
    """The page of an address, and its title."""
    if pathname == "/":
        return fleet.layout(user, store, search, now, typed), "Fleet"
    if pathname in fleet_pages.PAGES:
        of_fleet, title = fleet_pages.PAGES[pathname]
        return of_fleet(user, store, search, now), title
    if pathname == "/import":
        return import_page.layout(user, store, now), "Import"
    if pathname == "/sources":
        return sources.layout(user, store, now), "Sources"
    if pathname == "/desk":
        return desk.layout(user, store, search, now), "Warranty desk"
    if own := _CLAIM_PATH.fullmatch(pathname):
        seen_by = claim if user.role == "warranty" else claim_of_site
        return seen_by.layout(user, store, int(own[1]), now), f"Claim {own[1]}"
    if one := _FINDING_PATH.fullmatch(pathname):
        return finding.layout(user, store, one[1], int(one[2]), now), f"Finding {one[2]}"
    match = _SITE_PATH.fullmatch(pathname)
    if match is None:
        abort(404)
    page = site.layout(user, store, match[1], search, now)
    return page, data.record(user, store, match[1], now).site.name
