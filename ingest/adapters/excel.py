"""Sheets of Excel workbooks, wide or long, as a profile describes them."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import fastexcel
import numpy as np
import numpy.typing as npt
import polars as pl

from ingest.clock import Moments
from ingest.errors import Terminal
from ingest.normal_form import Extract
from ingest.numbers import shown
from ingest.profile import Excel, Profile
from ingest.streams import (
    Cells,
    Grid,
    Places,
    check_columns,
    find_places,
    joined,
    read_grid,
    states_units,
)
from ingest.text_table import HEADER_WITHIN, listed, nearest_of, position_of
from ingest.workbook import Sheet, plain_sheet
from monitor.errors import DescriptionError

# Day 0 of serial dates in the two date systems (ECMA-376 part 1, 18.17.4.1).
_ZERO_1900 = np.datetime64("1899-12-30", "s")
_ZERO_1904 = np.datetime64("1904-01-01", "s")
_DAY_S = 86_400.0
#: Serial dates beyond are none: they would overflow the clock.
_MAX_SERIAL = 1e7

Floats = npt.NDArray[np.float64]


class ExcelAdapter:
    """Reads a sheet of a workbook (.xlsx, .xlsm); see `ingest.registry.Adapter`.

    Date and time cells are read as such, to the second; text by `time_format`. Cells
    that hold an error, or a formula without a stored value, are rejects.
    """

    name = "excel"

    def read(self, path: Path, profile: Profile) -> Extract:
        """Read a whole file.

        Parameters
        ----------
        path
            A workbook; macros and links in it are not looked at.
        profile
            With its table `excel`.

        Raises
        ------
        DescriptionError
            The profile cannot be used for this format.
        Terminal, Transient
            The file cannot be read as the profile says, or not now.
        """
        layout = _layout(profile)
        check_columns(profile, layout)
        with tempfile.TemporaryDirectory(prefix="workbook-") as folder:
            sheet = plain_sheet(path, layout.sheet, Path(folder))
            where = f"{path.name}, sheet '{shown(sheet.name, 60)}'"
            texts = _load(sheet.path, where)
            header = _header(texts, layout, where)
            places = find_places(
                lambda name: position_of(
                    name, header.names, where=f"{where}, row {header.row}", called=header.letters
                ),
                layout,
                profile,
                where=f"{where}, row {header.row}",
            )
            kinds: dict[int, fastexcel.DType] = dict.fromkeys(places.values, "float")
            typed = _typed(sheet, where, texts, kinds | dict.fromkeys(places.time, "duration"))
            if layout.decimal == ",":
                # A text such as '1.5' comes as a float too, but not as a truth value.
                true = _typed(sheet, where, texts, dict.fromkeys(places.values, "boolean"))
                for place, known in true.items():
                    typed[place] = typed[place].set(known.is_null(), None)
        rows, notes = _rows(texts, header, places, profile, where)
        text = {place: texts.cells.to_series(place).gather(rows) for place in places.all}
        typed = {place: cells.gather(rows) for place, cells in typed.items()}
        time, moments = _times(text, typed, places, layout, sheet)
        grid = Grid(
            file=path.name,
            line=pl.Series("line", rows + 1, dtype=pl.Int64),
            lines=len(rows),
            time=time,
            values=tuple(_cells(text[place], typed[place]) for place in places.values),
            moments=moments,
            serial=None if places.serial is None else text[places.serial],
            point=None if places.point is None else text[places.point],
            notes=(*_notes(sheet, layout, path.name), *notes),
        )
        extract = read_grid(grid, layout, profile)
        return _with_cells(extract, header, places, layout, sheet.name)


def _layout(profile: Profile) -> Excel:
    if profile.excel is None:
        message = (
            f"The profile '{profile.name}' has format 'excel' but no table [excel], "
            "which says at least the name of the time column."
        )
        raise DescriptionError(message)
    return profile.excel


@dataclass(frozen=True)
class _Loaded:
    """Cells of a sheet from its first row on, and the number of each column from 0."""

    cells: pl.DataFrame
    column: tuple[int, ...]


@dataclass(frozen=True)
class _Header:
    """Where the header stands (row from 1), its names and the numbers of its columns."""

    row: int
    names: tuple[str, ...]
    column: tuple[int, ...]

    def letters(self, place: int) -> str:
        """Give the letters of a column: A to Z, AA and on."""
        text, left = "", self.column[place] + 1
        while left:
            left, rest = divmod(left - 1, 26)
            text = chr(ord("A") + rest) + text
        return text


def _load(path: Path, where: str, types: dict[int, fastexcel.DType] | None = None) -> _Loaded:
    """Read a sheet as text, or some columns as a type: null where a cell is not of it."""
    try:
        sheet = fastexcel.read_excel(path).load_sheet(
            0,
            header_row=None,
            skip_rows=0,
            dtypes="string" if types is None else {key: types[key] for key in types},
            use_columns=None if types is None else sorted(types),
            whitespace_as_null=True,
        )
        columns = sheet.available_columns() if types is None else sheet.selected_columns
        return _Loaded(sheet.to_polars(), tuple(one.absolute_index for one in columns))
    except (fastexcel.FastExcelError, pl.exceptions.PolarsError) as error:
        said = str(error).split("\n")[0].strip().rstrip(".")
        message = f"{where} cannot be read: {shown(said)}. Save the workbook again and import that."
        raise Terminal(message) from error
    except BaseException as error:
        if type(error).__name__ != "PanicException":  # of the extension; it is no Exception
            raise
        message = (
            f"{where} cannot be read ({shown(str(error))}): mostly a cell that is formatted as a "
            "date holds a number that is none. Correct it in the workbook and import that."
        )
        raise Terminal(message) from error


def _typed(
    sheet: Sheet, where: str, texts: _Loaded, types: dict[int, fastexcel.DType]
) -> dict[int, pl.Series]:
    """Read columns as a type; they are known by their place among `texts`."""
    loaded = _load(sheet.path, where, {texts.column[place]: one for place, one in types.items()})
    return {
        place: loaded.cells.to_series(loaded.column.index(texts.column[place])) for place in types
    }


def _header(texts: _Loaded, layout: Excel, where: str) -> _Header:
    nearest: tuple[str, ...] = ()
    contains = layout.header_contains
    for row, cells in enumerate(texts.cells.head(HEADER_WITHIN).iter_rows(), 1):
        names = tuple((cell or "").strip() for cell in cells)
        if contains is not None:
            if any(contains in name for name in names):
                return _Header(row, names, texts.column)
        elif all(name in names for name in layout.times):
            return _Header(row, names, texts.column)
        nearest = max(nearest, tuple(name for name in names if name), key=len)
    if contains is not None:
        message = (
            f"{where}: no cell in its first {HEADER_WITHIN} rows holds '{contains}', which marks "
            "the header."
        )
        raise Terminal(message)
    names_of_time = "' and '".join(layout.times)
    message = (
        f"{where}: no header row with the time column '{names_of_time}' was found in its first "
        f"{HEADER_WITHIN} rows.{nearest_of(layout.times[0], nearest)} The likeliest header has: "
        f"{listed(nearest) or 'nothing'}. Correct 'time' or 'sheet' in the profile."
    )
    raise Terminal(message)


def _rows(
    texts: _Loaded, header: _Header, places: Places, profile: Profile, where: str
) -> tuple[npt.NDArray[np.int64], list[str]]:
    """Give the indices of the data rows, and what a person should know of the others."""
    notes = []
    below = texts.cells.slice(header.row)
    first = 0
    if places.point is None and below.height:
        cells = [(below.item(0, place) or "").strip() for place in places.values]
        if states_units(cells, profile, where=f"{where}, row {header.row + 1}"):
            notes.append(f"Row {header.row + 1} states units; they agree with the profile.")
            first = 1
    filled = ~below.select(pl.all_horizontal(pl.all().is_null()).alias("blank"))["blank"]
    again = pl.Series([True]).new_from_index(0, below.height)
    for place in places.all:
        again &= (below.to_series(place).str.strip_chars() == header.names[place]).fill_null(
            value=False
        )
    if again.any():
        notes.append(f"The header row is repeated {again.sum()} times; these are no data.")
    kept = (filled & ~again).to_numpy()
    kept[:first] = False
    if not kept.any():
        notes.append(f"{where} has a header but no rows below it.")
    return np.flatnonzero(kept) + header.row, notes


def _cells(text: pl.Series, numbers: pl.Series) -> Cells:
    """Give the cells of a value column; a truth value is no number."""
    truth = text.is_in(["true", "false"]).fill_null(value=False)
    return Cells(text, numbers.set(truth, None) if truth.any() else numbers)


def _notes(sheet: Sheet, layout: Excel, file: str) -> list[str]:
    notes = []
    if layout.sheet is None and sheet.others:
        notes.append(
            f"Read was the sheet '{shown(sheet.name, 60)}' of {file}; it also has "
            f"{listed(sheet.others)}. Say 'sheet' in the profile for another."
        )
    if sheet.from_1904:
        notes.append("The workbook counts its dates from 1904; that is taken into account.")
    if sheet.without_value:
        notes.append(
            f"{sheet.without_value} formulas have no stored value. Open the workbook in a "
            "spreadsheet program, save it, and import it again."
        )
    return notes


def _times(
    text: dict[int, pl.Series],
    typed: dict[int, pl.Series],
    places: Places,
    layout: Excel,
    sheet: Sheet,
) -> tuple[pl.Series, Moments]:
    """Give times as text, and those that the sheet states as dates or serial numbers."""
    zero = _ZERO_1904 if sheet.from_1904 else _ZERO_1900
    texts = [text[place] for place in places.time]
    seconds = [_seconds(typed[place]) for place in places.time]
    if len(texts) == 2:
        return _date_and_clock(texts, seconds, layout, zero)
    time, serial = texts[0], seconds[0]
    if layout.time_format == "excel":
        plain = _plain_serials(time, layout.decimal)
        serial = np.where(np.isnan(serial), plain, serial)
    moment = _moment(serial, zero)
    if sheet.iso_dates:
        iso = time.str.to_datetime("%Y-%m-%dT%H:%M:%S%.f", strict=False, time_unit="us").to_numpy()
        moment = np.where(np.isnat(moment), iso, moment)
    return time, Moments(moment, np.ones(len(moment), dtype=np.bool_))


def _seconds(durations: pl.Series) -> Floats:
    """Give date and time cells as seconds since day 0, to the second; NaN for other cells.

    A minute is no round fraction of a day, so serial dates carry rounding errors.
    """
    millis = durations.cast(pl.Duration("ms")).to_physical().cast(pl.Float64)
    return np.round(millis.fill_null(np.nan).to_numpy() / 1000)


def _plain_serials(text: pl.Series, decimal: str) -> Floats:
    number = text.str.strip_chars()
    if decimal == ",":
        number = number.str.replace(",", ".", literal=True)
    days = number.cast(pl.Float64, strict=False).fill_null(np.nan).to_numpy()
    return np.where(np.abs(days) < _MAX_SERIAL, np.round(days * _DAY_S), np.nan)


def _moment(seconds: Floats, zero: np.datetime64) -> npt.NDArray[np.datetime64]:
    known = np.abs(seconds) < _MAX_SERIAL * _DAY_S
    moment = zero + np.where(known, seconds, 0).astype("timedelta64[s]")
    moment[~known] = np.datetime64("NaT")
    return moment.astype("datetime64[us]")


def _date_and_clock(
    texts: list[pl.Series], seconds: list[Floats], layout: Excel, zero: np.datetime64
) -> tuple[pl.Series, Moments]:
    """Join a date and a time column, each of which may be typed or text in any row.

    A clock cell may hold the date too, as it does where only its format hides it; the
    end of the day is a clock of 24 h.
    """
    date, clock = seconds
    day = np.floor(date / _DAY_S) * _DAY_S
    within = np.where((clock > _DAY_S) & (clock - day < _DAY_S), clock - day, clock)
    whole = (day == date) & (within >= 0) & (within <= _DAY_S)
    moment = _moment(np.where(whole, day + within, np.nan), zero)
    formats = ("%Y-%m-%d", "%H:%M:%S")
    if layout.time_format != "iso":
        parts = layout.time_format.split(" ", 1)
        formats = (parts[0], parts[-1])
    first = _written(texts[0], _moment(np.where(day == date, date, np.nan), zero), formats[0])
    within = np.where((clock >= 0) & (clock < _DAY_S), clock, np.nan)
    second = _written(texts[1], _moment(within, zero), formats[1])
    return joined(first, second), Moments(moment, np.ones(len(moment), dtype=np.bool_))


def _written(text: pl.Series, moment: npt.NDArray[np.datetime64], how: str) -> pl.Series:
    """Write typed cells as the profile says that text is written, beside which they stand."""
    typed = pl.Series(moment).dt.strftime(how)
    return typed.zip_with(typed.is_not_null(), text)


def _with_cells(
    extract: Extract, header: _Header, places: Places, layout: Excel, sheet: str
) -> Extract:
    """Say of each reject in which cell it stands."""
    if extract.rejects.is_empty():
        return extract
    if layout.layout == "long":
        letters: pl.Expr = pl.lit(header.letters(places.values[0]))
    else:
        known = {header.names[place]: header.letters(place) for place in places.values}
        letters = pl.col("column").replace_strict(known)
    said = pl.format(
        "{} (sheet '{}', cell {}{})", "reason", pl.lit(shown(sheet, 60)), letters, "line"
    )
    return replace(extract, rejects=extract.rejects.with_columns(reason=said))


ADAPTER = ExcelAdapter()
