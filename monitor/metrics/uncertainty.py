"""Standard uncertainty of a performance factor (JCGM 100:2008).

Sources: the heat meter (EN 1434-1 limits), the electricity meters (MID 2014/32/EU,
Annex V), the placing of energy at the edges of known runs, and the hours that gaps hide.
Meter errors are systematic: they are one unknown factor a meter and do not average out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final, Literal

from monitor.metrics.boundary import Recipe
from monitor.models import Assumption, MeterFit, Record, Role, Site

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

#: Coverage factor of a 95 % interval of a normal distribution (JCGM 100:2008, G.1.3).
K_95: Final = 1.96


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

    The limits are linear in 1/difference and 1/flow, so harmonic means, weighted with
    heat, give the heat-weighted mean of the limits.

    Attributes
    ----------
    delta_theta_k
        Difference of flow and return temperature.
    flow_m3h
        Flow, or None where nothing tells.
    recorded
        False where `delta_theta_k` is the design value and not recorded.
    below_rating
        Share of the heat that was metered at differences below the meter's rating. They
        count here with the least difference that is rated.
    """

    delta_theta_k: float
    flow_m3h: float | None
    recorded: bool
    below_rating: float = 0.0


class BudgetLine(Record):
    """One line of an uncertainty budget, in the form of JCGM 100:2008, annex H.

    Attributes
    ----------
    source, detail
        What is not known exactly, and where its limit comes from.
    limit, unit
        Half-width of a rectangular distribution, or standard deviation of a normal one.
    distribution, divisor
        u of the source = limit / divisor.
    sensitivity
        Change of the SPF with the source, in SPF per `unit`.
    """

    source: str
    detail: str
    limit: float
    unit: str
    distribution: Literal["rectangular", "normal"]
    sensitivity: float

    @property
    def divisor(self) -> float:
        """Square root of 3 for a rectangular distribution (4.3.7), else 1."""
        return SQRT_3 if self.distribution == "rectangular" else 1.0

    @property
    def u_spf(self) -> float:
        """Contribution to the standard uncertainty of the SPF."""
        return abs(self.sensitivity) * self.limit / self.divisor


@dataclass(frozen=True)
class WholeSpf:
    """SPF of all hours of a window, the hidden ones by the energy model.

    Attributes
    ----------
    spf, rms
        Mean of the possible figures, and their root mean square distance from the SPF of
        the known hours.
    share
        Share of the electricity that the hidden hours hold.
    """

    spf: float
    rms: float
    share: float


def heat_meter_parts(fit: MeterFit, use: HeatMeterUse) -> tuple[float, float, float, str]:
    """Limits of flow sensor, sensor pair and calculator in %, and what they were taken from."""
    grade = fit.accuracy_class or DEFAULT_HEAT_CLASS
    least = fit.delta_theta_min_k
    ratio = DEFAULT_FLOW_RATIO
    if fit.q_p_m3h is not None and use.flow_m3h:
        ratio = max(1.0, fit.q_p_m3h / use.flow_m3h)
    delta = max(use.delta_theta_k, least)
    detail = (
        f"EN 1434-1 class {grade}, q_p/q {ratio:.1f}, "
        f"{'recorded' if use.recorded else 'design'} temperature difference "
        f"{use.delta_theta_k:.1f} K"
    )
    below = use.below_rating or float(use.delta_theta_k < least)
    if below > 0:
        detail += f" ({below:.0%} of the heat below the {least:g} K that the meter is rated for)"
    return (
        flow_sensor_limit(grade, ratio),
        sensor_pair_limit(delta, least),
        calculator_limit(delta, least),
        detail,
    )


