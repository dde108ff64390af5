"""Captures of M-Bus telegrams: a time and a telegram in hex, a line each."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from ingest.clock import Stamps, read_stamps
from ingest.errors import Terminal
from ingest.local_time import parse_zone
from ingest.mbus_frames import (
    ELECTRICITY_MEDIA,
    HEAT_MEDIA,
    NEGATIVE_ONLY,
    POSITIVE_ONLY,
    Build,
    Frames,
    Ints,
    Spot,
    builds,
    faults,
    serials,
    values,
)
from ingest.normal_form import Extract, Target
from ingest.numbers import shown_column
from ingest.profile import Column, Mbus, MbusRecord, Profile
from ingest.text_table import Text, load_text
from ingest.units import Conversion, conversion
from monitor.errors import DescriptionError
from monitor.models import Kind, Role
from monitor.schemas import NORMAL, REJECT, empty


@dataclass
class _Found:
    """What the telegrams of a file add up to."""

    targets: dict[tuple[int, str], int] = field(default_factory=dict)
    readings: list[pl.DataFrame] = field(default_factory=list)
    rejects: list[pl.DataFrame] = field(default_factory=list)
    absent: Counter[tuple[int, str]] = field(default_factory=Counter)
    strange: Counter[str] = field(default_factory=Counter)


@dataclass(frozen=True)
class _Capture:
    """Lines of a file that hold a telegram."""

    line: Ints
    raw: pl.Series
    stamp: pl.Series
    telegram: pl.Series
    notes: tuple[str, ...]


class MbusAdapter:
    """Reads captures of M-Bus telegrams; see `ingest.registry.Adapter`.

    The time of a reading is the reader's, from the line; a meter's own clock is not
    used. A reading is one record that the profile asks for in one telegram.
    """

    name = "mbus"

    def read(self, path: Path, profile: Profile) -> Extract:
        """Read a whole file.

        Raises
        ------
        DescriptionError
            The profile cannot be used for this format.
        Terminal, Transient
            The file cannot be read as the profile says, or not now.
        """
        layout = profile.mbus or Mbus()
        records = [_record(column, profile) for column in profile.column]
        text = load_text(path)
        capture = _capture(text, layout)
        found = _Found()
        frames = [bytes(one) if one is not None else b"" for one in capture.telegram]
        lengths = np.array([len(one) for one in frames], dtype=np.int64)
        said = np.where(capture.telegram.is_null().to_numpy(), "not hexadecimal digits", "")
        said = said.astype(object)
        meters = np.full(len(frames), "", dtype=object)
        good: list[tuple[Ints, Frames]] = []
        for length in np.unique(lengths[said == ""]):
            rows = np.flatnonzero((lengths == length) & (said == ""))
            block = np.frombuffer(b"".join(frames[row] for row in rows), np.uint8)
            block = block.reshape(len(rows), length)
            said[rows] = faults(block)
            fine = said[rows] == ""
            meters[rows[fine]] = serials(block[fine])
            good.append((rows[fine], block[fine]))
        stamps = _stamps(capture, layout, profile, meters)
        reader = _Reader(profile, records, capture, stamps, meters, found)
        for rows, block in good:
            for part, build in builds(block):
                if build is None:
                    said[rows[part]] = "the records of the telegram cannot be told apart"
                else:
                    reader.read(rows[part], block[part], build)
        _refuse_lines(capture, said, found)
        return _extract(capture, profile, found)


def _record(column: Column, profile: Profile) -> MbusRecord:
    name = f"The profile '{profile.name}', column of role '{column.role}':"
    if column.record is None:
        message = f"{name} an M-Bus column needs 'record', such as {{ quantity = \"energy\" }}."
        raise DescriptionError(message)
    if not _can_be(column.record.quantity, column):
        message = (
            f"{name} a record of '{column.record.quantity}' cannot be kind '{column.kind}' of "
            f"role '{column.role}'. Energy is a register, power is power, and a temperature or "
            "flow is a state."
        )
        raise DescriptionError(message)
    if column.unit is not None:
        conversion(column.unit, column.role, column.kind, where=_label(column))
    return column.record


def _can_be(quantity: str, column: Column) -> bool:
    if quantity == "energy":
        return column.kind is Kind.REGISTER
    if quantity == "power":
        return column.kind is Kind.POWER
    return column.kind is Kind.STATE and (quantity == "flow_rate") == (
        column.role is Role.FLOW_RATE
    )


def _label(column: Column) -> str:
    """Name a column by its record: 'energy', 'energy tariff 1', 'energy cooling'."""
    record = column.record or MbusRecord(quantity="energy")
    parts: list[str] = [record.quantity]
    parts += [
        f"{name} {number}"
        for name, number in (
            ("storage", record.storage),
            ("tariff", record.tariff),
            ("device", record.device),
        )
        if number
    ]
    return " ".join([*parts, "cooling"] if record.cooling else parts)


def _capture(text: Text, layout: Mbus) -> _Capture:
    lines = pl.Series("raw", text.data.decode("utf-8", "replace").split("\n"), dtype=pl.String)
    frame = (
        lines.head(len(text.start))
        .to_frame()
        .with_row_index("line", offset=1)
        .with_columns(pl.col("raw").str.strip_chars())
        .filter((pl.col("raw") != "") & ~pl.col("raw").str.starts_with("#"))
        .with_columns(pl.col("raw").str.splitn(layout.separator, 2).struct.unnest())
        .rename({"field_0": "stamp", "field_1": "hex"})
    )
    notes = list(text.notes)
    if frame.height and not any(one.isdigit() for one in frame["raw"][0]):
        notes.append(f"Line {frame['line'][0]} is a heading and was not read.")
        frame = frame.slice(1)
    if frame.height and frame["hex"].null_count() == frame.height:
        message = (
            f"{text.name}: no line has a time before its telegram. A line must hold a time, "
            f"'{layout.separator}' and the telegram in hex, for a telegram alone does not say "
            "when it was received."
        )
        raise Terminal(message)
    if not frame.height:
        notes.append(f"{text.name} holds no telegrams.")
    digits = frame["hex"].fill_null("").str.replace_all(r"\s", "")
    telegram = digits.str.decode("hex", strict=False)
    telegram = telegram.set(frame["hex"].is_null(), None)
    return _Capture(
        line=frame["line"].cast(pl.Int64).to_numpy(),
        raw=frame["raw"],
        stamp=frame["stamp"].str.strip_chars(),
        telegram=telegram,
        notes=tuple(notes),
    )


def _stamps(
    capture: _Capture, layout: Mbus, profile: Profile, meters: npt.NDArray[np.object_]
) -> Stamps:
    group = np.unique(meters.astype(str), return_inverse=True)[1].astype(np.int64)
    return read_stamps(
        capture.stamp,
        time_format=layout.time_format,
        zone=parse_zone(profile.zone),
        group=group,
    )


@dataclass(frozen=True)
class _Reader:
    """Reads the records that the profile asks for from telegrams of one build."""

    profile: Profile
    records: list[MbusRecord]
    capture: _Capture
    stamps: Stamps
    meters: npt.NDArray[np.object_]
    found: _Found

    def read(self, rows: Ints, frames: Frames, build: Build) -> None:
        """Read telegrams; `rows` says which lines of the capture they are."""
        meter, medium = self.meters[rows].astype(str), frames[:, 14]
        for name in np.unique(meter):
            for kind in np.unique(medium[meter == name]):
                here = (meter == name) & (medium == kind)
                self._read_meter(str(name), int(kind), rows[here], frames[here], build)

    def _read_meter(
        self, meter: str, medium: int, rows: Ints, frames: Frames, build: Build
    ) -> None:
        meant = [
            number
            for number, column in enumerate(self.profile.column)
            if _concerns(column, meter, medium)
        ]
        if not meant:
            self.found.strange[f"{meter} (medium {medium:02X})"] += len(rows)
        for number in meant:
            spots = _fitting(build.spots, self.records[number])
            if spots:
                self._read_spots(number, meter, rows, frames, spots)
            else:
                self.found.absent[number, meter] += len(rows)

    def _read_spots(
        self, number: int, meter: str, rows: Ints, frames: Frames, spots: list[Spot]
    ) -> None:
        column = self.profile.column[number]
        kept, said = _kept(frames, spots[0], column)
        for other in spots[1:]:
            second, _ = _kept(frames, other, column)
            differ = (kept != second) & ~(np.isnan(kept) & np.isnan(second))
            kept[differ] = np.nan
            said[differ] = "the telegram holds this record twice, with different values"
        for sentinel in column.sentinels:
            meant = np.isclose(kept, _in_kept_unit(sentinel, column), rtol=1e-9, atol=1e-9)
            kept[meant] = np.nan
            said[meant] = "this value stands for 'no value' in this column"
        target = self.found.targets.setdefault((number, meter), len(self.found.targets))
        frame = pl.DataFrame(
            {
                "line": self.capture.line[rows],
                "t_utc": self.stamps.utc.gather(rows),
                "value": kept,
                "late": self.stamps.reason.gather(rows),
                "said": pl.Series(said.astype(object), dtype=pl.String),
            }
        )
        usable = pl.col("t_utc").is_not_null() & (pl.col("said") == "")
        refused = np.flatnonzero(frame.select(~usable).to_series().to_numpy())
        self.found.readings.append(
            frame.filter(usable).select(
                "line",
                pl.lit(target, dtype=pl.UInt16).alias("target"),
                "t_utc",
                pl.lit(None, dtype=pl.Int32).alias("duration_s"),
                "value",
            )
        )
        self.found.rejects.append(
            frame.filter(~usable).select(
                "line",
                pl.lit(_label(column)).alias("column"),
                pl.Series("raw", [_hex(frames[one], spots[0]) for one in refused], pl.String),
                pl.coalesce("late", "said").alias("reason"),
            )
        )


def _hex(frame: Frames, spot: Spot) -> str:
    return bytes(frame[spot.offset : spot.offset + spot.length]).hex(" ").upper()


def _concerns(column: Column, meter: str, medium: int) -> bool:
    if column.serial is not None:
        return column.serial.zfill(8).upper() == meter
    return medium in (ELECTRICITY_MEDIA if column.role.is_electricity else HEAT_MEDIA)


def _fitting(spots: tuple[Spot, ...], record: MbusRecord) -> list[Spot]:
    """Choose the records of a build that a column means.

    A register that counts only positive energy is the live one where there is no other.
    """
    fit = [
        spot
        for spot in spots
        if spot.quantity == record.quantity
        and spot.function in ("instantaneous", "error")
        and (spot.storage, spot.tariff, spot.device)
        == (record.storage, record.tariff, record.device)
    ]
    if record.cooling:
        return [spot for spot in fit if spot.enhancement == (NEGATIVE_ONLY,)]
    plain = [spot for spot in fit if spot.enhancement == ()]
    return plain or [spot for spot in fit if spot.enhancement == (POSITIVE_ONLY,)]


def _kept(
    frames: Frames, spot: Spot, column: Column
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.object_]]:
    raw, said = values(frames, spot)
    unit = conversion(spot.unit, column.role, column.kind, where=_label(column))
    kept = unit.apply(pl.Series(raw), scale=column.scale).to_numpy().copy()
    return kept, said.astype(object)


def _in_kept_unit(sentinel: float, column: Column) -> float:
    unit = Conversion(1.0)
    if column.unit is not None:
        unit = conversion(column.unit, column.role, column.kind, where=_label(column))
    return unit.factor * sentinel * column.scale + unit.offset


def _refuse_lines(capture: _Capture, said: npt.NDArray[np.object_], found: _Found) -> None:
    bad = np.flatnonzero(said != "")
    if len(bad):
        found.rejects.append(
            pl.DataFrame(
                {
                    "line": capture.line[bad],
                    "column": pl.repeat("telegram", len(bad), eager=True),
                    "raw": shown_column(capture.raw.gather(bad)),
                    "reason": pl.Series(said[bad], dtype=pl.String),
                }
            )
        )


def _extract(capture: _Capture, profile: Profile, found: _Found) -> Extract:
    notes = list(capture.notes)
    for (number, meter), count in found.absent.items():
        label = _label(profile.column[number])
        notes.append(f"Telegrams of meter {meter} without a record '{label}': {count}.")
    if found.strange:
        listed = ", ".join(f"{name}: {count}" for name, count in found.strange.most_common(12))
        notes.append(
            f"Telegrams of meters that no column of the profile means: "
            f"{found.strange.total()} ({listed})."
        )
    return Extract(
        targets=tuple(
            Target(profile.column[number], _label(profile.column[number]), meter)
            for number, meter in found.targets
        ),
        readings=pl.concat(found.readings) if found.readings else empty(NORMAL),
        rejects=pl.concat([empty(REJECT), *found.rejects]).sort("line", maintain_order=True),
        lines=len(capture.line),
        notes=tuple(notes),
    )


ADAPTER = MbusAdapter()
