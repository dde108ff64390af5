"""How money, carbon, the split of the shortfall and the effect of a finding came about.

As in `how_site`, every answer is written from the objects that hold the figure.
"""

from __future__ import annotations

from datetime import datetime
from typing import Final

from dashboard import format as fmt
from dashboard import trade_words
from dashboard.pages.how_site import kwh
from dashboard.view_models import How
from monitor.findings.finding import Finding
from monitor.guarantee.boiler import BoilerComparison
from monitor.guarantee.carbon import Carbon, Emission
from monitor.guarantee.causes import Share, Shortfall
from monitor.guarantee.money import Money
from monitor.guarantee.settlement import ExclusionEffect
from monitor.guarantee.standing import Standing
from monitor.metrics.account import Account
from monitor.models import Site

_KNOWN: Final = "Only hours in which heat and electricity are both known count (rule R7)."


def _files(site_id: str) -> tuple[tuple[str, str], ...]:
    return (
        ("Its days (CSV)", f"/download/{site_id}/daily.csv?period=guarantee"),
        ("Its hours (CSV)", f"/download/{site_id}/hours.csv?period=guarantee"),
    )


def _tariffs(site: Site) -> str:
    flat = [
        f"{fmt.price(t.flat_price, t.currency)} from {fmt.short_day(t.valid_from)}"
        for t in site.tariff
        if t.flat_price is not None
    ]
    if len(flat) == len(site.tariff):
        return f"Tariffs of the site's description, per kWh: {fmt.listing(flat)}."
    return "The tariffs of the site's description, hour by hour as their bands or prices say."


def energy_cost(site: Site, money: Money, used_kwh: float | None) -> How:
    """Cost of the electricity."""
    mean = ""
    if used_kwh is not None and used_kwh - money.unpriced_kwh > 0:
        priced = used_kwh - money.unpriced_kwh
        mean = (
            f" Over the period that is {kwh(priced)} at "
            f"{fmt.price(money.energy_cost / priced, money.currency)} a kWh on average."
        )
    bare = ""
    if money.unpriced_kwh >= 1:
        bare = f" {kwh(money.unpriced_kwh)} have no price on record and are not in it."
    return How(
        "the cost of the electricity",
        (
            "Sum over all hours of kWh × the price of the hour = "
            f"{fmt.money(money.energy_cost, money.currency)}.{mean}{bare}",
            f"{_KNOWN} {_tariffs(site)}",
        ),
        _files(site.id),
    )


def standing_charge(site: Site, money: Money) -> How:
    """Standing charge."""
    return How(
        "the standing charge",
        (
            "Sum over the days of the standing charge a day of the tariff in force = "
            f"{fmt.money(money.standing_cost, money.currency)}, for the whole house; of a day in "
            "part left out by agreement only the share that counts.",
        ),
        (("The terms and the meters", f"/site/{site.id}#promise"),),
    )


def extra_cost(site: Site, account: Account, promise: float, money: Money) -> How | None:
    """Electricity beyond the promise and its price."""
    if money.extra_kwh is None:
        return None
    return How(
        "the cost beyond the promise",
        (
            f"Extra electricity = E − Q / promise = {kwh(account.electricity_kwh)} − "
            f"{kwh(account.heat_kwh)} / {fmt.promise(promise)} = {kwh(money.extra_kwh)}, priced "
            f"hour by hour: {fmt.money(money.extra_cost, money.currency)}.",
            f"{_KNOWN} {_tariffs(site)}",
        ),
        _files(site.id),
    )


def remedy(site: Site, standing: Standing) -> How | None:
    """What the terms give for a broken promise."""
    money, terms, account = standing.money, site.current_terms, standing.account
    if money is None or terms is None or account is None:
        return None
    if terms.remedy == "none":
        return How("the remedy", ("The terms agree on no remedy.",))
    extra = "" if money.extra_kwh is None else f" = {kwh(money.extra_kwh)} so far"
    return How(
        "the remedy",
        (
            f"By the terms, version {terms.version}: the extra electricity E − Q / promise{extra}, "
            "at the tariff in force, never below zero; nothing is owed for a promise that is kept.",
            f"The bounds take the ends of the 95 % interval of the SPF, u = "
            f"{account.u_spf or 0.0:.3f}, and the lowest and highest price where one is not "
            "certain. It is owed only once the promise is settled.",
        ),
        (("Its hours (CSV)", f"/download/{site.id}/hours.csv?period=guarantee"),),
    )


