"""Findings about the data itself: what falls silent, and what will not suffice to decide."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

from monitor.findings.finding import Confidence, Finding, Seen, Topic
from monitor.guarantee.conformance import percent
from monitor.metrics.plausibility import Figure

#: Age of the newest reading from which a site counts as silent where no source says how
#: long it may be quiet. Common practice, no source.
SILENT_AFTER: Final = timedelta(days=3)


def silent_sources(seen: Seen) -> list[Finding]:
    """Sources that should have brought something newer by now."""
    return [
        Finding(
            kind=f"silent-source:{source.name}",
            topic=Topic.DATA,
            title=f"The source '{source.name}' is silent",
            what=(
                f"Its newest reading is of {source.newest:%-d %B %Y, %H:%M} UTC; it may be quiet "
                f"for {_span(source.silent_after)}."
                + (f" The last look at it went wrong: {source.error}" if source.error else "")
            ),
            confidence=Confidence.CERTAIN,
            since=source.newest,
            check=(
                "Whether the logger or portal is up and its clock is right",
                "The path, address or topic of the source, and its credentials",
                "Files in the folder 'failed' of the source, with their reports",
            ),
        )
        for source in seen.sources
        if seen.now - source.newest > source.silent_after
    ]


def silent_site(seen: Seen) -> list[Finding]:
    """A site whose readings stopped, where no source is described for it."""
    newest = seen.standing.newest_reading
    if seen.sources or newest is None or seen.standing.settlement is not None:
        return []
    if seen.now - newest <= SILENT_AFTER:
        return []
    return [
        Finding(
            kind="silent-site",
            topic=Topic.DATA,
            title="No readings come in",
            what=f"The newest reading of heat or electricity is of {newest:%-d %B %Y, %H:%M} UTC.",
            plainly="The meters of your heat pump have fallen silent. Your installer is told.",
            confidence=Confidence.CERTAIN,
            since=newest,
            check=("Import the exports that are due", "Whether logger and meters have power"),
        )
    ]


def coverage_at_risk(seen: Seen) -> list[Finding]:
    """A period in which too little may be known for a decision."""
    standing, terms = seen.standing, seen.site.current_terms
    account = standing.account
    if account is None or terms is None or standing.settlement is not None:
        return []
    if account.hours.total < 30 * 24 or account.coverage >= terms.minimum_coverage:
        return []
    end = seen.site.midnight(terms.end)
    left = max(0.0, (end - account.end_utc).total_seconds() / 3600.0)
    whole = account.hours.total + left
    best = (account.hours.measured + account.hours.bridged + left) / whole
    lost = best < terms.minimum_coverage
    ahead = (
        "even if every hour to come is known, it cannot be reached any more: the promise will "
        "stay undecided unless lost readings are found"
        if lost
        else f"with every hour to come known it would end at {percent(best)}"
    )
    return [
        Finding(
            kind="coverage-at-risk",
            topic=Topic.DATA,
            title="Too little is known for a decision",
            what=(
                f"{percent(account.coverage)} of the hours so far are known for every stream; the "
                f"terms ask for {percent(terms.minimum_coverage)} of the period; {ahead}."
            ),
            confidence=Confidence.CERTAIN if lost else Confidence.LIKELY,
            window_start=account.start_utc,
            window_end=account.end_utc,
            figures=(
                Figure(name="coverage so far", value=account.coverage),
                Figure(name="coverage asked for", value=terms.minimum_coverage),
                Figure(name="best coverage at the end", value=best),
            ),
            check=(
                "Whether the meters' own memory or the portal still has the lost hours",
                "Why readings are lost: radio, power, clock, a profile that refuses them",
            ),
        )
    ]


def _span(length: timedelta) -> str:
    hours = length.total_seconds() / 3600.0
    return f"{hours:.0f} hours" if hours < 48 else f"{hours / 24:.0f} days"
