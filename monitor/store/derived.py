"""What is computed from readings; all of it can be made anew."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import TypeVar

import polars as pl
from pydantic import ValidationError

from monitor.guarantee.assessment import Assessment
from monitor.guarantee.outlook import Outlook
from monitor.guarantee.standing import Standing
from monitor.models import Record
from monitor.schemas import BEHAVIOUR, SLOT, STATE_SLOT, SUSPECT, Schema, check
from monitor.store import fleet
from monitor.store.changes import Change, take_in
from monitor.store.connection import Store, query

Kept = TypeVar("Kept", bound=Record)


def block_start(store: Store, site_id: str, roles: list[str], moment: datetime) -> datetime | None:
    """Earliest start of the known blocks that hold a moment, among some roles."""
    rows = (
        store.cursor()
        .execute(
            "SELECT min(block_start_utc) FROM slot WHERE site_id = $site "
            "AND list_contains($roles, role) "
            "AND block_start_utc <= $moment AND block_end_utc > $moment",
            {"site": site_id, "roles": roles, "moment": moment.replace(tzinfo=None)},
        )
        .fetchall()
    )
    return rows[0][0].replace(tzinfo=UTC) if rows[0][0] else None


def replace_derived(
    store: Store,
    site_id: str,
    since: datetime,
    slots: pl.DataFrame,
    states: pl.DataFrame,
    suspects: pl.DataFrame,
    behaviour: tuple[date, pl.DataFrame] | None = None,
    *,
    known: Change | None = None,
) -> None:
    """Put what is newly computed of a site from an hour on in place of the old.

    Parameters
    ----------
    known
        The change that it knows of.
    behaviour
        The first local day that is new, and a frame of schema BEHAVIOUR.
    """
    new: list[tuple[str, Schema, str, pl.DataFrame, datetime | date]] = [
        ("slot", SLOT, "slot_start_utc", slots, since),
        ("state_slot", STATE_SLOT, "slot_start_utc", states, since),
        ("suspect", SUSPECT, "t_utc", suspects, since),
    ]
    if behaviour is not None:
        new.append(("behaviour", BEHAVIOUR, "day", behaviour[1], behaviour[0]))
    with store.transaction([site_id]) as cursor:
        for table, schema, time, frame, begin in new:
            cursor.execute(
                f"DELETE FROM {table} WHERE site_id = ? AND {time} >= ?",  # noqa: S608
                [site_id, begin.replace(tzinfo=None) if isinstance(begin, datetime) else begin],
            )
            fresh = check(frame, schema).filter(pl.col(time) >= begin)
            if fresh.height:
                cursor.register("fresh", fresh)
                columns = ", ".join(schema)
                cursor.execute(
                    f"INSERT INTO {table} (site_id, {columns}) "  # noqa: S608
                    f"SELECT ?, {columns} FROM fresh",
                    [site_id],
                )
                cursor.unregister("fresh")
        take_in(cursor, site_id, known)


def load_slots(store: Store, site_id: str) -> pl.DataFrame:
    """A site's known slots (schema SLOT)."""
    return _load(store, "slot", site_id, list(SLOT))


def load_states(store: Store, site_id: str) -> pl.DataFrame:
    """A site's hourly means of plain quantities (schema STATE_SLOT)."""
    return _load(store, "state_slot", site_id, list(STATE_SLOT))


def load_behaviour(store: Store, site_id: str) -> pl.DataFrame:
    """How a site ran, day by day (schema BEHAVIOUR)."""
    return query(
        store.cursor(),
        f"SELECT {', '.join(BEHAVIOUR)} FROM behaviour WHERE site_id = ? "  # noqa: S608
        "ORDER BY day",
        [site_id],
    )


def load_suspects(store: Store, site_id: str) -> pl.DataFrame:
    """Readings of a site that were set aside: columns role, reason, t_utc."""
    return query(
        store.cursor(),
        "SELECT c.role, s.reason, s.t_utc FROM suspect s JOIN channel c USING (channel_id) "
        "WHERE s.site_id = ? ORDER BY c.role, s.t_utc",
        [site_id],
    )


