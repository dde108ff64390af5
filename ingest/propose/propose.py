"""From an unknown export to a profile that a person can confirm or correct."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import polars as pl

from ingest.errors import IngestError
from ingest.numbers import read_numbers
from ingest.profile import Profile
from ingest.propose import messages, tables, telegrams
from ingest.propose.answers import Answers
from ingest.propose.assemble import column_of, profile_column, questions_about
from ingest.propose.behaviour import run_of
from ingest.propose.columns import Seen, tell_intervals, tell_kinds, tell_roles
from ingest.propose.decimals import Marks, tell_marks
from ingest.propose.magnitude import settle_units, weigh
from ingest.propose.model import ColumnProposal, Fact, Guess, Proposal, Question
from ingest.propose.sniff import format_of
from ingest.propose.tables import Look
from ingest.propose.telegrams import Points
from ingest.propose.times import Found, TimeColumn, find_times, is_clock, tell_zone
from ingest.propose.units import stated_unit
from ingest.propose.words import plain_words
from monitor.errors import DescriptionError
from monitor.metrics.plausibility import expected_heat
from monitor.models import Kind, Role, Site, record_from_data

Values = npt.NDArray[np.float64]

_TABLES: Final = ("delimited", "excel", "parquet", "jsonl")
_DAY_US: Final = 86_400_000_000
_LEAST: Final = int(np.iinfo(np.int64).min)
#: More different names in a column than these are no points of a home.
_MOST_POINTS: Final = 200
#: So many columns that are named by a time of day are a table of days and hours.
_LEAST_CLOCKS: Final = 12
_SERIAL_WORDS: Final = (
    "serial", "seriennummer", "zahlernummer", "zaehlernummer", "zahler nr", "meter id",
    "meter no", "meter number", "meternummer", "malernummer", "matricola", "numero de serie",
    "device id", "geratenummer",
)  # fmt: skip
_VALUE_WORDS: Final = ("value", "wert", "valeur", "waarde", "vaerdi", "valor", "valore", "reading")


def propose(path: Path, site: Site | None = None, answers: Answers | None = None) -> Proposal:
    """Propose a profile for an export.

    Parameters
    ----------
    path
        Any file; what it is, is told by what stands in it.
    site
        The site that it is of, if that is known: its zone, meters and sizes are then used.
    answers
        What a person has said; it goes before everything that is told from the file.

    Returns
    -------
    Proposal
        With a profile, or with questions that must be answered first. A file that cannot
        be read at all gives a proposal whose doubts say why.
    """
    answers = answers or Answers()
    try:
        told = _format(path, answers)
        if told.value is None:
            return Proposal(
                file=path.name,
                format=None,
                facts=(Fact(name="format", guess=told),),
                doubts=told.reasons,
            )
        if told.value in _TABLES:
            return _Draft(path, site, answers, told).of_table(_look(path, told.value, answers))
        return _Draft(path, site, answers, told).of_points(_points(path, told.value, site))
    except (IngestError, DescriptionError) as error:
        return Proposal(file=path.name, format=None, doubts=(error.user_message,))


def _format(path: Path, answers: Answers) -> Guess:
    told = format_of(path)
    said = answers.whole.get("format")
    if said is None:
        return told
    if said not in (*_TABLES, "mbus", "mbus_xml", "obis", "espi", "senml", "line_protocol"):
        message = f"The format '{said}' is not one that can be proposed for."
        raise DescriptionError(message)
    return Guess(value=said, confidence=1.0, reasons=("You said so.",))


def _look(path: Path, name: str, answers: Answers) -> Look:
    if name == "delimited":
        return tables.look_at_text(path, answers.whole)
    if name == "excel":
        return tables.look_at_sheet(path, answers.whole)
    if name == "jsonl":
        return tables.look_at_json(path)
    return tables.look_at_parquet(path)


def _points(path: Path, name: str, site: Site | None) -> Points:
    if name == "mbus":
        return telegrams.look_at_mbus(path, site)
    if name == "mbus_xml":
        return telegrams.look_at_mbus_xml(path, site)
    if name == "obis":
        return telegrams.look_at_obis(path)
    if name == "espi":
        return telegrams.look_at_espi(path)
    return messages.look_at_senml(path) if name == "senml" else messages.look_at_line_protocol(path)


class _Draft:
    """Gathers what is told of one file until it is a proposal."""

    def __init__(self, path: Path, site: Site | None, answers: Answers, told: Guess) -> None:
        self.path, self.site, self.answers = path, site, answers
        self.format = str(told.value)
        self.facts = [Fact(name="format", guess=told)]
        self.doubts: list[str] = []
        self.questions: list[Question] = []
        self.layout: dict[str, Any] = {}
        self.zone: str | None = "UTC"
        self.seen: list[Seen] = []

    # Tables -------------------------------------------------------------------------

    def of_table(self, look: Look) -> Proposal:
        """Propose for a table."""
        self.facts += look.facts
        self.doubts += look.doubts
        self.layout |= look.layout
        time = find_times(look.names, look.cells, self.answers.whole.get("time_format"))
        if look.cells and not len(look.cells[0]):
            self.doubts.append("The file has a header but no rows below it.")
            return self._finish()
        if sum(is_clock(name) for name in look.names) >= _LEAST_CLOCKS:
            self.doubts.append(
                "Columns are named by times of day, a row for each day. No adapter reads that: "
                "export the readings as a list, one time a row."
            )
            return self._finish()
        if time is None:
            self.questions.append(
                Question(
                    key="time_format",
                    text=(
                        "No column can be read as times. How are they written, for instance "
                        "'%d.%m.%Y %H:%M'?"
                    ),
                    needed=True,
                )
            )
            return self._finish()
        self._take_time(time, look)
        rest = [place for place in range(len(look.names)) if place not in time.places]
        marks = tell_marks([look.cells[place] for place in rest])
        self._take_marks(marks, typed=self.format == "parquet")
        numbers = {place: _numbers(look.cells[place], marks) for place in rest}
        point = self._point_column(look, rest, numbers)
        self._take_zone(time, look, rows_each=self._rows_each(look, point))
        if point is None:
            serial = _serial_column(look.names, rest)
            if serial is not None:
                self.layout["serial"] = look.names[serial]
                rest = [place for place in rest if place != serial]
            self.seen = [
                self._seen_of(look.names[place], numbers[place], time.local, look.unit_row(place))
                for place in rest
            ]
        else:
            self._of_long(look, rest, numbers, point, time)
        known = time.local[time.local > _LEAST]
        self._tell(
            " ".join(look.names[place] for place in time.places),
            int(known[0]) if len(known) else None,
            int(known[-1]) if len(known) else None,
        )
        return self._finish()

    def _take_time(self, time: TimeColumn, look: Look) -> None:
        names = [look.names[place] for place in time.places]
        self.layout["time"] = names if len(names) == 2 else names[0]
        self.facts.append(
            Fact(
                name="time",
                guess=Guess(
                    value=" + ".join(names),
                    confidence=round(min(0.99, time.readable), 2),
                    reasons=(f"{time.readable:.0%} of its rows can be read as times.",),
                ),
            )
        )
        self._time_format(time)

    def _time_format(self, time: TimeColumn) -> None:
        guess = Guess(value=time.time_format, confidence=time.confidence, reasons=(time.why,))
        self.facts.append(Fact(name="time format", guess=guess))
        if time.time_format is None:
            self.questions.append(
                Question(
                    key="time_format",
                    text=f"{time.why} Does the day or the month stand first?",
                    options=time.either,
                    needed=True,
                )
            )
        else:
            self.layout["time_format"] = time.time_format

    def _take_marks(self, marks: Marks, *, typed: bool) -> None:
        said = self.answers.whole
        if "decimal" in said:
            marks.decimal, marks.confidence, marks.why = said["decimal"], 1.0, "You said so."
        if "thousands" in said:
            marks.thousands = said["thousands"] or None
        if marks.ambiguous and "decimal" not in said:
            self.questions.append(
                Question(
                    key="decimal",
                    text=(
                        f"Is '{marks.ambiguous}' a number above a thousand, or one with three "
                        "decimals? Say which is the decimal mark."
                    ),
                    options=(".", ","),
                    needed=True,
                )
            )
        if typed or self.format == "jsonl":
            return
        self.layout["decimal"] = marks.decimal
        if marks.thousands:
            self.layout["thousands"] = marks.thousands
        self.facts.append(
            Fact(
                name="decimal mark",
                guess=Guess(
                    value=repr(marks.decimal), confidence=marks.confidence, reasons=(marks.why,)
                ),
            )
        )

    def _take_zone(self, time: TimeColumn, look: Look, *, rows_each: int) -> None:
        found = tell_zone(
            time,
            site_zone=self.site.zone if self.site is not None else None,
            said="\n".join([look.said, *(look.names[place] for place in time.places)]),
            given=self.answers.whole.get("zone"),
            rows_each=rows_each,
        )
        self._use_zone(found)

    def _use_zone(self, found: Found) -> None:
        self.facts += found.facts
        self.questions += found.questions
        self.doubts += found.doubts
        self.zone = found.zone

    def _point_column(
        self, look: Look, rest: list[int], numbers: dict[int, Values]
    ) -> tuple[int, int] | None:
        """Find the column that says what a row is, and the column of its value."""
        full = [p for p in rest if np.isfinite(numbers[p]).sum() > 0.3 * max(len(numbers[p]), 1)]
        texts = [
            p
            for p in rest
            if p not in full
            and 1 <= look.cells[p].drop_nulls().n_unique() <= _MOST_POINTS
            and look.cells[p].null_count() < 0.1 * len(look.cells[p])
        ]
        serial = _serial_column(look.names, texts)
        texts = [p for p in texts if p != serial]
        if not texts or not full:
            return None
        named = [p for p in full if any(w in plain_words(look.names[p]) for w in _VALUE_WORDS)]
        if len(full) > 1 and len(named) != 1:
            return None
        value = named[0] if named else full[0]
        point = max(texts, key=lambda p: (look.cells[p].n_unique(), -p))
        if look.cells[point].n_unique() < 2 and not named:
            return None
        return point, value

    def _rows_each(self, look: Look, point: tuple[int, int] | None) -> int:
        return look.cells[point[0]].n_unique() if point is not None else 1

    def _of_long(
        self,
        look: Look,
        rest: list[int],
        numbers: dict[int, Values],
        point: tuple[int, int],
        time: TimeColumn,
    ) -> None:
        place, value = point
        self.layout |= {
            "layout": "long",
            "point": look.names[place],
            "value": look.names[value],
        }
        why = f"'{look.names[place]}' says what a row is, '{look.names[value]}' its value."
        self.facts.append(
            Fact(name="layout", guess=Guess(value="long", confidence=0.93, reasons=(why,)))
        )
        serial = _serial_column(look.names, [p for p in rest if p not in point])
        if serial is not None:
            self.layout["serial"] = look.names[serial]
        units = next(
            (p for p in rest if plain_words(look.names[p]) in ("unit", "einheit", "unite")), None
        )
        if units is not None and self.format == "jsonl":
            self.layout["unit"] = look.names[units]
        points = look.cells[place].str.strip_chars()
        for name in points.drop_nulls().unique(maintain_order=True).to_list():
            rows = (points == name).fill_null(value=False).to_numpy()
            unit = None
            if units is not None:
                cells = look.cells[units].filter(pl.Series(rows)).drop_nulls()
                unit = str(cells[0]) if len(cells) else None
            unit = unit or stated_unit(look.names[value], None).value
            self.seen.append(self._seen_of(name, numbers[value][rows], time.local[rows], unit))

    def _seen_of(self, name: str, numbers: Values, times: Any, unit: str | None) -> Seen:
        given = self.answers.of(name)
        return Seen(
            name=name,
            run=run_of(numbers, times),
            unit=stated_unit(name, unit),
            serial=given.get("serial"),
            given=given,
        )

    # Files that describe themselves ---------------------------------------------------

    def of_points(self, points: Points) -> Proposal:
        """Propose for a file whose values have names."""
        self.facts += points.facts
        self.doubts += points.doubts
        self.questions += points.questions
        self.layout |= points.layout
        if points.time is not None:
            self._time_format(points.time)
            self._use_zone(
                tell_zone(
                    points.time,
                    site_zone=self.site.zone if self.site is not None else None,
                    said="",
                    given=self.answers.whole.get("zone"),
                    rows_each=4,
                )
            )
        elif self.format in ("obis", "mbus_xml", "espi"):
            self._zone_of_meter(local=points.local)
        self.seen = points.seen
        for one in self.seen:
            one.given = self.answers.of(one.name)
        self._tell("", None, None)
        return self._finish()

    def _zone_of_meter(self, *, local: bool) -> None:
        said = self.answers.whole.get("zone")
        zone = said or (self.site.zone if self.site is not None else None)
        why = "You said so." if said else "The zone of the site, for times without an offset."
        if zone is None and local:
            self.zone = None
            text = "The times are local, with a mark for summer. In which zone are they?"
            self.facts.append(Fact(name="zone", guess=Guess(reasons=(text,))))
            options = ("Europe/Amsterdam", "Europe/Brussels", "Europe/Luxembourg")
            self.questions.append(Question(key="zone", text=text, options=options, needed=True))
            return
        if zone is None:
            zone, why = "UTC", "For times without an offset; most of this format carry one."
        guess = Guess(value=zone, confidence=1.0 if said else 0.7, reasons=(why,))
        self.facts.append(Fact(name="zone", guess=guess))
        self.zone = zone

    # What columns mean ------------------------------------------------------------------

    def _tell(self, time_name: str, first: int | None, last: int | None) -> None:
        self._check_answers()
        tell_kinds(self.seen, self.site)
        tell_roles(self.seen, self.site)
        expected = self._expected_kw()
        settle_units(self.seen, self.site, expected)
        sizes = weigh(self.seen, self.site, expected)
        self.doubts += sizes.doubts
        if sizes.cop is not None:
            inside = not sizes.doubts
            self.facts.append(
                Fact(
                    name="heat over electricity",
                    guess=Guess(
                        value=f"{sizes.cop:.2f}",
                        confidence=0.9 if inside else 0.2,
                        reasons=(
                            f"Mean heat {sizes.heat_kw:.3g} kW, mean electricity "
                            f"{sizes.elec_kw:.3g} kW over the file.",
                        ),
                    ),
                )
            )
        doubt = tell_intervals(self.seen, time_name, first, last)
        if doubt is not None:
            name = next(o.name for o in self.seen if o.kind.value == "interval" and o.role.value)
            self.questions.append(
                Question(key=f"{name}.stamp", text=doubt, options=("start", "end"))
            )
        self._against_site()

    def _check_answers(self) -> None:
        names = {one.name for one in self.seen}
        strange = [name for name in self.answers.columns if name not in names]
        if strange:
            message = (
                f"{self.path.name} has no column or point '{strange[0]}'. It has: "
                f"{', '.join(repr(name) for name in sorted(names)[:20])}."
            )
            raise DescriptionError(message)
        for name, given in self.answers.columns.items():
            if given.get("role", "none") not in {*Role, "none"}:
                message = f"'{name}.role': '{given['role']}' is no role. Roles: {', '.join(Role)}."
                raise DescriptionError(message)
            if given.get("kind", "state") not in set(Kind):
                message = f"'{name}.kind': '{given['kind']}' is none of {', '.join(Kind)}."
                raise DescriptionError(message)

    def _expected_kw(self) -> float | None:
        """Mean heat by heat loss and the outdoor temperatures of the file."""
        outdoor = [
            o
            for o in self.seen
            if o.role.value == Role.OUTDOOR_TEMP.value and o.unit.value == "degC"
        ]
        times = outdoor[0].run.times if outdoor else None
        if self.site is None or times is None:
            return None
        days = (
            pl.DataFrame({"day": times // _DAY_US, "t": outdoor[0].run.values})
            .group_by("day")
            .agg(pl.col("t").mean())["t"]
            .to_numpy()
        )
        needed = expected_heat(self.site, days)
        return needed / (24.0 * len(days)) if needed is not None and len(days) >= 7 else None

    def _against_site(self) -> None:
        if self.site is None:
            return
        kinds = {
            (channel.role.value, channel.kind.value)
            for fit in self.site.meter
            for channel in fit.channel
        }
        roles = {role for role, _ in kinds}
        for one in self.seen:
            role, kind = one.role.value, one.kind.value
            if role is None or kind is None:
                continue
            if role not in roles:
                self.doubts.append(
                    f"No meter of site '{self.site.id}' measures {role}: readings of '{one.name}' "
                    "would be refused."
                )
            elif (role, kind) not in kinds:
                described = ", ".join(sorted(k for r, k in kinds if r == role))
                self.doubts.append(
                    f"'{one.name}' runs as kind '{kind}', but site '{self.site.id}' describes "
                    f"{role} as '{described}'. Correct whichever is wrong."
                )

    # The end ------------------------------------------------------------------------------

    def _finish(self) -> Proposal:
        columns = tuple(column_of(one) for one in self.seen if one.run.count or one.role.value)
        used = [one for one in columns if one.used]
        self.questions += questions_about(columns)
        profile = None
        if not any(one.needed for one in self.questions):
            profile = self._profile(used)
        if profile is None and not self.questions and not self.doubts:
            self.doubts.append("Nothing in the file is a quantity that a role stands for.")
        return Proposal(
            file=self.path.name,
            format=self.format,
            facts=tuple(self.facts),
            columns=columns,
            questions=tuple(self.questions),
            doubts=tuple(dict.fromkeys(self.doubts)),
            profile=profile,
        )

    def _profile(self, used: list[ColumnProposal]) -> Profile | None:
        if not used or self.zone is None:
            return None
        data: dict[str, Any] = {
            "name": self.answers.whole.get("name", f"Export like {self.path.name}"[:80]),
            "format": self.format,
            "zone": self.zone,
            "column": [profile_column(one, self.format) for one in used],
        }
        if self.layout:
            data[self.format] = self.layout
        try:
            return record_from_data(Profile, data, where=self.path.name, what="profile")
        except DescriptionError as error:
            self.doubts.append(error.user_message)
            return None


def _serial_column(names: tuple[str, ...], places: list[int]) -> int | None:
    for place in places:
        words = plain_words(names[place])
        if any(word in words for word in _SERIAL_WORDS):
            return place
    return None


def _numbers(cells: pl.Series, marks: Marks) -> Values:
    read = read_numbers(cells, decimal=marks.decimal, thousands=marks.thousands)
    return read.values.fill_null(np.nan).to_numpy().astype(np.float64)
