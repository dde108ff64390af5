"""Delimited text, wide or long, as a profile describes it."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from ingest.clock import NUMERIC_FORMATS
from ingest.normal_form import Extract
from ingest.profile import Delimited, Profile
from ingest.streams import (
    Cells,
    Grid,
    Places,
    check_columns,
    find_places,
    joined,
    read_grid,
    states_units,
    wanted_names,
)
from ingest.text_table import Header, Table, Text, find_header, load_text, read_rows, split_line
from monitor.errors import DescriptionError


class DelimitedAdapter:
    """Reads delimited text; see `ingest.registry.Adapter`."""

    name = "delimited"

    def read(self, path: Path, profile: Profile) -> Extract:
        """Read a whole file.

        Parameters
        ----------
        path
            Text in any of the encodings of the profile, plain or gzipped.
        profile
            With its table `delimited`.

        Raises
        ------
        DescriptionError
            The profile cannot be used for this format.
        Terminal, Transient
            The file cannot be read as the profile says, or not now.
        """
        layout = _layout(profile)
        check_columns(profile, layout)
        text = load_text(path, layout.encoding)
        header = find_header(
            text,
            anchor=layout.times,
            contains=layout.header_contains,
            separator=layout.separator,
            wanted=wanted_names(layout, profile),
        )
        places = find_places(
            lambda name: header.position(name, file=text.name),
            layout,
            profile,
            where=f"{text.name}, line {header.line + 1}",
        )
        skip = 0 if layout.layout == "long" else _unit_row(text, header, profile, places)
        table = read_rows(text, header, places.all, skip=skip)
        notes = [*text.notes, *table.notes]
        if skip:
            notes.append(f"Line {header.line + 2} states units; they agree with the profile.")
        if not text.ended:
            notes.append(
                f"The last line ({len(text.start)}) has no line end: if the file was copied while "
                "it was being written, its last value may be cut short."
            )
        if table.lines == 0:
            notes.append(f"{text.name} has a header but no rows below it.")
        return read_grid(_grid(text.name, table, layout, places, notes), layout, profile)


def _layout(profile: Profile) -> Delimited:
    if profile.delimited is None:
        message = (
            f"The profile '{profile.name}' has format 'delimited' but no table [delimited], "
            "which says at least the name of the time column."
        )
        raise DescriptionError(message)
    return profile.delimited


def _unit_row(text: Text, header: Header, profile: Profile, places: Places) -> int:
    """Say whether the line below the header states units (1) or is data (0)."""
    below = header.line + 1
    if below >= len(text.start):
        return 0
    fields = split_line(text.line(below), header.separator)
    if len(fields) != len(header.names):
        return 0
    cells = [fields[place] for place in places.values]
    return int(states_units(cells, profile, where=f"{text.name}, line {below + 1}"))


def _grid(file: str, table: Table, layout: Delimited, places: Places, notes: list[str]) -> Grid:
    def cells(place: int) -> pl.Series:
        return table.cells[str(place)]

    time = cells(places.time[0])
    if len(places.time) == 2:
        time = joined(time, cells(places.time[1]))
    if layout.time_format in NUMERIC_FORMATS and layout.decimal == ",":
        time = time.str.replace(",", ".", literal=True)
    return Grid(
        file=file,
        line=table.line,
        lines=table.lines,
        time=time,
        values=tuple(Cells(cells(place)) for place in places.values),
        serial=None if places.serial is None else cells(places.serial),
        point=None if places.point is None else cells(places.point),
        rejects=table.rejects,
        notes=tuple(notes),
    )


ADAPTER = DelimitedAdapter()
