"""Commands about who may sign in, and what is held on a person."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from dashboard.cli_common import DEFAULT_STORE, AsJson, StorePath, show, table
from monitor.errors import DescriptionError
from monitor.metrics import periods
from monitor.store import bindings, invitations, personal, users
from monitor.store.connection import open_store
from monitor.store.invitations import USUAL_DAYS, Invitation
from monitor.store.users import User

users_app = typer.Typer(no_args_is_help=True, help="Say who may sign in.")

Name = Annotated[str, typer.Option(help="How the person is called on the pages.")]
Role = Annotated[str, typer.Option(help="'installer', 'warranty', 'homeowner' or 'administrator'.")]
Sites = Annotated[
    list[str] | None,
    typer.Option("--site", help="A homeowner's site, or one that the person is to see; again."),
]
Team = Annotated[
    str | None, typer.Option(help="Instead: the sites whose 'installer_team' is this.")
]


def register(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.add_typer(users_app, name="users")


def _password() -> str:
    if sys.stdin.isatty():
        typed: str = typer.prompt("Password", hide_input=True, confirmation_prompt=True)
        return typed
    return sys.stdin.readline().rstrip("\n")


@users_app.command("add")
def users_add(
    email: str,
    name: Name,
    role: Role,
    site: Sites = None,
    team: Team = None,
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
            team=team,
            now=periods.utc_now(),
        )
    show(as_json, _document(user), f"{user.email} may sign in as {user.role}.")


def _document(user: User) -> dict[str, object]:
    return {
        "number": user.user_id,
        "email": user.email,
        "name": user.name,
        "role": user.role,
        "sites": list(user.sites),
        "every_site": user.everywhere,
        "team": user.team,
        "locked": user.locked,
    }


@users_app.command("invite")
def users_invite(
    email: str,
    name: Annotated[
        str | None, typer.Option(help="How the person is called; not needed for an account.")
    ] = None,
    role: Annotated[
        str | None,
        typer.Option(help="As for 'users add'; not needed for an account that there is."),
    ] = None,
    site: Sites = None,
    team: Team = None,
    days: Annotated[int, typer.Option(help="How long the link is good.")] = USUAL_DAYS,
    address: Annotated[
        str, typer.Option(help="Address of the pages, as people reach it.")
    ] = "http://127.0.0.1:8050",
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Make a link by which a person chooses a password: a new one, or another one."""
    now = periods.utc_now()
    with open_store(store) as opened:
        known = [u for u in users.list_users(opened) if u.email == users.normal_email(email)]
        if known and name is role is team is None and not site:
            made, token = invitations.new_password(opened, known[0], days=days, now=now)
        elif name is None or role is None:
            message = f"There is no account for {email} yet: give --name and --role too."
            raise DescriptionError(message)
        else:
            made, token = invitations.invite(
                opened,
                email=email,
                name=name,
                role=role,
                sites=tuple(site or ()),
                team=team,
                days=days,
                now=now,
            )
    link = f"{address.rstrip('/')}/join/{token}"
    show(
        as_json,
        {**_link(made), "link": link},
        f"Give this link to {made.email} and to nobody else. It works once, until "
        f"{made.expires_at:%Y-%m-%d %H:%M} UTC, and is shown only now:\n{link}",
    )


def _link(made: Invitation) -> dict[str, object]:
    return {
        "invitation": made.number,
        "email": made.email,
        "role": made.role,
        "sees": made.scope.words,
        "new_account": made.user_id is None,
        "expires_at": made.expires_at,
    }


