"""Every family of checks; a new one is added to this list."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from monitor.findings.causes import causes
from monitor.findings.data import coverage_at_risk, silent_site, silent_sources
from monitor.findings.doubts import doubted
from monitor.findings.finding import Finding, Seen

Check = Callable[[Seen], list[Finding]]

FAMILIES: Final[tuple[Check, ...]] = (
    doubted,
    silent_sources,
    silent_site,
    coverage_at_risk,
    causes,
)


def findings(seen: Seen) -> list[Finding]:
    """Everything that is found at a site, what wants a person first at the top."""
    found = [finding for family in FAMILIES for finding in family(seen)]
    return sorted(found, key=lambda finding: finding.urgency)
