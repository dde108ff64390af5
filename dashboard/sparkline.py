"""A small picture of how the SPF has moved: an SVG that needs no script."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from dashboard import format as fmt
from dashboard import theme

WIDTH: Final = 104
HEIGHT: Final = 30
_EDGE: Final = 3.0

#: Least height of the picture in SPF, so that noise does not look like a fall.
LEAST_SPAN: Final = 0.8


@dataclass(frozen=True)
class Picture:
    """An image as a data address, and the same in words."""

    source: str
    words: str


def values(text: str | None) -> list[float | None]:
    """Rolling SPF as the store keeps it (see the table `fleet`)."""
    return [float(part) if part else None for part in text.split(",")] if text else []


def sparkline(trend: Sequence[float | None], promise: float | None) -> Picture | None:
    """Draw the rolling SPF against the promise; None where nothing is known.

    The line pauses where too little is known, and a dashed line shows the promise. A point
    marks the newest value.
    """
    known = [value for value in trend if value is not None]
    if not known:
        return None
    shown = [*known, promise] if promise is not None else known
    low, high = min(shown), max(shown)
    pad = max(0.0, LEAST_SPAN - (high - low)) / 2
    low, high = low - pad, high + pad

    def y(value: float) -> float:
        return _EDGE + (high - value) / (high - low) * (HEIGHT - 2 * _EDGE)

    step = (WIDTH - 2 * _EDGE) / max(1, len(trend) - 1)
    points = [
        None if value is None else (_EDGE + n * step, y(value)) for n, value in enumerate(trend)
    ]
    parts = []
    if promise is not None:
        parts.append(
            f'<path d="M0 {y(promise):.1f}H{WIDTH}" stroke="{theme.PROMISE}" '
            'stroke-dasharray="4 3" stroke-width="1.5"/>'
        )
    parts.append(
        f'<path d="{_path(points)}" fill="none" stroke="{theme.ELECTRICITY}" stroke-width="2" '
        'stroke-linecap="round" stroke-linejoin="round"/>'
    )
    last = next(point for point in reversed(points) if point is not None)
    parts.append(f'<circle cx="{last[0]:.1f}" cy="{last[1]:.1f}" r="3" fill="{theme.HEAT}"/>')
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{HEIGHT}" '
        f'viewBox="0 0 {WIDTH} {HEIGHT}">{"".join(parts)}</svg>'
    )
    return Picture(
        source=f"data:image/svg+xml;base64,{b64encode(svg.encode()).decode()}",
        words=_words(known, stopped=trend[-1] is None),
    )


def _path(points: Sequence[tuple[float, float] | None]) -> str:
    """Lines between neighbours; one that stands alone becomes a dot."""
    out, before = [], None
    for n, point in enumerate(points):
        if point is not None:
            alone = before is None and (n + 1 == len(points) or points[n + 1] is None)
            out.append(f"{'M' if before is None else 'L'}{point[0]:.1f} {point[1]:.1f}")
            if alone:
                out.append("h0.1")
        before = point
    return "".join(out)


def _words(known: Sequence[float], *, stopped: bool) -> str:
    return (
        f"SPF of 30 days over the last year: {fmt.spf(min(known))} to {fmt.spf(max(known))}, "
        f"{'last known' if stopped else 'now'} {fmt.spf(known[-1])}"
    )
