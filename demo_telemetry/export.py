"""Writes the export files of a home.

Layouts
-------
logger
    Comma separated, one column a quantity, ISO times in UTC.
portal
    Semicolons, decimal commas, a byte order mark, a preamble, units in the header, local
    times to the minute, a file a month.
points
    One row a value; some rows come late and so stand out of order.
halfhour
    Energy of half-hours, stamped with the local time of their end.
mbus
    A time and a telegram in hex a line.
"""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import numpy as np
import polars as pl

from demo_telemetry import mbus
from demo_telemetry.homes import Export, Home, counted_parts
from demo_telemetry.layouts import HALFHOUR_TIME, PORTAL_TIME, channels_of, header
from demo_telemetry.meters import (
    Channel,
    Fit,
    Meter,
    Outage,
    Stamps,
    interval,
    lost,
    mean_power_w,
    register,
    sensor,
)
from demo_telemetry.span import Span
from demo_telemetry.weather import STEP_S, Floats

_SPIKE = 65535.0
Fits = dict[str, tuple[Meter, tuple[Fit, ...]]]


@dataclass(frozen=True)
class Material:
    """Everything that a home's export files are made from.

    Attributes
    ----------
    cumulative
        True energy since the start by booked part, kWh, of length steps + 1.
    states
        Plain quantities, one value a step.
    fits
        By serial of the first meter: the meter and its chain of fits.
    """

    home: Home
    span: Span
    cumulative: dict[str, Floats]
    states: dict[str, Floats]
    fits: Fits
    outages: list[Outage]

    def energy(self, channel: Channel) -> Floats:
        """Give the true cumulative energy that a channel counts, kWh."""
        total: Floats = np.sum(
            [self.cumulative[part] for part in counted_parts(self.home, channel)], axis=0
        )
        return total


def _shown(
    material: Material,
    export: Export,
    meter: Meter,
    channel: Channel,
    at: Stamps,
    rng: np.random.Generator,
) -> Floats:
    grid = material.span.grid
    if channel.kind == "state":
        return sensor(channel, rng, grid, material.states[channel.parts[0]], at)
    chain = material.fits[meter.serial][1]
    energy = material.energy(channel)
    if channel.kind == "register":
        return register(channel, chain, grid, energy, at)
    if channel.kind == "interval":
        return interval(channel, chain, grid, energy, at, export.every_min * 60)
    return mean_power_w(chain, grid, energy, at)


def _plant(
    values: Floats, channel: Channel, rng: np.random.Generator, planted: dict[str, int]
) -> Floats:
    """Put failed readings and spikes among the values that are there."""
    for count, bad, what in (
        (channel.sentinels, channel.sentinel, "sentinels"),
        (channel.spikes, _SPIKE, "spikes"),
    ):
        there = np.flatnonzero(np.isfinite(values))
        if count and bad is not None and there.shape[0] > 10 * count:
            values[rng.choice(there, count, replace=False)] = bad
            planted[what] = planted.get(what, 0) + count
    return values


def _table(
    material: Material, export: Export, rng: np.random.Generator, planted: dict[str, int]
) -> pl.DataFrame:
    """Give a frame with `t` (seconds since the epoch) and one column a channel."""
    span = material.span
    step = export.every_min * 60
    first = span.begin_s + (step if export.layout == "halfhour" else 0)
    last = span.finish_s - (STEP_S if export.layout == "logger" else 0)
    at = np.arange(first, last + 1, step, dtype=np.int64)
    if export.jitter_s:
        at = np.minimum(at + rng.integers(0, export.jitter_s + 1, at.shape[0]), span.finish_s)
    columns: dict[str, Floats] = {}
    for meter, channel in channels_of(material.home, export.roles):
        values = _shown(material, export, meter, channel, at, rng)
        gone = lost(material.outages, channel.role, at)
        planted["readings_lost"] = planted.get("readings_lost", 0) + int(gone.sum())
        values = np.where(gone, np.nan, values)
        columns[header(export.layout, channel)] = _plant(values, channel, rng, planted)
    frame = pl.DataFrame({"t": at, **columns}).with_columns(pl.exclude("t").fill_nan(None))
    if not export.blank_cells:
        frame = frame.filter(~pl.all_horizontal(pl.exclude("t").is_null()))
    if export.doubled_rows and frame.height > 10 * export.doubled_rows:
        again = np.sort(rng.choice(frame.height, export.doubled_rows, replace=False))
        frame = pl.concat([frame, frame[again]]).sort("t", maintain_order=True)
        planted["doubled_rows"] = export.doubled_rows
    return frame


