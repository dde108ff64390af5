"""Troubles of meters: what they make of energy that was used and heat that was made.

All act on one quantity at the times of the readings: energy of each step, kWh, or what a
register or sensor shows.
"""

from __future__ import annotations

import numpy as np

from demo_telemetry.weather import STEP_H, Floats

#: Share of a day's household electricity by hour of day: common practice, no source.
_BY_HOUR = np.array(
    [4, 3, 3, 3, 3, 3, 4, 6, 6, 5, 4, 4, 5, 5, 4, 4, 5, 9, 12, 12, 10, 8, 7, 5], dtype=float
)


def dead(energy: Floats, begin: int, finish: int) -> Floats:
    """Count nothing from step `begin` up to `finish`."""
    out = energy.copy()
    out[begin:finish] = 0.0
    return out


def scaled(energy: Floats, begin: int, factor: float) -> Floats:
    """Count `factor` times the energy from step `begin` on."""
    out = energy.copy()
    out[begin:] *= factor
    return out


def frozen(shown: Floats, begin: int, finish: int) -> Floats:
    """Show one value from reading `begin` up to `finish`; then the register has caught up."""
    out = shown.copy()
    out[begin:finish] = out[begin]
    return out


def jumps(shown: Floats, at: list[int], by: list[float]) -> Floats:
    """Let a register jump at each of some readings, by kWh that may be negative."""
    out = shown.copy()
    for where, kwh in zip(at, by, strict=True):
        out[where:] += kwh
    return out


def tops_out(shown: Floats, top: float) -> Floats:
    """Never show more than `top`."""
    out: Floats = np.minimum(shown, top)
    return out


def other_unit(shown: Floats, begin: int, factor: float) -> Floats:
    """Show the whole register in another unit from reading `begin` on."""
    return scaled(shown, begin, factor)


def household(rng: np.random.Generator, local_hour: Floats, mean_kw: float) -> Floats:
    """Give the electricity of a household in every step, kWh: a base and an evening peak.

    Parameters
    ----------
    rng
        Draws days and switching.
    local_hour
        Hour of the local day of every step.
    mean_kw
        Mean power; two fifths of it are always there.
    """
    share = _BY_HOUR / _BY_HOUR.mean()
    n = local_hour.shape[0]
    days = rng.lognormal(-0.04, 0.28, n // 288 + 1)[np.arange(n) // 288]
    noise = rng.gamma(2.0, 0.5, n // 3 + 1)[np.arange(n) // 3]
    habits = 0.6 * share[local_hour.astype(int)] * days * noise
    kwh: Floats = mean_kw * (0.4 + habits) * STEP_H
    return kwh
