"""Signing in and out: a plain form, a signed cookie, and a limit on guesses."""

from __future__ import annotations

import secrets
from collections import deque
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from ipaddress import IPv6Address, ip_address, ip_network
from threading import Lock
from time import monotonic

from flask import (
    Flask,
    Response,
    current_app,
    g,
    make_response,
    redirect,
    render_template,
    request,
    session,
)
from werkzeug.wrappers import Response as AnyResponse

from dashboard.rules import reaches, sayable, start
from monitor.store import audit, users
from monitor.store.connection import Store
from monitor.store.users import User

#: How long a session lives after signing in.
LIFETIME = timedelta(hours=12)

#: Failures within the window after which an e-mail or address has to wait.
MOST_FAILURES = 10
WINDOW = timedelta(minutes=15)

TOO_MANY = "Too many attempts. Please wait a quarter of an hour and try again."


def same(kept: object, given: str | None) -> bool:
    """Whether a token that came in is the one that was handed out."""
    if not isinstance(kept, str) or not given:
        return False
    return secrets.compare_digest(kept.encode(), given.encode(errors="replace"))


def address_key(address: str | None) -> str:
    """Under what tries from an address are counted: a whole network of IPv6, as one line has."""
    try:
        known = ip_address(address or "")
    except ValueError:
        return f"address {address}"
    if isinstance(known, IPv6Address):
        known = known.ipv4_mapped or known
    if isinstance(known, IPv6Address):
        return f"address {ip_network((known, 64), strict=False)}"
    return f"address {known}"


class Attempts:
    """Tries to sign in of late that did not succeed, by e-mail and by address; in memory."""

    #: Keys kept at most; beyond, the stalest go first.
    most_keys = 10_000

    def __init__(self) -> None:
        self._failures: dict[str, deque[float]] = {}
        self._lock = Lock()

    def admit(self, keys: Iterable[str], now: float | None = None) -> bool:
        """Count a try for each key, unless one has too many already.

        Counted before the password is looked at, so that tries side by side gain nothing.
        """
        moment = monotonic() if now is None else now
        keys = tuple(keys)
        with self._lock:
            if any(len(self._recent(key, moment)) >= MOST_FAILURES for key in keys):
                return False
            for key in keys:
                recent = self._recent(key, moment)
                recent.append(moment)
                self._failures.pop(key, None)
                self._failures[key] = recent
            while len(self._failures) > self.most_keys:
                self._failures.pop(next(iter(self._failures)))
        return True

    def succeeded(self, who: str, where: str) -> None:
        """Forget the failures of an e-mail, and take the last try off an address."""
        with self._lock:
            self._failures.pop(who, None)
            if self._failures.get(where):
                self._failures[where].pop()

    def _recent(self, key: str, moment: float) -> deque[float]:
        recent = self._failures.get(key, deque(maxlen=MOST_FAILURES))
        while recent and recent[0] < moment - WINDOW.total_seconds():
            recent.popleft()
        return recent


class Doorman:
    """Holds what signing in needs: the store, the failures and the ended sessions."""

    def __init__(self, store: Store, provider: str | None) -> None:
        self.store = store
        #: What the sign-in page calls the provider that people may sign in through.
        self.provider = provider
        self.attempts = Attempts()
        self.ended = users.ended_sessions(store, datetime.now(UTC), lifetime=LIFETIME)

    def end(self, session_id: str) -> None:
        """End a session for good, whoever still holds its cookie."""
        self.ended.add(session_id)
        users.end_session(self.store, session_id, datetime.now(UTC), lifetime=LIFETIME)
        audit.record(self.store, "signed out")


def doorman_of(server: Flask) -> Doorman:
    """What `install` has put at the door of an application."""
    found = server.extensions["doorman"]
    assert isinstance(found, Doorman)  # noqa: S101 - `install` put it there
    return found


def _doorman() -> Doorman:
    return doorman_of(current_app)


def current_user() -> User | None:
    """The person whose valid session this request carries, or None."""
    if "user" not in g:
        g.user = _from_session()
    user: User | None = g.user
    return user


