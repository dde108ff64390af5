"""XML dumps of M-Bus readouts: one or many documents `<MBusData>` in a file."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

from ingest.clock import read_stamps
from ingest.layouts_messages import MbusXml, time_in_name
from ingest.local_time import Ints, parse_zone
from ingest.mbus_readouts import Readout, readouts
from ingest.mbus_records import concerns, in_kept_unit, label, record_of
from ingest.normal_form import Extract, Target
from ingest.numbers import shown, shown_column
from ingest.profile import Column, MbusRecord, Profile
from ingest.text_table import Text, load_text
from ingest.units import conversion
from monitor.errors import DescriptionError
from monitor.schemas import NORMAL, REJECT, UTC, Schema, empty

_RECORDS: Schema = {
    "document": pl.Int64,
    "line": pl.Int64,
    "id": pl.Int64,
    "quantity": pl.String,
    "unit": pl.String,
    "multiplier": pl.Float64,
    "function": pl.String,
    "storage": pl.Int64,
    "tariff": pl.Int64,
    "device": pl.Int64,
    "value": pl.String,
    "stamp": pl.String,
    "stated_unit": pl.String,
}
_LATIN = re.compile(
    rb"<\?xml[^>]{0,200}encoding\s*=\s*['\"](?:iso-8859-1|latin-?1|windows-1252)", re.I
)
_NO_TIME = (
    "neither the record, its readout, a comment before it nor the file's name says when it was read"
)
_ONE_TIME = (
    "the file's name gives one time, but the file holds several readouts of this meter without "
    "a time of their own"
)


@dataclass
class _Found:
    """What the readouts of a file add up to."""

    targets: dict[tuple[int, str], int] = field(default_factory=dict)
    readings: list[pl.DataFrame] = field(default_factory=list)
    rejects: list[pl.DataFrame] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


class MbusXmlAdapter:
    """Reads XML dumps of M-Bus readouts; see `ingest.registry.Adapter`.

    The time of a reading is that of its record (`Timestamp`, or an attribute
    `timestamp`), else of its readout (the same attribute), else the one that the last
    comment before the readout states, else the one in the file's name. A meter's own
    clock is not used.
    """

    name = "mbus_xml"

    def read(self, path: Path, profile: Profile) -> Extract:
        """Read a whole file.

        Raises
        ------
        DescriptionError
            The profile cannot be used for this format.
        Terminal, Transient
            The file cannot be read as the profile says, or not now.
        """
        layout = profile.mbus_xml or MbusXml()
        records = [_record(column, profile) for column in profile.column]
        text = _load(path)
        documents = readouts(text)
        frame = _frame(documents, profile, layout, path.name)
        found = _Found(notes=list(text.notes))
        for number, record in enumerate(records):
            _read_column(number, record, documents, frame, profile, found)
        _refuse_documents(documents, text, found)
        _note_strangers(documents, profile, found)
        return Extract(
            targets=tuple(
                Target(profile.column[number], label(profile.column[number]), meter)
                for number, meter in found.targets
            ),
            readings=pl.concat([empty(NORMAL), *found.readings]),
            rejects=pl.concat([empty(REJECT), *found.rejects]).sort("line", maintain_order=True),
            lines=len(documents),
            notes=tuple(found.notes),
        )


def _record(column: Column, profile: Profile) -> MbusRecord:
    record = record_of(column, profile)
    if record.cooling and record.id is None:
        message = (
            f"The profile '{profile.name}', column '{label(column)}': an XML dump does not say "
            "which register counts energy taken back. Add the record's 'id', such as "
            '{ quantity = "energy", cooling = true, id = 7 }.'
        )
        raise DescriptionError(message)
    return record


def _load(path: Path) -> Text:
    """Read the text; what is UTF-8 is read so, whatever it declares itself to be."""
    text = load_text(path)
    if text.notes and _LATIN.search(text.data):
        return load_text(path, "cp1252")
    return text


def _frame(documents: list[Readout], profile: Profile, layout: MbusXml, name: str) -> pl.DataFrame:
    """Give all records with their meter, time and the reason where there is no time."""
    rows = [
        (number, *(getattr(reading, key) for key in list(_RECORDS)[1:]))
        for number, document in enumerate(documents)
        for reading in document.readings
    ]
    records = pl.DataFrame(rows, schema=_RECORDS, orient="row")
    headers = pl.DataFrame(
        {
            "document": range(len(documents)),
            "meter": [document.meter for document in documents],
            "own_stamp": [document.stamp for document in documents],
        },
        schema={"document": pl.Int64, "meter": pl.String, "own_stamp": pl.String},
    )
    frame = records.join(headers, on="document", how="left", maintain_order="left")
    frame = frame.with_columns(pl.coalesce("stamp", "own_stamp"))
    # A readout's records mostly share one stamp, and a stamp repeated would look like the
    # second pass of a double hour.
    stamps = frame.select("document", "meter", "stamp").unique(maintain_order=True)
    timed = stamps.filter(pl.col("stamp").is_not_null())
    told = read_stamps(
        timed["stamp"],
        time_format="iso",
        zone=parse_zone(profile.zone),
        group=_groups(timed["meter"]),
    )
    timed = timed.with_columns(told.utc.alias("t_utc"), told.reason.alias("late"))
    untimed = stamps.filter(pl.col("stamp").is_null())
    late = _from_name(untimed, profile, layout, name)
    keys = ["document", "meter", "stamp"]
    return frame.join(
        pl.concat([timed, late]), on=keys, how="left", nulls_equal=True, maintain_order="left"
    )


def _groups(meters: pl.Series) -> Ints:
    numbers: dict[str, int] = {}
    return np.array([numbers.setdefault(one, len(numbers)) for one in meters], dtype=np.int64)


def _from_name(untimed: pl.DataFrame, profile: Profile, layout: MbusXml, name: str) -> pl.DataFrame:
    """Give readouts without a time of their own that of the file's name."""
    stamp = None if layout.name_time is None else time_in_name(name, layout.name_time)
    if stamp is None or layout.name_time is None:
        reason = _NO_TIME
        if layout.name_time is not None:
            reason += f" (looked for in it was '{layout.name_time}')"
        return untimed.with_columns(
            pl.lit(None, dtype=UTC).alias("t_utc"), pl.lit(reason).alias("late")
        )
    told = read_stamps(
        pl.Series([stamp]), time_format=layout.name_time, zone=parse_zone(profile.zone)
    )
    once = pl.col("document").n_unique().over("meter") == 1
    return untimed.with_columns(
        pl.when(once).then(pl.lit(told.utc[0], dtype=UTC)).alias("t_utc"),
        pl.when(once)
        .then(pl.lit(told.reason[0], dtype=pl.String))
        .otherwise(pl.lit(_ONE_TIME))
        .alias("late"),
    )


