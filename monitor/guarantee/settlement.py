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
from monitor.guarantee.conformance import Decision, conformance_probability, decide, guard_band
from monitor.guarantee.money import Money, money
from monitor.guarantee.price_steps import PRICE
from monitor.metrics.account import Account, account, heat_meter_use
from monitor.metrics.boundary import promised_recipe
from monitor.metrics.performance import exclude, pair
from monitor.models import Record, Site, Terms
from monitor.rules import RULES_VERSION, Rules
from monitor.schemas import SLOT, STATE_SLOT, check


class Exclusion(Record):
    """A stretch of time that both parties agree does not count, and why.

    Attributes
    ----------
    start_utc, end_utc
        On the hour.
    reason, by, at
        Why, who entered it, and when.
    """

    start_utc: datetime
    end_utc: datetime
    reason: str
    by: str
    at: datetime


class SettlementRecord(Record):
    """Everything that a settlement is computed from, apart from the two frames of slots.

    Attributes
    ----------
    site
        The description in force, with terms and tariffs.
    slots_hash, states_hash, prices_hash
        `frame_hash` of the frames, which travel beside the record.
    """

    site: Site
    rules: Rules
    rules_version: int = RULES_VERSION
    exclusions: tuple[Exclusion, ...] = ()
    slots_hash: str
    states_hash: str
    prices_hash: str

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
    money: Money | None


def frame_hash(frame: pl.DataFrame) -> str:
    """SHA-256 of a frame as CSV with full precision, rows in order of its first two columns."""
    text = frame.sort(frame.columns[:2]).write_csv(datetime_format="%Y-%m-%dT%H:%M:%SZ")
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
    """
    _terms(site)
    return SettlementRecord(
        site=site,
        rules=rules,
        exclusions=exclusions,
        slots_hash=frame_hash(check(slots, SLOT)),
        states_hash=frame_hash(check(states, STATE_SLOT)),
        prices_hash=frame_hash(check(prices, PRICE)),
    )


def settle(
    record: SettlementRecord, slots: pl.DataFrame, states: pl.DataFrame, prices: pl.DataFrame
) -> Settlement:
    """Decide: kept, not kept or undecided.

    Raises
    ------
    DescriptionError
        The frames are not those that the record was made with, or nothing was promised.
    CannotMeasureError
        The meters cannot measure the promised boundary.
    """
    sealed = (record.slots_hash, record.states_hash, record.prices_hash)
    if tuple(frame_hash(frame) for frame in (slots, states, prices)) != sealed:
        message = (
            f"The hours or prices given for site '{record.site.id}' are not those that the "
            "settlement record was made with: their hashes differ."
        )
        raise DescriptionError(message)
    site, terms = record.site, _terms(record.site)
    recipe = promised_recipe(site, terms)
    blocks = pair(slots, recipe)
    use = heat_meter_use(site, slots, states)

    def over(exclusions: tuple[Exclusion, ...]) -> Account:
        return account(
            site, recipe, exclude(blocks, spans(exclusions)), use, terms.start, terms.end
        )

    everything, counted = over(()), over(record.exclusions)
    effects = []
    for exclusion in record.exclusions:
        others = tuple(e for e in record.exclusions if e is not exclusion)
        lifted = over(others)
        effects.append(
            ExclusionEffect(
                exclusion=exclusion,
                spf_with_it_counted=lifted.spf,
                hours=lifted.hours.total - counted.hours.total,
            )
        )
    spf, u = counted.spf, counted.u_spf
    band = guard_band(u, terms) if u is not None else None
    decision: Decision = "undecided"
    if spf is not None and u is not None:
        decision = decide(spf, u, counted.coverage, terms)
    return Settlement(
        input_hash=record.hash,
        rules_version=record.rules_version,
        decision=decision,
        why=_why(counted, decision, band, record.site),
        promise=terms.promised_spf,
        rule=terms.decision,
        minimum_coverage=terms.minimum_coverage,
        all_hours=everything,
        account=counted,
        exclusion_effects=tuple(effects),
        band=band,
        accept_from=None if band is None else terms.promised_spf + band,
        reject_up_to=None if band is None else terms.promised_spf - band,
        probability=(
            None
            if spf is None or u is None
            else conformance_probability(spf, u, terms.promised_spf)
        ),
        money=money(
            site,
            blocks,
            terms.start,
            terms.end,
            terms.promised_spf,
            spans(record.exclusions),
            u_spf=u,
        ),
    )


def _terms(site: Site) -> Terms:
    if site.current_terms is None:
        message = f"Nothing has been promised for site '{site.id}': there is nothing to settle."
        raise DescriptionError(message)
    return site.current_terms


def spans(exclusions: Iterable[Exclusion]) -> list[tuple[datetime, datetime]]:
    """The stretches alone."""
    return [(e.start_utc, e.end_utc) for e in exclusions]


def _why(counted: Account, decision: Decision, band: float | None, site: Site) -> str:
    terms = _terms(site)
    if counted.spf is None or band is None:
        return "Heat and electricity are not both known for any hour that counts."
    if counted.coverage < terms.minimum_coverage:
        return (
            f"Only {counted.coverage:.1%} of the hours that count are known; the terms ask for "
            f"{terms.minimum_coverage:.1%}."
        )
    limits = (
        f"the promise of {terms.promised_spf:.2f}"
        if band == 0
        else f"the promise of {terms.promised_spf:.2f} with its guard band of {band:.2f}"
    )
    words = {
        "kept": f"The SPF of {counted.spf:.2f} reaches {limits}.",
        "not kept": f"The SPF of {counted.spf:.2f} falls short of {limits}.",
        "undecided": f"The SPF of {counted.spf:.2f} lies inside the guard band about {limits}.",
    }
    return words[decision]
