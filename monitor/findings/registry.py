"""Every family of checks; a new one is added to this list."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from monitor.findings.causes import causes
from monitor.findings.curve import flow_above_curve, no_weather_compensation
from monitor.findings.cylinder import (
    hot_water_set_point,
    pasteurisation_none,
    pasteurisation_often,
)
from monitor.findings.data import coverage_at_risk, silent_site, silent_sources
from monitor.findings.doubts import doubted
from monitor.findings.finding import Finding, Seen
from monitor.findings.heat_meter import heat_meter_changed
from monitor.findings.heaters import backup_beside_unit, immersion_runs
from monitor.findings.hot_water import hot_water_reheats, hot_water_share
from monitor.findings.hours import share_effect
from monitor.findings.meters import meters
from monitor.findings.once import told_once
from monitor.findings.promise import (
    comfort_above_terms,
    heat_loss_above_design,
    weather_not_system,
)
from monitor.findings.resting import pump_always_on, standby_high
from monitor.findings.running import defrost_often, low_flow, short_cycling
from monitor.findings.silence import silenced
from monitor.findings.timing import setback_recovery, summer_heating
from monitor.findings.unit import efficiency_change
from monitor.findings.unit_in_use import below_test_points, capacity_short
from monitor.findings.worth import with_stakes

Check = Callable[[Seen], list[Finding]]

#: What depends on the clock and on the sources, and is looked at on each refresh.
BY_CLOCK: Final[tuple[Check, ...]] = (silent_sources, silent_site, coverage_at_risk)

#: What depends on the records alone, and is looked at when they have changed.
BY_RECORDS: Final[tuple[Check, ...]] = (
    doubted,
    heat_meter_changed,
    meters,
    flow_above_curve,
    no_weather_compensation,
    setback_recovery,
    summer_heating,
    backup_beside_unit,
    immersion_runs,
    hot_water_share,
    hot_water_reheats,
    hot_water_set_point,
    pasteurisation_often,
    pasteurisation_none,
    short_cycling,
    low_flow,
    defrost_often,
    pump_always_on,
    standby_high,
    efficiency_change,
    capacity_short,
    below_test_points,
    comfort_above_terms,
    heat_loss_above_design,
    weather_not_system,
    causes,
)


def findings(seen: Seen, families: tuple[Check, ...] = BY_CLOCK + BY_RECORDS) -> list[Finding]:
    """Everything that is found at a site, what wants a person first at the top.

    What a doubted meter may have made up is not blamed on the unit, and one trouble is told
    once. What a share of the shortfall costs goes to the finding that explains it, unless that
    knows it better.
    """
    found = silenced([finding for family in families for finding in family(seen)])
    explained = {f"cause:{f.explains.value}" for f in found if f.explains is not None}
    told = told_once([finding for finding in found if finding.kind not in explained])
    told = [with_stakes(seen, _with_effect(seen, finding)) for finding in told]
    return sorted(told, key=lambda finding: finding.urgency)


def _with_effect(seen: Seen, finding: Finding) -> Finding:
    if finding.effect is not None or finding.explains is None:
        return finding
    return finding.model_copy(update={"effect": share_effect(seen, finding.explains)})
