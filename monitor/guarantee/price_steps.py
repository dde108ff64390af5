"""Prices on a grid of quarter hours, and what they say of hours and bridged blocks.

A price may change on any half hour of the local clock, but energy is known by UTC hour or
by bridged block only. So a block has three prices: the mean over its time, which is its
price if the energy was used evenly, and the lowest and the highest inside it, between
which the true one lies whenever the energy was used. Quarter hours hold the local half
hours of every time zone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.metrics import periods
from monitor.metrics.performance import Blocks
from monitor.models import Site
from monitor.schemas import UTC, Schema, check

Values = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

#: Prices of named series: one row a series and quarter hour, which it begins.
PRICE: Schema = {"series": pl.String, "start_utc": UTC, "price_per_kwh": pl.Float64}

STEP_US: Final = 900_000_000
STEPS_OF_HOUR: Final = 4
_HOUR_US: Final = STEPS_OF_HOUR * STEP_US

Span = tuple[datetime, datetime]


@dataclass(frozen=True)
class Steps:
    """The quarter hours of a window of local days.

    Attributes
    ----------
    start_us
        Start of each step, microseconds since 1970 UTC.
    counts
        False inside of excluded stretches.
    days, day
        Local days of the window, and for each step the index of its day.
    pieces
        What is left of the window without the excluded stretches.
    """

    site: Site
    start_us: Whole
    counts: Flags
    days: tuple[date, ...]
    day: Whole
    pieces: tuple[Span, ...]

    def day_shares(self, chosen: Flags) -> Values:
        """Share of each day's steps that are chosen."""
        size = np.bincount(self.day, minlength=len(self.days))
        share = np.bincount(self.day[chosen], minlength=len(self.days)) / size
        return np.asarray(share)


@dataclass(frozen=True)
class Counted:
    """Blocks that lie whole inside the counted parts of a window.

    Attributes
    ----------
    index
        Which blocks, ascending; only known ones.
    first, last
        First step of each block, and the first after it.
    heat, electricity
        kWh a block.
    """

    index: Whole
    first: Whole
    last: Whole
    heat: Values
    electricity: Values


@dataclass(frozen=True)
class PerBlock:
    """A quantity that varies by step, for each counted block.

    Attributes
    ----------
    mean
        Over the block's time; nan where it is not known for every step.
    low, high
        Lowest and highest in the block; a step without one may have any that is known
        anywhere. nan where none is known anywhere.
    """

    mean: Values
    low: Values
    high: Values

    @property
    def known(self) -> Flags:
        """Blocks in which every step has a value."""
        return ~np.isnan(self.mean)

    @property
    def varies(self) -> Flags:
        """Blocks in which it is known and not everywhere the same."""
        return self.known & (self.high > self.low)

    def bounds(self, kwh: Values) -> tuple[float | None, float | None]:
        """Least and greatest sum of kwh times value, whatever the sign of an energy."""
        if not len(kwh):
            return 0.0, 0.0
        ends = np.vstack((kwh * self.low, kwh * self.high))[:, kwh != 0]
        if np.isnan(ends).any():
            return None, None
        return float(ends.min(axis=0).sum()), float(ends.max(axis=0).sum())


