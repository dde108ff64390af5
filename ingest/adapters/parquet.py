"""Parquet files, wide or long, as a profile describes them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from ingest.clock import NUMERIC_FORMATS, Moments
from ingest.errors import Terminal, Transient
from ingest.normal_form import Extract
from ingest.numbers import shown
from ingest.profile import Parquet, Profile
from ingest.streams import Cells, Grid, check_columns, find_places, joined, read_grid
from ingest.text_table import MAX_BYTES, MAX_COLUMNS, position_of
from monitor.errors import DescriptionError

#: Cells of the columns that are read; a year of minutes of fifty columns has half of it.
MAX_CELLS = 50_000_000
#: Bytes of text in a column, counted once for each row.
MAX_TEXT = 1 << 30

_MAGIC, _SEALED = b"PAR1", b"PARE"
# The years 1 and 9999 in microseconds; what lies beyond is as far off as these.
_FIRST, _LAST = -62_135_596_800_000_000, 253_402_300_799_000_000


class ParquetAdapter:
    """Reads Parquet; see `ingest.registry.Adapter`.

    Times may be typed, with or without a zone, or numbers or text by `time_format`;
    values may be numbers or text. Nulls are blank. A row's line is its number from 1.
    """

    name = "parquet"

    def read(self, path: Path, profile: Profile) -> Extract:
        """Read a whole file.

        Parameters
        ----------
        path
            A Parquet file.
        profile
            With its table `parquet`.

        Raises
        ------
        DescriptionError
            The profile cannot be used for this format.
        Terminal, Transient
            The file cannot be read as the profile says, or not now.
        """
        layout = _layout(profile)
        check_columns(profile, layout)
        _check_kind(path)
        try:
            with pq.ParquetFile(path) as file:
                names = tuple(file.schema_arrow.names)
                where = f"{path.name}, its schema"
                places = find_places(
                    lambda name: position_of(name, names, where=where),
                    layout,
                    profile,
                    where=where,
                )
                _check_extent(path.name, file, [names[place] for place in places.all])
                loaded = {place: _column(path, file, place, names[place]) for place in places.all}
        except (pa.ArrowException, OSError, ValueError, KeyError) as error:
            said = shown(" ".join(str(error).split()).rstrip("."))
            message = f"{path.name} is damaged and cannot be read as Parquet: {said}."
            raise Terminal(message) from error
        time, moments = _times([loaded[place] for place in places.time], layout, path.name)
        rows = len(time)
        notes = () if rows else (f"{path.name} has a schema but no rows.",)
        return read_grid(
            Grid(
                file=path.name,
                line=pl.int_range(1, rows + 1, dtype=pl.Int64, eager=True).alias("line"),
                lines=rows,
                time=time,
                values=tuple(_cells(loaded[place], path.name) for place in places.values),
                moments=moments,
                serial=None if places.serial is None else _text(loaded[places.serial]),
                point=None if places.point is None else _text(loaded[places.point]),
                notes=notes,
            ),
            layout,
            profile,
        )


def _layout(profile: Profile) -> Parquet:
    if profile.parquet is None:
        message = (
            f"The profile '{profile.name}' has format 'parquet' but no table [parquet], "
            "which says at least the name of the time column."
        )
        raise DescriptionError(message)
    return profile.parquet


def _check_kind(path: Path) -> None:
    try:
        size = path.stat().st_size
        with path.open("rb") as stream:
            start = stream.read(4)
            stream.seek(max(size - 4, 0))
            end = stream.read(4)
    except OSError as error:
        message = f"{path.name} cannot be read at present: {error.strerror or error}."
        raise Transient(message) from error
    if size == 0:
        message = f"{path.name} is empty. Export it again."
    elif size > MAX_BYTES:
        message = f"{path.name} is larger than {MAX_BYTES >> 20} MiB. Export a shorter period."
    elif _SEALED in (start, end):
        message = f"{path.name} is encrypted. Export it without encryption."
    elif start != _MAGIC:
        message = f"{path.name} is no Parquet file, whatever its name says."
    elif end != _MAGIC or size < 12:
        message = f"{path.name} ends before its schema; it may still be written."
        raise Transient(message)
    else:
        return
    raise Terminal(message)


def _check_extent(name: str, file: pq.ParquetFile, wanted: list[str]) -> None:
    """Refuse a file that unpacks to more than memory should hold."""
    meta, columns = file.metadata, len(wanted)
    leaves = [k for k in range(meta.num_columns) if file.schema.column(k).path in wanted]
    unpacked = sum(
        meta.row_group(group).column(leaf).total_uncompressed_size
        for group in range(meta.num_row_groups)
        for leaf in leaves
    )
    if meta.num_columns > MAX_COLUMNS:
        message = f"{name} has more than {MAX_COLUMNS} columns."
    elif meta.num_rows < 0 or meta.num_rows * columns > MAX_CELLS:
        message = (
            f"{name} has {meta.num_rows:,} rows; of {columns} columns at most "
            f"{MAX_CELLS // columns:,} are read. Export a shorter period."
        )
    elif unpacked > MAX_BYTES:
        message = f"{name} unpacks to more than {MAX_BYTES >> 20} MiB. Export a shorter period."
    else:
        return
    raise Terminal(message)


def _column(path: Path, file: pq.ParquetFile, place: int, name: str) -> pl.Series:
    """Read one column; text is held as a dictionary until it is known to be of sane size."""
    where = f"{path.name}, column '{shown(name, 60)}'"
    kind = file.schema_arrow.field(place).type
    if pa.types.is_nested(kind):
        message = f"{where} is nested ({shown(str(kind), 60)}). Export it as plain columns."
        raise Terminal(message)
    if pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
        message = f"{where} holds bytes, not text or numbers. Export it as text."
        raise Terminal(message)
    with pq.ParquetFile(path, read_dictionary=[name]) as again:
        read = again.read(columns=[name])
    if read.num_columns != 1 or read.num_rows != file.metadata.num_rows:
        message = f"{where} does not have the rows that the file states. Export it again."
        raise Terminal(message)
    chunks = read.column(0)
    chunks.validate(full=True)  # text that is no UTF-8 would only fail in the store
    if pa.types.is_dictionary(chunks.type):
        size = sum(
            pc.sum(pc.take(pc.binary_length(part.dictionary), part.indices)).as_py() or 0
            for part in chunks.chunks
            if pa.types.is_string(part.type.value_type)
            or pa.types.is_large_string(part.type.value_type)
        )
        if size > MAX_TEXT:
            message = f"{where} holds more than {MAX_TEXT >> 20} MiB of text."
            raise Terminal(message)
    try:
        series = pl.Series(name, chunks)
    except pl.exceptions.PolarsError as error:
        said = shown(str(error).splitlines()[0].rstrip("."))
        message = f"{where} cannot be read: {said}. Export it again."
        raise Terminal(message) from error
    return series.cast(pl.String) if series.dtype in (pl.Categorical, pl.Enum) else series


def _text(column: pl.Series) -> pl.Series:
    return column if column.dtype == pl.String else column.cast(pl.String)


def _cells(column: pl.Series, file: str) -> Cells:
    dtype = column.dtype
    if dtype.is_numeric() or dtype == pl.Null:
        return Cells(None, column.cast(pl.Float64))
    if dtype in (pl.String, pl.Boolean):
        return Cells(_text(column))
    message = (
        f"{file}: the column '{shown(column.name, 60)}' holds {_called(dtype)}, not numbers. "
        "Name another column in the profile."
    )
    raise Terminal(message)


def _called(dtype: pl.DataType) -> str:
    if dtype.is_temporal():
        return "durations" if dtype == pl.Duration else "times"
    return f"values of type {dtype}"


def _times(columns: list[pl.Series], layout: Parquet, file: str) -> tuple[pl.Series, Moments]:
    """Give times as text, and those that the file states as times."""
    if len(columns) == 2:
        return _date_and_clock(columns[0], columns[1], file)
    column = columns[0]
    if column.dtype in (pl.Datetime, pl.Date):
        return _with_text(_typed(column))
    _check_written(column, layout, file)
    text = _text(column)
    return text, _no_moments(len(text))


def _with_text(moments: Moments) -> tuple[pl.Series, Moments]:
    return pl.Series(moments.moment).cast(pl.String), moments


def _check_written(column: pl.Series, layout: Parquet, file: str) -> None:
    """Refuse a time column that is no time: each of its rows would be wrong."""
    dtype, name = column.dtype, shown(column.name, 60)
    if dtype in (pl.String, pl.Null):
        return
    if dtype.is_numeric() and layout.time_format in NUMERIC_FORMATS:
        return
    if dtype.is_numeric():
        message = (
            f"{file}: the time column '{name}' holds numbers. Set 'time_format' in the profile "
            f"to what they count: one of {', '.join(NUMERIC_FORMATS)}."
        )
    else:
        message = f"{file}: the time column '{name}' holds {_called(dtype)}, not dates with times."
    raise Terminal(message)


def _typed(column: pl.Series) -> Moments:
    """Give typed times, within the years that can be written."""
    zoned = isinstance(column.dtype, pl.Datetime) and column.dtype.time_zone is not None
    if column.dtype == pl.Date:
        per_micro, factor = 1, 86_400_000_000
    else:
        unit = column.dtype.time_unit if isinstance(column.dtype, pl.Datetime) else "us"
        per_micro, factor = (1000, 1) if unit == "ns" else (1, 1000 if unit == "ms" else 1)
    number = column.to_physical().cast(pl.Int64)
    missing = number.is_null().to_numpy()
    whole = number.fill_null(0).to_numpy() // per_micro
    micros = np.clip(whole, _FIRST // factor, _LAST // factor) * factor
    moment = micros.astype("datetime64[us]")
    moment[missing] = np.datetime64("NaT")
    return Moments(moment, np.full(len(moment), not zoned))


def _no_moments(rows: int) -> Moments:
    return Moments(np.full(rows, np.datetime64("NaT"), "datetime64[us]"), np.ones(rows, np.bool_))


def _date_and_clock(date: pl.Series, clock: pl.Series, file: str) -> tuple[pl.Series, Moments]:
    """Join a date and a time column: both typed, or both text."""
    if date.dtype in (pl.Date, pl.Datetime) and clock.dtype == pl.Time:
        day = _typed(date.cast(pl.Date))
        within: npt.NDArray[np.int64] = clock.to_physical().fill_null(0).to_numpy() // 1000
        moment = day.moment + within.astype("timedelta64[us]")
        moment[clock.is_null().to_numpy()] = np.datetime64("NaT")
        return _with_text(Moments(moment, day.floating))
    for column in (date, clock):
        if column.dtype not in (pl.String, pl.Null):
            message = (
                f"{file}: the columns '{date.name}' and '{clock.name}' are not a date and a time "
                f"of day: the file has {_called(date.dtype)} and {_called(clock.dtype)}."
            )
            raise Terminal(message)
    text = joined(_text(date), _text(clock))
    return text, _no_moments(len(text))


ADAPTER = ParquetAdapter()
