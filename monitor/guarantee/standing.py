"""Where a site stands against its promise today."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from enum import StrEnum
from math import floor

import polars as pl

from monitor.errors import CannotMeasureError
from monitor.guarantee.conformance import Decision, conformance_probability, decide, percent
from monitor.guarantee.money import Money, money
from monitor.metrics import periods
from monitor.metrics.account import Account, account, heat_meter_use
from monitor.metrics.boundary import promised_recipe
from monitor.metrics.performance import exclude, pair
from monitor.metrics.uncertainty import K_95
from monitor.models import Boundary, Record, Site
from monitor.rules import RULES_VERSION, Rules

#: kWh of yearly heat for each kW of design heat loss. Common practice, no source.
YEARLY_KWH_PER_KW = 1500.0

#: Share of a year's heat that must be known before a yearly figure is judged.
#: Common practice, no source.
LEAST_SHARE_OF_YEAR = 0.25


class StandingWord(StrEnum):
    """The words of the design's glossary."""

    TOO_EARLY = "too early"
    ON_COURSE = "on course"
    IN_DOUBT = "in doubt"
    OFF_COURSE = "off course"
    BLIND = "blind"
    NO_PROMISE = "no promise"

    @property
    def urgency(self) -> int:
        """0 for what wants a person first."""
        order = ("off course", "blind", "in doubt", "too early", "on course", "no promise")
        return order.index(self.value)


class Standing(Record):
    """A site's promise and where it stands, with everything that was used to say so.

    Attributes
    ----------
    account
        The guarantee period so far; None without a promise that can be computed.
    all_hours_spf, excluded_hours
        SPF with the excluded hours counted, and how many those are.
    low, high
        95 % interval of the SPF.
    probability
        That the true SPF so far is at least the promise (JCGM 106:2012, 7.3.3).
    settlement
        Decision of the terms, once the period is over.
    why
        The standing in a sentence.
    newest_reading
        Time of the last reading of any stream of the boundary.
    """

    site: str
    word: StandingWord
    why: str
    promise: float | None = None
    boundary: Boundary | None = None
    terms_version: int | None = None
    period_start: date | None = None
    period_end: date | None = None
    days_left: int | None = None
    account: Account | None = None
    all_hours_spf: float | None = None
    excluded_hours: int = 0
    low: float | None = None
    high: float | None = None
    probability: float | None = None
    settlement: Decision | None = None
    money: Money | None = None
    newest_reading: datetime | None = None
    computed_at: datetime
    rules_version: int = RULES_VERSION


def standing(
    site: Site,
    slots: pl.DataFrame,
    states: pl.DataFrame,
    *,
    newest_reading: datetime | None,
    now: datetime,
    rules: Rules,
    excluded: Sequence[tuple[datetime, datetime]] = (),
    prices: pl.DataFrame | None = None,
) -> Standing:
    """Judge the promise on what has been measured so far.

    Parameters
    ----------
    slots, states
        Frames of schema SLOT and STATE_SLOT of this site.
    now
        UTC; the period so far ends at the last full hour, so a site that went silent
        loses coverage as time passes.
    excluded
        Stretches (UTC, on the hour) that both parties agree do not count.
    prices
        Frame of schema PRICE, for tariffs that name a series.
    """
    terms = site.current_terms
    if terms is None:
        return Standing(
            site=site.id,
            word=StandingWord.NO_PROMISE,
            why="No promise has been entered for this site.",
            newest_reading=newest_reading,
            computed_at=now,
        )
    until = now.replace(minute=0, second=0, microsecond=0)
    days_left = max(0, (terms.end - periods.local_day(site, now)).days)
    base = {
        "site": site.id,
        "promise": terms.promised_spf,
        "boundary": terms.boundary,
        "terms_version": terms.version,
        "period_start": terms.start,
        "period_end": terms.end,
        "days_left": days_left,
        "newest_reading": newest_reading,
        "computed_at": now,
    }
    try:
        recipe = promised_recipe(site, terms)
    except CannotMeasureError as error:
        return Standing(**base, word=StandingWord.BLIND, why=error.user_message)
    every = pair(slots, recipe)
    blocks = exclude(every, excluded)
    use = heat_meter_use(site, slots, states)
    so_far = account(site, recipe, blocks, use, terms.start, terms.end, until)
    all_hours = so_far
    if excluded:
        all_hours = account(site, recipe, every, use, terms.start, terms.end, until)
    over = until >= periods.span(site, periods.Window("", terms.start, terms.end))[1]
    last_day = min(terms.end, periods.local_day(site, until - timedelta(hours=1)) + timedelta(1))
    probability = low = high = None
    if so_far.spf is not None and so_far.u_spf is not None:
        probability = conformance_probability(so_far.spf, so_far.u_spf, terms.promised_spf)
        low, high = so_far.spf - K_95 * so_far.u_spf, so_far.spf + K_95 * so_far.u_spf
    word, why = _word(site, so_far, probability, over=over, rules=rules)
    settlement: Decision | None = None
    if over:
        settlement = "undecided"
        if so_far.spf is not None and so_far.u_spf is not None:
            settlement = decide(so_far.spf, so_far.u_spf, so_far.coverage, terms)
    return Standing(
        **base,
        word=word,
        why=why,
        account=so_far,
        all_hours_spf=all_hours.spf,
        excluded_hours=all_hours.hours.total - so_far.hours.total,
        low=low,
        high=high,
        probability=probability,
        settlement=settlement,
        money=money(
            site,
            blocks,
            terms.start,
            last_day,
            terms.promised_spf,
            excluded,
            prices,
            u_spf=so_far.u_spf,
        ),
    )


def _word(
    site: Site, so_far: Account, probability: float | None, *, over: bool, rules: Rules
) -> tuple[StandingWord, str]:
    terms = site.current_terms
    assert terms is not None  # noqa: S101 - the caller has it
    days = so_far.hours.total / 24
    if so_far.hours.total == 0:
        return StandingWord.TOO_EARLY, f"The guarantee period starts on {terms.start:%-d %B %Y}."
    if not over and days < rules.least_days:
        return (
            StandingWord.TOO_EARLY,
            f"Only {floor(days)} days of the guarantee period have passed; "
            f"a judgement is made from {rules.least_days} days on.",
        )
    if so_far.coverage < rules.least_coverage or probability is None:
        return (
            StandingWord.BLIND,
            f"Heat and electricity are both known for only {percent(so_far.coverage)} of the "
            "period so far: too little to judge.",
        )
    if not over and site.heat_loss_kw is not None:
        needed = LEAST_SHARE_OF_YEAR * YEARLY_KWH_PER_KW * site.heat_loss_kw
        if so_far.heat_kwh < needed:
            return (
                StandingWord.TOO_EARLY,
                f"Only {so_far.heat_kwh:,.0f} kWh of heat have been measured, less than a quarter "
                "of a year's for this house; too little of the year to judge.",
            )
    margin = (so_far.spf or 0.0) - terms.promised_spf
    figure = (
        f"The SPF so far is {abs(margin):.2f} {'above' if margin >= 0 else 'below'} the promise; "
        f"the probability that it is kept so far is {percent(probability)}."
    )
    if probability >= rules.on_course_probability:
        return StandingWord.ON_COURSE, figure
    if probability <= rules.off_course_probability:
        return StandingWord.OFF_COURSE, figure
    return StandingWord.IN_DOUBT, figure
