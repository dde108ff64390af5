"""Heat pumps: capacity, coefficient of performance, and what runs beside the compressor.

The units are invented. COP is a fraction of the Carnot COP between condensing and
evaporating temperature, so that it can never pass the Carnot bound of flow and source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

_KELVIN = 273.15
#: Condensing above flow and evaporating below source: common practice, no source.
CONDENSER_K = 3.0
EVAPORATOR_K = 5.0


@dataclass(frozen=True)
class Unit:
    """One model of heat pump.

    Attributes
    ----------
    nominal_kw
        Heat at 2 degC source and 35 degC flow (brine: 5 degC).
    efficiency
        Fraction of the Carnot COP at the best load.
    least_load
        Lowest load the compressor can hold, as a share of the heat it can give.
    max_flow_c
        Highest flow temperature.
    controls_kw, fan_kw, pump_kw
        Electricity of controls (always), of fan or brine pump at full load, and of the
        distribution pump.
    start_share
        Share of the heat that reaches the water in the step in which it starts.
    """

    model: str
    nominal_kw: float
    source: Literal["air", "brine"] = "air"
    efficiency: float = 0.52
    least_load: float = 0.32
    max_flow_c: float = 68.0
    controls_kw: float = 0.016
    fan_kw: float = 0.07
    pump_kw: float = 0.04
    start_share: float = 0.62


def cop(flow_c: float, source_c: float, load: float, efficiency: float) -> float:
    """Give the COP of the compressor.

    Parameters
    ----------
    flow_c, source_c
        Flow temperature and temperature of air or brine, degC.
    load
        Heat as a share of what the unit can give now, 0..1.
    efficiency
        Fraction of Carnot at the best load.
    """
    off_best = load - 0.55
    hot = flow_c + CONDENSER_K + _KELVIN
    # Full load strains both heat exchangers.
    lift = flow_c + CONDENSER_K - source_c + EVAPORATOR_K + 2.5 * off_best
    if lift < 18.0:
        lift = 18.0
    return efficiency * (1.0 - 0.35 * off_best * off_best) * hot / lift


def capacity_factor(source: str, source_c: float) -> float:
    """Give the heat a unit can deliver at 35 degC flow, as a share of nominal."""
    if source == "brine":
        return min(max(1.0 + 0.025 * (source_c - 5.0), 0.85), 1.15)
    return min(max(1.0 + 0.022 * (source_c - 2.0), 0.62), 1.3)
