"""What meters and loggers make of the energy: registers, bias, noise, holes and spikes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from demo_telemetry.weather import STEP_S, Floats

Stamps = np.ndarray[tuple[int], np.dtype[np.int64]]
Mask = np.ndarray[tuple[int], np.dtype[np.bool_]]

#: kWh in one unit of a register.
KWH_IN = {"kWh": 1.0, "MWh": 1000.0, "GJ": 1000.0 / 3.6}

#: Parts of the electricity that a channel counts, by consumer.
CONSUMERS = ("unit", "source", "backup", "immersion", "pumps")


@dataclass(frozen=True)
class Channel:
    """One quantity of one meter.

    Attributes
    ----------
    role, kind, unit
        As in the site file.
    parts
        Booked parts that the channel adds up (energy), or the one state it shows.
    step
        Smallest step of what is shown, in `unit`.
    digits, decimals
        Of a register that rolls over; left out, it never does.
    start
        Register at the start of the data, in `unit`; None draws the energy of a test run.
    sentinel, sentinels
        Value that stands for a failed reading, and how many are planted.
    spikes
        Number of impossible values (65535) planted that nobody declares.
    """

    role: str
    parts: tuple[str, ...]
    kind: Literal["register", "interval", "power", "state"] = "register"
    unit: str = "kWh"
    step: float = 0.1
    digits: int | None = None
    decimals: int = 0
    start: float | None = None
    sentinel: float | None = None
    sentinels: int = 0
    spikes: int = 0

    @property
    def is_heat(self) -> bool:
        """True for heat energy."""
        return self.role.startswith("heat_")

    @property
    def is_energy(self) -> bool:
        """True for an energy stream."""
        return self.kind != "state"


@dataclass(frozen=True)
class Meter:
    """One device with its channels.

    Attributes
    ----------
    swap_serial, swap_share
        Serial of the meter that takes its place, and when, as a share of the span.
    """

    serial: str
    measures: Literal["heat", "electricity", "sensors"]
    channels: tuple[Channel, ...]
    accuracy_class: str | None = None
    swap_serial: str | None = None
    swap_share: float = 0.0


@dataclass(frozen=True)
class Outage:
    """A hole in what a logger wrote.

    Attributes
    ----------
    begin, finish
        Seconds since the epoch; readings with begin <= t < finish are lost.
    roles
        Roles that are lost; empty means all.
    """

    begin: int
    finish: int
    why: str
    roles: tuple[str, ...] = ()


@dataclass(frozen=True)
class Fit:
    """A meter in its place, with the error that only the truth knows.

    Attributes
    ----------
    bias
        Relative error of energy.
    begin, finish
        Seconds since the epoch; finish is None while the meter stays.
    start_register, end_register
        By role, in the channel's unit.
    """

    serial: str
    bias: float
    begin: int
    finish: int | None
    start_register: dict[str, float] = field(default_factory=dict)
    end_register: dict[str, float] = field(default_factory=dict)


def class_bias(rng: np.random.Generator, meter: Meter) -> float:
    """Draw a meter's constant error, well within what its class allows (EN 1434, MID)."""
    if meter.measures == "heat":
        return float(rng.uniform(-0.02, 0.02))
    if meter.measures == "electricity":
        return float(rng.uniform(-0.008, 0.008))
    return 0.0


def floor_to(values: Floats, step: float) -> Floats:
    """Cut values to whole steps, as a register shows them."""
    cut: Floats = np.floor(values / step + 1e-9) * step
    return np.round(cut, 6)


def register(
    channel: Channel, fits: tuple[Fit, ...], grid: Stamps, energy: Floats, at: Stamps
) -> Floats:
    """Show a register at given times.

    Parameters
    ----------
    channel
        A register.
    fits
        The meters that have stood in this place, in order.
    grid, energy
        Times and true cumulative energy, kWh, both of length steps + 1.
    at
        Times of the readings, seconds since the epoch.

    Returns
    -------
    numpy.ndarray
        Values in the channel's unit.
    """
    true = np.interp(at, grid, energy)
    out = np.zeros(at.shape[0])
    for fit in fits:
        here = at >= fit.begin
        base = float(np.interp(fit.begin, grid, energy))
        shown = (true - base) * (1.0 + fit.bias) / KWH_IN[channel.unit]
        out = np.where(here, shown + fit.start_register[channel.role], out)
    if channel.digits is not None:
        out = np.mod(out, 10.0 ** (channel.digits - channel.decimals))
    return floor_to(out, channel.step)


def interval(
    channel: Channel, fits: tuple[Fit, ...], grid: Stamps, energy: Floats, at: Stamps, width: int
) -> Floats:
    """Show the energy of the interval of `width` seconds that ends at each time."""
    spent = np.interp(at, grid, energy) - np.interp(at - width, grid, energy)
    shown = spent * (1.0 + fits[-1].bias) / KWH_IN[channel.unit]
    steps: Floats = np.round(shown / channel.step)
    return np.round(steps * channel.step, 6)


def mean_power_w(fits: tuple[Fit, ...], grid: Stamps, energy: Floats, at: Stamps) -> Floats:
    """Show the mean power, W, of the five minutes that begin at each time."""
    spent = np.interp(at + STEP_S, grid, energy) - np.interp(at, grid, energy)
    watts: Floats = spent * (1.0 + fits[-1].bias) * 3.6e6 / STEP_S
    return np.round(watts)


def sensor(
    channel: Channel, rng: np.random.Generator, grid: Stamps, values: Floats, at: Stamps
) -> Floats:
    """Show a plain quantity with the sensor's noise."""
    index = np.clip(np.searchsorted(grid, at, side="right") - 1, 0, values.shape[0] - 1)
    noise = 0.15 if channel.unit == "degC" else 0.004
    shown = values[index] + rng.normal(0.0, noise, at.shape[0])
    if channel.role == "flow_rate":
        shown = np.where(values[index] > 0.0, np.maximum(shown, 0.0), 0.0)
    return np.round(np.round(shown / channel.step) * channel.step, 4)


def random_outages(
    rng: np.random.Generator, begin: int, finish: int, share: float, mean_hours: float, why: str
) -> list[Outage]:
    """Draw holes that together cost about `share` of the span."""
    span = finish - begin
    count = round(share * span / (mean_hours * 3600.0))
    starts = np.sort(rng.integers(begin, finish, count))
    lengths = np.maximum(rng.exponential(mean_hours, count) * 3600.0, 900.0).astype(int)
    return [
        Outage(int(start), min(int(start + length), finish), why)
        for start, length in zip(starts, lengths, strict=True)
    ]


def lost(outages: list[Outage], role: str, at: Stamps) -> Mask:
    """Tell which times fall into a hole of a role."""
    out = np.zeros(at.shape[0], dtype=bool)
    for outage in outages:
        if not outage.roles or role in outage.roles:
            out |= (at >= outage.begin) & (at < outage.finish)
    return out