def _read_column(
    number: int,
    record: MbusRecord,
    documents: list[Readout],
    frame: pl.DataFrame,
    profile: Profile,
    found: _Found,
) -> None:
    """Read one column of the profile from the readouts of every meter that it means."""
    column = profile.column[number]
    meant = {
        index: document.meter
        for index, document in enumerate(documents)
        if document.meter and concerns(column, document.meter, document.medium)
    }
    chosen = frame.filter(
        pl.col("document").is_in(list(meant)),
        pl.col("quantity") == record.quantity,
        pl.col("function").is_in(["instantaneous", "error"]),
        pl.col("storage") == record.storage,
        pl.col("tariff") == record.tariff,
        pl.col("device") == record.device,
    )
    if record.id is not None:
        chosen = chosen.filter(pl.col("id") == record.id)
    absent = Counter(meant[index] for index in set(meant) - set(chosen["document"].to_list()))
    found.notes += [
        f"Readouts of meter {meter} without a record '{label(column)}': {count}."
        for meter, count in sorted(absent.items())
    ]
    if not chosen.height:
        return
    kept = _one_a_readout(_kept(chosen, column))
    for part in kept.partition_by("meter", maintain_order=True):
        target = found.targets.setdefault((number, part["meter"][0]), len(found.targets))
        bad = pl.col("reason").is_not_null()
        found.readings.append(
            part.filter(~bad).select(
                "line",
                pl.lit(target, dtype=pl.UInt16).alias("target"),
                "t_utc",
                pl.lit(None, dtype=pl.Int32).alias("duration_s"),
                pl.col("kept").alias("value"),
            )
        )
        refused = part.filter(bad)
        found.rejects.append(
            refused.select(
                "line",
                pl.lit(label(column)).alias("column"),
                shown_column(refused["value"]).alias("raw"),
                "reason",
            )
        )


