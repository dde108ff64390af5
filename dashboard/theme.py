"""Colours and shapes: one place, so that charts and pages agree.

Chart colours follow the palette of Okabe and Ito (2008), which people with colour
vision deficiencies can tell apart, with its blue a little lighter and its green turned to
olive, which stays apart from the blue for all of them; each has a contrast of at least
3 to 1 against the light and the dark background, so that a chart need not know which one
it stands on.
Text, grid and hover boxes of charts get their colours from the style sheet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from dashboard.picture import Picture
from monitor.guarantee.standing import StandingWord

HEAT: Final = "#D55E00"
ELECTRICITY: Final = "#2A8AC4"
PROMISE: Final = "#6C8454"
NEUTRAL: Final = "#7d8590"
BAND: Final = "rgba(42, 138, 196, 0.22)"
OUTLOOK: Final = "#9A5A86"
FAN_WIDE: Final = "rgba(154, 90, 134, 0.16)"
FAN_NARROW: Final = "rgba(154, 90, 134, 0.26)"
#: Ground of a label; the style sheet gives it the page's own.
LABEL: Final = "rgba(125, 133, 144, 0.1)"
#: What was to be expected: the colour of the promise.
EXPECTED: Final = "rgba(108, 132, 84, 0.24)"
NO_DATA: Final = "rgba(125, 133, 144, 0.28)"
IN_RUN: Final = "rgba(204, 121, 167, 0.30)"


@dataclass(frozen=True)
class Look:
    """How a standing is shown: a word and a shape; colour comes on top of both."""

    word: str
    shape: str
    css: str


#: Standing that a site has before its figures were first computed.
NOT_COMPUTED: Final = Look("not computed", "…", "not-computed")

_SHAPES: Final = {
    StandingWord.OFF_COURSE: "▲",
    StandingWord.BLIND: "■",
    StandingWord.IN_DOUBT: "◆",
    StandingWord.TOO_EARLY: "○",
    StandingWord.ON_COURSE: "●",
    StandingWord.NO_PROMISE: "–",
}


def look(word: StandingWord | None) -> Look:
    """How a standing is shown."""
    if word is None:
        return NOT_COMPUTED
    return Look(word.value, _SHAPES[word], word.value.replace(" ", "-"))


def figure(*, x_title: str, y_title: str) -> Picture:
    """An empty figure in the house style."""
    axis = {
        "fixedrange": True,
        "zeroline": False,
        "ticks": "outside",
        "ticklen": 4,
        "automargin": True,
    }
    return Picture(
        {
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "font": {"family": "system-ui, sans-serif", "size": 13, "color": NEUTRAL},
            "margin": {"l": 52, "r": 16, "t": 14, "b": 46 if x_title else 26},
            "height": 340,
            "showlegend": False,
            "dragmode": False,
            "hovermode": "closest",
            "hoverlabel": {"align": "left"},
            # "2026-03" is the name of a month and not a number.
            "autotypenumbers": "strict",
            "xaxis": axis | {"title": _title(x_title), "showgrid": False},
            "yaxis": axis | {"title": _title(y_title), "gridcolor": "rgba(125,133,144,0.25)"},
        }
    )


def _title(text: str) -> dict[str, str | int]:
    return {"text": text, "standoff": 15}
