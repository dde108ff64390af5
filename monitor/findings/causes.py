"""Findings from the split of the shortfall: what takes so much that a visit pays."""

from __future__ import annotations

from typing import Final

from monitor.findings.finding import Confidence, Effect, Finding, Seen, Topic
from monitor.guarantee.causes import Cause, Share, Shortfall
from monitor.guarantee.standing import Standing, StandingWord
from monitor.metrics.plausibility import Kind
from monitor.models import Role

#: Share of the SPF that a cause must take for sure (lower end of the 95 % interval) to be worth
#: a visit by itself; smaller ones stand in the split of the shortfall alone. Common practice,
#: no source.
LEAST_SPF: Final = 0.10

#: Share of the SPF by which sound units stray from their tests or their designer's figure.
#: Common practice, no source.
UNIT_STRAYS: Final = 0.05

_TITLES: Final = {
    Cause.FLOW: "The flow runs above the design curve",
    Cause.WATER: "More hot water than was planned for",
    Cause.RESISTIVE: "Resistive heaters run beside the heat pump",
    Cause.STANDBY: "Electricity that makes no heat",
    Cause.UNIT: "The unit takes more electricity than expected",
    Cause.WEATHER: "Colder than the reference climate",
}

_TOPICS: Final = {
    Cause.FLOW: Topic.OPERATION,
    Cause.WATER: Topic.OPERATION,
    Cause.RESISTIVE: Topic.OPERATION,
    Cause.STANDBY: Topic.OPERATION,
    Cause.UNIT: Topic.UNIT,
    Cause.WEATHER: Topic.PROMISE,
}

_ROLES: Final = {
    Cause.FLOW: (Role.FLOW_TEMP, Role.OUTDOOR_TEMP),
    Cause.WATER: (Role.HEAT_DHW, Role.DHW_TEMP),
    Cause.RESISTIVE: (Role.ELEC_BACKUP, Role.ELEC_IMMERSION),
    Cause.STANDBY: (Role.ELEC_UNIT, Role.ELEC_TOTAL, Role.ELEC_PUMPS),
    Cause.UNIT: (Role.HEAT_TOTAL, Role.ELEC_UNIT, Role.ELEC_TOTAL),
    Cause.WEATHER: (Role.OUTDOOR_TEMP,),
}

_CHECKS: Final = {
    Cause.FLOW: (
        "Heating curve and room influence in the controller against the design",
        "Mixing valves, thermostats in series and a second heating circuit",
        "Whether the emitters or their balancing force the higher flow",
    ),
    Cause.WATER: (
        "How much is drawn, and at which times the cylinder is reheated",
        "Set point and pasteurisation programme, circulation pump of the hot water",
        "Whether the household changed since the promise was made",
    ),
    Cause.RESISTIVE: (
        "Switch-on temperature and delay of the backup heater in the controller",
        "Whether a fault or a programme of the immersion heater keeps it on",
        "Capacity of the unit on the coldest days against the heat loss",
    ),
    Cause.STANDBY: (
        "Pumps that never stop, crankcase and tray heaters",
        "Starts an hour: set-backs, oversized unit, too little water in the circuit",
        "What else hangs on the electricity meter",
    ),
    Cause.UNIT: (
        "Air filter or brine, evaporator, defrost and fan, as the maker's manual says",
        "Recorded faults in the controller",
        "Refrigerant only by licensed people",
    ),
    Cause.WEATHER: ("Nothing at the home: see whether the terms grant a weather allowance",),
}

_CAUTIONS: Final = {
    Cause.WATER: (
        "Never lower hot water below what guards against legionella; local health rules and the "
        "pasteurisation programme come first."
    ),
    Cause.RESISTIVE: "Work on mains wiring is for licensed electricians.",
    Cause.STANDBY: "Work on mains wiring is for licensed electricians.",
    Cause.UNIT: "Refrigerant circuits are for licensed people under local codes.",
}

_PLAINLY: Final = {
    Cause.FLOW: "The water in the heating runs hotter than planned. Your installer can check it.",
    Cause.WATER: "More hot water is made than was planned for. Do not turn it down by yourself: "
    "it must get hot enough to stay free of germs.",
    Cause.RESISTIVE: "An electric heater often helps the heat pump. Your installer can check it.",
    Cause.STANDBY: "Electricity is used that makes no heat. Your installer can check why.",
    Cause.UNIT: "The heat pump needs more electricity than it should. Your installer can look.",
}


def causes(seen: Seen) -> list[Finding]:
    """Causes of a shortfall that cost enough for sure.

    Where the promise is on course, or in doubt as each winter makes it, there is no shortfall to
    explain. Where a meter is doubted, nothing is blamed on the unit: a heat meter that reads low
    looks just like it.
    """
    known = seen.assessment
    if known is None or known.shortfall is None or not known.shortfall.is_adequate:
        return []
    if known.shortfall.gap_spf <= 0 or not _is_missed(seen.standing):
        return []
    doubts = known.plausibility.doubts if known.plausibility else ()
    meter_doubted = any(d.kind in {Kind.WATER, Kind.CARNOT, Kind.HOUSE} for d in doubts)
    return [
        _finding(seen, known.shortfall, share)
        for share in known.shortfall.shares
        if share.cause in _TITLES
        and share.spf is not None
        and share.low is not None
        and share.low - _stray(share.cause, known.shortfall) >= LEAST_SPF
        and not (share.cause is Cause.UNIT and meter_doubted)
    ]


def _is_missed(standing: Standing) -> bool:
    if standing.settlement is not None:
        return standing.settlement != "kept"
    return standing.word is StandingWord.OFF_COURSE


def _stray(cause: Cause, found: Shortfall) -> float:
    """SPF by which what a cause is measured against may be off by itself."""
    return UNIT_STRAYS * found.measured if cause is Cause.UNIT else 0.0


def effect_of(found: Shortfall, share: Share) -> Effect | None:
    """What a share of the shortfall costs, brought to a year."""
    if share.spf is None:
        return None
    years = max(found.days / 365.25, 1e-9)
    return Effect(
        spf=share.spf,
        low=share.low if share.low is not None else share.spf,
        high=share.high if share.high is not None else share.spf,
        kwh_year=(share.kwh or 0.0) / years,
        money_year=None if share.money is None else share.money / years,
        currency=found.currency,
    )


def _finding(seen: Seen, found: Shortfall, share: Share) -> Finding:
    return Finding(
        kind=f"cause:{share.cause.value}",
        topic=_TOPICS[share.cause],
        title=_TITLES[share.cause],
        what=f"{share.sentence} {share.assumed}",
        plainly=_PLAINLY.get(share.cause),
        confidence=Confidence.LIKELY,
        window_start=seen.site.midnight(found.period_start),
        window_end=found.until,
        roles=tuple(r for r in _ROLES[share.cause] if r in seen.site.roles),
        effect=effect_of(found, share),
        check=_CHECKS[share.cause],
        caution=_CAUTIONS.get(share.cause),
    )
