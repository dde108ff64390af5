"""What a site's figures do not know yet: from which hour on, and by which change."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import duckdb

    from monitor.store.connection import Store

#: Before every reading.
EVER: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Change:
    """Time of the first change, and the number of the newest one."""

    since: datetime
    revision: int


def note_change(cursor: duckdb.DuckDBPyConnection, site_id: str, since: datetime = EVER) -> None:
    """Say inside a transaction that a site's figures must be computed anew from a time on."""
    cursor.execute(
        "INSERT INTO changed VALUES (?, ?, nextval('changed_seq')) ON CONFLICT DO UPDATE SET "
        "since_utc = least(since_utc, excluded.since_utc), revision = excluded.revision",
        [site_id, since.replace(tzinfo=None)],
    )


def pending(store: Store, site_id: str) -> Change | None:
    """What a site's figures do not know yet; None where they know all."""
    rows = (
        store.cursor()
        .execute("SELECT since_utc, revision FROM changed WHERE site_id = ?", [site_id])
        .fetchall()
    )
    return Change(rows[0][0].replace(tzinfo=UTC), int(rows[0][1])) if rows else None


def take_in(cursor: duckdb.DuckDBPyConnection, site_id: str, known: Change | None) -> None:
    """Say that figures know a change; one that came after it stays."""
    if known is not None:
        cursor.execute(
            "DELETE FROM changed WHERE site_id = ? AND revision = ?", [site_id, known.revision]
        )
