"""Puts the rules of `dashboard.rules` in front of every request and callback, and logs looks.

Whoever is not allowed gets the answer that they would get if there were nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Final, ParamSpec, TypeVar
from urllib.parse import quote

from flask import (
    Flask,
    Response,
    abort,
    g,
    has_request_context,
    jsonify,
    make_response,
    redirect,
    request,
    session,
)

from dashboard import looks
from dashboard.auth import current_user, same
from dashboard.rules import CALLBACK, CALLBACKS, Verdict, decide, sayable, site_in, start
from dashboard.uploads import MOST_REQUEST
from monitor.errors import NotFoundError
from monitor.store import audit
from monitor.store.connection import Store
from monitor.store.users import User

P = ParamSpec("P")
R = TypeVar("R")

#: Forms that answer a token of another session themselves, with the form anew.
_OWN_ANSWER: Final = frozenset({"/login", "/join"})


def csrf_matches(given: str | None) -> bool:
    """Whether a token is the one of this session."""
    return same(session.get("csrf"), given)


def form_token() -> str:
    """The token that a form of this session carries; nothing outside of a request."""
    return session.get("csrf", "") if has_request_context() else ""


def install(server: Flask, store: Store) -> None:
    """Put the rules in front of every request, and log who looked at what."""

    @server.before_request
    def gate() -> Response | tuple[Response, int] | None:
        user = current_user()
        g.looks = set()
        g.acting = audit.acting(*(("visitor", None) if user is None else ("person", user.user_id)))
        g.acting.__enter__()
        verdict = decide(user, request.method, request.path)
        if verdict is Verdict.ALLOW:
            return _checked_token()
        if verdict is Verdict.UNAUTHENTICATED:
            return jsonify(error="Sign in first."), 401
        if verdict is Verdict.SIGN_IN:
            wanted = sayable(request.full_path) if request.method == "GET" else ""
            known = wanted not in {"", "/"}
            return _to(f"/login?next={quote(wanted, safe='/')}" if known else "/login")
        if verdict is Verdict.NOT_FOUND or user is None:
            site = site_in(request.path)
            if site is not None:
                audit.record(store, "refused", site=site)
            abort(404)
        return _to(start(user))

    @server.after_request
    def keep_looks(response: Response) -> Response:
        # Before the answer leaves: what cannot be logged is not shown.
        looks.keep(store, ok=response.status_code < 400)
        return response

    @server.teardown_request
    def done(_: BaseException | None) -> None:
        acting = g.pop("acting", None)
        if acting is not None:
            acting.__exit__(None, None, None)


def _checked_token() -> Response | tuple[Response, int] | None:
    """Refuse what would change something and does not come from a page of this session."""
    if request.path == CALLBACK:
        if not csrf_matches(request.headers.get("X-CSRFToken")):
            return jsonify(error="The page is out of date; load it again."), 403
        # Only who imports files sends anything large: a file travels in a callback.
        user = current_user()
        if user is not None and user.role == "installer":
            request.max_content_length = MOST_REQUEST
    elif (
        request.method == "POST"
        and request.path not in _OWN_ANSWER
        and not csrf_matches(request.form.get("csrf"))
    ):
        return make_response("The form was out of date; go back and load the page again.", 400)
    return None


def _to(path: str) -> Response:
    answer = redirect(path, code=303)
    assert isinstance(answer, Response)  # noqa: S101 - werkzeug's type is wider than Flask's
    return answer


def guarded(function: Callable[P, R]) -> Callable[P, R]:
    """Let a callback run for those whom its line in `CALLBACKS` names; for others it is not there.

    Callbacks all arrive at one address, so each one asks again who is asking.

    Raises
    ------
    LookupError
        The callback has no line, so that nobody could ever run it.
    """
    name = f"{function.__module__.rpartition('.')[2]}.{function.__name__}"
    if name not in CALLBACKS:
        message = f"callback '{name}' has no line in CALLBACKS of dashboard/rules.py"
        raise LookupError(message)

    @wraps(function)
    def inner(*args: P.args, **kwargs: P.kwargs) -> R:
        user = current_user()
        if user is None or user.role not in CALLBACKS[name]:
            abort(404)
        try:
            return function(*args, **kwargs)
        except NotFoundError:
            abort(404)

    inner.__dict__["rule"] = name
    return inner


def require_user() -> User:
    """The person who is signed in; for functions behind the gate.

    Raises
    ------
    werkzeug.exceptions.NotFound
        Nobody is.
    """
    user = current_user()
    if user is None:
        abort(404)
    return user
