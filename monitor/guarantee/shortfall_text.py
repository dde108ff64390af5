"""What a shortfall says in words: what was found, against what, and what nobody can see."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from monitor.guarantee.worlds import Worth
from monitor.metrics.heat_check import HeatCheck
from monitor.metrics.model import EnergyModel
from monitor.models import Site

OUTSIDE: Final = (
    "Backup and immersion heaters lie outside the boundary of this promise: they cost money, "
    "but do not touch the promised SPF."
)
NO_HEATER: Final = "This system has neither a backup nor an immersion heater."
NO_SUBMETER: Final = (
    "Not measurable here: not every backup and immersion heater has a meter of its own. What "
    "they take shows as the unit's."
)
SUBMETER_GAPS: Final = (
    "Not measurable here: the heaters' own meters are not known on enough days. What the heaters "
    "take shows as the unit's."
)
NO_CURVE: Final = (
    "Not measurable here: the site file states no design curve (design_flow_temp_c, "
    "design_outdoor_temp_c). A flow that is too hot shows as the unit's."
)
NO_FLOW: Final = (
    "Not measurable here: the flow temperature is not recorded. A flow that is too hot shows as "
    "the unit's."
)
NO_HEAT_CHECK: Final = (
    "Not measurable here: flow rate, flow and return temperature are not all recorded, so the "
    "heat meter cannot be checked. A heat meter that reads low shows as the unit's."
)
REST: Final = "What is left when all causes are taken off; never shared out among them."

NAMES: Final = {
    "weather": "the weather",
    "flow_temperature": "the flow temperature",
    "hot_water": "hot water",
    "backup_and_immersion": "backup and immersion heaters",
    "standby_cycling_pumps": "standby, cycling and pumps",
    "unit": "the unit itself",
    "metering": "the heat meter",
    "time_of_year": "the part of the year seen so far",
    "promise_beyond_design": "a promise beyond what the design supports",
    "unexplained": "nothing that the model explains",
}

#: A shortfall smaller than this is not worth a cause, SPF. Common practice, no source.
WORTH_NAMING: Final = 0.03


@dataclass(frozen=True)
class Said:
    """A sentence, and what it takes for granted."""

    sentence: str
    assumed: str


@dataclass(frozen=True)
class Facts:
    """Figures behind the sentences."""

    site: Site
    model: EnergyModel
    worth: Worth
    climate: str
    colder_k: float
    water_kwh: float
    water_stated: bool
    water_metered: bool
    standby_measured: bool
    standby_kwh: float
    standby_stated: bool
    backup_kwh: float
    immersion_kwh: float
    heat_check: HeatCheck | None
    tested: bool
    hidden: tuple[str, ...]
    days: int


def headline(promise: float, measured: float, cause: str | None, spf: float | None) -> str:
    """One sentence for the top."""
    gap = promise - measured
    if gap <= 0:
        start = f"The SPF so far is {-gap:.2f} above the promise of {promise:.2f}"
    else:
        start = f"The SPF so far is {gap:.2f} short of the promise of {promise:.2f}"
    if cause is None or spf is None or spf < WORTH_NAMING:
        return f"{start}."
    return f"{start}; most is taken by {NAMES[cause]}: {spf:.2f}."


def said(cause: str, spf: float, facts: Facts) -> Said:
    """Sentence and assumption of one cause."""
    size = f"costs {spf:.2f} SPF" if spf >= 0 else f"adds {-spf:.2f} SPF"
    if abs(spf) < 0.005:
        size = "makes no difference that shows"
    sentence, assumed = _WRITERS[cause](facts)
    return Said(f"{sentence} This {size}.", assumed)


def _weather(f: Facts) -> tuple[str, str]:
    word = "colder" if f.colder_k >= 0 else "warmer"
    return (
        f"The days that call for heating were {abs(f.colder_k):.1f} K {word} than in the reference "
        "climate.",
        f"The same days, each month moved to its mean in the reference climate ({f.climate}).",
    )


def _flow(f: Facts) -> tuple[str, str]:
    pump = f.site.heat_pump
    word = "above" if f.worth.flow_excess_k >= 0 else "below"
    start = (
        "at 15 degC outside as stated"
        if pump.flow_temp_at_15_c is not None
        else "at 15 degC outside by common practice"
    )
    return (
        f"Heating water left the unit {abs(f.worth.flow_excess_k):.1f} K {word} the design curve.",
        f"The design curve of the site file: {pump.design_flow_temp_c:.1f} degC at "
        f"{pump.design_outdoor_temp_c:.1f} degC outside, and {start}; with these records a "
        f"sound control looks {f.worth.allowance_k:g} K above it.",
    )


def _water(f: Facts) -> tuple[str, str]:
    how = "its own meter" if f.water_metered else "the heat of warm days"
    origin = (
        "as the promise assumed"
        if f.water_stated
        else "by common practice: the terms do not say what they assumed"
    )
    return (
        f"Hot water took {f.worth.water_kwh:.1f} kWh of heat a day, {f.water_kwh:.1f} having been "
        "assumed.",
        f"{f.water_kwh:.1f} kWh a day, {origin}; the amount seen is from {how}.",
    )


def _resistive(f: Facts) -> tuple[str, str]:
    return (
        f"Backup and immersion heaters used {f.backup_kwh:,.0f} and {f.immersion_kwh:,.0f} kWh.",
        "The heat pump would have made the same heat at the lift of those days.",
    )


def _standby(f: Facts) -> tuple[str, str]:
    origin = "as stated" if f.standby_stated else "common practice, 10 to 30 W"
    how = "idle hours" if f.standby_measured else "the energy model: idle hours do not show here"
    return (
        f"Electricity that does not go with heat is {f.worth.standby_kwh:.2f} kWh a day, "
        f"{f.standby_kwh:.2f} having been expected.",
        f"{f.standby_kwh:.2f} kWh a day ({origin}); the amount seen is from {how}. What short "
        "cycles cost while heat is made shows as the unit's.",
    )


def _unit(f: Facts) -> tuple[str, str]:
    more = 1.0 / f.worth.unit_ratio[0] - 1.0
    word = "more" if more >= 0 else "less"
    sentence = (
        f"For the same heat at the same temperatures the unit takes {abs(more):.0%} {word} "
        "electricity than expected."
    )
    if f.model.change is not None and f.model.change_day is not None:
        change = "more" if f.model.change > 0 else "less"
        sentence += (
            f" From about {f.model.change_day:%-d %B %Y} on it takes a further "
            f"{abs(f.model.change):.0%} {change}."
        )
    hidden = ", ".join(NAMES[name] for name in f.hidden)
    origin = (
        "The unit's test points as given."
        if f.tested
        else "What makes the promise come true in a year of the reference climate in which all "
        "else is as promised; a promise that was set too high shows here."
    )
    if hidden:
        origin += f" Not told apart from the unit here: {hidden}."
    return sentence, origin


def _metering(f: Facts) -> tuple[str, str]:
    check = f.heat_check
    if check is None or not check.is_doubtful:
        return (
            "Flow and temperatures agree with the heat meter within their uncertainty.",
            "Heat from flow rate, temperature difference and the heat coefficient of water.",
        )
    word = "low" if check.true_share > 1 else "high"
    return (
        f"By flow and temperatures the heat meter reads {abs(1.0 - 1.0 / check.true_share):.0%} "
        f"{word}.",
        "Heat from flow rate, temperature difference and the heat coefficient of water. A "
        "suspicion until the meter is tested.",
    )


def _season(f: Facts) -> tuple[str, str]:
    return (
        f"The promise is for whole years; {f.days} days of the period are known so far.",
        "The reference year against the same days of the reference climate.",
    )


def _design(_: Facts) -> tuple[str, str]:
    return (
        "In the reference year, with all as designed, the unit's test points give another SPF "
        "than was promised.",
        "The test points as given, held to be working conditions.",
    )


def _rest(_: Facts) -> tuple[str, str]:
    return "The model explains no more than the causes named.", REST


_WRITERS: Final = {
    "weather": _weather,
    "flow_temperature": _flow,
    "hot_water": _water,
    "backup_and_immersion": _resistive,
    "standby_cycling_pumps": _standby,
    "unit": _unit,
    "metering": _metering,
    "time_of_year": _season,
    "promise_beyond_design": _design,
    "unexplained": _rest,
}
