"""Which system boundaries a site's meters can measure, and by which sums.

Boundaries after SEPEMO-Build, D4.2 / D2.5 "Concept for evaluation of SPF" (2012):

- H1 = heat of the heat pump / electricity of the unit;
- H2 = the same heat / electricity of unit and source drive;
- H3 = heat of heat pump and backup / electricity of unit, source drive and backup,
  where backup includes an immersion heater;
- H4 = as H3 with the distribution pumps in the denominator.

Each meter counts a set of parts. A boundary can be measured if the set it needs is a
sum or difference of what the meters count; heat of a resistive heater may be taken as
its electricity.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations, product
from typing import Final

from monitor.errors import CannotMeasureError
from monitor.metrics.water import MIXTURE_FIT, mixture_ratio
from monitor.models import Assumption, Boundary, Channel, Consumer, Role, Site, Terms

#: Electricity that each boundary counts, as far as the system has it.
ELECTRICITY: Final = {
    Boundary.H1: frozenset({Consumer.UNIT}),
    Boundary.H2: frozenset({Consumer.UNIT, Consumer.SOURCE}),
    Boundary.H3: frozenset({Consumer.UNIT, Consumer.SOURCE, Consumer.BACKUP, Consumer.IMMERSION}),
    Boundary.H4: frozenset(Consumer),
}

RESISTIVE: Final = frozenset({Consumer.BACKUP, Consumer.IMMERSION})

_OWN: Final = {
    Role.ELEC_UNIT: Consumer.UNIT,
    Role.ELEC_SOURCE: Consumer.SOURCE,
    Role.ELEC_BACKUP: Consumer.BACKUP,
    Role.ELEC_IMMERSION: Consumer.IMMERSION,
    Role.ELEC_PUMPS: Consumer.PUMPS,
}

_WORDS: Final = {
    Consumer.UNIT: "the unit (compressor and controls)",
    Consumer.SOURCE: "the fan or brine pump",
    Consumer.BACKUP: "the backup heater",
    Consumer.IMMERSION: "the immersion heater",
    Consumer.PUMPS: "the distribution pumps",
}


@dataclass(frozen=True)
class Recipe:
    """How a boundary's heat and electricity are summed from streams.

    Attributes
    ----------
    heat, electricity
        Factor of each stream: +1 or -1, and for heat meters the correction for
        antifreeze.
    assumption
        What must be taken for granted, or None.
    correction, correction_limit
        True heat over indicated heat where antifreeze flows through meters for water,
        and how far that may be off; 1 and 0 elsewhere.
    """

    boundary: Boundary
    heat: dict[Role, float]
    electricity: dict[Role, float]
    assumption: Assumption | None = None
    correction: float = 1.0
    correction_limit: float = 0.0

    @property
    def streams(self) -> tuple[Role, ...]:
        """Every stream whose energy must be known, in a fixed order."""
        return tuple(sorted({*self.heat, *self.electricity}))


def _electricity_counts(site: Site, channel: Channel) -> frozenset[str]:
    if channel.counts is not None:
        return frozenset(channel.counts)
    if channel.role is Role.ELEC_TOTAL:
        return frozenset(site.heat_pump.consumers)
    counted = {_OWN[channel.role]}
    if channel.role is Role.ELEC_UNIT and site.heat_pump.source_drive == "in_unit":
        counted.add(Consumer.SOURCE)
    return frozenset(counted)


def _heat_counts(channel: Channel) -> frozenset[str]:
    parts = {
        Role.HEAT_TOTAL: {"space", "hot water"},
        Role.HEAT_SPACE: {"space"},
        Role.HEAT_DHW: {"hot water"},
    }[channel.role]
    return frozenset(parts) | frozenset(f"heat of {c}" for c in channel.counts or ())


def _sum_to(
    needed: frozenset[str], counted: dict[Role, frozenset[str]]
) -> dict[Role, float] | None:
    """Fewest streams whose signed sum counts exactly what is needed, once each."""
    roles = sorted(counted)
    parts = sorted(needed.union(*counted.values())) if counted else sorted(needed)
    for size in range(1, len(roles) + 1):
        for chosen in combinations(roles, size):
            for signs in product((1, -1), repeat=size):
                if all(
                    sum(s for s, r in zip(signs, chosen, strict=True) if part in counted[r])
                    == (part in needed)
                    for part in parts
                ):
                    return {r: float(s) for r, s in zip(chosen, signs, strict=True)}
    return None


def _channels(site: Site) -> dict[Role, Channel]:
    """One channel a role; all fits of a role must count the same parts."""
    found: dict[Role, Channel] = {}
    for fit in site.meter:
        for channel in fit.channel:
            if channel.role.is_energy:
                earlier = found.setdefault(channel.role, channel)
                if earlier.counts != channel.counts:
                    message = (
                        f"Site '{site.id}': the meters that follow one another as "
                        f"'{channel.role}' do not count the same parts; give both the same "
                        "'counts'."
                    )
                    raise CannotMeasureError(message)
    return found


def recipe(site: Site, boundary: Boundary, assumptions: tuple[Assumption, ...] = ()) -> Recipe:
    """Say how a site's meters measure a boundary.

    Raises
    ------
    CannotMeasureError
        They cannot; the sentence says what is not metered and what they can measure.
    """
    found = _recipe(site, boundary)
    if isinstance(found, Recipe) and (found.assumption is None or found.assumption in assumptions):
        return _corrected(site, found)
    if isinstance(found, Recipe) and found.assumption is not None:
        why = (
            f"it can only be computed under the assumption '{found.assumption}' "
            f"({found.assumption.sentence}), which has not been accepted"
        )
    else:
        why = str(found)
    able = [b for b in Boundary if isinstance(r := _recipe(site, b), Recipe) and not r.assumption]
    can = f"They can measure {', '.join(able)}." if able else "They can measure no boundary."
    message = f"The meters of site '{site.id}' cannot measure boundary {boundary}: {why}. {can}"
    raise CannotMeasureError(message)


def _recipe(site: Site, boundary: Boundary) -> Recipe | str:
    channels = _channels(site)
    present = site.heat_pump.consumers
    electricity = {r: _electricity_counts(site, c) for r, c in channels.items() if r.is_electricity}
    wanted = frozenset(ELECTRICITY[boundary] & present)
    electric = _sum_to(wanted, electricity)
    if electric is None:
        if not electricity:
            return "no electricity meter is described"
        parts = " and ".join(_WORDS[c] for c in Consumer if c in wanted)
        return f"no sum of its electricity meters counts {parts}, and nothing else"

    heat = {r: _heat_counts(c) for r, c in channels.items() if r.is_heat}
    if not heat:
        return "no heat meter is described"
    resistive = RESISTIVE & wanted if boundary in (Boundary.H3, Boundary.H4) else frozenset()
    # The electricity of a resistive heater stands for its heat.
    for role, counted in electricity.items():
        if counted and counted <= RESISTIVE:
            heat[role] = frozenset(f"heat of {c}" for c in counted)
    pump = frozenset({"space", "hot water"})
    exact = _sum_to(pump | {f"heat of {c}" for c in resistive}, heat)
    if exact is not None:
        return Recipe(boundary, exact, electric)
    if resistive:
        # Leave out what cannot be told: never more heat than there was.
        for kept in sorted(
            (
                frozenset(k)
                for n in range(len(resistive))
                for k in combinations(sorted(resistive), n)
            ),
            key=lambda kept: -len(kept),
        ):
            lower = _sum_to(pump | {f"heat of {c}" for c in kept}, heat)
            if lower is not None:
                return Recipe(
                    boundary, lower, electric, Assumption.UNMETERED_RESISTIVE_HEAT_IS_ZERO
                )
    return "no sum of its heat meters counts the heat pump's space heat and hot water" + (
        ", apart from resistive heaters upstream of the heat meter" if not resistive else ""
    )


#: Temperature at which antifreeze is judged where no design flow temperature is stated.
#: Common practice, no source.
USUAL_WATER_C: Final = 40.0


def _corrected(site: Site, plain: Recipe) -> Recipe:
    """Correct heat meters for water through which antifreeze flows (JCGM 100:2008, 3.2.3)."""
    antifreeze = site.heat_pump.antifreeze
    roles = [r for r in plain.heat if r.is_heat]
    fits = [f for f in site.meter for c in f.channel if c.role in roles]
    if antifreeze is None or all(f.calibrated_for == "mixture" for f in fits):
        return plain
    if any(f.calibrated_for == "mixture" for f in fits):
        message = (
            f"Site '{site.id}': some heat meters are calibrated for the mixture and some for "
            "water, so one correction cannot serve them; state 'calibrated_for' alike."
        )
        raise CannotMeasureError(message)
    pump = site.heat_pump
    temp = USUAL_WATER_C
    if pump.design_flow_temp_c is not None:
        temp = pump.design_flow_temp_c - pump.design_delta_t_k / 2

    def ratio(off: float) -> float:
        return mixture_ratio(antifreeze.fluid, antifreeze.mass_fraction + off, temp)

    away = antifreeze.mass_fraction_limit
    factor = ratio(0.0)
    heat = {r: f * factor if r.is_heat else f for r, f in plain.heat.items()}
    return replace(
        plain,
        heat=heat,
        correction=factor,
        correction_limit=abs(ratio(away) - ratio(-away)) / 2 + MIXTURE_FIT,
    )


def measurable(site: Site) -> tuple[Boundary, ...]:
    """Boundaries that the site's meters can measure without an assumption."""
    return tuple(
        b for b in Boundary if isinstance(r := _recipe(site, b), Recipe) and r.assumption is None
    )


def promised_recipe(site: Site, terms: Terms) -> Recipe:
    """Give the recipe of the promise, with the assumptions that its terms accept."""
    return recipe(site, terms.boundary, terms.assumptions)
