"""Sets times right where the profile says how a logger's clock is wrong."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import polars as pl

from ingest.normal_form import Extract
from ingest.profile import Clock
from monitor.schemas import UTC

_DAY_US: Final = 86_400_000_000


def set_right(extract: Extract, clock: Clock | None) -> Extract:
    """Move every reading by what its clock was ahead at that time.

    A clock that gains shows 1 + g seconds for each true one; an interval's length is left
    as the file states it.
    """
    if clock is None or extract.readings.height == 0:
        return extract
    ahead = clock.ahead.total_seconds() * 1e6
    shown = pl.col("t_utc").to_physical().cast(pl.Float64)
    true = shown - ahead
    if clock.at is not None and clock.gains_s_per_day != 0.0:
        gain = clock.gains_s_per_day * 1e6 / _DAY_US
        at = clock.at.timestamp() * 1e6
        true = at + (true - at) / (1.0 + gain)
    moved = extract.readings.with_columns(true.round().cast(pl.Int64).cast(UTC).alias("t_utc"))
    return replace(extract, readings=moved)


def said(clock: Clock) -> str:
    """What was done to the times, for the report."""
    seconds = clock.ahead.total_seconds()
    side = "ahead" if seconds >= 0 else "behind"
    text = f"Times were set right: the profile says that the clock is {abs(seconds):g} s {side}"
    if clock.gains_s_per_day != 0.0 and clock.at is not None:
        word = "gains" if clock.gains_s_per_day > 0 else "loses"
        text += f" at {clock.at.isoformat()} and {word} {abs(clock.gains_s_per_day):g} s a day"
    return f"{text}."
