"""Findings over time: opened, still true, cleared, opened again, noted by a person."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from pydantic import ValidationError

from monitor.errors import NotFoundError
from monitor.findings.finding import Finding, Topic
from monitor.store import audit, fleet
from monitor.store.connection import Store


@dataclass(frozen=True)
class KeptFinding:
    """A finding with its history.

    Attributes
    ----------
    opened_at, seen_at, cleared_at
        When it was last opened, last found true, and cleared; None while it is open.
    times_opened
        1 for the first time.
    noted_by, noted_at, note
        Who took note of it since it was opened; None if nobody did.
    """

    number: int
    site_id: str
    finding: Finding
    opened_at: datetime
    seen_at: datetime
    cleared_at: datetime | None
    times_opened: int
    noted_by: str | None
    noted_at: datetime | None
    note: str | None


def keep_findings(
    store: Store,
    site_id: str,
    found: list[Finding],
    now: datetime,
    *,
    looked_at: frozenset[Topic] = frozenset(Topic),
) -> None:
    """Bring a site's findings up to date: what is no longer found is cleared.

    Parameters
    ----------
    looked_at
        Topics that were looked at; findings of others stay as they are.
    """
    with store.transaction([site_id]) as cursor:
        kinds = [finding.kind for finding in found]
        cursor.execute(
            "UPDATE finding SET cleared_at = $now WHERE site_id = $site AND cleared_at IS NULL "
            "AND NOT list_contains($kinds, kind) "
            "AND list_contains($topics, document->>'$.topic')",
            {
                "now": now,
                "site": site_id,
                "kinds": kinds,
                "topics": sorted(topic.value for topic in looked_at),
            },
        )
        for finding in found:
            cursor.execute(
                "INSERT INTO finding (site_id, kind, opened_at, seen_at, times_opened, document) "
                "VALUES ($site, $kind, $now, $now, 1, $document) ON CONFLICT (site_id, kind) "
                "DO UPDATE SET seen_at = excluded.seen_at, document = excluded.document, "
                "opened_at = CASE WHEN cleared_at IS NULL THEN opened_at "
                "ELSE excluded.seen_at END, "
                "times_opened = times_opened + (cleared_at IS NOT NULL)::INTEGER, "
                "cleared_at = NULL",
                {
                    "site": site_id,
                    "kind": finding.kind,
                    "now": now,
                    "document": finding.model_dump_json(),
                },
            )
        fleet.keep_open_findings(cursor, site_id)


def load_findings(
    store: Store, site_id: str | None = None, *, cleared: bool = False
) -> list[KeptFinding]:
    """Open findings, what wants a person first at the top.

    Parameters
    ----------
    cleared
        True for those that were cleared, too, after the open ones.
    """
    rows = (
        store.cursor()
        .execute(
            "SELECT f.finding_id, f.site_id, f.document, f.opened_at, f.seen_at, f.cleared_at, "
            "f.times_opened, n.noted_by, n.noted_at, n.note FROM finding f LEFT JOIN ("
            "SELECT finding_id, times_opened, arg_max(noted_by, noted_at) AS noted_by, "
            "max(noted_at) AS noted_at, arg_max(note, noted_at) AS note FROM finding_note "
            "GROUP BY finding_id, times_opened) n "
            "ON n.finding_id = f.finding_id AND n.times_opened = f.times_opened "
            "WHERE ($site IS NULL OR f.site_id = $site) AND ($cleared OR f.cleared_at IS NULL) "
            "ORDER BY f.finding_id",
            {"site": site_id, "cleared": cleared},
        )
        .fetchall()
    )
    kept = []
    for number, site, document, opened, seen, ended, times, by, at, note in rows:
        # One that an earlier version of the program wrote is found anew.
        with contextlib.suppress(ValidationError):
            kept.append(
                KeptFinding(
                    number=number,
                    site_id=site,
                    finding=Finding.model_validate_json(document),
                    opened_at=opened.astimezone(UTC),
                    seen_at=seen.astimezone(UTC),
                    cleared_at=None if ended is None else ended.astimezone(UTC),
                    times_opened=times,
                    noted_by=by,
                    noted_at=None if at is None else at.astimezone(UTC),
                    note=note,
                )
            )
    return sorted(kept, key=lambda k: (k.cleared_at is not None, k.finding.urgency, k.number))


def note_finding(store: Store, number: int, by: str, note: str, now: datetime) -> None:
    """Record that a person took note of a finding that is open.

    Raises
    ------
    NotFoundError
        No finding of that number is open.
    """
    if not note_findings(store, [number], by, note, now):
        message = f"No finding {number} is open."
        raise NotFoundError(message)


def note_findings(store: Store, numbers: list[int], by: str, note: str, now: datetime) -> int:
    """Record one note on several findings; those that are not open any more are left out.

    Returns
    -------
    int
        How many were open and are noted.
    """
    with store.transaction(finding_sites(store, numbers).values()) as cursor:
        rows = cursor.execute(
            "INSERT INTO finding_note SELECT finding_id, times_opened, $by, $now, $note "
            "FROM finding WHERE list_contains($numbers, finding_id) AND cleared_at IS NULL "
            "RETURNING finding_id",
            {"by": by, "now": now, "note": note, "numbers": numbers},
        ).fetchall()
        for (number,) in rows:
            audit.note(cursor, "finding noted", detail=f"finding {number}")
    return len(rows)


def finding_sites(store: Store, numbers: Sequence[int]) -> dict[int, str]:
    """Sites of findings, by number; those that there are not are left out."""
    rows = store.cursor().execute(
        "SELECT finding_id, site_id FROM finding WHERE list_contains(?, finding_id)",
        [list(numbers)],
    )
    return dict(rows.fetchall())
