"""What each person wants to be told, how, and whether it is time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from dashboard.telling.described import NOTHING, Telling
from monitor.errors import DescriptionError
from monitor.findings.finding import Topic
from monitor.store import told
from monitor.store.connection import Store
from monitor.store.told import Mailed, News, Wish
from monitor.store.users import User

E_MAIL: Final = "e-mail"
NONE: Final = "none"
WEBHOOK: Final = "webhook:"

#: Topics in the order in which to look at them.
TOPICS: Final = tuple(Topic)


@dataclass(frozen=True)
class Wants:
    """What a person wants, with everything that was left open filled in.

    Attributes
    ----------
    way
        `e-mail`, `none`, or `webhook:` and its name.
    least, at_once
        How many topics, in the order of `Topic`, are told; and are told at once.
    """

    way: str
    least: int
    at_once: int

    def wants(self, one: News) -> bool:
        """Whether a finding is of a topic that the person wants to be told."""
        return one.topic is not None and TOPICS.index(one.topic) < self.least

    def is_urgent(self, one: News) -> bool:
        """Whether a finding does not wait for the time of the day."""
        if one.topic is None or one.cleared_at is not None:
            return False
        return TOPICS.index(one.topic) < self.at_once


def _reach(topic: str) -> int:
    return 0 if topic == NOTHING else TOPICS.index(Topic(topic)) + 1


def wants_of(user: User, wish: Wish | None, telling: Telling | None) -> Wants:
    """What a person wants: as wished, or else as is usual for one like them.

    Whoever is no installer is told nothing unless they asked for it.

    Parameters
    ----------
    telling
        None where it is not known what can be reached: then as if everything could.
    """
    wish = wish or Wish()
    way = wish.way
    if way is None:
        reached = telling is None or telling.mail is not None
        way = E_MAIL if reached and user.role == "installer" else NONE
    at_once = wish.at_once or (telling.at_once if telling is not None else Topic.HOUSEHOLD)
    return Wants(way, _reach(wish.least or TOPICS[-1]), _reach(at_once))


def checked_wish(user: User, wish: Wish, telling: Telling | None = None) -> Wish:
    """A wish that can be kept.

    Parameters
    ----------
    telling
        What can be reached, where that is known.

    Raises
    ------
    DescriptionError
        The way or a topic is not known, or not for this person.
    """
    way = wish.way
    if way is not None and way not in {E_MAIL, NONE}:
        if not way.startswith(WEBHOOK) or not way.removeprefix(WEBHOOK):
            message = (
                f"'{way}' is no way to tell a person. Give '{E_MAIL}', '{NONE}', or '{WEBHOOK}' "
                "and the name of a webhook."
            )
            raise DescriptionError(message)
        if telling is not None and telling.hook(way.removeprefix(WEBHOOK)) is None:
            message = f"There is no webhook '{way.removeprefix(WEBHOOK)}' in the telling file."
            raise DescriptionError(message)
        if user.role == "homeowner":
            message = f"A homeowner is told by '{E_MAIL}' or not at all ('{NONE}')."
            raise DescriptionError(message)
    for topic in (wish.least, wish.at_once):
        if topic is not None and topic not in {*Topic, NOTHING}:
            names = ", ".join(f"'{t.value}'" for t in TOPICS)
            message = f"'{topic}' is not a topic. Give one of {names}, or '{NOTHING}'."
            raise DescriptionError(message)
    if wish.least == NOTHING:
        message = f"To be told nothing at all, give '--by {NONE}'."
        raise DescriptionError(message)
    return wish


def widens(user: User, before: Wish | None, after: Wish) -> bool:
    """Whether a person is told of findings from now on of which they were not until now."""
    old, new = wants_of(user, before, None), wants_of(user, after, None)
    if new.way == NONE:
        return False
    return old.way == NONE or new.least > old.least


def change_wish(
    store: Store, user: User, wish: Wish, telling: Telling | None, now: datetime
) -> Wants:
    """Keep a wish, which takes the place of the one before; returns what the person wants now.

    Raises
    ------
    DescriptionError
        The way or a topic is not known, or not for this person.
    """
    before = told.wishes(store).get(user.user_id, Wish())
    checked_wish(user, wish, telling)
    if wish != before:
        told.save_wish(store, user.user_id, wish, now, anew=widens(user, before, wish))
    return wants_of(user, wish, telling)


def of_concern(user: User, wants: Wants, found: Sequence[News]) -> list[News]:
    """What of the news a person may see, wants to be told, and would understand.

    A household is told what is so and what is over, not what came and went meanwhile.
    """
    return [
        one
        for one in found
        if user.may_see(one.site_id)
        and wants.wants(one)
        and (
            user.role != "homeowner" or (one.plain and (one.cleared_at is None or one.thought_open))
        )
    ]


def is_due(
    found: Sequence[News], wants: Wants, mailed: Mailed, telling: Telling, now: datetime
) -> bool:
    """Whether a person is to be told now.

    What happened before the last time of the day at which to tell is due; so is what does
    not wait, unless the person had a message a moment ago; all of it only once it is time
    to try again after a failure.
    """
    if mailed.retry_at is not None and now < mailed.retry_at:
        return False
    last = telling.last_daily(now)
    if any(one.happened_at <= last for one in found):
        return True
    heard = mailed.accepted_at
    if heard is not None and now - heard < telling.at_once_pause:
        return False
    return any(wants.is_urgent(one) for one in found)
