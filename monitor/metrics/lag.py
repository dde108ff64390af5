"""How far the clocks of two meters lie apart, from the energy that they count.

A heat pump makes heat while it takes electricity: hour by hour the two rise and fall
together. If they agree best when one is shifted, one of the clocks is wrong: an hour at a
change of the clock, or more and more by drift.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.metrics.courses import HOUR_US
from monitor.models import Record, Role, Site

Values = npt.NDArray[np.float64]

#: Largest shift that is looked for, hours.
MOST_H: Final = 6

#: Hours that both must know. A month of heating tells an hour from none by far; common
#: practice, no source.
LEAST_HOURS: Final = 500

#: Correlation that the two must reach at their best shift, and by how much it must beat the
#: one without a shift, before a lag is believed. Common practice, no source.
LEAST_CORRELATION: Final = 0.4
LEAST_GAIN: Final = 0.05

#: A lag below this is none: heat leaves the unit some minutes after the compressor starts, and
#: hours tell no less. Common practice, no source.
LEAST_LAG_H: Final = 0.4

#: Days of a stretch by which a drift is seen.
STRETCH_DAYS: Final = 91


class Lag(Record):
    """Heat meter behind the electricity meter.

    Attributes
    ----------
    hours
        How much later heat is stamped than the electricity that made it; negative where
        earlier.
    correlation, unshifted
        Of the two, hour by hour, at the best shift and without one.
    by_quarter
        The same lag for each stretch of a quarter of a year that tells one, in order.
    """

    hours: float
    correlation: float
    unshifted: float
    by_quarter: tuple[float, ...] = ()

    @property
    def is_doubtful(self) -> bool:
        """Whether the clocks differ by more than hours and physics explain."""
        return (
            abs(self.hours) >= LEAST_LAG_H
            and self.correlation >= LEAST_CORRELATION
            and self.correlation - self.unshifted >= LEAST_GAIN
        )


def clock_lag(site: Site, slots: pl.DataFrame) -> Lag | None:
    """Compare the hourly course of heat with that of the electricity that makes it.

    Both are freed of their daily mean, which says what the weather does and not what the
    clock shows. The best whole hour is found by correlation and refined by the parabola
    through its neighbours.

    Parameters
    ----------
    slots
        Frame of schema SLOT of the window in question.

    Returns
    -------
    Lag or None
        None where heat and electricity are not both measured for enough hours, or one
        meter counts both.
    """
    heat = _stream(site, slots, (Role.HEAT_TOTAL, Role.HEAT_SPACE))
    used = _stream(site, slots, (Role.ELEC_UNIT, Role.ELEC_TOTAL))
    if heat is None or used is None:
        return None
    first = min(heat[0][0], used[0][0])
    count = max(heat[0][-1], used[0][-1]) - first + 1
    a, b = _course(heat, first, count), _course(used, first, count)
    whole = _best(a, b)
    if whole is None:
        return None
    length = STRETCH_DAYS * 24
    parts = [_best(a[i : i + length], b[i : i + length]) for i in range(0, count, length)]
    hours, best, unshifted = whole
    return Lag(
        hours=hours,
        correlation=best,
        unshifted=unshifted,
        by_quarter=tuple(part[0] for part in parts if part is not None),
    )


def _stream(
    site: Site, slots: pl.DataFrame, roles: tuple[Role, ...]
) -> tuple[npt.NDArray[np.int64], Values] | None:
    """Measured hours (since 1970) and kWh of the first of some roles that the site has."""
    role = next((r for r in roles if r in site.roles), None)
    if role is None:
        return None
    own = slots.filter((pl.col("role") == role.value) & pl.col("kwh").is_not_null()).sort(
        "slot_start_utc"
    )
    if own.height < LEAST_HOURS:
        return None
    hour = own["slot_start_utc"].to_physical().to_numpy() // HOUR_US
    return hour.astype(np.int64), own["kwh"].to_numpy()


def _course(stream: tuple[npt.NDArray[np.int64], Values], first: int, count: int) -> Values:
    """Energy by the hour less the mean of its UTC day; NaN where it is not measured."""
    hour, kwh = stream
    out = np.full(count, np.nan)
    out[hour - first] = kwh
    day = (np.arange(count) + first) // 24
    day -= day[0]
    known = np.isfinite(out)
    total = np.bincount(day, weights=np.where(known, out, 0.0))
    seen = np.bincount(day, weights=known)
    return np.asarray(out - (total / np.maximum(seen, 1.0))[day])


def _best(a: Values, b: Values) -> tuple[float, float, float] | None:
    """Lag of a behind b, its correlation, and the correlation without one."""
    found = []
    for shift in range(-MOST_H, MOST_H + 1):
        left = a[max(shift, 0) : len(a) + min(shift, 0)]
        right = b[max(-shift, 0) : len(b) + min(-shift, 0)]
        both = np.isfinite(left) & np.isfinite(right)
        if both.sum() < LEAST_HOURS:
            return None
        x, y = left[both] - left[both].mean(), right[both] - right[both].mean()
        size = float(np.sqrt((x @ x) * (y @ y)))
        if size == 0.0:
            return None
        found.append(float(x @ y) / size)
    values = np.array(found)
    at = int(np.argmax(values))
    refined = 0.0
    if 0 < at < len(values) - 1:
        before, here, after = values[at - 1 : at + 2]
        curve = before - 2.0 * here + after
        refined = 0.5 * (before - after) / curve if curve < 0 else 0.0
    return at - MOST_H + refined, float(values[at]), float(values[MOST_H])
