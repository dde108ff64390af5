"""The page behind an invitation's link: the invited person chooses a password.

The link's token leaves the address at once: it moves into the session, so that neither the
history of a browser nor a page that follows can give it away.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from datetime import datetime

from flask import Flask, make_response, redirect, render_template, request, session
from werkzeug.wrappers import Response

from dashboard import auth, headers
from monitor.store import invitations
from monitor.store.connection import Store
from monitor.store.invitations import LinkError
from monitor.store.users import LEAST_PASSWORD, MOST_PASSWORD, AccountError


def install(server: Flask, store: Store, clock: Callable[[], datetime]) -> None:
    """Add the addresses of an invitation."""

    def arrive(token: str) -> Response:
        session.clear()
        session["invitation"] = token
        session["csrf"] = secrets.token_urlsafe(24)
        return redirect("/join", code=303)

    def join() -> Response:
        token = str(session.get("invitation", ""))
        try:
            invitation = invitations.find(store, token, clock())
        except LinkError as error:
            return _nothing(error)
        if request.method == "GET":
            return _form(invitation.name, invitation.email, "", 200)
        if not auth.same(session.get("csrf"), request.form.get("csrf")):
            return _form(invitation.name, invitation.email, "The form was out of date.", 400)
        password = request.form.get("password", "")
        if password != request.form.get("again", ""):
            problem = "The two passwords differ. Please type the same one twice."
            return _form(invitation.name, invitation.email, problem, 400)
        try:
            invitations.accept(store, token, password, clock())
        except AccountError as error:
            return _form(invitation.name, invitation.email, error.user_message, 400)
        except LinkError as error:
            return _nothing(error)
        session.clear()
        return redirect("/login", code=303)

    server.add_url_rule("/join/<token>", "arrive", arrive)
    server.add_url_rule("/join", "join", join, methods=["GET", "POST"])


def _form(name: str, email: str, problem: str, status: int) -> Response:
    page = render_template(
        "join.html",
        csrf=session.get("csrf", ""),
        name=name,
        email=email,
        problem=problem,
        least=LEAST_PASSWORD,
        most=MOST_PASSWORD,
    )
    return make_response(page, status, {headers.PLAIN: "yes"})


def _nothing(error: LinkError) -> Response:
    page = render_template(
        "message.html", title="This link leads nowhere", sentence=error.user_message
    )
    return make_response(page, 404, {headers.PLAIN: "yes"})
