"""What is said of why an SPF is what it is, whether it can be true, and what it costs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from dashboard import format as fmt
from dashboard.pages import how_cost, how_promise
from dashboard.view_models import How, Table
from monitor.guarantee.assessment import Assessment, ModelFit
from monitor.guarantee.boiler import BillsCheck, BoilerComparison, Range
from monitor.guarantee.carbon import Carbon, Emission
from monitor.guarantee.causes import Cause, Shortfall
from monitor.guarantee.money import Money
from monitor.guarantee.settlement import ExclusionEffect
from monitor.guarantee.standing import Standing
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


@dataclass(frozen=True)
class Line:
    """Money or carbon: what, how much, a note on it, and how it was computed."""

    what: str
    amount: str
    note: str
    how: How | None = None


def shares_table(found: Shortfall, price: float | None = None) -> Table:
    """The shortfall, cause by cause; a plus sign is a loss.

    Parameters
    ----------
    price
        Mean price of a kWh so far, where it is known.
    """
    rows, hows = [], []
    for share in found.shares:
        hows.append(how_cost.share(found, share, CAUSES[share.cause], price))
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
    hows.append(how_cost.together(found, price))
    return Table(head, (*rows, whole), frozenset({1, 2, 3, 4}), tuple(hows))


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
    return Table(head, tuple(rows), frozenset({2, 3, 4, 5}), how_promise.model(fit))


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
    hows = tuple(how_cost.exclusion(e, spf, site) for e in effects)
    return Table(head, rows, frozenset({2, 6, 7}), hows)


def cost_lines(site: Site, standing: Standing | None, found: Assessment | None) -> list[Line]:
    """Money and carbon: what, how much, and how it was come by."""
    lines: list[Line] = []
    if standing is not None and standing.money is not None:
        lines += _money_lines(site, standing, standing.money)
    if found is None:
        return lines
    if found.comparison is not None:
        lines += _comparison_lines(site, found.comparison)
    if found.carbon is not None:
        lines += _carbon_lines(site, found.carbon)
    if found.bills is not None:
        lines += _bills_lines(found.bills)
    return lines


def _notes(remarks: tuple[str, ...]) -> list[Line]:
    return [Line("Note", "", remark) for remark in remarks]


def _money_lines(site: Site, standing: Standing, money: Money) -> list[Line]:
    currency, account = money.currency, standing.account
    note = "electricity inside the boundary in known hours, at the tariffs in force"
    note += _bounds(money.energy_cost, money.energy_cost_low, money.energy_cost_high, currency)
    lines = [
        Line(
            "Electricity so far",
            fmt.money(money.energy_cost, currency),
            note,
            how_cost.energy_cost(site, money, account.electricity_kwh if account else None),
        )
    ]
    if money.standing_cost > 0:
        lines.append(
            Line(
                "Standing charge",
                fmt.money(money.standing_cost, currency),
                "for the whole house",
                how_cost.standing_charge(site, money),
            )
        )
    if money.extra_cost is not None:
        extra = _bounds(money.extra_cost, money.extra_cost_low, money.extra_cost_high, currency)
        lines.append(
            Line(
                "Beyond the promise",
                fmt.money(money.extra_cost, currency),
                f"{fmt.number(abs(money.extra_kwh or 0.0))} kWh "
                f"{'more' if money.extra_cost >= 0 else 'less'} than the promise would have needed "
                f"for the same heat{extra}",
                how_cost.extra_cost(site, account, standing.promise, money)
                if account and standing.promise
                else None,
            )
        )
    lines.append(
        Line(
            "Remedy by the terms",
            fmt.remedy(money),
            "as it stands; owed once settled",
            how_cost.remedy(site, standing),
        )
    )
    return lines + _notes(money.remarks)


def _bounds(best: float | None, low: float | None, high: float | None, currency: str) -> str:
    """Bounds of an amount, where they say more than the amount does."""
    found = fmt.amounts(low, high, currency)
    return "" if found in (fmt.NOTHING, fmt.money(best, currency)) else f"; bounds {found}"


def _comparison_lines(site: Site, found: BoilerComparison) -> list[Line]:
    def of(part: Range) -> str:
        return fmt.amounts(part.low, part.high, found.currency)

    saved = found.saved
    word = "Saved against the former heating"
    if saved.best < 0:
        word = "Dearer than before"
        saved = Range(low=-saved.high, best=-saved.best, high=-saved.low)
    lines = [
        Line(
            "The same heat, as before",
            fmt.money(found.fuel_cost.best, found.currency),
            f"{fmt.energy(found.fuel_kwh.best)} of fuel for {fmt.energy(found.heat_kwh)} of heat; "
            f"bounds {of(found.fuel_cost)}",
            how_cost.former(site, found),
        ),
        Line(
            word,
            fmt.money(saved.best, found.currency),
            f"bounds {of(saved)}; standing charge of the fuel saved: "
            f"{fmt.money(found.standing_saved, found.currency)}",
            how_cost.saved(site, found),
        ),
    ]
    return lines + _notes(found.remarks)


def _kg(emission: Emission) -> str:
    return f"{fmt.number(emission.best)}{fmt.NBSP}kg CO₂e"


def _between(emission: Emission) -> str:
    if emission.low is None or emission.high is None:
        return "no bounds: some energy has no factor"
    if round(emission.low) == round(emission.high):
        return "each kWh by the factor of its day"
    return f"bounds {fmt.number(emission.low)} to {fmt.number(emission.high)} kg"


def _carbon_lines(site: Site, found: Carbon) -> list[Line]:
    lines: list[Line] = []
    if found.heat_pump is not None:
        lines.append(
            Line(
                "Carbon of the electricity",
                _kg(found.heat_pump),
                _between(found.heat_pump),
                how_cost.emitted(site, found, found.heat_pump),
            )
        )
    if found.saved is not None:
        lines.append(
            Line(
                "Carbon saved against before",
                _kg(found.saved),
                _between(found.saved),
                how_cost.carbon_saved(site, found),
            )
        )
    lines += [
        Line(
            "Factor",
            f"{factor.kg_per_kwh:.3f} kg/kWh",
            f"{factor.energy}, {fmt.stretch(factor.first, factor.end)}: {factor.source}",
        )
        for factor in found.factors
    ]
    return lines + _notes(found.remarks)


def _bills_lines(found: BillsCheck) -> list[Line]:
    loss = found.heat_loss_kw
    return [
        Line(
            "Heat loss by past bills",
            f"{loss.best:.1f}{fmt.NBSP}kW",
            f"{loss.low:.1f} to {loss.high:.1f} kW: {fmt.energy(found.heat_kwh.best)} of heat a "
            f"year over 1 500 h (common practice, no source), from "
            f"{fmt.plural(found.years, 'yearly bill')}. {found.why}",
        )
    ]


def cost_table(site: Site, standing: Standing | None, found: Assessment | None) -> Table | None:
    """Money and carbon as a table."""
    lines = cost_lines(site, standing, found)
    rows = tuple((line.what, line.amount, line.note) for line in lines)
    hows = tuple(line.how for line in lines)
    return Table(("What", "Amount", "How"), rows, frozenset({1}), hows) if lines else None
