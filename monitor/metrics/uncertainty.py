"""Standard uncertainty of a performance factor (JCGM 100:2008).

Sources: the heat meter (EN 1434-1 limits), the electricity meters (MID 2014/32/EU,
Annex V), the placing of energy at the edges of known runs, and the hours that gaps hide.
Meter errors are systematic: they are one unknown factor a meter and do not average out.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Final

from monitor.metrics.boundary import Recipe
from monitor.models import MeterFit, Role, Site

#: Flow sensor limits, EN 1434-1: class -> (constant, factor of q_p/q, cap), in %.
FLOW_SENSOR: Final = {"1": (1.0, 0.01, 5.0), "2": (2.0, 0.02, 5.0), "3": (3.0, 0.05, 5.0)}

#: Electricity meters, MID 2014/32/EU Annex V Table 2, single phase, I_tr to I_max,
#: +5 to +30 degC: class -> limit in %.
ELECTRICITY_METER: Final = {"A": 3.5, "B": 2.0, "C": 0.7}

#: Classes and flow ratio taken where a site's description says nothing.
#: Common practice, no source: class 2 at half its permanent flow; class B.
DEFAULT_HEAT_CLASS: Final = "2"
DEFAULT_ELECTRICITY_CLASS: Final = "B"
DEFAULT_FLOW_RATIO: Final = 2.0

SQRT_3: Final = sqrt(3.0)


def flow_sensor_limit(accuracy_class: str, flow_ratio: float) -> float:
    """Limit of error of a flow sensor in %, EN 1434-1; `flow_ratio` is q_p/q."""
    constant, factor, cap = FLOW_SENSOR[accuracy_class]
    return min(constant + factor * flow_ratio, cap)


def sensor_pair_limit(delta_theta_k: float, delta_theta_min_k: float) -> float:
    """Limit of error of a temperature sensor pair in %, EN 1434-1."""
    return 0.5 + 3.0 * delta_theta_min_k / delta_theta_k


def calculator_limit(delta_theta_k: float, delta_theta_min_k: float) -> float:
    """Limit of error of a heat calculator in %, EN 1434-1."""
    return 0.5 + delta_theta_min_k / delta_theta_k


def heat_meter_limit(
    accuracy_class: str, flow_ratio: float, delta_theta_k: float, delta_theta_min_k: float
) -> float:
    """Limit of error of a complete heat meter in %: the sum of its parts (EN 1434-1).

    Below `delta_theta_min_k` the meter is outside its rated conditions and the formulas
    say nothing; the limit at `delta_theta_min_k` is returned, and callers must say that
    the rating does not cover the case.
    """
    delta = max(delta_theta_k, delta_theta_min_k)
    return (
        flow_sensor_limit(accuracy_class, flow_ratio)
        + sensor_pair_limit(delta, delta_theta_min_k)
        + calculator_limit(delta, delta_theta_min_k)
    )


def rectangular(limit: float) -> float:
    """Standard uncertainty of a quantity known only to lie within +/- limit (4.3.7)."""
    return limit / SQRT_3


@dataclass(frozen=True)
class HeatMeterUse:
    """Heat-weighted conditions under which a heat meter worked.

    Attributes
    ----------
    delta_theta_k
        Difference of flow and return temperature.
    flow_m3h
        Flow, or None where nothing tells.
    recorded
        False where `delta_theta_k` is the design value and not recorded.
    """

    delta_theta_k: float
    flow_m3h: float | None
    recorded: bool


@dataclass(frozen=True)
class Component:
    """One line of an uncertainty budget.

    Attributes
    ----------
    u_spf
        Contribution to the standard uncertainty of the SPF.
    """

    source: str
    detail: str
    u_spf: float


def meter_u_percent(fit: MeterFit, role: Role, use: HeatMeterUse) -> tuple[float, str]:
    """Relative standard uncertainty of one meter in %, and what it was taken from."""
    if role.is_heat:
        grade = fit.accuracy_class or DEFAULT_HEAT_CLASS
        least = fit.delta_theta_min_k
        ratio = DEFAULT_FLOW_RATIO
        if fit.q_p_m3h is not None and use.flow_m3h:
            ratio = max(1.0, fit.q_p_m3h / use.flow_m3h)
        limit = heat_meter_limit(grade, ratio, use.delta_theta_k, least)
        how = "recorded" if use.recorded else "design"
        detail = (
            f"EN 1434-1 class {grade}, q_p/q {ratio:.1f}, {how} temperature difference "
            f"{use.delta_theta_k:.1f} K: limit {limit:.2f} %"
        )
        if use.delta_theta_k < least:
            detail += f" (below the {least:g} K that the meter is rated for)"
        return rectangular(limit), detail
    grade = fit.accuracy_class or DEFAULT_ELECTRICITY_CLASS
    limit = ELECTRICITY_METER[grade]
    return rectangular(limit), f"MID class {grade}: limit {limit:.1f} %"


def spf_components(
    site: Site,
    recipe: Recipe,
    *,
    streams: dict[str, float],
    edges: dict[str, float],
    missing_share: float,
    daily_spread: float,
    use: HeatMeterUse,
) -> list[Component]:
    """Budget of the SPF of one window.

    With S = Q/E, Q = sum a_i X_i and E = sum b_i X_i over streams X_i, the sensitivity
    of S to a relative error of stream i is (a_i - S b_i) X_i / E. Fits that follow one
    another in a role are taken as one meter of the worst class among them. Streams that
    one device measures share its error: their contributions are added where that is more
    than the root of the sum of squares. Both err on the safe side.

    Gaps: hours that are not known may have had another SPF. Taking all hidden hours as
    one draw from the spread of daily SPF gives u = share hidden x spread: they are held
    to be fully correlated, as a gap of a fortnight in January is.

    Parameters
    ----------
    streams, edges
        Energy of each stream in the window, and its uncertainty at edges; kWh.
    missing_share
        1 - coverage.
    daily_spread
        Energy-weighted standard deviation of daily SPF.
    """
    heat = sum(factor * streams[role] for role, factor in recipe.heat.items())
    electricity = sum(factor * streams[role] for role, factor in recipe.electricity.items())
    if electricity <= 0:
        return []
    spf = heat / electricity
    out: list[Component] = []
    edge_variance = 0.0
    devices: dict[tuple[str, ...], list[tuple[str, str, float]]] = {}
    for role in recipe.streams:
        factor = recipe.heat.get(role, 0) - spf * recipe.electricity.get(role, 0)
        sensitivity = factor / electricity
        fits = [f for f in site.meter if any(c.role is role for c in f.channel)]
        percent, detail = max(meter_u_percent(fit, role, use) for fit in fits)
        share = sensitivity * streams[role] * percent / 100
        devices.setdefault(tuple(f.serial for f in fits), []).append((role, detail, share))
        edge_variance += (sensitivity * edges[role]) ** 2
    for parts in devices.values():
        names, details, shares = zip(*parts, strict=True)
        together = max(abs(sum(shares)), sqrt(sum(share**2 for share in shares)))
        detail = "; ".join(dict.fromkeys(details))
        out.append(Component(f"meter: {' and '.join(names)}", detail, together))
    out.append(
        Component("edges of known runs", "energy placed by interpolation", sqrt(edge_variance))
    )
    out.append(
        Component(
            "hours not known",
            f"{missing_share:.1%} of the hours, daily SPF spread {daily_spread:.2f}",
            missing_share * daily_spread,
        )
    )
    return out


def combined(components: list[Component]) -> float:
    """Root of the sum of squares (JCGM 100:2008, 5.1.2)."""
    return sqrt(sum(c.u_spf**2 for c in components))
