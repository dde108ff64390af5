"""What can go wrong in a home, and how it enters the simulation or the meters."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from demo_telemetry.weather import Floats

Flags = np.ndarray[tuple[int], np.dtype[np.bool_]]


class Kind(StrEnum):
    """Kinds of trouble; the value is what the truth file says."""

    FLOW_TEMPERATURE = "flow_temperature_above_design"
    BACKUP = "backup_heater_beside_heat_pump"
    IMMERSION = "immersion_heater_left_on"
    CYCLING = "short_cycling_and_pump_always_on"
    DRIFT = "efficiency_steps_down"
    HEAT_METER = "heat_meter_reads_low"


@dataclass(frozen=True)
class Trouble:
    """One trouble of a home.

    Attributes
    ----------
    kind
        Which.
    size
        K of flow temperature; share of efficiency lost at each of three steps; share
        that the heat meter reads too little; unused for the others.
    since
        Share of the data span after which it begins, 0..1.
    note
        One sentence for the truth file.
    """

    kind: Kind
    note: str
    size: float = 0.0
    since: float = 0.0


@dataclass(frozen=True)
class Course:
    """The trouble as the loop sees it: arrays have one value a step.

    Attributes
    ----------
    curve_shift_k
        Added to the design curve.
    efficiency
        Factor on the unit's efficiency.
    backup_on, immersion_on
        True where the heater is released although it should not be.
    pump_always
        True where the distribution pump never stops.
    water_share
        Factor on the water in the heating circuit.
    least_load
        Factor on the unit's lowest load.
    band_k
        Half of the switching band about the flow target.
    least_rest
        Steps that the compressor rests at least.
    room_influence
        True where a cold room lifts the flow target.
    capacity
        Factor on the heat that the unit can give.
    circulation
        Factor on the flow of the heating water.
    pump_share
        Factor on the power of the distribution pump.
    frosting
        Factor on how fast the evaporator frosts.
    standby_kw
        Electricity of the unit on top of its controls, whether it runs or not.
    dhw_shift_k, dhw_drop_share
        Added to the hot water set point, and factor on the drop that starts a reheat.
    backup_below_c
        Outdoor temperature below which a released backup heater comes on.
    airing_c
        Room temperature above which the household opens windows.
    """

    curve_shift_k: Floats
    efficiency: Floats
    backup_on: Flags
    immersion_on: Flags
    pump_always: bool | Flags = False
    water_share: float = 1.0
    least_load: float = 1.0
    band_k: float = 3.0
    least_rest: int = 3
    room_influence: bool = True
    capacity: float | Floats = 1.0
    circulation: float | Floats = 1.0
    pump_share: float | Floats = 1.0
    frosting: float | Floats = 1.0
    standby_kw: float | Floats = 0.0
    dhw_shift_k: float | Floats = 0.0
    dhw_drop_share: float | Floats = 1.0
    backup_below_c: float = 7.0
    airing_c: float = 23.5


def first_step(trouble: Trouble, steps: int) -> int:
    """Give the step at which a trouble begins."""
    return min(int(trouble.since * steps) // 288 * 288, steps)


def course(trouble: Trouble | None, steps: int) -> Course:
    """Spread a trouble over the steps of a span; None is a home without trouble."""
    shift = np.zeros(steps)
    efficiency = np.ones(steps)
    backup = np.zeros(steps, dtype=bool)
    immersion = np.zeros(steps, dtype=bool)
    if trouble is None:
        return Course(shift, efficiency, backup, immersion)
    begin = first_step(trouble, steps)
    if trouble.kind is Kind.FLOW_TEMPERATURE:
        shift[begin:] = trouble.size
    elif trouble.kind is Kind.BACKUP:
        backup[begin:] = True
    elif trouble.kind is Kind.IMMERSION:
        immersion[begin:] = True
    elif trouble.kind is Kind.DRIFT:
        third = max((steps - begin) // 6, 1)
        for step in range(3):
            efficiency[begin + step * third :] *= 1.0 - trouble.size
    elif trouble.kind is Kind.CYCLING:
        return Course(
            shift,
            efficiency,
            backup,
            immersion,
            pump_always=True,
            water_share=0.45,
            least_load=1.5,
            band_k=2.0,
            least_rest=1,
        )
    return Course(shift, efficiency, backup, immersion)


def heat_meter_share(trouble: Trouble | None) -> float:
    """Give the factor by which a heat meter in trouble reads too little."""
    if trouble is None or trouble.kind is not Kind.HEAT_METER:
        return 1.0
    return 1.0 - trouble.size
