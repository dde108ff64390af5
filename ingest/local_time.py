"""Local time of a zone as UTC, and the hours that occur twice or never.

Times are microseconds since 1970 in numpy arrays.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC as PY_UTC
from datetime import datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SECOND = 1_000_000
DAY = 86_400 * SECOND

_OFFSET = re.compile(r"([+-])(\d{2}):(\d{2})")
#: So many rows on each side of a double hour must run the same way for its order to count.
NEIGHBOURS = 5


@dataclass(frozen=True)
class Zone:
    """Zone of stamps without an offset: a place's, or a fixed offset in microseconds."""

    name: str
    fixed: int | None = None


def parse_zone(text: str) -> Zone:
    """Read 'UTC', a fixed offset such as '+01:00', or a zone name such as 'Europe/London'.

    Raises
    ------
    ValueError
        It is none of these.
    """
    if text == "UTC":
        return Zone(text, 0)
    offset = _OFFSET.fullmatch(text)
    if offset:
        minutes = int(offset[2]) * 60 + int(offset[3])
        if int(offset[3]) < 60 and minutes <= 14 * 60:
            return Zone(text, (-1 if offset[1] == "-" else 1) * minutes * 60 * SECOND)
    else:
        try:
            ZoneInfo(text)
        except (KeyError, ValueError, OSError):
            pass
        else:
            return Zone(text)
    message = (
        f"'{text}' is not a zone: write a name such as 'Europe/London', 'UTC', "
        "or a fixed offset such as '+01:00'"
    )
    raise ValueError(message)


@lru_cache(maxsize=4096)
def _changes_of_year(name: str, year: int) -> tuple[tuple[int, int, int], ...]:
    """Give (UTC second, offset before, offset after) of each change of a zone's offset."""
    zone = ZoneInfo(name)

    def offset(second: int) -> int:
        moment = datetime.fromtimestamp(second, tz=PY_UTC).astimezone(zone)
        return int((moment.utcoffset() or timedelta()).total_seconds())

    begin = int(datetime(year, 1, 1, tzinfo=PY_UTC).timestamp())
    end = int(datetime(year + 1, 1, 1, tzinfo=PY_UTC).timestamp())
    found = []
    for low, high in pairwise(range(begin, end + 1, 86_400)):
        before, after = offset(low), offset(high)
        if before == after:
            continue
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if offset(middle) == before else (low, middle)
        found.append((high, before, after))
    return tuple(found)


@dataclass(frozen=True)
class _Changes:
    """Changes of offset that matter to some stamps; arrays in microseconds."""

    utc: Ints
    before: Ints
    after: Ints

    @property
    def first(self) -> Ints:
        """First local time that the change makes double or skips."""
        return self.utc + np.minimum(self.before, self.after)

    @property
    def last(self) -> Ints:
        """Local time from which on all is plain again."""
        return self.utc + np.maximum(self.before, self.after)


def _changes(local: Ints, zone: Zone) -> _Changes:
    ends = np.array([local.min(), local.max()], dtype="datetime64[us]")
    years = ends.astype("datetime64[Y]").astype(np.int64)
    first, last = int(years.min()) + 1969, int(years.max()) + 1971
    rows = [
        change for year in range(first, last + 1) for change in _changes_of_year(zone.name, year)
    ]
    table = np.array(rows, dtype=np.int64).reshape(-1, 3) * SECOND
    return _Changes(table[:, 0], table[:, 1], table[:, 2])


