"""The record of one finding, and what every check gets to see."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Literal

import polars as pl

from monitor.guarantee.assessment import Assessment
from monitor.guarantee.basis import Basis
from monitor.guarantee.causes import Cause
from monitor.guarantee.standing import Standing
from monitor.metrics.daily import DAY
from monitor.metrics.plausibility import Figure
from monitor.models import Record, Role, Site
from monitor.rules import Rules
from monitor.schemas import BEHAVIOUR, SLOT, STATE_SLOT, UTC, Schema, empty

#: Columns of the readings that were set aside.
SET_ASIDE: Schema = {"role": pl.String, "reason": pl.String, "t_utc": UTC}


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


class BandPoint(Record):
    """What was to be expected, at one place of the chart's x axis.

    Attributes
    ----------
    x
        Outdoor temperature, degC; None where the band is the same everywhere.
    low, high
        In the unit of the evidence; None where it is open on that side.
    """

    x: float | None = None
    low: float | None = None
    high: float | None = None


class Evidence(Record):
    """One series that shows a finding, and what was to be expected of it.

    Attributes
    ----------
    of, name
        Where the series lies: a column of the behaviour or day frame, or a role among the
        hourly states or slots.
    label, unit
        In the words of a chart's axis.
    against
        Its x axis.
    band
        One point without x, or several in order of x.
    """

    of: Literal["behaviour", "day", "state", "slot"]
    name: str
    label: str
    unit: str
    against: Literal["time", "outdoor"] = "time"
    band: tuple[BandPoint, ...] = ()


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
    evidence
        Series for its charts, the most telling first.
    explains
        Share of the shortfall that this finding explains, so that the share is not told
        a second time.
    at_stake, days_left
        What it costs, or shifts the judgement by, until the period ends if nothing is done,
        in the currency of the effect; and how many days that is.
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
    evidence: tuple[Evidence, ...] = ()
    explains: Cause | None = None
    effect: Effect | None = None
    at_stake: float | None = None
    days_left: int | None = None
    check: tuple[str, ...] = ()
    caution: str | None = None

    @property
    def urgency(self) -> tuple[int, float]:
        """Sorts what wants a person first: people, then what blinds, then what costs most."""
        order = [Topic.HOUSEHOLD, Topic.DATA, Topic.METER]
        rank = order.index(self.topic) if self.topic in order else len(order)
        cost = self.at_stake
        if cost is None and self.effect is not None:
            cost = self.effect.money_year or self.effect.kwh_year / 4.0
        return rank, -(cost or 0.0)


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
    slots, states, days, behaviour
        Frames of schema SLOT, STATE_SLOT, DAY and BEHAVIOUR of this site up to `now`.
    suspects
        Readings set aside: columns role, reason, t_utc.
    base
        Where the site stands inside the boundary of its promise; None without one.
    price_per_kwh, currency
        Mean price of its electricity so far, where it is known.
    """

    site: Site
    standing: Standing
    assessment: Assessment | None
    sources: tuple[SourceSeen, ...]
    now: datetime
    rules: Rules
    slots: pl.DataFrame = field(default_factory=lambda: empty(SLOT))
    states: pl.DataFrame = field(default_factory=lambda: empty(STATE_SLOT))
    days: pl.DataFrame = field(default_factory=lambda: empty(DAY))
    behaviour: pl.DataFrame = field(default_factory=lambda: empty(BEHAVIOUR))
    suspects: pl.DataFrame = field(default_factory=lambda: empty(SET_ASIDE))
    base: Basis | None = None
    price_per_kwh: float | None = None
    currency: str | None = None
