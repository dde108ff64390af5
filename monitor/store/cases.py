"""Claims on a promise: who raised one, and everything that was done about it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, date, datetime
from enum import StrEnum
from typing import Final

import duckdb

from monitor.errors import NotFoundError
from monitor.guarantee.settlement import Settlement, SettlementRecord
from monitor.store import audit
from monitor.store.claims import insert_settlement
from monitor.store.connection import Store

#: Longest text of one step.
MOST_TEXT: Final = 4000


class What(StrEnum):
    """What a step of a claim is."""

    RAISED = "raised"
    NOTE = "note"
    VISIT = "visit"
    CHECKED = "checked"
    PROPOSED = "proposed"
    REFUSED = "refused"
    CONFIRMED = "confirmed"
    CLOSED = "closed"


@dataclass(frozen=True)
class Step:
    """One thing that a person did about a claim.

    Attributes
    ----------
    user_id, role
        Who did it, and as what.
    said
        In their words.
    document
        What a step carries beyond words, as JSON.
    """

    number: int
    at: datetime
    user_id: int
    role: str
    what: What
    said: str
    document: str | None = None

    @property
    def visited(self) -> date | None:
        """Day of the visit that it is about, if it is about one."""
        if self.what is not What.VISIT:
            return None
        return date.fromisoformat(json.loads(self.document or "{}")["on"])


@dataclass(frozen=True)
class Claim:
    """A claim with its steps in order of time."""

    number: int
    site_id: str
    raised_at: datetime
    steps: tuple[Step, ...]

    @property
    def is_open(self) -> bool:
        """Whether it still waits for somebody."""
        return self.steps[-1].what not in {What.CONFIRMED, What.CLOSED}

    @property
    def proposal(self) -> Step | None:
        """The settlement that waits to be confirmed by a second person."""
        for step in reversed(self.steps):
            if step.what in {What.REFUSED, What.CONFIRMED, What.CLOSED}:
                return None
            if step.what is What.PROPOSED:
                return step
        return None


def raise_claim(
    store: Store, site_id: str, *, user_id: int, role: str, said: str, now: datetime
) -> int:
    """Raise a claim, or add to the one that is open; returns its number."""
    with store.deciding:
        known = _open_claim(store, site_id)
        if known is None:
            return _raise(store, site_id, user_id, role, said, now)
        add_step(store, known, What.NOTE, user_id=user_id, role=role, said=said, now=now)
        return known


def take_up(
    store: Store, site_id: str, *, user_id: int, role: str, said: str, now: datetime
) -> int:
    """Raise a claim for those who do not, unless one is open; returns its number."""
    with store.deciding:
        known = _open_claim(store, site_id)
        return _raise(store, site_id, user_id, role, said, now) if known is None else known


def _open_claim(store: Store, site_id: str) -> int | None:
    return next((c.number for c in load_claims(store, site_id) if c.is_open), None)


def _raise(store: Store, site_id: str, user_id: int, role: str, said: str, now: datetime) -> int:
    with store.transaction([site_id]) as cursor:
        (number,) = cursor.execute("SELECT nextval('claim_seq')").fetchall()[0]
        cursor.execute("INSERT INTO claim VALUES (?, ?, ?)", [number, site_id, now])
        _insert_step(cursor, number, What.RAISED, user_id, role, said, now, None)
        audit.note(cursor, "claim raised", site=site_id, detail=f"claim {number}")
    return int(number)


def add_step(
    store: Store,
    number: int,
    what: What,
    *,
    user_id: int,
    role: str,
    said: str,
    now: datetime,
    document: str | None = None,
) -> None:
    """Add a step to a claim.

    Raises
    ------
    NotFoundError
        There is no such claim, or it is closed.
    """
    known = claim(store, number)
    if not known.is_open:
        message = f"Claim {number} is closed."
        raise NotFoundError(message)
    with store.transaction([known.site_id]) as cursor:
        _insert_step(cursor, number, what, user_id, role, said, now, document)
        audit.note(cursor, "claim step taken", detail=f"claim {number} {what.value}")


def _insert_step(
    cursor: duckdb.DuckDBPyConnection,
    number: int,
    what: What,
    user_id: int,
    role: str,
    said: str,
    now: datetime,
    document: str | None,
) -> None:
    cursor.execute(
        "INSERT INTO claim_step VALUES (nextval('claim_step_seq'), ?, ?, ?, ?, ?, ?, ?)",
        [number, now, user_id, role, what.value, said[:MOST_TEXT], document],
    )


def settle(
    store: Store,
    number: int,
    record: SettlementRecord,
    settlement: Settlement,
    *,
    user_id: int,
    role: str,
    said: str,
    now: datetime,
) -> None:
    """Keep the settlement that a claim ends with, and that it does: both or neither."""
    with store.transaction() as cursor:
        settled = insert_settlement(cursor, record, settlement, now)
        document = json.dumps({"settlement": settled})
        _insert_step(cursor, number, What.CONFIRMED, user_id, role, said, now, document)
        detail = f"claim {number} {What.CONFIRMED.value}"
        audit.note(cursor, "claim step taken", detail=detail)


def claim(store: Store, number: int) -> Claim:
    """One claim.

    Raises
    ------
    NotFoundError
        There is none of that number.
    """
    for one in load_claims(store, number=number):
        return one
    message = f"There is no claim {number}."
    raise NotFoundError(message)


def load_claims(
    store: Store, site_id: str | None = None, *, number: int | None = None
) -> list[Claim]:
    """Claims, the oldest first."""
    rows = (
        store.cursor()
        .execute(
            "SELECT c.claim_id, c.site_id, c.raised_at, s.step_id, s.taken_at, s.user_id, "
            "s.as_role, s.what, s.said, s.document FROM claim c JOIN claim_step s USING (claim_id) "
            "WHERE ($site IS NULL OR c.site_id = $site) "
            "AND ($number IS NULL OR c.claim_id = $number) ORDER BY c.claim_id, s.step_id",
            {"site": site_id, "number": number},
        )
        .fetchall()
    )
    found: dict[int, tuple[str, datetime, list[Step]]] = {}
    for claim_id, site, raised, step, at, user, role, what, said, document in rows:
        steps = found.setdefault(claim_id, (site, raised.astimezone(UTC), []))[2]
        steps.append(Step(step, at.astimezone(UTC), user, role, What(what), said, document))
    return [Claim(n, site, raised, tuple(steps)) for n, (site, raised, steps) in found.items()]
