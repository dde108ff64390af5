"""One home, one span: the loop over 5-minute steps.

Room air, building mass, heating circuit and cylinder are one node each. All energy is
booked as it moves, so the balance of every node closes to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_telemetry.faults import Course
from demo_telemetry.heat_pump import Unit, capacity_factor, cop
from demo_telemetry.house import WATER_KWH_L_K, House
from demo_telemetry.weather import STEP_H, Floats

_PASTEURISATION_C = 60.0
_COIL_KW_K = 1.6
_CYLINDER_LOSS_KW_K = 0.0017
_HALF_SPREAD_K = 2.5

#: What the loop books, in the order of its rows. Energies in kWh a step, temperatures
#: in degC at the end of the step, flow in m3/h.
BOOKED = (
    "space", "dhw", "defrost", "backup", "immersion",
    "unit", "source", "pumps",
    "flow_temp", "return_temp", "flow_rate", "room_temp", "mass_temp", "dhw_temp", "water_temp",
    "emitted", "lost", "drawn", "cylinder_loss", "starts",
)  # fmt: skip


@dataclass(frozen=True)
class Plant:
    """The system in the house.

    Attributes
    ----------
    unit
        The heat pump.
    design_flow_c, flow_at_15_c
        Two points of the design curve: at the house's design outdoor temperature and
        at 15 degC.
    backup_kw, immersion_kw
        Resistive heaters; zero where there is none.
    heat_meter_counts_backup
        True where the inline heater sits upstream of the heat meter, which then counts it.
    pumps_apart
        False where the distribution pump is fed from the unit.
    cylinder_l, dhw_c, dhw_drop_k
        Hot water store, its set point and the drop that starts a reheat.
    """

    unit: Unit
    design_flow_c: float = 45.0
    flow_at_15_c: float = 28.0
    backup_kw: float = 0.0
    immersion_kw: float = 0.0
    heat_meter_counts_backup: bool = False
    pumps_apart: bool = True
    cylinder_l: float = 210.0
    dhw_c: float = 49.0
    dhw_drop_k: float = 7.0


@dataclass(frozen=True)
class Driving:
    """What drives the loop: one value a step.

    Attributes
    ----------
    outdoor_c, source_c, solar_kw, gains_kw, room_c, draw_kwh
        As the names say.
    heating
        True where space heating is allowed.
    pasteurise
        True in the weekly hours in which the cylinder is brought to 60 degC.
    """

    outdoor_c: Floats
    source_c: Floats
    solar_kw: Floats
    gains_kw: Floats
    room_c: Floats
    draw_kwh: Floats
    heating: np.ndarray[tuple[int], np.dtype[np.bool_]]
    pasteurise: np.ndarray[tuple[int], np.dtype[np.bool_]]


def design_curve(plant: Plant, house: House, outdoor_c: Floats) -> Floats:
    """Give the flow temperature that the designer wrote down, degC."""
    slope = (plant.design_flow_c - plant.flow_at_15_c) / (15.0 - house.design_outdoor_c)
    curve = plant.flow_at_15_c + slope * (15.0 - outdoor_c)
    return np.clip(curve, 22.0, plant.design_flow_c + 2.0)


def _circulation(full: float, share: float) -> float:
    """Give the pump's flow, kW/K: it follows the load to keep the spread near 5 K."""
    return full * (0.45 if share < 0.45 else 1.0 if share > 1.0 else share)


