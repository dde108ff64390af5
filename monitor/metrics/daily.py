"""One row a local day: what the energy model of a site learns from."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.metrics import periods
from monitor.metrics.boundary import Recipe
from monitor.metrics.courses import HOUR_US
from monitor.metrics.performance import Blocks, exclude, pair
from monitor.models import Role, Site
from monitor.schemas import SLOT, STATE_SLOT, Schema, check, empty

#: Columns of a day frame. Hours are UTC hours that start on the local date; `hours_known`
#: are those in which every stream of the boundary is known (R7), `hours_placed` those
#: of them whose energy is placed to within a day. Energies are sums over placed hours.
#: `outdoor_from` says where the outdoor temperature comes from: meter, file or null.
DAY: Final[Schema] = {
    "day": pl.Date,
    "hours": pl.Int64,
    "hours_known": pl.Int64,
    "hours_placed": pl.Int64,
    "heat_kwh": pl.Float64,
    "electricity_kwh": pl.Float64,
    "dhw_kwh": pl.Float64,
    "outdoor_c": pl.Float64,
    "outdoor_from": pl.String,
    "source_c": pl.Float64,
    "flow_c": pl.Float64,
    "complete": pl.Boolean,
}

#: Columns of daily weather from elsewhere.
DAILY_WEATHER: Final[Schema] = {"day": pl.Date, "outdoor_c": pl.Float64}

#: A bridged block up to this long is spread evenly over its hours; a longer one does not
#: make days. Only the energy model sees the spread energy, never an account (R9).
LONGEST_SPREAD_H: Final = 24

#: A day's mean temperature needs samples in each of so many equal parts of the day, a part
#: counting once however many there are. Common practice, no source.
DAY_PARTS: Final = 4

#: Share of a day's heat during which the flow temperature must be known.
#: Common practice, no source.
LEAST_FLOW_SHARE: Final = 0.5

Whole = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]


def _hourly(blocks: Blocks) -> pl.DataFrame:
    """Known blocks, hour by hour, with energy spread where it may be."""
    size = blocks.end - blocks.start
    count = np.repeat(size, size)
    offset = np.arange(int(size.sum())) - np.repeat(np.cumsum(size) - size, size)
    known = np.repeat(blocks.known, size)
    placed = known & (count <= LONGEST_SPREAD_H)
    share = np.where(placed, 1.0 / np.maximum(count, 1), 0.0)
    return pl.DataFrame(
        {
            "hour": np.repeat(blocks.start, size) + offset,
            "known": known,
            "placed": placed,
            "heat": np.repeat(blocks.heat, size) * share,
            "electricity": np.repeat(blocks.electricity, size) * share,
        }
    )


def _local(site: Site) -> pl.Expr:
    """Local time of a slot, from its UTC hour since 1970 in column `hour`."""
    return (
        (pl.col("hour") * HOUR_US)
        .cast(pl.Datetime("us"))
        .dt.replace_time_zone("UTC")
        .dt.convert_time_zone(site.zone)
    )


def _local_date(site: Site) -> pl.Expr:
    """Local date of a slot."""
    return _local(site).dt.date().alias("day")


def _state(site: Site, states: pl.DataFrame, role: Role, name: str) -> pl.DataFrame:
    """Daily means of a plain quantity, where samples are spread over the day."""
    return (
        states.filter((pl.col("role") == role.value) & (pl.col("covered") > 0))
        .with_columns((pl.col("slot_start_utc").to_physical() // HOUR_US).alias("hour"))
        .with_columns(
            _local_date(site),
            (_local(site).dt.hour().cast(pl.Int64) * DAY_PARTS // 24).alias("part"),
        )
        .group_by("day", "part")
        .agg(pl.col("mean").mean())
        .group_by("day")
        .agg(pl.col("mean").mean().alias(name), pl.len().alias("parts"))
        .filter(pl.col("parts") == DAY_PARTS)
        .select("day", name)
    )


def day_frame(
    site: Site,
    recipe: Recipe,
    slots: pl.DataFrame,
    states: pl.DataFrame,
    weather: pl.DataFrame | None = None,
    excluded: Sequence[tuple[datetime, datetime]] = (),
) -> pl.DataFrame:
    """Days of a site, from the first local day with a slot to the last.

    Parameters
    ----------
    slots, states
        Frames of schema SLOT and STATE_SLOT of this site.
    weather
        Frame of schema DAILY_WEATHER for days that no outdoor sensor of the site covers.
    excluded
        Stretches (UTC, on the hour) that do not count; a day that one touches is not
        complete.

    Returns
    -------
    pl.DataFrame
        Frame of schema DAY without holes. A day is `complete` if all its hours are
        placed; the energies of other days are partial sums.
    """
    slots = check(slots, SLOT)
    states = check(states, STATE_SLOT)
    blocks = exclude(pair(slots, recipe), excluded)
    if len(blocks.start) == 0:
        return empty(DAY)
    hourly = _hourly(blocks).with_columns(_local_date(site))
    first, last = hourly["day"].min(), hourly["day"].max()
    assert isinstance(first, date)  # noqa: S101 - the frame has rows
    assert isinstance(last, date)  # noqa: S101
    calendar = _calendar(site, first, last)
    energy = hourly.group_by("day").agg(
        pl.col("known").sum().cast(pl.Int64).alias("hours_known"),
        pl.col("placed").sum().cast(pl.Int64).alias("hours_placed"),
        pl.col("heat").sum().alias("heat_kwh"),
        pl.col("electricity").sum().alias("electricity_kwh"),
    )
    out = calendar.join(energy, on="day", how="left").with_columns(
        pl.col("hours_known", "hours_placed").fill_null(0),
        pl.col("heat_kwh", "electricity_kwh").fill_null(0.0),
    )
    for part in (
        _hot_water(site, slots),
        _state(site, states, Role.OUTDOOR_TEMP, "outdoor_c"),
        _state(site, states, Role.SOURCE_TEMP, "source_c"),
        _flow(states, hourly),
    ):
        out = out.join(part, on="day", how="left")
    own = pl.col("outdoor_c").is_not_null()
    out = out.with_columns(pl.when(own).then(pl.lit("meter")).alias("outdoor_from"))
    if weather is not None:
        other = check(weather, DAILY_WEATHER).rename({"outdoor_c": "elsewhere"}).unique("day")
        found = pl.col("elsewhere").is_not_null()
        out = out.join(other, on="day", how="left").with_columns(
            pl.coalesce("outdoor_c", "elsewhere").alias("outdoor_c"),
            pl.when(own)
            .then(pl.lit("meter"))
            .when(found)
            .then(pl.lit("file"))
            .alias("outdoor_from"),
        )
    complete = (pl.col("hours_placed") == pl.col("hours")) & (pl.col("hours") > 0)
    return check(
        out.with_columns(
            complete.alias("complete"),
            pl.when(pl.col("dhw_hours") == pl.col("hours")).then(pl.col("dhw_kwh")),
        ).sort("day"),
        DAY,
    )


def _calendar(site: Site, first: date, last: date) -> pl.DataFrame:
    """Each local day with its number of hours: 23, 24 or 25."""
    days = pl.date_range(first, last, eager=True)
    window = [periods.span(site, day) for day in periods.days(first, last)]
    hours = [int((b - a).total_seconds()) // 3600 for a, b in window]
    last_span = periods.span(site, periods.days(last, date.fromordinal(last.toordinal() + 1))[0])
    hours.append(int((last_span[1] - last_span[0]).total_seconds()) // 3600)
    return pl.DataFrame({"day": days, "hours": pl.Series(hours, dtype=pl.Int64)})


def _hot_water(site: Site, slots: pl.DataFrame) -> pl.DataFrame:
    """Heat of the hot water stream, where the site has one."""
    own = slots.filter(pl.col("role") == Role.HEAT_DHW.value).with_columns(
        ((pl.col("block_end_utc") - pl.col("block_start_utc")).dt.total_hours()).alias("length")
    )
    return (
        own.filter(pl.col("length") <= LONGEST_SPREAD_H)
        .with_columns((pl.col("slot_start_utc").to_physical() // HOUR_US).alias("hour"))
        .with_columns(_local_date(site), (pl.col("block_kwh") / pl.col("length")).alias("kwh"))
        .group_by("day")
        .agg(pl.col("kwh").sum().alias("dhw_kwh"), pl.len().cast(pl.Int64).alias("dhw_hours"))
    )


def _flow(states: pl.DataFrame, hourly: pl.DataFrame) -> pl.DataFrame:
    """Daily flow temperature, each hour weighted by its heat."""
    flow = states.filter((pl.col("role") == Role.FLOW_TEMP.value) & (pl.col("covered") > 0)).select(
        (pl.col("slot_start_utc").to_physical() // HOUR_US).alias("hour"), "mean"
    )
    known = pl.col("mean").is_not_null()
    return (
        hourly.filter(pl.col("placed") & (pl.col("heat") > 0))
        .join(flow, on="hour", how="left")
        .group_by("day")
        .agg(
            (pl.col("mean") * pl.col("heat")).sum().alias("weighted"),
            pl.col("heat").filter(known).sum().alias("with_flow"),
            pl.col("heat").sum(),
        )
        .filter(
            (pl.col("with_flow") > 0) & (pl.col("with_flow") >= LEAST_FLOW_SHARE * pl.col("heat"))
        )
        .select("day", (pl.col("weighted") / pl.col("with_flow")).alias("flow_c"))
    )


def unknown_hours(
    site: Site, blocks: Blocks, first: date, end: date, until: datetime
) -> tuple[Whole, Whole, Whole]:
    """Hours of each local day that count and that the account of [first, until) does not know.

    Blocks that reach out of the window are not known inside it, as in the account. Hours
    that are excluded count neither as known nor as unknown.

    Returns
    -------
    tuple of int arrays, one element a local day from `first` up to `end`
        Hours not known that have passed; hours to come; and all hours of the day.
    """
    days = periods.days(first, end)
    edges = [periods.span(site, day)[0] for day in days] + [periods.span(site, days[-1])[1]]
    edge = np.array([int(moment.timestamp()) // 3600 for moment in edges], dtype=np.int64)
    hours = np.diff(edge)
    stop = int(np.clip(int(until.timestamp()) // 3600, edge[0], edge[-1]))
    counts = np.ones(int(edge[-1] - edge[0]), dtype=bool)
    excluded = blocks.excluded[(blocks.excluded >= edge[0]) & (blocks.excluded < edge[-1])]
    counts[excluded - edge[0]] = False
    inside = blocks.known & (blocks.start >= edge[0]) & (blocks.end <= stop)
    size = (blocks.end - blocks.start)[inside]
    offset = np.arange(int(size.sum())) - np.repeat(np.cumsum(size) - size, size)
    known = np.zeros(len(counts), dtype=bool)
    known[np.repeat(blocks.start[inside], size) + offset - edge[0]] = True
    gone = np.arange(len(counts)) < stop - edge[0]

    def by_day(flags: npt.NDArray[np.bool_]) -> Whole:
        return np.asarray(np.add.reduceat(flags.astype(np.int64), edge[:-1] - edge[0]))

    return by_day(counts & gone & ~known), by_day(counts & ~gone), hours
