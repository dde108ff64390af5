"""Who was told of which finding, how each person wants it, and messages on their way."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final, Literal

from pydantic import TypeAdapter, ValidationError

from monitor.findings.finding import Finding, Topic
from monitor.store import audit
from monitor.store.connection import NO_SITE, Store

What = Literal["opened", "cleared"]


@dataclass(frozen=True)
class Wish:
    """How a person wants to be told; None leaves it to the description of the telling.

    Attributes
    ----------
    way
        `e-mail`, `none`, or `webhook:` and its name.
    least, at_once
        Last topic that is told, and that is told at once; `nothing` for none.
    """

    way: str | None = None
    least: str | None = None
    at_once: str | None = None


@dataclass(frozen=True)
class News:
    """One finding of which a person does not know how it stands.

    Attributes
    ----------
    topic
        None where the document on record is of a form that is not known any more.
    cleared_at
        None where it is open.
    knew
        Of which opening the person was told before; 0 for none.
    thought_open
        Whether the person was last told that it is open.
    plain
        Whether it has a sentence for the household.
    """

    user_id: int
    number: int
    site_id: str
    topic: Topic | None
    opened_at: datetime
    cleared_at: datetime | None
    times_opened: int
    knew: int
    thought_open: bool
    plain: bool

    @property
    def happened_at(self) -> datetime:
        """When it came to stand as it does."""
        return self.cleared_at or self.opened_at

    @property
    def told_by_it(self) -> tuple[tuple[int, int, What], ...]:
        """What a person who reads of it has been told: number, opening, what became of it."""
        opened: tuple[int, int, What] = (self.number, self.times_opened, "opened")
        if self.cleared_at is None:
            return (opened,)
        cleared: tuple[int, int, What] = (self.number, self.times_opened, "cleared")
        return (cleared,) if self.knew == self.times_opened else (opened, cleared)


@dataclass(frozen=True)
class Mailed:
    """How the messages to a person went.

    Attributes
    ----------
    accepted_at
        When a server last accepted one.
    failures
        Tries since then.
    retry_at, reason
        When the next one may be made, and why the last one failed; None without failures.
    in_doubt
        What the last one said, where it may have been accepted without an answer.
    """

    accepted_at: datetime | None = None
    failures: int = 0
    retry_at: datetime | None = None
    reason: str | None = None
    in_doubt: tuple[News, ...] = ()


_NEWS: Final = TypeAdapter(tuple[News, ...])


def wishes(store: Store) -> dict[int, Wish]:
    """What each person wished last, by number of the person."""
    rows = (
        store.cursor()
        .execute("SELECT user_id, way, least, at_once FROM telling_wish ORDER BY wish_id")
        .fetchall()
    )
    return {user_id: Wish(*rest) for user_id, *rest in rows}


def save_wish(store: Store, user_id: int, wish: Wish, now: datetime, *, anew: bool) -> None:
    """Keep what a person wishes.

    Parameters
    ----------
    anew
        True where the person is told more than before from now on: what came and went
        until now is not news to them.
    """
    with store.transaction(NO_SITE) as cursor:
        cursor.execute(
            "INSERT INTO telling_wish (user_id, wished_at, way, least, at_once) "
            "VALUES (?, ?, ?, ?, ?)",
            [user_id, now, wish.way, wish.least, wish.at_once],
        )
        if anew:
            cursor.execute("INSERT INTO telling_from VALUES (?, ?)", [user_id, now])
        audit.note(cursor, "telling changed", person=user_id)
    audit.seal(store)


def begin(store: Store, user_ids: Iterable[int], now: datetime) -> None:
    """Note from when on people are told, for those of whom it is not noted yet."""
    with store.transaction(NO_SITE) as cursor:
        cursor.execute(
            "INSERT INTO telling_from SELECT u.user_id, $now "
            "FROM (SELECT unnest($users::INTEGER[]) AS user_id) u "
            "WHERE NOT EXISTS (SELECT 1 FROM telling_from t WHERE t.user_id = u.user_id)",
            {"users": sorted(user_ids), "now": now},
        )


def news(store: Store, people: Sequence[tuple[int, str | None]]) -> list[News]:
    """Every finding of which somebody does not know how it stands.

    One that came and went since somebody was last told is news to them as well, unless it
    had gone before they were told of anything at all.

    Parameters
    ----------
    people
        Number of the person, and the site that they may see; None for all sites.
    """
    rows = (
        store.cursor()
        .execute(
            """
            WITH person AS (
                SELECT unnest($users::INTEGER[]) AS user_id, unnest($sites::VARCHAR[]) AS site_id
            ), theirs AS (
                SELECT p.user_id, f.finding_id, f.cleared_at, f.times_opened
                FROM person p CROSS JOIN finding f WHERE p.site_id IS NULL
                UNION ALL
                SELECT p.user_id, f.finding_id, f.cleared_at, f.times_opened
                FROM person p JOIN finding f ON p.site_id = f.site_id
            ), knows AS (
                SELECT user_id, finding_id,
                    coalesce(max(times_opened) FILTER (what = 'opened'), 0) AS opened,
                    coalesce(max(times_opened) FILTER (what = 'cleared'), 0) AS cleared
                FROM told GROUP BY user_id, finding_id
            ), begun AS (
                SELECT user_id, max(told_from) AS told_from FROM telling_from GROUP BY user_id
            ), new AS (
                SELECT t.user_id, t.finding_id, coalesce(k.opened, 0) AS knew,
                    coalesce(k.opened, 0) > coalesce(k.cleared, 0) AS thought_open
                FROM theirs t
                LEFT JOIN knows k ON k.user_id = t.user_id AND k.finding_id = t.finding_id
                LEFT JOIN begun b ON b.user_id = t.user_id
                WHERE CASE WHEN t.cleared_at IS NULL THEN coalesce(k.opened, 0) < t.times_opened
                    ELSE coalesce(k.cleared, 0) < t.times_opened AND (
                        coalesce(k.opened, 0) > coalesce(k.cleared, 0)
                        OR t.cleared_at > b.told_from
                    ) END
            )
            SELECT n.user_id, f.finding_id, f.site_id, f.document->>'$.topic', f.opened_at,
                f.cleared_at, f.times_opened, n.knew, n.thought_open,
                coalesce(f.document->>'$.plainly', '') <> ''
            FROM new n JOIN finding f ON f.finding_id = n.finding_id
            ORDER BY n.user_id, f.finding_id
            """,
            {"users": [user for user, _ in people], "sites": [site for _, site in people]},
        )
        .fetchall()
    )
    known = {topic.value: topic for topic in Topic}
    return [
        News(
            user_id=user_id,
            number=number,
            site_id=site_id,
            topic=known.get(topic),
            opened_at=opened.astimezone(UTC),
            cleared_at=None if cleared is None else cleared.astimezone(UTC),
            times_opened=times,
            knew=knew,
            thought_open=thought_open,
            plain=plain,
        )
        for (
            user_id,
            number,
            site_id,
            topic,
            opened,
            cleared,
            times,
            knew,
            thought_open,
            plain,
        ) in rows
    ]


def findings_of(store: Store, numbers: Iterable[int]) -> dict[int, Finding]:
    """Findings by number, open and cleared; without those of a form that is not known."""
    rows = (
        store.cursor()
        .execute(
            "SELECT finding_id, document FROM finding WHERE list_contains($numbers, finding_id)",
            {"numbers": sorted(set(numbers))},
        )
        .fetchall()
    )
    found = {}
    for number, document in rows:
        with contextlib.suppress(ValidationError):
            found[number] = Finding.model_validate_json(document)
    return found


def mailed(store: Store) -> dict[int, Mailed]:
    """How the messages to each person went, by number of the person."""
    rows = (
        store.cursor()
        .execute(
            "SELECT user_id, max(accepted_at), count(*) FILTER (telling_id > last), "
            "arg_max(retry_at, telling_id) FILTER (telling_id > last), "
            "arg_max(reason, telling_id) FILTER (telling_id > last), "
            "arg_max(CASE WHEN in_doubt THEN news END, telling_id) FILTER (telling_id > last AND "
            "telling_id = newest) FROM ("
            "SELECT *, coalesce(max(telling_id) FILTER (accepted_at IS NOT NULL) "
            "OVER (PARTITION BY user_id), 0) AS last, max(telling_id) OVER (PARTITION BY user_id) "
            "AS newest FROM telling) GROUP BY user_id"
        )
        .fetchall()
    )
    return {
        user_id: Mailed(
            None if accepted is None else accepted.astimezone(UTC),
            failures,
            None if retry is None else retry.astimezone(UTC),
            reason,
            () if doubtful is None else _NEWS.validate_json(doubtful),
        )
        for user_id, accepted, failures, retry, reason, doubtful in rows
    }


def start_telling(
    store: Store,
    user_id: int,
    told: Sequence[News],
    *,
    delivery: str,
    way: str,
    now: datetime,
    retry_at: datetime,
) -> int:
    """Write down that a message is about to be sent; gives its number.

    Parameters
    ----------
    delivery
        Mark by which a receiver knows the same message again.
    retry_at
        When to try again, should nothing more be heard of it.
    """
    with store.transaction(NO_SITE) as cursor:
        row = cursor.execute(
            "INSERT INTO telling (user_id, delivery, way, tried_at, retry_at, news, in_doubt) "
            "VALUES (?, ?, ?, ?, ?, ?, TRUE) RETURNING telling_id",
            [user_id, delivery, way, now, retry_at, _NEWS.dump_json(tuple(told)).decode()],
        ).fetchall()[0]
    return int(row[0])


def accept_telling(store: Store, number: int, told: Iterable[News], now: datetime) -> None:
    """Record that a server accepted a message, and what its reader has been told by it."""
    rows = [
        [news.user_id, finding, opening, what, now, number]
        for news in told
        for finding, opening, what in news.told_by_it
    ]
    with store.transaction(NO_SITE) as cursor:
        cursor.execute("UPDATE telling SET accepted_at = ? WHERE telling_id = ?", [now, number])
        cursor.executemany("INSERT INTO told VALUES (?, ?, ?, ?, ?, ?)", rows)


def fail_telling(
    store: Store, number: int, reason: str, retry_at: datetime, *, in_doubt: bool
) -> None:
    """Record why a message was not accepted, and when to try again.

    Parameters
    ----------
    in_doubt
        Whether it may have been accepted nevertheless, or an earlier try of it.
    """
    with store.transaction(NO_SITE) as cursor:
        cursor.execute(
            "UPDATE telling SET reason = ?, retry_at = ?, in_doubt = ? WHERE telling_id = ?",
            [reason, retry_at, in_doubt, number],
        )