def former(site: Site, found: BoilerComparison) -> How:
    """What the same heat would have cost before."""
    return How(
        "the cost with the former heating",
        (
            f"Fuel = heat / efficiency = {kwh(found.heat_kwh)} / {found.efficiency.best:.3g} = "
            f"{kwh(found.fuel_kwh.best)}, each at the price of its day: "
            f"{fmt.money(found.fuel_cost.best, found.currency)}.",
            f"{found.efficiency_from} Compared are {fmt.number(found.hours)} hours in which heat, "
            "electricity and both prices are known.",
        ),
        _files(site.id),
    )


def saved(site: Site, found: BoilerComparison) -> How:
    """Difference to the former heating."""
    money = [
        fmt.money(amount, found.currency)
        for amount in (
            found.fuel_cost.best,
            found.standing_saved,
            found.heat_pump_cost.best,
            found.saved.best,
        )
    ]
    return How(
        "the difference to the former heating",
        (
            "Saved = cost of the fuel + its standing charge − cost of the electricity = "
            f"{money[0]} + {money[1]} − {money[2]} = {money[3]}.",
            "The bounds take the worst and the best of everything at once: efficiency "
            f"{found.efficiency.low:.3g} to {found.efficiency.high:.3g}, and prices where they are "
            "not certain. The standing charge of electricity is paid either way.",
        ),
        _files(site.id),
    )


def emitted(site: Site, found: Carbon, emission: Emission) -> How:
    """Carbon of the electricity."""
    bare = ""
    if found.without_factor_kwh >= 1:
        bare = f"; {kwh(found.without_factor_kwh)} have no factor and are not in it"
    return How(
        "the carbon of the electricity",
        (
            f"Sum over all hours of kWh × the factor of the day: {kwh(found.electricity_kwh)} give "
            f"{fmt.number(emission.best)} kg of CO₂ equivalent{bare}.",
            f"Factors: {trade_words.factors(found)}; their sources stand below. Emissions at the "
            f"place of generation, without losses of the grid. {_KNOWN}",
        ),
        _files(site.id),
    )


def carbon_saved(site: Site, found: Carbon) -> How | None:
    """Carbon saved against the former heating."""
    if found.boiler is None or found.saved is None:
        return None
    return How(
        "the carbon saved",
        (
            f"Saved = fuel of the former heating × its factor − electricity × its factor = "
            f"{fmt.number(found.boiler.best)} − {fmt.number(found.boiler.best - found.saved.best)} "
            f"= {fmt.number(found.saved.best)} kg, for {kwh(found.compared_heat_kwh)} of heat in "
            "hours in which both have a factor.",
            f"Factors: {trade_words.factors(found)}. Fuel counts by gross calorific value, as "
            "bills count it.",
        ),
        _files(site.id),
    )


def split(found: Shortfall) -> How:
    """The shortfall as a whole."""
    return How(
        "the split of the shortfall",
        (
            f"Promise less SPF so far = {fmt.promise(found.promise)} − {found.measured:.3f} = "
            f"{fmt.signed(found.gap_spf, 3)}. The home's energy model says what the SPF would have "
            "been with each cause as expected and as it was; each cause gets its mean change over "
            "all orders (Shapley value), so that the causes add up exactly.",
            f"{fmt.plural(found.days, 'whole day')} from {fmt.day(found.period_start)} on; the "
            f"intervals come from {fmt.number(found.draws)} draws of model, meters and expectation "
            f"(seed {found.seed}). An estimate: none of it enters a measured figure (rule R9).",
        ),
        (
            ("Every share (CSV)", f"/download/{found.site}/shortfall.csv"),
            ("The days (CSV)", f"/download/{found.site}/daily.csv?period=guarantee"),
        ),
    )


