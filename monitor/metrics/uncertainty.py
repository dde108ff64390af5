"""Standard uncertainty of a performance factor (JCGM 100:2008).

Sources: the heat meter (EN 1434-1 limits), the electricity meters (MID 2014/32/EU,
Annex V), the placing of energy at the edges of known runs, and the hours that gaps hide.
Meter errors are systematic: they are one unknown factor a meter and do not average out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from monitor.metrics.boundary import Recipe
from monitor.models import Assumption, MeterFit, Record, Role, Site

Values = npt.NDArray[np.float64]

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
    energies = {Role(role): np.array([kwh]) for role, kwh in streams.items()}
    electricity = float(_sum(recipe.electricity, energies)[0])
    if electricity <= 0:
        return []
    sensitivities = _sensitivities(recipe, energies)
    out: list[BudgetLine] = []
    for device in _devices(site, recipe, use):
        worst = max(device.percents)
        together = float(device.u_spf(sensitivities, energies)[0])
        out.append(
            BudgetLine(
                source=f"meter: {' and '.join(device.roles)}",
                detail="; ".join(dict.fromkeys(device.details)),
                limit=worst * SQRT_3,
                unit="%",
                distribution="rectangular",
                sensitivity=together / worst if worst else 0.0,
            )
        )
    edge_variance = sum(float(s[0] * edges[role]) ** 2 for role, s in sensitivities.items())
    if recipe.correction != 1.0:
        metered = float(_metered(recipe, energies)[0])
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


def u_of_many(
    site: Site,
    recipe: Recipe,
    *,
    streams: dict[Role, Values],
    edges: dict[Role, Values],
    gaps: Values,
    use: HeatMeterUse,
) -> Values:
    """Standard uncertainty of the SPF of many windows: of each what `spf_components` adds up to.

    Parameters
    ----------
    streams, edges
        Energy of each stream by window, and its uncertainty at edges; kWh. Every window has
        some electricity.
    gaps
        Contribution of the hours not known, in SPF.
    """
    sensitivities = _sensitivities(recipe, streams)
    variance = gaps**2
    for device in _devices(site, recipe, use):
        variance = variance + device.u_spf(sensitivities, streams) ** 2
    for role, sensitivity in sensitivities.items():
        variance = variance + (sensitivity * edges[role]) ** 2
    if recipe.correction != 1.0:
        moved = _metered(recipe, streams) / recipe.correction / _sum(recipe.electricity, streams)
        variance = variance + (moved * rectangular(recipe.correction_limit)) ** 2
    return np.sqrt(variance)


@dataclass(frozen=True)
class _Device:
    """What one device measures, or the fits that followed one another in a role.

    Attributes
    ----------
    percents, details
        Relative standard uncertainty of each role in %, and what it was taken from.
    """

    roles: tuple[Role, ...]
    percents: tuple[float, ...]
    details: tuple[str, ...]

    def u_spf(self, sensitivities: Mapping[Role, Values], streams: Mapping[Role, Values]) -> Values:
        """Contribution to the standard uncertainty of the SPF of each window."""
        shares: Values = np.array(
            [
                percent * (sensitivities[role] * streams[role] / 100)
                for role, percent in zip(self.roles, self.percents, strict=True)
            ]
        )
        together: Values = np.maximum(np.abs(shares.sum(0)), np.sqrt((shares**2).sum(0)))
        return together


def _devices(site: Site, recipe: Recipe, use: HeatMeterUse) -> list[_Device]:
    found: dict[tuple[str, ...], list[tuple[Role, float, str]]] = {}
    for role in recipe.streams:
        fits = [f for f in site.meter if any(c.role is role for c in f.channel)]
        percent, detail = max(meter_u_percent(fit, role, use) for fit in fits)
        found.setdefault(tuple(f.serial for f in fits), []).append((role, percent, detail))
    return [_Device(*zip(*parts, strict=True)) for parts in found.values()]


def _sum(factors: Mapping[Role, float], streams: Mapping[Role, Values]) -> Values:
    """Energy of each window by the factors of its streams, kWh."""
    return np.asarray(sum(factor * streams[role] for role, factor in factors.items()))


def _metered(recipe: Recipe, streams: Mapping[Role, Values]) -> Values:
    """Heat of each window that heat meters measured, kWh."""
    return np.asarray(sum(f * streams[r] for r, f in recipe.heat.items() if r.is_heat))


def _sensitivities(recipe: Recipe, streams: Mapping[Role, Values]) -> dict[Role, Values]:
    """Change of the SPF with the energy of each stream, 1/kWh, by window."""
    electricity = _sum(recipe.electricity, streams)
    spf = _sum(recipe.heat, streams) / electricity
    return {
        role: (recipe.heat.get(role, 0) - spf * recipe.electricity.get(role, 0)) / electricity
        for role in recipe.streams
    }


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
