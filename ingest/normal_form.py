"""The one form that every adapter returns."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from ingest.profile import Column
from monitor.schemas import NORMAL, REJECT, check


@dataclass(frozen=True)
class Target:
    """What the readings of one source column are: a column of the profile, and its meter."""

    column: Column
    label: str
    serial: str | None = None


@dataclass(frozen=True)
class Extract:
    """Everything that an adapter found in one file, or in a part of it.

    Attributes
    ----------
    targets
        What the readings mean; `readings['target']` is an index into it.
    readings
        Frame of schema NORMAL: values in kWh, kW, degC, m3/h; times in UTC.
    rejects
        Frame of schema REJECT: one row a reading that could not be used.
    lines
        Data lines in the file, without preamble, header and blank lines.
    blank
        Cells that a layout offers but that hold nothing: no reading was made.
    notes
        Sentences on how the file was understood that a person should see.
    """

    targets: tuple[Target, ...]
    readings: pl.DataFrame
    rejects: pl.DataFrame
    lines: int
    blank: int = 0
    notes: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        """Hold the two frames to their schemas."""
        object.__setattr__(self, "readings", check(self.readings, NORMAL))
        object.__setattr__(self, "rejects", check(self.rejects, REJECT))

    @property
    def rows_read(self) -> int:
        """Readings found, usable or not (the left side of identity R10)."""
        return self.readings.height + self.rejects.height
