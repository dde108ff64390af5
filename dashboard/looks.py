"""Remembers during a request what personal data it shows, and logs it before the answer goes."""

from __future__ import annotations

from flask import g, has_request_context, request

from dashboard.rules import CALLBACK
from monitor.store import audit
from monitor.store.connection import Store


def looked(site_id: str | None = None, *, person: int | None = None) -> None:
    """Say that a request shows a site, a person, or (with neither) names of many.

    Outside of a request nobody looks.
    """
    if has_request_context() and "looks" in g:
        g.looks.add((site_id, person))


def keep(store: Store, *, ok: bool) -> None:
    """Log what the request has shown, each site or person once; nothing where it failed."""
    shown = g.pop("looks", set())
    if ok and shown:
        detail = "" if request.url_rule is None else request.url_rule.rule.lower()
        if request.path == CALLBACK:
            detail = "page"
        looks = [
            audit.Look("looked" if site_id or person else "looked at many", site_id, person, detail)
            for site_id, person in sorted(shown, key=str)
        ]
        audit.record_all(store, looks)
    elif request.method == "POST":
        audit.seal(store)
