"""What shows a finding: its series, what was to be expected of it, and the chart of both."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np
import polars as pl

from dashboard import data, theme
from dashboard.picture import Picture
from monitor.findings.finding import BandPoint, Evidence, Finding
from monitor.models import Role

#: Days that are shown before the finding began, and of a series by the hour in all.
BEFORE: Final = timedelta(days=30)
HOURLY: Final = timedelta(days=21)

#: Of the columns of a day frame, those that can be missing only with their day.
_HELD: Final = {"heat_kwh", "electricity_kwh"}


@dataclass(frozen=True)
class Series:
    """One series of evidence.

    Attributes
    ----------
    frame
        Columns `time` (local date or UTC hour), `outdoor_c`, `value`, `low`, `high` (what was
        to be expected, null where that side is open) and `in_window`; one row a day or hour
        without holes, `value` null where nothing is known.
    """

    evidence: Evidence
    frame: pl.DataFrame

    @property
    def known(self) -> pl.DataFrame:
        """Rows whose value is known."""
        return self.frame.filter(pl.col("value").is_not_null())


def series(
    record: data.Record,
    behaviour: pl.DataFrame,
    days: pl.DataFrame,
    finding: Finding,
    evidence: Evidence,
) -> Series:
    """Gather one series of a finding from a site's records.

    Parameters
    ----------
    behaviour, days
        Frames of schema BEHAVIOUR and DAY of the site.
    """
    if evidence.of in {"behaviour", "day"}:
        frame = _daily(behaviour if evidence.of == "behaviour" else days, days, evidence)
        first, last = _window(record, finding, frame)
        frame = frame.filter(pl.col("time").is_between(first - BEFORE, last + timedelta(days=7)))
        inside = pl.col("time").is_between(first, last)
    else:
        frame = _hourly(record, evidence)
        end = finding.window_end or record.until
        begin = finding.since or finding.window_start or end - HOURLY
        start = max(begin - timedelta(days=2), end - HOURLY)
        frame = frame.filter((pl.col("time") >= start) & (pl.col("time") < end))
        inside = pl.col("time") >= begin
    low, high = _band(evidence.band, frame["outdoor_c"].to_numpy())
    return Series(
        evidence,
        frame.with_columns(
            pl.Series("low", low, dtype=pl.Float64).fill_nan(None),
            pl.Series("high", high, dtype=pl.Float64).fill_nan(None),
            inside.alias("in_window"),
        ),
    )


def _window(record: data.Record, finding: Finding, frame: pl.DataFrame) -> tuple[date, date]:
    """Local days of a finding's evidence."""
    zone = record.site.tz
    begin, end = finding.since or finding.window_start, finding.window_end
    first = begin.astimezone(zone).date() if begin else frame["time"].min()
    last = (end - timedelta(hours=1)).astimezone(zone).date() if end else frame["time"].max()
    first = first if isinstance(first, date) else record.first
    last = last if isinstance(last, date) else record.today
    return first, max(first, last)


def _daily(source: pl.DataFrame, days: pl.DataFrame, evidence: Evidence) -> pl.DataFrame:
    value = pl.col(evidence.name).cast(pl.Float64)
    if evidence.name in _HELD and "complete" in source.columns:
        value = pl.when("complete").then(value)
    own = source.select(pl.col("day").alias("time"), value.alias("value"))
    outdoor = days.select(pl.col("day").alias("time"), "outdoor_c")
    if own.height == 0:
        return own.with_columns(pl.lit(None, pl.Float64).alias("outdoor_c"))
    calendar = pl.DataFrame(
        {"time": pl.date_range(own["time"].min(), own["time"].max(), eager=True)}  # type: ignore[arg-type]
    )
    return calendar.join(own, on="time", how="left").join(outdoor, on="time", how="left")


def _hourly(record: data.Record, evidence: Evidence) -> pl.DataFrame:
    if evidence.of == "slot":
        own = record.slots.filter(pl.col("role") == evidence.name)
        own = own.select(pl.col("slot_start_utc").alias("time"), pl.col("kwh").alias("value"))
    else:
        own = _state(record, evidence.name)
    outdoor = _state(record, Role.OUTDOOR_TEMP.value).rename({"value": "outdoor_c"})
    if own.height == 0:
        return own.with_columns(pl.lit(None, pl.Float64).alias("outdoor_c"))
    hours = pl.DataFrame(
        {
            "time": pl.datetime_range(
                own["time"].min(),  # type: ignore[arg-type]
                own["time"].max(),  # type: ignore[arg-type]
                "1h",
                eager=True,
            )
        }
    )
    return hours.join(own, on="time", how="left").join(outdoor, on="time", how="left")


