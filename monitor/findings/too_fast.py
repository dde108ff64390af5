"""A meter that rises faster than the system can, so that the account cannot take it."""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from monitor.findings.finding import Seen
from monitor.findings.pair import Flags, Pair, channels
from monitor.findings.spells import Spell
from monitor.models import Kind, Role

#: Share of the unit's running hours that the account cannot take from a meter, and running
#: hours of a day, before the meter is held to rise faster than it can. Common practice, no
#: source.
LOST_SHARE: Final = 0.7
LEAST_RUNNING_H: Final = 3

#: What readings that are too high to be true are set aside for (rule R6).
AWAY: Final = "leaves the register's course and comes back"
TOO_HIGH: Final = (
    "more energy than the site can have in that interval",
    "power outside what the site can have",
    "repeats an old value while the register moved on",
    AWAY,
)

#: Days within which a register that is lost must be seen again to be known alive. Common
#: practice, no source.
SEEN_AGAIN_DAYS: Final = 5

#: Newest judged days, and how few of them suffice: this is far from anything that a home
#: does. Common practice, no source.
TOO_FAST_DAYS: Final = (5, 3)


def too_fast(seen: Seen, beside: Pair, roles: tuple[Role, ...], runs: Flags) -> Spell | None:
    """Days on which a meter is lost just while the unit runs."""
    site = seen.site
    meter = [r for r in site.roles if r.is_heat] if roles[0].is_heat else list(roles)
    aside = seen.suspects.filter(
        pl.col("role").is_in([r.value for r in meter]) & pl.col("reason").is_in(TOO_HIGH)
    )
    refused = beside.count(aside)
    # A register that is thought to come back has bridged what nobody can know.
    away = beside.count(aside.filter(pl.col("reason") == AWAY)) > 0
    placed = beside.placed(seen, roles)
    lost = ~placed | away
    rests = placed & ~runs
    running, of_these = beside.by_day(runs), beside.by_day(runs & lost)
    # Hours of rest that are known, or readings refused, tell a wrong unit from a silent logger.
    alive = (beside.by_day(rests) >= LEAST_RUNNING_H) | (
        beside.by_day(refused) >= np.maximum(of_these, 1.0)
    )
    if all(c.kind is Kind.REGISTER for role in roles for c in channels(site, role)):
        # A register that was silent for a while bridges it (rule R1): what stays lost before
        # it is seen again was refused.
        alive |= _ahead(beside.by_day(placed) > 0, SEEN_AGAIN_DAYS)
    judged = (running >= LEAST_RUNNING_H) & (alive | (of_these < LOST_SHARE * running))
    of_last, least = TOO_FAST_DAYS
    return beside.shows(judged, of_these >= LOST_SHARE * running, of_last=of_last, least_days=least)


def _ahead(flags: Flags, days: int) -> Flags:
    """Whether any of the next days is marked."""
    reached = np.concatenate((flags.astype(np.int64), np.zeros(days, dtype=np.int64)))
    total = np.concatenate(([0], np.cumsum(reached)))
    at = np.arange(len(flags))
    return np.asarray(total[at + 1 + days] - total[at + 1] > 0)
