"""Charts as plain data: what a figure of plotly would be written as, without building one.

A figure of plotly checks and copies each of its values while it is put together, which took a
quarter of the time of a site's page. The tests give every chart to it instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any


@dataclass
class Picture:
    """A chart that is being drawn.

    Attributes
    ----------
    data
        Its traces, in the order of drawing.
    layout
        Axes, size, annotations and shapes.
    """

    layout: dict[str, Any]
    data: list[dict[str, Any]] = field(default_factory=list)

    def add(self, kind: str, **trace: Any) -> None:
        """Draw a trace: points and lines (`scatter`), bars (`bar`), cells (`heatmap`)."""
        self.data.append({"type": kind, **trace})

    def say(self, text: str, *, x: Any, y: Any, xanchor: str, yshift: int, ground: str) -> None:
        """Put words beside a point."""
        self.layout.setdefault("annotations", []).append(
            {
                "text": text,
                "x": x,
                "y": y,
                "showarrow": False,
                "xanchor": xanchor,
                "yshift": yshift,
                "font": {"size": 14},
                "bgcolor": ground,
            }
        )

    def shade(self, x0: Any, x1: Any, colour: str) -> None:
        """Colour a stretch of the x axis, below all that is drawn."""
        self.layout.setdefault("shapes", []).append(
            {
                "type": "rect",
                "x0": x0,
                "x1": x1,
                "y0": 0,
                "y1": 1,
                "yref": "y domain",
                "fillcolor": colour,
                "line": {"width": 0},
                "layer": "below",
            }
        )

    def x_axis(self, **settings: Any) -> None:
        """Set the x axis."""
        self.layout["xaxis"] = self.layout["xaxis"] | settings

    def y_axis(self, **settings: Any) -> None:
        """Set the y axis."""
        self.layout["yaxis"] = self.layout["yaxis"] | settings

    def set(self, **settings: Any) -> None:
        """Set the whole."""
        self.layout |= settings

    def plain(self) -> dict[str, Sequence[Any] | dict[str, Any]]:
        """As the browser gets it."""
        return {"data": self.data, "layout": self.layout}