def _utc(column: str) -> pl.Expr:
    return (pl.col(column) * 1_000_000).cast(pl.Datetime("us", "UTC"))


def _csv(frame: pl.DataFrame, **options: object) -> bytes:
    sink = BytesIO()
    frame.write_csv(sink, **options)  # type: ignore[call-overload]
    return sink.getvalue()


def _write_logger(frame: pl.DataFrame, path: Path) -> None:
    stamp = _utc("t").dt.strftime("%Y-%m-%dT%H:%M:%SZ").alias("time")
    path.write_bytes(_csv(frame.select(stamp, pl.exclude("t"))))


def _write_halfhour(frame: pl.DataFrame, path: Path, zone: str) -> None:
    local = _utc("t").dt.convert_time_zone(zone)
    stamp = local.dt.strftime("%d/%m/%Y %H:%M").alias(HALFHOUR_TIME)
    path.write_bytes(_csv(frame.select(stamp, pl.exclude("t"))))


def _write_points(frame: pl.DataFrame, path: Path, rng: np.random.Generator) -> None:
    rows = frame.unpivot(index="t", variable_name="point", value_name="value").drop_nulls()
    late = np.where(rng.random(rows.height) < 0.03, rng.integers(0, 21_600, rows.height), 0)
    rows = rows.with_columns(arrival=pl.col("t") + pl.Series(late)).sort(
        "arrival", "point", maintain_order=True
    )
    stamp = _utc("t").dt.strftime("%Y-%m-%dT%H:%M:%SZ").alias("time")
    path.write_bytes(_csv(rows.select(stamp, "point", "value")))


def _write_portal(
    frame: pl.DataFrame, folder: Path, export: Export, home: Home, planted: dict[str, int]
) -> list[Path]:
    local = frame.with_columns(local=_utc("t").dt.convert_time_zone(home.zone))
    months = local.get_column("local").dt.truncate("1mo").unique().sort()
    paths: list[Path] = []
    rows = 0
    for month in months:
        until = pl.lit(month).dt.offset_by("1mo").dt.offset_by(f"{export.overlap_days or 0}d")
        part = local.filter((pl.col("local") >= month) & (pl.col("local") < until))
        rows += part.height
        stamp = pl.col("local").dt.strftime("%d.%m.%Y %H:%M").alias(PORTAL_TIME)
        text = _csv(part.select(stamp, pl.exclude("t", "local")), separator=";", decimal_comma=True)
        preamble = (
            f"Meter portal;\r\nHome;{home.title}\r\nMonth;{month:%m.%Y}\r\nTimes;local\r\n\r\n"
        )
        path = folder / f"{export.name}-{month:%Y-%m}.csv"
        path.write_bytes(b"\xef\xbb\xbf" + preamble.encode() + text.replace(b"\n", b"\r\n"))
        paths.append(path)
    planted["overlapping_rows"] = rows - frame.height
    return paths


