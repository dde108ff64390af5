"""Commands about telling people of findings."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from dashboard import format as say
from dashboard.cli_common import DEFAULT_STORE, AsJson, StorePath, err, plain, show, table
from dashboard.serve import refresh_all
from dashboard.telling import words
from dashboard.telling.described import NOTHING, telling_from_toml
from dashboard.telling.teller import Teller
from dashboard.telling.wants import NONE, TOPICS, change_wish, wants_of
from monitor.errors import DescriptionError
from monitor.metrics import periods
from monitor.store import told
from monitor.store.connection import open_store
from monitor.store.told import Mailed, Wish
from monitor.store.users import account, list_users

telling_app = typer.Typer(no_args_is_help=True, help="Tell people of findings, each once.")

_OPTION = typer.Option(
    "--telling", metavar="TELLING.toml", envvar="PLEDGEWATT_TELLING", help="How people are told."
)
TellingPath = Annotated[Path, _OPTION]
MaybeTelling = Annotated[Path | None, _OPTION]
DEFAULT_TELLING = Path("telling.toml")
MaybePerson = Annotated[str | None, typer.Option("--to", metavar="EMAIL", help="Only this person.")]


def register(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.add_typer(telling_app, name="telling")


@telling_app.command("preview")
def telling_preview(
    telling: TellingPath = DEFAULT_TELLING,
    to: MaybePerson = None,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Show what each person would be told now; nothing is sent."""
    described = telling_from_toml(telling)
    with open_store(store) as opened:
        refresh_all(opened, periods.utc_now())
        made = Teller(opened, described).letters(only=to)
    documents = [
        {
            "to": one.digest.user.email,
            "way": one.wants.way,
            "subject": words.subject(one.digest),
            "text": words.text(one.digest),
        }
        for one in made
    ]
    shown = [
        f"To {d['to']} by {d['way']}\nSubject: {d['subject']}\n\n{d['text']}" for d in documents
    ]
    show(as_json, documents, "\n".join(shown) or "There is nothing new to tell.")


@telling_app.command("send")
def telling_send(
    telling: TellingPath = DEFAULT_TELLING,
    to: MaybePerson = None,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Bring the figures up to date and tell everybody what is new, whatever the time."""
    described = telling_from_toml(telling)
    with open_store(store) as opened:
        refresh_all(opened, periods.utc_now())
        outcomes = Teller(opened, described).tell(only=to, due=False)
    done = [o for o in outcomes if o.problem is None]
    failed = [o for o in outcomes if o.problem is not None]
    lines = [
        f"{o.email} was told by {o.way} of {say.plural(o.opened, 'open finding')} and "
        f"{o.cleared:,} cleared."
        for o in done
    ]
    show(
        as_json,
        [asdict(outcome) for outcome in outcomes],
        "\n".join(lines) or "Nobody was told." if outcomes else "There is nothing new to tell.",
    )
    for outcome in failed:
        err.print(
            f"{outcome.email} was not told. {outcome.problem}",
            highlight=False,
            markup=False,
            soft_wrap=True,
        )
    if failed:
        raise typer.Exit(2)


@telling_app.command("list")
def telling_list(
    telling: MaybeTelling = None, store: StorePath = DEFAULT_STORE, as_json: AsJson = False
) -> None:
    """List how each person is told, when they last were, and what went wrong since."""
    described = telling_from_toml(telling) if telling is not None else None
    now = periods.utc_now()
    with open_store(store) as opened:
        users, wishes, mailed = list_users(opened), told.wishes(opened), told.mailed(opened)
    rows = table(
        "e-mail", "role", "by", "topics", "at once", "last told", ">failures", "last error"
    )
    documents = []
    for user in users:
        wants = wants_of(user, wishes.get(user.user_id), described)
        record = mailed.get(user.user_id, Mailed())
        told_topics, at_once = _topics(wants.least), _topics(min(wants.least, wants.at_once))
        rows.add_row(
            user.email,
            user.role,
            wants.way,
            say.NOTHING if wants.way == NONE else ", ".join(told_topics),
            say.NOTHING if wants.way == NONE else ", ".join(at_once) or NOTHING,
            say.age(record.accepted_at, now),
            f"{record.failures:,}",
            record.reason or say.NOTHING,
        )
        documents.append(
            {
                "email": user.email,
                "way": wants.way,
                "topics": told_topics,
                "at_once": at_once,
                "last_told": None if record.accepted_at is None else plain(record.accepted_at),
                "failures": record.failures,
                "retry_at": None if record.retry_at is None else plain(record.retry_at),
                "last_error": record.reason,
            }
        )
    show(as_json, documents, rows)


def _topics(reach: int) -> list[str]:
    return [topic.value for topic in TOPICS[:reach]]


@telling_app.command("prefer")
def telling_prefer(
    email: str,
    by: Annotated[
        str | None, typer.Option(help="'e-mail', 'none', or 'webhook:' and its name.")
    ] = None,
    least: Annotated[str | None, typer.Option(help="Last topic that is told.")] = None,
    at_once: Annotated[
        str | None, typer.Option(help="Last topic that is told at once; 'nothing' for none.")
    ] = None,
    telling: MaybeTelling = None,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Say how a person is told; what is not given stays as it is."""
    described = telling_from_toml(telling) if telling is not None else None
    if by is None and least is None and at_once is None:
        message = "Say what to change: '--by', '--least' or '--at-once'."
        raise DescriptionError(message)
    with open_store(store) as opened:
        user = account(opened, email)
        before = told.wishes(opened).get(user.user_id, Wish())
        wish = Wish(by or before.way, least or before.least, at_once or before.at_once)
        wants = change_wish(opened, user, wish, described, periods.utc_now())
    told_topics = _topics(wants.least)
    sentence = (
        f"{user.email} is told nothing."
        if wants.way == NONE
        else f"{user.email} is told by {wants.way} of {say.listing(told_topics)}."
    )
    show(
        as_json,
        {
            "email": user.email,
            "way": wants.way,
            "topics": told_topics,
            "at_once": _topics(min(wants.least, wants.at_once)),
        },
        sentence,
    )
