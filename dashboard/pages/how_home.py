"""How each figure of the homeowner's page came about, in words for everybody.

The figures are those of the page's own objects; nothing is computed here a second time.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Final

from dashboard import format as fmt
from dashboard import home_data, trade_words
from dashboard.view_models import How
from monitor.guarantee.boiler import BoilerComparison
from monitor.guarantee.carbon import Carbon
from monitor.guarantee.money import Money
from monitor.guarantee.outlook import Outlook
from monitor.metrics.account import Account
from monitor.models import Role, Site

#: Where a household finds what its figures are made from.
MONTHS: Final = ("Month by month", "#months")
READINGS: Final = ("All your readings (a zip file)", "/own-data.zip")

_BOTH: Final = "We only count hours in which heat and electricity were both read."


def _kwh(energy: float) -> str:
    return f"{fmt.number(energy, 1)}{fmt.NBSP}kWh"


def _days(site: Site, account: Account) -> str:
    first, end = (t.astimezone(site.tz) for t in (account.start_utc, account.end_utc))
    return f"from {fmt.day(first.date())} to {fmt.moment(end)}"


def _hours(account: Account) -> str:
    known = account.hours.measured + account.hours.bridged
    return f"{fmt.number(known)} of {fmt.number(account.hours.total)} hours"


def _meters(home: home_data.Home) -> str:
    chosen = home.record.recipe
    if chosen is None:
        return ""
    return f"The meters are {trade_words.meters(home.record.site, chosen.streams)}."


def spf(home: home_data.Home) -> How | None:
    """Heat for each kWh of electricity."""
    account, chosen = home.account, home.record.recipe
    if account is None or account.spf is None or account.u_spf is None or chosen is None:
        return None
    return How(
        "heat for each kWh of electricity",
        (
            f"We add up all heat and all electricity, {_days(home.record.site, account)}. Then we "
            f"divide: {_kwh(account.heat_kwh)} / {_kwh(account.electricity_kwh)} = "
            f"{account.spf:.2f}.",
            f"{_BOTH} That is {_hours(account)}. {_meters(home)}",
            "The range comes from the errors that such meters are allowed (EN 1434 for heat, MID "
            "for electricity), and from hours that are missing.",
        ),
        (MONTHS, READINGS),
    )


def outlook(ahead: Outlook) -> How:
    """What is expected at the end."""
    return How(
        "what we expect at the end",
        (
            f"A computer plays the rest of the time {fmt.number(ahead.members)} times. Each time "
            "the weather is another one. It learns from your own past days how much your home "
            "needs.",
            f"Half of the plays end above {fmt.spf(ahead.median)}, and nine out of ten end between "
            f"{fmt.spf(ahead.low_90)} and {fmt.spf(ahead.high_90)}. The chance is the share of "
            "plays in which the promise is kept.",
            f"It is a forecast. It ends with {fmt.day(ahead.period_end - timedelta(days=1))}, and "
            "it changes nothing in what was measured.",
        ),
    )


def heat(home: home_data.Home, account: Account) -> How:
    """Heat for the home."""
    return How(
        "the heat",
        (
            f"It is what the heat meter counted, {_days(home.record.site, account)}: "
            f"{_kwh(account.heat_kwh)}.",
            f"{_BOTH} That is {_hours(account)}. {_meters(home)}",
        ),
        (MONTHS, READINGS),
    )


def electricity(home: home_data.Home, account: Account) -> How:
    """Electricity that made it."""
    return How(
        "the electricity",
        (
            f"It is what the electricity meter of the heat pump counted, "
            f"{_days(home.record.site, account)}: {_kwh(account.electricity_kwh)}.",
            f"{_BOTH} That is {_hours(account)}. {_meters(home)}",
        ),
        (MONTHS, READINGS),
    )


def cost(account: Account, money: Money) -> How:
    """Cost of the electricity."""
    priced = account.electricity_kwh - money.unpriced_kwh
    mean = ""
    if priced > 0:
        mean = f", {fmt.price(money.energy_cost / priced, money.currency)} on average"
    return How(
        "the cost",
        (
            f"We take the electricity of each hour times your price in that hour{mean}: "
            f"{_kwh(priced)} cost {fmt.money(money.energy_cost, money.currency)}.",
            f"{_BOTH} The prices are those that your installer has put on record.",
        ),
        (MONTHS,),
    )


def saved(found: BoilerComparison) -> How:
    """Cost against the old heating."""
    fuel, standing, pump, difference = (
        fmt.money(amount, found.currency)
        for amount in (
            found.fuel_cost.best,
            found.standing_saved,
            found.heat_pump_cost.best,
            found.saved.best,
        )
    )
    return How(
        "the difference to your old heating",
        (
            f"For the same {_kwh(found.heat_kwh)} of heat your old heating would have burnt "
            f"{_kwh(found.heat_kwh)} / {found.efficiency.best:.3g} = "
            f"{_kwh(found.fuel_kwh.best)} of fuel. That would have cost {fuel}.",
            f"With {standing} for its standing charge, less {pump} for the electricity, that makes "
            f"{difference}.",
            f"{found.efficiency_from}",
        ),
        (MONTHS,),
    )


def carbon(found: Carbon) -> How | None:
    """Greenhouse gas against the old heating."""
    if found.boiler is None or found.saved is None:
        return None
    now = found.boiler.best - found.saved.best
    return How(
        "the greenhouse gas",
        (
            f"For the same heat the old heating would have given off "
            f"{fmt.number(found.boiler.best)} kg. Making the electricity gave off "
            f"{fmt.number(now)} kg. The difference is {fmt.number(found.saved.best)} kg.",
            f"Each kWh counts as: {trade_words.factors(found)}.",
        ),
    )


def coverage(account: Account) -> How:
    """Share of the hours that was measured."""
    return How(
        "how much we could measure",
        (
            f"Both meters were read in {_hours(account)}. That is {fmt.share(account.coverage)}.",
            "Of the other hours we know nothing, and we do not guess.",
        ),
        (("What we could not measure", "#gaps"), READINGS),
    )


def spent(one: home_data.Spent) -> How | None:
    """Cost of one stretch beside the old heating."""
    if one.cost is None:
        return None
    lines = [
        f"From {fmt.stretch(one.window.first, one.window.end)} we know "
        f"{fmt.share(one.coverage)} of the hours. In them {_kwh(one.electricity_kwh)} of "
        f"electricity gave {_kwh(one.heat_kwh)} of heat. At your price that cost "
        f"{fmt.money(one.cost.energy_cost, one.cost.currency)}."
    ]
    before = one.compared
    if before is not None and before.heat_kwh > 0:
        lines.append(
            f"Old heating: {_kwh(before.heat_kwh)} / {before.efficiency.best:.3g} = "
            f"{_kwh(before.fuel_kwh.best)} of fuel, "
            f"{fmt.money(before.fuel_cost.best, before.currency)}, and "
            f"{fmt.money(before.standing_saved, before.currency)} of standing charge. "
            f"{before.efficiency_from}"
        )
    return How(one.window.name.lower(), tuple(lines))


def warmth(home: home_data.Home) -> How | None:
    """Mean room temperature of a week."""
    if home.room_week_c is None:
        return None
    meters = trade_words.meters(home.record.site, [Role.ROOM_TEMP])
    return How(
        "how warm it was",
        (
            "It is the mean of all that the room sensor has sent in the last seven days: "
            f"{fmt.temperature(home.room_week_c)}. The sensor is {meters}.",
            "One sensor sees one place. Other rooms may be colder or warmer.",
        ),
    )


def hot_water(home: home_data.Home) -> How | None:
    """Heat and temperature of the hot water."""
    lines = []
    if home.water_kwh_day is not None:
        lines.append(
            f"{_kwh(home.water_kwh_day)} a day is the hot water heat of the last 30 days over the "
            f"hours in which it is known, times 24. The meter is "
            f"{trade_words.meters(home.record.site, [Role.HEAT_DHW])}."
        )
    if home.cylinder_high_c is not None:
        lines.append(
            f"{fmt.temperature(home.cylinder_high_c)} is the warmest hour that the tank sensor has "
            f"seen in seven days: {trade_words.meters(home.record.site, [Role.DHW_TEMP])}. For a "
            "shorter time it may have been hotter."
        )
    return How("the hot water", tuple(lines)) if lines else None


def gaps(home: home_data.Home) -> How | None:
    """Hours that are not known."""
    gap = home.gap
    if gap is None:
        return None
    since: date = home.window.first
    return How(
        "what we could not measure",
        (
            f"Since {fmt.day(since)} there were {fmt.number(gap.of_hours)} hours. We look at each: "
            f"in {fmt.number(gap.hours)} of them one of the meters told nothing.",
            "If a meter that counts up goes silent for a while, we still know the sum, and those "
            "hours are not missing.",
        ),
    )


def months(home: home_data.Home) -> How | None:
    """Heat and electricity by month."""
    known = [r for r in home.months.iter_rows(named=True) if r["electricity_kwh"] > 0]
    if not known:
        return None
    row = known[-1]
    hours = row["hours_measured"] + row["hours_bridged"]
    return How(
        "the months",
        (
            f"A bar is all that was counted in the month. In {row['first']:%B %Y} it was "
            f"{_kwh(row['heat_kwh'])} of heat from {_kwh(row['electricity_kwh'])} of electricity, "
            f"in {fmt.number(hours)} of {fmt.number(row['hours_total'])} hours.",
            f"{_BOTH} Each hour comes from the readings of your meters.",
        ),
        (READINGS,),
    )
