"""Colours can be told apart and read, by computation.

Contrast as WCAG 2.2 defines it (success criteria 1.4.3 and 1.4.11). Colour vision
deficiencies by the matrices of Machado, Oliveira and Fernandes (2009), "A physiologically-
based model for simulation of color vision deficiency", severity 1.0; the matrices are from
memory. Colour distance is CIE 1976 (ISO/CIE 11664-4).
"""

from __future__ import annotations

import itertools
import re
from importlib.resources import files

import numpy as np
import numpy.typing as npt
import pytest

from dashboard import theme

Values = npt.NDArray[np.float64]

SHEET = (files("dashboard") / "assets" / "pledgewatt.css").read_text()
_ROOTS = re.findall(r":root \{(.*?)\}", SHEET, re.DOTALL)
LIGHT = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", _ROOTS[0]))
DARK = LIGHT | dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", _ROOTS[1]))

WORDS = (
    "ink", "soft", "accent", "off-course", "blind", "in-doubt", "too-early", "on-course",
    "no-promise", "not-computed",
)  # fmt: skip

MACHADO = {
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
    "usual vision": np.eye(3).tolist(),
}

#: Distance from which two colours side by side are told apart at a glance; the least that
#: can be seen at all is about 2.3. Common practice, no source.
APART = 20.0


def linear(colour: str) -> Values:
    code = colour.lstrip("#")
    srgb = np.array([int(code[i : i + 2], 16) for i in (0, 2, 4)]) / 255.0
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    """WCAG 2.2: (lighter + 0.05) / (darker + 0.05) of relative luminances."""
    weights = np.array([0.2126, 0.7152, 0.0722])
    a, b = sorted((float(linear(c) @ weights) for c in (one, other)), reverse=True)
    return (a + 0.05) / (b + 0.05)


def lab(rgb: Values) -> Values:
    """CIELAB of linear sRGB, D65."""
    to_xyz = np.array(
        [
            [0.4124564, 0.3575761, 0.1804375],
            [0.2126729, 0.7151522, 0.0721750],
            [0.0193339, 0.1191920, 0.9503041],
        ]
    )
    t = to_xyz @ np.clip(rgb, 0.0, 1.0) / np.array([0.95047, 1.0, 1.08883])
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_the_formulas_give_the_known_ends():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert lab(linear("#ffffff")) == pytest.approx([100.0, 0.0, 0.0], abs=0.01)
    # sRGB red in CIELAB: 53.24, 80.09, 67.20 (Lindbloom's calculator, from memory).
    assert lab(linear("#ff0000")) == pytest.approx([53.24, 80.09, 67.20], abs=0.05)


@pytest.mark.parametrize("scheme", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("ground", ["paper", "card"])
@pytest.mark.parametrize("word", WORDS)
def test_every_word_can_be_read_on_its_ground(scheme, ground, word):
    assert contrast(scheme[word], scheme[ground]) >= 4.5


@pytest.mark.parametrize("scheme", [LIGHT, DARK], ids=["light", "dark"])
def test_the_words_of_a_button_can_be_read(scheme):
    assert contrast(scheme["card"], scheme["accent"]) >= 4.5
    assert contrast(scheme["ink"], scheme["accent-soft"]) >= 4.5
    assert contrast(scheme["focus"], scheme["paper"]) >= 3.0


@pytest.mark.parametrize("ground", [LIGHT["card"], DARK["card"]], ids=["light", "dark"])
@pytest.mark.parametrize("colour", [theme.HEAT, theme.ELECTRICITY, theme.PROMISE, theme.OUTLOOK])
def test_lines_of_charts_stand_out_from_their_ground(ground, colour):
    assert contrast(colour, ground) >= 3.0


@pytest.mark.parametrize("vision", MACHADO)
def test_what_a_chart_sets_side_by_side_is_told_apart_by_everybody(vision):
    seen = [
        lab(np.array(MACHADO[vision]) @ linear(colour))
        for colour in (theme.HEAT, theme.ELECTRICITY, theme.PROMISE, theme.OUTLOOK)
    ]
    for one, other in itertools.combinations(seen, 2):
        assert np.linalg.norm(one - other) >= APART
