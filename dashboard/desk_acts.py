"""What people do with a claim: draft exclusions, note, confirm, propose a settlement, settle."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime

from dashboard import data
from dashboard.desk_data import LOOKED_AT, own_claim
from monitor.errors import DescriptionError, NotFoundError
from monitor.guarantee.conformance import Decision, conformance_probability, decide
from monitor.guarantee.settlement import Exclusion, Settlement
from monitor.metrics.account import Account, account
from monitor.metrics.performance import Blocks, exclude
from monitor.models import Site
from monitor.refresh import propose_settlement, refresh_site
from monitor.store import cases, claims
from monitor.store.cases import What
from monitor.store.connection import Store
from monitor.store.fleet import to_settle
from monitor.store.users import User

#: What a claim says that nobody raised.
TAKEN_UP = "The guarantee period is over, and the promise is to be settled."


@dataclass(frozen=True)
class Outcome:
    """The period so far, and what the terms would decide of it today."""

    account: Account
    probability: float | None
    decision: Decision


@dataclass(frozen=True)
class Effect:
    """What a drafted exclusion would do."""

    before: Outcome
    after: Outcome


def drafted(
    site: Site, begin: str, end: str, reason: str, condition: int | None, by: str, now: datetime
) -> Exclusion:
    """An exclusion as a person typed it.

    Raises
    ------
    DescriptionError
        A time is not one, not on the hour, or the wrong way round; or the reason is missing.
    """
    moments = []
    for text, what in ((begin, "start"), (end, "end")):
        try:
            moment = site.utc(datetime.fromisoformat(text.strip()))
        except ValueError as error:
            message = f"The {what} '{text.strip()}' is no time such as 2026-01-05 08:00."
            raise DescriptionError(message) from error
        if moment.minute or moment.second:
            message = f"The {what} must be on the hour: only whole hours count or do not."
            raise DescriptionError(message)
        moments.append(moment)
    if moments[1] <= moments[0]:
        message = "The end must come after the start."
        raise DescriptionError(message)
    if not reason.strip():
        message = "Say why these hours do not count."
        raise DescriptionError(message)
    agreed = site.current_terms.conditions if site.current_terms else ()
    return Exclusion(
        start_utc=moments[0],
        end_utc=moments[1],
        reason=reason.strip()[:500],
        by=by,
        at=now,
        condition=None if condition is None else agreed[condition],
    )


def effect(record: data.Record, draft: Exclusion) -> Effect | None:
    """What an exclusion would do, everything else as it is; None where nothing is measured."""
    terms, recipe, blocks = record.site.current_terms, record.recipe, record.blocks
    if terms is None or recipe is None or blocks is None:
        return None

    def outcome(left: Blocks) -> Outcome:
        a = account(
            record.site, recipe, left, record.use, terms.start, terms.end, record.until,
            record.hides,
        )  # fmt: skip
        if a.spf is None or a.u_spf is None:
            return Outcome(a, None, "undecided")
        probability = conformance_probability(a.spf, a.u_spf, terms.promised_spf)
        return Outcome(a, probability, decide(a.spf, a.u_spf, a.coverage, terms))

    # Those in force are left out of the blocks already.
    left = exclude(blocks, [(draft.start_utc, draft.end_utc)])
    return Effect(outcome(blocks), outcome(left))


def take_up(user: User, store: Store, site_id: str, now: datetime) -> int:
    """Take up a promise whose period is over, so that it is settled though nobody claims.

    Returns
    -------
    int
        Number of the claim that it is settled in: a new one, or the one that is open.

    Raises
    ------
    NotFoundError
        The person may not see the site, or nothing there is due.
    """
    site = data.must_exist(user, store, site_id)
    if not to_settle(store, now.astimezone(site.tz).date(), [site_id]):
        message = f"No promise of site '{site_id}' is due."
        raise NotFoundError(message)
    return cases.take_up(
        store, site_id, user_id=user.user_id, role=user.role, said=TAKEN_UP, now=now
    )


def propose(user: User, store: Store, number: int, said: str, now: datetime) -> Settlement:
    """Propose the settlement of a claim; a second person confirms it.

    Raises
    ------
    DescriptionError
        The period is not over.
    """
    claim = own_claim(user, store, number)
    record, settlement = propose_settlement(store, claim.site_id, now=now)
    document = {
        "input_hash": record.hash,
        "decision": settlement.decision,
        "why": settlement.why,
        "spf": settlement.account.spf,
    }
    cases.add_step(
        store,
        number,
        What.PROPOSED,
        user_id=user.user_id,
        role=user.role,
        said=said,
        now=now,
        document=json.dumps(document),
    )
    return settlement


def confirm(user: User, store: Store, number: int, said: str, now: datetime) -> Settlement:
    """Confirm what another person proposed, and settle.

    Raises
    ------
    DescriptionError
        Nothing is proposed, by oneself, or the records have changed since.
    """
    with store.deciding:
        claim = own_claim(user, store, number)
        proposal = claim.proposal
        if proposal is None:
            message = "Nothing is proposed that could be confirmed."
            raise DescriptionError(message)
        if proposal.user_id == user.user_id:
            message = "Who proposed a settlement cannot confirm it: it takes a second person."
            raise DescriptionError(message)
        record, settlement = propose_settlement(store, claim.site_id, now=now)
        if record.hash != json.loads(proposal.document or "{}").get("input_hash"):
            message = (
                "What the settlement rests on has changed since it was proposed (readings, "
                "exclusions, terms, prices or weather). Refuse it, and let it be proposed anew."
            )
            raise DescriptionError(message)
        cases.settle(
            store,
            number,
            record,
            settlement,
            user_id=user.user_id,
            role=user.role,
            said=said or f"The promise was {settlement.decision}.",
            now=now,
        )
    return settlement


def step(
    user: User, store: Store, number: int, what: What, said: str, now: datetime, *, item: str = ""
) -> None:
    """Note, confirm an item, refuse a proposal or close a claim.

    Raises
    ------
    DescriptionError
        There are no words where some are needed, or no proposal to refuse.
    """
    claim = own_claim(user, store, number)
    if what in {What.NOTE, What.CLOSED, What.REFUSED} and not said.strip():
        message = "Say it in a few words, for whoever reads this later."
        raise DescriptionError(message)
    if what is What.REFUSED and claim.proposal is None:
        message = "Nothing is proposed that could be refused."
        raise DescriptionError(message)
    if what is What.CHECKED and item not in {key for key, _, _ in LOOKED_AT}:
        message = f"'{item}' is nothing that a person confirms."
        raise NotFoundError(message)
    cases.add_step(
        store,
        number,
        what,
        user_id=user.user_id,
        role=user.role,
        said=said.strip(),
        now=now,
        document=json.dumps({"item": item}) if item else None,
    )


def exclude_hours(user: User, store: Store, number: int, draft: Exclusion, now: datetime) -> None:
    """Enter an exclusion on the site of a claim; a proposal that waits no longer holds."""
    claim = own_claim(user, store, number)
    claims.add_exclusion(store, claim.site_id, draft)
    refresh_site(store, claim.site_id, now=now)


def withdraw(user: User, store: Store, number: int, exclusion: int, now: datetime) -> None:
    """Withdraw an exclusion on the site of a claim."""
    claim = own_claim(user, store, number)
    claims.withdraw_exclusion(store, claim.site_id, exclusion, user.email, now)
    refresh_site(store, claim.site_id, now=now)
