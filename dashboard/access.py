"""Who may reach what: everything is refused that no line here allows.

The rules are plain functions of a person, a method and a path, so that tests can walk
every route; `install` puts them in front of the whole server.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from enum import Enum
from functools import wraps
from typing import ParamSpec, TypeVar
from urllib.parse import quote

from flask import Flask, Response, abort, jsonify, redirect, request, session

from dashboard.auth import current_user, same
from dashboard.uploads import MOST_REQUEST
from monitor.errors import NotFoundError
from monitor.store.users import User

P = ParamSpec("P")
R = TypeVar("R")

#: What anybody may read: nothing here says anything about a site.
PUBLIC = frozenset({"/login", "/health", "/assets/pledgewatt.css", "/assets/favicon.svg"})

_SITE = r"[a-z0-9][a-z0-9-]{0,63}"

#: What an installer may read; whether the site exists is asked where it is loaded.
_INSTALLER_READS = re.compile(
    rf"/|/import|/sources|/site/{_SITE}|/site/{_SITE}/home|/download/{_SITE}/[a-z]+\.csv"
    r"|/assets/[A-Za-z0-9_.-]+|/_dash-layout|/_dash-dependencies|/_favicon\.ico"
    r"|/_dash-component-suites/[A-Za-z0-9_./@-]+"
)

CALLBACK = "/_dash-update-component"


class Verdict(Enum):
    """What happens to a request before any page sees it."""

    ALLOW = "allow"
    SIGN_IN = "sign in"
    UNAUTHENTICATED = "401"
    NOT_FOUND = "404"
    OWN_HOME = "to the own home"


def decide(user: User | None, method: str, path: str) -> Verdict:
    """Say whether a person may make a request.

    A homeowner reaches `/home` and nothing else: what they may not see does not exist.
    """
    reading = method in {"GET", "HEAD"}
    if path in PUBLIC and (reading or path == "/login"):
        return Verdict.ALLOW
    if user is None:
        if path.startswith("/_"):
            return Verdict.UNAUTHENTICATED
        return Verdict.SIGN_IN
    if path == "/logout" and method == "POST":
        return Verdict.ALLOW
    if user.role == "homeowner":
        if reading and path == "/home":
            return Verdict.ALLOW
        return Verdict.OWN_HOME if reading and path == "/" else Verdict.NOT_FOUND
    if reading and _INSTALLER_READS.fullmatch(path):
        return Verdict.ALLOW
    if method == "POST" and path == CALLBACK:
        return Verdict.ALLOW
    return Verdict.NOT_FOUND


def csrf_matches(given: str | None) -> bool:
    """Whether a token is the one of this session."""
    return same(session.get("csrf"), given)


def install(server: Flask) -> None:
    """Put the rules in front of every request."""

    @server.before_request
    def gate() -> Response | tuple[Response, int] | None:
        verdict = decide(current_user(), request.method, request.path)
        if verdict is Verdict.ALLOW:
            if request.path == CALLBACK and not csrf_matches(request.headers.get("X-CSRFToken")):
                return jsonify(error="The page is out of date; load it again."), 403
            if request.path == CALLBACK:
                # Only installers come so far; a file of theirs travels in a callback.
                request.max_content_length = MOST_REQUEST
            return None
        if verdict is Verdict.UNAUTHENTICATED:
            return jsonify(error="Sign in first."), 401
        if verdict is Verdict.SIGN_IN:
            wanted = request.full_path.rstrip("?") if request.method == "GET" else "/"
            return _to(f"/login?next={_quoted(wanted)}" if wanted != "/" else "/login")
        if verdict is Verdict.NOT_FOUND:
            abort(404)
        return _to("/home")


def _to(path: str) -> Response:
    answer = redirect(path, code=303)
    assert isinstance(answer, Response)  # noqa: S101 - werkzeug's type is wider than Flask's
    return answer


def _quoted(path: str) -> str:
    return quote(path, safe="/")


def guarded(function: Callable[P, R]) -> Callable[P, R]:
    """Let a callback run for installers only; what is not theirs to see is not there.

    Callbacks all arrive at one address, so each one asks again who is asking.
    """

    @wraps(function)
    def inner(*args: P.args, **kwargs: P.kwargs) -> R:
        user = current_user()
        if user is None or user.role != "installer":
            abort(404)
        try:
            return function(*args, **kwargs)
        except NotFoundError:
            abort(404)

    inner.__dict__["is_guarded"] = True
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
