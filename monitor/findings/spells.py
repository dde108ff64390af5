"""Since when something is so: the stretch of judged days up to today."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
import polars as pl

#: Judged days that say whether something is so today, how few of them suffice, and the
#: share of them that must show it. Common practice, no source.
OF_LAST: Final = 14
LEAST_DAYS: Final = 7
SHARE: Final = 0.6


@dataclass(frozen=True)
class Spell:
    """A stretch of days that shows something up to the newest judged day.

    Attributes
    ----------
    since, until
        First day that shows it, and the newest judged day.
    days, judged
        Days that show it and days judged, from `since` on.
    """

    since: date
    until: date
    days: int
    judged: int


def spell(
    days: pl.DataFrame,
    shown: pl.Expr,
    *,
    of_last: int = OF_LAST,
    least_days: int = LEAST_DAYS,
    share: float = SHARE,
) -> Spell | None:
    """Tell whether the newest judged days show something, and since when.

    Days that cannot be judged (null) neither show nor refute it, so that what was found in
    winter stands until days that can be judged refute it.

    Parameters
    ----------
    days
        One row a day with column `day`, in order.
    shown
        Boolean of each day; null where it cannot be judged.
    of_last, least_days, share
        At least `share` of the newest `of_last` judged days must show it, and at least
        `least_days` of them.

    Returns
    -------
    Spell or None
        None where the newest judged days do not show it. It began on the first day that
        shows it within the unbroken run of windows that do.
    """
    judged = days.select("day", shown.alias("shown")).drop_nulls().sort("day")
    flags = judged["shown"].to_numpy().astype(float)
    if len(flags) < least_days:
        return None
    window = min(of_last, len(flags))
    running = np.convolve(flags, np.ones(window), "valid")
    enough = (running >= share * window) & (running >= least_days)
    if not enough[-1]:
        return None
    broken = np.flatnonzero(~enough)
    begin = int(broken[-1]) + 1 if len(broken) else 0
    first = begin + int(np.argmax(flags[begin:] > 0))
    when = judged["day"].to_list()
    return Spell(when[first], when[-1], int(flags[first:].sum()), len(flags) - first)
