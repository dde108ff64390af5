"""From courses to slots: the hourly grid on which energy is accounted (rules R2, R3, R5)."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.metrics.courses import HOUR_US, POINTS
from monitor.rules import Rules
from monitor.schemas import SLOT, STATE_SLOT, empty

MEASURED: Final = "measured"
BRIDGED: Final = "bridged"

#: An hour of which less than this is covered (3.6 ms) has no mean: rounding would make it.
SHORTEST_HOUR_SHARE: Final = 1e-6

Micros = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]


def chain(parts: list[pl.DataFrame]) -> pl.DataFrame:
    """String the courses of one role's meter fits together.

    Where one fit ends at the very instant at which the next begins (a swap with
    readings of both meters), the course goes on; elsewhere the energy between them is
    missing (R5). What an earlier fit states of the time after the next one began (a held
    sample, an interval across the swap) is left out.

    Parameters
    ----------
    parts
        Points of each fit (schema POINTS), in any order.
    """
    parts = sorted((part for part in parts if part.height), key=lambda part: int(part["t_us"][0]))
    if not parts:
        return pl.DataFrame(schema=POINTS)
    begins = [int(part["t_us"][0]) for part in parts[1:]]
    parts = [*(_until(part, t) for part, t in zip(parts, begins, strict=False)), parts[-1]]
    out: list[pl.DataFrame] = []
    course, total, end = -1, 0.0, None
    for part in parts:
        first = int(part["t_us"][0])
        joined = end is not None and first == end
        shift = course + (0 if joined else 1) - int(part["course"][0])
        rise = total - float(part["total"][0]) if joined else 0.0
        # A rise is added to the whole part: only differences within a course count.
        moved = part.with_columns(pl.col("course") + shift, pl.col("total") + rise)
        out.append(moved.slice(1) if joined else moved)
        course = int(moved["course"][-1])
        total = float(moved["total"][-1])
        end = int(moved["t_us"][-1])
    return pl.concat(out)


def _until(part: pl.DataFrame, moment: int) -> pl.DataFrame:
    """Points up to a moment; a course that is truly linear there is cut, any other ends before."""
    if int(part["t_us"][-1]) <= moment:
        return part
    kept = part.filter(pl.col("t_us") <= moment)
    (course, t, total, exact), following = kept.row(-1), part.row(kept.height)
    if not exact or course != following[0]:
        return kept
    share = (moment - t) / (following[1] - t)
    cut = (course, moment, total + share * (following[2] - total), exact)
    return pl.concat([kept, pl.DataFrame([cut], schema=POINTS, orient="row")])


def _to_utc(column: str) -> pl.Expr:
    return pl.col(column).cast(pl.Datetime("us")).dt.replace_time_zone("UTC").alias(column)


def energy_slots(
    points: pl.DataFrame, role: str, *, max_power_kw: float, rules: Rules
) -> pl.DataFrame:
    """Place the energy of one stream on the hourly grid.

    An hour boundary is known if it falls on a reading or between two readings at most
    `rules.max_profile_gap` apart (R2). Slots between neighbouring known boundaries are
    `measured` if they are one hour and else one `bridged` block with a known total.

    A reading that stands alone inside long gaps and off the hour (a meter read by hand
    at twenty past ten) would tie every block to the next without end. There the nearest
    hour boundary is taken as known, by interpolation, and its uncertainty is stated:
    the energy between the boundary and the reading is rectangular between nothing and
    what the gap or the largest plausible power allows.

    Returns
    -------
    pl.DataFrame
        Frame of schema SLOT with the known slots only; a slot that is not there is
        missing.
    """
    if points.height < 2:
        return empty(SLOT)
    course = points["course"].to_numpy()
    t = points["t_us"].to_numpy()
    total = points["total"].to_numpy()
    exact = points["exact"].to_numpy()

    hour, left = _boundaries(course, t)
    if len(hour) == 0:
        return empty(SLOT)
    right = np.minimum(left + 1, len(t) - 1)
    on_point = t[left] == hour
    right = np.where(on_point, left, right)
    gap = t[right] - t[left]
    near = gap <= int(rules.max_profile_gap.total_seconds() * 1e6)
    known = on_point | near | _stands_alone(hour, left, right, course, t, near)
    hour, left, right, gap = hour[known], left[known], right[known], gap[known]
    if len(hour) < 2:
        return empty(SLOT)

    share = np.where(gap > 0, (hour - t[left]) / np.maximum(gap, 1), 0.0)
    step = total[right] - total[left]
    at_hour = total[left] + share * step
    u = _edge_uncertainty(hour - t[left], t[right] - hour, share, step, max_power_kw)
    u = np.where(exact[left], 0.0, u)

    same = course[left][1:] == course[left][:-1]
    start, end = hour[:-1][same], hour[1:][same]
    energy = np.diff(at_hour)[same]
    u_start, u_end = u[:-1][same], u[1:][same]
    length = (end - start) // HOUR_US
    frame = pl.DataFrame(
        {
            "block_start_utc": start,
            "block_end_utc": end,
            "block_kwh": energy,
            "u_start_kwh": u_start,
            "u_end_kwh": u_end,
            "length": length,
        }
    )
    return (
        frame.with_columns(
            pl.int_ranges(
                pl.col("block_start_utc"), pl.col("block_end_utc"), HOUR_US, dtype=pl.Int64
            ).alias("slot_start_utc")
        )
        .explode("slot_start_utc")
        .with_columns(
            pl.lit(role).alias("role"),
            pl.when(pl.col("length") == 1)
            .then(pl.lit(MEASURED))
            .otherwise(pl.lit(BRIDGED))
            .alias("status"),
            pl.when(pl.col("length") == 1).then(pl.col("block_kwh")).alias("kwh"),
            _to_utc("slot_start_utc"),
            _to_utc("block_start_utc"),
            _to_utc("block_end_utc"),
        )
        .select(list(SLOT))
    )


def _boundaries(course: Micros, t: Micros) -> tuple[Micros, Micros]:
    """Hour boundaries inside each course, and the index of the last point at or before each."""
    first = np.flatnonzero(np.concatenate(([True], course[1:] != course[:-1])))
    last = np.concatenate((first[1:] - 1, [len(t) - 1]))
    from_hour = -(-t[first] // HOUR_US)
    count = np.maximum(t[last] // HOUR_US - from_hour + 1, 0)
    offset = np.repeat(np.cumsum(count) - count, count)
    hour = (np.repeat(from_hour, count) + np.arange(count.sum()) - offset) * HOUR_US
    # Points of later courses may start where an earlier one ends: stay inside one's own.
    left = np.searchsorted(t, hour, side="right") - 1
    left = np.clip(left, np.repeat(first, count), np.repeat(last, count))
    return hour, left


def _stands_alone(
    hour: Micros,
    left: Micros,
    right: Micros,
    course: Micros,
    t: Micros,
    near: npt.NDArray[np.bool_],
) -> npt.NDArray[np.bool_]:
    """Mark the boundary to take as known beside each reading that no other boundary serves."""
    chosen = np.zeros(len(hour), dtype=bool)
    far = np.flatnonzero(~near & (t[left] != hour))
    if len(far) == 0:
        return chosen
    ok = near | (t[left] == hour)
    known = _key(course[left[ok]], hour[ok])
    # Candidates: boundaries in a long gap within an hour of the gap's first or last reading,
    # unless that reading has a known boundary less than an hour away.
    to_left, to_right = hour[far] - t[left[far]], t[right[far]] - hour[far]
    point = np.concatenate((left[far], right[far]))
    before = t[point] // HOUR_US * HOUR_US
    served = np.isin(_key(course[point], before), known) | np.isin(
        _key(course[point], before + HOUR_US), known
    )
    candidates = pl.DataFrame(
        {
            "point": point,
            "boundary": np.concatenate((far, far)),
            "distance": np.concatenate((to_left, to_right)),
            "served": served,
        }
    ).filter((pl.col("distance") < HOUR_US) & ~pl.col("served"))
    if candidates.height:
        best = candidates.sort("point", "distance", "boundary").unique("point", keep="first")
        chosen[best["boundary"].to_numpy()] = True
    return chosen


def _key(course: Micros, hour: Micros) -> Micros:
    """One number for a course and an hour, unique until the year 6000."""
    return course * 2**25 + hour // HOUR_US


def _edge_uncertainty(
    after: Micros, before: Micros, share: Values, step: Values, max_power_kw: float
) -> Values:
    """Standard uncertainty of the energy placed before an interpolated boundary, in kWh.

    Between the boundary and the nearer reading lies an energy between 0 and `most`
    (a rectangular distribution, JCGM 100:2008, 4.3.7), of which the interpolation
    states `placed`; the root mean square deviation from it is returned.
    """
    nearer = np.minimum(after, before)
    size = np.abs(step)
    most = np.minimum(size, max_power_kw * nearer / HOUR_US)
    placed = np.where(after <= before, share, 1 - share) * size
    placed = np.minimum(placed, most)
    return np.where(nearer > 0, np.sqrt(most**2 / 12 + (most / 2 - placed) ** 2), 0.0)


def state_slots(points: pl.DataFrame, role: str) -> pl.DataFrame:
    """Hourly time-weighted means of a plain quantity, with the share of the hour covered.

    Returns
    -------
    pl.DataFrame
        Frame of schema STATE_SLOT; hours without any sample are not there.
    """
    if points.height < 2:
        return empty(STATE_SLOT)
    course = points["course"].to_numpy()
    t = points["t_us"].to_numpy()
    total = points["total"].to_numpy()
    # Running integral and running covered time, flat between courses, read off at the hours.
    inside = course[1:] == course[:-1]
    covered = np.concatenate(([0], np.cumsum(np.where(inside, np.diff(t), 0))))
    integral = np.concatenate(([0.0], np.cumsum(np.where(inside, np.diff(total), 0.0))))
    hour = np.arange(t[0] // HOUR_US, -(-t[-1] // HOUR_US) + 1) * HOUR_US
    share = np.diff(np.rint(np.interp(hour, t, covered))) / HOUR_US
    held = np.diff(np.interp(hour, t, integral))
    known = share > SHORTEST_HOUR_SHARE
    return (
        pl.DataFrame(
            {
                "slot_start_utc": hour[:-1][known],
                "mean": held[known] / share[known],
                "covered": share[known],
            }
        )
        .with_columns(pl.lit(role).alias("role"), _to_utc("slot_start_utc"))
        .select(list(STATE_SLOT))
    )
