"""Whether the meters of a heat pump can be right: the family of checks, and swapped sensors."""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from monitor.findings.finding import Confidence, Evidence, Finding, Seen, Topic
from monitor.findings.household_meter import meter_counts_house
from monitor.findings.meter_boundary import boundary_differs
from monitor.findings.pair import Pair, Values, pair, state
from monitor.findings.registers import register_jumps, register_saturated, register_stuck
from monitor.findings.slips import slip, unit_slip
from monitor.findings.standstill import electricity_without_heat, heat_without_electricity
from monitor.metrics.plausibility import Figure
from monitor.metrics.plausibility import Kind as Doubt
from monitor.models import Role

#: How much colder the flow must be than the return, K, and how warm the colder of the two
#: must be not to be cooling, degC. Common practice, no source.
TURNED_K: Final = -1.0
WARM_C: Final = 24.0

#: Share of a day's running that shows it, by hourly means; by fine samples, where only steady
#: running counts as turned; and hours of running that tell. Common practice, no source.
TURNED_SHARE: Final = 0.5
FINE_SHARE: Final = 0.35
LEAST_RUN_H: Final = 2.0

#: Newest judged days, and how few of them suffice: sound sensors never show it. Common
#: practice, no source.
TURNED_DAYS: Final = (7, 4)


def meters(seen: Seen) -> list[Finding]:
    """Make every check of the meters; what a fault explains is not told a second time."""
    beside = pair(seen)
    if beside is None:
        return [*register_jumps(seen, frozenset()), *boundary_differs(seen, None)]
    slipped = slip(seen, beside)
    off = frozenset(slipped.roles) if slipped is not None else frozenset[Role]()
    if not off.isdisjoint(beside.heat_roles):
        # What shares the heat meter shares its unit.
        off |= {role for role in seen.site.roles if role.is_heat}
    turned = flow_return_swapped(seen, beside)
    # A heat meter whose own sensors are swapped stands: that is told once.
    swapped = frozenset(role for finding in turned for role in finding.roles)
    stuck = register_stuck(seen, beside, off | swapped)
    still = frozenset(role for finding in stuck for role in finding.roles)
    found = [
        *unit_slip(seen, beside, slipped),
        *stuck,
        *turned,
        *register_jumps(seen, off | still | swapped),
        *register_saturated(beside),
    ]
    if not off:
        found += boundary_differs(seen, beside)
        found += meter_counts_house(seen, beside)
    if off or stuck or _clocks_differ(seen):
        return found
    found += heat_without_electricity(seen, beside)
    if swapped.isdisjoint(beside.heat_roles):
        found += electricity_without_heat(seen, beside)
    return found


def _clocks_differ(seen: Seen) -> bool:
    """Whether hours of the two meters cannot be held against each other."""
    checks = seen.assessment.plausibility if seen.assessment is not None else None
    return checks is not None and any(d.kind is Doubt.CLOCKS for d in checks.doubts)


def flow_return_swapped(seen: Seen, beside: Pair) -> list[Finding]:
    """Flow colder than return while the unit heats: by fine samples, else by hourly means."""
    if not {Role.FLOW_TEMP, Role.RETURN_TEMP} <= seen.site.roles:
        return []
    count = len(beside.heat)
    flow = state(seen, Role.FLOW_TEMP, beside.first, count)
    back = state(seen, Role.RETURN_TEMP, beside.first, count)
    runs = (beside.used >= beside.running_used) | (beside.heat >= beside.running_heat)
    told = runs & np.isfinite(flow - back) & (np.minimum(flow, back) >= WARM_C)
    turned = told & (flow - back <= TURNED_K)
    ran = beside.by_day(told)
    share = beside.by_day(turned) / np.maximum(ran, 1.0)
    fine = _fine_share(seen, beside)
    shown = np.where(np.isfinite(fine), fine >= FINE_SHARE, share >= TURNED_SHARE)
    of_last, least = TURNED_DAYS
    found = beside.shows(ran >= LEAST_RUN_H, shown, of_last=of_last, least_days=least)
    if found is None:
        return []
    inside = beside.since(found)
    part = float(turned[inside].sum() / max(told[inside].sum(), 1))
    made = np.nansum(np.where(told & inside, beside.heat, 0.0))
    took = np.nansum(np.where(told & inside, beside.used, 0.0))
    own = made < 0.5 * took
    return [
        Finding(
            kind="flow-return-swapped",
            topic=Topic.METER,
            title="Flow and return are swapped",
            what=(
                f"Since {found.since:%-d %B %Y} the return was hotter than the flow in "
                f"{part:.0%} of the hours in which the unit ran, on {found.days} of "
                f"{found.judged} days judged; cooling is not counted, and defrost takes minutes. "
                "The two sensors are swapped, or the profile names them the wrong way round."
                + (
                    " The heat meter counts hardly any heat meanwhile: they seem to be its own."
                    if own
                    else ""
                )
            ),
            plainly="Two temperature sensors are mixed up. Your installer can put that right.",
            confidence=Confidence.LIKELY,
            since=seen.site.midnight(found.since),
            window_start=seen.site.midnight(found.since),
            window_end=seen.now,
            roles=(Role.FLOW_TEMP, Role.RETURN_TEMP, *(beside.heat_roles if own else ())),
            figures=(
                Figure(name="share of the running hours", value=part),
                Figure(
                    name="flow less return, median",
                    value=float(np.median((flow - back)[told & inside])),
                    unit="K",
                ),
            ),
            evidence=(
                Evidence(of="state", name=Role.FLOW_TEMP.value, label="Flow", unit="degC"),
                Evidence(of="state", name=Role.RETURN_TEMP.value, label="Return", unit="degC"),
            ),
            check=(
                "Which columns of the export the profile calls flow and return",
                "Marking of the two sensors, and the pipes that they sit on",
                "The sign of the difference on the heat meter's own display while the unit runs",
            ),
        )
    ]


def _fine_share(seen: Seen, beside: Pair) -> Values:
    """Share of each day's running with return above flow, from fine samples; NaN without."""
    grid = pl.DataFrame({"day": beside.days}, schema={"day": pl.Date})
    part = pl.when(pl.col("run_h") > 0).then(pl.col("turned_h") / pl.col("run_h"))
    known = seen.behaviour.select("day", part.alias("part"))
    joined = grid.join(known, on="day", how="left", maintain_order="left")["part"]
    return joined.fill_null(float("nan")).to_numpy()
