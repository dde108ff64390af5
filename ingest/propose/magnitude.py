"""Whether the sizes of heat and electricity can be true together, and what would make them so.

The tests see unit slips (kWh, MWh, GJ, Wh, MJ), power for energy, and heat and
electricity that are swapped.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import product
from math import log10
from typing import Final

from ingest.propose.columns import Seen
from ingest.propose.model import Guess
from ingest.propose.units import ELECTRIC_UNITS, ENERGY_UNITS, dimension_of_unit, factor_of
from monitor.models import Kind, Role, Site

#: COP over a whole file: outside the first pair it cannot be, outside the second it is
#: unusual: 1 is a resistive heater, 8 no heat pump of a home reaches over weeks.
#: Common practice, no source.
COP_POSSIBLE: Final = (1.0, 8.0)
COP_USUAL: Final = (1.6, 7.0)
#: Mean power over a file of one home, kW: from summer's hot water to a hard winter.
#: Common practice, no source.
HEAT_KW: Final = (0.05, 15.0)
ELEC_KW: Final = (0.015, 8.0)
#: The same as shares of the unit's nominal heat output, and of the design heat loss.
#: Common practice, no source.
HEAT_OF_NOMINAL: Final = (0.008, 1.1)
ELEC_OF_NOMINAL: Final = (0.002, 0.8)
HEAT_OF_LOSS: Final = 1.3
#: How far measured heat may be from what heat loss and outdoor temperatures ask for.
#: Common practice, no source: surveys of heat loss stray by a third.
HEAT_OF_EXPECTED: Final = (0.4, 2.4)
#: Fewest rises of a register, and values of a power or interval, from which a mean says
#: something. Common practice, no source.
LEAST_RISES: Final = 5
LEAST_VALUES: Final = 24
#: What a unit is preferred by where several fit: kWh is by far the commonest.
_RARENESS: Final = {"kWh": 0.0, "MWh": 0.12, "GJ": 0.18, "Wh": 0.2, "MJ": 0.35, "kW": 0, "W": 0.02}
_MAIN: Final = (Role.ELEC_TOTAL, Role.ELEC_UNIT)


@dataclass
class Sizes:
    """Mean powers of the file, kW, and what is wrong with them.

    Attributes
    ----------
    heat_kw, elec_kw
        Of all heat and all electricity; None where the file lacks either.
    """

    heat_kw: float | None = None
    elec_kw: float | None = None
    doubts: list[str] = field(default_factory=list)
    swapped: bool = False

    @property
    def cop(self) -> float | None:
        """Heat over electricity."""
        if not self.heat_kw or not self.elec_kw:
            return None
        return self.heat_kw / self.elec_kw


def rate_of(one: Seen) -> float | None:
    """Mean of a column per hour, in its own unit; None where it cannot be told."""
    run = one.run
    if one.kind.value == "register":
        return 0.0 if run.stands and run.times is not None else run.per_hour
    if one.kind.value == "power":
        return run.mean if run.count else None
    if one.kind.value == "interval" and run.count and run.step_s:
        return run.mean / (run.step_s / 3600.0)
    return None


def _kw(one: Seen, unit: str | None = None) -> float | None:
    rate = rate_of(one)
    unit = unit or one.unit.value
    if rate is None or unit is None or one.kind.value is None:
        return None
    kind = Kind(one.kind.value)
    if dimension_of_unit(unit) != ("power" if kind is Kind.POWER else "energy"):
        return None
    return rate * factor_of(unit, kind) * float(one.said("scale") or 1.0)


def _streams(seen: list[Seen], group: str) -> list[Seen]:
    """Columns that make up all heat or all electricity."""
    own = [
        one
        for one in seen
        if one.role.value is not None and one.role.value.startswith(group) and _has_rate(one)
    ]
    total = [one for one in own if one.role.value == f"{group}total"]
    return total or own


def _has_rate(one: Seen) -> bool:
    return rate_of(one) is not None


def _speaks(one: Seen) -> bool:
    """Whether a column has enough values for its mean to say something."""
    if one.kind.value == "register":
        return one.run.rises >= LEAST_RISES
    return one.run.count >= LEAST_VALUES


def sizes_of(seen: list[Seen]) -> Sizes:
    """Give the mean powers of a file under the units that are proposed."""
    out = Sizes()
    heat = [_kw(one) for one in _streams(seen, "heat_")]
    elec = _streams(seen, "elec_")
    if any(_speaks(one) for one in _streams(seen, "heat_")) and None not in heat:
        out.heat_kw = sum(one for one in heat if one is not None)
    powers = [_kw(one) for one in elec]
    main = [one for one in elec if one.role.value in _MAIN]
    if any(_speaks(one) for one in main) and None not in powers:
        out.elec_kw = sum(one for one in powers if one is not None)
    return out


def settle_units(seen: list[Seen], site: Site | None, expected_kw: float | None) -> None:
    """Choose the units of energy that no one states so that the sizes can be true.

    Parameters
    ----------
    expected_kw
        Mean heat that heat loss and outdoor temperatures ask for, if they are known.
    """
    heat = [o for o in seen if _is_open(o, "heat_")]
    elec = [o for o in seen if _is_open(o, "elec_")]
    if not heat and not elec:
        return
    tries: list[tuple[float, str | None, str | None]] = []
    for first, second in product(
        ENERGY_UNITS if heat else (None,), ELECTRIC_UNITS if elec else (None,)
    ):
        _set(heat, first, 0.0, "")
        _set(elec, second, 0.0, "")
        cost = _cost(sizes_of(seen), site, expected_kw)
        cost += _RARENESS[first or "kWh"] + _RARENESS[second or "kWh"]
        cost += 0.1 if first and second and first != second else 0.0
        tries.append((cost, first, second))
    tries.sort(key=lambda one: one[0])
    margin = tries[1][0] - tries[0][0] if len(tries) > 1 else 1.0
    sure = 0.75 if tries[0][0] < 0.6 and margin > 0.5 else 0.5
    why = "No unit is stated; by size this one fits a home's heat pump best."
    _set(heat, tries[0][1], sure, why)
    _set(elec, tries[0][2], sure, why)


def _is_open(one: Seen, group: str) -> bool:
    return (
        one.role.value is not None
        and one.role.value.startswith(group)
        and one.kind.value in ("register", "interval")
        and (one.unit.value is None)
    )


def _set(columns: list[Seen], unit: str | None, confidence: float, why: str) -> None:
    for one in columns:
        one.unit = Guess(value=unit, confidence=confidence, reasons=(why,) if why else ())


def _bounds(site: Site | None) -> tuple[tuple[float, float], tuple[float, float]]:
    if site is None:
        return HEAT_KW, ELEC_KW
    nominal = site.heat_pump.nominal_heat_kw
    most = HEAT_OF_NOMINAL[1] * nominal
    if site.heat_loss_kw is not None:
        most = min(most, max(HEAT_OF_LOSS * site.heat_loss_kw, 0.5 * nominal))
    return (
        (HEAT_OF_NOMINAL[0] * nominal, most),
        (ELEC_OF_NOMINAL[0] * nominal, ELEC_OF_NOMINAL[1] * nominal),
    )


def _beyond(value: float | None, limits: tuple[float, float]) -> float:
    """Decades by which a value lies outside of limits."""
    if value is None:
        return 0.0
    if value <= 0:
        return 3.0
    return max(log10(limits[0] / value), log10(value / limits[1]), 0.0)


def _cost(sizes: Sizes, site: Site | None, expected_kw: float | None) -> float:
    heat, elec = _bounds(site)
    cost = _beyond(sizes.heat_kw, heat) + _beyond(sizes.elec_kw, elec)
    cost += 3.0 * _beyond(sizes.cop, COP_USUAL)
    if expected_kw and sizes.heat_kw is not None:
        cost += 3.0 * _beyond(sizes.heat_kw / expected_kw, HEAT_OF_EXPECTED)
    return cost


def weigh(seen: list[Seen], site: Site | None, expected_kw: float | None) -> Sizes:
    """Test the sizes; swap heat and electricity where only that makes them possible.

    Roles that a person has said are never changed; what does not fit is a doubt.
    """
    sizes = sizes_of(seen)
    _as_power(seen, sizes)
    cop = sizes.cop
    if cop is not None and not COP_USUAL[0] <= cop <= COP_USUAL[1]:
        _explain(seen, sizes, site, expected_kw)
    heat, elec = _bounds(site)
    whose = "this site's unit and house" if site is not None else "a home's heat pump"
    for name, value, limits, group in (
        ("heat", sizes.heat_kw, heat, "heat_"),
        ("electricity", sizes.elec_kw, elec, "elec_"),
    ):
        if value is not None and _beyond(value, limits) > 0 and not sizes.swapped:
            sizes.doubts.append(
                f"The mean {name} would be {value:.4g} kW, which does not fit {whose} "
                f"({limits[0]:.3g} to {limits[1]:.3g} kW).{_other_unit(seen, group, limits)}"
            )
    if expected_kw and sizes.heat_kw:
        share = sizes.heat_kw / expected_kw
        if not HEAT_OF_EXPECTED[0] <= share <= HEAT_OF_EXPECTED[1]:
            sizes.doubts.append(
                f"The heat is {share:.3g} times what the site's heat loss asks for at the outdoor "
                "temperatures of the file."
            )
    return sizes


def _other_unit(seen: list[Seen], group: str, limits: tuple[float, float]) -> str:
    """Name the unit under which a mean power would fit, if there is one."""
    own = _streams(seen, group)
    fits = []
    counted = ENERGY_UNITS if group == "heat_" else ELECTRIC_UNITS
    for unit in ("kW", "W") if any(o.kind.value == "power" for o in own) else counted:
        powers = [_kw(one, unit) for one in own]
        total = sum(one for one in powers if one is not None)
        if None not in powers and _beyond(total, limits) == 0:
            fits.append((unit, total))
    if not fits:
        return ""
    unit, total = fits[0]
    return f" In {unit} it would be {total:.3g} kW. {_what_to_do(own, unit)}"


def _what_to_do(own: list[Seen], unit: str) -> str:
    firm = [one for one in own if one.unit.confidence >= 0.97 and one.said("unit") is None]
    if firm:
        return (
            f"The file itself states {firm[0].unit.value}: if that is wrong, rename the column "
            f"'{firm[0].name}' in the export."
        )
    return f"Say '{own[0].name}.unit={unit}' if that is right."


def _explain(seen: list[Seen], sizes: Sizes, site: Site | None, expected_kw: float | None) -> None:
    """Say what would make an impossible COP possible, and do it where it is a swap."""
    cop = sizes.cop
    if cop is None:
        return
    impossible = not COP_POSSIBLE[0] <= cop <= COP_POSSIBLE[1]
    said = f"Heat over electricity comes to {cop:.3g}, which " + (
        "no heat pump has over weeks." if impossible else "is unusual."
    )
    heat, elec = _streams(seen, "heat_"), _streams(seen, "elec_")
    offers = _offers(heat, elec, sizes, site, expected_kw)
    turned = 1.0 / cop
    if COP_USUAL[0] <= turned <= COP_USUAL[1] and cop < COP_POSSIBLE[0] and len(heat) == 1:
        main = [one for one in elec if one.role.value in _MAIN]
        free = len(main) == 1 and not {"role"} & {*heat[0].given, *main[0].given}
        same = free and heat[0].kind.value == main[0].kind.value
        words = (
            f"'{heat[0].name}' and '{main[0].name if main else '?'}' look swapped: the other way "
            f"round it is {turned:.3g}."
        )
        # A unit that makes it right speaks as loud as the swap: then nothing is changed.
        if same and not offers:
            heat[0].role, main[0].role = (
                _swapped(main[0].role, words),
                _swapped(heat[0].role, words),
            )
            sizes.heat_kw, sizes.elec_kw = sizes.elec_kw, sizes.heat_kw
            sizes.swapped = True
            sizes.doubts.append(f"{said} {words} The proposal takes them so; look at the meters.")
            return
        offers.insert(0, words)
    if not offers:
        names = " and ".join(f"'{one.name}'" for one in (*heat, *elec))
        offers.append(
            f"Look at the units of {names}, and at multipliers such as that of a transformer."
        )
    sizes.doubts.append(" ".join([said, *offers]))


def _swapped(role: Guess, why: str) -> Guess:
    return Guess(value=role.value, confidence=0.5, reasons=(why,))


def _offers(
    heat: list[Seen],
    elec: list[Seen],
    sizes: Sizes,
    site: Site | None,
    expected_kw: float | None,
) -> list[str]:
    """Units of one side under which everything would fit."""
    out = []
    for own, is_heat in ((heat, True), (elec, False)):
        for unit in ENERGY_UNITS if is_heat else ELECTRIC_UNITS:
            if any(one.unit.value == unit or one.kind.value == "power" for one in own):
                continue
            powers = [_kw(one, unit) for one in own]
            if not own or None in powers:
                continue
            total = sum(one for one in powers if one is not None)
            tried = Sizes(total if is_heat else sizes.heat_kw, sizes.elec_kw if is_heat else total)
            if _cost(tried, site, expected_kw) == 0.0 and tried.cop is not None:
                out.append(
                    f"With '{own[0].name}' in {unit} it is {tried.cop:.3g}. "
                    f"{_what_to_do(own, unit)}"
                )
    return out


def _as_power(seen: list[Seen], sizes: Sizes) -> None:
    """Say where energy of intervals looks like power, and power like a register."""
    for one in seen:
        if one.role.value is None or not Role(one.role.value).is_energy or not one.run.count:
            continue
        if one.kind.value == "power" and one.run.climbs and one.kind.confidence < 0.5:
            sizes.doubts.append(
                f"'{one.name}' is in {one.unit.value}, a unit of power, but its values only go up: "
                "it looks like a register of energy."
            )
        power = _kw(one) if one.kind.value == "interval" else None
        if power is None or one.unit.value is None:
            continue
        high = max(HEAT_KW[1], ELEC_KW[1])
        as_kw = one.run.mean * factor_of(one.unit.value, Kind.INTERVAL)
        if power > high and ELEC_KW[0] < as_kw < high:
            sizes.doubts.append(
                f"'{one.name}' would be {power:.3g} kW on average as energy of intervals; its "
                f"values look like power ({as_kw:.3g} kW)."
            )