def _from_session() -> User | None:
    number, key, session_id = session.get("user"), session.get("key"), session.get("id")
    if not isinstance(number, int) or not isinstance(key, str) or not isinstance(session_id, str):
        return None
    doorman = _doorman()
    if session_id in doorman.ended:
        return None
    user = users.load_user(doorman.store, number)
    if user is None or user.locked or not same(user.session_key, key):
        return None
    return user


def install(
    server: Flask, store: Store, *, secure_cookies: bool, provider: str | None = None
) -> None:
    """Add the form, the way out and the settings of the session cookie.

    Parameters
    ----------
    provider
        What the page calls the provider that people may sign in through as well.
    """
    server.secret_key = users.secret_key(store)
    server.extensions["doorman"] = Doorman(store, provider)
    server.config.update(
        # A browser takes a cookie of this prefix from a page over TLS of this very host only.
        SESSION_COOKIE_NAME="__Host-pledgewatt" if secure_cookies else "pledgewatt_session",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_COOKIE_SECURE=secure_cookies,
        SESSION_REFRESH_EACH_REQUEST=False,
        PERMANENT_SESSION_LIFETIME=LIFETIME,
        MAX_CONTENT_LENGTH=256 * 1024,
    )
    server.add_url_rule("/login", "login", _login, methods=["GET", "POST"])
    server.add_url_rule("/logout", "logout", _logout, methods=["POST"])

    @server.after_request
    def hand_out_token(response: Response) -> Response:
        # Dash reads this cookie and sends it back as a header with each callback.
        if current_user() is not None and request.cookies.get("_csrf_token") != session["csrf"]:
            response.set_cookie(
                "_csrf_token", session["csrf"], samesite="Lax", secure=secure_cookies
            )
        return response


def _login() -> AnyResponse:
    if request.method == "GET":
        user = current_user()
        if user is not None:
            return redirect(start(user), code=303)
        return _form(str(session.pop("said", "")), 200)
    email = request.form.get("email", "")[:254]
    if not same(session.get("csrf"), request.form.get("csrf")):
        return _form(
            "The form was out of date, so nothing was sent on. Please sign in again; your browser "
            "must accept this site's cookie.",
            400,
        )
    doorman = _doorman()
    who, where = f"e-mail {users.normal_email(email)}", address_key(request.remote_addr)
    if not doorman.attempts.admit((who, where)):
        return _form(TOO_MANY, 429)
    user = users.verify(doorman.store, email, request.form.get("password", ""))
    if user is None:
        return _form(
            "This e-mail and password do not belong together, or the account is locked. Please "
            "try again, or ask who let you in.",
            401,
        )
    doorman.attempts.succeeded(who, where)
    return enter(user, request.form.get("next", ""))


def enter(user: User, wanted: str) -> AnyResponse:
    """Begin the session of somebody who has shown who they are, and lead on to what they want."""
    session.clear()
    session.permanent = True
    session.update(
        user=user.user_id,
        key=user.session_key,
        id=secrets.token_urlsafe(18),
        csrf=secrets.token_urlsafe(24),
    )
    g.user = user
    wanted = sayable(wanted)
    back = wanted if wanted and reaches(user, wanted.partition("?")[0]) else start(user)
    return redirect(back, code=303)


def _form(problem: str, status: int) -> Response:
    if current_user() is None:
        session.setdefault("csrf", secrets.token_urlsafe(24))
    page = render_template(
        "login.html",
        csrf=session["csrf"],
        problem=problem,
        email=request.form.get("email", "")[:254],
        wanted=sayable(request.values.get("next", "")),
        provider=_doorman().provider,
    )
    response = make_response(page, status)
    response.headers["Cache-Control"] = "no-store"
    return response


def _logout() -> AnyResponse:
    _doorman().end(str(session.get("id")))
    session.clear()
    g.user = None
    response = redirect("/login", code=303)
    response.delete_cookie("_csrf_token")
    return response
