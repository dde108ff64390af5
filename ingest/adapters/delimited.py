"""Delimited text, wide or long, as a profile describes it."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import chain
from pathlib import Path

import polars as pl

from ingest.clock import NUMERIC_FORMATS
from ingest.normal_form import Extract
from ingest.profile import Delimited, Profile
from ingest.streams import (
    Cells,
    Grid,
    Places,
    Reader,
    check_columns,
    find_places,
    joined,
    lengths_of,
    merged,
    states_units,
    wanted_names,
)
from ingest.text_parts import PART_BYTES, TextParts, read_head
from ingest.text_table import (
    TRAILING_NOTE,
    Header,
    Lines,
    Table,
    Text,
    find_header,
    look_at_lines,
    repeated_note,
    split_line,
    table_of,
)
from monitor.errors import DescriptionError


class DelimitedAdapter:
    """Reads delimited text; see `ingest.registry.PartsAdapter`."""

    name = "delimited"

    def read(self, path: Path, profile: Profile) -> Extract:
        """Read a whole file; see `read_parts`."""
        return merged(self.read_parts(path, profile), profile)

    def read_parts(self, path: Path, profile: Profile, size: int = PART_BYTES) -> Iterator[Extract]:
        """Read a file of any length.

        Parameters
        ----------
        path
            Text in any of the encodings of the profile, plain or gzipped.
        profile
            With its table `delimited`.
        size
            Bytes that are read at a time. All parts together say the same whatever it is.

        Raises
        ------
        DescriptionError
            The profile cannot be used for this format.
        Terminal, Transient
            The file cannot be read as the profile says, or not now.
        """
        layout = _layout(profile)
        check_columns(profile, layout)
        file = _File(path, profile, layout, size)
        lengths = lengths_of(file.grids(), layout, profile)
        reader = Reader(path.name, layout, profile, lengths)
        for grid in file.grids():
            yield reader.add(grid)
        yield reader.finish(tuple(file.notes))


class _File:
    """Delimited text that can be gone through more than once.

    Attributes
    ----------
    notes
        What was found on the way, once all of the grids were given.
    """

    def __init__(self, path: Path, profile: Profile, layout: Delimited, size: int) -> None:
        self.notes: list[str] = []
        self._path = path
        self._layout = layout
        self._size = size
        parts = self._parts()
        stream = iter(parts)
        text, read = read_head(stream, path.name)
        self._begun: tuple[TextParts, Iterator[Text]] | None = (
            parts,
            chain(_used_up(read), stream),
        )
        self._header = header = find_header(
            text,
            anchor=layout.times,
            contains=layout.header_contains,
            separator=layout.separator,
            wanted=wanted_names(layout, profile),
        )
        self._raw = text.raw(header.line)
        self._places = places = find_places(
            lambda name: header.position(name, file=path.name),
            layout,
            profile,
            where=f"{path.name}, line {header.line + 1}",
        )
        self._skip = 0 if layout.layout == "long" else _unit_row(text, header, profile, places)
        self._trailing = self._all_trailing(text)

    def _parts(self) -> TextParts:
        return TextParts(self._path, self._layout.encoding, self._size)

    def _lines(self, stream: Iterable[Text]) -> Iterator[Lines]:
        for text in stream:
            yield look_at_lines(text, self._header, self._raw, skip=self._skip)

    def _all_trailing(self, head: Text) -> bool:
        """Say whether every row of the file ends with a separator that the header lacks."""
        # Nearly always the first rows say no.
        if any(lines.exact for lines in self._lines([_first_lines(head, self._header.line + 64)])):
            return False
        trailing = False
        for lines in self._lines(self._parts()):
            if lines.exact:
                return False
            trailing |= lines.trailing
        return trailing

    def grids(self) -> Iterator[Grid]:
        """Give the rows, part after part; the notes are those of the last time through."""
        fresh = self._parts()
        parts, stream = self._begun or (fresh, iter(fresh))
        self._begun = None
        count = repeated = 0
        for lines in self._lines(stream):
            table = table_of(lines, self._header, self._places.all, trailing=self._trailing)
            count += table.lines
            repeated += lines.repeated
            yield _grid(self._path.name, table, self._layout, self._places)
        self.notes = [*parts.notes]
        if repeated:
            self.notes.append(repeated_note(repeated))
        if self._trailing:
            self.notes.append(TRAILING_NOTE)
        if self._skip:
            self.notes.append(
                f"Line {self._header.line + 2} states units; they agree with the profile."
            )
        if not parts.ended:
            self.notes.append(
                f"The last line ({parts.lines}) has no line end: if the file was copied while "
                "it was being written, its last value may be cut short."
            )
        if count == 0:
            self.notes.append(f"{self._path.name} has a header but no rows below it.")


def _used_up(parts: list[Text]) -> Iterator[Text]:
    """Give parts and keep none of them."""
    waiting = deque(parts)
    parts.clear()
    while waiting:
        yield waiting.popleft()


def _first_lines(text: Text, count: int) -> Text:
    start, end = text.start[:count], text.end[:count]
    data = text.data[: int(end[-1]) if len(end) else 0]
    return replace(text, data=data, start=start, end=end)


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


def _grid(file: str, table: Table, layout: Delimited, places: Places) -> Grid:
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
    )


ADAPTER = DelimitedAdapter()
