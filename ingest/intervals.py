"""Start and length of readings that are energy in an interval."""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from ingest.clock import Stamps, calendar_shift
from ingest.local_time import DAY, SECOND, Bools
from ingest.profile import Column
from ingest.spacing import Spacing


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
    mask = used & stamps.utc.is_not_null().to_numpy()
    spacing = Spacing()
    spacing.add(stamps.utc.to_physical().fill_null(0).to_numpy()[mask], stamps.local[mask])
    return spacing.settle(file=file, where=where)


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
