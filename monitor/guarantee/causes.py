"""Records of a shortfall: what was expected, each cause's share, and the whole."""

from __future__ import annotations

from datetime import date, datetime
from enum import StrEnum
from typing import Literal

from monitor.models import Record


class Cause(StrEnum):
    """Where a shortfall comes from; the first seven are levers of the model."""

    WEATHER = "weather"
    FLOW = "flow_temperature"
    WATER = "hot_water"
    RESISTIVE = "backup_and_immersion"
    STANDBY = "standby_cycling_pumps"
    UNIT = "unit"
    METERING = "metering"
    SEASON = "time_of_year"
    DESIGN = "promise_beyond_design"
    UNEXPLAINED = "unexplained"


State = Literal["measured", "not measurable here", "outside the boundary", "not fitted"]


class Share(Record):
    """What one cause takes from the SPF; negative where it adds.

    Attributes
    ----------
    spf, low, high
        Share of the shortfall and its 95 % interval; None unless `state` is measured.
    kwh, money
        The same as electricity for the heat measured, and its price.
    sentence, assumed
        What was found, and what it was measured against.
    """

    cause: Cause
    state: State
    spf: float | None = None
    low: float | None = None
    high: float | None = None
    kwh: float | None = None
    money: float | None = None
    sentence: str
    assumed: str


class Shortfall(Record):
    """Promised less measured SPF of the period so far, and where it comes from.

    Attributes
    ----------
    gap_spf, extra_kwh, money
        Whole shortfall: SPF; E - Q / promise; its price. Negative where the promise is
        outdone. The sums of the shares equal them.
    is_split
        False where there is no energy model: all is unexplained.
    is_adequate
        Whether the model is good enough to lean on.
    shares
        Largest loss first; then what cannot be measured here.
    draws, seed
        Of the intervals.
    colder_k
        How much colder than in the reference climate the days were that call for heating
        there, on average; None without a split.
    """

    site: str
    period_start: date
    until: datetime
    promise: float
    measured: float
    gap_spf: float
    extra_kwh: float
    money: float | None
    currency: str | None
    is_split: bool
    is_adequate: bool
    sentence: str
    shares: tuple[Share, ...]
    days: int
    draws: int
    seed: int
    colder_k: float | None = None

    def share(self, cause: Cause) -> Share | None:
        """The share of one cause."""
        return next((s for s in self.shares if s.cause is cause), None)

    @property
    def biggest(self) -> Share | None:
        """The cause that takes most from the SPF; None where nothing does."""
        losses = [s for s in self.shares if s.spf is not None and s.spf > 0]
        return losses[0] if losses else None
