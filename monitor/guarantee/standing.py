"""Where a site stands against its promise today."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from enum import StrEnum
from math import floor

import polars as pl

from monitor.errors import CannotMeasureError
from monitor.guarantee.allowance import Allowance
from monitor.guarantee.basis import basis
from monitor.guarantee.conformance import Decision, conformance_probability, decide, percent
from monitor.guarantee.money import Money, as_decided, money
from monitor.metrics import periods
from monitor.metrics.account import Account, account
from monitor.metrics.performance import pair
from monitor.metrics.site_weather import SiteWeather
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
    allowance
        Where the terms grant a weather allowance: the SPF moved to the reference climate.
        It decides word, probability and settlement; `account`, `low` and `high` are as
        measured.
    probability_as_measured
        Without the allowance; None where the terms grant none.
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
    allowance: Allowance | None = None
    probability_as_measured: float | None = None
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
    given: SiteWeather | None = None,
    granted: Allowance | None = None,
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
    given
        Weather of the site from elsewhere; default what its description says.
    granted
        The weather allowance so far, where the terms grant one.
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
    said = {
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
        base = basis(site, slots, states, now=now, given=given, excluded=excluded)
    except CannotMeasureError as error:
        return Standing(**said, word=StandingWord.BLIND, why=error.user_message)
    assert base is not None  # noqa: S101 - there are terms
    so_far = all_hours = base.so_far
    if excluded:
        every = pair(base.slots, base.recipe)
        all_hours = account(site, base.recipe, every, base.use, terms.start, terms.end, until)
    over = base.is_over
    last_day = min(terms.end, periods.local_day(site, until - timedelta(hours=1)) + timedelta(1))
    low = high = as_measured = None
    if so_far.spf is not None and so_far.u_spf is not None:
        as_measured = conformance_probability(so_far.spf, so_far.u_spf, terms.promised_spf)
        low, high = so_far.spf - K_95 * so_far.u_spf, so_far.spf + K_95 * so_far.u_spf
    deciding, u = so_far.spf, so_far.u_spf
    if granted is not None:
        deciding, u = granted.spf, granted.u_spf
    probability = None
    if deciding is not None and u is not None:
        probability = conformance_probability(deciding, u, terms.promised_spf)
    word, why = _word(site, so_far, granted, probability, over=over, rules=rules)
    settlement: Decision | None = None
    if over:
        settlement = "undecided"
        if deciding is not None and u is not None:
            settlement = decide(deciding, u, so_far.coverage, terms)
    owed = money(
        site,
        base.blocks,
        terms.start,
        last_day,
        terms.promised_spf,
        excluded,
        prices,
        u_spf=so_far.u_spf,
    )
    if owed is not None and settlement is not None:
        owed = as_decided(owed, settlement)
    return Standing(
        **said,
        word=word,
        why=why,
        account=so_far,
        all_hours_spf=all_hours.spf,
        excluded_hours=all_hours.hours.total - so_far.hours.total,
        low=low,
        high=high,
        probability=probability,
        allowance=granted,
        probability_as_measured=None if granted is None else as_measured,
        settlement=settlement,
        money=owed,
    )


def _word(
    site: Site,
    so_far: Account,
    granted: Allowance | None,
    probability: float | None,
    *,
    over: bool,
    rules: Rules,
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
    if so_far.coverage < rules.least_coverage or so_far.spf is None or so_far.u_spf is None:
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
    if probability is None:
        # Only an allowance that cannot be computed is left to lack a probability.
        return StandingWord.IN_DOUBT, granted.sentence if granted is not None else ""
    deciding, where = so_far.spf, ""
    if granted is not None and granted.spf is not None:
        deciding = granted.spf
        where = f" in the reference climate ({so_far.spf:.2f} as measured)"
    margin = deciding - terms.promised_spf
    side = "above" if margin >= 0 else "below"
    what, kept = ("The SPF so far", "is kept so far") if not over else ("The SPF", "was kept")
    figure = (
        f"{what}{where} is {abs(margin):.2f} {side} the promise; the probability that it {kept} "
        f"is {percent(probability)}."
    )
    if probability >= rules.on_course_probability:
        return StandingWord.ON_COURSE, figure
    if probability <= rules.off_course_probability:
        return StandingWord.OFF_COURSE, figure
    return StandingWord.IN_DOUBT, figure
