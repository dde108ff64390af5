"""What is said of why an SPF is what it is, whether it can be true, and what it costs."""

from __future__ import annotations

from typing import Final

from dashboard import format as fmt
from dashboard.view_models import Table
from monitor.guarantee.assessment import Assessment, ModelFit
from monitor.guarantee.boiler import BillsCheck, BoilerComparison, Range
from monitor.guarantee.carbon import Carbon, Emission
from monitor.guarantee.causes import Cause, Shortfall
from monitor.guarantee.money import Money
from monitor.guarantee.settlement import ExclusionEffect
from monitor.models import Site

CAUSES: Final = {
    Cause.WEATHER: "weather",
    Cause.FLOW: "flow temperature",
    Cause.WATER: "hot water",
    Cause.RESISTIVE: "backup and immersion heaters",
    Cause.STANDBY: "standby, cycling, pumps",
    Cause.UNIT: "the unit",
    Cause.METERING: "heat meter",
    Cause.SEASON: "time of year",
    Cause.DESIGN: "promise beyond design",
    Cause.UNEXPLAINED: "not explained",
}

Line = tuple[str, str, str]


def shares_table(found: Shortfall) -> Table:
    """The shortfall, cause by cause; a plus sign is a loss."""
    rows = []
    for share in found.shares:
        known = share.spf is not None
        rows.append(
            (
                fmt.initial(CAUSES[share.cause]),
                fmt.signed(share.spf) if known else share.state,
                f"{fmt.signed(share.low)} to {fmt.signed(share.high)}" if known else "",
                fmt.number(share.kwh) if known else "",
                fmt.money(share.money, found.currency) if known and found.currency else "",
                share.sentence,
                share.assumed,
            )
        )
    whole = (
        "Together",
        fmt.signed(found.gap_spf),
        "",
        fmt.number(found.extra_kwh),
        fmt.money(found.money, found.currency) if found.currency else "",
        "Promise less SPF so far; the causes add up to it exactly.",
        "",
    )
    head = ("Cause", "Takes, SPF", "95 % interval", "kWh", "Cost", "What was found", "Against")
    return Table(head, (*rows, whole), frozenset({1, 2, 3, 4}))


def model_table(fit: ModelFit) -> Table:
    """The energy model with its fit."""
    heat, used = fit.heat, fit.electricity
    rows = [
        (
            "Heat a day",
            f"{fit.base_kwh:.1f} kWh, and {fit.slope_kwh_k:.2f} kWh for each kelvin below "
            f"{fit.balance_c:.1f} °C",
            str(heat.days),
            f"{heat.r2:.2f}",
            f"{heat.cv_rmse:.1%}",
            f"{heat.nmbe:+.1%}",
        ),
        (
            "Electricity a day",
            f"{fit.standby_kwh:.1f} kWh standby, and by heat and lift{_change(fit)}",
            str(used.days),
            f"{used.r2:.2f}",
            f"{used.cv_rmse:.1%}",
            f"{used.nmbe:+.1%}",
        ),
    ]
    head = ("Model", "What it says", "Days", "R²", "CV(RMSE)", "NMBE")
    return Table(head, tuple(rows), frozenset({2, 3, 4, 5}))


def _change(fit: ModelFit) -> str:
    if fit.change is None or fit.change_day is None:
        return ""
    more = "more" if fit.change > 0 else "less"
    return f"; {abs(fit.change):.0%} {more} for the same heat from {fmt.day(fit.change_day)} on"


def exclusions_table(effects: tuple[ExclusionEffect, ...], spf: float | None, site: Site) -> Table:
    """Every exclusion in force, with what it does."""
    rows = tuple(
        (
            fmt.moment(e.exclusion.start_utc.astimezone(site.tz)),
            fmt.moment(e.exclusion.end_utc.astimezone(site.tz)),
            f"{fmt.number(e.hours)}",
            e.exclusion.reason,
            e.exclusion.condition or fmt.NOTHING,
            f"{e.exclusion.by}, {fmt.short_day(e.exclusion.at.astimezone(site.tz).date())}",
            fmt.spf(spf),
            fmt.spf(e.spf_with_it_counted),
        )
        for e in effects
    )
    head = (
        "From", "To", "Hours", "Why", "Condition of the terms", "Entered by",
        "SPF with it excluded", "SPF with it counted",
    )  # fmt: skip
    return Table(head, rows, frozenset({2, 6, 7}))


