"""Windows over which people ask for a performance factor, in the site's local days."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from dateutil.relativedelta import relativedelta

from monitor.models import Site

#: First and last month of the heating season. Common practice, no source.
HEATING_SEASON = (10, 4)


@dataclass(frozen=True)
class Window:
    """A named stretch of local days: from `first` up to, not including, `end`."""

    name: str
    first: date
    end: date


def on_the_hour(moment: datetime) -> datetime:
    """The UTC hour boundary nearest to a moment (zones of half hours have none of their own)."""
    return (moment + timedelta(minutes=30)).replace(minute=0, second=0, microsecond=0)


def span(site: Site, window: Window) -> tuple[datetime, datetime]:
    """UTC times of a window's local midnights."""
    return on_the_hour(site.midnight(window.first)), on_the_hour(site.midnight(window.end))


def local_day(site: Site, moment: datetime) -> date:
    """Local date at a moment."""
    return moment.astimezone(site.tz).date()


def days(first: date, end: date) -> list[Window]:
    """Each day of a stretch."""
    count = (end - first).days
    return [
        Window((first + timedelta(d)).isoformat(), first + timedelta(d), first + timedelta(d + 1))
        for d in range(count)
    ]


def months(first: date, end: date) -> list[Window]:
    """Each calendar month that a stretch touches, whole."""
    out = []
    month = first.replace(day=1)
    while month < end:
        following = month + relativedelta(months=1)
        out.append(Window(month.strftime("%B %Y"), month, following))
        month = following
    return out


def heating_seasons(first: date, end: date) -> list[Window]:
    """Each heating season that a stretch touches, whole."""
    out = []
    opening, closing = HEATING_SEASON
    for year in range(first.year - 1, end.year + 1):
        start = date(year, opening, 1)
        stop = date(year + 1, closing + 1, 1)
        if start < end and stop > first:
            out.append(Window(f"heating season {year}/{(year + 1) % 100:02d}", start, stop))
    return out


def rolling(first: date, end: date, length: int) -> list[Window]:
    """For each day, the window of `length` days that ends with it."""
    return [Window(day.name, day.end - timedelta(length), day.end) for day in days(first, end)]


def without(
    span: tuple[datetime, datetime], excluded: Sequence[tuple[datetime, datetime]]
) -> list[tuple[datetime, datetime]]:
    """What is left of a stretch when others are cut out of it; never empty pieces.

    With nothing left, the stretch comes back with no length, so that sums are zero.
    """
    start, end = span
    left = []
    for a, b in sorted(excluded):
        if a > start:
            left.append((start, min(a, end)))
        start = max(start, b)
        if start >= end:
            break
    if start < end:
        left.append((start, end))
    return [(a, b) for a, b in left if a < b] or [(span[0], span[0])]


def utc_now() -> datetime:
    """The present, for callers at the edge; the core is handed its time."""
    return datetime.now(UTC)
