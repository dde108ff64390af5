"""Views of the fleet that a person keeps under a name."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from monitor.errors import DescriptionError
from monitor.store.connection import NO_SITE, Store

#: Longest name of a view, and how many a person may keep.
MOST_NAME: Final = 60
MOST_VIEWS: Final = 30


@dataclass(frozen=True)
class SavedView:
    """A named view: `search` is the query string of the fleet page."""

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


def save_view(store: Store, user_id: int, name: str, search: str, now: datetime) -> None:
    """Keep a view under a name; one of the same name is replaced.

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
            "INSERT INTO saved_view (user_id, name, search, saved_at) VALUES (?, ?, ?, ?)",
            [user_id, name, search, now],
        )


def remove_views(store: Store, user_id: int, view_ids: list[int]) -> None:
    """Remove views of a person; those of others stay."""
    with store.transaction(NO_SITE) as cursor:
        cursor.execute(
            "DELETE FROM saved_view WHERE user_id = ? AND list_contains(?, view_id)",
            [user_id, view_ids],
        )
