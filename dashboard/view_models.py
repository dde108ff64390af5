"""What a page says, as plain records of text: pure functions of figures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from dashboard import format as fmt
from monitor.guarantee.standing import Standing, StandingWord

#: Standings that want a person.
WANTING: Final = (StandingWord.OFF_COURSE, StandingWord.BLIND, StandingWord.IN_DOUBT)


@dataclass(frozen=True)
class How:
    """How a figure came about, for whoever asks.

    Attributes
    ----------
    of
        What the figure is, so that one answer can be told from another by ear.
    lines
        Two to four sentences: the formula with this site's numbers, period, boundary and
        coverage, the meters, what is assumed and by which source.
    down
        Words and address of what the figure was made from.
    """

    of: str
    lines: tuple[str, ...]
    down: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Fact:
    """A figure with its name, what it means, and how it came about."""

    name: str
    value: str
    remark: str = ""
    how: How | None = None


@dataclass(frozen=True)
class Table:
    """A table as text.

    Attributes
    ----------
    numeric
        Columns that stand to the right.
    hows
        For each row how its figures came about, or None; empty where no row says so.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()
    hows: tuple[How | None, ...] = ()


def spf_interval(standing: Standing | None) -> tuple[str, str]:
    """SPF so far and its 95 % interval."""
    if standing is None or standing.account is None:
        return fmt.NOTHING, ""
    u = standing.account.u_spf
    if standing.account.spf is None:
        return fmt.NOTHING, ""
    return fmt.spf(standing.account.spf, u), fmt.interval(standing.low, standing.high, u)


def extra_cost(standing: Standing | None) -> str:
    """Cost of the electricity beyond what the promise would have needed."""
    money = standing.money if standing else None
    if money is None or money.extra_cost is None:
        return fmt.NOTHING
    return fmt.money(money.extra_cost, money.currency) if money.extra_cost > 0 else "none"


def probability_text(standing: Standing | None) -> str:
    """Probability that the promise is kept so far; none where too little is known to judge."""
    if standing is None or standing.probability is None:
        return fmt.NOTHING
    if standing.word in {StandingWord.BLIND, StandingWord.TOO_EARLY}:
        return "not judged"
    return fmt.share(standing.probability)


def promise_text(standing: Standing | None) -> str:
    """The promised figure with its boundary."""
    if standing is None or standing.promise is None:
        return fmt.NOTHING
    return f"{fmt.promise(standing.promise)}{fmt.NBSP}({standing.boundary})"


def reason(standing: Standing | None) -> str:
    """The standing in a sentence."""
    if standing is None:
        return "The figures of this site have not been computed yet."
    return fmt.unbroken(standing.why)
