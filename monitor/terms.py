"""The promise: what was agreed, for how long, and how it is judged."""

from __future__ import annotations

from datetime import date
from enum import StrEnum
from typing import Literal, Self

from dateutil.relativedelta import relativedelta
from pydantic import Field, model_validator

from monitor.record import Finite, NotNegative, Positive, Record


class Boundary(StrEnum):
    """System boundaries of SEPEMO-Build, D4.2 / D2.5 (2012)."""

    H1 = "H1"
    H2 = "H2"
    H3 = "H3"
    H4 = "H4"


class Assumption(StrEnum):
    """Named assumptions under which a boundary may be computed all the same."""

    UNMETERED_RESISTIVE_HEAT_IS_ZERO = "unmetered_resistive_heat_is_zero"

    @property
    def sentence(self) -> str:
        """The assumption in words."""
        return (
            "Heat from backup or immersion heaters that no meter separates is counted as zero, "
            "so the SPF shown is a lower bound."
        )


class RatedPoint(Record):
    """One COP of the unit's data sheet: source and flow temperature in degC."""

    source_c: Finite
    flow_c: Finite
    cop: float = Field(gt=1.0, lt=12.0)

    @model_validator(mode="after")
    def _has_a_lift(self) -> Self:
        if self.flow_c <= self.source_c:
            message = "the flow of a test point must be hotter than its source"
            raise ValueError(message)
        return self


class Expectation(Record):
    """What a promise took for granted beyond what the site file says.

    Attributes
    ----------
    hot_water_kwh_day, hot_water_flow_c
        Hot water heat; and flow temperature while it is made, default the one seen.
    standby_kwh_day
        Electricity that does not go with heat.
    room_c
        Room temperature that the household asked for.
    test_point
        COPs of the unit as tested or as designed with, at working conditions; without
        them the promise itself says what the unit was expected to do.
    """

    hot_water_kwh_day: Positive | None = None
    hot_water_flow_c: Positive | None = None
    standby_kwh_day: NotNegative | None = None
    room_c: float | None = Field(default=None, ge=10, le=30)
    test_point: tuple[RatedPoint, ...] = ()


class Terms(Record):
    """The promise: one versioned record.

    Attributes
    ----------
    promised_spf, boundary
        The figure and the system boundary that it holds for.
    start, months
        First day of the guarantee period (local midnight) and its length.
    decision
        `simple` acceptance, or `guarded` with guard band g = guard_factor x U, U = 2u
        (JCGM 106:2012, 8.2 and 8.3).
    minimum_coverage
        Share of the period's hours that must be known for a decision.
    assumptions
        Named assumptions that both parties accept.
    conditions
        What the promise was given under, each as a sentence; an exclusion may cite one.
    weather_allowance
        `reference_climate`: the SPF moved to the site's reference climate decides; the SPF
        as measured always stands beside it.
    expects
        What the promise took for granted, for the split of a shortfall.
    """

    version: int = Field(default=1, ge=1)
    signed: date
    promised_spf: float = Field(gt=1.0, lt=10.0)
    boundary: Boundary
    scope: Literal["heating_and_hot_water"] = "heating_and_hot_water"
    start: date
    months: int = Field(ge=1, le=180)
    decision: Literal["simple", "guarded"] = "simple"
    guard_factor: NotNegative = 1.0
    minimum_coverage: float = Field(default=0.90, gt=0, le=1)
    assumptions: tuple[Assumption, ...] = ()
    conditions: tuple[str, ...] = ()
    weather_allowance: Literal["none", "reference_climate"] = "none"
    expects: Expectation = Expectation()
    remedy: Literal["extra_electricity", "none"] = "extra_electricity"

    @property
    def end(self) -> date:
        """First day after the guarantee period."""
        end: date = self.start + relativedelta(months=self.months)
        return end
