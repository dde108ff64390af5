"""One trouble is told once: what comes of another finding is not told beside it.

A unit that gets too little water loses efficiency, and a home whose backup heater runs takes
more electricity for its heat. Whoever goes to look at the water or at the heater needs no second
reason; told as faults of the unit, these would send somebody to the refrigerant.
"""

from __future__ import annotations

from typing import Final

from monitor.findings.finding import Finding, Topic
from monitor.metrics.plausibility import Kind as Doubt

#: What the operation does to the figures of the unit.
_OPERATION: Final = frozenset(
    {
        "short-cycling",
        "low-flow",
        "backup-beside-unit",
        "immersion-runs",
        "setback-recovery",
        "defrost-often",
        "capacity-short",
        "flow-return-swapped",
        Doubt.CLOCKS.value,
    }
)

#: Meters that have shown what is not so, by which no change of the unit can be told.
_METERS: Final = frozenset(
    {"unit-slip", "register-stuck", "electricity-without-heat", "heat-without-electricity"}
)

#: Hot water that is made hotter or more often, at the flow that this asks for.
_WATER: Final = frozenset(
    {"hot-water-share", "hot-water-reheats", "hot-water-set-point", "pasteurisation-often"}
)

#: Findings, each with those whose consequence it is.
COMES_OF: Final[dict[str, frozenset[str]]] = {
    "efficiency-step": _OPERATION | _METERS | _WATER,
    "efficiency-drift": _OPERATION | _METERS | _WATER,
    "below-test-points": _OPERATION | {"standby-high", "pump-always-on", "meter-counts-house"},
    # A house on the meter takes electricity where there is no heat, and too much for the heat.
    "electricity-without-heat": frozenset({"meter-counts-house", "standby-high"}),
    "unit-slip": frozenset({"meter-counts-house"}),
    # Heat that is counted twice, or in another unit, is no loss of the house.
    "heat-loss-above-design": frozenset(
        {
            "boundary-differs",
            "unit-slip",
            "heat-meter-changed",
            Doubt.WATER.value,
            Doubt.CARNOT.value,
        }
    ),
    "hot-water-share": frozenset({"heat-meter-changed", "unit-slip"}),
    # Which hours heat rooms is told by heat, and how hot the flow is by another clock.
    "flow-above-curve": frozenset({Doubt.CLOCKS.value}),
    "no-weather-compensation": frozenset({Doubt.CLOCKS.value}),
    # Where a meter shows a tenth, its noise looks like starts.
    "short-cycling": frozenset({"unit-slip", "register-stuck"}),
    # Water that moves on between starts.
    "pump-always-on": frozenset({"short-cycling"}),
    # Flow and temperatures tell the heat of steady running, which such a home has none of.
    # The day from which it disagrees says more than that it does.
    Doubt.WATER.value: frozenset({"short-cycling", "heat-meter-changed"}),
    # Heat that stops, slips or is counted with turned sensors changes as well.
    # Defrosting water cools, which a logger sees and a heat meter does not count.
    "heat-meter-changed": _METERS
    | {"flow-return-swapped", "backup-beside-unit", "short-cycling", "defrost-often"},
    # Each of them takes electricity while no heat is shown.
    "meter-counts-house": frozenset(
        {"backup-beside-unit", "immersion-runs", "defrost-often", "flow-return-swapped"}
    ),
    "defrost-often": frozenset({"capacity-short", "backup-beside-unit"}),
}

#: What a share of the shortfall is told beside: other shares, and what concerns people, data or
#: the promise.
_BESIDE_SHARES: Final = frozenset({Topic.HOUSEHOLD, Topic.DATA, Topic.PROMISE})


def told_once(found: list[Finding]) -> list[Finding]:
    """Leave out what comes of another finding.

    A share of the shortfall is told by itself only where no check with evidence of its own has
    found anything at meters, operation or unit: it rests on the home's model alone, and the
    split on the site's page has it anyway.

    Parameters
    ----------
    found
        All findings of one site, in any order.

    Returns
    -------
    list of Finding
        Those that are told, in the same order.
    """
    kinds = {finding.kind for finding in found}
    evident = any(
        not _is_share(finding) and finding.topic not in _BESIDE_SHARES for finding in found
    )
    return [
        finding
        for finding in found
        if not (COMES_OF.get(finding.kind, frozenset()) & kinds)
        and not (_is_share(finding) and evident)
    ]


def _is_share(finding: Finding) -> bool:
    return finding.kind.startswith("cause:")