def _state(record: data.Record, role: str) -> pl.DataFrame:
    return record.states.filter(pl.col("role") == role).select(
        pl.col("slot_start_utc").alias("time"), pl.col("mean").alias("value")
    )


def _band(
    band: tuple[BandPoint, ...], outdoor: np.ndarray[tuple[int], np.dtype[np.float64]]
) -> tuple[list[float], list[float]]:
    """What was to be expected at each outdoor temperature; NaN where a side is open."""
    if not band:
        nothing = [float("nan")] * len(outdoor)
        return nothing, nothing
    x = np.array([0.0 if p.x is None else p.x for p in band])
    sides = []
    for side in ("low", "high"):
        y = np.array([np.nan if getattr(p, side) is None else getattr(p, side) for p in band])
        at = np.zeros(len(outdoor)) if band[0].x is None else outdoor
        sides.append([float(v) for v in np.interp(at, x, y)])
    return sides[0], sides[1]


def chart(shown: Series) -> Picture:
    """The series, with the expectation as a band and the finding's window marked."""
    evidence = shown.evidence
    axis = f"{evidence.label}, {evidence.unit}" if evidence.unit else evidence.label
    if evidence.against == "outdoor":
        return _against_outdoor(shown, axis)
    fig = theme.figure(x_title="", y_title=axis)
    frame = shown.frame
    time = frame["time"].to_list()
    _shade(fig, time, frame)
    fig.add(
        "scatter",
        x=time,
        y=frame["value"].to_list(),
        mode="lines+markers",
        connectgaps=False,
        line={"color": theme.ELECTRICITY, "width": 1.5},
        marker={
            "size": 5,
            "color": [theme.HEAT if w else theme.ELECTRICITY for w in frame["in_window"]],
            "symbol": ["diamond" if w else "circle" for w in frame["in_window"]],
        },
        hovertemplate=f"%{{x|%-d %b %Y %H:%M}}<br>%{{y:.3g}} {evidence.unit}<extra></extra>"
        if evidence.of in {"state", "slot"}
        else f"%{{x|%-d %b %Y}}<br>%{{y:.3g}} {evidence.unit}<extra></extra>",
        name=evidence.label,
    )
    return fig


def _against_outdoor(shown: Series, axis: str) -> Picture:
    fig = theme.figure(x_title="outdoor temperature, °C", y_title=axis)
    known = shown.known.filter(pl.col("outdoor_c").is_not_null()).sort("outdoor_c")
    _shade(fig, known["outdoor_c"].to_list(), known)
    for inside, colour, symbol, name in (
        (False, theme.ELECTRICITY, "circle", "before"),
        (True, theme.HEAT, "diamond", "in the window"),
    ):
        part = known.filter(pl.col("in_window") == inside)
        fig.add(
            "scatter",
            x=part["outdoor_c"].to_list(),
            y=part["value"].to_list(),
            mode="markers",
            marker={"size": 7, "opacity": 0.7, "color": colour, "symbol": symbol},
            customdata=part["time"].to_list(),
            hovertemplate=f"%{{customdata|%-d %b %Y}}: %{{y:.3g}} {shown.evidence.unit} at "
            "%{x:.1f} °C<extra></extra>",
            name=name,
        )
    return fig


def _shade(fig: Picture, x: list[object], frame: pl.DataFrame) -> None:
    """The expectation; a side that is open reaches to the edge of what is shown."""
    if frame.height == 0 or (frame["low"].null_count() + frame["high"].null_count()) == 2 * (
        frame.height
    ):
        return
    values = pl.concat([frame["value"], frame["low"], frame["high"]]).drop_nulls()
    least, most = float(values.min() or 0.0), float(values.max() or 0.0)  # type: ignore[arg-type]
    pad = 0.08 * max(most - least, 1e-6)
    low = frame["low"].fill_null(min(least - pad, 0.0) if least >= 0 else least - pad)
    high = frame["high"].fill_null(most + pad)
    fig.add(
        "scatter",
        x=x + x[::-1],
        y=high.to_list() + low.to_list()[::-1],
        fill="toself",
        fillcolor=theme.EXPECTED,
        line={"width": 0},
        hoverinfo="skip",
        name="to be expected",
    )