def _load(store: Store, table: str, site_id: str, columns: list[str]) -> pl.DataFrame:
    return query(
        store.cursor(),
        f"SELECT {', '.join(columns)} FROM {table} WHERE site_id = ? "  # noqa: S608
        "ORDER BY role, slot_start_utc",
        [site_id],
    )


def save_standing(
    store: Store,
    standing: Standing,
    trend: tuple[date, Sequence[float | None]] | None = None,
) -> None:
    """Keep a site's standing, and bring its row of the fleet up to date.

    Parameters
    ----------
    trend
        The rolling SPF (see `monitor.metrics.trend`) where it is new.
    """
    with store.transaction([standing.site]) as cursor:
        cursor.execute(
            "INSERT INTO standing VALUES (?, ?) ON CONFLICT DO UPDATE SET document = "
            "excluded.document",
            [standing.site, standing.model_dump_json()],
        )
        fleet.keep_standing(cursor, standing.site, trend)


def load_standing(store: Store, site_id: str) -> Standing | None:
    """A site's kept standing, if there is one."""
    rows = (
        store.cursor()
        .execute("SELECT document FROM standing WHERE site_id = ?", [site_id])
        .fetchall()
    )
    return next(iter(_readable(Standing, rows)), None)


def load_standings(store: Store, only: Sequence[str] | None = None) -> list[Standing]:
    """The kept standings of some sites, or of every one."""
    rows = (
        store.cursor()
        .execute(
            "SELECT document FROM standing "
            "WHERE $only IS NULL OR list_contains($only, site_id) ORDER BY site_id",
            {"only": None if only is None else list(only)},
        )
        .fetchall()
    )
    return _readable(Standing, rows)


def save_outlook(store: Store, outlook: Outlook) -> None:
    """Keep a site's outlook beside its standing."""
    with store.transaction([outlook.site]) as cursor:
        cursor.execute(
            "INSERT INTO outlook VALUES (?, ?) ON CONFLICT DO UPDATE SET document = "
            "excluded.document",
            [outlook.site, outlook.model_dump_json()],
        )
        fleet.keep_outlook(cursor, outlook.site)


def load_outlook(store: Store, site_id: str) -> Outlook | None:
    """A site's kept outlook, if there is one."""
    rows = (
        store.cursor()
        .execute("SELECT document FROM outlook WHERE site_id = ?", [site_id])
        .fetchall()
    )
    return next(iter(_readable(Outlook, rows)), None)


def save_assessment(store: Store, assessment: Assessment, basis: str, local_day: date) -> None:
    """Keep what was found out about a promise, and the hash of what it was computed from."""
    with store.transaction([assessment.site]) as cursor:
        cursor.execute(
            "INSERT INTO assessment VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE SET "
            "basis = excluded.basis, local_day = excluded.local_day, document = excluded.document",
            [assessment.site, basis, local_day, assessment.model_dump_json()],
        )


def load_assessment(
    store: Store, site_id: str, *, basis: str | None = None, local_day: date | None = None
) -> Assessment | None:
    """What was found out about a site's promise, if there is anything.

    Parameters
    ----------
    basis, local_day
        Only if it was computed from just this, or on this day.
    """
    rows = (
        store.cursor()
        .execute(
            "SELECT document FROM assessment WHERE site_id = $site "
            "AND ($basis IS NULL OR basis = $basis) "
            "AND ($day IS NULL OR local_day = $day)",
            {"site": site_id, "basis": basis, "day": local_day},
        )
        .fetchall()
    )
    return next(iter(_readable(Assessment, rows)), None)


def _readable(model: type[Kept], rows: list[tuple[str]]) -> list[Kept]:
    """Kept documents; one of an earlier version of the program is as good as none."""
    found = []
    for (document,) in rows:
        with contextlib.suppress(ValidationError):
            found.append(model.model_validate_json(document))
    return found
