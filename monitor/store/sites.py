"""Sites and their channels."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from monitor.errors import NotFoundError
from monitor.models import Channel, MeterFit, Site
from monitor.store import audit, fleet
from monitor.store.changes import note_change
from monitor.store.connection import Store


@dataclass(frozen=True)
class StoredChannel:
    """A channel with its number in the store and the fit that it belongs to."""

    channel_id: int
    fit: MeterFit
    channel: Channel


def save_site(store: Store, site: Site, now: datetime) -> bool:
    """Record a site's description; the earlier ones stay in history.

    Returns
    -------
    bool
        False where the newest description was the same already.
    """
    document = site.model_dump_json()
    with store.transaction() as cursor:
        newest = cursor.execute(
            "SELECT document FROM site_version WHERE site_id = ? ORDER BY version_id DESC LIMIT 1",
            [site.id],
        ).fetchall()
        if newest and json.loads(newest[0][0]) == json.loads(document):
            return False
        cursor.execute(
            "INSERT INTO site_version (site_id, document, recorded_at) VALUES (?, ?, ?)",
            [site.id, document, now],
        )
        cursor.executemany(
            "INSERT INTO channel (site_id, serial, occurrence, role) VALUES (?, ?, ?, ?) "
            "ON CONFLICT DO NOTHING",
            [
                [site.id, fit.serial, occurrence, channel.role.value]
                for fit, occurrence in _occurrences(site)
                for channel in fit.channel
            ],
        )
        fleet.keep_description(cursor, site.id)
        audit.note(cursor, "site described", site=site.id)
        # A changed description may change every figure: compute the site anew.
        note_change(cursor, site.id)
    return True


def _occurrences(site: Site) -> list[tuple[MeterFit, int]]:
    """Number the fits of each serial, so that a meter may come back after a repair."""
    seen: dict[str, int] = {}
    out = []
    for fit in sorted(site.meter, key=lambda fit: site.utc(fit.fitted)):
        seen[fit.serial] = seen.get(fit.serial, -1) + 1
        out.append((fit, seen[fit.serial]))
    return out


def load_site(store: Store, site_id: str) -> Site:
    """The newest description of a site.

    Raises
    ------
    NotFoundError
        No such site.
    """
    rows = (
        store.cursor()
        .execute(
            "SELECT document FROM site_version WHERE site_id = ? ORDER BY version_id DESC LIMIT 1",
            [site_id],
        )
        .fetchall()
    )
    if not rows:
        message = (
            f"There is no site '{site_id}' in this store. 'pledgewatt site list' shows those "
            "there are."
        )
        raise NotFoundError(message)
    return Site.model_validate_json(rows[0][0])


def list_sites(store: Store, only: Sequence[str] | None = None) -> list[Site]:
    """The newest description of some sites, or of every one, by id."""
    rows = (
        store.cursor()
        .execute(
            "SELECT arg_max(document, version_id) FROM site_version "
            "WHERE $only IS NULL OR list_contains($only, site_id) "
            "GROUP BY site_id ORDER BY site_id",
            {"only": None if only is None else list(only)},
        )
        .fetchall()
    )
    return [Site.model_validate_json(document) for (document,) in rows]


def stored_channels(store: Store, site: Site) -> list[StoredChannel]:
    """Every channel of a site's present description with its number."""
    rows = (
        store.cursor()
        .execute(
            "SELECT serial, occurrence, role, channel_id FROM channel WHERE site_id = ?", [site.id]
        )
        .fetchall()
    )
    numbers = {(serial, occurrence, role): number for serial, occurrence, role, number in rows}
    return [
        StoredChannel(numbers[fit.serial, occurrence, channel.role.value], fit, channel)
        for fit, occurrence in _occurrences(site)
        for channel in fit.channel
    ]
