"""What the fleet page says, as plain records of text: pure functions of its rows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

import polars as pl

from dashboard import format as fmt
from dashboard import theme
from dashboard.fleet_data import Fleet
from dashboard.fleet_query import COHORT_WORDS, NOT_STATED
from dashboard.sparkline import Picture, sparkline, values
from dashboard.view_models import WANTING
from monitor.guarantee.standing import StandingWord

Row = Mapping[str, Any]

#: Cohorts of fewer judged sites say little. Common practice, no source.
LEAST_JUDGED: Final = 5

_NOT_JUDGED: Final = (StandingWord.BLIND, StandingWord.TOO_EARLY)

#: Looks of all standings, worst first.
LOOKS: Final = (
    *(theme.look(word) for word in sorted(StandingWord, key=lambda word: word.urgency)),
    theme.NOT_COMPUTED,
)


@dataclass(frozen=True)
class Chip:
    """A filter: a standing and how many sites have it."""

    look: theme.Look
    count: int
    href: str
    chosen: bool


@dataclass(frozen=True)
class FleetLine:
    """One site of the fleet as text."""

    site_id: str
    name: str
    place: str
    look: theme.Look
    why: str
    promise: str
    cost: str
    spf: str
    interval: str
    coverage: str
    ahead: str
    ahead_interval: str
    finding: str
    finding_href: str
    more_findings: str
    age: str
    left: str
    trend: Picture | None


@dataclass(frozen=True)
class CohortLine:
    """One cohort as text; `value` is the digest that the address bar holds."""

    value: str
    name: str
    sites: str
    on_course: str
    off_course: str
    gap: str
    middle: str
    beside: str
    mark: str


def word_of(row: Row) -> StandingWord | None:
    """A site's standing; None where it was not computed yet."""
    return StandingWord(row["word"]) if row["word"] is not None else None


def look(word: str | None) -> theme.Look:
    """How a kept standing is shown."""
    return theme.look(None if word is None else StandingWord(word))


def why(row: Row) -> str:
    """The reason as short as a row of the fleet allows; the other columns say the rest."""
    word = word_of(row)
    if word is None:
        return "The figures of this site have not been computed yet."
    if row["gap"] is None:
        return fmt.unbroken(row["why"] or "")
    side = "above" if row["gap"] >= 0 else "below"
    said = f"{fmt.spf(abs(row['gap']), row['u_spf'])} {side} the promise"
    if row["probability"] is not None:
        said += f"; probability so far {fmt.share(row['probability'])}"
    return said


def probability(row: Row) -> str:
    """Probability that the promise is kept so far; none where too little is known to judge."""
    if row["probability"] is None:
        return fmt.NOTHING
    return "not judged" if word_of(row) in _NOT_JUDGED else fmt.share(row["probability"])


def promise(row: Row) -> str:
    """The promised figure with its boundary."""
    if row["promise"] is None:
        return fmt.NOTHING
    return f"{fmt.promise(row['promise'])}{fmt.NBSP}({row['boundary']})"


def spf_interval(row: Row) -> str:
    """The 95 % interval of the SPF; empty where there is no SPF."""
    return "" if row["spf"] is None else fmt.interval(row["low"], row["high"], row["u_spf"])


def extra_cost(row: Row) -> str:
    """Cost of the electricity beyond what the promise would have needed."""
    if row["extra_cost"] is None:
        return fmt.NOTHING
    return fmt.money(row["extra_cost"], row["currency"]) if row["extra_cost"] > 0 else "none"


def left(row: Row) -> str:
    """Days that are left, or how the promise was settled."""
    said = fmt.days_left(row["days_left"])
    return f"{said}: {row['settlement']}" if row["settlement"] else said


def ahead(row: Row) -> tuple[str, str]:
    """Probability by the end of the period, and the SPF expected then."""
    if row["ahead_now"] is None:
        return fmt.NOTHING, ""
    return fmt.share(row["ahead_now"]), f"SPF {fmt.interval(row['ahead_low'], row['ahead_high'])}"


