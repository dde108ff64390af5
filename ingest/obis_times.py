"""Times that telegrams and readouts state, as UTC."""

from __future__ import annotations

from datetime import UTC as PY_UTC
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from ingest.clock import read_stamps
from ingest.errors import Terminal
from ingest.local_time import SECOND, Ints, Zone, parse_zone
from monitor.schemas import UTC

#: YYMMDDhhmmss, with S in summer time and W in winter time (P1 Companion Standard 5.0.2, 6.4).
STAMP = r"^\d{12}[SW]?$"
_FORMAT = "%y%m%d%H%M%S"
_HOUR = 3_600 * SECOND


def read_runs(text: pl.Series, time_format: str, zone: Zone) -> pl.DataFrame:
    """Read stamps of one clock, of which neighbours may repeat.

    A meter repeats its last capture in each telegram, which would hide the order that
    tells the two hours of an autumn night apart.

    Returns
    -------
    polars.DataFrame
        `t_utc` and `reason`, as long as `text`.
    """
    fresh = text.ne_missing(text.shift(1))
    if len(text):
        fresh[0] = True
    stamps = read_stamps(text.filter(fresh), time_format=time_format, zone=zone)
    place = fresh.cum_sum() - 1
    return pl.DataFrame({"t_utc": stamps.utc.gather(place), "reason": stamps.reason.gather(place)})


def read_meter_stamps(
    text: pl.Series, clock: pl.Series, zone: Zone, *, file: str
) -> tuple[pl.DataFrame, int]:
    """Read stamps of the form YYMMDDhhmmss, with or without S or W.

    Parameters
    ----------
    text
        Stamps; null where there is none.
    clock
        Which clock each is of, as text; order is kept within one.
    zone
        Zone of the meter.

    Returns
    -------
    tuple
        Frame of `t_utc` and `reason`, as long as `text`; and how many letters S and W
        contradict the calendar of the zone. The letter is taken at its word.

    Raises
    ------
    Terminal
        Stamps carry S or W, which are local time, but the zone is left at UTC.
    """
    told = pl.DataFrame(
        {
            "t_utc": pl.repeat(None, len(text), dtype=UTC, eager=True),
            "reason": pl.repeat(None, len(text), dtype=pl.String, eager=True),
        }
    )
    seasonal = (text.str.contains("[SW]$") & text.str.contains(STAMP)).fill_null(value=False)
    against = 0
    if seasonal.any():
        if zone.name == "UTC":
            message = (
                f"{file}: the telegrams' times carry S (summer) or W (winter), so they are local. "
                "Give the profile a 'zone', such as 'Europe/Amsterdam'."
            )
            raise Terminal(message)
        rows = seasonal.arg_true()
        read, against = _seasonal(text.gather(rows), zone)
        told = _put(told, rows, read)
    plain = ~seasonal & text.is_not_null()
    for one in clock.filter(plain).unique(maintain_order=True):
        rows = (plain & (clock == one)).arg_true()
        told = _put(told, rows, read_runs(text.gather(rows), _FORMAT, zone))
    return told, against


def _put(into: pl.DataFrame, rows: pl.Series, read: pl.DataFrame) -> pl.DataFrame:
    return into.with_columns(
        into["t_utc"].scatter(rows, read["t_utc"]), into["reason"].scatter(rows, read["reason"])
    )


def _seasonal(text: pl.Series, zone: Zone) -> tuple[pl.DataFrame, int]:
    """Read stamps with S or W, and count those that contradict the calendar."""
    naive = read_stamps(text.str.slice(0, 12), time_format=_FORMAT, zone=parse_zone("UTC"))
    years = naive.local.astype("datetime64[us]").astype("datetime64[Y]").astype(np.int64) + 1970
    winter = np.zeros(len(text), dtype=np.int64)
    summer = winter.copy()
    for year in np.unique(years):
        winter[years == year], summer[years == year] = _offsets(zone, int(year))
    offset: Ints = np.where((text.str.slice(12) == "S").to_numpy(), summer, winter)
    late = pl.Series(naive.local - offset).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")
    utc = late.set(naive.reason.is_not_null(), None).alias("t_utc")
    against = 0
    if zone.fixed is None:
        shown = utc.dt.convert_time_zone(zone.name).dt.replace_time_zone(None)
        against = int((shown != naive.utc.dt.replace_time_zone(None)).sum())
    return pl.DataFrame({"t_utc": utc, "reason": naive.reason}), against


def _offsets(zone: Zone, year: int) -> tuple[int, int]:
    """Give the offsets of winter and summer time in a year, in microseconds."""
    if zone.fixed is not None:
        return zone.fixed, zone.fixed + _HOUR
    place = ZoneInfo(zone.name)
    both = [
        (datetime(year, month, 1, tzinfo=PY_UTC).astimezone(place).utcoffset() or timedelta())
        for month in (1, 7)
    ]
    low, high = (int(one.total_seconds()) * SECOND for one in (min(both), max(both)))
    return low, high if high > low else low + _HOUR