def _kept(chosen: pl.DataFrame, column: Column) -> pl.DataFrame:
    """Convert values to the unit that is kept, and say what is wrong with each."""
    parts = []
    for part in chosen.partition_by("unit", "multiplier", maintain_order=True):
        unit, multiplier = part["unit"][0], float(part["multiplier"][0])
        number = part["value"].cast(pl.Float64, strict=False)
        if unit is not None:
            # Division by the rounder number, so that 0.1 W keeps the meter's decimals.
            inverse = round(1.0 / multiplier) if multiplier < 1.0 else 1
            number = number / inverse if inverse > 1 else number * multiplier
            known = conversion(unit, column.role, column.kind, where=label(column))
            number = known.apply(number, scale=column.scale)
        parts.append(part.with_columns(number.alias("kept")))
    frame = pl.concat(parts).sort("document", "line", maintain_order=True)
    sentinels = [in_kept_unit(one, column) for one in column.sentinels]
    near = pl.any_horizontal(
        pl.lit(value=False),
        *((pl.col("kept") - one).abs() <= 1e-9 * max(1.0, abs(one)) for one in sentinels),
    )
    return frame.with_columns(
        reason=pl.coalesce(
            "late",
            pl.when(pl.col("function") == "error").then(
                pl.lit("the meter marks this value as an error state")
            ),
            pl.when(pl.col("unit").is_null()).then(
                pl.format("the unit '{}' is not known", pl.col("stated_unit").str.slice(0, 60))
            ),
            pl.when(pl.col("value") == "").then(pl.lit("there is no value in this record")),
            pl.when(pl.col("kept").is_null()).then(pl.lit("the value is not a number")),
            pl.when(~pl.col("kept").is_finite()).then(pl.lit("not a finite number")),
            pl.when(near).then(pl.lit("this value stands for 'no value' in this column")),
        )
    )


def _one_a_readout(kept: pl.DataFrame) -> pl.DataFrame:
    """Make one reading of records of a readout that look alike, if they say the same."""
    alike = kept["document"].is_duplicated()
    if not alike.any():
        return kept
    differ = pl.col("kept").n_unique().over("document") > 1
    ids = pl.col("id").cast(pl.String).str.join(", ").over("document")
    return kept.with_columns(
        reason=pl.when(differ & pl.lit(alike))
        .then(
            pl.format(
                "the readout holds this record several times, with different values (id {}); "
                "give the profile's 'record' the 'id' of the one that is meant",
                ids,
            )
        )
        .otherwise("reason")
    ).unique("document", keep="first", maintain_order=True)


def _refuse_documents(documents: list[Readout], text: Text, found: _Found) -> None:
    wrong = [document for document in documents if document.wrong]
    if not wrong:
        return
    lines = [min(max(document.wrong_line, 1), len(text.start)) for document in wrong]
    found.rejects.append(
        pl.DataFrame(
            {
                "line": lines,
                "column": ["readout"] * len(wrong),
                "raw": [shown(text.line(line - 1).strip()) for line in lines],
                "reason": [
                    shown(document.wrong)
                    + ("; the records before it were read" if document.readings else "")
                    for document in wrong
                ],
            },
            schema=REJECT,
        )
    )


def _note_strangers(documents: list[Readout], profile: Profile, found: _Found) -> None:
    strange = Counter(
        f"{document.meter} ({shown(document.medium_name, 60) or 'no medium'})"
        for document in documents
        if document.meter
        and not any(concerns(column, document.meter, document.medium) for column in profile.column)
    )
    if strange:
        listed = ", ".join(f"{name}: {count}" for name, count in strange.most_common(12))
        found.notes.append(
            f"Readouts of meters that no column of the profile means: {strange.total()} ({listed})."
        )


ADAPTER = MbusXmlAdapter()