def line(row: Row, now: datetime) -> FleetLine:
    """One site of the fleet as text."""
    likely, between = ahead(row)
    others = row["findings"] - 1
    cost = extra_cost(row)
    return FleetLine(
        site_id=row["site_id"],
        name=row["name"],
        place=row["place"],
        look=look(row["word"]),
        why=why(row),
        promise=promise(row),
        cost="" if cost in {fmt.NOTHING, "none"} else f"{cost} extra so far",
        spf=fmt.spf(row["spf"], row["u_spf"]),
        interval=spf_interval(row),
        coverage="" if row["coverage"] is None else f"{fmt.share(row['coverage'])} covered",
        ahead=likely,
        ahead_interval=between,
        finding=row["finding"] or fmt.NOTHING,
        finding_href=f"/site/{row['site_id']}/finding/{row['finding_id']}",
        more_findings=f"and {fmt.number(others)} more" if others > 0 else "",
        age=fmt.age(row["newest_reading"], now),
        left=left(row),
        trend=sparkline(values(row["trend"]), row["promise"]),
    )


def attention(total: Mapping[str, int]) -> str:
    """The fleet in one sentence.

    Parameters
    ----------
    total
        Sites with each standing, by its look in the style sheet.
    """
    every = sum(total.values())
    if every == 0:
        return "There is no site in this store yet."
    counts = {word.value: total.get(theme.look(word).css, 0) for word in WANTING}
    wanting = sum(counts.values())
    sites = fmt.plural(every, "site")
    if wanting == 0:
        return (
            "The one site does not need attention today."
            if every == 1
            else f"None of {sites} needs attention today."
        )
    kinds = fmt.listing([f"{fmt.number(n)} {word}" for word, n in counts.items() if n])
    verb = "needs" if wanting == 1 else "need"
    return f"{fmt.number(wanting)} of {sites} {verb} attention: {kinds}."


def chips(fleet: Fleet) -> list[Chip]:
    """A filter for each standing that a site asked for has."""
    query = fleet.query
    return [
        Chip(
            look,
            fleet.found.get(look.css, 0),
            replace(query, standing="" if query.standing == look.css else look.css, page=1).search,
            chosen=query.standing == look.css,
        )
        for look in LOOKS
        if fleet.found.get(look.css) or query.standing == look.css
    ]


def found(fleet: Fleet) -> str:
    """How many sites are shown."""
    every = sum(fleet.total.values())
    shown = f"{fmt.plural(fleet.matching, 'site')} shown"
    if fleet.matching != every:
        shown = f"{fmt.number(fleet.matching)} of {fmt.plural(every, 'site')} shown"
    return f"{shown}, page {fleet.query.page} of {fleet.pages}" if fleet.pages > 1 else shown


def chosen(fleet: Fleet) -> list[tuple[str, str]]:
    """Cohorts that were chosen: words, and the query without each."""
    query = fleet.query
    return [
        (
            f"{COHORT_WORDS[key]}: {fleet.chosen.get(key, 'none of yours') or NOT_STATED}",
            query.choosing(key, None).search,
        )
        for key, _ in query.cohorts
    ]


def cohort_lines(frame: pl.DataFrame) -> list[CohortLine]:
    """Cohorts as text (see `monitor.store.fleet.cohorts`), those that say little last."""
    rows = sorted(frame.iter_rows(named=True), key=lambda row: row["judged"] < LEAST_JUDGED)
    return [_cohort(row) for row in rows]


def _cohort(row: Row) -> CohortLine:
    middle = fmt.NOTHING
    if row["judged"] > 1:
        middle = f"{fmt.signed(row['gap_25'])}{fmt.NBSP}to{fmt.NBSP}{fmt.signed(row['gap_75'])}"
    mark, beside = _beside(row)
    return CohortLine(
        value=row["token"],
        name=row["cohort"] or NOT_STATED,
        sites=fmt.number(row["sites"]),
        on_course=_counted(row["on_course"], row["sites"]),
        off_course=_counted(row["off_course"], row["sites"]),
        gap=fmt.NOTHING if row["gap"] is None else fmt.signed(row["gap"]),
        middle=middle,
        beside=beside,
        mark=mark,
    )


def _counted(count: int, of: int) -> str:
    return f"{fmt.number(count)}{fmt.NBSP}({fmt.share(count / of)})"


def _beside(row: Row) -> tuple[str, str]:
    """Shape and words: where a cohort lies beside all sites that are shown."""
    if row["judged"] < LEAST_JUDGED:
        return "", f"only {fmt.number(row['judged'])} judged"
    apart = row["gap"] - row["gap_all"]
    if row["high"] < row["gap_all"]:
        return "▼", f"{fmt.number(abs(apart), 2)} below all"
    if row["low"] > row["gap_all"]:
        return "▲", f"{fmt.number(apart, 2)} above all"
    return "", "like all"