def steps_of(site: Site, first: date, end: date, excluded: Sequence[Span] = ()) -> Steps:
    """Lay out the local days from `first` up to, not including, `end`."""
    edges = [
        _us(periods.on_the_hour(site.midnight(first + timedelta(n))))
        for n in range((end - first).days + 1)
    ]
    start_us = np.arange(edges[0], edges[-1], STEP_US, dtype=np.int64)
    span = periods.span(site, periods.Window("", first, end))
    pieces = tuple(periods.without(span, excluded))
    counts = np.zeros(len(start_us), dtype=bool)
    for a, b in pieces:
        counts[(_us(a) - edges[0]) // STEP_US : (_us(b) - edges[0]) // STEP_US] = True
    return Steps(
        site=site,
        start_us=start_us,
        counts=counts,
        days=tuple(first + timedelta(n) for n in range((end - first).days)),
        day=np.searchsorted(np.array(edges[1:], dtype=np.int64), start_us, side="right"),
        pieces=pieces,
    )


def counted(blocks: Blocks, steps: Steps) -> Counted:
    """The known blocks that lie whole inside one of the window's counted pieces."""
    chosen = np.zeros(len(blocks.start), dtype=bool)
    for a, b in steps.pieces:
        i = np.searchsorted(blocks.start, _us(a) // _HOUR_US, side="left")
        j = np.searchsorted(blocks.end, _us(b) // _HOUR_US, side="right")
        chosen[i:j] = True
    index = np.flatnonzero(chosen & blocks.known)
    origin = int(steps.start_us[0]) // _HOUR_US
    return Counted(
        index=index,
        first=(blocks.start[index] - origin) * STEPS_OF_HOUR,
        last=(blocks.end[index] - origin) * STEPS_OF_HOUR,
        heat=blocks.heat[index],
        electricity=blocks.electricity[index],
    )


def per_block(values: Values, blocks: Counted, known: tuple[float, float] | None) -> PerBlock:
    """Mean and limits of a stepwise quantity in each block.

    Parameters
    ----------
    values
        One a step; nan where it is not known.
    known
        Lowest and highest value that is known anywhere, for the steps without one.
    """
    if not len(blocks.index):
        none = np.empty(0)
        return PerBlock(none, none, none)
    missing = np.isnan(values)
    low, high = known if known is not None else (np.nan, np.nan)
    running = np.concatenate(([0.0], np.cumsum(np.where(missing, 0.0, values))))
    holes = np.concatenate(([0], np.cumsum(missing)))
    size = blocks.last - blocks.first
    mean = (running[blocks.last] - running[blocks.first]) / size
    whole = holes[blocks.last] == holes[blocks.first]
    lowest = _reduce(np.minimum, np.where(missing, low, values), blocks)
    highest = _reduce(np.maximum, np.where(missing, high, values), blocks)
    # Where nothing changes inside a block, rounding of the running sum has no say.
    mean = np.where(lowest == highest, lowest, np.clip(mean, lowest, highest))
    return PerBlock(np.where(whole, mean, np.nan), lowest, highest)


def _reduce(ufunc: np.ufunc, values: Values, blocks: Counted) -> Values:
    """Apply a ufunc to the steps of each block; blocks need not touch one another."""
    edges = np.ravel(np.column_stack((blocks.first, blocks.last)))
    # reduceat wants starts inside of the array: one more value, which no block holds.
    padded = np.append(values, np.nan)
    return np.asarray(ufunc.reduceat(padded, edges)[::2], dtype=np.float64)


def dated(steps: Steps, dates: Sequence[date]) -> Whole:
    """Index of the date in force at each step; -1 before the first."""
    begins = np.array([_us(steps.site.midnight(day)) for day in dates], dtype=np.int64)
    return np.searchsorted(begins, steps.start_us, side="right") - 1


def dated_days(steps: Steps, dates: Sequence[date]) -> Whole:
    """Index of the date in force on each day; -1 before the first."""
    begins = np.array([day.toordinal() for day in dates], dtype=np.int64)
    days = np.array([day.toordinal() for day in steps.days], dtype=np.int64)
    return np.searchsorted(begins, days, side="right") - 1


def pick(values: Sequence[float | None], index: Whole) -> Values:
    """Take values by index; nan for index -1 and for None."""
    table = np.array([np.nan if v is None else v for v in values] + [np.nan], dtype=np.float64)
    return np.asarray(table[index])


def electricity_prices(steps: Steps, prices: pl.DataFrame | None) -> Values:
    """Price of electricity in each step by the site's tariffs, per kWh; nan without one.

    Parameters
    ----------
    prices
        Frame of schema PRICE with the series that the tariffs name; other series are
        ignored.
    """
    tariffs = steps.site.tariff
    in_force = dated(steps, [tariff.valid_from for tariff in tariffs])
    out = np.full(len(steps.start_us), np.nan)
    week = _half_hour_of_week(steps) if any(tariff.band for tariff in tariffs) else None
    for number, tariff in enumerate(tariffs):
        here = in_force == number
        if tariff.series is not None:
            out[here] = _series(tariff.series, steps.start_us[here], prices)
        elif tariff.band and week is not None:
            out[here] = np.array(tariff.week)[week[here]]
        else:
            out[here] = tariff.price_per_kwh
    return out


def known_prices(site: Site, prices: pl.DataFrame | None) -> tuple[float, float] | None:
    """Lowest and highest price that the site's tariffs know at any time."""
    named = [tariff.series for tariff in site.tariff if tariff.series is not None]
    found = [price for tariff in site.tariff for price in tariff.week]
    if prices is not None and named:
        own = check(prices, PRICE).filter(pl.col("series").is_in(named))["price_per_kwh"]
        if len(own):
            found += [float(own.min()), float(own.max())]  # type: ignore[arg-type]
    return (min(found), max(found)) if found else None


def _half_hour_of_week(steps: Steps) -> Whole:
    local = (
        pl.Series(steps.start_us)
        .cast(pl.Datetime("us"))
        .dt.replace_time_zone("UTC")
        .dt.convert_time_zone(steps.site.zone)
    )
    day, hour, minute = (
        part.cast(pl.Int64).to_numpy()
        for part in (local.dt.weekday(), local.dt.hour(), local.dt.minute())
    )
    return np.asarray((day - 1) * 48 + hour * 2 + minute // 30, dtype=np.int64)


def _series(name: str, start_us: Whole, prices: pl.DataFrame | None) -> Values:
    if prices is None or not len(start_us):
        return np.full(len(start_us), np.nan)
    own = check(prices, PRICE).filter(pl.col("series") == name).sort("start_utc")
    if not own.height:
        return np.full(len(start_us), np.nan)
    at = own["start_utc"].to_physical().to_numpy()
    price = own["price_per_kwh"].to_numpy()
    place = np.minimum(np.searchsorted(at, start_us), len(at) - 1)
    return np.where(at[place] == start_us, price[place], np.nan)


def _us(moment: datetime) -> int:
    return round(moment.timestamp()) * 1_000_000