def simulate(house: House, plant: Plant, course: Course, drive: Driving) -> dict[str, Floats]:
    """Run one home.

    Parameters
    ----------
    house, plant
        The home as built.
    course
        What goes wrong in it, one value a step.
    drive
        Weather and household.

    Returns
    -------
    dict
        One array a name of `BOOKED`, of the length of the driving arrays.
    """
    unit = plant.unit
    n = drive.outdoor_c.shape[0]
    dt = STEP_H
    full = unit.nominal_kw / 5.0  # kW/K: nominal heat at a spread of 5 K
    mean_design = plant.design_flow_c - 2.5
    exponent = house.emitter_exponent
    emitter = 1.12 * house.heat_loss_kw / (mean_design - 21.0) ** exponent
    loss = house.loss_kw_k
    c_all = loss * house.capacity_h
    c_air, c_mass = 0.22 * c_all, 0.78 * c_all
    g_mass = loss * 6.0
    c_water = house.emitter_kwh_k * house.heat_loss_kw * course.water_share
    c_cyl = plant.cylinder_l * WATER_KWH_L_K
    air = unit.source == "air"

    curve = (design_curve(plant, house, drive.outdoor_c) + course.curve_shift_k).tolist()
    can_give = [unit.nominal_kw * capacity_factor(unit.source, s) for s in drive.source_c.tolist()]
    cap = (np.asarray(can_give) * course.capacity).tolist()
    frost_rate = np.where(
        air & (drive.outdoor_c < 5.0),
        np.clip(1.0 - np.abs(drive.outdoor_c - 1.0) / 8.0, 0.15, 1.0),
        0.0,
    )
    frosting = (frost_rate * course.frosting).tolist()
    circulation = np.broadcast_to(full * np.asarray(course.circulation), n).tolist()
    pump_kwh = np.broadcast_to(unit.pump_kw * dt * np.asarray(course.pump_share), n).tolist()
    controls = np.broadcast_to((unit.controls_kw + np.asarray(course.standby_kw)) * dt, n).tolist()
    outdoor, source = drive.outdoor_c.tolist(), drive.source_c.tolist()
    gains = (drive.solar_kw + drive.gains_kw).tolist()
    target_room, draws = drive.room_c.tolist(), drive.draw_kwh.tolist()
    allowed, pasteurise = drive.heating.tolist(), drive.pasteurise.tolist()
    efficiency = (unit.efficiency * course.efficiency).tolist()
    released = (course.backup_on & (drive.outdoor_c < course.backup_below_c)).tolist()
    immersion_fault = course.immersion_on.tolist()
    pump_always = np.broadcast_to(course.pump_always, n).tolist()
    wanted_c = plant.dhw_c + np.broadcast_to(course.dhw_shift_k, n)
    drop_k = plant.dhw_drop_k * np.asarray(course.dhw_drop_share)
    dhw_sets = np.where(drive.pasteurise, _PASTEURISATION_C, wanted_c).tolist()
    dhw_starts = np.where(drive.pasteurise, _PASTEURISATION_C - 2.0, wanted_c - drop_k).tolist()
    influence_k = 2.0 if course.room_influence else 0.0
    airing_c = course.airing_c
    least_load = unit.least_load * course.least_load
    backup_kw, immersion_kw = plant.backup_kw, plant.immersion_kw
    band = course.band_k
    hp_limit = 54.0 if immersion_kw else _PASTEURISATION_C + 0.5
    if wanted_c.max() > plant.dhw_c:
        # A set point that was raised is the unit's to reach.
        hp_limit = max(hp_limit, float(wanted_c.max()) + 0.5)

    t_room = t_mass = float(drive.room_c[0])
    t_water, t_cyl = t_room + 4.0, plant.dhw_c
    running = dhw_on = False
    frost = 0.0
    rest = 0
    short = 0
    was_running = False
    rows: list[tuple[float, ...]] = []
    book = rows.append

    for i in range(n):
        to = outdoor[i]
        src = source[i]
        # Cylinder: draw and loss first, then who heats it.
        drawn = draws[i]
        if t_cyl < 40.0:
            drawn *= max(0.0, (t_cyl - 15.0) / 25.0)
        cyl_loss = _CYLINDER_LOSS_KW_K * (t_cyl - t_room) * dt
        t_cyl -= (drawn + cyl_loss) / c_cyl
        hot = pasteurise[i]
        if dhw_on:
            if t_cyl >= dhw_sets[i] or t_cyl >= hp_limit:
                dhw_on = False
        elif t_cyl < dhw_starts[i] and t_cyl < hp_limit:
            dhw_on = True
            was_running = False
        e_imm = 0.0
        if immersion_kw and (
            (hot and hp_limit - 1.0 <= t_cyl < _PASTEURISATION_C)
            or (immersion_fault[i] and t_cyl < _PASTEURISATION_C - 1.0)
        ):
            e_imm = min(immersion_kw * dt, c_cyl * (_PASTEURISATION_C + 0.5 - t_cyl))
            t_cyl += e_imm / c_cyl

        valve = (target_room[i] + 0.4 - t_room) / 0.9
        valve = 0.0 if valve < 0.0 else 1.0 if valve > 1.0 else valve
        over = t_water - t_room
        emitted = emitter * valve * over**exponent if over > 0.0 else 0.0

        q = q_dhw = e_unit = bu = defrost = start = 0.0
        heat_call = allowed[i] and valve > 0.03
        flow = back = t_water
        w = water = circulation[i]
        pump = pump_always[i]
        if dhw_on:
            q_max = cap[i] * (1.0 - 0.005 * (t_cyl - 25.0))
            flow_now = t_cyl + 2.0 + 0.8 * q_max / _COIL_KW_K
            q_dhw = 0.8 * q_max
            if flow_now > unit.max_flow_c:
                q_dhw = max((unit.max_flow_c - 2.0 - t_cyl) * _COIL_KW_K, least_load * q_max)
                flow_now = unit.max_flow_c
            load = q_dhw / q_max
            w = _circulation(water, q_dhw / unit.nominal_kw)
            e_unit = q_dhw / cop(flow_now, src, load, efficiency[i]) * dt
            if not was_running:
                start = 1.0
                q_dhw *= unit.start_share
            flow = flow_now
            back = flow - q_dhw / w
            t_cyl += q_dhw * dt / c_cyl
            pump = was_running = True
            running = False
        else:
            target = curve[i]
            room_off = target_room[i] - t_room
            if room_off > 0.5:
                target += influence_k * min(room_off - 0.5, 2.0)
            bu_wanted = heat_call and released[i]
            if bu_wanted and backup_kw > 0.0 and t_water < target - _HALF_SPREAD_K + 0.5:
                bu = backup_kw
            mean_target = target - _HALF_SPREAD_K
            wish = emitted - bu + (mean_target - t_water) * c_water * 0.35 / dt
            q_max = cap[i] * (1.0 - 0.005 * (target - 35.0))
            q_min = least_load * q_max
            if running:
                if not heat_call or (wish < q_min and t_water > mean_target + band):
                    running = False
                    rest = 0
            elif heat_call:
                rest += 1
                if t_water < mean_target - band and rest >= course.least_rest:
                    running = True
            if running:
                pump = True
                if frost >= 1.0:
                    frost = 0.0
                    defrost = 0.32 * unit.nominal_kw
                    e_unit = 0.20 * unit.nominal_kw * dt
                    w = 0.6 * water
                    flow = t_water - defrost / w
                else:
                    q = q_max if wish > q_max else q_min if wish < q_min else wish
                    w = _circulation(water, q / unit.nominal_kw)
                    flow = t_water + q / w / 2.0
                    if flow > unit.max_flow_c:
                        flow = unit.max_flow_c
                    load = q / q_max
                    e_unit = q / cop(flow, src, load, efficiency[i]) * dt
                    if not was_running:
                        start = 1.0
                        q *= unit.start_share
                    frost += frosting[i] * load * dt
                    back = flow - q / w
                    short = short + 1 if load > 0.98 and flow < target - 4.0 else 0
                    if backup_kw and short > 12 and to < 1.0:
                        bu = backup_kw
                was_running = True
            else:
                was_running = False
        frac = 0.0
        if e_unit:
            frac = 0.35 + 0.65 * (q + q_dhw) / cap[i]
        if bu:
            flow += bu / w
        e_unit += controls[i]
        e_fan = unit.fan_kw * frac * dt
        e_pump = pump_kwh[i] if pump else 0.0

        t_water += (q + bu - defrost - emitted) * dt / c_water
        rate = loss if t_room < airing_c else 3.0 * loss
        lost = rate * (t_room - to)
        to_mass = g_mass * (t_room - t_mass)
        t_room += ((emitted + gains[i] - lost - to_mass) * dt + cyl_loss) / c_air
        t_mass += to_mass * dt / c_mass
        book((
            q * dt, q_dhw * dt, defrost * dt, bu * dt, e_imm,
            e_unit, e_fan, e_pump,
            flow, back, w / 1.163 if pump else 0.0, t_room, t_mass, t_cyl, t_water,
            emitted * dt, lost * dt, drawn, cyl_loss, start,
        ))  # fmt: skip
    table = np.asarray(rows)
    return {name: np.ascontiguousarray(table[:, k]) for k, name in enumerate(BOOKED)}
