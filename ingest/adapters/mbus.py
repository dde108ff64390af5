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
from ingest.mbus_answers import Answers, join_answers
from ingest.mbus_frames import (
    NEGATIVE_ONLY,
    POSITIVE_ONLY,
    Build,
    Frames,
    Ints,
    Spot,
    faults,
    serials,
    values,
)
from ingest.mbus_records import concerns, in_kept_unit, label, record_of
from ingest.mbus_wireless import as_long_frame, is_wireless
from ingest.normal_form import Extract, Target
from ingest.numbers import shown_column
from ingest.profile import Column, Mbus, MbusRecord, Profile
from ingest.text_table import Text, load_text
from ingest.units import conversion
from monitor.errors import DescriptionError
from monitor.schemas import NORMAL, REJECT, empty


@dataclass
class _Found:
    """What the telegrams of a file add up to."""

    targets: dict[tuple[int, str], int] = field(default_factory=dict)
    readings: list[pl.DataFrame] = field(default_factory=list)
    rejects: list[pl.DataFrame] = field(default_factory=list)
    absent: Counter[tuple[int, str]] = field(default_factory=Counter)
    strange: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)


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
        said = np.where(capture.telegram.is_null().to_numpy(), "not hexadecimal digits", "")
        said = said.astype(object)
        meters = np.full(len(said), "", dtype=object)
        single = _telegrams(capture, said, meters)
        stamps = _stamps(capture, layout, profile, meters)
        seconds = stamps.utc.dt.epoch("s").fill_null(0).to_numpy()
        known = np.flatnonzero(stamps.utc.is_not_null().to_numpy())
        answers = join_answers(single, seconds, known)
        reader = _Reader(profile, records, capture, stamps, meters, found)
        for rows, block, build in answers.parts:
            reader.read(rows, block, build)
        for rows in answers.unreadable:
            said[rows] = "the records of the telegram cannot be told apart"
        found.notes += _notes_on_answers(answers)
        _refuse_lines(capture, said, found)
        return _extract(capture, profile, found)


def _record(column: Column, profile: Profile) -> MbusRecord:
    record = record_of(column, profile)
    if record.id is not None:
        message = (
            f"The profile '{profile.name}', column '{label(column)}': 'id' belongs to format "
            "'mbus_xml'; a telegram tells its records apart itself."
        )
        raise DescriptionError(message)
    return record


def _telegrams(
    capture: _Capture, said: npt.NDArray[np.object_], meters: npt.NDArray[np.object_]
) -> Answers:
    """Check the telegrams and sort them by build; fill in what is wrong and whose they are."""
    frames = [bytes(one) if one is not None else b"" for one in capture.telegram]
    wired = np.ones(len(frames), dtype=np.bool_)
    for row, one in enumerate(frames):
        if is_wireless(one):
            wired[row] = False
            frames[row], said[row] = as_long_frame(one)
    lengths = np.array([len(one) for one in frames], dtype=np.int64)
    found = Answers()
    for length in np.unique(lengths[said == ""]):
        rows = np.flatnonzero((lengths == length) & (said == ""))
        block = np.frombuffer(b"".join(frames[row] for row in rows), np.uint8)
        block = block.reshape(len(rows), length)
        said[rows] = np.where(wired[rows], faults(block), "")
        fine = said[rows] == ""
        meters[rows[fine]] = serials(block[fine])
        found.add(rows[fine], block[fine])
    return found


def _notes_on_answers(answers: Answers) -> list[str]:
    notes = []
    if answers.joined:
        notes.append(
            f"Telegrams that continue the one before them, and were read with it: {answers.joined}."
        )
    if answers.open:
        notes.append(
            f"Telegrams that announce more records, of which none follow: {answers.open}. "
            "What they hold was read."
        )
    return notes


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
            if concerns(column, meter, medium)
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
            meant = np.isclose(kept, in_kept_unit(sentinel, column), rtol=1e-9, atol=1e-9)
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
                pl.lit(label(column)).alias("column"),
                pl.Series("raw", [_hex(frames[one], spots[0]) for one in refused], pl.String),
                pl.coalesce("late", "said").alias("reason"),
            )
        )


def _hex(frame: Frames, spot: Spot) -> str:
    return bytes(frame[spot.offset : spot.offset + spot.length]).hex(" ").upper()


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
    unit = conversion(spot.unit, column.role, column.kind, where=label(column))
    kept = unit.apply(pl.Series(raw), scale=column.scale).to_numpy().copy()
    return kept, said.astype(object)


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
    notes = [*capture.notes, *found.notes]
    for (number, meter), count in found.absent.items():
        name = label(profile.column[number])
        notes.append(f"Telegrams of meter {meter} without a record '{name}': {count}.")
    if found.strange:
        listed = ", ".join(f"{name}: {count}" for name, count in found.strange.most_common(12))
        notes.append(
            f"Telegrams of meters that no column of the profile means: "
            f"{found.strange.total()} ({listed})."
        )
    return Extract(
        targets=tuple(
            Target(profile.column[number], label(profile.column[number]), meter)
            for number, meter in found.targets
        ),
        readings=pl.concat(found.readings) if found.readings else empty(NORMAL),
        rejects=pl.concat([empty(REJECT), *found.rejects]).sort("line", maintain_order=True),
        lines=len(capture.line),
        notes=tuple(notes),
    )


ADAPTER = MbusAdapter()
