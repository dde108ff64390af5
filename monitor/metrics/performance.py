"""Performance factors of paired slots (rule R7).

A performance factor of a window is the sum of heat over the sum of electricity in the
slots in which every stream that the boundary needs is known: a ratio of sums over the
same hours, never a mean of ratios.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.metrics.boundary import Recipe
from monitor.metrics.courses import HOUR_US
from monitor.metrics.slots import MEASURED
from monitor.models import Role
from monitor.schemas import SLOT, check

Values = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Blocks:
    """Slots of a boundary, merged into blocks that are used whole or not at all.

    All arrays have one element a block, in order of time, without holes between them.

    Attributes
    ----------
    start, end
        UTC hours since 1970.
    known, bridged
        Whether every stream is known in all its slots; whether any of them is bridged.
    streams
        kWh of each stream in the block (0 where the block is not known).
    u_start, u_end
        For each stream, standard uncertainty of the energy placed at the two edges, kWh.
    excluded
        UTC hours since 1970 that do not count, ascending: neither their energy nor the
        hours themselves.
    """

    recipe: Recipe
    start: Whole
    end: Whole
    known: Flags
    bridged: Flags
    streams: dict[str, Values]
    u_start: dict[str, Values]
    u_end: dict[str, Values]
    excluded: Whole = field(default_factory=lambda: np.empty(0, dtype=np.int64))

    @property
    def heat(self) -> Values:
        """Heat inside the boundary, kWh a block."""
        return self._sum(self.recipe.heat)

    @property
    def electricity(self) -> Values:
        """Electricity inside the boundary, kWh a block."""
        return self._sum(self.recipe.electricity)

    def _sum(self, factors: dict[Role, float]) -> Values:
        total = np.zeros(len(self.start))
        for role, factor in factors.items():
            total += factor * self.streams[str(role)]
        return total


def pair(slots: pl.DataFrame, recipe: Recipe) -> Blocks:
    """Merge the slots of all streams that a boundary needs (R7).

    Bridged blocks of several streams that overlap become one; a merged block is known
    only if every stream is known in each of its slots.

    Parameters
    ----------
    slots
        Frame of schema SLOT of one site.
    """
    names = [str(role) for role in recipe.streams]
    slots = check(slots, SLOT).filter(pl.col("role").is_in(names))
    if slots.height == 0:
        none = np.empty(0, dtype=np.int64)
        nothing: dict[str, Values] = {name: np.empty(0) for name in names}
        flags = np.empty(0, dtype=bool)
        return Blocks(recipe, none, none, flags, flags, nothing, nothing, nothing)
    slots = slots.with_columns(
        [
            (pl.col(c).to_physical() // HOUR_US).alias(f"{c[:-4]}_h")
            for c in ("slot_start_utc", "block_start_utc", "block_end_utc")
        ]
    )
    first = int(slots["slot_start_h"].min())  # type: ignore[arg-type]
    last = int(slots["slot_start_h"].max()) + 1  # type: ignore[arg-type]
    n = last - first

    cut = np.ones(n, dtype=bool)
    known = np.ones(n, dtype=bool)
    bridged = np.zeros(n, dtype=bool)
    energy: dict[str, Values] = {}
    u_start: dict[str, Values] = {}
    u_end: dict[str, Values] = {}
    for name in names:
        own = slots.filter(pl.col("role") == name)
        at = own["slot_start_h"].to_numpy() - first
        begins = own["block_start_h"].to_numpy() - first
        ends = own["block_end_h"].to_numpy() - first
        is_bridge = (own["status"] != MEASURED).to_numpy()
        here = np.zeros(n, dtype=bool)
        here[at] = True
        known &= here
        bridged[at] |= is_bridge
        cut[at[at > begins]] = False
        values = np.zeros(n)
        opens = at == begins
        values[at[opens]] = own["block_kwh"].to_numpy()[opens]
        energy[name] = values
        us, ue = np.zeros(n), np.zeros(n)
        us[at[opens]] = own["u_start_kwh"].to_numpy()[opens]
        closes = at == ends - 1
        ue[at[closes]] = own["u_end_kwh"].to_numpy()[closes]
        u_start[name], u_end[name] = us, ue

    opens_block = np.flatnonzero(cut)
    group = np.cumsum(cut) - 1
    size = np.bincount(group)
    whole = np.bincount(group, weights=known) == size
    return Blocks(
        recipe=recipe,
        start=opens_block + first,
        end=np.append(opens_block[1:], n) + first,
        known=whole,
        bridged=np.bincount(group, weights=bridged) > 0,
        streams={k: np.where(whole, np.bincount(group, weights=v), 0.0) for k, v in energy.items()},
        u_start={k: v[opens_block] for k, v in u_start.items()},
        u_end={k: v[np.append(opens_block[1:], n) - 1] for k, v in u_end.items()},
    )


def exclude(blocks: Blocks, spans: Sequence[tuple[datetime, datetime]]) -> Blocks:
    """Take stretches (UTC, on the hour) out of the account.

    A block that reaches into a stretch is not used, and its hours outside it are missing.
    """
    if not spans:
        return blocks
    hours = np.unique(
        np.concatenate([np.arange(_hour(a), _hour(b), dtype=np.int64) for a, b in spans])
    )
    touched = np.searchsorted(hours, blocks.end) > np.searchsorted(hours, blocks.start)
    known = blocks.known & ~touched
    return replace(
        blocks,
        known=known,
        streams={k: np.where(known, v, 0.0) for k, v in blocks.streams.items()},
        excluded=hours,
    )


#: Columns of the frame that `accounts` returns. Energies in kWh; hours are slots.
ACCOUNT: Final = (
    "start_utc",
    "end_utc",
    "heat_kwh",
    "electricity_kwh",
    "spf",
    "coverage",
    "hours_total",
    "hours_measured",
    "hours_bridged",
    "hours_missing",
    "hours_excluded",
)


def accounts(blocks: Blocks, starts: list[datetime], ends: list[datetime]) -> pl.DataFrame:
    """Energy accounts of any number of windows.

    Parameters
    ----------
    starts, ends
        UTC times on the hour; each window is [start, end).

    Returns
    -------
    pl.DataFrame
        One row a window: the columns of ACCOUNT, then `stream:NAME` (kWh) and
        `u_edge:NAME` (standard uncertainty of the energy at the edges of known runs,
        kWh) for each stream. `spf` is null where no electricity is known.
        In each row hours_total = hours_measured + hours_bridged + hours_missing (R10);
        `hours_excluded` do not count and stand beside it.
    """
    a = np.array([_hour(moment) for moment in starts], dtype=np.int64)
    b = np.array([_hour(moment) for moment in ends], dtype=np.int64)
    i = np.searchsorted(blocks.start, a, side="left")
    j = np.maximum(np.searchsorted(blocks.end, b, side="right"), i)
    size = blocks.end - blocks.start
    hours = size * blocks.known
    measured = _between(hours * ~blocks.bridged, i, j)
    bridged = _between(hours * blocks.bridged, i, j)
    left_out = np.searchsorted(blocks.excluded, b) - np.searchsorted(blocks.excluded, a)
    total = (b - a - left_out).astype(np.float64)
    heat = _between(blocks.heat, i, j)
    electricity = _between(blocks.electricity, i, j)
    columns: dict[str, object] = {
        "start_utc": starts,
        "end_utc": ends,
        "heat_kwh": heat,
        "electricity_kwh": electricity,
        "spf": np.divide(heat, electricity, out=np.full(len(a), np.nan), where=electricity > 0),
        "coverage": np.divide(measured + bridged, total, out=np.zeros(len(a)), where=total > 0),
        "hours_total": total.astype(np.int64),
        "hours_measured": measured.astype(np.int64),
        "hours_bridged": bridged.astype(np.int64),
        "hours_missing": (total - measured - bridged).astype(np.int64),
        "hours_excluded": np.asarray(left_out, dtype=np.int64),
    }
    for name in blocks.streams:
        columns[f"stream:{name}"] = _between(blocks.streams[name], i, j)
        columns[f"u_edge:{name}"] = _edges(blocks, name, i, j)
    return pl.DataFrame(columns).with_columns(
        pl.col("spf").fill_nan(None),
        pl.col("start_utc", "end_utc").cast(pl.Datetime("us", "UTC")),
    )


def _hour(moment: datetime) -> int:
    seconds = moment.timestamp()
    if seconds % 3600:
        message = f"{moment.isoformat()} is not on the hour"
        raise ValueError(message)
    return int(seconds // 3600)


def _between(values: npt.NDArray[np.generic], i: Whole, j: Whole) -> Values:
    """Sums over blocks i up to j, from one running sum."""
    running = np.concatenate(([0.0], np.cumsum(values.astype(np.float64))))
    return np.asarray(running[j] - running[i])


def _edges(blocks: Blocks, name: str, i: Whole, j: Whole) -> Values:
    """Uncertainty at the edges of each run of known blocks; inside a run it cancels."""
    n = len(blocks.known)
    if n == 0:
        return np.zeros(len(i))
    us = blocks.u_start[name] ** 2
    ue = blocks.u_end[name] ** 2
    before = np.concatenate(([False], blocks.known[:-1]))
    after = np.append(blocks.known[1:], False)
    variance = _between(np.where(blocks.known & ~before, us, 0.0), i, j)
    variance += _between(np.where(blocks.known & ~after, ue, 0.0), i, j)
    # A window that begins or ends inside a run has an edge there as well.
    some = j > i
    first, last = np.minimum(i, n - 1), np.clip(j - 1, 0, n - 1)
    variance += np.where(some & blocks.known[first] & before[first], us[first], 0.0)
    variance += np.where(some & blocks.known[last] & after[last], ue[last], 0.0)
    return np.sqrt(np.maximum(variance, 0.0))
