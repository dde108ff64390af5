"""Charts: pure functions from what is to be seen to a figure.

No chart joins points across hours that are not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from itertools import accumulate

import polars as pl

from dashboard import format as fmt
from dashboard import theme
from dashboard.picture import Picture
from monitor.guarantee.causes import Cause, Shortfall
from monitor.guarantee.outlook import FanPoint


@dataclass(frozen=True)
class Course:
    """Cumulative SPF against the promise.

    Attributes
    ----------
    frame
        `day`, `spf`, `low`, `high`, `heat_kwh`, `electricity_kwh` (see `data.cumulative`).
    fan
        Points of the outlook to the end of the period; empty without one.
    """

    frame: pl.DataFrame
    promise: float | None
    boundary: str
    first: date
    end: date
    label: str
    fan: tuple[FanPoint, ...] = ()


def course(model: Course) -> Picture:
    """Cumulative SPF with its 95 % band; the line pauses where nothing new became known."""
    frame = model.frame.with_columns(
        pl.when(pl.col("electricity_kwh").diff().fill_null(1.0) != 0)
        .then(pl.col("spf"))
        .alias("line")
    )
    fig = theme.figure(x_title="", y_title=f"SPF since the start ({model.boundary})")
    band = frame.filter(pl.col("low").is_not_null())
    days = band["day"].to_list()
    fig.add(
        "scatter",
        x=days + days[::-1],
        y=band["high"].to_list() + band["low"].to_list()[::-1],
        fill="toself",
        fillcolor=theme.BAND,
        line={"width": 0},
        hoverinfo="skip",
        name="95 % interval",
    )
    fig.add(
        "scatter",
        x=frame["day"].to_list(),
        y=frame["line"].to_list(),
        mode="lines+markers",
        line={"color": theme.ELECTRICITY, "width": 2.5},
        # A day between two gaps has no line to either side: show it as a point.
        marker={"size": [5 if one else 0 for one in _alone(frame["line"])]},
        connectgaps=False,
        customdata=frame.select("low", "high").rows(),
        hovertemplate="%{x|%-d %b %Y}<br>SPF since the start %{y:.2f}"
        "<br>95 %: %{customdata[0]:.2f} to %{customdata[1]:.2f}<extra></extra>",
        name="SPF",
    )
    known = frame.filter(pl.col("line").is_not_null())
    if known.height:
        x, y = known["day"][-1], known["spf"][-1]
        fig.add(
            "scatter",
            x=[x],
            y=[y],
            mode="markers",
            marker={"color": theme.ELECTRICITY, "size": 9},
            hoverinfo="skip",
        )
        late = (x - model.first) > (model.end - model.first) / 2
        above = model.promise is None or y >= model.promise
        fig.say(
            model.label,
            x=x,
            y=y,
            xanchor="right" if late else "left",
            yshift=16 if above else -16,
            ground=theme.LABEL,
        )
    if model.fan:
        _fan(fig, model)
    if model.promise is not None:
        fig.add(
            "scatter",
            x=[model.first, model.end],
            y=[model.promise, model.promise],
            mode="lines",
            line={"color": theme.PROMISE, "width": 2.5, "dash": "dash"},
            hovertemplate=f"promise {fmt.promise(model.promise)}<extra></extra>",
        )
        behind = bool(known.height) and known["spf"][-1] < model.promise
        fig.say(
            f"promise {fmt.promise(model.promise)}",
            x=model.end,
            y=model.promise,
            xanchor="right",
            yshift=12 if behind else -12,
            ground=theme.LABEL,
        )
    fig.x_axis(range=[model.first, model.end])
    ahead = [v for p in model.fan[len(model.fan) // 4 :] for v in (p.p5, p.p95)]
    limits = _limits(band, model.promise, ahead)
    if limits:
        fig.y_axis(range=limits)
    return fig


def _alone(values: pl.Series) -> pl.Series:
    """Whether a value is known while both of its neighbours are not."""
    before = values.shift(1).is_null()
    return values.is_not_null() & before & values.shift(-1).is_null()


def _fan(fig: Picture, model: Course) -> None:
    """The outlook: half of the futures in the darker band, nine of ten in the lighter."""
    days = [point.day for point in model.fan]
    for low, high, colour in (("p5", "p95", theme.FAN_WIDE), ("p25", "p75", theme.FAN_NARROW)):
        fig.add(
            "scatter",
            x=days + days[::-1],
            y=[getattr(p, high) for p in model.fan] + [getattr(p, low) for p in model.fan][::-1],
            fill="toself",
            fillcolor=colour,
            line={"width": 0},
            hoverinfo="skip",
            name="outlook",
        )
    fig.add(
        "scatter",
        x=days,
        y=[point.p50 for point in model.fan],
        mode="lines",
        line={"color": theme.OUTLOOK, "width": 2, "dash": "dot"},
        customdata=[(p.p5, p.p95) for p in model.fan],
        hovertemplate="%{x|%-d %b %Y}<br>outlook %{y:.2f}"
        "<br>90 %: %{customdata[0]:.2f} to %{customdata[1]:.2f}<extra></extra>",
        name="outlook",
    )
    last = model.fan[-1]
    above = model.promise is None or last.p50 >= model.promise
    fig.say(
        f"outlook {fmt.spf(last.p50)}",
        x=last.day,
        y=last.p95 if above else last.p5,
        xanchor="right",
        yshift=12 if above else -12,
        ground=theme.LABEL,
    )


def _limits(band: pl.DataFrame, promise: float | None, ahead: list[float]) -> list[float] | None:
    """Range of the SPF axis; the first fortnight may swing out of it."""
    settled = band.slice(14) if band.height > 28 else band
    values = [v for v in (settled["low"].min(), settled["high"].max(), promise) if v is not None]
    if not values:
        return None
    numbers = [float(str(v)) for v in values] + ahead
    low, high = min(numbers), max(numbers)
    pad = 0.12 * max(high - low, 0.5)
    return [max(0.0, low - pad), high + pad]


def energy_days(frame: pl.DataFrame) -> Picture:
    """Heat and electricity per day; grey where nothing is known, pink inside long bridges.

    Parameters
    ----------
    frame
        See `data.daily`.
    """
    fig = theme.figure(x_title="", y_title="kWh a day")
    known = (pl.col("hours_measured") + pl.col("hours_bridged")) > 0
    shown = frame.with_columns(
        pl.when(known).then(pl.col(c)).alias(c) for c in ("heat_kwh", "electricity_kwh")
    )
    opacity = [1.0 if s in {"whole", "bridged"} else 0.45 for s in shown["status"]]
    for column, colour, name in (
        ("heat_kwh", theme.HEAT, "heat"),
        ("electricity_kwh", theme.ELECTRICITY, "electricity"),
    ):
        fig.add(
            "bar",
            x=shown["first"].to_list(),
            y=shown[column].to_list(),
            marker={
                "color": colour,
                "opacity": opacity,
                "line": {"width": 0},
                "pattern": {"shape": ["/" if s == "bridged" else "" for s in shown["status"]]},
            },
            name=name,
            customdata=shown["status"].to_list(),
            hovertemplate=f"%{{x|%-d %b %Y}}: {name} %{{y:.1f}} kWh (%{{customdata}})"
            "<extra></extra>",
        )
    in_run = pl.col("in_run") > 0
    for where, colour in ((~known & ~in_run, theme.NO_DATA), (~known & in_run, theme.IN_RUN)):
        for first, end in _runs(frame, where):
            fig.shade(first - timedelta(hours=12), end - timedelta(hours=12), colour)
    _named_bars(fig, shown)
    fig.set(barmode="overlay", bargap=0.08)
    fig.y_axis(rangemode="tozero")
    if frame.height:
        fig.x_axis(
            range=[
                frame["first"][0] - timedelta(hours=18),
                frame["first"][-1] + timedelta(hours=18),
            ]
        )
    return fig


def _named_bars(fig: Picture, shown: pl.DataFrame) -> None:
    """Say on the day of most heat which bar is which, and how long they are."""
    known = shown.filter(pl.col("heat_kwh").is_not_null())
    if known.height == 0:
        return
    at = int(known["heat_kwh"].arg_max() or 0)
    late = at > known.height / 2
    for column, name, above in (
        ("heat_kwh", "heat", 10),
        ("electricity_kwh", "electricity", 0),
    ):
        value = known[column][at]
        fig.say(
            f"{name} {value:.0f} kWh",
            x=known["first"][at],
            y=value,
            xanchor="right" if late else "left",
            yshift=above,
            ground=theme.LABEL,
        )


def _runs(frame: pl.DataFrame, where: pl.Expr) -> list[tuple[date, date]]:
    """Neighbouring days of which something holds, as stretches."""
    runs = (
        frame.with_columns(where.alias("hit"))
        .with_columns(pl.col("hit").rle_id().alias("run"))
        .filter("hit")
        .group_by("run", maintain_order=True)
        .agg(pl.col("first").min().alias("a"), pl.col("end").max().alias("b"))
    )
    return list(zip(runs["a"], runs["b"], strict=True))


def cop_weather(frame: pl.DataFrame) -> Picture:
    """Daily COP against the outdoor temperature; the size of a point is the day's heat.

    Parameters
    ----------
    frame
        Days with `spf` and `outdoor_c` known (see `data.daily`).
    """
    fig = theme.figure(x_title="mean outdoor temperature of the day, °C", y_title="COP of the day")
    if frame.height == 0:
        return fig
    most = float(str(frame["heat_kwh"].max())) or 1.0
    part = [s == "part" for s in frame["status"]]
    fig.add(
        "scatter",
        x=frame["outdoor_c"].to_list(),
        y=frame["spf"].to_list(),
        mode="markers",
        marker={
            "size": [5 + 11 * (max(q, 0.0) / most) ** 0.5 for q in frame["heat_kwh"]],
            "color": theme.HEAT,
            "opacity": 0.6,
            "symbol": ["circle-open" if p else "circle" for p in part],
            "line": {"width": 1, "color": theme.HEAT},
        },
        customdata=frame.select("first", "heat_kwh").rows(),
        hovertemplate="%{customdata[0]|%-d %b %Y}: COP %{y:.2f} at %{x:.1f} °C, "
        "%{customdata[1]:.1f} kWh heat<extra></extra>",
    )
    return fig


@dataclass(frozen=True)
class Curve:
    """Design line of the flow temperature, from the design day to 15 °C outdoors."""

    design_outdoor_c: float
    design_flow_c: float
    flow_at_15_c: float


def flow_bins(hours: pl.DataFrame) -> pl.DataFrame:
    """Hours gathered by whole degrees.

    Returns
    -------
    pl.DataFrame
        `outdoor_c`, `flow_c` (middle of the degree), `hours`.
    """
    return (
        hours.group_by((pl.col("outdoor_c", "flow_c") - 0.5).round())
        .agg(pl.len().alias("hours"))
        .with_columns(pl.col("outdoor_c", "flow_c") + 0.5)
        .sort("outdoor_c", "flow_c")
    )


def flow_weather(bins: pl.DataFrame, curve: Curve | None) -> Picture:
    """Flow against outdoor temperature while heating; larger points hold more hours."""
    fig = theme.figure(x_title="outdoor temperature, °C", y_title="flow temperature, °C")
    if bins.height:
        most = float(str(bins["hours"].max()))
        fig.add(
            "scatter",
            x=bins["outdoor_c"].to_list(),
            y=bins["flow_c"].to_list(),
            mode="markers",
            marker={
                "size": [4 + 12 * (n / most) ** 0.5 for n in bins["hours"]],
                "color": theme.ELECTRICITY,
                "opacity": 0.6,
                "line": {"width": 0},
            },
            customdata=bins["hours"].to_list(),
            hovertemplate="%{customdata} hours within half a degree of %{x:.1f} °C outdoors and "
            "%{y:.1f} °C flow<extra></extra>",
        )
    if curve is not None:
        fig.add(
            "scatter",
            x=[curve.design_outdoor_c, 15.0],
            y=[curve.design_flow_c, curve.flow_at_15_c],
            mode="lines+markers",
            line={"color": theme.PROMISE, "width": 2.5, "dash": "dash"},
            marker={"size": 8},
            hovertemplate="design: %{y:.0f} °C flow at %{x:.0f} °C<extra></extra>",
        )
        fig.say(
            "design curve",
            x=15.0,
            y=curve.flow_at_15_c,
            xanchor="right",
            yshift=-14,
            ground=theme.LABEL,
        )
    return fig


def _folded(name: str) -> str:
    """A long name in two lines, so that a narrow screen keeps room for the bars."""
    if len(name) <= 16:
        return name
    at = min((i for i, c in enumerate(name) if c == " "), key=lambda i: abs(i - len(name) // 2))
    return f"{name[:at]}<br>{name[at + 1 :]}"


def waterfall(found: Shortfall, names: dict[Cause, str]) -> Picture:
    """From the promise to the SPF so far, cause by cause, each with its 95 % interval."""
    shares = [s for s in found.shares if s.spf is not None]
    steps = [-(s.spf or 0.0) for s in shares]
    after = list(accumulate(steps, initial=found.promise))
    base = [0.0, *after[:-1], 0.0]
    width = [found.promise, *steps, found.measured]
    colour = [
        theme.PROMISE,
        *(theme.HEAT if step < 0 else theme.ELECTRICITY for step in steps),
        theme.NEUTRAL,
    ]
    # Beside the bar's name a figure can be read however short the bar is.
    labels = [
        f"Promise <b>{found.promise:.2f}</b>",
        *(
            f"{_folded(fmt.initial(names[s.cause]))} <b>{fmt.signed(step)}</b>"
            for s, step in zip(shares, steps, strict=True)
        ),
        f"SPF so far <b>{found.measured:.2f}</b>",
    ]
    # A share's interval is drawn about the end of its bar.
    above = [0.0, *((s.spf or 0.0) - (s.low or 0.0) for s in shares), 0.0]
    below = [0.0, *((s.high or 0.0) - (s.spf or 0.0) for s in shares), 0.0]
    fig = theme.figure(x_title="SPF", y_title="")
    fig.add(
        "bar",
        y=labels,
        x=width,
        base=base,
        orientation="h",
        marker={"color": colour},
        error_x={
            "type": "data",
            "symmetric": False,
            "array": above,
            "arrayminus": below,
            "color": theme.NEUTRAL,
            "thickness": 1.5,
            "width": 4,
        },
        hovertemplate="%{y}<extra></extra>",
    )
    ends = [found.promise, found.measured, *after]
    reach = [end + more for end, more in zip(after[1:], above[1:-1], strict=True)]
    floor = [end - less for end, less in zip(after[1:], below[1:-1], strict=True)]
    low, high = min([*ends, *floor]), max([*ends, *reach])
    margin = 0.06 * max(high - low, 0.1)
    fig.x_axis(range=[max(0.0, low - 4 * margin), high + margin], showgrid=True)
    fig.y_axis(autorange="reversed", showgrid=False)
    fig.set(height=70 + 34 * len(labels), bargap=0.25)
    return fig
