"""Logs of P1 telegrams (DSMR and its kin) and of IEC 62056-21 readouts.

The time of a reading is the capture time that stands with it, else the telegram's own,
else that of its reception, as the profile says.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from ingest.errors import Terminal
from ingest.layouts_telegrams import Obis
from ingest.local_time import Zone, parse_zone
from ingest.normal_form import Extract
from ingest.numbers import read_numbers
from ingest.obis_codes import (
    Code,
    meanings,
    misfit,
    parse_code,
    serial_from,
    serial_place,
    type_channel,
    wanted_codes,
)
from ingest.obis_items import parted, summed
from ingest.obis_log import Log, read_log
from ingest.obis_times import read_meter_stamps, read_runs
from ingest.points import POINTS, extract_points, unmapped_note
from ingest.profile import Profile
from ingest.text_table import load_text
from monitor.schemas import UTC, empty

#: Units as readouts spell them, where `ingest.units` has another spelling.
_UNITS = {"m3ph": "m3/h", "m3*h": "m3/h"}
_CLOCKS = ("0.9.1", "0.9.2", "9.36")

_OUTSIDE = "it stands outside of any telegram: the beginning of its own is lost"
_TIMELESS = "the telegram does not state a time"
_TWICE = "the telegram holds this twice, with different values"


class ObisAdapter:
    """Reads logs of telegrams and readouts; see `ingest.registry.Adapter`.

    A reading is one item of one telegram that the profile names, or one sum of items.
    """

    name = "obis"

    def read(self, path: Path, profile: Profile) -> Extract:
        """Read a whole file.

        Raises
        ------
        DescriptionError
            The profile cannot be used for this format.
        Terminal, Transient
            The file cannot be read as the profile says, or not now.
        """
        layout = profile.obis or Obis()
        wanted = wanted_codes(profile)
        text = load_text(path)
        parts = [part for codes in wanted.values() for part in codes]
        log = read_log(text, layout, lambda code: _is_of_use(code, parts))
        zone = parse_zone(profile.zone)
        return _Reader(text.name, profile, layout, zone, wanted, log).read()


@dataclass
class _Reader:
    """Reads the items of one log that the profile names."""

    file: str
    profile: Profile
    layout: Obis
    zone: Zone
    wanted: dict[str, tuple[Code, ...]]
    log: Log
    notes: list[str] = field(default_factory=list)
    blank: int = 0

    def read(self) -> Extract:
        counts = self.log.counts.rows()
        written = [code for code, _ in counts]
        meant = meanings(written, self.wanted, self.profile)
        serials = {code: at for code in written if (at := serial_place(code)) is not None}
        types = {code: one for code in written if (one := type_channel(code)) is not None}
        clocks = {code: core for code in written if (core := _clock(code)) is not None}
        items = parted(self.log.items)
        rows = items.filter(pl.col("code").is_in(list(meant))).with_columns(
            column=_looked_up("code", {code: one.column for code, one in meant.items()}, pl.String),
            part=_looked_up("code", {code: one.part for code, one in meant.items()}, pl.Int64),
        )
        rows = self._with_facts(rows, items, serials, types)
        rows = self._with_times(rows, items, clocks)
        points = self._points(rows)
        known = {*meant, *serials, *types, *clocks}
        other = [(code, count) for code, count in counts if code not in known]
        note = unmapped_note(other, self.profile)
        return extract_points(
            self.file,
            pl.concat([points, self._overlong()]).sort("line", maintain_order=True),
            self.profile,
            lines=self.log.lines,
            blank=self.blank,
            notes=(*self.log.notes, *self.notes, *([note] if note else [])),
        )

    def _overlong(self) -> pl.DataFrame:
        lines = self.log.overlong
        return (
            empty(POINTS)
            .clear(lines.height)
            .with_columns(
                lines["line"],
                lines["raw"],
                reason=pl.lit("the line is longer than any of a telegram"),
            )
        )

    def _with_facts(
        self,
        rows: pl.DataFrame,
        items: pl.DataFrame,
        serials: dict[str, tuple[int, int]],
        types: dict[str, int],
    ) -> pl.DataFrame:
        """Add the serial and the device type of the meter that each row is of."""
        channels = {
            code: one.channel for code in rows["code"].unique() if (one := parse_code(code))
        }
        rows = rows.with_columns(channel=_looked_up("code", channels, pl.Int64))
        said = items.filter(pl.col("code").is_in(list(serials)) & ~pl.col("torn")).with_columns(
            channel=_looked_up("code", {code: at[0] for code, at in serials.items()}, pl.Int64),
            rank=_looked_up("code", {code: at[1] for code, at in serials.items()}, pl.Int64),
            coded=pl.col("code").str.contains("96.1.", literal=True),
        )
        pairs = said.select("cell", "coded").unique()
        read = [serial_from(cell or "", hexadecimal=coded) for cell, coded in pairs.rows()]
        named = said.join(
            pairs.with_columns(serial=pl.Series(read, dtype=pl.String)), on=["cell", "coded"]
        ).filter(pl.col("serial").is_not_null())
        best = named.sort("rank", "line").unique(["telegram", "channel"], keep="first")
        kinds = (
            items.filter(pl.col("code").is_in(list(types)))
            .with_columns(channel=_looked_up("code", types, pl.Int64))
            .with_columns(device=pl.col("cell").cast(pl.Int64, strict=False))
            .unique(["telegram", "channel"], keep="last")
        )
        key = ["telegram", "channel"]
        return rows.join(
            best.select(*key, "serial"), on=key, how="left", maintain_order="left"
        ).join(kinds.select(*key, "device"), on=key, how="left", maintain_order="left")

    def _with_times(
        self, rows: pl.DataFrame, items: pl.DataFrame, clocks: dict[str, str]
    ) -> pl.DataFrame:
        """Add `t_utc` and `late`, the reason why there is none."""
        told = self._telegram_times(items, clocks)
        rows = rows.join(told, on="telegram", how="left", maintain_order="left")
        timeless = rows["own"].is_null() & rows["text"].is_null()
        if rows.height and timeless.all() and self.layout.received == "none":
            hint = "; for a readout's own clock (0.9.1, 0.9.2, 9.36) 'clock_format'"
            message = (
                f"{self.file}: its telegrams do not state when they were made, and the profile "
                "does not say where the time of their reception stands. Set 'received' in [obis]"
                f"{hint if set(clocks.values()) & set(_CLOCKS) else ''}."
            )
            raise Terminal(message)
        own, against = read_meter_stamps(rows["own"], rows["column"], self.zone, file=self.file)
        self._note_season(against)
        has_own = rows["own"].is_not_null()
        late = pl.when(pl.col("t_utc").is_null()).then(pl.col("late").fill_null(_TIMELESS))
        rows = rows.with_columns(late=late)
        return rows.with_columns(
            own["t_utc"].zip_with(has_own, rows["t_utc"]),
            own["reason"].zip_with(has_own, rows["late"]).alias("late"),
        )

    def _note_season(self, against: int) -> None:
        if against:
            self.notes.append(
                f"{against} times carry S (summer) or W (winter) against the calendar of "
                f"{self.zone.name}; the letter was taken at its word. Look at the meter's clock."
            )

    def _telegram_times(self, items: pl.DataFrame, clocks: dict[str, str]) -> pl.DataFrame:
        """Give the time of each telegram: `telegram`, `text`, `t_utc`, `late`."""
        told = self.log.telegrams.select("telegram", "stamp")
        shows = items.with_columns(core=_looked_up("code", clocks, pl.String)).filter(
            pl.col("core").is_not_null() & pl.col("telegram").is_not_null()
        )
        for core in ("1.0.0", *_CLOCKS):
            one = shows.filter(pl.col("core") == core).unique("telegram", keep="first")
            told = told.join(
                one.select("telegram", pl.col("cell").alias(core)),
                on="telegram",
                how="left",
                maintain_order="left",
            )
        parts = []
        if self.layout.time == "meter":
            stamps, against = read_meter_stamps(
                told["1.0.0"], told["1.0.0"].str.slice(0, 0), self.zone, file=self.file
            )
            self._note_season(against)
            parts.append((told["1.0.0"], stamps))
            if self.layout.clock_format is not None:
                display = told.select(
                    pl.coalesce(
                        pl.col("0.9.2") + " " + pl.col("0.9.1"),
                        pl.col("9.36").str.replace("&", " ", literal=True),
                    )
                ).to_series()
                parts.append((display, read_runs(display, self.layout.clock_format, self.zone)))
        if self.layout.received != "none":
            stamps = read_runs(told["stamp"], self.layout.time_format, self.zone)
            parts.append((told["stamp"], stamps))
        text = _no_text(told.height)
        times = pl.DataFrame(
            {"t_utc": pl.repeat(None, told.height, dtype=UTC, eager=True), "reason": text}
        )
        for said, read in parts:
            fresh = text.is_null() & said.is_not_null()
            times = times.with_columns(
                read["t_utc"].zip_with(fresh, times["t_utc"]),
                read["reason"].zip_with(fresh, times["reason"]),
            )
            text = said.zip_with(fresh, text)
        return told.select("telegram").with_columns(
            text.alias("text"), times["t_utc"], times["reason"].alias("late")
        )

    def _points(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Give rows of schema POINTS: one a reading."""
        nothing = (pl.col("cell").str.strip_chars() == "") & pl.col("said").is_null()
        full = rows.filter(~nothing)
        self.blank += rows.height - full.height
        numbers = read_numbers(full["cell"])
        unread = _no_text(full.height).scatter(numbers.bad, numbers.reasons)
        full = full.with_columns(value=numbers.values, unread=unread).join(
            self.log.telegrams.select("telegram", "fault"),
            on="telegram",
            how="left",
            maintain_order="left",
        )
        outside = pl.when(pl.col("telegram").is_null()).then(pl.lit(_OUTSIDE))
        differs = pl.col("value").n_unique().over("telegram", "column", "part", "own") > 1
        twice = pl.when(pl.col("telegram").is_not_null() & differs).then(pl.lit(_TWICE))
        full = full.join(
            self._misfits(full),
            on=["column", "channel", "device"],
            how="left",
            maintain_order="left",
        ).with_columns(
            reason=pl.coalesce("fault", outside, "said", "misfit", "late", "unread", twice),
            unit=pl.col("unit").replace(_UNITS),
            # The serial of a telegram that cannot be trusted cannot be either.
            serial=pl.when(pl.col("fault").is_null()).then("serial"),
        )
        single = [name for name, parts in self.wanted.items() if len(parts) == 1]
        frames = [full.filter(pl.col("column").is_in(single))]
        for name, parts in self.wanted.items():
            if len(parts) > 1:
                of_sum = full.filter(pl.col("column") == name)
                frames.append(summed(of_sum, name, [part.strip() for part in name.split("+")]))
        return pl.concat([_point_rows(frame) for frame in frames])

    def _misfits(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Say of sub-meters why their kind of meter cannot be what a column says."""
        columns = {column.column: column for column in self.profile.column}
        kinds = rows.select("column", "channel", "device").drop_nulls().unique()
        said = [
            misfit(columns[name], device) if channel > 0 else None
            for name, channel, device in kinds.rows()
        ]
        return kinds.with_columns(misfit=pl.Series(said, dtype=pl.String))


def _is_of_use(text: str, wanted: list[Code]) -> bool:
    code = parse_code(text)
    if code is None:
        return False
    about = (serial_place(text), type_channel(text), _clock(text))
    return any(one is not None for one in about) or any(part.means(code) for part in wanted)


def _clock(code: str) -> str | None:
    """Give the core of a code that states date or time of its telegram, or None."""
    parsed = parse_code(code)
    if parsed is None or parsed.channel > 0 or parsed.period is not None:
        return None
    return parsed.core if parsed.core in ("1.0.0", *_CLOCKS) else None


def _no_text(length: int) -> pl.Series:
    return pl.repeat(None, length, dtype=pl.String, eager=True)


def _looked_up(
    name: str, known: Mapping[str, object], dtype: pl.DataType | type[pl.DataType]
) -> pl.Expr:
    return pl.col(name).replace_strict(known, default=None, return_dtype=dtype)


def _point_rows(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.select(
        "line",
        pl.col("column").alias("point"),
        "serial",
        "unit",
        "t_utc",
        pl.lit(None, dtype=pl.Int32).alias("duration_s"),
        "value",
        pl.col("brackets").alias("raw"),
        "reason",
    )


ADAPTER = ObisAdapter()