def meter_u_percent(fit: MeterFit, role: Role, use: HeatMeterUse) -> tuple[float, str]:
    """Relative standard uncertainty of one meter in %, and what it was taken from.

    A heat meter is known by the limit of the complete meter, the sum of its parts', unless
    its parts were verified one by one: then they are independent.
    """
    if role.is_heat:
        *parts, detail = heat_meter_parts(fit, use)
        if fit.parts_verified:
            return sqrt(sum(rectangular(p) ** 2 for p in parts)), f"{detail}: parts verified"
        return rectangular(sum(parts)), f"{detail}: limit {sum(parts):.2f} %"
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
    whole: WholeSpf | None = None,
) -> list[BudgetLine]:
    """Budget of the SPF of one window.

    With S = Q/E, Q = sum a_i X_i and E = sum b_i X_i over streams X_i, the sensitivity
    of S to a relative error of stream i is (a_i - S b_i) X_i / E. Fits that follow one
    another in a role are taken as one meter of the worst class among them. Streams that
    one device measures share its error: their contributions are added where that is more
    than the root of the sum of squares. Both err on the safe side.

    Gaps: hours that are not known may have had another SPF. The home's energy model says
    what it may have been: u is the root mean square distance of the SPF of all hours from
    that of the known ones. Without a model all hidden hours are one draw from the spread of
    daily SPF, u = share hidden x spread: they are held to be fully correlated, as a gap of
    a fortnight in January is.

    Parameters
    ----------
    streams, edges
        Energy of each stream in the window, and its uncertainty at edges; kWh.
    missing_share
        Share of the electricity that the hours not known are held to hide.
    daily_spread
        Energy-weighted standard deviation of daily SPF.
    whole
        What the energy model says of the hidden hours; None without one.
    """
    heat = sum(factor * streams[role] for role, factor in recipe.heat.items())
    electricity = sum(factor * streams[role] for role, factor in recipe.electricity.items())
    if electricity <= 0:
        return []
    spf = heat / electricity
    out: list[BudgetLine] = []
    edge_variance = 0.0
    devices: dict[tuple[str, ...], list[tuple[str, str, float, float]]] = {}
    for role in recipe.streams:
        factor = recipe.heat.get(role, 0) - spf * recipe.electricity.get(role, 0)
        sensitivity = factor / electricity
        fits = [f for f in site.meter if any(c.role is role for c in f.channel)]
        percent, detail = max(meter_u_percent(fit, role, use) for fit in fits)
        moves = sensitivity * streams[role] / 100
        devices.setdefault(tuple(f.serial for f in fits), []).append((role, detail, percent, moves))
        edge_variance += (sensitivity * edges[role]) ** 2
    for parts in devices.values():
        names, details, percents, moves_all = zip(*parts, strict=True)
        shares = [p * m for p, m in zip(percents, moves_all, strict=True)]
        together = max(abs(sum(shares)), sqrt(sum(share**2 for share in shares)))
        worst = max(percents)
        out.append(
            BudgetLine(
                source=f"meter: {' and '.join(names)}",
                detail="; ".join(dict.fromkeys(details)),
                limit=worst * SQRT_3,
                unit="%",
                distribution="rectangular",
                sensitivity=together / worst if worst else 0.0,
            )
        )
    if recipe.correction != 1.0:
        metered = sum(f * streams[r] for r, f in recipe.heat.items() if r.is_heat)
        out.append(
            BudgetLine(
                source="antifreeze",
                detail=f"heat of meters for water corrected by the factor {recipe.correction:.3f}",
                limit=recipe.correction_limit,
                unit="of the factor",
                distribution="rectangular",
                sensitivity=metered / recipe.correction / electricity,
            )
        )
    out.append(
        BudgetLine(
            source="edges of known runs",
            detail="energy placed by interpolation",
            limit=sqrt(edge_variance),
            unit="SPF",
            distribution="normal",
            sensitivity=1.0,
        )
    )
    out.append(
        BudgetLine(
            source="hours not known",
            detail=f"they hide about {missing_share:.1%} of the electricity",
            limit=daily_spread,
            unit="SPF, spread of the days",
            distribution="normal",
            sensitivity=missing_share,
        )
        if whole is None
        else BudgetLine(
            source="hours not known",
            detail=(
                f"by the energy model they hide about {whole.share:.1%} of the electricity; "
                f"with them the SPF would be about {whole.spf:.2f}"
            ),
            limit=whole.rms,
            unit="SPF",
            distribution="normal",
            sensitivity=1.0,
        )
    )
    out.append(_boundary_line(recipe))
    return out


def _boundary_line(recipe: Recipe) -> BudgetLine:
    """What is assumed of the metering boundary: one-sided, so that it is no part of u."""
    detail = "none: every consumer inside the boundary is metered"
    if recipe.assumption is not None:
        detail = f"{Assumption(recipe.assumption).sentence} One-sided, and not in u."
    return BudgetLine(
        source="assumption on the boundary",
        detail=detail,
        limit=0.0,
        unit="SPF",
        distribution="normal",
        sensitivity=1.0,
    )


def combined(lines: Sequence[BudgetLine]) -> float:
    """Root of the sum of squares (JCGM 100:2008, 5.1.2)."""
    return sqrt(sum(line.u_spf**2 for line in lines))
