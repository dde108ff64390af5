"""Limits of the energy account, as one record that every result carries along."""

from __future__ import annotations

from datetime import timedelta

from pydantic import BaseModel, ConfigDict

#: Raised whenever a change alters a figure that was computed before.
RULES_VERSION = 5


class Rules(BaseModel):
    """Limits under which readings become known energy.

    Attributes
    ----------
    max_profile_gap
        Readings at most this far apart place their energy in hours (R2).
    hold_steps, hold_limit
        A power sample holds at most `hold_steps` median steps and `hold_limit` (R4).
    max_spike
        Readings that leave a register's course and come back are set aside if they last
        no longer than this (R6).
    max_frozen
        A register may stand still this long and then catch up in one step (R6).
    negative_power_kw
        Meter offset at standstill that is taken as it is; below, a power reading on a
        channel that is not signed is set aside (R6).
    stuck_day_kwh
        A stream that stands at zero for a whole day on which its partner moves more
        energy than this is held to be stuck (R6).
    lookback
        How far before the first new reading an account is computed anew; longer than
        any limit above, so that a refresh equals a computation from scratch.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    max_profile_gap: timedelta = timedelta(hours=2)
    hold_steps: float = 5.0
    hold_limit: timedelta = timedelta(minutes=15)
    max_spike: timedelta = timedelta(hours=24)
    max_frozen: timedelta = timedelta(days=31)
    negative_power_kw: float = 0.05
    stuck_day_kwh: float = 5.0
    lookback: timedelta = timedelta(days=35)
    # Standing: common practice, no source.
    on_course_probability: float = 0.80
    off_course_probability: float = 0.20
    least_days: int = 90
    least_coverage: float = 0.50


DEFAULT_RULES = Rules()
