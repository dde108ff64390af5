"""What the heat emitted, and what the former heating would have emitted for it.

Emissions are kg of carbon dioxide equivalent at the place of use: for electricity those of
generation, without losses of the grid and without the supply chain of any fuel. Fuel is
counted in kWh of gross calorific value.

The table holds the UK government's greenhouse gas conversion factors for company
reporting; the set of a year is meant for the energy of that calendar year. 2026 is not in
it, and neither is a year before 2021: a year without a factor has no figure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np

from monitor.guarantee.boiler import efficiency
from monitor.guarantee.money import at_mean
from monitor.guarantee.price_steps import (
    Flags,
    PerBlock,
    Span,
    Steps,
    Values,
    Whole,
    counted,
    dated,
    per_block,
    steps_of,
)
from monitor.metrics.performance import Blocks
from monitor.models import Record, Site

_SET: Final = "UK government GHG conversion factors {year} ({how})"
_MEMORY: Final = "from memory"
_SECONDARY: Final = "from a secondary source, climateessentials.com"

#: Electricity generated: kg a kWh, and how the figure is known.
UK_ELECTRICITY: Final = {
    2021: (0.21233, _MEMORY),
    2022: (0.19338, _MEMORY),
    2023: (0.20707, _MEMORY),
    2024: (0.20705, _SECONDARY),
    2025: (0.17700, _SECONDARY),
}

#: Fuels, gross calorific value: kg a kWh, all from memory. Oil is burning oil.
UK_FUEL: Final = {
    "gas": {2021: 0.18316, 2022: 0.18254, 2023: 0.18293, 2024: 0.18290, 2025: 0.18296},
    "oil": {2021: 0.24677, 2022: 0.24677, 2023: 0.24677, 2024: 0.24677},
    "lpg": {2021: 0.21449, 2022: 0.21449, 2023: 0.21449, 2024: 0.21450},
}

#: Zones in which the table holds.
UK_ZONES: Final = ("Europe/London", "Europe/Belfast")

_WORDS: Final = {"electricity": "electricity", "gas": "gas", "oil": "heating oil", "lpg": "LPG"}

_KEYS: Final = {"electricity": "electricity_kg_per_kwh", "fuel": "fuel_kg_per_kwh"}


class UsedFactor(Record):
    """A factor that went into a result.

    Attributes
    ----------
    energy
        `electricity`, `gas`, `oil` or `lpg`.
    first, end
        Local days of the window to which it was applied, up to, not including, `end`.
    """

    energy: str
    kg_per_kwh: float
    source: str
    first: date
    end: date


class Emission(Record):
    """kg of carbon dioxide equivalent.

    Attributes
    ----------
    low, high
        Bounds for all known energy; None where some of it has no factor.
    best
        Over the energy that has a factor.
    """

    low: float | None
    best: float
    high: float | None


class Carbon(Record):
    """Emissions of a stretch of days.

    Attributes
    ----------
    heat_pump
        None where no known electricity has a factor.
    boiler, saved
        The former heating for the same heat, and what the heat pump saved against it
        (negative: it emitted more), over the blocks in which both have a factor; None
        without one.
    electricity_kwh, without_factor_kwh
        Known electricity with and without a factor.
    compared_heat_kwh
        Heat over which the two are compared.
    factors
        Every factor used.
    remarks
        Sentences on what is missing and what the figures rest on.
    """

    heat_pump: Emission | None
    boiler: Emission | None
    saved: Emission | None
    electricity_kwh: float
    without_factor_kwh: float
    compared_heat_kwh: float
    factors: tuple[UsedFactor, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class _Factors:
    """Factors of one energy by step: index into `entries`, -1 without one."""

    energy: str
    entries: tuple[tuple[float, str], ...]
    index: Whole

    @property
    def values(self) -> Values:
        return np.array([v for v, _ in self.entries] + [np.nan])[self.index]


def carbon(
    site: Site,
    blocks: Blocks,
    first: date,
    end: date,
    excluded: Sequence[Span] = (),
    *,
    nearest_year: bool = False,
) -> Carbon | None:
    """Emissions of the local days from `first` up to, not including, `end`.

    Parameters
    ----------
    excluded
        As for `money`.
    nearest_year
        Lend a year without a factor that of the nearest year of the table; the result
        says so.

    Returns
    -------
    Carbon or None
        None where the stretch has no days.
    """
    if end <= first:
        return None
    steps = steps_of(site, first, end, excluded)
    own = counted(blocks, steps)
    electric = _factors(steps, "electricity", nearest_year=nearest_year)
    pump = per_block(electric.values, own, None)
    used = [electric]
    factors: PerBlock | None = None
    remarks = _gaps(electric, steps)
    if site.boiler is not None:
        if site.boiler.fuel == "direct_electric":
            factors = pump
        else:
            fuel = _factors(steps, site.boiler.fuel, nearest_year=nearest_year)
            factors = per_block(fuel.values, own, None)
            used.append(fuel)
            remarks += _gaps(fuel, steps)
    boiler = saved = None
    both = np.zeros(len(own.index), dtype=bool)
    if factors is not None and site.boiler is not None:
        both = pump.known & factors.known
        found, why = efficiency(site.boiler, site.commissioned.year)
        remarks.append(why)
        before = _emission(factors, own.heat, both)
        now = _emission(pump, own.electricity, both)
        if before is not None and now is not None:
            low, high = _ends(before, 1 / found.high, 1 / found.low)
            boiler = Emission(low=low, best=before.best / found.best, high=high)
            saved = Emission(
                low=None if low is None or now.high is None else low - now.high,
                best=boiler.best - now.best,
                high=None if high is None or now.low is None else high - now.low,
            )
    else:
        remarks.append("No former heating is on record, so nothing can be compared.")
    return Carbon(
        heat_pump=_emission(pump, own.electricity, pump.known),
        boiler=boiler,
        saved=saved,
        electricity_kwh=float(own.electricity[pump.known].sum()),
        without_factor_kwh=float(own.electricity[~pump.known].sum()),
        compared_heat_kwh=float(own.heat[both].sum()),
        factors=tuple(one for energy in used for one in _used(energy, steps)),
        remarks=tuple(remarks),
    )


def _emission(factor: PerBlock, kwh: Values, chosen: Flags) -> Emission | None:
    """Emission of the chosen blocks; its bounds are for all, so None if one is left out."""
    if not chosen.any():
        return None
    energy = np.where(chosen, kwh, 0.0)
    complete = bool(chosen[kwh != 0].all())
    low, high = factor.bounds(energy) if complete else (None, None)
    return Emission(low=low, best=at_mean(factor, energy), high=high)


def _ends(of: Emission, least: float, most: float) -> tuple[float | None, float | None]:
    if of.low is None or of.high is None:
        return None, None
    return min(of.low * least, of.low * most), max(of.high * least, of.high * most)


def _factors(steps: Steps, energy: str, *, nearest_year: bool) -> _Factors:
    """The site's own factors from the first on; before, the table where it holds."""
    entries: list[tuple[float, str]] = []
    years = np.array([day.year for day in steps.days], dtype=np.int64)[steps.day]
    index = np.full(len(years), -1, dtype=np.int64)
    table = _table(energy) if steps.site.zone in UK_ZONES else {}
    for year in np.unique(years).tolist() if table else []:
        nearest = min(table, key=lambda known: (abs(known - year), -known))
        if nearest != year and not nearest_year:
            continue
        value, source = table[nearest]
        if nearest != year:
            source += f", as the nearest year to {year}"
        index[years == year] = len(entries)
        entries.append((value, source))
    key = _KEYS["electricity" if energy == "electricity" else "fuel"]
    own = [
        (factor.valid_from, float(given), factor.source)
        for factor in steps.site.carbon
        if (given := getattr(factor, key)) is not None
    ]
    in_force = dated(steps, [day for day, _, _ in own])
    index = np.where(in_force >= 0, in_force + len(entries), index)
    entries += [(given, source) for _, given, source in own]
    return _Factors(energy, tuple(entries), index)


