"""Commands about the log of who looked at or changed what."""

from __future__ import annotations

import re
from typing import Annotated

import typer

from dashboard.cli_common import DEFAULT_STORE, AsJson, MaybeSite, StorePath, plain, show, table
from monitor.errors import DescriptionError
from monitor.store import audit, users
from monitor.store.audit import Entry
from monitor.store.connection import open_store

audit_app = typer.Typer(no_args_is_help=True, help="Who looked at or changed what.")

#: Exit code of a log that is not whole.
BROKEN = 6

_NOTED = re.compile(r"([1-9]\d{0,17}):([0-9a-f]{64})")


def register(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.add_typer(audit_app, name="audit")


@audit_app.command("list")
def audit_list(
    site: MaybeSite = None,
    person: Annotated[
        str | None, typer.Option(help="Only this account: its number or e-mail.")
    ] = None,
    last: Annotated[int, typer.Option(min=1, help="How many rows, the newest first.")] = 100,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """List rows of the log, the newest first."""
    with open_store(store) as opened:
        number = None
        if person is not None:
            # An account that was erased has its number alone.
            known = person.isdecimal()
            number = int(person) if known else users.account(opened, person).user_id
        found = audit.entries(opened, site=site, person=number, most=last)
    rows = table(">number", "time (UTC)", "who", "what", "site", "about", "detail")
    for entry in found:
        rows.add_row(
            str(entry.number),
            f"{entry.at:%Y-%m-%d %H:%M:%S}",
            _person(entry.actor.person) or entry.actor.kind,
            entry.action,
            entry.site or "",
            _person(entry.person),
            entry.detail,
        )
    show(as_json, [_document(entry) for entry in found], rows)


def _person(number: int | None) -> str:
    return "" if number is None else f"person {number}"


def _document(entry: Entry) -> dict[str, object]:
    return {
        "number": entry.number,
        "at": plain(entry.at),
        "by": entry.actor.kind,
        "by_person": entry.actor.person,
        "action": entry.action,
        "site": entry.site,
        "person": entry.person,
        "detail": entry.detail,
        "previous": entry.previous,
        "hash": entry.hash,
    }


@audit_app.command("verify")
def audit_verify(
    expect: Annotated[
        str | None,
        typer.Option(metavar="NUMBER:HASH", help="What an earlier check said, noted elsewhere."),
    ] = None,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Find every row of the log that was altered, removed or put in."""
    noted = None
    if expect is not None:
        match = _NOTED.fullmatch(expect.strip())
        if match is None:
            message = (
                f"'{expect}' is not what a check says: a number, a colon and 64 hexadecimal digits."
            )
            raise DescriptionError(message)
        noted = (int(match[1]), match[2])
    with open_store(store) as opened:
        check = audit.verify(opened, noted)
    whole = not check.problems
    head = f"{check.rows}:{check.head}"
    show(
        as_json,
        {"whole": whole, "rows": check.rows, "head": head, "problems": list(check.problems)},
        "\n".join(
            [
                f"The log is whole: {check.rows:,} rows." if whole else "The log is not whole.",
                *check.problems,
                f"Note this outside of the store, for '--expect' of a later check: {head}",
            ]
        ),
    )
    if not whole:
        raise typer.Exit(BROKEN)
