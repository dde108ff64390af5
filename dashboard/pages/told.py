"""What the person who is signed in is told of findings: how, of what, and when.

Written by the server itself, without scripts, as the pages about people are.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from flask import Flask, make_response, render_template, request, session
from werkzeug.wrappers import Response

from dashboard import format as fmt
from dashboard import headers
from dashboard.access import require_user
from dashboard.telling.described import NOTHING, Telling
from dashboard.telling.wants import E_MAIL, NONE, TOPICS, WEBHOOK, Wants, change_wish, wants_of
from monitor.errors import DescriptionError
from monitor.findings.finding import Topic
from monitor.store import told
from monitor.store.connection import Store
from monitor.store.told import Mailed, Wish
from monitor.store.users import User

#: What each topic is about.
_ABOUT: Final = {
    Topic.HOUSEHOLD: "people: rooms colder than agreed, hot water that may not be safe",
    Topic.DATA: "readings that stop, or do not suffice",
    Topic.METER: "meters that may be wrong",
    Topic.OPERATION: "how the system is run and set",
    Topic.UNIT: "the heat pump itself",
    Topic.PROMISE: "the promise as a whole",
}


@dataclass(frozen=True)
class Choice:
    """One thing that may be chosen, and whether it is."""

    value: str
    words: str
    chosen: bool


@dataclass(frozen=True)
class Wished:
    """What the page shows of a person's wishes.

    Attributes
    ----------
    state
        How it is now, in sentences.
    ways, least, at_once
        What may be chosen; the last two are empty for a homeowner.
    """

    state: tuple[str, ...]
    ways: tuple[Choice, ...]
    least: tuple[Choice, ...]
    at_once: tuple[Choice, ...]


def install(
    server: Flask, store: Store, clock: Callable[[], datetime], telling: Telling | None
) -> None:
    """Add the addresses; who may reach them stands in `dashboard.rules`."""

    def shown() -> Response:
        return _page(require_user(), store, telling, clock())

    def changed() -> Response:
        user, form, now = require_user(), request.form, clock()
        before = told.wishes(store).get(user.user_id, Wish())
        wish = Wish(form.get("way", "")[:80] or None, before.least, before.at_once)
        if user.role != "homeowner":
            wish = Wish(
                wish.way, form.get("least", "")[:20] or None, form.get("at_once", "")[:20] or None
            )
        try:
            change_wish(store, user, wish, telling, now)
        except DescriptionError as error:
            return _page(user, store, telling, now, problem=error.user_message)
        return _page(user, store, telling, now, said="Kept. It holds from now on.")

    server.add_url_rule("/told", "told", shown)
    server.add_url_rule("/told", "told_changed", changed, methods=["POST"])


def _page(
    user: User,
    store: Store,
    telling: Telling | None,
    now: datetime,
    *,
    problem: str = "",
    said: str = "",
) -> Response:
    wish = told.wishes(store).get(user.user_id, Wish())
    mailed = told.mailed(store).get(user.user_id, Mailed())
    page = render_template(
        "told.html",
        user=user,
        wished=wished(user, wish, mailed, telling, now),
        about=[(topic.value, _ABOUT[topic]) for topic in TOPICS],
        problem=problem,
        said=said,
        csrf=session["csrf"],
    )
    return make_response(page, 400 if problem else 200, {headers.PLAIN: "yes"})


def wished(
    user: User, wish: Wish, mailed: Mailed, telling: Telling | None, now: datetime
) -> Wished:
    """What the page shows of a person's wishes."""
    wants = wants_of(user, wish, telling)
    ways = [E_MAIL] if telling is None or telling.mail is not None else []
    if telling is not None and user.role != "homeowner":
        ways += [f"{WEBHOOK}{hook.name}" for hook in telling.webhook]
    ways += [NONE, *({wants.way} - {*ways, NONE})]
    # Households are told what they would understand, whatever the topic.
    topics = TOPICS if user.role != "homeowner" else ()
    return Wished(
        state=tuple(_state(user, wants, mailed, telling, now)),
        ways=tuple(Choice(way, _way(user, way, telling), way == wants.way) for way in ways),
        least=tuple(
            Choice(topic.value, _so_far(n), n == wants.least)
            for n, topic in enumerate(topics, start=1)
        ),
        at_once=(
            Choice("", f"as is usual here ({_usual(telling)})", wish.at_once is None),
            Choice(NOTHING, "nothing: all of it once a day", wish.at_once == NOTHING),
            *(
                Choice(topic.value, _so_far(n), wish.at_once == topic)
                for n, topic in enumerate(topics, start=1)
            ),
        )
        if topics
        else (),
    )


def _so_far(count: int) -> str:
    """Topics down to one of them."""
    if count == len(TOPICS):
        return "all topics"
    names = fmt.listing([topic.value for topic in TOPICS[:count]])
    return f"{names} only" if count == 1 else names


def _usual(telling: Telling | None) -> str:
    usual = Topic.HOUSEHOLD if telling is None else telling.at_once
    return NOTHING if usual == NOTHING else _so_far(TOPICS.index(Topic(usual)) + 1)


def _way(user: User, way: str, telling: Telling | None) -> str:
    if way == E_MAIL:
        there = "" if telling is None or telling.mail is not None else " (not set up here)"
        return f"By e-mail, to {user.email}{there}"
    if way == NONE:
        return "Tell me nothing"
    name = way.removeprefix(WEBHOOK)
    there = "" if telling is not None and telling.hook(name) is not None else " (not set up here)"
    return f"To the webhook '{name}', which others may read{there}"


def _state(
    user: User, wants: Wants, mailed: Mailed, telling: Telling | None, now: datetime
) -> list[str]:
    if telling is None:
        said = ["Messages are not switched on here, so nobody is told anything yet. What you "
                "choose is kept until they are."]  # fmt: skip
    elif telling.mail is None and user.role == "homeowner":
        said = ["Mail is not set up here, so you cannot be told yet."]
    elif wants.way == NONE:
        said = ["You are told nothing now."]
    else:
        said = [f"What is new is told once a day, at {telling.daily:%H:%M} ({telling.zone})."]
        if user.role == "homeowner" and wants.at_once:
            said.append("What is about your warmth or health is told at once.")
    if mailed.accepted_at is not None:
        said.append(f"You were last sent a message {fmt.age(mailed.accepted_at, now)}.")
    if mailed.failures and wants.way != NONE:
        said.append(
            "The last try to reach you did not succeed; it is tried again. If this stays so, ask "
            "whoever runs this server."
        )
    return said
