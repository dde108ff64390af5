"""How the values of a column run: what a register does, and what it does not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[np.float64]
Micros = npt.NDArray[np.int64]

HOUR_US: Final = 3_600_000_000

#: Values that loggers write for 'no value'. Common practice, no source.
SENTINELS: Final = (
    -999.0, -9999.0, -99.9, 999.9, 9999.0, 99999.0, 65535.0, 32767.0, -32768.0, 4294967295.0,
    2147483647.0, -127.0, -3276.8, 6553.5,
)  # fmt: skip
#: Of the steps of a register that change it, at most this share goes down: a swap, a reset,
#: a damaged reading now and then. Common practice, no source.
MOST_FALLS: Final = 0.02
#: Steps that go up from which on it is sure that they all do.
MANY_RISES: Final = 20
#: A step is cut off at this many times the size that 98 of 100 steps stay below, so that a
#: spike does not make the mean.
SPIKE: Final = 5.0


@dataclass(frozen=True)
class Run:
    """What is known of a series of numbers in the order of time.

    Attributes
    ----------
    values, times
        Without what stands for 'no value'; microseconds (or None where no time could be
        read).
    rises, falls
        Steps up and down.
    step_s
        Usual time between values; None without times.
    per_hour
        Rise per hour, robust against spikes and resets; None without times.
    sentinels
        Values that stand for 'no value'.
    """

    values: Values
    times: Micros | None
    rises: int
    falls: int
    step_s: float | None
    per_hour: float | None
    sentinels: tuple[float, ...]

    @property
    def count(self) -> int:
        """Values that are left."""
        return len(self.values)

    @property
    def climbs(self) -> bool:
        """Whether the values only go up, as a register's do."""
        changes = self.rises + self.falls
        return self.rises > 0 and self.falls <= MOST_FALLS * changes

    @property
    def stands(self) -> bool:
        """Whether the value never changes."""
        return self.rises + self.falls == 0

    @property
    def mean(self) -> float:
        """Mean of the values; NaN without any."""
        return float(np.mean(self.values)) if len(self.values) else float("nan")

    @property
    def regular(self) -> bool:
        """Whether most values come one usual step after the one before."""
        if self.times is None or self.step_s is None or len(self.times) < 3:
            return False
        steps = np.diff(self.times) / 1e6
        return bool(np.mean(np.abs(steps - self.step_s) < 0.5) > 0.8)


def run_of(values: Values, times: Micros | None) -> Run:
    """Describe a series.

    Parameters
    ----------
    values
        One a row; NaN where a row holds no number.
    times
        One a row, in microseconds; the least integer where a row has no time.
    """
    known = np.isfinite(values)
    if times is not None:
        known &= times > np.iinfo(np.int64).min
    values = values[known]
    if times is not None:
        times = times[known]
        order = np.argsort(times, kind="stable")
        values, times = values[order], times[order]
    found = sentinels_of(values)
    if found:
        keep = ~np.isin(values, found)
        values, times = values[keep], None if times is None else times[keep]
    steps = np.diff(values)
    step_s = per_hour = None
    if times is not None and len(times) > 1:
        gaps = np.diff(times)
        forward = gaps[gaps > 0]
        if len(forward):
            step_s = float(np.median(forward)) / 1e6
            per_hour = _per_hour(steps, gaps)
    return Run(
        values,
        times,
        int((steps > 0).sum()),
        int((steps < 0).sum()),
        step_s,
        per_hour,
        found,
    )


def _per_hour(steps: Values, gaps: Micros) -> float | None:
    """Mean rise per hour over the steps that can be a register's."""
    timed = gaps > 0
    if not timed.any():
        return None
    hours = gaps[timed] / HOUR_US
    rate = steps[timed] / hours
    rising = rate[rate >= 0]
    if not len(rising):
        return None
    limit = float(np.quantile(rising, 0.98)) or float(np.quantile(rising, 0.999))
    limit = SPIKE * limit if limit > 0 else float(rising.max())
    good = (rate >= 0) & (rate <= limit)
    total = float(hours[good].sum())
    return float((rate[good] * hours[good]).sum() / total) if total > 0 else None


def sentinels_of(values: Values) -> tuple[float, ...]:
    """Values of the usual list that stand apart from all others of the series."""
    found = []
    for one in SENTINELS:
        same = values == one
        count = int(same.sum())
        if not count or count == len(values):
            continue
        rest = values[~same]
        low, high = np.quantile(rest, [0.01, 0.99])
        width = max(float(high - low), 1.0)
        if one > high + 3.0 * width or one < low - 3.0 * width:
            found.append(one)
    return tuple(found)
