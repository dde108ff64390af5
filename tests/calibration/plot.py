"""Draws the calibration study as SVG, with no library."""

from __future__ import annotations

import numpy as np
import polars as pl

_WIDTH, _HEIGHT, _MARGIN = 860, 380, 56
_INK, _FAINT, _A, _B, _C = "#222222", "#bbbbbb", "#1f5f8b", "#b5532a", "#6a6a6a"


def _text(x: float, y: float, words: str, anchor: str = "middle", size: int = 12) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}" '
        f'fill="{_INK}">{words}</text>'
    )


def _line(x1: float, y1: float, x2: float, y2: float, colour: str, dash: str = "") -> str:
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}" '
        f'stroke-dasharray="{dash}"/>'
    )


def _path(xs: list[float], ys: list[float], colour: str, dash: str = "") -> str:
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in zip(xs, ys, strict=True))
    return (
        f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="2" '
        f'stroke-dasharray="{dash}"/>'
    )


def _coverage(frame: pl.DataFrame) -> list[str]:
    """Share of outcomes inside the central interval against its nominal share."""
    left, top, size = _MARGIN, 40, _HEIGHT - 100

    def x(v: float) -> float:
        return left + v * size

    def y(v: float) -> float:
        return top + (1.0 - v) * size

    out = [_text(left + size / 2, 24, "Outcomes inside the central interval", size=14)]
    for tick in (0.0, 0.25, 0.5, 0.75, 1.0):
        out += [
            _line(x(tick), y(0), x(tick), y(1), _FAINT),
            _line(x(0), y(tick), x(1), y(tick), _FAINT),
            _text(x(tick), y(0) + 18, f"{tick:.0%}"),
            _text(x(0) - 8, y(tick) + 4, f"{tick:.0%}", "end"),
        ]
    out += [_line(x(0), y(0), x(1), y(1), _C, "4 4"), _text(left + size / 2, y(0) + 38, "nominal")]
    shares = np.linspace(0.0, 1.0, 41)
    dashes = ["", "8 3", "2 3", "8 3 2 3", "1 2"]
    every = frame["months"].unique().sort().to_list()
    for row, (dash, months) in enumerate(zip(dashes, every, strict=False)):
        rank = frame.filter(pl.col("months") == months)["rank"].to_numpy()
        held = [float(np.mean(np.abs(rank - 0.5) <= share / 2.0)) for share in shares]
        key = y(0.32) + 16 * row
        out += [
            _path([x(s) for s in shares], [y(h) for h in held], _A, dash),
            _path([x(0.66), x(0.76)], [key, key], _A, dash),
            _text(x(0.78), key + 4, f"{months} months", "start", 11),
        ]
    return out


def _skill(summary: pl.DataFrame) -> list[str]:
    """Mean CRPS of the three forecasts by month."""
    left, top, size = _MARGIN + 420, 40, _HEIGHT - 100
    rows = summary.filter(pl.col("months") > 0)
    months = [float(m) for m in rows["months"].to_list()]
    series = {
        "outlook": (rows["crps"].to_list(), _A, ""),
        "degree days": (rows["crps_degree_days"].to_list(), _B, "8 3"),
        "SPF to date": (rows["crps_carried"].to_list(), _C, "2 3"),
    }
    most = max(max(values) for values, _, _ in series.values()) * 1.1

    def x(v: float) -> float:
        return left + v / 12.0 * (size + 40)

    def y(v: float) -> float:
        return top + (1.0 - v / most) * size

    out = [
        _text(left + size / 2, 24, "Mean CRPS of three forecasts (SPF; less is better)", size=14)
    ]
    for tick in np.arange(0.0, most, 0.05):
        out += [
            _line(x(0), y(tick), x(12), y(tick), _FAINT),
            _text(x(0) - 8, y(tick) + 4, f"{tick:.2f}", "end"),
        ]
    out += [_text(x(m), y(0) + 18, f"{m:.0f}") for m in months]
    out.append(_text(x(6), y(0) + 38, "months of the period gone"))
    for row, (name, (values, colour, dash)) in enumerate(series.items()):
        out.append(_path([x(m) for m in months], [y(v) for v in values], colour, dash))
        key = top + 14 + 18 * row
        out += [
            _path([x(8), x(9)], [key, key], colour, dash),
            _text(x(9.2), key + 4, name, "start"),
        ]
    return out


def calibration_svg(frame: pl.DataFrame, summary: pl.DataFrame) -> str:
    """Give the picture: coverage on the left, skill on the right.

    Parameters
    ----------
    frame, summary
        Forecasts one row each, and the table by month.
    """
    parts = _coverage(frame) + _skill(summary)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" '
        'font-family="sans-serif">\n'
        f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="white"/>\n'
        + "\n".join(parts)
        + "\n</svg>\n"
    )
