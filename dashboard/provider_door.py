"""The two addresses of signing in through a provider: the way there, and the way back.

The way there is a link, not a form: browsers hold what a form leads on to against the page's
`form-action`, and where a provider leads on to is its own business. Being sent there proves
nothing and changes nothing; what counts comes back with the state that this very session made up.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final
from urllib.parse import quote

from flask import Flask, abort, redirect, request, session
from werkzeug.wrappers import Response

from dashboard import auth
from dashboard.provider import BACK, Client, Fault, ProviderError
from dashboard.rules import start
from monitor.store import bindings
from monitor.store.bindings import NotLetInError, Why
from monitor.store.connection import Store

#: How long somebody may take at the provider.
PATIENCE: Final = timedelta(minutes=10)

_KEPT: Final = "provider"
_STALE: Final = (
    "The answer of {name} was out of date, so nobody was signed in. Please try again; your "
    "browser must accept this site's cookie."
)
SENTENCES: Final[dict[Fault | Why, str]] = {
    Fault.UNREACHABLE: "{name} cannot be reached at the moment. Please try again later, or sign in "
    "with your password.",
    Fault.STALE: _STALE,
    Why.MEANWHILE: _STALE,
    Fault.REFUSED: "{name} did not sign you in. Please try again, or sign in with your password.",
    Fault.UNPROVEN: "The answer of {name} could not be trusted, so nobody was signed in. Please "
    "tell whoever let you in, and sign in with your password until then.",
    Why.UNVERIFIED: "{name} does not say that your e-mail address is really yours. Confirm it "
    "there first, or sign in with your password.",
    Why.UNKNOWN: "Nobody here has the e-mail address that {name} gives. Use another account there, "
    "or ask whoever let you in.",
    Why.ANOTHER: "Your e-mail address belonged to another account of {name} before, so nobody was "
    "signed in. Please ask whoever let you in to look into it.",
    Why.LOCKED: "This account is locked. Please ask whoever let you in.",
}


def install(
    server: Flask, store: Store, client: Client | None, clock: Callable[[], datetime]
) -> None:
    """Add the addresses; without a client nothing is there."""
    begin, back = (_nothing, _nothing) if client is None else _ways(server, store, client, clock)
    server.add_url_rule("/login/provider", "provider", begin)
    server.add_url_rule(BACK, "provider_back", back)


def _nothing() -> Response:
    abort(404)


def _ways(
    server: Flask, store: Store, client: Client, clock: Callable[[], datetime]
) -> tuple[Callable[[], Response], Callable[[], Response]]:
    doorman = auth.doorman_of(server)

    def counted() -> str:
        # Apart from tries with a password, which must stay open while a provider is down.
        return f"provider {auth.address_key(request.remote_addr)}"

    def sorry(sentence: str, wanted: str) -> Response:
        session["said"] = sentence.format(name=client.provider.name)
        return redirect(f"/login?next={quote(wanted, safe='/')}" if wanted else "/login", code=303)

    def failed(why: Fault, wanted: str) -> Response:
        bindings.refused(store, why.value)
        return sorry(SENTENCES[why], wanted)

    def begin() -> Response:
        user = auth.current_user()
        if user is not None:
            return redirect(start(user), code=303)
        wanted = request.args.get("next", "")[:300]
        if not doorman.attempts.admit((counted(),)):
            return sorry(auth.TOO_MANY, wanted)
        try:
            begun = client.begin()
        except ProviderError as error:
            return failed(error.fault, wanted)
        doorman.attempts.succeeded("", counted())
        session[_KEPT] = {
            "state": begun.state,
            "nonce": begun.nonce,
            "verifier": begun.verifier,
            "at": clock().timestamp(),
            "next": wanted,
        }
        return redirect(begun.url, code=303)

    def back() -> Response:
        user = auth.current_user()
        if user is not None:
            return redirect(start(user), code=303)
        # Whatever comes of it, it is good for one answer.
        kept = session.pop(_KEPT, None)
        if kept is None:
            # Not counted: any page elsewhere can have a browser ask for this address.
            return sorry(_STALE, "")
        wanted = kept["next"]
        if not doorman.attempts.admit((counted(),)):
            return sorry(auth.TOO_MANY, wanted)
        in_time = clock().timestamp() - kept["at"] <= PATIENCE.total_seconds()
        if not in_time or not auth.same(kept["state"], request.args.get("state")):
            return failed(Fault.STALE, wanted)
        try:
            code = client.code(request.args)
            person = client.finish(code, nonce=kept["nonce"], verifier=kept["verifier"])
            user = bindings.sign_in(store, person, clock())
        except ProviderError as error:
            return failed(error.fault, wanted)
        except NotLetInError as error:
            return sorry(SENTENCES[error.why], wanted)
        doorman.attempts.succeeded("", counted())
        return auth.enter(user, wanted)

    return begin, back