def share(found: Shortfall, one: Share, name: str, price: float | None) -> How | None:
    """One cause of the shortfall."""
    if one.spf is None:
        return None
    lines = [
        f"{fmt.signed(one.spf, 3)} of the {fmt.signed(found.gap_spf, 3)} SPF: the mean change of "
        "the model's SPF when this cause goes from expected to as it was, over all orders of the "
        f"causes; 95 % interval {fmt.signed(one.low, 3)} to {fmt.signed(one.high, 3)} from "
        f"{fmt.number(found.draws)} draws.",
        f"Held against: {one.assumed}",
    ]
    if one.kwh is not None:
        worth = f"The same for the electricity of the heat measured: {kwh(one.kwh)}"
        if one.money is not None and price is not None:
            worth += (
                f" × {fmt.price(price, found.currency or '')} a kWh, the mean price so far, = "
                f"{fmt.money(one.money, found.currency)}"
            )
        lines.append(f"{worth}.")
    return How(name, tuple(lines))


def together(found: Shortfall, price: float | None) -> How:
    """The sum of the causes."""
    known = [s.spf for s in found.shares if s.spf is not None]
    lines = [
        f"{' + '.join(fmt.signed(value, 3) for value in known)} = {fmt.signed(found.gap_spf, 3)}, "
        f"which is {fmt.promise(found.promise)} − {found.measured:.3f}.",
        f"Extra electricity E − Q / promise = {kwh(found.extra_kwh)}"
        + (
            ""
            if price is None or found.money is None
            else f" × {fmt.price(price, found.currency or '')} a kWh = "
            f"{fmt.money(found.money, found.currency)}"
        )
        + ".",
    ]
    return How("the whole shortfall", tuple(lines))


def exclusion(effect: ExclusionEffect, spf: float | None, site: Site) -> How:
    """What one exclusion does to the SPF."""
    return How(
        "the SPF with these hours counted",
        (
            f"The same sums twice: without the {fmt.plural(effect.hours, 'hour')} of this stretch, "
            f"SPF {fmt.spf(spf)}, and with them put back, SPF "
            f"{fmt.spf(effect.spf_with_it_counted)}; everything else as it is.",
            "A bridged stretch that reaches into an exclusion is not used (rule R7).",
        ),
        _files(site.id),
    )


def drafted(before: Account, after: Account) -> How:
    """What an exclusion that is not entered would do."""
    sums = [
        f"{kwh(a.heat_kwh)} / {kwh(a.electricity_kwh)} = {fmt.spf(a.spf)}" for a in (before, after)
    ]
    return How(
        "the effect of these hours",
        (
            f"The same account twice. As it is: {sums[0]}. With these hours left out: {sums[1]}.",
            "The probability is Φ((SPF − promise) / u), and the last column is the decision rule "
            "of the terms, both on the SPF as measured (JCGM 106).",
        ),
    )


def effect(finding: Finding, site_id: str, number: int, standing: Standing | None) -> How | None:
    """What a finding costs."""
    cost = finding.effect
    account = standing.account if standing else None
    if cost is None:
        return None
    lines = []
    if account is not None and account.spf is not None:
        lines.append(
            f"Without it the SPF so far would be {account.spf:.2f} + {fmt.signed(cost.spf)} = "
            f"{account.spf + cost.spf:.2f}; 95 % interval of the difference "
            f"{fmt.interval(cost.low, cost.high)}, from the evidence of the finding."
        )
    if not cost.kwh_year:
        lines.append("No electricity is lost: the meters show too little or too much.")
    else:
        year = "The electricity of its window, brought to 365.25 days: "
        year += f"{fmt.number(cost.kwh_year)} kWh"
        if cost.money_year is not None:
            year += (
                f" × {fmt.price(cost.money_year / cost.kwh_year, cost.currency or '')} a kWh, the "
                f"mean price so far, = {fmt.money(cost.money_year, cost.currency)} a year"
            )
        lines.append(f"{year}.")
        if finding.at_stake is not None and finding.days_left and cost.money_year is not None:
            lines.append(
                f"At stake: {fmt.money(cost.money_year, cost.currency)} × {finding.days_left} / "
                f"365.25 = {fmt.money(finding.at_stake, cost.currency)}."
            )
    lines.append(f"{_seen(finding)}An estimate: it enters no measured figure (rule R9).")
    return How(
        "what it costs",
        tuple(lines),
        (("The evidence, with its data", f"/site/{site_id}/finding/{number}"),),
    )


def _seen(finding: Finding) -> str:
    def day(moment: datetime) -> str:
        return fmt.day(moment.date())

    if finding.window_start is None or finding.window_end is None:
        return ""
    return f"Seen from {day(finding.window_start)} to {day(finding.window_end)}. "