def to_utc(local: Ints, floating: Bools, zone: Zone) -> tuple[Ints, Bools, Bools]:
    """Give UTC, with a double hour read as its first pass.

    Returns
    -------
    tuple
        UTC times; masks of the local times that clocks skip, and of those that occur twice.
        Times that are not `floating` are UTC already.
    """
    none = np.zeros(len(local), dtype=np.bool_)
    if zone.fixed is not None:
        return np.where(floating, local - zone.fixed, local), none, none.copy()
    if not floating.any():
        return local.copy(), none, none.copy()
    changes = _changes(local[floating], zone)
    if not len(changes.utc):
        some = datetime.fromtimestamp(int(local[floating][0]) / SECOND, tz=PY_UTC)
        offset = some.replace(tzinfo=ZoneInfo(zone.name)).utcoffset() or timedelta()
        steady = int(offset.total_seconds()) * SECOND
        return np.where(floating, local - steady, local), none, none.copy()
    passed = np.searchsorted(changes.last, local, side="right")
    offsets = np.concatenate((changes.before[:1], changes.after))
    coming = np.minimum(passed, len(changes.utc) - 1)
    touched = floating & (passed < len(changes.utc)) & (local >= changes.first[coming])
    forward = (changes.after > changes.before)[coming]
    utc = np.where(floating, local - offsets[passed], local)
    return utc, touched & forward, touched & ~forward


def later_pass(local: Ints, zone: Zone) -> Ints:
    """Give UTC of local times that occur twice, read as their second pass."""
    changes = _changes(local, zone)
    change = np.searchsorted(changes.last, local, side="right")
    return np.asarray(local - changes.after[change], dtype=np.int64)


def resolve_fold(local: Ints, in_fold: Bools, group: Ints | None, zone: Zone) -> tuple[Ints, Bools]:
    """Tell the two passes of each double hour apart by the order of the file.

    Told is an hour whose rows stand together in their group, with rows before it that
    are earlier and after it that are later (or all the other way round, newest first),
    and whose time steps back exactly once.

    Returns
    -------
    tuple
        Rows of the later pass, and a mask of the rows whose pass is told.
    """
    order = np.arange(len(local)) if group is None else np.argsort(group, kind="stable")
    series = np.zeros(len(local), dtype=np.int64) if group is None else group[order]
    changes = _changes(local[in_fold], zone)
    which = np.searchsorted(changes.last, local[order], side="right")
    double = in_fold[order]
    # A run is a stretch of neighbouring rows in the same double hour of one group.
    key = np.where(double, which, -1)
    cuts = np.flatnonzero((np.diff(key) != 0) | (np.diff(series) != 0)) + 1
    starts = np.concatenate(([0], cuts))
    ends = np.concatenate((cuts, [len(local)]))
    runs = [(s, e) for s, e in zip(starts, ends, strict=True) if double[s]]
    seen: dict[tuple[int, int], int] = {}
    for start, _ in runs:
        name = (int(series[start]), int(key[start]))
        seen[name] = seen.get(name, 0) + 1

    told = np.zeros(len(local), dtype=np.bool_)
    later: list[Ints] = []
    for start, end in runs:
        if seen[int(series[start]), int(key[start])] > 1:
            continue
        rows = order[start:end]
        before = order[max(start - NEIGHBOURS, 0) : start]
        after = order[end : end + NEIGHBOURS]
        if group is not None:
            before = before[group[before] == series[start]]
            after = after[group[after] == series[start]]
        second = _second_pass(local[rows], local[before], local[after])
        if second is not None:
            told[rows] = True
            later.append(rows[second])
    return (np.concatenate(later) if later else np.zeros(0, dtype=np.int64)), told


def _second_pass(times: Ints, before: Ints, after: Ints) -> slice | None:
    """Give which rows of a double hour are its later pass, or None where that is open."""

    def runs_up(sign: int) -> bool:
        lead, tail = sign * before, sign * after
        inner = sign * times
        return bool(
            (np.diff(lead) > 0).all()
            and (np.diff(tail) > 0).all()
            and (not len(lead) or lead[-1] < inner.min())
            and (not len(tail) or tail[0] > inner.max())
        )

    steps = np.diff(times)
    falls, rises = np.flatnonzero(steps <= 0), np.flatnonzero(steps >= 0)
    # How often the order steps back if the file runs upward, or downward; 0 means that
    # the hour would stand there once only.
    back = {sign: len(turns) for sign, turns in ((1, falls), (-1, rises)) if runs_up(sign)}
    if [count for count in back.values() if count <= 1] != [1]:
        return None
    if back.get(1) == 1:
        return slice(falls[0] + 1, None)
    return slice(None, rises[0] + 1)
