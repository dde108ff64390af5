"""The end-of-period decision, as a pure function of an immutable record.

Whoever holds the record and the slots can compute the settlement again: nothing else
goes in, neither store nor clock. The settlement carries the hash of what went in and
every figure on the way, so that two people who differ can find where.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import datetime
from typing import Literal

import polars as pl

from monitor.errors import DescriptionError
from monitor.guarantee.allowance import Allowance, allowance
from monitor.guarantee.basis import basis
from monitor.guarantee.conformance import Decision, conformance_probability, decide, guard_band
from monitor.guarantee.money import Money, as_decided, money
from monitor.guarantee.price_steps import PRICE
from monitor.metrics.account import Account, account
from monitor.metrics.boundary import Recipe
from monitor.metrics.performance import Blocks, exclude, pair
from monitor.metrics.plausibility import ASKED_ROOM_C, Doubt, plausibility
from monitor.metrics.site_weather import site_weather
from monitor.metrics.uncertainty import HeatMeterUse
from monitor.models import Record, Site, Terms
from monitor.rules import RULES_VERSION, Rules
from monitor.schemas import SLOT, STATE_SLOT, WEATHER, check, empty


class Exclusion(Record):
    """A stretch of time that both parties agree does not count, and why.

    Attributes
    ----------
    start_utc, end_utc
        On the hour.
    reason, by, at
        Why, who entered it, and when.
    condition
        The condition of the terms that it rests on, word for word; None for other events.
    """

    start_utc: datetime
    end_utc: datetime
    reason: str
    by: str
    at: datetime
    condition: str | None = None


class SettlementRecord(Record):
    """Everything that a settlement is computed from, apart from the frames.

    Attributes
    ----------
    site
        The description in force, with terms and tariffs.
    slots_hash, states_hash, prices_hash, weather_hash
        `frame_hash` of the frames, which travel beside the record.
    """

    site: Site
    rules: Rules
    rules_version: int = RULES_VERSION
    exclusions: tuple[Exclusion, ...] = ()
    slots_hash: str
    states_hash: str
    prices_hash: str
    weather_hash: str

    @property
    def hash(self) -> str:
        """SHA-256 of the record as JSON."""
        return hashlib.sha256(self.model_dump_json().encode()).hexdigest()


class ExclusionEffect(Record):
    """What one exclusion does: the SPF if it alone were lifted."""

    exclusion: Exclusion
    spf_with_it_counted: float | None
    hours: int


class Settlement(Record):
    """A decision and every figure on the way to it.

    Attributes
    ----------
    all_hours, account
        The period without and with the exclusions.
    band, accept_from, reject_up_to
        Guard band and the limits that follow from it (JCGM 106:2012, 8.2 and 8.3).
    probability
        That the true SPF is at least the promise.
    allowance
        Where the terms grant a weather allowance: the SPF moved to the reference climate,
        which then decides; band and probability are of that figure. `account` stays as
        measured.
    decision_as_measured
        What the decision would be without the allowance.
    doubts
        Reasons not to take the figures at their word, such as a house that was cold. They
        do not decide; whoever settles must look at them.
    """

    input_hash: str
    rules_version: int
    decision: Decision
    why: str
    promise: float
    rule: Literal["simple", "guarded"]
    minimum_coverage: float
    all_hours: Account
    account: Account
    exclusion_effects: tuple[ExclusionEffect, ...]
    band: float | None
    accept_from: float | None
    reject_up_to: float | None
    probability: float | None
    allowance: Allowance | None
    decision_as_measured: Decision
    doubts: tuple[Doubt, ...]
    money: Money | None


def frame_hash(frame: pl.DataFrame) -> str:
    """SHA-256 of a frame as CSV with full precision, rows in order of its first three columns."""
    text = frame.sort(frame.columns[:3]).write_csv(datetime_format="%Y-%m-%dT%H:%M:%SZ")
    return hashlib.sha256(text.encode()).hexdigest()


def period_of(site: Site, frame: pl.DataFrame) -> pl.DataFrame:
    """The rows of a frame of slots that a settlement needs: those of the guarantee period.

    Bridged blocks that reach across its ends are left in; they are never used.
    """
    terms = _terms(site)
    start, end = site.midnight(terms.start), site.midnight(terms.end)
    return frame.filter((pl.col("slot_start_utc") >= start) & (pl.col("slot_start_utc") < end))


def make_record(
    site: Site,
    slots: pl.DataFrame,
    states: pl.DataFrame,
    prices: pl.DataFrame,
    weather: pl.DataFrame | None = None,
    *,
    rules: Rules,
    exclusions: tuple[Exclusion, ...] = (),
) -> SettlementRecord:
    """Seal what a settlement is to be computed from.

    Parameters
    ----------
    slots, states
        Frames of schema SLOT and STATE_SLOT, of the guarantee period (`period_of`).
    prices
        Frame of schema PRICE of the series that the tariffs name.
    weather
        Frame of schema WEATHER of the series that the site names; None without one.
    """
    _terms(site)
    return SettlementRecord(
        site=site,
        rules=rules,
        exclusions=exclusions,
        slots_hash=frame_hash(check(slots, SLOT)),
        states_hash=frame_hash(check(states, STATE_SLOT)),
        prices_hash=frame_hash(check(prices, PRICE)),
        weather_hash=frame_hash(check(_or_empty(weather), WEATHER)),
    )


def settle(
    record: SettlementRecord,
    slots: pl.DataFrame,
    states: pl.DataFrame,
    prices: pl.DataFrame,
    weather: pl.DataFrame | None = None,
) -> Settlement:
    """Decide: kept, not kept or undecided.

    Raises
    ------
    DescriptionError
        The frames are not those that the record was made with, or nothing was promised.
    CannotMeasureError
        The meters cannot measure the promised boundary.
    """
    weather = _or_empty(weather)
    sealed = (record.slots_hash, record.states_hash, record.prices_hash, record.weather_hash)
    if tuple(frame_hash(frame) for frame in (slots, states, prices, weather)) != sealed:
        message = (
            f"The hours, prices or weather given for site '{record.site.id}' are not those that "
            "the settlement record was made with: their hashes differ."
        )
        raise DescriptionError(message)
    site, terms = record.site, _terms(record.site)
    given = site_weather(site, weather)
    base = basis(
        site,
        slots,
        states,
        now=site.midnight(terms.end),
        given=given,
        excluded=spans(record.exclusions),
    )
    assert base is not None  # noqa: S101 - there are terms
    recipe, use = base.recipe, base.use
    blocks = pair(slots, recipe)
    everything = account(site, recipe, blocks, use, terms.start, terms.end, hides=base.hides)
    counted = base.so_far
    effects = exclusion_effects(site, recipe, blocks, use, record.exclusions)
    moved = None
    if terms.weather_allowance != "none":
        moved = allowance(base, given.climate)
    as_measured = _decision(counted.spf, counted.u_spf, counted.coverage, terms)
    spf, u = (counted.spf, counted.u_spf) if moved is None else (moved.spf, moved.u_spf)
    band = guard_band(u, terms) if u is not None else None
    decision = _decision(spf, u, counted.coverage, terms)
    owed = money(
        site,
        blocks,
        terms.start,
        terms.end,
        terms.promised_spf,
        spans(record.exclusions),
        prices,
        u_spf=counted.u_spf,
    )
    return Settlement(
        input_hash=record.hash,
        rules_version=record.rules_version,
        decision=decision,
        why=_why(counted, moved, decision, band, terms),
        promise=terms.promised_spf,
        rule=terms.decision,
        minimum_coverage=terms.minimum_coverage,
        all_hours=everything,
        account=counted,
        exclusion_effects=effects,
        band=band,
        accept_from=None if band is None else terms.promised_spf + band,
        reject_up_to=None if band is None else terms.promised_spf - band,
        probability=(
            None
            if spf is None or u is None
            else conformance_probability(spf, u, terms.promised_spf)
        ),
        allowance=moved,
        decision_as_measured=as_measured,
        doubts=plausibility(
            site,
            slots,
            states,
            base.own_days,
            counted,
            asked_room_c=terms.expects.room_c or ASKED_ROOM_C,
        ).doubts,
        money=None if owed is None else as_decided(owed, decision),
    )


def exclusion_effects(
    site: Site,
    recipe: Recipe,
    blocks: Blocks,
    use: HeatMeterUse,
    exclusions: tuple[Exclusion, ...],
    until: datetime | None = None,
) -> tuple[ExclusionEffect, ...]:
    """What each exclusion does to the SPF of the guarantee period, by itself.

    Parameters
    ----------
    blocks
        With all hours.
    until
        Stop at this UTC hour if the period is not over.
    """
    terms = _terms(site)

    def over(which: tuple[Exclusion, ...]) -> Account:
        left = exclude(blocks, spans(which))
        return account(site, recipe, left, use, terms.start, terms.end, until)

    counted = over(exclusions)
    found = []
    for exclusion in exclusions:
        lifted = over(tuple(e for e in exclusions if e is not exclusion))
        found.append(
            ExclusionEffect(
                exclusion=exclusion,
                spf_with_it_counted=lifted.spf,
                hours=lifted.hours.total - counted.hours.total,
            )
        )
    return tuple(found)


def _decision(spf: float | None, u: float | None, coverage: float, terms: Terms) -> Decision:
    return "undecided" if spf is None or u is None else decide(spf, u, coverage, terms)


def _or_empty(weather: pl.DataFrame | None) -> pl.DataFrame:
    return empty(WEATHER) if weather is None else weather


def _terms(site: Site) -> Terms:
    if site.current_terms is None:
        message = f"Nothing has been promised for site '{site.id}': there is nothing to settle."
        raise DescriptionError(message)
    return site.current_terms


def spans(exclusions: Iterable[Exclusion]) -> list[tuple[datetime, datetime]]:
    """The stretches alone."""
    return [(e.start_utc, e.end_utc) for e in exclusions]


def _why(
    counted: Account, moved: Allowance | None, decision: Decision, band: float | None, terms: Terms
) -> str:
    if counted.spf is None:
        return "Heat and electricity are not both known for any hour that counts."
    if counted.coverage < terms.minimum_coverage:
        return (
            f"Only {counted.coverage:.1%} of the hours that count are known; the terms ask for "
            f"{terms.minimum_coverage:.1%}."
        )
    if band is None:
        reason = "" if moved is None else moved.sentence
        return f"The terms let the reference climate decide. {reason}".rstrip()
    limits = (
        f"the promise of {terms.promised_spf:.2f}"
        if band == 0
        else f"the promise of {terms.promised_spf:.2f} with its guard band of {band:.2f}"
    )
    figure = f"The SPF of {counted.spf:.2f}"
    if moved is not None and moved.spf is not None:
        figure = (
            f"The SPF of {moved.spf:.2f} in the reference climate ({counted.spf:.2f} as measured)"
        )
    words = {
        "kept": f"{figure} reaches {limits}.",
        "not kept": f"{figure} falls short of {limits}.",
        "undecided": f"{figure} lies inside the guard band about {limits}.",
    }
    return words[decision]