def _table(energy: str) -> dict[int, tuple[float, str]]:
    if energy == "electricity":
        return {
            year: (value, _SET.format(year=year, how=how))
            for year, (value, how) in UK_ELECTRICITY.items()
        }
    return {
        year: (value, _SET.format(year=year, how=_MEMORY))
        for year, value in UK_FUEL[energy].items()
    }


def _gaps(factors: _Factors, steps: Steps) -> list[str]:
    """Say which years of the window have no factor."""
    bare = (factors.index < 0) & steps.counts
    if not bare.any():
        return []
    years = sorted({steps.days[day].year for day in np.unique(steps.day[bare]).tolist()})
    listed = ", ".join(str(year) for year in years)
    key = _KEYS["electricity" if factors.energy == "electricity" else "fuel"]
    return [
        f"No carbon factor for {_WORDS[factors.energy]} is on record for all or part of {listed}; "
        f"that energy is left out. Give the site a [[carbon]] with {key} and its source."
    ]


def _used(factors: _Factors, steps: Steps) -> list[UsedFactor]:
    out = []
    for number in np.unique(factors.index[steps.counts & (factors.index >= 0)]).tolist():
        days = np.unique(steps.day[(factors.index == number) & steps.counts])
        value, source = factors.entries[number]
        last = steps.days[int(days[-1])]
        out.append(
            UsedFactor(
                energy=factors.energy,
                kg_per_kwh=value,
                source=source,
                first=steps.days[int(days[0])],
                end=date.fromordinal(last.toordinal() + 1),
            )
        )
    return out