@users_app.command("invitations")
def users_invitations(
    withdraw: Annotated[
        int | None, typer.Option(metavar="NUMBER", help="Withdraw this one first.")
    ] = None,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """List the links that were not used yet."""
    with open_store(store) as opened:
        if withdraw is not None:
            invitations.withdraw(opened, withdraw)
        found = invitations.open_invitations(opened, periods.utc_now())
    rows = table(">number", "e-mail", "role", "sees", "good until (UTC)")
    for one in found:
        rows.add_row(
            str(one.number),
            one.email,
            one.role,
            one.scope.words,
            f"{one.expires_at:%Y-%m-%d %H:%M}",
        )
    show(as_json, [_link(one) for one in found], rows)


@users_app.command("list")
def users_list(store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """List who may sign in."""
    with open_store(store) as opened:
        found = users.list_users(opened)
    rows = table(">number", "e-mail", "name", "role", "sees", "state")
    for user in found:
        rows.add_row(
            str(user.user_id),
            user.email,
            user.name,
            user.role,
            user.scope.words,
            "locked" if user.locked else "open",
        )
    show(as_json, [_document(user) for user in found], rows)


@users_app.command("password")
def users_password(email: str, store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """Give a person another password and end all of their sessions."""
    password = _password()
    with open_store(store) as opened:
        user = users.set_password(opened, email, password)
    show(as_json, {"email": user.email}, f"{user.email} has a new password and is signed out.")


@users_app.command("lock")
def users_lock(email: str, store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """Shut an account; its sessions end at once."""
    with open_store(store) as opened:
        user = users.lock(opened, email, locked=True)
    show(as_json, _document(user), f"{user.email} is locked and signed out.")


@users_app.command("unbind")
def users_unbind(email: str, store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """Forget who somebody is at the provider that people sign in through."""
    with open_store(store) as opened:
        user = users.account(opened, email)
        bindings.unbind(opened, user)
    show(
        as_json,
        _document(user),
        f"{user.email} is signed out; the next sign-in through a provider finds the account by "
        "its e-mail.",
    )


@users_app.command("unlock")
def users_unlock(email: str, store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """Open an account that was locked."""
    with open_store(store) as opened:
        user = users.lock(opened, email, locked=False)
    show(as_json, _document(user), f"{user.email} may sign in again.")


@users_app.command("remove")
def users_remove(email: str, store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """Remove an account; its sessions end at once. 'erase' takes the person's traces too."""
    with open_store(store) as opened:
        users.remove_user(opened, email)
    show(as_json, {"removed": email}, f"{email} may no longer sign in.")


@users_app.command("export")
def users_export(
    email: str,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE.zip", help="Default: person-NUMBER.zip.")
    ] = None,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Write everything that is held on a person into a zip file."""
    with open_store(store) as opened:
        user = users.account(opened, email)
        target = out or Path(f"person-{user.user_id}.zip")
        try:
            # Made anew: no file that is there already is ever written over.
            with target.open("xb") as stream:
                counts = personal.export(opened, user, stream)
        except FileExistsError as error:
            message = f"{target} exists already and will not be overwritten. Name another."
            raise DescriptionError(message) from error
        except OSError as error:
            message = f"{target} cannot be written: {error.strerror or error}."
            raise DescriptionError(message) from error
    show(
        as_json,
        {"file": str(target), "person": user.user_id, "rows": counts},
        f"{target} holds {sum(counts.values()):,} rows of {len(counts)} tables about {user.email}.",
    )


@users_app.command("erase")
def users_erase(
    email: str,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask; it cannot be undone.")] = False,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Erase a person: the account, their name, and the name and place of their home."""
    if not yes:
        typed = (
            typer.prompt("Type the e-mail again to erase this person")
            if sys.stdin.isatty()
            else sys.stdin.readline()
        )
        if users.normal_email(typed) != users.normal_email(email):
            message = "Nothing was erased: the e-mail was not repeated. Give --yes, or type it."
            raise DescriptionError(message)
    with open_store(store) as opened:
        done = personal.erase(opened, users.account(opened, email))
    lines = [f"Person {done.user_id} is erased."]
    lines += [f"Site '{site}' has no name and no place any more." for site in done.sites]
    lines += ["What stays:" if done.kept else "Nothing of theirs stays but rows of the log."]
    lines += [f"  {sentence}" for sentence in done.kept]
    show(
        as_json,
        {"person": done.user_id, "sites": list(done.sites), "kept": list(done.kept)},
        "\n".join(lines),
    )
