"""What a home's SPF would have been if one thing or another had been as promised.

The home's days are taken apart into space heat, hot water, heat of resistive heaters and
the heat pump's electricity; each can be put back to its reference. Electricity for other
heat or another lift follows the home's own energy model.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.metrics import priors
from monitor.metrics.model import EnergyModel
from monitor.metrics.shapley import players_in

Values = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

#: Days of a typical year at which the promise is asked: nodes and weights of the normal
#: distribution of daily temperatures about their season (Gauss and Hermite, five points).
_NODES, _NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
_YEAR_STEP: Final = 5

#: Electricity beyond lift and standby that a day of hot water needs for each kWh of it:
#: starts, and flow that is hottest when it matters. Usual value and the hot water, kWh a
#: day, that it weighs as much as. Set on the training years of tests/shortfall_study.
WATER_OVERHEAD: Final = 0.14
WATER_OVERHEAD_WEIGHT: Final = 2.0

#: How far a sound control lies above its curve on the mean of a season, K, as far as the
#: records show it: hours in which hot water is made as well look too hot unless a meter
#: of hot water tells them. Set on the same training years.
FLOW_ALLOWANCE_K: Final = 1.2
DRY_ALLOWANCE_K: Final = 0.15

#: Least heat by signature, kWh, from which the space heat seen corrects the signature.
_LEAST_SPACE_KWH: Final = 200.0


class Lever(StrEnum):
    """What can be put back to its reference."""

    WEATHER = "weather"
    FLOW = "flow_temperature"
    WATER = "hot_water"
    RESISTIVE = "backup_and_immersion"
    STANDBY = "standby_cycling_pumps"
    UNIT = "unit"
    METERING = "metering"


@dataclass(frozen=True)
class Days:
    """Known whole days of the guarantee period so far; arrays of shape (days,).

    Attributes
    ----------
    number
        Days since 1970.
    outdoor_c, reference_c
        Outdoor temperature, and what it would have been in the reference climate.
    pump_heat, pump_used
        Heat of the heat pump and electricity apart from resistive heaters, kWh.
    water
        Heat of the heat pump to hot water, kWh; None where no meter tells it.
    idle_kwh
        Electricity of a day of idle hours, kWh; None where no idle hours tell it.
    flow_c
        Heat-weighted flow temperature; NaN where it is not recorded.
    space_flow_c
        The same in hours without hot water; NaN where there are none, None where no meter
        of hot water tells them.
    backup, immersion
        Electricity, and so heat, of resistive heaters that are metered apart, kWh.
    """

    number: npt.NDArray[np.int64]
    outdoor_c: Values
    reference_c: Values
    pump_heat: Values
    pump_used: Values
    water: Values | None
    flow_c: Values
    space_flow_c: Values | None
    backup: Values
    immersion: Values
    idle_kwh: float | None


@dataclass(frozen=True)
class Reference:
    """What the promise took for granted; arrays of shape (members,).

    Attributes
    ----------
    climate_c, climate_sd
        Mean temperature of every fifth day of a year, shape (73,), and the standard
        deviation of days about it.
    flow_at_15_c, flow_per_k
        Design curve; None where none is stated.
    water_kwh, standby_kwh
        A day.
    water_flow_c
        Flow while hot water is made; None takes the one seen.
    reciprocal_cop
        Of the unit at full working order, by lift: offset and per kelvin; None
        takes what makes the promise come true in a year in which all else is as promised.
    heat_share
        True over indicated heat as far as a check of the heat meter says.
    """

    climate_c: Values
    climate_sd: float
    flow_at_15_c: float | None
    flow_per_k: float | None
    water_kwh: Values
    standby_kwh: Values
    water_flow_c: float | None
    reciprocal_cop: tuple[float, float] | None
    heat_share: Values


@dataclass(frozen=True)
class Members:
    """Parameters of the energy model, the most probable first; shape (members,)."""

    base: Values
    slope: Values
    balance: Values
    standby: Values
    offset: Values
    per_lift: Values
    step: Values
    since: npt.NDArray[np.int64]
    flow_at_15: Values
    flow_per_k: Values
    flow_water: Values


@dataclass(frozen=True)
class Sums:
    """Of one world; shape (members,).

    Attributes
    ----------
    heat, water, lift, late
        Heat of the heat pump in kWh; its hot water; heat times lift; heat after the unit
        changed.
    resistive
        Heat and electricity of resistive heaters.
    days
        Number of days.
    """

    heat: Values
    water: Values
    lift: Values
    late: Values
    resistive: Values
    days: float


@dataclass(frozen=True)
class Worth:
    """Outcome of the worlds.

    Attributes
    ----------
    spf
        Shape (2^n, members): SPF of each coalition of levers that are as they were.
    year
        SPF of a reference year in which all is as promised; the promise itself, unless
        the unit's reference comes from elsewhere. Shape (members,).
    unit_ratio
        Electricity for the same heat that the reference unit needs, over that of the
        unit found. Shape (members,).
    water_kwh, flow_excess_k, allowance_k, standby_kwh
        Of the first member: hot water a day (immersion heater included), how much hotter
        than the design curve and its allowance the space heat left the unit, that
        allowance, and standby a day.
    """

    spf: Values
    year: Values
    unit_ratio: Values
    water_kwh: float
    flow_excess_k: float
    allowance_k: float
    standby_kwh: float


def members(model: EnergyModel, count: int, rng: np.random.Generator) -> Members:
    """Draw `count` sets of parameters behind the most probable one."""
    heat, used, flow = model.heat_posterior, model.electricity_posterior, model.flow.posterior
    which, b = heat.draw(count, rng)
    which = np.concatenate(([heat.best], which))
    b = np.concatenate((heat.mean[heat.best][None], b))
    candidate, e = used.draw(count, rng)
    candidate = np.concatenate(([used.best], candidate))
    e = np.concatenate((used.mean[used.best][None], e))
    never = np.iinfo(np.int64).max
    if flow is None:
        at_15 = np.full(count + 1, model.flow.at_15_c)
        per_k = np.full(count + 1, model.flow.per_k)
        water = priors.HOT_WATER_FLOW_SD * np.concatenate(([0.0], rng.standard_normal(count)))
        water += model.flow.hot_water_c
    else:
        _, f = flow.draw(count, rng)
        f = np.concatenate((flow.mean[flow.best][None], f))
        # A shift of the curve is left to each day's own reading.
        water, at_15, per_k = f[:, 0], f[:, 1], f[:, 2]
    return Members(
        base=np.maximum(b[:, 0], 0.0),
        slope=np.maximum(b[:, 1], 0.0),
        balance=priors.BALANCE_GRID[which],
        standby=np.maximum(e[:, 0], 0.0),
        offset=e[:, 1],
        per_lift=e[:, 2],
        step=e[:, 3],
        since=np.concatenate(([never], model.change_days))[candidate],
        flow_at_15=at_15,
        flow_per_k=per_k,
        flow_water=water,
    )


class Worlds:
    """All worlds of one home."""

    def __init__(
        self, days: Days, found: Members, reference: Reference, *, air_source: bool
    ) -> None:
        self._days, self._found, self._reference, self._air = days, found, reference, air_source
        hinge = np.maximum(found.balance[:, None] - days.outdoor_c, 0.0)
        self._other_hinge = np.maximum(found.balance[:, None] - days.reference_c, 0.0) - hinge
        water = days.water if days.water is not None else found.base[:, None]
        self._water = np.clip(np.broadcast_to(water, hinge.shape), 0.0, days.pump_heat)
        self._space = days.pump_heat - self._water
        # Space heat that a backup heater made is the house's all the same.
        seen = self._space.sum(axis=1) + days.backup.sum()
        told = found.slope * hinge.sum(axis=1)
        enough = told > _LEAST_SPACE_KWH
        self._slope = found.slope * np.where(enough, seen / np.where(enough, told, 1.0), 1.0)
        # Idle hours tell standby; what days need beyond it goes with their hot water.
        daily = self._water.mean(axis=1)
        told = found.standby - WATER_OVERHEAD * daily if days.idle_kwh is None else days.idle_kwh
        self._standby = np.clip(told, 0.0, found.standby)
        rest = found.standby - self._standby + WATER_OVERHEAD * WATER_OVERHEAD_WEIGHT
        self._overhead = rest / (daily + WATER_OVERHEAD_WEIGHT)
        self._beyond, self._mixed = self._flows()

    def _flows(self) -> tuple[Values, Values]:
        """What the recorded flow has beyond the fitted curve, weighted with heat.

        Of space heat by day, and a daily mean of what is left where hours without hot water
        tell the flow of space heat: hours in which both are made, which no world changes.
        """
        days, found = self._days, self._found
        known = np.isfinite(days.flow_c)
        curve = self._space * self._curve(days.outdoor_c)
        shown = np.where(known, days.flow_c, 0.0) * days.pump_heat
        rest = np.where(known, shown - self._water * found.flow_water[:, None] - curve, 0.0)
        if days.space_flow_c is None:
            return rest, np.zeros_like(found.base)
        seen = known & np.isfinite(days.space_flow_c)
        beyond = np.where(seen, self._space * np.where(seen, days.space_flow_c, 0.0) - curve, 0.0)
        return beyond, (rest - beyond).mean(axis=1)

    def _curve(self, outdoor_c: Values) -> Values:
        found = self._found
        return np.asarray(
            found.flow_at_15[:, None] + found.flow_per_k[:, None] * (15.0 - outdoor_c)
        )

    def _design(self, outdoor_c: Values) -> Values:
        """Design curve, or the curve found where none is stated."""
        at_15, per_k = self._reference.flow_at_15_c, self._reference.flow_per_k
        if at_15 is None or per_k is None:
            return self._curve(outdoor_c)
        return np.asarray(at_15 + self.allowance_k + per_k * (15.0 - outdoor_c))[None, :]

    @property
    def allowance_k(self) -> float:
        """How far above its curve a sound control looks to be with these records, K."""
        return FLOW_ALLOWANCE_K if self._days.space_flow_c is None else DRY_ALLOWANCE_K

    def sums(self, actual: frozenset[Lever], *, backup_share: float | None = None) -> Sums:
        """Sums over the days, with the levers named as they were and the others as promised.

        Parameters
        ----------
        backup_share
            In other weather a backup heater makes this multiple of its share of the space
            heat; None: the same heat.
        """
        days, found, reference = self._days, self._found, self._reference
        weather = Lever.WEATHER in actual
        outdoor = days.outdoor_c if weather else days.reference_c
        space = self._space
        if not weather:
            space = np.maximum(space + self._slope[:, None] * self._other_hinge, 0.0)
        water, immersion, backup = self._water, days.immersion, days.backup
        if not weather and backup_share is not None:
            wanted = self._space + backup
            other = np.maximum(wanted + self._slope[:, None] * self._other_hinge, 0.0)
            change = other.sum(axis=1) / np.maximum(wanted.sum(axis=1), 1e-9)
            backup = np.minimum(backup_share * backup * change[:, None], other)
            space = other - backup
        water_flow = found.flow_water[:, None]
        count = len(days.number)
        if Lever.WATER not in actual:
            shown = self._water.sum(axis=1) + days.immersion.sum()
            factor = reference.water_kwh * count / np.maximum(shown, 1e-9)
            water, immersion = water * factor[:, None], immersion * factor[:, None]
            if reference.water_flow_c is not None:
                water_flow = np.full_like(water_flow, reference.water_flow_c)
        resistive = np.broadcast_to((backup + immersion).sum(axis=-1), found.base.shape)
        warmed, moved = space, water
        if Lever.RESISTIVE not in actual:
            warmed, moved = space + backup, water + immersion
            resistive = np.zeros_like(found.base)
        if Lever.FLOW in actual:
            moment = warmed * self._curve(outdoor) + self._beyond
        else:
            moment = warmed * self._design(outdoor)
        heat = warmed + moved
        source = outdoor if self._air else priors.GROUND_C
        late = days.number[None, :] >= found.since[:, None]
        return Sums(
            heat=heat.sum(axis=1),
            water=moved.sum(axis=1),
            lift=(moment + moved * water_flow - heat * source).sum(axis=1) + self._mixed * count,
            late=(heat * late).sum(axis=1),
            resistive=resistive,
            days=float(count),
        )

    def energies(
        self, actual: frozenset[Lever], *, backup_share: float | None = None
    ) -> tuple[Values, Values]:
        """Heat and electricity of a world in which the unit and standby are as they were.

        Parameters
        ----------
        backup_share
            As for `sums`.

        Returns
        -------
        tuple of arrays of shape (members,)
            Both inside a boundary that holds the resistive heaters, kWh.
        """
        world = self.sums(actual, backup_share=backup_share)
        pump = self._reference_unit(world) + self._found.step * world.late
        used = self._standby * world.days + pump + world.resistive
        return np.asarray(world.heat + world.resistive), np.asarray(used)

    def year(self, *, follows_design: bool) -> Sums:
        """Sums over a reference year in which all is as promised."""
        found, reference = self._found, self._reference
        outdoor = (reference.climate_c[:, None] + reference.climate_sd * _NODES).ravel()
        weight = np.tile(_NODE_WEIGHTS / _NODE_WEIGHTS.sum(), len(reference.climate_c))
        weight = weight * _YEAR_STEP
        space = self._slope[:, None] * np.maximum(found.balance[:, None] - outdoor, 0.0)
        water = np.broadcast_to(reference.water_kwh[:, None], space.shape)
        flow = self._design(outdoor) if follows_design else self._curve(outdoor)
        water_flow = found.flow_water[:, None]
        if reference.water_flow_c is not None:
            water_flow = np.full_like(water_flow, reference.water_flow_c)
        heat = space + water
        source = outdoor if self._air else priors.GROUND_C
        lift = space * flow + water * water_flow - heat * source
        nothing = np.zeros_like(found.base)
        return Sums(
            heat @ weight,
            water @ weight,
            lift @ weight + self._mixed * weight.sum(),
            nothing,
            nothing,
            float(weight.sum()),
        )

    def _reference_unit(self, sums: Sums) -> Values:
        """Electricity of the unit in full working order, up to the factor sought."""
        found = self._found
        return np.asarray(
            self._overhead * sums.water + found.offset * sums.heat + found.per_lift * sums.lift
        )

    def worth(self, levers: tuple[Lever, ...], promise: float, meters: Values) -> Worth:
        """SPF of every coalition of levers.

        Parameters
        ----------
        levers
            Those that this home can tell; the others stay as they were in every world.
        meters
            True over indicated SPF of each member, shape (members,).
        """
        found, reference = self._found, self._reference
        fixed = frozenset(Lever) - frozenset(levers)
        checked = reference.heat_share if Lever.METERING in levers else np.ones_like(found.base)
        standby = reference.standby_kwh if Lever.STANDBY in levers else self._standby

        year = self.year(follows_design=Lever.FLOW in levers)
        heat = checked * year.heat * meters
        if reference.reciprocal_cop is None:
            needed = heat / promise - standby * year.days
            ratio = np.maximum(needed / np.maximum(self._reference_unit(year), 1e-9), 0.05)
        else:
            offset, per_lift = reference.reciprocal_cop
            own = np.maximum(self._reference_unit(year), 1e-9)
            rated = offset * year.heat + per_lift * year.lift + WATER_OVERHEAD * year.water
            ratio = rated / own
        of_year = heat / (standby * year.days + ratio * self._reference_unit(year))

        known: dict[frozenset[Lever], Sums] = {}
        moves = (Lever.WEATHER, Lever.FLOW, Lever.WATER, Lever.RESISTIVE)
        spf = np.empty((1 << len(levers), len(found.base)))
        for row, inside in enumerate(players_in(len(levers))):
            actual = fixed | {lever for lever, is_in in zip(levers, inside, strict=True) if is_in}
            key = frozenset(actual & set(moves))
            if key not in known:
                known[key] = self.sums(key)
            world = known[key]
            pump = self._reference_unit(world)
            pump = pump + found.step * world.late if Lever.UNIT in actual else ratio * pump
            daily = self._standby if Lever.STANDBY in actual else standby
            used = daily * world.days + pump + world.resistive
            shown = world.heat if Lever.METERING in actual else checked * world.heat
            spf[row] = meters * (shown + world.resistive) / np.maximum(used, 1e-9)
        first = self._water[0].sum() + self._days.immersion.sum()
        return Worth(
            spf=spf,
            year=of_year,
            unit_ratio=ratio,
            water_kwh=float(first / len(self._days.number)),
            flow_excess_k=self._excess(),
            allowance_k=self.allowance_k,
            standby_kwh=float(self._standby[0]),
        )

    def _excess(self) -> float:
        """Heat-weighted mean of space flow above the design curve, first member."""
        space, outdoor = self._space[0], self._days.outdoor_c
        shown = self._days.flow_c if self._days.space_flow_c is None else self._days.space_flow_c
        known = np.isfinite(shown)
        above = space * (self._curve(outdoor)[0] - self._design(outdoor)[0]) + self._beyond[0]
        total = float(space[known].sum())
        return float(above[known].sum() / total) if total > 0 else 0.0
