"""Charts of one site with their sentences and their data."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Final

import polars as pl

from dashboard import charts, data, hour_data, trade_words
from dashboard import format as fmt
from dashboard.pages import how_site, site_text
from dashboard.picture import Picture
from dashboard.view_models import How, Table
from monitor.metrics.account import RUNNING_SHARE
from monitor.models import Role


@dataclass(frozen=True)
class FigureBlock:
    """A chart with its sentence and its data; without `figure` only the sentence."""

    key: str
    title: str
    caption: str
    figure: Picture | None = None
    table: Table | None = None
    note: str = ""
    how: How | None = None


def course_block(record: data.Record) -> FigureBlock:
    """Cumulative SPF over the guarantee period."""
    title = "SPF since the start of the guarantee period"
    if record.recipe is None:
        return FigureBlock("cumulative", title, record.why_not)
    terms = record.site.current_terms
    chosen = data.period(record, "guarantee" if terms else "all")
    if terms is None:
        title = "SPF since the record began"
    frame = data.cumulative(record, chosen.window)
    account = data.window_account(record, chosen.window)
    if account is None or account.spf is None:
        return FigureBlock(
            "cumulative", title, "There is no SPF yet: no hour is known for every stream."
        )
    label = f"SPF so far {fmt.spf(account.spf, account.u_spf)}"
    model = charts.Course(
        frame,
        terms.promised_spf if terms else None,
        str(record.recipe.boundary),
        chosen.window.first,
        chosen.window.end,
        label,
        record.outlook.fan if record.outlook else (),
    )
    words = fmt.stretch(chosen.window.first, min(chosen.window.end, record.today + timedelta(1)))
    picked = frame.with_row_index().filter(
        (pl.col("index") % 7 == (frame.height - 1) % 7) & pl.col("spf").is_not_null()
    )
    rows = tuple(
        (
            fmt.short_day(r["day"]),
            f"{r['spf']:.2f}",
            f"{r['low']:.2f} to {r['high']:.2f}",
            fmt.share(r["coverage"]),
        )
        for r in picked.iter_rows(named=True)
    )
    return FigureBlock(
        "cumulative",
        title,
        f"{site_text.summary(account, words)} The band is the 95 % interval; the line pauses "
        f"where nothing became known. {site_text.fan_says(record.outlook)}".rstrip(),
        charts.course(model),
        Table(("Day", "SPF since the start", "95 % interval", "Coverage"), rows, frozenset({1, 3})),
        "Every seventh day; the file has them all.",
        how_site.course(record, account, chosen),
    )


def days_block(record: data.Record, by_day: pl.DataFrame, chosen: data.Period) -> FigureBlock:
    """Heat and electricity per day."""
    title = "Heat and electricity per day"
    if record.recipe is None or by_day.height == 0:
        return FigureBlock("daily", title, record.why_not or "The period has not begun.")
    if not by_day.select(pl.any_horizontal(_day_is_known(), pl.col("in_run") > 0).any()).item():
        return FigureBlock(
            "daily", title, "In no hour of this period are heat and electricity both known."
        )
    count = {s: by_day.filter(pl.col("status") == s).height for s in _STATUS}
    said = [f"{fmt.plural(count['whole'], 'day')} measured in full"]
    said += [f"{count[s]} {words}" for s, words in _STATUS.items() if s != "whole" and count[s]]
    rows = tuple(
        (
            fmt.short_day(r["first"]),
            fmt.number(r["heat_kwh"], 1) if _day_known(r) else fmt.NOTHING,
            fmt.number(r["electricity_kwh"], 1) if _day_known(r) else fmt.NOTHING,
            fmt.spf(r["spf"]),
            fmt.temperature(r["outdoor_c"]),
            r["status"],
        )
        for r in by_day.iter_rows(named=True)
    )
    return FigureBlock(
        "daily",
        title,
        f"{fmt.listing(said)}. Orange is heat, blue the electricity that made it. Paler bars hold "
        "only the known part of a day; hatched days hold bridged hours; a grey stretch is not "
        "known; in a pink one only the total is known, which belongs to no single day.",
        charts.energy_days(by_day),
        Table(
            ("Day", "Heat, kWh", "Electricity, kWh", "COP", "Outdoors", "Known"),
            rows,
            frozenset({1, 2, 3, 4}),
        ),
        how=how_site.days(record, by_day, chosen),
    )


_STATUS: Final = {
    "whole": "measured in full",
    "bridged": "with bridged hours",
    "part": "known in part",
    "missing": "not known",
}


def _day_is_known() -> pl.Expr:
    return (pl.col("hours_measured") + pl.col("hours_bridged")) > 0


def _day_known(row: dict[str, int]) -> bool:
    return row["hours_measured"] + row["hours_bridged"] > 0


def cop_block(record: data.Record, by_day: pl.DataFrame, chosen: data.Period) -> FigureBlock:
    """Daily COP against the weather."""
    title = "Daily COP against outdoor temperature"
    if record.recipe is None:
        return FigureBlock("cop", title, record.why_not)
    if Role.OUTDOOR_TEMP not in record.site.roles:
        return FigureBlock("cop", title, _absent([Role.OUTDOOR_TEMP]))
    shown = by_day.filter(pl.col("spf").is_not_null() & pl.col("outdoor_c").is_not_null())
    if shown.height == 0:
        return FigureBlock(
            "cop", title, "No day of this period has both a COP and an outdoor temperature."
        )
    return FigureBlock(
        "cop",
        title,
        f"{fmt.plural(shown.height, 'day')} at {fmt.temperature(_least(shown, 'outdoor_c'))} to "
        f"{fmt.temperature(_most(shown, 'outdoor_c'))}. Larger points are days with more heat; "
        f"hollow ones are known only in part. Boundary {record.recipe.boundary}.",
        charts.cop_weather(shown),
        Table(
            ("Day", "Outdoors", "COP", "Heat, kWh"),
            tuple(
                (
                    fmt.short_day(r["first"]),
                    fmt.temperature(r["outdoor_c"]),
                    fmt.spf(r["spf"]),
                    fmt.number(r["heat_kwh"], 1),
                )
                for r in shown.sort("outdoor_c").iter_rows(named=True)
            ),
            frozenset({1, 2, 3}),
        ),
        how=how_site.cop(record, shown, chosen),
    )


def _least(frame: pl.DataFrame, column: str) -> float:
    return float(str(frame[column].min()))


def _most(frame: pl.DataFrame, column: str) -> float:
    return float(str(frame[column].max()))


def _absent(roles: list[Role]) -> str:
    words = fmt.listing([trade_words.ROLES[r] for r in roles])
    return f"This chart needs the {words}, which no meter of this site measures."


def flow_block(record: data.Record, period: data.Period) -> FigureBlock:
    """Flow temperature against the weather, with the design curve."""
    title = "Flow temperature against outdoor temperature, while heating"
    lacking = [r for r in (Role.FLOW_TEMP, Role.OUTDOOR_TEMP) if r not in record.site.roles]
    if lacking:
        return FigureBlock("flow", title, _absent(lacking))
    hours = hour_data.flow_hours(record, period.window)
    if hours.height == 0:
        return FigureBlock(
            "flow",
            title,
            "In no single hour of this period are heating, flow and outdoor temperature all known.",
        )
    pump = record.site.heat_pump
    curve = None
    if (
        pump.design_outdoor_temp_c is not None
        and pump.design_flow_temp_c is not None
        and pump.flow_temp_at_15_c is not None
    ):
        curve = charts.Curve(
            pump.design_outdoor_temp_c, pump.design_flow_temp_c, pump.flow_temp_at_15_c
        )
    hot_water = (
        "Hours of hot water are left out."
        if Role.HEAT_SPACE in record.site.roles
        else "One meter counts heat for rooms and hot water, so hours of hot water are among them "
        "and stand high."
    )
    line = (
        "The dashed line is the design curve."
        if curve
        else "The description of this site states no design curve."
    )
    bins = charts.flow_bins(hours)
    return FigureBlock(
        "flow",
        title,
        f"{fmt.plural(hours.height, 'hour')} with at least {fmt.share(RUNNING_SHARE)} of the "
        "nominal heat output, gathered by whole degrees; larger points hold more hours. "
        f"{line} {hot_water}",
        charts.flow_weather(bins, curve),
        Table(
            ("Outdoors", "Flow", "Hours"),
            tuple(
                (fmt.temperature(r["outdoor_c"]), fmt.temperature(r["flow_c"]), str(r["hours"]))
                for r in bins.iter_rows(named=True)
            ),
            frozenset({0, 1, 2}),
        ),
        "Middle of each degree; the file has every hour.",
        how_site.flow(record, hours, period),
    )
