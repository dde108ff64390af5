"""Small homes and readings that tests write by hand."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

import polars as pl

from monitor.models import Site
from monitor.refresh import derive
from monitor.rules import DEFAULT_RULES, Rules
from monitor.schemas import READING
from monitor.store.sites import StoredChannel

DAY = datetime(2024, 1, 10, tzinfo=UTC)


def at(hour: float, day: int = 0) -> datetime:
    """A time on (or days after) 10 January 2024, UTC."""
    return DAY + timedelta(days=day, hours=hour)


def home(
    *channels: dict[str, Any],
    heat_pump: dict[str, Any] | None = None,
    meters: list[dict[str, Any]] | None = None,
    **extra: Any,
) -> Site:
    """A site with one meter a channel, or with meters written out."""
    fits = meters or [
        {
            "serial": f"M{n}",
            "measures": (
                "heat"
                if channel["role"].startswith("heat_")
                else "electricity"
                if channel["role"].startswith("elec_")
                else "sensors"
            ),
            "fitted": datetime(2023, 1, 1, tzinfo=UTC),
            "channel": [{"kind": "register", **channel}],
        }
        for n, channel in enumerate(channels)
    ]
    return Site.model_validate(
        {
            "id": "mill-lane-1",
            "name": "1 Mill Lane",
            "zone": "UTC",
            "commissioned": date(2023, 1, 1),
            "heat_pump": {"nominal_heat_kw": 8.0, **(heat_pump or {})},
            "meter": fits,
            **extra,
        }
    )


def stored(site: Site) -> list[StoredChannel]:
    """Number a site's channels without a store."""
    pairs = [(fit, channel) for fit in site.meter for channel in fit.channel]
    return [StoredChannel(n, fit, channel) for n, (fit, channel) in enumerate(pairs)]


def readings(
    *series: Sequence[tuple[datetime, float | None]], duration_s: int | None = None
) -> pl.DataFrame:
    """Readings of channels 0, 1, ...; a value of None is contested."""
    rows = [
        (n, t, duration_s, value, value is None)
        for n, points in enumerate(series)
        for t, value in sorted(points, key=lambda point: point[0])
    ]
    return pl.DataFrame(rows, schema=READING, orient="row")


def slots_of(site: Site, frame: pl.DataFrame, rules: Rules = DEFAULT_RULES) -> pl.DataFrame:
    """The known slots of a site."""
    return derive(site, stored(site), frame, rules)[0]


def suspects_of(site: Site, frame: pl.DataFrame) -> list[tuple[datetime, str]]:
    """Readings that were set aside, with reasons."""
    return derive(site, stored(site), frame, DEFAULT_RULES)[2].select("t_utc", "reason").rows()
