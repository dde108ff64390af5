"""How the performance factor has moved of late: a few rolling windows over a year."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Final

from monitor.metrics import periods
from monitor.metrics.performance import Blocks, accounts
from monitor.metrics.periods import Window
from monitor.models import Site

#: Windows of a trend, how long each is, and how far apart: a year in steps that show.
POINTS: Final = 26
LENGTH: Final = timedelta(days=30)
STEP: Final = timedelta(days=14)


def trend(
    site: Site, blocks: Blocks, until: datetime, *, least_coverage: float
) -> tuple[date, list[float | None]]:
    """Rolling SPF of the last year, a fortnight apart.

    Parameters
    ----------
    blocks
        Paired slots inside the boundary.
    until
        UTC; the newest window ends with the last whole local day before.
    least_coverage
        Share of a window's hours that must be known for it to say anything.

    Returns
    -------
    tuple
        The day after the newest window, and `POINTS` values, the oldest first; None where
        too little is known.
    """
    end = periods.local_day(site, until)
    ends = [end - STEP * n for n in reversed(range(POINTS))]
    spans = [periods.span(site, Window("", day - LENGTH, day)) for day in ends]
    found = accounts(blocks, [a for a, _ in spans], [b for _, b in spans])
    return end, [
        spf if covered >= least_coverage else None
        for spf, covered in found.select("spf", "coverage").iter_rows()
    ]
