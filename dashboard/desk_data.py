"""What the warranty desk knows of claims: their evidence, their timeline, and what is proposed."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

from dashboard import data
from dashboard import format as fmt
from dashboard.fleet_data import seen
from dashboard.looks import looked
from monitor.errors import NotFoundError
from monitor.guarantee.settlement import Exclusion
from monitor.guarantee.standing import Standing
from monitor.models import Kind, Site
from monitor.store import cases, claims, derived
from monitor.store.cases import Claim, Step, What
from monitor.store.connection import Store
from monitor.store.findings import load_findings
from monitor.store.fleet import to_settle
from monitor.store.readings import imports
from monitor.store.sites import list_sites
from monitor.store.users import User

#: Days before the end of a period from which its settlement is prepared.
SOON: Final = 60

#: Claims or promises on a page of the desk.
PAGE: Final = 50


class State(StrEnum):
    """Whether a piece of evidence is there."""

    THERE = "there"
    MISSING = "missing"
    TO_CONFIRM = "to confirm"


@dataclass(frozen=True)
class Item:
    """One piece of evidence.

    Attributes
    ----------
    key
        By which a person confirms it; empty where the records themselves tell.
    why
        What is there, or what is missing.
    """

    name: str
    state: State
    why: str
    key: str = ""


@dataclass(frozen=True)
class Case:
    """An open claim, or a promise that is due to be settled, with its site."""

    site: Site
    standing: Standing | None
    claim: Claim | None
    items: tuple[Item, ...]

    @property
    def complete(self) -> int:
        """Number of pieces of evidence that are there."""
        return sum(item.state is State.THERE for item in self.items)


@dataclass(frozen=True)
class Desk:
    """What waits for the warranty team: one page of each list, and how long the lists are.

    Attributes
    ----------
    proposed
        Open claims whose settlement waits for a second person.
    """

    waiting: list[Case]
    due: list[Case]
    waiting_in_all: int
    due_in_all: int
    proposed: int
    waiting_page: int
    due_page: int


@dataclass(frozen=True)
class Moment:
    """One line of a timeline."""

    at: datetime
    what: str
    said: str


def desk(
    user: User, store: Store, now: datetime, *, waiting_page: int = 1, due_page: int = 1
) -> Desk:
    """Open claims, the oldest first; and promises due or ending soon that nobody claims.

    A page that there is not is the last one.
    """
    looked()
    open_claims = [c for c in cases.load_claims(store) if c.is_open and user.may_see(c.site_id)]
    claimed = {claim.site_id for claim in open_claims}
    ending = to_settle(store, (now + timedelta(days=SOON)).date(), seen(user))
    due = [site_id for site_id in ending if site_id not in claimed]
    waiting_page, due_page = (
        min(max(page, 1), max(1, -(-len(found) // PAGE)))
        for page, found in ((waiting_page, open_claims), (due_page, due))
    )
    shown = [(claim.site_id, claim) for claim in open_claims[(waiting_page - 1) * PAGE :][:PAGE]]
    return Desk(
        waiting=_cases(store, shown),
        due=_cases(store, [(site_id, None) for site_id in due[(due_page - 1) * PAGE :][:PAGE]]),
        waiting_in_all=len(open_claims),
        due_in_all=len(due),
        proposed=sum(claim.proposal is not None for claim in open_claims),
        waiting_page=waiting_page,
        due_page=due_page,
    )


def _cases(store: Store, shown: Sequence[tuple[str, Claim | None]]) -> list[Case]:
    """Cases in their order, with one statement for each thing that all of them need."""
    ids = [site_id for site_id, _ in shown]
    sites = {site.id: site for site in list_sites(store, ids)}
    standings = {standing.site: standing for standing in derived.load_standings(store, ids)}
    clashes = claims.unsettled_conflicts(store, ids)
    in_force = claims.exclusions_of(store, ids)
    return [
        Case(
            sites[one],
            standings.get(one),
            claim,
            _items(sites[one], standings.get(one), claim, clashes[one], in_force[one].values()),
        )
        for one, claim in shown
    ]


def own_claim(user: User, store: Store, number: int) -> Claim:
    """A claim on a site that the person may see.

    Raises
    ------
    NotFoundError
        There is none of that number, or the site is none of theirs.
    """
    claim = cases.claim(store, number)
    if not user.may_see(claim.site_id):
        message = f"There is no claim {number}."
        raise NotFoundError(message)
    return claim


def evidence(
    store: Store, site: Site, standing: Standing | None, claim: Claim | None
) -> tuple[Item, ...]:
    """What a decision needs, and whether it is there.

    The last items are for a person to look at and confirm.
    """
    clash = claims.unsettled_conflicts(store, [site.id])[site.id]
    return _items(site, standing, claim, clash, claims.exclusions(store, site.id).values())


def _items(
    site: Site,
    standing: Standing | None,
    claim: Claim | None,
    clash: int,
    in_force: Collection[Exclusion],
) -> tuple[Item, ...]:
    terms = site.current_terms
    if terms is None:
        return (Item("Terms", State.MISSING, "Nothing was promised for this site."),)
    counted = standing.account if standing else None
    missing = counted is None or counted.coverage < terms.minimum_coverage
    known = "nothing is known yet" if counted is None else f"{fmt.share(counted.coverage)} known"
    unpriced = standing.money.unpriced_kwh if standing and standing.money else None
    bare = sum(e.condition is None for e in in_force)
    items = [
        Item(
            "Terms as signed",
            State.THERE,
            f"version {terms.version}, signed on {fmt.day(terms.signed)}",
        ),
        *_meters(site),
        Item(
            "Coverage",
            State.MISSING if missing else State.THERE,
            f"{known}; the terms ask for {fmt.share(terms.minimum_coverage)}",
        ),
        Item(
            "Readings agree",
            State.MISSING if clash else State.THERE,
            f"{fmt.plural(clash, 'time')} with two values, not settled"
            if clash
            else "no two imports disagree",
        ),
        Item(
            "Exclusions rest on the terms",
            State.MISSING if bare else State.THERE,
            f"{bare} cite no condition of the terms"
            if bare
            else f"{fmt.plural(len(in_force), 'exclusion')} in force",
        ),
        Item(
            "Price of the electricity",
            State.MISSING if unpriced is None or unpriced >= 1 else State.THERE,
            "no tariff is on record"
            if unpriced is None
            else f"{fmt.energy(unpriced)} have no price"
            if unpriced >= 1
            else "every known kWh has a price",
        ),
    ]
    if terms.weather_allowance != "none":
        moved = standing.allowance if standing else None
        there = moved is not None and moved.factor is not None
        items.append(
            Item(
                "Reference climate",
                State.THERE if there else State.MISSING,
                moved.sentence if moved else "nothing is computed yet",
            )
        )
    ticked = _ticked(claim)
    return (*items, *(_by_hand(key, name, why, ticked) for key, name, why in LOOKED_AT))


#: What only a person can confirm: key, name, what to look at.
LOOKED_AT: Final = (
    (
        "household",
        "The household was heard",
        "whether it was warm, and whether anything changed since the promise",
    ),
    ("doubts", "Doubts were looked at", "each doubt about the figures, on the site's page"),
    ("meters", "Meters were seen", "serials, seals and registers against the site file"),
)


def _by_hand(key: str, name: str, why: str, ticked: dict[str, Step]) -> Item:
    if key in ticked:
        said = ticked[key].said
        return Item(name, State.THERE, f"confirmed{f': {said}' if said else ''}", key)
    return Item(name, State.TO_CONFIRM, why, key)


def _ticked(claim: Claim | None) -> dict[str, Step]:
    steps = claim.steps if claim else ()
    return {
        json.loads(step.document or "{}").get("item", ""): step
        for step in steps
        if step.what is What.CHECKED
    }


def _meters(site: Site) -> Iterable[Item]:
    """Class of each meter, and registers read at each swap."""
    fits = [fit for fit in site.meter if fit.measures != "sensors"]
    bare = [fit.serial for fit in fits if fit.accuracy_class is None]
    yield Item(
        "Accuracy class of each meter",
        State.MISSING if bare else State.THERE,
        f"not stated for {fmt.listing(bare)}" if bare else fmt.plural(len(fits), "meter"),
    )
    removed = [fit for fit in fits if fit.removed is not None]
    unread = [
        fit.serial
        for fit in removed
        if any(c.kind is Kind.REGISTER and c.role not in fit.end_register for c in fit.channel)
    ]
    if removed:
        yield Item(
            "Registers read at each swap",
            State.MISSING if unread else State.THERE,
            f"not read when {fmt.listing(unread)} came off"
            if unread
            else fmt.plural(len(removed), "swap"),
        )


def timeline(store: Store, record: data.Record, claim: Claim) -> list[Moment]:
    """Everything that happened to a site and its claim, the newest first."""
    site = record.site
    lines = [Moment(site.utc(e.at), e.what, e.note) for e in site.event]
    if not any(e.what == "commissioned" for e in site.event):
        lines.append(Moment(site.midnight(site.commissioned), "commissioned", ""))
    for fit in site.meter:
        lines.append(Moment(site.utc(fit.fitted), "meter fitted", fit.serial))
        if fit.removed is not None:
            lines.append(Moment(site.utc(fit.removed), "meter removed", fit.serial))
    for row in imports(store, site.id).iter_rows(named=True):
        said = f"{row['file_name']}: {fmt.number(row['accepted'])} readings"
        if row["quarantined"]:
            said += f", {fmt.number(row['quarantined'])} set aside"
        lines.append(Moment(row["imported_at"], "import", said))
    for effect in record.exclusions:
        e = effect.exclusion
        lines.append(
            Moment(e.at, "exclusion", f"{e.reason} ({fmt.plural(effect.hours, 'hour')}, by {e.by})")
        )
    for kept in load_findings(store, site.id, cleared=True):
        lines.append(Moment(kept.opened_at, "finding", kept.finding.title))
        if kept.cleared_at is not None:
            lines.append(Moment(kept.cleared_at, "finding cleared", kept.finding.title))
    for row in claims.settlements(store, site.id).iter_rows(named=True):
        decision = json.loads(row["document"])["decision"]
        lines.append(Moment(row["settled_at"], "settled", decision))
    lines += [Moment(s.at, f"claim {s.what}", f"{words(s)} ({s.role})") for s in claim.steps]
    return sorted(lines, key=lambda line: line.at, reverse=True)


def words(step: Step) -> str:
    """What was said in a step, with the day that it is about."""
    return step.said if step.visited is None else f"{fmt.day(step.visited)}: {step.said}"