def cost_lines(money: Money | None, found: Assessment | None) -> list[Line]:
    """Money and carbon: what, how much, and how it was come by."""
    lines: list[Line] = []
    if money is not None:
        lines += _money_lines(money)
    if found is None:
        return lines
    if found.comparison is not None:
        lines += _comparison_lines(found.comparison)
    if found.carbon is not None:
        lines += _carbon_lines(found.carbon)
    if found.bills is not None:
        lines += _bills_lines(found.bills)
    return lines


def _money_lines(money: Money) -> list[Line]:
    currency = money.currency
    how = "electricity inside the boundary in known hours, at the tariffs in force"
    how += _bounds(money.energy_cost, money.energy_cost_low, money.energy_cost_high, currency)
    lines: list[Line] = [("Electricity so far", fmt.money(money.energy_cost, currency), how)]
    if money.standing_cost > 0:
        lines.append(
            ("Standing charge", fmt.money(money.standing_cost, currency), "for the whole house")
        )
    if money.extra_cost is not None:
        extra = _bounds(money.extra_cost, money.extra_cost_low, money.extra_cost_high, currency)
        lines.append(
            (
                "Beyond the promise",
                fmt.money(money.extra_cost, currency),
                f"{fmt.number(abs(money.extra_kwh or 0.0))} kWh "
                f"{'more' if money.extra_cost >= 0 else 'less'} than the promise would have needed "
                f"for the same heat{extra}",
            )
        )
    lines.append(("Remedy by the terms", fmt.remedy(money), "as it stands; owed once settled"))
    return lines + [("Note", "", remark) for remark in money.remarks]


def _bounds(best: float | None, low: float | None, high: float | None, currency: str) -> str:
    """Bounds of an amount, where they say more than the amount does."""
    found = fmt.amounts(low, high, currency)
    return "" if found in (fmt.NOTHING, fmt.money(best, currency)) else f"; bounds {found}"


def _comparison_lines(found: BoilerComparison) -> list[Line]:
    def of(part: Range) -> str:
        return fmt.amounts(part.low, part.high, found.currency)

    saved = found.saved
    word = "Saved against the former heating" if saved.best >= 0 else "Dearer than before"
    lines: list[Line] = [
        (
            "The same heat, as before",
            fmt.money(found.fuel_cost.best, found.currency),
            f"{fmt.energy(found.fuel_kwh.best)} of fuel for {fmt.energy(found.heat_kwh)} of heat; "
            f"bounds {of(found.fuel_cost)}",
        ),
        (
            word,
            fmt.money(abs(saved.best), found.currency),
            f"bounds {of(saved)}; standing charge of the fuel saved: "
            f"{fmt.money(found.standing_saved, found.currency)}",
        ),
    ]
    return lines + [("Note", "", remark) for remark in found.remarks]


def _kg(emission: Emission) -> str:
    return f"{fmt.number(emission.best)}{fmt.NBSP}kg CO₂e"


def _between(emission: Emission) -> str:
    if emission.low is None or emission.high is None:
        return "no bounds: some energy has no factor"
    if round(emission.low) == round(emission.high):
        return "each kWh by the factor of its day"
    return f"bounds {fmt.number(emission.low)} to {fmt.number(emission.high)} kg"


def _carbon_lines(found: Carbon) -> list[Line]:
    lines: list[Line] = []
    if found.heat_pump is not None:
        lines.append(("Carbon of the electricity", _kg(found.heat_pump), _between(found.heat_pump)))
    if found.saved is not None:
        lines.append(("Carbon saved against before", _kg(found.saved), _between(found.saved)))
    lines += [
        (
            "Factor",
            f"{factor.kg_per_kwh:.3f} kg/kWh",
            f"{factor.energy}, {fmt.stretch(factor.first, factor.end)}: {factor.source}",
        )
        for factor in found.factors
    ]
    return lines + [("Note", "", remark) for remark in found.remarks]


def _bills_lines(found: BillsCheck) -> list[Line]:
    loss = found.heat_loss_kw
    return [
        (
            "Heat loss by past bills",
            f"{loss.best:.1f}{fmt.NBSP}kW",
            f"{loss.low:.1f} to {loss.high:.1f} kW: {fmt.energy(found.heat_kwh.best)} of heat a "
            f"year over 1 500 h (common practice, no source), from "
            f"{fmt.plural(found.years, 'yearly bill')}. {found.why}",
        )
    ]


def cost_table(money: Money | None, found: Assessment | None) -> Table | None:
    """Money and carbon as a table."""
    lines = cost_lines(money, found)
    return Table(("What", "Amount", "How"), tuple(lines), frozenset({1})) if lines else None
