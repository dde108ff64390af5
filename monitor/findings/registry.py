"""Every family of checks; a new one is added to this list."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from monitor.findings.causes import causes
from monitor.findings.data import coverage_at_risk, silent_site, silent_sources
from monitor.findings.doubts import doubted
from monitor.findings.finding import Finding, Seen

Check = Callable[[Seen], list[Finding]]

#: What depends on the clock and on the sources, and is looked at on each refresh.
BY_CLOCK: Final[tuple[Check, ...]] = (silent_sources, silent_site, coverage_at_risk)

#: What depends on the records alone, and is looked at when they have changed.
BY_RECORDS: Final[tuple[Check, ...]] = (
    doubted,
    causes,
)


def findings(seen: Seen, families: tuple[Check, ...] = BY_CLOCK + BY_RECORDS) -> list[Finding]:
    """Everything that is found at a site, what wants a person first at the top.

    A share of the shortfall that another finding explains is not told again; what it costs
    goes to the finding that explains it, unless that knows it better.
    """
    found = [finding for family in families for finding in family(seen)]
    shares = {f.kind.removeprefix("cause:"): f for f in found if f.kind.startswith("cause:")}
    explained = {f.explains.value for f in found if f.explains is not None}
    told = [
        _with_effect(f, shares)
        for f in found
        if f.kind.removeprefix("cause:") not in explained or not f.kind.startswith("cause:")
    ]
    return sorted(told, key=lambda finding: finding.urgency)


def _with_effect(finding: Finding, shares: dict[str, Finding]) -> Finding:
    if finding.effect is not None or finding.explains is None:
        return finding
    share = shares.get(finding.explains.value)
    return finding if share is None else finding.model_copy(update={"effect": share.effect})
