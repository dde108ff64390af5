"""How each measured figure of a site came about: formula, period, boundary, meters, source.

Every answer is written from the objects that the figure itself was written from; nothing is
computed here a second time.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

import polars as pl

from dashboard import data, trade_words
from dashboard import format as fmt
from dashboard.view_models import How
from monitor.guarantee.standing import Standing
from monitor.metrics.account import RUNNING_SHARE, Account
from monitor.metrics.uncertainty import K_95, BudgetLine
from monitor.models import Assumption, Kind, Role, Site

#: How the energy of an hour comes from readings, by the kind of the channel.
_HOURS: Final = {
    Kind.REGISTER: "an hour is the rise of the register, with the full hour placed between "
    "readings at most two hours apart (rules R1 and R2)",
    Kind.INTERVAL: "an hour is the sum of the intervals that cover it (rule R3)",
    Kind.POWER: "an hour is the power read, held until the next reading and no longer than a "
    "quarter of an hour (rule R4)",
}


def kwh(energy: float) -> str:
    """Energy with the decimals that let a sum be checked."""
    return f"{fmt.number(energy, 1)}{fmt.NBSP}kWh"


def levels(site_id: str, key: str, days: int) -> tuple[tuple[str, str], ...]:
    """From a period down: its days, its hours, and its readings with file and line."""
    found = [
        (words, f"/download/{site_id}/{what}.csv?period={key}")
        for words, what in (("Its days (CSV)", "daily"), ("Its hours (CSV)", "hours"))
    ]
    if days <= data.MOST_READING_DAYS:
        readings = f"/download/{site_id}/readings.csv?period={key}"
        found.append(("Its readings with file and line (CSV)", readings))
    else:
        found.append(
            ("Its months, each down to its readings", f"/site/{site_id}?period={key}#months")
        )
    return tuple(found)


def below(
    record: data.Record, chosen: data.Period, *, skip: int = 0
) -> tuple[tuple[str, str], ...]:
    """As `levels`, of a period that a page shows; `skip` levels are above the figure."""
    return levels(record.site.id, chosen.key, data.days_of(chosen.window))[skip:]


def guarantee(record: data.Record) -> data.Period:
    """The period of the promise, or the whole record where nothing was promised."""
    return data.period(record, "guarantee" if record.site.current_terms else "all")


def _stretch(site: Site, account: Account) -> str:
    first, end = (t.astimezone(site.tz) for t in (account.start_utc, account.end_utc))
    return f"{fmt.moment(first)} to {fmt.moment(end)}"


def _metered(record: data.Record, account: Account) -> list[str]:
    chosen = record.recipe
    if chosen is None:
        return []
    said = (
        f"Boundary {account.boundary} (SEPEMO): {trade_words.recipe(chosen)}. Meters: "
        f"{trade_words.meters(record.site, chosen.streams)}."
    )
    if account.assumption is not None:
        said += f" Assumed: {Assumption(account.assumption).sentence}"
    return [said]


def _known(account: Account) -> str:
    hours = account.hours
    said = (
        f"{fmt.number(hours.measured + hours.bridged)} of {fmt.number(hours.total)} hours: "
        f"{fmt.number(hours.measured)} measured, {fmt.number(hours.bridged)} bridged (total known, "
        f"course not), {fmt.number(hours.missing)} missing"
    )
    if account.excluded_hours:
        said += f"; {fmt.number(account.excluded_hours)} more are left out by agreement"
    return said


def spf(record: data.Record, account: Account | None, chosen: data.Period) -> How | None:
    """An SPF with its interval."""
    if account is None or account.spf is None or account.u_spf is None:
        return None
    low, high = account.spf - K_95 * account.u_spf, account.spf + K_95 * account.u_spf
    return How(
        "SPF",
        (
            f"SPF = heat / electricity = {kwh(account.heat_kwh)} / {kwh(account.electricity_kwh)} "
            f"= {account.spf:.3f}. The 95 % interval is that ± {K_95} × u = ± {K_95} × "
            f"{account.u_spf:.3f}, so {low:.3f} to {high:.3f} (JCGM 100; the uncertainty budget "
            "says what u is made of).",
            f"{_stretch(record.site, account)}, over the hours in which every stream of the "
            f"boundary is known, {_known(account)}. No hour is filled in (rules R7 and R9).",
            *_metered(record, account),
        ),
        below(record, chosen),
    )


def coverage(record: data.Record, account: Account | None) -> How | None:
    """Share of the hours that is known."""
    if account is None or record.recipe is None:
        return None
    hours = account.hours
    return How(
        "coverage",
        (
            f"Coverage = known hours / hours = ({fmt.number(hours.measured)} + "
            f"{fmt.number(hours.bridged)}) / {fmt.number(hours.total)} = "
            f"{fmt.fine_share(account.coverage)}, measured and bridged hours together.",
            f"{_stretch(record.site, account)}. An hour is known where each of these is: "
            f"{fmt.listing([trade_words.ROLES[r] for r in record.recipe.streams])} (rule R7). The "
            f"account is whole: {_known(account)} (rule R10).",
        ),
        below(record, guarantee(record)),
    )


def last_reading(record: data.Record) -> How | None:
    """Age of the newest reading."""
    if record.standing is None or record.standing.newest_reading is None or record.recipe is None:
        return None
    return How(
        "the last reading",
        (
            "The newest time stamp among all readings of "
            f"{fmt.listing([trade_words.ROLES[r] for r in record.recipe.streams])}, local time, "
            "whatever became of the reading.",
        ),
        (("What came in", f"/site/{record.site.id}#imports"),),
    )


def left(standing: Standing) -> How | None:
    """Days left of the period."""
    if standing.period_start is None or standing.period_end is None:
        return None
    stretch = fmt.stretch(standing.period_start, standing.period_end)
    return How(
        "the guarantee period",
        (f"Start and length stand in the terms: {stretch}. Days left are counted from today.",),
        (("The terms in full", f"/site/{standing.site}#promise"),),
    )


def course(record: data.Record, account: Account, chosen: data.Period) -> How:
    """The cumulative SPF."""
    return How(
        "the course of the SPF",
        (
            "Each point is heat / electricity, both summed from the start of the period to the end "
            f"of that day; the last one is {kwh(account.heat_kwh)} / "
            f"{kwh(account.electricity_kwh)} = {account.spf or 0.0:.3f}. Band: ± {K_95} × u of the "
            "same days.",
            f"{_stretch(record.site, account)}, {_known(account)}.",
            *_metered(record, account),
        ),
        (
            ("Every point (CSV)", f"/download/{record.site.id}/cumulative.csv"),
            *below(record, chosen),
        ),
    )


def _newest(by_day: pl.DataFrame, *needed: str) -> dict[str, Any] | None:
    """Newest day that is measured in full, as the example."""
    whole = by_day.filter(
        (pl.col("status") == "whole") & pl.all_horizontal(pl.col(c).is_not_null() for c in needed)
    )
    return whole.row(-1, named=True) if whole.height else None


def days(record: data.Record, by_day: pl.DataFrame, chosen: data.Period) -> How | None:
    """Heat and electricity per day."""
    if record.recipe is None:
        return None
    lines = [
        "A bar is the sum over the hours of the local day in which every stream of the boundary "
        "is known; a bridged stretch counts on a day only if it lies inside it (rule R7).",
    ]
    day = _newest(by_day, "spf")
    if day is not None:
        lines.append(
            f"Example, {fmt.day(day['first'])}: {day['hours_measured']} h measured, "
            f"{kwh(day['heat_kwh'])} of heat / {kwh(day['electricity_kwh'])} = COP "
            f"{day['spf']:.2f}."
        )
    lines.append(
        f"Boundary {record.recipe.boundary}: {trade_words.recipe(record.recipe)}. Meters: "
        f"{trade_words.meters(record.site, record.recipe.streams)}."
    )
    return How("heat and electricity per day", tuple(lines), below(record, chosen, skip=1))


def cop(record: data.Record, shown: pl.DataFrame, chosen: data.Period) -> How:
    """Daily COP against the weather."""
    lines = [
        "COP of a day = its heat / its electricity, over the same hours; outdoor temperature = "
        "mean of the day, weighted with the time that its samples cover.",
    ]
    day = _newest(shown, "spf", "outdoor_c")
    if day is not None:
        lines.append(
            f"Example, {fmt.day(day['first'])}: {kwh(day['heat_kwh'])} / "
            f"{kwh(day['electricity_kwh'])} = {day['spf']:.2f} at "
            f"{fmt.temperature(day['outdoor_c'])}."
        )
    roles = [*(record.recipe.streams if record.recipe else ()), Role.OUTDOOR_TEMP]
    lines.append(f"Meters: {trade_words.meters(record.site, roles)}.")
    return How("COP against outdoor temperature", tuple(lines), below(record, chosen, skip=1))


def flow(record: data.Record, hours: pl.DataFrame, chosen: data.Period) -> How:
    """Flow temperature against the weather."""
    pump = record.site.heat_pump
    lines = [
        f"A point stands for hours with more than {RUNNING_SHARE:g} × {pump.nominal_heat_kw:g} kW "
        f"= {RUNNING_SHARE * pump.nominal_heat_kw:.1f} kWh of heat (common practice, no source); "
        f"both temperatures are means of the hour. {fmt.plural(hours.height, 'hour')} of this "
        "period have all three.",
    ]
    if pump.design_flow_temp_c is not None and pump.design_outdoor_temp_c is not None:
        line = (
            f"The design curve is the line of the site's description: "
            f"{fmt.temperature(pump.design_flow_temp_c)} at "
            f"{fmt.temperature(pump.design_outdoor_temp_c)} outdoors"
        )
        if pump.flow_temp_at_15_c is not None:
            line += f", {fmt.temperature(pump.flow_temp_at_15_c)} at 15 °C"
        lines.append(f"{line}.")
    heat = Role.HEAT_SPACE if Role.HEAT_SPACE in record.site.roles else Role.HEAT_TOTAL
    roles = (heat, Role.FLOW_TEMP, Role.OUTDOOR_TEMP)
    lines.append(f"Meters: {trade_words.meters(record.site, roles)}.")
    every = (
        "Every hour of the chart (CSV)",
        f"/download/{record.site.id}/flow.csv?period={chosen.key}",
    )
    return How("flow temperature", tuple(lines), (every, *below(record, chosen, skip=2)))


def calendar(record: data.Record, by_day: pl.DataFrame) -> How:
    """What is known day by day."""
    # The day that runs is a poor example.
    day = by_day.row(-2 if by_day.height > 1 else -1, named=True)
    streams = record.recipe.streams if record.recipe else ()
    return How(
        "what is known, day by day",
        (
            "A day is measured in full if all of its hours are, for every stream of the boundary: "
            f"{fmt.listing([trade_words.ROLES[r] for r in streams])}. It is bridged where only the "
            "total of some hours is known, and known in part where some are missing.",
            f"Example, {fmt.day(day['first'])}: {day['hours_measured']} h measured, "
            f"{day['hours_bridged']} h bridged and {day['hours_missing']} h missing of "
            f"{day['hours_total']} h. A day of a clock change has 23 or 25 h.",
        ),
        levels(record.site.id, "all", by_day.height),
    )


def months(record: data.Record, by_month: pl.DataFrame) -> How | None:
    """The table of months and seasons."""
    shown = by_month.filter(pl.col("spf").is_not_null())
    if shown.height == 0 or record.recipe is None:
        return None
    row = shown.row(-1, named=True)
    return How(
        "the months",
        (
            f"Example, {row['name']}: {kwh(row['heat_kwh'])} / {kwh(row['electricity_kwh'])} = SPF "
            f"{row['spf']:.3f}, over {fmt.number(row['hours_measured'] + row['hours_bridged'])} of "
            f"{fmt.number(row['hours_total'])} hours = coverage {fmt.fine_share(row['coverage'])}.",
            "Months are local ones. Each is its own account: a bridged stretch across their edge "
            "is in neither, so months may add up to less than the period (rule R7).",
        ),
        levels(record.site.id, f"{row['first']:%Y-%m}", (row["end"] - row["first"]).days),
    )


def stream(record: data.Record, row: dict[str, Any], chosen: data.Period) -> How:
    """Energy of one stream in its known hours."""
    role = Role(row["role"])
    known = row["hours_measured"] + row["hours_bridged"]
    kinds = {c.kind for fit in record.site.meter for c in fit.channel if c.role is role}
    return How(
        trade_words.ROLES[role],
        (
            f"{kwh(row['kwh'])} is the sum of its {fmt.number(known)} known hours of "
            f"{fmt.number(known + row['hours_missing'])}; nothing stands in for the missing ones. "
            "It may hold hours that the SPF does not use, because another stream is not known in "
            "them.",
            f"Meters: {trade_words.meters(record.site, [role])}; "
            f"{fmt.listing([_HOURS[kind] for kind in sorted(kinds) if kind in _HOURS])}.",
        ),
        below(record, chosen, skip=1),
    )


def budget(lines: Iterable[BudgetLine], u_spf: float, names: Iterable[str]) -> tuple[How, ...]:
    """Each line of an uncertainty budget, and what they make together."""
    every = tuple(lines)
    out = []
    for line, name in zip(every, names, strict=True):
        share = (line.u_spf / u_spf) ** 2 if u_spf else 0.0
        kind = (
            "known only to lie within ± the limit: limit / √3 (JCGM 100, 4.3.7)"
            if line.distribution == "rectangular"
            else "given as a standard deviation: divisor 1"
        )
        out.append(
            How(
                name,
                (
                    f"u = |sensitivity| × limit / divisor = {abs(line.sensitivity):.4g} × "
                    f"{line.limit:.3g} / {line.divisor:.3f} = {line.u_spf:.4f} SPF, "
                    f"{fmt.share(share)} of the variance; {kind}.",
                    f"Taken from: {line.detail}",
                ),
            )
        )
    squares = " + ".join(f"{line.u_spf:.4f}²" for line in every if line.u_spf)
    out.append(
        How(
            "the standard uncertainty",
            (
                f"u = √({squares}) = {u_spf:.4f} SPF (JCGM 100, 5.1.2). Meter errors are "
                "systematic: they do not average out over time.",
            ),
        )
    )
    return tuple(out)
