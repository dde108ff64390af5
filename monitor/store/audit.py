"""The log of who looked at or changed what: append-only, each row chained to the one before.

A row names people by number and homes by id, so that erasing a person leaves the chain
whole. What a transaction changes is noted inside that transaction (`note`) and chained
once it is committed (`seal`): a change and its row are both there or neither is.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    import duckdb

    from monitor.store.connection import Store

#: Who acts: a person who is signed in, a command, the program itself, or nobody known.
Kind = Literal["person", "command", "program", "visitor"]

#: What the first row follows.
NOTHING: Final = "0" * 64

#: Rows that are read at a time.
_BATCH: Final = 10_000

_ACTION = re.compile(r"[a-z][a-z -]{1,40}")
#: Ids, counts and names of routes: a detail has no room for what somebody typed.
_DETAIL = re.compile(r"[a-z0-9 ,.:<>/_-]{0,120}")
_COLUMNS: Final = "at_utc, by_kind, by_person, action, site_id, person, detail"


@dataclass(frozen=True)
class Actor:
    """Who acts; `person` is the number of the account."""

    kind: Kind = "program"
    person: int | None = None


_PROGRAM: Final = Actor()
_acting: ContextVar[Actor] = ContextVar("acting", default=_PROGRAM)


@dataclass(frozen=True)
class Entry:
    """One row of the log.

    Attributes
    ----------
    site, person
        The home and the account that it is about, if any.
    previous, hash
        SHA-256 of the row before, and of this one with it.
    """

    number: int
    at: datetime
    actor: Actor
    action: str
    site: str | None
    person: int | None
    detail: str
    previous: str
    hash: str

    @property
    def computed_hash(self) -> str:
        """SHA-256 of the canonical form: JSON with sorted keys and no spaces."""
        content = {
            "number": self.number,
            "at": self.at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
            "by": self.actor.kind,
            "by_person": self.actor.person,
            "action": self.action,
            "site": self.site,
            "person": self.person,
            "detail": self.detail,
            "previous": self.previous,
        }
        text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
        return hashlib.sha256(text.encode()).hexdigest()


@dataclass(frozen=True)
class Check:
    """What a walk along the chain found; `head` is the hash of its last row."""

    rows: int
    head: str
    problems: tuple[str, ...]


@contextmanager
def acting(kind: Kind, person: int | None = None) -> Iterator[None]:
    """Name who acts in what follows, in this thread."""
    token = _acting.set(Actor(kind, person))
    try:
        yield
    finally:
        _acting.reset(token)


@dataclass(frozen=True)
class Look:
    """What a row says that no change of the store stands behind; see `note`."""

    action: str
    site: str | None = None
    person: int | None = None
    detail: str = ""


def note(
    cursor: duckdb.DuckDBPyConnection,
    action: str,
    *,
    site: str | None = None,
    person: int | None = None,
    detail: str = "",
) -> None:
    """Write down inside a transaction what it does; it is chained once it is committed.

    Parameters
    ----------
    action
        Two or three small words, such as ``exclusion entered``.
    detail
        Numbers, ids or the name of a route: never a name, an address or a text that somebody
        typed.

    Raises
    ------
    ValueError
        `action` or `detail` could hold more than that.
    """
    cursor.execute(
        f"INSERT INTO audit_pending ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)",  # noqa: S608
        _row(Look(action, site, person, detail)),
    )


def _row(look: Look) -> list[object]:
    if not _ACTION.fullmatch(look.action) or not _DETAIL.fullmatch(look.detail):
        message = f"not fit for the log: {look.action!r}, {look.detail!r}"
        raise ValueError(message)
    actor = _acting.get()
    at = datetime.now(UTC).replace(tzinfo=None)
    return [at, actor.kind, actor.person, look.action, look.site, look.person, look.detail]


def record(
    store: Store,
    action: str,
    *,
    site: str | None = None,
    person: int | None = None,
    detail: str = "",
) -> None:
    """Log something that is no change of the store, such as a look; as `note`."""
    record_all(store, [Look(action, site, person, detail)])


def record_all(store: Store, looks: Iterable[Look]) -> None:
    """Log several such things at once."""
    _chain(store, [_row(look) for look in looks])


def seal(store: Store) -> None:
    """Chain what was noted by transactions that are committed."""
    _chain(store, [])


def _chain(store: Store, new: list[list[object]]) -> None:
    """Chain what waits, and then new rows, which need not wait first."""
    with store.audit_lock, store.transaction(about=()) as cursor:
        waiting = cursor.execute(
            f"SELECT pending_id, {_COLUMNS} FROM audit_pending ORDER BY pending_id"  # noqa: S608
        ).fetchall()
        if not waiting and not new:
            return
        number, previous = cursor.execute("SELECT number, hash FROM audit_head").fetchall()[0]
        rows = []
        for row in [*(rest for _, *rest in waiting), *new]:
            number += 1
            entry = _entry([number, *row, previous, ""])
            previous = entry.computed_hash
            rows.append([number, *row, entry.previous, previous])
        cursor.executemany("INSERT INTO audit VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
        if waiting:
            cursor.execute(
                "DELETE FROM audit_pending WHERE list_contains(?::BIGINT[], pending_id)",
                [[pending for pending, *_ in waiting]],
            )
        cursor.execute("UPDATE audit_head SET number = ?, hash = ?", [number, previous])


def _entry(row: list[object] | tuple[object, ...]) -> Entry:
    number, at, kind, by_person, action, site, person, detail, previous, hashed = row
    assert isinstance(at, datetime)  # noqa: S101 - the column's type
    return Entry(
        number=int(str(number)),
        at=at.replace(tzinfo=UTC),
        # What is read back is shown and hashed as it stands, whatever it is.
        actor=Actor(str(kind), None if by_person is None else int(str(by_person))),  # type: ignore[arg-type]
        action=str(action),
        site=None if site is None else str(site),
        person=None if person is None else int(str(person)),
        detail=str(detail),
        previous=str(previous),
        hash=str(hashed),
    )


def entries(
    store: Store,
    *,
    site: str | None = None,
    person: int | None = None,
    before: int | None = None,
    most: int | None = None,
) -> list[Entry]:
    """Rows of the log, the newest first.

    Parameters
    ----------
    person
        Only what this account did or what was done about it.
    before
        Only rows of smaller numbers.
    """
    seal(store)
    rows = (
        store.cursor()
        .execute(
            f"SELECT number, {_COLUMNS}, previous, hash FROM audit "  # noqa: S608
            "WHERE ($site IS NULL OR site_id = $site) "
            "AND ($person IS NULL OR by_person = $person OR person = $person) "
            "AND ($before IS NULL OR number < $before) ORDER BY number DESC LIMIT $most",
            {"site": site, "person": person, "before": before, "most": most},
        )
        .fetchall()
    )
    return [_entry(row) for row in rows]


def verify(store: Store, expect: tuple[int, str] | None = None) -> Check:
    """Walk along the whole chain and name every row that was altered, removed or put in.

    Parameters
    ----------
    expect
        Number and hash of a row as they were noted elsewhere: tells whether the chain was
        made anew as a whole, which it cannot tell of itself.
    """
    seal(store)
    problems: list[str] = []
    number, previous, met = 0, NOTHING, expect is None
    with store.audit_lock:
        head = store.cursor().execute("SELECT number, hash FROM audit_head").fetchall()
        rows = store.cursor().execute(
            f"SELECT number, {_COLUMNS}, previous, hash FROM audit ORDER BY number, at_utc"  # noqa: S608
        )
        while batch := rows.fetchmany(_BATCH):
            for entry in map(_entry, batch):
                problems += _faults(entry, number, previous)
                number, previous = entry.number, entry.hash
                met = met or (entry.number, entry.hash) == expect
    if head != [(number, previous)]:
        ends = f"row {head[0][0]}" if len(head) == 1 else "one row"
        problems.append(
            f"The chain ends with row {number}, but was last added to with {ends}: rows were taken "
            "off its end or put there."
        )
    if not met and expect is not None:
        problems.append(
            f"Row {expect[0]} does not have the hash that was noted for it: the chain was made "
            "anew, or the note is of another store."
        )
    return Check(number, previous, tuple(problems))


def _faults(entry: Entry, number: int, previous: str) -> list[str]:
    """What is wrong with a row that follows another one."""
    found = []
    if entry.number > number + 1:
        gone = f"Row {number + 1} is" if entry.number == number + 2 else "Rows are"
        found.append(f"{gone} missing before row {entry.number}.")
    elif entry.number <= number:
        found.append(f"Row {entry.number} was put in: its number is not its own.")
    if entry.previous != previous:
        found.append(f"Row {entry.number} does not follow the row before it.")
    if entry.computed_hash != entry.hash:
        found.append(f"Row {entry.number} was altered: its content and its hash differ.")
    return found
