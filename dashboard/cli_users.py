"""Commands about who may sign in."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from dashboard.cli_common import DEFAULT_STORE, AsJson, StorePath, show, table
from monitor.metrics import periods
from monitor.store import users
from monitor.store.connection import open_store

user_app = typer.Typer(no_args_is_help=True, help="Say who may sign in.")


def register(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.add_typer(user_app, name="user")


def _password() -> str:
    if sys.stdin.isatty():
        typed: str = typer.prompt("Password", hide_input=True, confirmation_prompt=True)
        return typed
    return sys.stdin.readline().rstrip("\n")


@user_app.command("add")
def user_add(
    email: str,
    name: Annotated[str, typer.Option(help="How the person is called on the pages.")],
    role: Annotated[str, typer.Option(help="'installer' or 'homeowner'.")],
    site: Annotated[list[str] | None, typer.Option(help="A homeowner's site.")] = None,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Let a person sign in; the password is asked for, or read from standard input."""
    password = _password()
    with open_store(store) as opened:
        user = users.add_user(
            opened,
            email=email,
            name=name,
            role=role,
            password=password,
            sites=tuple(site or ()),
            now=periods.utc_now(),
        )
    show(
        as_json,
        {"email": user.email, "role": user.role, "sites": list(user.sites)},
        f"{user.email} may sign in as {user.role}.",
    )


@user_app.command("list")
def user_list(store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """List who may sign in."""
    with open_store(store) as opened:
        found = users.list_users(opened)
    rows = table("e-mail", "name", "role", "sites")
    for user in found:
        rows.add_row(user.email, user.name, user.role, ", ".join(user.sites))
    show(
        as_json,
        [{"email": u.email, "name": u.name, "role": u.role, "sites": list(u.sites)} for u in found],
        rows,
    )


@user_app.command("password")
def user_password(email: str, store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """Give a person another password and end all of their sessions."""
    password = _password()
    with open_store(store) as opened:
        user = users.set_password(opened, email, password)
    show(as_json, {"email": user.email}, f"{user.email} has a new password and is signed out.")


@user_app.command("remove")
def user_remove(email: str, store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """Remove a person; their sessions end at once."""
    with open_store(store) as opened:
        users.remove_user(opened, email)
    show(as_json, {"removed": email}, f"{email} may no longer sign in.")
