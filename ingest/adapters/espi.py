"""ESPI XML (NAESB REQ.21), the feed of utilities' customer portals.

A point is a MeterReading. It is called by the end of its address, such as
'UsagePoint/2/MeterReading/01', by its title, or by its place in the file.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

from ingest.clock import Stamps, read_stamps
from ingest.errors import Terminal
from ingest.espi_feed import Entry, Feed, read_feed
from ingest.espi_meaning import described, hold, measure, quality_reason
from ingest.layouts_telegrams import Espi
from ingest.local_time import Ints, parse_zone
from ingest.normal_form import Extract
from ingest.numbers import read_numbers, shown
from ingest.points import POINTS, extract_points
from ingest.profile import Column, Profile
from monitor.errors import DescriptionError
from monitor.models import Kind
from monitor.schemas import Schema, empty

_TAIL = re.compile(r"UsagePoint/[^/]+/MeterReading/[^/]+$")
_LONGEST_S = 366 * 86_400
_READ: Schema = {
    "line": pl.Int64,
    "meter": pl.Int64,
    "start": pl.String,
    "length": pl.String,
    "cell": pl.String,
    "quality": pl.String,
}
_FACTS: Schema = {
    "meter": pl.Int64,
    "point": pl.String,
    "unit": pl.String,
    "factor": pl.Float64,
    "usual_s": pl.Int64,
    "usual_quality": pl.String,
    "wrong": pl.String,
    "at_end": pl.Boolean,
}


@dataclass
class _Meter:
    """One MeterReading with its ReadingType and the number of its readings."""

    address: str
    title: str
    number: str
    kind: Entry | None
    readings: int = 0
    path: str = ""
    columns: list[Column] = field(default_factory=list)

    @property
    def name(self) -> str:
        """What a profile calls it: as it does, or as it may."""
        return (self.columns[0].column if self.columns else None) or self.path


class EspiAdapter:
    """Reads ESPI XML; see `ingest.registry.Adapter`.

    A reading is one IntervalReading. Those that are marked as estimated, edited or the
    like are refused, for they were not measured.
    """

    name = "espi"

    def read(self, path: Path, profile: Profile) -> Extract:
        """Read a whole file.

        Raises
        ------
        DescriptionError
            The profile cannot be used for this format or file.
        Terminal, Transient
            The file cannot be read as the profile says, or not now.
        """
        layout = profile.espi or Espi()
        feed = read_feed(path)
        notes = list(feed.notes)
        _refuse_strangers(path.name, feed)
        meters, owner = _linked(feed, notes)
        _name(path.name, meters, profile)
        for meter in meters:
            for column in meter.columns:
                note = hold(path.name, meter.name, meter.kind, column)
                if note and note not in notes:
                    notes.append(note)
        notes += _listed(feed, meters, owner)
        frame = _points(feed, meters, owner, profile, layout)
        if feed.broken is not None:
            line, why = feed.broken
            notes.append(
                f"{path.name} breaks off in line {line} ({why}); what stands before was read. "
                "Export it again and import that too."
            )
            frame = pl.concat([frame, _break(line, why)])
        return extract_points(path.name, frame, profile, lines=len(feed.line), notes=tuple(notes))


def _refuse_strangers(file: str, feed: Feed) -> None:
    known = any(entry.content is not None for entry in feed.entries)
    if feed.broken is not None and not feed.line:
        line, why = feed.broken
        message = (
            f"{file}, line {line}: this cannot be read as XML ({why}), and no readings stand "
            "before it. Export the file again."
        )
        raise Terminal(message)
    if not known:
        message = (
            f"{file} is XML, but no ESPI feed: it holds no UsagePoint, MeterReading, ReadingType "
            "or IntervalBlock."
        )
        raise Terminal(message)


def _linked(feed: Feed, notes: list[str]) -> tuple[list[_Meter], dict[int, int]]:
    """Give the MeterReadings, and for each entry with readings the index of its own."""
    kinds = {entry.address: entry for entry in feed.entries if entry.content == "ReadingType"}
    places = _places(feed)
    meters: list[_Meter] = []
    owners: dict[str, int] = {}
    counts: dict[int, int] = {}
    for entry in feed.entries:
        if entry.content != "MeterReading" or (entry.address and entry.address in owners):
            continue
        linked = [kinds[href] for href in entry.links.get("related", []) if href in kinds]
        place = places.get(entry.up, 1)
        counts[place] = counts.get(place, 0) + 1
        title = f"UsagePoint {place} / MeterReading {counts[place]}"
        index = len(meters)
        meters.append(_Meter(entry.address, entry.title, title, linked[0] if linked else None))
        for href in _block_addresses(entry):
            owners.setdefault(href, index)
    if len(meters) == 1 and meters[0].kind is None and len(kinds) == 1:
        meters[0].kind = next(iter(kinds.values()))
        notes.append("No link leads to the ReadingType; the only one of the file was taken.")
    owner: dict[int, int] = {}
    for number, entry in enumerate(feed.entries):
        if not entry.readings:
            continue
        found = next((owners[href] for href in _ways_up(entry) if href in owners), None)
        if found is None and len(meters) == 1:
            found = 0
        if found is not None:
            owner[number] = found
            meters[found].readings += entry.readings
    _give_paths(meters)
    return meters, owner


def _places(feed: Feed) -> dict[str, int]:
    """Number the UsagePoints; keyed by each address that a MeterReading may name as its own."""
    places: dict[str, int] = {}
    points = [entry for entry in feed.entries if entry.content == "UsagePoint"]
    for number, entry in enumerate(points, 1):
        own = (entry.address, f"{entry.address}/MeterReading") if entry.address else ()
        related = (
            href for href in entry.links.get("related", []) if href.endswith("/MeterReading")
        )
        for href in (*own, *related):
            places.setdefault(href, number)
    return places


def _block_addresses(entry: Entry) -> Iterator[str]:
    """Give the addresses that a block of a MeterReading may name as what it belongs to."""
    if entry.address:
        yield entry.address
        yield f"{entry.address}/IntervalBlock"
    for href in entry.links.get("related", []):
        if href.endswith("/IntervalBlock"):
            yield href


def _ways_up(entry: Entry) -> Iterator[str]:
    if entry.up:
        yield entry.up
    if entry.address:
        parent = entry.address.rpartition("/")[0]
        yield parent
        yield parent.rpartition("/")[0]


def _give_paths(meters: list[_Meter]) -> None:
    tails = [_TAIL.search(meter.address) for meter in meters]
    short = [tail[0] if tail else "" for tail in tails]
    counts = Counter(short)
    for meter, tail in zip(meters, short, strict=True):
        own = tail if counts[tail] == 1 else meter.address
        meter.path = own if tail else meter.number


def _name(file: str, meters: list[_Meter], profile: Profile) -> None:
    """Find the columns of the profile that mean each MeterReading."""
    for column in profile.column:
        meant = [one for one in meters if one.path == column.column]
        if not meant and column.column:
            meant = [one for one in meters if one.title == column.column]
        if not meant and column.column:
            meant = [one for one in meters if one.number == column.column]
        if len(meant) > 1:
            listed = ", ".join(f"'{one.path}'" for one in meant[:12])
            message = (
                f"{file}: {len(meant)} MeterReadings are titled '{column.column}'. Write into "
                f"'column' which is meant: {listed}."
            )
            raise Terminal(message)
        for meter in meant:
            if meter.columns and meter.name != column.column:
                message = (
                    f"The profile '{profile.name}': the columns '{meter.name}' and "
                    f"'{column.column}' both mean '{meter.path}'; a reading can only mean one "
                    "thing."
                )
                raise DescriptionError(message)
            meter.columns.append(column)


def _listed(feed: Feed, meters: list[_Meter], owner: dict[int, int]) -> list[str]:
    """Say what else the file holds, so that a person can name it in a profile."""
    notes = []
    other = [meter for meter in meters if not meter.columns]
    if other:
        listed = "; ".join(
            f"'{shown(one.path, 120)}'"
            + (f" titled '{shown(one.title, 60)}'" if one.title else "")
            + f" ({described(one.kind)}; {one.readings} readings)"
            for one in other[:12]
        )
        more = f"; and {len(other) - 12} more" if len(other) > 12 else ""
        notes.append(f"MeterReadings that the profile does not map: {listed}{more}.")
    lost = sum(one.readings for n, one in enumerate(feed.entries) if n not in owner)
    if lost:
        notes.append(
            f"{lost} readings stand in IntervalBlocks from which no link leads to a MeterReading, "
            "so nobody can say what they are of."
        )
    return notes


def _points(
    feed: Feed,
    meters: list[_Meter],
    owner: dict[int, int],
    profile: Profile,
    layout: Espi,
) -> pl.DataFrame:
    """Give rows of schema POINTS: those of the MeterReadings that the profile names."""
    belongs = np.full(len(feed.entries) + 1, -1, dtype=np.int64)
    for number, index in owner.items():
        if meters[index].columns:
            belongs[number] = index
    table = pl.DataFrame(
        {
            "line": feed.line,
            "meter": belongs[np.array(feed.entry, dtype=np.int64)],
            "start": feed.start,
            "length": feed.duration,
            "cell": feed.value,
            "quality": feed.quality,
        },
        schema=_READ,
    ).filter(pl.col("meter") >= 0)
    used = [(index, measure(one.kind), one) for index, one in enumerate(meters) if one.columns]
    facts = pl.DataFrame(
        [
            {
                "meter": index,
                "point": one.name,
                "unit": what.unit,
                "factor": what.factor,
                "usual_s": what.length,
                "usual_quality": what.quality,
                "wrong": what.wrong,
                "at_end": one.columns[0].kind is Kind.REGISTER,
            }
            for index, what, one in used
        ],
        schema=_FACTS,
    )
    table = table.join(facts, on="meter", how="left", maintain_order="left")
    stamps = _stamps(table, profile, layout)
    numbers = read_numbers(table["cell"].replace("", None))
    unread = pl.repeat(None, table.height, dtype=pl.String, eager=True)
    unread = unread.scatter(numbers.bad, numbers.reasons)
    length = table["length"].cast(pl.Int64, strict=False)
    said = pl.when(pl.col("length") == "").then("usual_s").otherwise(length)
    table = table.with_columns(
        seconds=said,
        t_utc=stamps.utc,
        late=stamps.reason,
        value=numbers.values * table["factor"],
        unread=unread,
        doubt=_doubts(table),
    )
    held = pl.col("seconds").is_between(0, _LONGEST_S)
    return table.select(
        "line",
        "point",
        pl.lit(None, dtype=pl.String).alias("serial"),
        "unit",
        # A register's value is that at the end of the period that it closes.
        pl.when("at_end")
        .then(pl.col("t_utc") + pl.duration(seconds=pl.when(held).then("seconds").otherwise(0)))
        .otherwise("t_utc")
        .alias("t_utc"),
        pl.when(held).then("seconds").cast(pl.Int32).alias("duration_s"),
        "value",
        pl.col("cell").alias("raw"),
        pl.coalesce(
            "wrong",
            "late",
            pl.when(pl.col("cell") == "").then(pl.lit("there is no value in this reading")),
            "unread",
            pl.when((pl.col("length") != "") & ~held.fill_null(value=False)).then(
                pl.format(
                    "the duration '{}' is no length in seconds", pl.col("length").str.head(40)
                )
            ),
            "doubt",
        ).alias("reason"),
    )


def _stamps(table: pl.DataFrame, profile: Profile, layout: Espi) -> Stamps:
    stamps = read_stamps(table["start"], time_format="epoch_s", zone=parse_zone("UTC"))
    if layout.epoch == "utc":
        return stamps
    # The seconds count local time, as if it were UTC.
    text = stamps.utc.dt.strftime("%Y-%m-%d %H:%M:%S")
    group: Ints = table["meter"].to_numpy()
    local = read_stamps(text, time_format="iso", zone=parse_zone(profile.zone), group=group)
    reason = stamps.reason.zip_with(stamps.reason.is_not_null(), local.reason)
    return Stamps(local.utc, local.local, local.floating, reason, local.zone)


def _doubts(table: pl.DataFrame) -> pl.Series:
    """Say of each reading why it was not measured, or null."""
    codes = table.select(
        pl.when(pl.col("quality") == "").then("usual_quality").otherwise("quality").fill_null("")
    ).to_series()
    known = {one: quality_reason(one) for one in codes.unique()}
    return codes.replace_strict(known, default=None, return_dtype=pl.String)


def _break(line: int, why: str) -> pl.DataFrame:
    return (
        empty(POINTS)
        .clear(1)
        .with_columns(
            line=pl.lit(line, dtype=pl.Int64),
            raw=pl.lit(""),
            reason=pl.lit(f"the file breaks off here ({why})"),
        )
    )


ADAPTER = EspiAdapter()
