"""What one person is told in one message, before it is put into words."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from dashboard.telling.described import Telling
from monitor.findings.finding import Finding
from monitor.models import Site
from monitor.store.findings import KeptFinding
from monitor.store.told import News
from monitor.store.users import User


@dataclass(frozen=True)
class Told:
    """One finding as a person is told of it.

    Attributes
    ----------
    site
        None where the store has no description of it.
    """

    news: News
    finding: Finding
    site: Site | None

    @property
    def again(self) -> bool:
        """Whether it was there before."""
        return self.news.times_opened > 1


@dataclass(frozen=True)
class Digest:
    """Everything that one person is told in one message.

    Attributes
    ----------
    opened
        What is open, what wants a person first at the top.
    cleared
        What is no longer found, the latest first.
    holds, known
        Sentences for the household that hold now, and those of them that it was told before.
    """

    user: User
    telling: Telling
    opened: tuple[Told, ...]
    cleared: tuple[Told, ...]
    holds: frozenset[str] = frozenset()
    known: frozenset[str] = frozenset()

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to say: a household knows what another finding told it."""
        if self.plain:
            return not self.so and not self.over
        return not self.opened and not self.cleared

    @property
    def so(self) -> tuple[str, ...]:
        """What a household is told of its home, each sentence once.

        It knows what was told it by another finding, even by one that is over.
        """
        known = {*self.known, *_sentences(self.cleared)}
        return tuple(s for s in _sentences(self.opened) if s not in known)

    @property
    def over(self) -> tuple[str, ...]:
        """What a household was told and what holds no longer."""
        return tuple(s for s in _sentences(self.cleared) if s not in self.holds)

    @property
    def plain(self) -> bool:
        """Whether it is for a household, in plain sentences alone."""
        return self.user.role == "homeowner"

    @property
    def news(self) -> tuple[News, ...]:
        """Everything that its reader has been told by it."""
        return tuple(told.news for told in (*self.opened, *self.cleared))

    @property
    def delivery(self) -> str:
        """Mark by which a receiver knows the same message again: the same for the same news."""
        told = sorted(part for news in self.news for part in news.told_by_it)
        return hashlib.sha256(repr((self.user.user_id, told)).encode()).hexdigest()[:32]

    def link(self, told: Told) -> str | None:
        """Where more is said of a finding; None where that is not known."""
        base = self.telling.base_url
        if base is None:
            return None
        if self.plain:
            return f"{base}/home"
        return f"{base}/site/{told.news.site_id}/finding/{told.news.number}"

    def place(self, told: Told) -> str:
        """How a home is called."""
        site = told.site
        if site is None or not self.telling.site_names:
            return told.news.site_id
        return f"{site.name}, {site.place}" if site.place else site.name


def digest(
    user: User,
    telling: Telling,
    news: Sequence[News],
    findings: Mapping[int, Finding],
    sites: Mapping[str, Site],
    still: Sequence[KeptFinding] = (),
    untold: Collection[int] = (),
) -> Digest:
    """Put together what a person is told; a finding that cannot be read is found anew.

    Parameters
    ----------
    still
        What is open at a household's home.
    untold
        Numbers of findings of which the household does not know how they stand.
    """
    told = [
        Told(one, findings[one.number], sites.get(one.site_id))
        for one in news
        if one.number in findings
    ]
    holds = {k.number: k.finding.plainly for k in still if k.finding.plainly}
    known = {sentence for number, sentence in holds.items() if number not in untold}
    opened = [one for one in told if one.news.cleared_at is None]
    cleared = [one for one in told if one.news.cleared_at is not None]
    return Digest(
        user,
        telling,
        tuple(sorted(opened, key=lambda one: (one.finding.urgency, one.news.number))),
        tuple(sorted(cleared, key=lambda one: (one.news.happened_at, one.news.number)))[::-1],
        frozenset(holds.values()),
        frozenset(known),
    )


def _sentences(told: tuple[Told, ...]) -> dict[str, None]:
    return dict.fromkeys(one.finding.plainly for one in told if one.finding.plainly)
