"""Conformance with a lower tolerance limit (JCGM 106:2012)."""

from __future__ import annotations

from math import erf, sqrt
from typing import Literal

from monitor.models import Terms

Decision = Literal["kept", "not kept", "undecided"]


def conformance_probability(spf: float, u: float, promise: float) -> float:
    """Probability that the true SPF is at least the promise: Phi((spf - promise) / u).

    JCGM 106:2012, 7.3.3, for a normal distribution and a single lower limit. With u = 0
    it is 1 or 0.
    """
    if u < 0:
        message = "a standard uncertainty cannot be negative"
        raise ValueError(message)
    if u == 0:
        return 1.0 if spf >= promise else 0.0
    return 0.5 * (1.0 + erf((spf - promise) / (u * sqrt(2.0))))


def guard_band(u: float, terms: Terms) -> float:
    """Width of the guard band: 0 for simple acceptance, else r U with U = 2 u (8.3)."""
    return 0.0 if terms.decision == "simple" else terms.guard_factor * 2.0 * u


def decide(spf: float, u: float, coverage: float, terms: Terms) -> Decision:
    """Apply the terms' decision rule to a whole period.

    Simple acceptance: kept if the SPF reaches the promise. Guarded: kept from the
    promise plus the guard band on, not kept from the promise minus it down, undecided
    between. Always undecided below the terms' minimum coverage.
    """
    if coverage < terms.minimum_coverage:
        return "undecided"
    band = guard_band(u, terms)
    # A figure on the limit counts as reaching it; do not let rounding of binary numbers decide.
    tiny = 1e-9
    if spf >= terms.promised_spf + band - tiny:
        return "kept"
    if band == 0 or spf <= terms.promised_spf - band + tiny:
        return "not kept"
    return "undecided"


def percent(share: float) -> str:
    """A probability or share in words; never 0 or 100 % unless it is."""
    if 0.99 < share < 1:
        return "over 99 %"
    if 0 < share < 0.01:
        return "under 1 %"
    return f"{share * 100:.0f} %"
