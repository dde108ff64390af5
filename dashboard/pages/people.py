"""Pages about people: who may sign in, who is invited, and who looked at or changed what.

Written by the server itself, without scripts, as the homeowner's page is: what a form of
theirs changes is the most that anybody can change here.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import datetime

from flask import Flask, make_response, redirect, render_template, request, session
from werkzeug.wrappers import Response

from dashboard import accounts, headers
from dashboard.access import require_user
from dashboard.looks import looked
from monitor.errors import NotFoundError
from monitor.store import audit, personal, users
from monitor.store.connection import Store
from monitor.store.invitations import Invitation
from monitor.store.users import AccountError, User

_ROLES = {
    "homeowner": "Homeowner: the own home",
    "installer": "Installer: sites and imports",
    "warranty": "Warranty: sites and claims",
    "administrator": "Administrator: accounts and the log",
}


def install(server: Flask, store: Store, clock: Callable[[], datetime]) -> None:
    """Add the addresses; who may reach them stands in `dashboard.rules`."""

    def page() -> Response:
        return _people(require_user(), store, clock())

    def invite() -> Response:
        user, form = require_user(), request.form
        role = form.get("role", "homeowner") if user.role == "administrator" else "homeowner"
        try:
            made, token = accounts.invite(
                user,
                store,
                email=form.get("email", "")[:254],
                name=form.get("name", "")[:121],
                role=role,
                sites=form.get("sites", "")[:2000].replace(",", " ").split(),
                team=form.get("team", "").strip()[:120] or None,
                now=clock(),
            )
        except (AccountError, NotFoundError) as error:
            return _people(user, store, clock(), problem=error.user_message, status=400)
        return _people(user, store, clock(), made=(made, _link(token)))

    def withdraw(number: str) -> Response:
        accounts.withdraw(require_user(), store, int(number), clock())
        return redirect("/people", code=303)

    def password(user_id: str) -> Response:
        user = require_user()
        made, token = accounts.new_password(user, store, int(user_id), clock())
        return _people(user, store, clock(), made=(made, _link(token)))

    def changed(change: Callable[[User], object]) -> Response:
        user = require_user()
        try:
            change(user)
        except AccountError as error:
            return _people(user, store, clock(), problem=error.user_message, status=400)
        return redirect("/people", code=303)

    def lock(user_id: str) -> Response:
        return changed(lambda user: accounts.lock(user, store, int(user_id), locked=True))

    def unlock(user_id: str) -> Response:
        return changed(lambda user: accounts.lock(user, store, int(user_id), locked=False))

    def unbind(user_id: str) -> Response:
        return changed(lambda user: accounts.unbind(user, store, int(user_id)))

    def erase(user_id: str) -> Response:
        typed = request.form.get("email", "")[:254]
        return changed(lambda user: accounts.erase(user, store, int(user_id), typed))

    def own_data() -> Response:
        return _zip(store, require_user())

    def log() -> Response:
        before = request.args.get("before", "")
        number = int(before) if before.isdecimal() and len(before) < 16 else None
        return _log(require_user(), store, number, None)

    def verify() -> Response:
        user = require_user()
        return _log(user, store, None, accounts.verify(user, store))

    for path, view, method in (
        ("/people", page, "GET"),
        ("/people/invite", invite, "POST"),
        ("/people/withdraw/<number>", withdraw, "POST"),
        ("/people/<user_id>/password", password, "POST"),
        ("/people/<user_id>/lock", lock, "POST"),
        ("/people/<user_id>/unlock", unlock, "POST"),
        ("/people/<user_id>/unbind", unbind, "POST"),
        ("/people/<user_id>/erase", erase, "POST"),
        ("/own-data.zip", own_data, "GET"),
        ("/audit", log, "GET"),
        ("/audit/verify", verify, "POST"),
    ):
        server.add_url_rule(path, f"people_{view.__name__}", view, methods=[method])


def _link(token: str) -> str:
    return f"{request.host_url}join/{token}"


def _people(
    user: User,
    store: Store,
    now: datetime,
    *,
    problem: str = "",
    made: tuple[Invitation, str] | None = None,
    status: int = 200,
) -> Response:
    page = render_template(
        "people.html",
        user=user,
        people=accounts.overview(user, store, now),
        roles=_ROLES if user.role == "administrator" else {"homeowner": _ROLES["homeowner"]},
        problem=problem,
        made=made,
        form=request.form if problem else {},
        csrf=session["csrf"],
    )
    return make_response(page, status, {headers.PLAIN: "yes"})


def _log(user: User, store: Store, before: int | None, check: audit.Check | None) -> Response:
    entries = accounts.log(user, store, before)
    page = render_template(
        "audit.html",
        user=user,
        entries=entries,
        emails={one.user_id: one.email for one in users.list_users(store)},
        older=entries[-1].number if len(entries) == accounts.ROWS else None,
        check=check,
        csrf=session["csrf"],
    )
    return make_response(page, 200, {headers.PLAIN: "yes"})


def _zip(store: Store, user: User) -> Response:
    looked(person=user.user_id)
    target = io.BytesIO()
    personal.export(store, user, target)
    return make_response(
        target.getvalue(),
        200,
        {
            "Content-Type": "application/zip",
            "Content-Disposition": f'attachment; filename="person-{user.user_id}.zip"',
            headers.PLAIN: "yes",
        },
    )
