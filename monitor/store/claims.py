"""Exclusions and settlements: entered once, kept for ever."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

import duckdb
import polars as pl

from monitor.errors import NotFoundError
from monitor.guarantee.settlement import Exclusion, Settlement, SettlementRecord
from monitor.store import audit
from monitor.store.connection import Store, query


def add_exclusion(store: Store, site_id: str, exclusion: Exclusion) -> int:
    """Enter an exclusion; returns its number."""
    with store.transaction() as cursor:
        (number,) = cursor.execute("SELECT nextval('exclusion_seq')").fetchall()[0]
        cursor.execute(
            "INSERT INTO exclusion VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [
                number,
                site_id,
                exclusion.start_utc.astimezone(UTC).replace(tzinfo=None),
                exclusion.end_utc.astimezone(UTC).replace(tzinfo=None),
                exclusion.reason,
                exclusion.by,
                exclusion.at,
                exclusion.condition,
            ],
        )
        audit.note(cursor, "exclusion entered", site=site_id, detail=f"exclusion {number}")
    return int(number)


def withdraw_exclusion(store: Store, site_id: str, number: int, by: str, now: datetime) -> None:
    """Withdraw an exclusion; it stays on record with who withdrew it.

    Raises
    ------
    NotFoundError
        The site has no such exclusion in force.
    """
    if number not in exclusions(store, site_id):
        message = f"Site '{site_id}' has no exclusion {number} in force."
        raise NotFoundError(message)
    with store.transaction() as cursor:
        cursor.execute("INSERT INTO exclusion_withdrawn VALUES (?, ?, ?)", [number, by, now])
        audit.note(cursor, "exclusion withdrawn", site=site_id, detail=f"exclusion {number}")


def exclusions(store: Store, site_id: str) -> dict[int, Exclusion]:
    """A site's exclusions in force, by number."""
    return exclusions_of(store, [site_id])[site_id]


def exclusions_of(store: Store, site_ids: Sequence[str]) -> dict[str, dict[int, Exclusion]]:
    """The exclusions in force of each of some sites, by number."""
    rows = (
        store.cursor()
        .execute(
            "SELECT site_id, exclusion_id, start_utc, end_utc, reason, entered_by, entered_at, "
            "condition FROM exclusion ANTI JOIN exclusion_withdrawn USING (exclusion_id) "
            "WHERE list_contains(?, site_id) ORDER BY start_utc, exclusion_id",
            [list(site_ids)],
        )
        .fetchall()
    )
    found: dict[str, dict[int, Exclusion]] = {site_id: {} for site_id in site_ids}
    for site_id, number, start, end, reason, by, at, condition in rows:
        found[site_id][number] = Exclusion(
            start_utc=start.replace(tzinfo=UTC),
            end_utc=end.replace(tzinfo=UTC),
            reason=reason,
            by=by,
            at=at.astimezone(UTC),
            condition=condition,
        )
    return found


def save_settlement(
    store: Store, record: SettlementRecord, settlement: Settlement, now: datetime
) -> int:
    """Keep a settlement with the record that it was computed from; returns its number."""
    with store.transaction() as cursor:
        return insert_settlement(cursor, record, settlement, now)


def insert_settlement(
    cursor: duckdb.DuckDBPyConnection,
    record: SettlementRecord,
    settlement: Settlement,
    now: datetime,
) -> int:
    """As `save_settlement`, inside a transaction."""
    (number,) = cursor.execute("SELECT nextval('settlement_seq')").fetchall()[0]
    cursor.execute(
        "INSERT INTO settlement VALUES (?, ?, ?, ?, ?, ?)",
        [
            number,
            record.site.id,
            now,
            record.hash,
            record.model_dump_json(),
            settlement.model_dump_json(),
        ],
    )
    audit.note(cursor, "promise settled", site=record.site.id, detail=f"settlement {number}")
    return int(number)


def settlements(store: Store, site_id: str | None = None) -> pl.DataFrame:
    """Settlements so far, newest first: number, site, time, hash and the two documents."""
    return query(
        store.cursor(),
        "SELECT settlement_id, site_id, settled_at, input_hash, record, document FROM settlement "
        "WHERE ? IS NULL OR site_id = ? ORDER BY settlement_id DESC",
        [site_id, site_id],
    )


def unsettled_conflicts(store: Store, site_ids: Sequence[str]) -> dict[str, int]:
    """Number of times of each site for which imports disagree and nothing settles it."""
    rows = (
        store.cursor()
        .execute(
            "SELECT site_id, count(*) FROM contested JOIN channel USING (channel_id) "
            "WHERE settled_by IS NULL AND list_contains(?, site_id) GROUP BY site_id",
            [list(site_ids)],
        )
        .fetchall()
    )
    return dict.fromkeys(site_ids, 0) | dict(rows)
