"""Weather to come: resampled years of a place's reference climate.

A climate is a seasonal cycle of daily outdoor temperature with anomalies about it. Three
sources: hourly or daily reference years, twelve published monthly means, or the site's own
record. A site is not where its reference was measured: how far it lies off is learnt
from the site's own outdoor temperatures, and what is not yet known of it stays in the
spread of the years drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from statistics import NormalDist
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

Values = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

YEAR: Final = 365.25

#: Standard deviation of a year's mean about the climate's, K. From memory: the spread of
#: annual means in north-west Europe.
YEAR_SPREAD_K: Final = 0.6

#: How far a site may lie from its reference: in the mean and in the amplitude of the
#: seasonal cycle, K. Common practice, no source.
PLACE_SPREAD_K: Final = 1.2
AMPLITUDE_SPREAD_K: Final = 0.7

#: Daily anomalies where only monthly means are known: standard deviation in mid-winter and
#: mid-summer, K, and the number of days after which the correlation has fallen to 1/e.
#: Common practice, no source.
WINTER_SD_K: Final = 3.2
SUMMER_SD_K: Final = 2.4
MEMORY_DAYS: Final = 4.0

#: Anomalies are drawn in blocks of this many days from this many days about the date.
#: Common practice, no source.
BLOCK_DAYS: Final = 10
WINDOW_DAYS: Final = 30

#: Coldest and warmest day of year of a northern climate, for the spread by season.
_COLDEST: Final = 20.0

#: Monthly mean outdoor temperature of the United Kingdom, degC: SAP 10.2 (2021),
#: Appendix U, Table U1, region 0. The reference where nothing else is said.
UK_ORIGIN: Final = "monthly means of the United Kingdom (SAP 10.2, Table U1)"
UK_AVERAGE: Final = (4.3, 4.9, 6.5, 8.9, 11.7, 14.6, 16.6, 16.4, 14.1, 10.6, 7.1, 4.2)

#: A site this many standard deviations off has been given another place's climate.
_FAR: Final = 3.0

_MONTH_LENGTH: Final = np.array([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])

#: Days that a record must have before it is a climate of its own.
LEAST_OWN_DAYS: Final = 350


@dataclass(frozen=True)
class Climate:
    """A seasonal cycle and what strays from it.

    Attributes
    ----------
    origin
        Where it comes from, in words for a reader.
    cycle
        Coefficients of the seasonal cycle: mean, then cosine and sine of each harmonic.
    anomalies
        Daily anomalies of whole years in the order of the calendar, shape
        (years, 365); None where they are drawn from a first-order process.
    place_k, amplitude_k
        Standard deviation of how far a site may lie from it.
    """

    origin: str
    cycle: Values
    anomalies: Values | None
    place_k: float = PLACE_SPREAD_K
    amplitude_k: float = AMPLITUDE_SPREAD_K

    def normal(self, day_of_year: Values) -> Values:
        """Seasonal cycle at days of the year, degC."""
        harmonics = (len(self.cycle) - 1) // 2
        return np.asarray(_basis(np.asarray(day_of_year, dtype=float), harmonics) @ self.cycle)


@dataclass(frozen=True)
class Placed:
    """A climate as it lies at a site.

    Attributes
    ----------
    mean, root
        Offset and change of the amplitude, K, and the Cholesky factor of their covariance.
    """

    climate: Climate
    mean: Values
    root: Values

    @property
    def fits(self) -> bool:
        """False where the site lies further off than a reference for it should."""
        return bool(
            abs(self.mean[0]) < _FAR * self.climate.place_k
            and abs(self.mean[1]) < _FAR * self.climate.amplitude_k
        )


def _basis(day_of_year: Values, harmonics: int) -> Values:
    angle = 2.0 * np.pi * (day_of_year - 0.5) / YEAR
    columns = [np.ones_like(angle)]
    for k in range(1, harmonics + 1):
        columns += [np.cos(k * angle), np.sin(k * angle)]
    return np.stack(columns, axis=-1)


def day_of_year(days: pl.Series) -> Values:
    """Day of the year, 1 to 366, of a series of dates."""
    return days.dt.ordinal_day().to_numpy().astype(np.float64)


def from_months(means: tuple[float, ...], origin: str) -> Climate:
    """Climate of twelve monthly means, which its cycle meets to a tenth of a kelvin.

    Raises
    ------
    ValueError
        There are not twelve of them, or one is no temperature.
    """
    values = np.asarray(means, dtype=float)
    if values.shape != (12,) or not np.all(np.isfinite(values)) or np.any(np.abs(values) > 60):
        message = "a climate by months needs twelve mean temperatures in degC, January first"
        raise ValueError(message)
    fine = _basis(np.arange(0.5, YEAR, 0.25) + 0.5, 5)
    edge = np.concatenate(([0.0], np.cumsum(_MONTH_LENGTH)))
    month = np.searchsorted(edge, np.arange(0.5, YEAR, 0.25), side="right") - 1
    monthly = np.stack([fine[month == m].mean(axis=0) for m in range(12)])
    # Eleven coefficients for twelve means: the smallest that fits best.
    cycle = np.linalg.lstsq(monthly, values, rcond=None)[0]
    return Climate(origin, cycle, None)


def from_days(days: pl.Series, outdoor_c: Values, origin: str, *, own: bool = False) -> Climate:
    """Climate of daily means of one or more whole years, as from a reference year.

    Parameters
    ----------
    days
        Dates, each once; at least `LEAST_OWN_DAYS` of them.
    outdoor_c
        Mean outdoor temperature of each, degC.
    own
        True for the site's own record, which lies where the site lies: it is off the
        climate by no more than its few years are.

    Raises
    ------
    ValueError
        There are fewer days, or not every part of the year is there.
    """
    doy = day_of_year(days)
    values = np.asarray(outdoor_c, dtype=float)
    seen = np.zeros(366, dtype=bool)
    seen[np.minimum(doy, 365).astype(int) - 1] = True
    if len(values) < LEAST_OWN_DAYS or seen[:365].sum() < LEAST_OWN_DAYS:
        message = (
            f"a climate by days needs at least {LEAST_OWN_DAYS} different days of the year; "
            f"there are {int(seen[:365].sum())}"
        )
        raise ValueError(message)
    basis = _basis(doy, 2)
    cycle = np.linalg.lstsq(basis, values, rcond=None)[0]
    rest = values - basis @ cycle
    year = days.dt.year().to_numpy()
    years = np.unique(year)
    table = np.full((len(years), 365), np.nan)
    table[np.searchsorted(years, year), np.minimum(doy, 365).astype(int) - 1] = rest
    table = table[np.isfinite(table).sum(axis=1) > 0]
    # A day that one year lacks is taken from the years that have it, or from its neighbours.
    filled = np.where(np.isfinite(table), table, _column_means(table))
    if not own:
        return Climate(origin, cycle, filled)
    spread = YEAR_SPREAD_K / float(np.sqrt(len(values) / YEAR))
    return Climate(origin, cycle, filled, spread, spread)


def reference(days: pl.Series, outdoor_c: Values) -> Climate:
    """Reference climate where none is given: the site's own record, once it is long enough.

    Before that it is the average of the United Kingdom, which says so in its origin.

    Parameters
    ----------
    days, outdoor_c
        Dates and daily means of the site; NaN is allowed.
    """
    known = np.isfinite(outdoor_c)
    try:
        return from_days(
            days.filter(pl.Series(known)), outdoor_c[known], "the site's own record", own=True
        )
    except ValueError:
        return from_months(UK_AVERAGE, UK_ORIGIN)


def _column_means(table: Values) -> Values:
    known = np.isfinite(table)
    count = known.sum(axis=0)
    mean = np.where(known, table, 0.0).sum(axis=0) / np.maximum(count, 1)
    at = np.flatnonzero(count)
    return np.asarray(np.interp(np.arange(365), at, mean[at], period=365))


def _season(doy: Values) -> Values:
    return np.cos(2.0 * np.pi * (doy - _COLDEST) / YEAR)


def _daily_sd(doy: Values) -> Values:
    half = 0.5 * (WINTER_SD_K - SUMMER_SD_K)
    return np.asarray(0.5 * (WINTER_SD_K + SUMMER_SD_K) + half * _season(doy))


def place(climate: Climate, days: pl.Series, outdoor_c: Values) -> Placed:
    """Learn from a site's own days how far it lies off its reference climate.

    A Gaussian prior on offset and amplitude meets the site's days, of which successive
    ones tell little anew: with daily correlation r, n days count as n (1 - r)/(1 + r), and
    what their own year strays does not average out.

    Parameters
    ----------
    days, outdoor_c
        Dates and daily means of the site; NaN or none at all are allowed.
    """
    values = np.asarray(outdoor_c, dtype=float)
    ok = np.isfinite(values)
    doy = day_of_year(days)[ok] if len(days) else np.empty(0)
    # What the site's days show is its offset and their own year's together.
    years = max(1.0, float(ok.sum()) / YEAR)
    year_variance = YEAR_SPREAD_K**2 / years if ok.any() else 0.0
    both = climate.place_k**2 + year_variance
    information = np.diag([1.0 / both, climate.amplitude_k**-2.0])
    gap = values[ok] - climate.normal(doy)
    design = np.stack([np.ones_like(doy), -_season(doy)], axis=1)
    keep = np.exp(-1.0 / MEMORY_DAYS)
    weight = (1.0 - keep) / (1.0 + keep) / _daily_sd(doy) ** 2
    information = information + design.T @ (design * weight[:, None])
    mean = np.linalg.solve(information, design.T @ (weight * gap))
    share = np.diag([climate.place_k**2 / both, 1.0])
    mean = share @ mean
    covariance = share @ np.linalg.inv(information) @ share
    covariance[0, 0] += share[0, 0] * year_variance
    return Placed(climate, mean, np.linalg.cholesky(covariance))


def degree_days(placed: Placed, base_c: float) -> float:
    """Degree days of a usual year at a site, K d.

    Days stray about the seasonal cycle by a normal distribution, so that mild months have some
    too: E max(b - T, 0) = s (z F(z) + f(z)) with z = (b - m) / s.
    """
    doy = np.arange(1.0, 366.0)
    normal = placed.climate.normal(doy) + placed.mean[0] - placed.mean[1] * _season(doy)
    sd = _daily_sd(doy)
    z = (base_c - normal) / sd
    below = np.array([NormalDist().cdf(one) for one in z])
    density = np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi)
    return float((sd * (z * below + density)).sum()) * YEAR / 365.0


def draw(placed: Placed, first: date, count: int, members: int, rng: np.random.Generator) -> Values:
    """Draw possible courses of daily outdoor temperature.

    Returns
    -------
    array of shape (members, count)
        degC, from the day `first` on.
    """
    days = pl.date_range(first, date.fromordinal(first.toordinal() + count - 1), eager=True)
    doy = day_of_year(days)
    climate = placed.climate
    where = placed.mean + rng.standard_normal((members, 2)) @ placed.root.T
    year = rng.standard_normal(members) * YEAR_SPREAD_K
    out = climate.normal(doy) + where[:, :1] + year[:, None] - where[:, 1:] * _season(doy)
    out += (
        _first_order(doy, members, rng)
        if climate.anomalies is None
        else _blocks(climate.anomalies, doy, members, rng)
    )
    return np.asarray(out)


def _first_order(doy: Values, members: int, rng: np.random.Generator) -> Values:
    keep = np.exp(-1.0 / MEMORY_DAYS)
    shocks = rng.standard_normal((len(doy), members)) * np.sqrt(1.0 - keep**2)
    shocks[0] /= np.sqrt(1.0 - keep**2)
    for i in range(1, len(doy)):
        shocks[i] += keep * shocks[i - 1]
    return np.asarray((shocks * _daily_sd(doy)[:, None]).T)


def _blocks(anomalies: Values, doy: Values, members: int, rng: np.random.Generator) -> Values:
    count = -(-len(doy) // BLOCK_DAYS)
    shift = rng.integers(-WINDOW_DAYS, WINDOW_DAYS + 1, (members, count))
    year = rng.integers(0, anomalies.shape[0], (members, count))
    block = np.arange(len(doy)) // BLOCK_DAYS
    at = (np.minimum(doy, 365).astype(np.int64) - 1 + shift[:, block]) % 365
    return np.asarray(anomalies[year[:, block], at])
