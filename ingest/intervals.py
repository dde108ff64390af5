"""Start and length of readings that are energy in an interval."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl

from ingest.clock import Stamps, calendar_shift
from ingest.errors import Terminal
from ingest.local_time import DAY, SECOND, Bools
from ingest.profile import Column

#: Share of steps that may be no multiple of the usual one (a logger's clock set right).
ODD_STEPS_ALLOWED = 0.01


def usual_step(stamps: Stamps, used: Bools, *, file: str, where: str) -> tuple[timedelta, str]:
    """Take the length of intervals from the spacing of their stamps.

    Parameters
    ----------
    stamps
        Stamps of the file's rows.
    used
        Mask of the rows that hold a reading of the column.
    where
        The column's name, for sentences.

    Returns
    -------
    tuple
        The usual step, and a sentence that says what was taken.

    Raises
    ------
    Terminal
        There is no usual step; the profile must say `interval`.
    """
    advice = f"Give the column '{where}' an 'interval' in the profile, such as \"PT15M\"."
    mask = used & stamps.utc.is_not_null().to_numpy()
    times = np.unique(stamps.utc.to_physical().to_numpy()[mask])
    if len(times) < 2:
        message = f"{file}: the column '{where}' has too few times to tell its interval. {advice}"
        raise Terminal(message)
    steps, counts = np.unique(np.diff(times), return_counts=True)
    usual = int(steps[np.argmax(counts)])
    if usual >= DAY:
        # Days are regular on the local calendar, although some have 23 or 25 hours.
        local = np.unique(stamps.local[mask])
        steps, counts = np.unique(np.diff(local), return_counts=True)
        usual = int(steps[np.argmax(counts)])
    odd = int(counts[steps % usual != 0].sum())
    if usual % SECOND or usual > 366 * DAY or odd > ODD_STEPS_ALLOWED * counts.sum():
        message = (
            f"{file}: the times of the column '{where}' are not evenly spaced, "
            f"so its interval cannot be told. {advice}"
        )
        raise Terminal(message)
    length = timedelta(microseconds=usual)
    note = f"The column '{where}' has a reading every {length}; that is taken as its interval."
    if odd:
        note += f" {odd} of {int(counts.sum())} steps differ."
    return length, note


def bounds(stamps: Stamps, column: Column, length: timedelta) -> pl.DataFrame:
    """Give start and duration of each row's interval.

    A whole number of days follows the local calendar: such an interval lasts 23 or 25
    hours where clocks change. Other lengths are elapsed time.

    Returns
    -------
    polars.DataFrame
        `t_utc` and `duration_s`, as long as the stamps.
    """
    seconds = int(length.total_seconds())
    sign = 1 if column.stamp == "start" else -1
    days, rest = divmod(seconds, DAY // SECOND)
    if rest == 0:
        other = calendar_shift(stamps, sign * days)
        elapsed = (other - stamps.utc).dt.total_seconds().abs().cast(pl.Int32)
        start = stamps.utc if sign > 0 else other
        return pl.DataFrame({"t_utc": start, "duration_s": elapsed})
    start = stamps.utc if sign > 0 else stamps.utc - length
    duration = pl.repeat(seconds, len(start), dtype=pl.Int32, eager=True)
    return pl.DataFrame({"t_utc": start.alias("t_utc"), "duration_s": duration})
