"""The record of one finding, and what every check gets to see."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from monitor.guarantee.assessment import Assessment
from monitor.guarantee.standing import Standing
from monitor.metrics.plausibility import Figure
from monitor.models import Record, Role, Site
from monitor.rules import Rules


class Topic(StrEnum):
    """What a finding is about; in the order in which to look."""

    HOUSEHOLD = "household"
    DATA = "data"
    METER = "meter"
    OPERATION = "operation"
    UNIT = "unit"
    PROMISE = "promise"


class Confidence(StrEnum):
    """How sure a finding is."""

    CERTAIN = "certain"
    LIKELY = "likely"
    SUSPECTED = "suspected"


class Effect(Record):
    """What a finding costs; negative where it adds.

    Attributes
    ----------
    spf, low, high
        SPF of the guarantee period so far, with its 95 % interval.
    kwh_year, money_year
        Electricity of a year at the same rate, and its price; None without one.
    """

    spf: float
    low: float
    high: float
    kwh_year: float
    money_year: float | None = None
    currency: str | None = None


class Finding(Record):
    """One diagnosed cause or suspicion.

    Attributes
    ----------
    kind
        Which check found it: the key by which it is known again over time.
    title, what
        In a few words, and in sentences for the installer.
    plainly
        For the household; None where it is none of its concern.
    since
        When it began, as far as that can be told.
    window_start, window_end, roles
        Where the evidence lies.
    figures
        The evidence.
    check
        What to look at, in order.
    caution
        Where somebody may come to harm.
    """

    kind: str
    topic: Topic
    title: str
    what: str
    confidence: Confidence
    plainly: str | None = None
    since: datetime | None = None
    window_start: datetime | None = None
    window_end: datetime | None = None
    roles: tuple[Role, ...] = ()
    figures: tuple[Figure, ...] = ()
    effect: Effect | None = None
    check: tuple[str, ...] = ()
    caution: str | None = None

    @property
    def urgency(self) -> tuple[int, float]:
        """Sorts what wants a person first: people, then what blinds, then what costs most."""
        order = [Topic.HOUSEHOLD, Topic.DATA, Topic.METER]
        rank = order.index(self.topic) if self.topic in order else len(order)
        cost = 0.0
        if self.effect is not None:
            cost = self.effect.money_year or self.effect.kwh_year / 4.0
        return rank, -cost


@dataclass(frozen=True)
class SourceSeen:
    """A source that brings a site's files by itself.

    Attributes
    ----------
    newest
        Time of the newest reading that it brought, or since when it is known.
    silent_after
        How long it may be quiet.
    error
        Why the last look at it went wrong, if it did.
    """

    name: str
    newest: datetime
    silent_after: timedelta
    error: str | None = None


@dataclass(frozen=True)
class Seen:
    """Everything that a check may look at.

    Attributes
    ----------
    assessment
        None without a promise.
    sources
        Those that bring this site's files.
    now
        UTC.
    """

    site: Site
    standing: Standing
    assessment: Assessment | None
    sources: tuple[SourceSeen, ...]
    now: datetime
    rules: Rules
