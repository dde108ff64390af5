"""Which marks numbers are written with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl

_BLANK: Final = "[ \u00a0\u202f]"
#: How a number can be written that speaks for one decimal mark: pattern, decimal, thousands.
_WAYS: Final = (
    (rf"^[+-]?\d{{1,3}}(?:{_BLANK}\d{{3}})+,\d+$", ",", " "),
    (rf"^[+-]?\d{{1,3}}(?:{_BLANK}\d{{3}})+\.\d+$", ".", " "),
    (r"^[+-]?\d{1,3}(?:['’]\d{3})+(?:\.\d+)?$", ".", "'"),
    (r"^[+-]?\d{1,3}(?:\.\d{3})+,\d+$", ",", "."),
    (r"^[+-]?\d{1,3}(?:,\d{3})+\.\d+$", ".", ","),
    (r"^[+-]?\d{1,3}(?:\.\d{3}){2,}$", ",", "."),
    (r"^[+-]?\d{1,3}(?:,\d{3}){2,}$", ".", ","),
    (r"^[+-]?(?:\d+,\d{1,2}|\d+,\d{4,}|\d{4,},\d+|0\d*,\d+)$", ",", None),
    (r"^[+-]?(?:\d+\.\d{1,2}|\d+\.\d{4,}|\d{4,}\.\d+|0\d*\.\d+)$", ".", None),
)
_EITHER_COMMA: Final = r"^[+-]?[1-9]\d{0,2},\d{3}$"
_EITHER_POINT: Final = r"^[+-]?[1-9]\d{0,2}\.\d{3}$"
_MOST_CELLS: Final = 5_000


@dataclass
class Marks:
    """Decimal and thousands mark.

    Attributes
    ----------
    ambiguous
        A number that can mean two things where no other tells, else empty.
    """

    decimal: str = "."
    thousands: str | None = None
    confidence: float = 0.9
    why: str = "No number has a decimal mark."
    ambiguous: str = ""


def tell_marks(columns: list[pl.Series]) -> Marks:
    """Tell the marks by all numbers of a table together.

    Parameters
    ----------
    columns
        Text of each column that is not the time.
    """
    parts = [one.drop_nulls() for one in columns]
    cells = pl.concat([_spread(one) for one in parts if len(one)]) if any(map(len, parts)) else None
    if cells is None:
        return Marks()
    cells = cells.str.strip_chars()
    counts: dict[str, int] = {}
    example: dict[str, str] = {}
    groups: dict[str, str] = {}
    for pattern, decimal, thousands in _WAYS:
        hits = cells.filter(cells.str.contains(pattern))
        if len(hits):
            counts[decimal] = counts.get(decimal, 0) + len(hits)
            example.setdefault(decimal, str(hits[0]))
            if thousands is not None:
                groups.setdefault(decimal, thousands)
    if counts:
        decimal = max(counts, key=lambda one: counts[one])
        share = counts[decimal] / sum(counts.values())
        why = f"Numbers are written as '{example[decimal]}'."
        return Marks(decimal, groups.get(decimal), round(0.97 * share, 2), why)
    comma = cells.filter(cells.str.contains(_EITHER_COMMA))
    point = cells.filter(cells.str.contains(_EITHER_POINT))
    if len(comma):
        # '1,234' alone may be a thousand or three decimals: only a person knows.
        return Marks(",", None, 0.0, "Commas stand before three digits only.", str(comma[0]))
    if len(point):
        return Marks(".", None, 0.75, f"Numbers are written as '{point[0]}'.")
    return Marks()


def _spread(cells: pl.Series) -> pl.Series:
    """Take cells from the whole length of a column."""
    step = max(1, len(cells) // _MOST_CELLS)
    return cells.gather_every(step)