def _write_mbus(
    material: Material,
    export: Export,
    path: Path,
    rng: np.random.Generator,
    planted: dict[str, int],
) -> int:
    """Write a capture; give the number of telegrams."""
    span = material.span
    lines: list[tuple[int, str]] = []
    meters = {meter.serial: meter for meter, _ in channels_of(material.home, export.roles)}
    for meter in meters.values():
        at = np.arange(span.begin_s, span.finish_s + 1, export.every_min * 60, dtype=np.int64)
        at = np.minimum(at + rng.integers(0, export.jitter_s + 1, at.shape[0]), span.finish_s)
        main = next(channel for channel in meter.channels if channel.is_energy)
        gone = lost(material.outages, main.role, at)
        planted["readings_lost"] = planted.get("readings_lost", 0) + int(gone.sum())
        at = at[~gone]
        chain = material.fits[meter.serial][1]
        energy = material.energy(main)
        shown = register(main, chain, span.grid, energy, at).round().astype(int).tolist()
        watts = mean_power_w(chain, span.grid, energy, at - STEP_S).astype(int).tolist()
        plain = {
            name: sensor(_TENTHS[name], rng, span.grid, material.states[name], at)
            for name in _TENTHS
        }
        for k, second in enumerate(at.tolist()):
            records = [
                mbus.energy_kwh(shown[k], packed=main.is_heat),
                mbus.power_w(watts[k]),
            ]
            if main.is_heat:
                records += [
                    mbus.flow_l_h(int(plain["flow_rate"][k] * 1000.0)),
                    mbus.flow_temp_tenths(round(plain["flow_temp"][k] * 10.0)),
                    mbus.return_temp_tenths(round(plain["return_temp"][k] * 10.0)),
                ]
            medium = mbus.HEAT if main.is_heat else mbus.ELECTRICITY
            maker = "QVX" if main.is_heat else "QLM"
            frame = mbus.long_frame(meter.serial, maker, medium, k, records)
            lines.append((second, frame.hex().upper()))
    lines.sort(key=lambda line: line[0])
    bad = np.sort(
        rng.choice(len(lines), min(export.corrupt_lines, len(lines) // 10), replace=False)
    )
    for turn, k in enumerate(bad.tolist()):
        second, text = lines[k]
        middle = len(text) // 2
        flipped = "0" if text[middle] != "0" else "1"
        lines[k] = (
            second,
            (
                text[:middle] + flipped + text[middle + 1 :],
                text[: middle - 1],
                text[:middle] + "??" + text[middle + 2 :],
            )[turn % 3],
        )
    planted["corrupt_lines"] = len(bad)
    stamps = (
        pl.DataFrame({"t": [second for second, _ in lines]})
        .select(_utc("t").dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
        .to_series()
        .to_list()
    )
    path.write_text(
        "".join(f"{stamp};{text}\n" for stamp, (_, text) in zip(stamps, lines, strict=True)),
        encoding="ascii",
    )
    return len(lines)


_TENTHS = {
    "flow_temp": Channel("flow_temp", ("flow_temp",), "state", "degC", 0.1),
    "return_temp": Channel("return_temp", ("return_temp",), "state", "degC", 0.1),
    "flow_rate": Channel("flow_rate", ("flow_rate",), "state", "m3/h", 0.001),
}


def write_export(
    material: Material, export: Export, folder: Path, rng: np.random.Generator
) -> tuple[list[Path], dict[str, int]]:
    """Write the files of one export.

    Returns
    -------
    tuple
        Paths in order of time, and what was written: `rows`, `readings` (cells or values that
        hold something), `files`, and counts of the troubles that were put in.
    """
    planted: dict[str, int] = {}
    folder.mkdir(parents=True, exist_ok=True)
    if export.layout == "mbus":
        path = folder / f"{export.name}.txt"
        rows = _write_mbus(material, export, path, rng, planted)
        return [path], {"files": 1, "rows": rows, **planted}
    frame = _table(material, export, rng, planted)
    cells = sum(frame.height - count for count in frame.drop("t").null_count().row(0))
    if export.layout == "portal":
        paths = _write_portal(frame, folder, export, material.home, planted)
    else:
        path = folder / f"{export.name}.csv"
        if export.layout == "logger":
            _write_logger(frame, path)
        elif export.layout == "halfhour":
            _write_halfhour(frame, path, material.home.zone)
        else:
            _write_points(frame, path, rng)
        paths = [path]
    return paths, {
        "files": len(paths), "rows": frame.height, "readings": cells, **planted
    }  # fmt: skip
