"""Headers that every answer carries: what a browser may load, and what it may keep."""

from __future__ import annotations

from collections.abc import Sequence

from flask import Flask, Response, request

#: Mark on an answer that runs no script; it never leaves the server.
PLAIN = "X-Plain-Page"

#: For pages that the server writes itself: no script at all.
PLAIN_POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self' data:; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)


def app_policy(script_hashes: Sequence[str]) -> str:
    """Policy of the pages that run scripts.

    Charts set style attributes, so styles may be inline; scripts may not, except the
    one that starts the page, by its hash.
    """
    scripts = " ".join(["'self'", *script_hashes])
    return (
        f"default-src 'self'; script-src {scripts}; style-src 'self' 'unsafe-inline'; "
        "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self'; "
        "object-src 'none'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    )


def install(server: Flask, policies: dict[str, str], *, only_tls: bool = False) -> None:
    """Add the headers to every answer.

    Parameters
    ----------
    policies
        `app` holds the policy of pages with scripts; it may be filled in later.
    only_tls
        Browsers shall come over TLS only, for a year from each answer on.
    """

    @server.after_request
    def add(response: Response) -> Response:
        plain = response.headers.pop(PLAIN, None) is not None
        scripted = not plain and request.endpoint not in {"login", "logout"}
        if only_tls:
            response.headers["Strict-Transport-Security"] = "max-age=31536000"
        policy = policies.get("app", PLAIN_POLICY) if scripted else PLAIN_POLICY
        response.headers["Content-Security-Policy"] = policy
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = "same-origin"
        response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        response.headers["X-Frame-Options"] = "DENY"
        static = request.path.startswith(("/assets/", "/_dash-component-suites/"))
        if not static:
            response.headers["Cache-Control"] = "no-store"
        return response
