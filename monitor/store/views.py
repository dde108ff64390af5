"""Views of the fleet that a person keeps under a name.

What was searched is kept here and never in an address: a token stands for it there.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from monitor.errors import DescriptionError
from monitor.store.connection import NO_SITE, Store

#: Longest name of a view, and how many a person may keep.
MOST_NAME: Final = 60
MOST_VIEWS: Final = 30


#: Random bytes of a token: enough that nobody guesses one.
_TOKEN_BYTES: Final = 12


def new_token() -> str:
    """A token for what was searched: 16 characters."""
    return secrets.token_urlsafe(_TOKEN_BYTES)


@dataclass(frozen=True)
class SavedView:
    """A named view: `search` is the query string of the fleet page, which holds its token."""

    view_id: int
    name: str
    search: str


def saved_views(store: Store, user_id: int) -> list[SavedView]:
    """A person's views by name."""
    rows = (
        store.cursor()
        .execute(
            "SELECT view_id, name, search FROM saved_view WHERE user_id = ? ORDER BY lower(name)",
            [user_id],
        )
        .fetchall()
    )
    return [SavedView(*row) for row in rows]


def sought(store: Store, token: str) -> str | None:
    """What a view searches; None where there is no such view any more.

    Whoever was given the link of a view may open it: a text alone shows no home.
    """
    rows = store.cursor().execute("SELECT sought FROM saved_view WHERE token = ?", [token])
    found = rows.fetchall()
    return None if not found else str(found[0][0])


def save_view(
    store: Store,
    user_id: int,
    name: str,
    search: str,
    now: datetime,
    *,
    token: str | None = None,
    sought: str | None = None,
) -> None:
    """Keep a view under a name; one of the same name is replaced.

    Parameters
    ----------
    search
        Its query string, with the token and without what was typed.
    token, sought
        What was searched, and the token that stands for it; None where nothing was.

    Raises
    ------
    DescriptionError
        The name is empty or too long, or the person keeps too many views.
    """
    name = " ".join(name.split())
    if not name or len(name) > MOST_NAME:
        message = f"A view needs a name of at most {MOST_NAME} characters."
        raise DescriptionError(message)
    kept = [view.name for view in saved_views(store, user_id)]
    if len(kept) >= MOST_VIEWS and name not in kept:
        message = f"You keep {MOST_VIEWS} views, which is all there can be. Remove one first."
        raise DescriptionError(message)
    with store.transaction(NO_SITE) as cursor:
        # Those of people who are gone go with the next one that is saved.
        cursor.execute("DELETE FROM saved_view WHERE user_id NOT IN (SELECT user_id FROM account)")
        cursor.execute("DELETE FROM saved_view WHERE user_id = ? AND name = ?", [user_id, name])
        cursor.execute(
            "INSERT INTO saved_view (user_id, name, search, saved_at, token, sought) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            [user_id, name, search, now, token, sought],
        )


def remove_views(store: Store, user_id: int, view_ids: list[int]) -> None:
    """Remove views of a person; those of others stay."""
    with store.transaction(NO_SITE) as cursor:
        cursor.execute(
            "DELETE FROM saved_view WHERE user_id = ? AND list_contains(?, view_id)",
            [user_id, view_ids],
        )
