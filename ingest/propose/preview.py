"""What an import under a profile would bring, before anything is imported.

The file goes through the real adapter and the real store, a scratch one that is thrown
away, and the energy of each day comes from the slots that the account is made of. So a
preview cannot say anything else than the import will.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import polars as pl

from ingest.inbox import ImportReport, import_file
from ingest.normal_form import Target
from ingest.profile import Profile
from ingest.registry import adapter
from ingest.text_table import load_text
from monitor.errors import PledgewattError
from monitor.metrics.slots import BRIDGED, MEASURED
from monitor.models import HeatPump, MeterFit, Role, Site
from monitor.refresh import derive
from monitor.rules import DEFAULT_RULES
from monitor.store import readings
from monitor.store.connection import open_store
from monitor.store.sites import save_site, stored_channels

#: Lines of the file and refused readings that are shown.
FIRST_ROWS: Final = 12
MOST_REFUSED: Final = 200
_WIDEST: Final = 400
#: Power that no home reaches, where no site says what it can have, kW.
_ANY_POWER_KW: Final = 500.0
_LONG_AGO: Final = datetime(1971, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Preview:
    """What an import would bring.

    Attributes
    ----------
    first
        The first lines of the file as they stand there; empty for binary formats.
    read
        The first readings as the account takes them: `t_utc`, then one column a role, in
        kWh, kW, degC, m3/h.
    report
        With the accounting identity (R10).
    refused
        Columns `line`, `column`, `raw`, `reason`, `count`: one row a reason and column,
        with the first such reading.
    suspects
        The same for readings that the account would set aside (R6).
    days
        Columns `day`, `role`, `kwh`, `measured_h`, `bridged_h`, `missing_h`: local days of
        the site, energy of the measured hours.
    bridged_kwh
        Energy whose hours are not known, by role.
    """

    first: tuple[tuple[int, str], ...]
    read: pl.DataFrame
    report: ImportReport
    refused: pl.DataFrame
    suspects: pl.DataFrame
    days: pl.DataFrame
    bridged_kwh: dict[str, float]


def stand_in(profile: Profile, targets: tuple[Target, ...]) -> Site:
    """Make a site that has the meters of a file, for a preview without a site.

    Where a file has several meters of one role, the first of them is taken.
    """
    meters: dict[tuple[str, str], list[dict[str, str]]] = {}
    taken: set[Role] = set()
    for target in targets:
        role = target.column.role
        if role in taken:
            continue
        taken.add(role)
        measures = "heat" if role.is_heat else "electricity" if role.is_electricity else "sensors"
        serial = target.serial or measures
        channel = {"role": role.value, "kind": target.column.kind.value}
        meters.setdefault((measures, serial), []).append(channel)
    return Site(
        id="preview",
        name="Preview",
        zone=profile.zone if "/" in profile.zone else "UTC",
        commissioned=_LONG_AGO.date(),
        heat_pump=HeatPump(
            nominal_heat_kw=_ANY_POWER_KW,
            max_heat_kw=_ANY_POWER_KW,
            max_electric_kw=_ANY_POWER_KW,
        ),
        meter=tuple(
            MeterFit.model_validate(
                {
                    "serial": serial[:64],
                    "measures": measures,
                    "fitted": _LONG_AGO,
                    "channel": channels,
                }
            )
            for (measures, serial), channels in meters.items()
        ),
    )


def preview(path: Path, profile: Profile, site: Site | None, *, now: datetime) -> Preview:
    """Import a file into a scratch store and say what came of it.

    Raises
    ------
    PledgewattError
        The file cannot be imported under this profile; the sentence says why.
    """
    if site is None:
        targets = adapter(profile.format).read(path, profile).targets
        used = stand_in(profile, targets or tuple(Target(one, "") for one in profile.column))
    else:
        used = site.model_copy(update={"terms": ()})
    with (
        tempfile.TemporaryDirectory(prefix="preview-") as folder,
        open_store(Path(folder) / "scratch.duckdb", create=True) as scratch,
    ):
        save_site(scratch, used, now)
        report = import_file(scratch, used.id, path, profile, now=now)
        refused = readings.quarantined(scratch, used.id)
        channels = stored_channels(scratch, used)
        frame = readings.load_readings(scratch, [one.channel_id for one in channels])
        slots, _, suspects, _ = derive(used, channels, frame, DEFAULT_RULES)
    names = {one.channel_id: one.channel.role.value for one in channels}
    return Preview(
        first=first_lines(path, profile),
        read=_first_read(frame, names),
        report=report,
        refused=_by_reason(
            refused.select("line", pl.col("source_column").alias("column"), "raw", "reason")
        ),
        suspects=_by_reason(
            suspects.select(
                pl.lit(None, pl.Int64).alias("line"),
                pl.col("channel_id").replace_strict(names, return_dtype=pl.String).alias("column"),
                (
                    pl.col("t_utc").dt.to_string("%Y-%m-%d %H:%M UTC: ")
                    + pl.col("value").cast(pl.String)
                ).alias("raw"),
                "reason",
            )
        ),
        days=_days(slots, used.zone),
        bridged_kwh=_bridged(slots),
    )


def _first_read(frame: pl.DataFrame, names: dict[int, str]) -> pl.DataFrame:
    """Give the first readings, a row a time and a column a role."""
    times = frame["t_utc"].unique().sort().head(FIRST_ROWS)
    return (
        frame.filter(pl.col("t_utc").is_in(times.implode()))
        .with_columns(pl.col("channel_id").replace_strict(names, return_dtype=pl.String))
        .pivot("channel_id", index="t_utc", values="value", aggregate_function="first")
        .sort("t_utc")
    )


def first_lines(path: Path, profile: Profile) -> tuple[tuple[int, str], ...]:
    """Give the first lines of a text with their numbers, cut to a readable width."""
    if profile.format in ("excel", "parquet"):
        return ()
    encoding = profile.delimited.encoding if profile.delimited is not None else None
    try:
        text = load_text(path, encoding)
    except PledgewattError:
        return ()
    count = min(len(text.start), FIRST_ROWS)
    return tuple((index + 1, text.line(index)[:_WIDEST]) for index in range(count))


def _by_reason(frame: pl.DataFrame) -> pl.DataFrame:
    """One row a column and reason, the commonest first."""
    return (
        frame.group_by("column", "reason", maintain_order=True)
        .agg(pl.col("line").first(), pl.col("raw").first(), pl.len().alias("count"))
        .sort("count", descending=True, maintain_order=True)
        .head(MOST_REFUSED)
        .select("line", "column", "raw", "reason", "count")
    )


def _days(slots: pl.DataFrame, zone: str) -> pl.DataFrame:
    """Energy of each local day and role, and how many of its hours are known."""
    status = pl.col("status")
    return (
        slots.with_columns(
            pl.col("slot_start_utc").dt.convert_time_zone(zone).dt.date().alias("day")
        )
        .group_by("day", "role")
        .agg(
            pl.col("kwh").filter(status == MEASURED).sum().alias("kwh"),
            (status == MEASURED).sum().alias("measured_h"),
            (status == BRIDGED).sum().alias("bridged_h"),
            ((status != MEASURED) & (status != BRIDGED)).sum().alias("missing_h"),
        )
        .sort("day", "role")
    )


def _bridged(slots: pl.DataFrame) -> dict[str, float]:
    blocks = (
        slots.filter(pl.col("status") == BRIDGED)
        .unique(["role", "block_start_utc"])
        .group_by("role")
        .agg(pl.col("block_kwh").sum())
        .sort("role")
    )
    return dict(blocks.rows())
