"""Stores on disk and imports that tests write by hand."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from uuid import uuid4

import polars as pl

from monitor.models import Site
from monitor.refresh import derive, refresh_site
from monitor.rules import DEFAULT_RULES, Rules
from monitor.schemas import BEHAVIOUR, REJECT, SLOT, STATE_SLOT, SUSPECT, Schema
from monitor.schemas import UTC as UTC_TIME
from monitor.store import derived
from monitor.store.connection import Store, query
from monitor.store.readings import Batch, Counts, load_readings, record_import
from monitor.store.sites import stored_channels

NOW = datetime(2024, 12, 31, 12, tzinfo=UTC)

#: Channel, time, value, and the interval's seconds where it is one.
Row = tuple[int, datetime, float] | tuple[int, datetime, float, int]

STAGED: Schema = {
    "channel_id": pl.Int32,
    "t_utc": UTC_TIME,
    "duration_s": pl.Int32,
    "value": pl.Float64,
    "line": pl.Int64,
}


def batch(
    rows: Iterable[Row],
    *,
    site_id: str = "mill-lane-1",
    name: str = "export.csv",
    correction: bool = False,
    rejects: int = 0,
    content_hash: str | None = None,
) -> Batch:
    """What a file with these rows brings; its lines are numbered from 2, after a header."""
    staged = [
        (row[0], row[1], row[3] if len(row) == 4 else None, float(row[2]), line)
        for line, row in enumerate(rows, start=2)
    ]
    refused = [(900 + n, "kWh", "n/a", "not a number") for n in range(rejects)]
    return Batch(
        site_id=site_id,
        file_name=name,
        content_hash=content_hash or uuid4().hex,
        profile_hash="p",
        profile_name="by hand",
        correction=correction,
        lines=len(staged) + rejects,
        blank=0,
        staged=pl.DataFrame(staged, schema=STAGED, orient="row"),
        rejects=pl.DataFrame(refused, schema=REJECT, orient="row"),
        notes=(),
    )


def take(
    store: Store,
    rows: Iterable[Row],
    *,
    site_id: str = "mill-lane-1",
    correction: bool = False,
    rejects: int = 0,
) -> Counts:
    """Import rows as one file."""
    file = batch(rows, site_id=site_id, correction=correction, rejects=rejects)
    return record_import(store, file, NOW)


def numbers(store: Store, site: Site) -> dict[str, int]:
    """Channel number of each role (of the newest fit of that role)."""
    return {s.channel.role.value: s.channel_id for s in stored_channels(store, site)}


def kept(store: Store, table: str, site_id: str) -> pl.DataFrame:
    """A derived table of a site, in one order."""
    schema = {
        "slot": SLOT,
        "state_slot": STATE_SLOT,
        "suspect": SUSPECT,
        "behaviour": BEHAVIOUR,
    }[table]
    return query(
        store.cursor(),
        f"SELECT {', '.join(schema)} FROM {table} WHERE site_id = ? ORDER BY ALL",
        [site_id],
    )


def assert_up_to_date(store: Store, site: Site, rules: Rules = DEFAULT_RULES) -> None:
    """Hold what the store has against a computation from all readings at once."""
    channels = stored_channels(store, site)
    frame = load_readings(store, [s.channel_id for s in channels])
    fresh = dict(
        zip(
            ("slot", "state_slot", "suspect", "behaviour"),
            derive(site, channels, frame, rules),
            strict=True,
        )
    )
    once = fresh["slot"].select("role", "slot_start_utc")
    assert not once.is_duplicated().any(), "an hour of a stream stands there twice"
    for table, expected in fresh.items():
        have = kept(store, table, site.id)
        key = [c for c, dtype in have.schema.items() if dtype != pl.Float64]
        want = expected.select(have.columns).sort(*key, *have.columns)
        have = have.sort(*key, *have.columns)
        extra = have.join(want, on=key, how="anti", nulls_equal=True)
        lacking = want.join(have, on=key, how="anti", nulls_equal=True)
        assert extra.is_empty(), f"{table} has besides: {extra}"
        assert lacking.is_empty(), f"{table} lacks: {lacking}"
        for column in set(have.columns) - set(key):
            assert have[column].is_null().equals(want[column].is_null())
            near = (have[column] - want[column]).abs() < 1e-6
            assert near.fill_null(value=True).all(), f"{table}.{column} differs"


def refreshed(store: Store, site: Site) -> pl.DataFrame:
    """Bring a site up to date and give its slots."""
    refresh_site(store, site.id, now=NOW)
    return derived.load_slots(store, site.id)
