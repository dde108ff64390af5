"""The data calendar: how much of each day is known, a month a row."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

import polars as pl

from dashboard import data, theme
from dashboard import format as fmt
from dashboard.pages import how_site
from dashboard.pages.site_figures import FigureBlock
from dashboard.picture import Picture
from dashboard.view_models import Table
from monitor.metrics.periods import Window

#: Most months that are shown; the file has them all.
MOST_MONTHS: Final = 25

#: State of a day: its sign, which tells it without colour, its colour and its words.
STATES: Final = {
    "whole": ("", theme.ELECTRICITY, "measured in full"),
    "bridged": ("/", "#8fbfdf", "known in total, bridged by registers"),
    "part": ("½", theme.OUTLOOK, "known in part"),
    "missing": ("×", theme.HEAT, "not known"),
    "excluded": ("–", theme.NEUTRAL, "left out by agreement"),
}


def block(record: data.Record) -> FigureBlock:
    """Calendar of a site's days, newest month at the top."""
    title = "What is known, day by day"
    if record.recipe is None:
        return FigureBlock("calendar", title, record.why_not)
    after = record.today + timedelta(days=1)
    first = max(record.first, (after - timedelta(days=30 * MOST_MONTHS)).replace(day=1))
    days = data.daily(record, Window("calendar", first, after))
    if record.slots.height == 0:
        return FigureBlock("calendar", title, "Nothing has come in yet.")
    if days.height == 0:
        return FigureBlock("calendar", title, "No day has passed yet.")
    months = (
        days.with_columns(pl.col("first").dt.strftime("%Y-%m").alias("month"))
        .group_by("month")
        .agg(*((pl.col("status") == state).sum().alias(state) for state in STATES))
        .sort("month", descending=True)
    )
    count = {state: int(days.filter(pl.col("status") == state).height) for state in STATES}
    said = [f"{fmt.plural(count[s], 'day')} {STATES[s][2]}" for s in STATES if count[s]]
    signs = [
        f"“{sign}” {words}" for state, (sign, _, words) in STATES.items() if sign and count[state]
    ]
    caption = f"{fmt.initial(fmt.listing(said))}, for every stream that the boundary needs."
    if signs:
        caption += f" In the picture: {', '.join(signs)}; no sign, measured in full."
    return FigureBlock(
        "calendar",
        title,
        caption,
        chart(days),
        Table(
            ("Month", *(fmt.initial(words) for _, _, words in STATES.values())),
            tuple(
                (row["month"], *(str(row[state]) for state in STATES))
                for row in months.iter_rows(named=True)
            ),
            frozenset(range(1, len(STATES) + 1)),
        ),
        "Days of each month.",
        how_site.calendar(record, days),
    )


def chart(days: pl.DataFrame) -> Picture:
    """One cell a day, signs and colours by what is known of it.

    Parameters
    ----------
    days
        See `data.daily`.
    """
    names = list(STATES)
    months = (
        days.select(pl.col("first").dt.strftime("%Y-%m").alias("month")).unique().sort("month")
    )["month"].to_list()
    row = {month: n for n, month in enumerate(months)}
    z: list[list[int | None]] = [[None] * 31 for _ in months]
    text = [[""] * 31 for _ in months]
    says = [[""] * 31 for _ in months]
    for day, status, measured, bridged, total in days.select(
        "first", "status", "hours_measured", "hours_bridged", "hours_total"
    ).iter_rows():
        at, n = row[f"{day:%Y-%m}"], day.day - 1
        z[at][n] = names.index(status)
        text[at][n] = STATES[status][0]
        says[at][n] = (
            f"{day:%-d %b %Y}: {STATES[status][2]} "
            f"({measured} h measured, {bridged} h bridged of {total} h)"
        )
    share = 1.0 / len(names)
    scale = [
        [edge, STATES[name][1]]
        for n, name in enumerate(names)
        for edge in (n * share, (n + 1) * share)
    ]
    fig = theme.figure(x_title="day of the month", y_title="")
    fig.add(
        "heatmap",
        z=z,
        x=list(range(1, 32)),
        y=months,
        text=text,
        texttemplate="%{text}",
        customdata=says,
        hovertemplate="%{customdata}<extra></extra>",
        zmin=-0.5,
        zmax=len(names) - 0.5,
        colorscale=scale,
        showscale=False,
        hoverongaps=False,
        xgap=2,
        ygap=2,
    )
    fig.y_axis(showgrid=False, autorange=True, type="category")
    fig.x_axis(dtick=5, tick0=1)
    fig.set(height=90 + 22 * len(months))
    return fig
