"""The chart that puts a few sites side by side."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import polars as pl

from dashboard import theme
from dashboard.picture import Picture

#: Colour, dash and mark of each line: any of the three tells them apart.
_STYLES: Final = (
    (theme.ELECTRICITY, "solid", "circle"),
    (theme.HEAT, "dash", "square"),
    (theme.PROMISE, "dot", "diamond"),
    (theme.OUTLOOK, "dashdot", "triangle-up"),
    (theme.NEUTRAL, "longdash", "x"),
    ("#A6761D", "longdashdot", "star"),
)

#: Share of a month below which its mark is open.
LEAST_COVERAGE: Final = 0.5


def side_by_side(frame: pl.DataFrame, names: Mapping[str, str]) -> Picture:
    """SPF by month of a few sites; lines pause where a month is not known.

    Parameters
    ----------
    frame
        `site_id`, `month`, `spf`, `coverage` (see `fleet_data.months`).
    names
        What each site is called, in the order of the legend.
    """
    fig = theme.figure(x_title="", y_title="SPF of the month")
    for (site_id, name), (colour, dash, mark) in zip(names.items(), _STYLES, strict=False):
        own = frame.filter(pl.col("site_id") == site_id).sort("month")
        open_mark = [covered < LEAST_COVERAGE for covered in own["coverage"]]
        fig.add(
            "scatter",
            x=own["month"].to_list(),
            y=own["spf"].to_list(),
            mode="lines+markers",
            connectgaps=False,
            name=name,
            line={"color": colour, "width": 2, "dash": dash},
            marker={
                "size": 8,
                "symbol": [f"{mark}-open" if thin else mark for thin in open_mark],
            },
            customdata=own.select((100 * pl.col("coverage")).round()).rows(),
            hovertemplate="%{x|%B %Y}: SPF %{y:.2f}, %{customdata[0]:.0f} % covered"
            "<extra>%{fullData.name}</extra>",
        )
    fig.set(
        showlegend=True,
        legend={"orientation": "h", "y": 1.02, "yanchor": "bottom", "font": {"size": 13}},
    )
    return fig
