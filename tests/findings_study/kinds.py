"""What is planted in the homes of the study, what should be found, and what else is true then.

Names of troubles are those of the findings wherever one trouble has one finding.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Season = Literal["start", "winter", "any", "summer"]


@dataclass(frozen=True)
class Tells:
    """Which days tell a trouble, and how many of them are enough data.

    Attributes
    ----------
    below_c, above_c
        Daily mean outdoor temperature, degC; `size` stands for the trouble's own size.
    enough
        Days of this kind, since the trouble began, that its check needs by its own rule.
    """

    below_c: float | Literal["size"] | None = None
    above_c: float | None = None
    enough: int = 7


@dataclass(frozen=True)
class Spec:
    """One kind of home.

    Attributes
    ----------
    expected
        Finding keys of which one names the trouble; none for a healthy home.
    trouble
        Key of `demo_telemetry.troubles.SIZES`; default the kind's own name.
    season
        When it begins: with the data, in the cold part of the year, in its warm part, or
        at any time.
    needs
        What the home and its meters must have so that the trouble can be and be seen:
        `air`, `backup`, `immersion`, `water` (flow, return and flow rate), `dhw_meter`,
        `dhw_temp`, `room`, `pumps`, `test_point`, `total` (only the whole is metered),
        `says_water`, `register`, `power` (the unit's electricity as samples of power), `flow`
        (flow temperature), `fine` (meters that resolve five minutes), `oversized` and `tight`
        (heat loss beside the unit's heat).
    """

    expected: tuple[str, ...] = ()
    trouble: str = ""
    season: Season = "any"
    needs: frozenset[str] = frozenset()


def _spec(expected: str, season: Season, needs: str = "", trouble: str = "") -> Spec:
    return Spec(tuple(expected.split()), trouble, season, frozenset(needs.split()))


#: Days on which rooms are heated: the same limit as that of the checks.
_HEATING = 12.0

#: Where not every day tells, or a week is not enough, with the rule of the check.
TELLS: dict[str, Tells] = {
    # Five days after the change.
    "heat-meter-low": Tells(_HEATING, enough=5),
    "heat-meter-high": Tells(_HEATING, enough=5),
    # More than half of the 35 days over which clocks are compared.
    "clock-lag": Tells(_HEATING, enough=18),
    # Three jumps, of which the middle trouble has three in two months.
    "register-jumps": Tells(enough=60),
    # Power that reaches the range.
    "register-saturated": Tells(5.0, enough=14),
    # Days on which the heater runs, by the trouble's own limit.
    "boundary-differs": Tells("size"),
    "backup-beside-unit": Tells("size"),
    "backup-in-total": Tells("size"),
    # Fourteen heating days for a slope.
    "no-weather-compensation": Tells(_HEATING, enough=14),
    "flow-above-curve": Tells(_HEATING),
    "setback-recovery": Tells(_HEATING),
    "short-cycling": Tells(_HEATING),
    "low-flow": Tells(_HEATING),
    "high-flow": Tells(_HEATING),
    # Five weekly programmes.
    "pasteurisation-none": Tells(enough=35),
    # An evaporator frosts below.
    "defrost-often": Tells(5.0),
    "summer-heating": Tells(above_c=_HEATING, enough=14),
    "efficiency-step": Tells(_HEATING),
    # A long record, by robust errors.
    "efficiency-drift": Tells(enough=180),
    # The trouble sets in below 2 degC.
    "capacity-short": Tells(2.0),
    # Six weeks of days on which the unit runs much.
    "below-test-points": Tells(_HEATING, enough=42),
    # The median of 45 days: more than half of them.
    "house-cold": Tells(_HEATING, enough=23),
    "comfort-above-terms": Tells(10.0),
    # Forty heating days.
    "heat-loss-above-design": Tells(_HEATING, enough=40),
    # Half of a heating season of 180 days.
    "weather-colder": Tells(_HEATING, enough=90),
    "coverage-lost": Tells(enough=30),
}

TROUBLES: dict[str, Spec] = {
    # Meters.
    "electricity-without-heat": _spec("electricity-without-heat register-stuck", "winter"),
    "heat-without-electricity": _spec("heat-without-electricity register-stuck", "winter"),
    "flow-return-swapped": _spec("flow-return-swapped", "winter", "water"),
    "unit-slip": _spec("unit-slip", "winter"),
    "heat-meter-low": _spec(
        "heat-meter-changed heat_beside_flow_and_temperatures heat_beside_heat_loss",
        "winter",
        "water",
    ),
    "heat-meter-high": _spec(
        "heat-meter-changed heat_beside_flow_and_temperatures heat_beside_heat_loss "
        "cop_beside_carnot",
        "winter",
        "water",
    ),
    "clock-lag": _spec("clocks_beside_each_other", "winter"),
    "register-stuck": _spec("register-stuck", "winter", "register"),
    "register-jumps": _spec("register-jumps", "any", "register"),
    "register-saturated": _spec("register-saturated", "start", "power"),
    "meter-counts-house": _spec("meter-counts-house", "start", "total"),
    "boundary-differs": _spec("boundary-differs", "start", "backup water"),
    # Operation.
    "flow-above-curve": _spec("flow-above-curve", "winter", "flow"),
    "no-weather-compensation": _spec("no-weather-compensation flow-above-curve", "winter", "flow"),
    "setback-recovery": _spec("setback-recovery", "winter", "flow room"),
    "short-cycling": _spec("short-cycling", "start", "oversized fine"),
    "low-flow": _spec("low-flow", "winter", "water"),
    "high-flow": _spec("low-flow", "winter", "water"),
    "pump-always-on": _spec("pump-always-on", "any", "water pumps"),
    "backup-beside-unit": _spec("backup-beside-unit", "winter", "backup"),
    "backup-in-total": _spec("backup-beside-unit", "winter", "backup total", "backup-beside-unit"),
    "immersion-runs": _spec("immersion-runs", "any", "immersion"),
    "hot-water-share": _spec("hot-water-share", "any", "dhw_meter says_water"),
    "hot-water-reheats": _spec("hot-water-reheats", "any", "dhw_meter dhw_temp flow"),
    "hot-water-set-point": _spec("hot-water-set-point", "any", "dhw_meter dhw_temp flow"),
    "pasteurisation-often": _spec("pasteurisation-often", "any", "dhw_temp"),
    "pasteurisation-none": _spec("pasteurisation-none", "any", "dhw_temp"),
    "standby-high": _spec("standby-high", "any", "fine"),
    "defrost-often": _spec("defrost-often", "winter", "air water fine"),
    "summer-heating": _spec("summer-heating", "summer", "dhw_meter flow"),
    # The unit.
    "efficiency-step": _spec("efficiency-step efficiency-drift", "winter", "flow"),
    "efficiency-drift": _spec("efficiency-drift efficiency-step", "start", "flow"),
    "capacity-short": _spec("capacity-short", "winter", "air room flow tight"),
    "below-test-points": _spec("below-test-points", "start", "test_point flow"),
    # The promise.
    "house-cold": _spec("room_temperature", "winter", "room"),
    "comfort-above-terms": _spec("comfort-above-terms", "winter", "room"),
    "heat-loss-above-design": _spec(
        "heat-loss-above-design heat_beside_heat_loss", "start", "room oversized"
    ),
    "coverage-lost": _spec("coverage-at-risk", "start", "power"),
    "weather-colder": _spec("weather-not-system cause:weather", "start", "air"),
}

#: Homes that are fine, though they may look bad.
HEALTHY: dict[str, Spec] = {
    "healthy": Spec(season="start"),
    "cold-winter": Spec(season="start"),
    "large-family": Spec(season="start"),
    "warm-house": Spec(season="start"),
    "coarse-hourly": Spec(season="start"),
    "coarse-15min": Spec(season="start"),
    "holiday": Spec(season="start"),
    "gaps": Spec(season="start"),
    "mild-setback": Spec(season="start"),
    "underfloor-ground": Spec(season="start"),
    "oversized-fine": Spec(season="start", needs=frozenset({"oversized"})),
}

KINDS: dict[str, Spec] = {**TROUBLES, **HEALTHY}


def trouble_of(kind: str) -> str | None:
    """Key of `demo_telemetry.troubles.SIZES` that a kind plants; None for a healthy home."""
    return None if kind in HEALTHY else TROUBLES[kind].trouble or kind
