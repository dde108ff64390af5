"""How times are written, and in which zone.

Whether day or month stands first is decided by a day above 12 anywhere in the file, and
asked where there is none. Whether stamps without an offset follow a zone with summer time
is told by the hours that occur twice or never.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import polars as pl

from ingest.clock import NUMERIC_FORMATS, check_time_format, read_stamps
from ingest.local_time import parse_zone, to_utc
from ingest.propose.model import Fact, Guess, Question
from ingest.propose.words import plain_words

Micros = npt.NDArray[np.int64]

#: Times of this share of the rows must be readable for a column to be one of times.
LEAST_READABLE: Final = 0.8
_SAMPLE: Final = 400

_STAMP: Final = re.compile(
    r"(\d{1,4})([./-])(\d{1,2})\2(\d{1,4})"
    r"(?:(T|\s+|,\s*)(\d{1,2}):(\d{2})(:\d{2})?([.,]\d{1,9})?(\s*[AaPp][Mm])?)?"
    r"\s*(Z|[+-]\d{2}:?\d{2})?"
)
_CLOCK: Final = re.compile(r"\d{1,2}:\d{2}(:\d{2})?(\s*[AaPp][Mm])?")
_TIME_WORD: Final = re.compile(
    r"time|date|zeit|datum|\bts\b|stamp|heure|jour|tijd|tid|dato|hora|fecha|data|ora|moment|when",
    re.IGNORECASE,
)
#: Words about the file's times, in its header or above it.
_SAYS_OFFSET: Final = re.compile(
    r"\b(?:utc|gmt)\s*([+-])\s*(\d{1,2})(?::?(\d{2}))?\b", re.IGNORECASE
)
_SAYS_UTC: Final = re.compile(r"\b(utc|gmt|zulu)\b", re.IGNORECASE)
_SAYS_STANDARD: Final = re.compile(
    r"\b(mez|cet|winterzeit|normalzeit|standard time|wintertijd)\b", re.IGNORECASE
)
_SAYS_LOCAL: Final = re.compile(
    r"\b(local|lokal\w*|ortszeit|mesz|cest|bst|locale?)\b", re.IGNORECASE
)

# Serial dates of the years 1990 to 2080 (1900 date system); seconds of the same years.
_EXCEL: Final = (32_874.0, 65_745.0)
_SECONDS: Final = (631_152_000.0, 3_471_292_800.0)


@dataclass(frozen=True)
class TimeColumn:
    """A column, or a date and a clock column, that can be read as times.

    Attributes
    ----------
    places
        Positions among the columns.
    time_format
        As a profile writes it; None where day and month cannot be told apart.
    either
        Both formats that fit where they cannot.
    local
        Microseconds of each row as written; the least integer where it cannot be read.
    floating
        True where a stamp carries no offset.
    readable
        Share of the rows that could be read.
    """

    places: tuple[int, ...]
    time_format: str | None
    either: tuple[str, ...]
    local: Micros
    floating: npt.NDArray[np.bool_]
    readable: float
    why: str
    confidence: float = 0.97


@dataclass
class Found:
    """What was told of times and zone."""

    facts: list[Fact] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    zone: str | None = None


def is_time_name(name: str) -> bool:
    """Say whether a column's name speaks of time."""
    return _TIME_WORD.search(name) is not None


def is_clock(text: str) -> bool:
    """Say whether a text is a time of day alone."""
    return _CLOCK.fullmatch(text.strip()) is not None


def find_times(
    names: tuple[str, ...], cells: list[pl.Series], given: str | None = None
) -> TimeColumn | None:
    """Find the column or the two columns that hold the time.

    Parameters
    ----------
    cells
        Text of each column; null where a cell is empty.
    given
        Time format that a person has said.
    """
    best: TimeColumn | None = None
    rank = (-1.0, 0)
    for place, column in enumerate(cells):
        found = read_column((place,), column, names[place], given)
        # What a person says may be the format of two columns together.
        alone = found or read_column((place,), column, names[place])
        if alone is None:
            continue
        clock = _clock_beside(place, alone, names, cells)
        if clock is not None:
            both = _joined(cells[place], cells[clock])
            found = read_column((place, clock), both, names[place], given) or found
        if found is None:
            continue
        own = (found.readable + (0.5 if is_time_name(names[place]) else 0.0), -place)
        if own > rank:
            best, rank = found, own
    return best


def _joined(first: pl.Series, second: pl.Series) -> pl.Series:
    return first.str.strip_chars() + " " + second.str.strip_chars()


def _clock_beside(
    place: int, date: TimeColumn, names: tuple[str, ...], cells: list[pl.Series]
) -> int | None:
    """Find a column of clock times that belongs to a column of dates without one."""
    known = date.local[date.local > np.iinfo(np.int64).min]
    if date.time_format in NUMERIC_FORMATS or np.any(known % 86_400_000_000):
        return None
    for other in [place + 1, place - 1, *range(len(names))]:
        if other == place or not 0 <= other < len(names):
            continue
        sample = cells[other].drop_nulls().head(_SAMPLE).str.strip_chars().to_list()
        if sample and all(_CLOCK.fullmatch(str(one)) for one in sample):
            return int(other)
    return None


def read_column(
    places: tuple[int, ...], column: pl.Series, name: str, given: str | None = None
) -> TimeColumn | None:
    """Read one column of text as times, or give None where it holds none."""
    sample = [one.strip() for one in column.drop_nulls().head(_SAMPLE).to_list()]
    sample = [one for one in sample if one]
    if not sample:
        return None
    if given is not None:
        return _as(places, column, given, "You said so.", 1.0)
    shapes = Counter(_shape(one) for one in sample)
    shape, count = shapes.most_common(1)[0]
    if shape is not None and count >= LEAST_READABLE * len(sample):
        return _written(places, column, shape)
    return _numbered(places, column, name, sample)


def _shape(text: str) -> tuple[bool, str, bool, str, bool, bool, bool, bool] | None:
    """Describe how a stamp is written: year first, mark, year of two digits, between ..."""
    hit = _STAMP.fullmatch(text)
    if hit is None:
        return None
    first, mark, _, last, between, hour, _, second, fraction, noon, offset = hit.groups()
    year_first = len(first) > 2
    short = not year_first and len(last) <= 2
    between = between or ""
    between = "T" if between == "T" else ", " if between.startswith(",") else " " if hour else ""
    return (
        year_first,
        mark,
        short,
        between,
        second is not None,
        fraction is not None,
        noon is not None,
        offset is not None,
    )


def _written(places: tuple[int, ...], column: pl.Series, shape: Any) -> TimeColumn | None:
    year_first, mark, short, between, second, fraction, noon, offset = shape
    clock = ""
    if between:
        hour = "%I" if noon else "%H"
        clock = f"{between}{hour}:%M" + (":%S" if second else "") + ("%.f" if fraction else "")
        clock += " %p" if noon else ""
    clock += "%z" if offset else ""
    if year_first:
        if mark == "-" and not noon and between in ("T", " ", ""):
            return _as(places, column, "iso", "Stamps are written year first (ISO 8601).", 0.99)
        form = f"%Y{mark}%m{mark}%d{clock}"
        return _as(places, column, form, "The year stands first.", 0.97)
    year = "%y" if short else "%Y"
    day_first, month_first = (f"{a}{mark}{b}{mark}{year}{clock}" for a, b in _ORDERS)
    numbers = column.str.extract_groups(r"^\s*(\d{1,2})[./-](\d{1,2})[./-]").struct.unnest()
    a = numbers.to_series(0).cast(pl.Int64, strict=False).max()
    b = numbers.to_series(1).cast(pl.Int64, strict=False).max()
    first, then = int(str(a or 0)), int(str(b or 0))
    if first > 12 and then > 12:
        why = f"Days above 12 stand in both places (up to {first} and {then}); most rows decide."
        tries = [_as(places, column, one, why, 0.5) for one in (day_first, month_first)]
        fits = [one for one in tries if one is not None]
        return max(fits, key=lambda one: one.readable) if fits else None
    if first > 12:
        return _as(places, column, day_first, f"The first number reaches {first}: a day.", 0.97)
    if then > 12:
        return _as(places, column, month_first, f"The second number reaches {then}: a day.", 0.97)
    found = _as(places, column, day_first, "No day above 12 tells day and month apart.", 0.0)
    if found is None:
        return None
    return TimeColumn(
        places,
        None,
        (day_first, month_first),
        found.local,
        found.floating,
        found.readable,
        found.why,
        0.0,
    )


_ORDERS: Final = (("%d", "%m"), ("%m", "%d"))


def _numbered(
    places: tuple[int, ...], column: pl.Series, name: str, sample: list[str]
) -> TimeColumn | None:
    numbers = pl.Series(sample).str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    if numbers.null_count() > 0.2 * len(numbers) or not len(numbers):
        return None
    values = numbers.drop_nulls().to_numpy()
    low, high = float(values.min()), float(values.max())
    for form, scale in (("epoch_s", 1.0), ("epoch_ms", 1000.0)):
        if _SECONDS[0] * scale <= low and high <= _SECONDS[1] * scale and _mostly_up(values):
            why = f"Numbers such as {sample[0]} are {form.removeprefix('epoch_')} since 1970."
            return _as(places, column, form, why, 0.95)
    if _EXCEL[0] <= low and high <= _EXCEL[1] and is_time_name(name) and _mostly_up(values):
        why = f"Numbers such as {sample[0]} are days of a spreadsheet's date system."
        return _as(places, column.str.replace(",", ".", literal=True), "excel", why, 0.9)
    return None


def _mostly_up(values: npt.NDArray[np.float64]) -> bool:
    steps = np.diff(values)
    return bool(len(steps) == 0 or max((steps >= 0).mean(), (steps <= 0).mean()) > 0.8)


def _as(
    places: tuple[int, ...], column: pl.Series, time_format: str, why: str, confidence: float
) -> TimeColumn | None:
    """Read a column by a format; None where too few rows can be."""
    try:
        check_time_format(time_format)
    except ValueError:
        return None
    told = read_stamps(column, time_format=time_format, zone=parse_zone("UTC"))
    good = told.utc.is_not_null().to_numpy()
    filled = int((column.str.strip_chars().fill_null("") != "").sum())
    readable = float(good.sum()) / max(filled, 1)
    if readable < LEAST_READABLE:
        return None
    micros = told.utc.to_physical().fill_null(0).to_numpy().astype(np.int64).copy()
    micros[~good] = np.iinfo(np.int64).min
    return TimeColumn(places, time_format, (), micros, told.floating, readable, why, confidence)


def tell_zone(
    found: TimeColumn, *, site_zone: str | None, said: str, given: str | None, rows_each: int = 1
) -> Found:
    """Say in which zone stamps are.

    Parameters
    ----------
    site_zone
        Zone of the site that the export is of, if that is known.
    said
        Lines above the header, and the header of the time.
    given
        Zone that a person has said.
    rows_each
        Rows that usually share a time, as in a long layout.
    """
    out = Found()
    known = found.local > np.iinfo(np.int64).min
    floating = found.floating & known
    if given is not None:
        return _with(out, given, 1.0, "You said so.")
    if found.time_format in ("epoch_s", "epoch_ms"):
        return _with(out, "UTC", 1.0, "Seconds since 1970 count in UTC.")
    if known.any() and not floating.any():
        return _with(out, "UTC", 1.0, "Each stamp carries its own offset, which goes before this.")
    if (known & ~floating).any():
        out.doubts.append(
            f"{int((known & ~floating).sum()):,} stamps carry an offset and "
            f"{int(floating.sum()):,} do not."
        )
    return _of_floating(out, found.local, floating, site_zone, said, rows_each)


def _of_floating(
    out: Found,
    local: Micros,
    floating: npt.NDArray[np.bool_],
    site_zone: str | None,
    said: str,
    rows_each: int,
) -> Found:
    # A line with other digits tells when the file was made, not how its times are meant.
    for line in said.split("\n"):
        offset = _SAYS_OFFSET.search(line)
        if offset is not None and not re.search(r"\d", line.replace(offset[0], "")):
            zone = f"{offset[1]}{int(offset[2]):02d}:{offset[3] or '00'}"
            return _with(out, zone, 0.85, f"The file says '{offset[0]}' of its times.")
    plain = "\n".join(line for line in said.split("\n") if not re.search(r"\d", line))
    words = "\n".join(plain_words(line) for line in plain.split("\n"))
    utc, standard, here = (p.search(words) for p in (_SAYS_UTC, _SAYS_STANDARD, _SAYS_LOCAL))
    if site_zone is None:
        if utc:
            return _with(out, "UTC", 0.9, f"The file says '{utc[0]}' of its times.")
        return _ask(
            out,
            "Stamps carry no offset, and no site says where they were taken. In which zone are "
            "they?",
            ("UTC", "Europe/London", "Europe/Berlin", "+01:00"),
        )
    place = parse_zone(site_zone)
    _, in_gap, in_fold = to_utc(np.where(floating, local, 0), floating, place)
    fixed = "UTC" if _is_at_utc(site_zone) else _standard_offset(site_zone)
    if in_gap.any():
        why = (
            f"{int(in_gap.sum())} stamps lie in the hour that the clocks of {site_zone} skip, so "
            "these clocks are not changed in summer."
        )
        if utc or fixed == "UTC":
            return _with(out, "UTC", 0.9, why)
        if standard:
            return _with(out, fixed, 0.9, why)
        out.doubts.append(why)
        return _ask(out, f"{why} Are the times in UTC, or in standard time?", ("UTC", fixed))
    if in_fold.any():
        inside = local[in_fold]
        each = len(inside) / max(len(np.unique(inside)), 1)
        if each > 1.5 * rows_each:
            return _with(
                out,
                site_zone,
                0.98,
                f"The hour that occurs twice in {site_zone} stands there twice.",
            )
        why = (
            f"The hour that occurs twice in {site_zone} stands there once, as with clocks that "
            "are not changed, or with an export that lost it."
        )
        if utc:
            return _with(out, "UTC", 0.85, why)
        if not _skips(local[floating], place) and fixed == "UTC":
            return _with(out, "UTC", 0.75, why)
        out.doubts.append(why)
    elif utc:
        return _with(out, "UTC", 0.9, f"The file says '{utc[0]}' of its times.")
    if standard and not here:
        return _with(out, fixed, 0.75, f"The file says '{standard[0]}' of its times.")
    if here:
        return _with(out, site_zone, 0.9, f"The file says '{here[0]}' of its times.")
    if _skips(local[floating], place):
        return _with(
            out, site_zone, 0.95, f"The hour that clocks skip in {site_zone} has no stamps."
        )
    out.questions.append(
        Question(
            key="zone",
            text=(
                f"No change of clocks lies in the file. Are its times those of {site_zone}, the "
                "site's zone?"
            ),
            options=(site_zone, "UTC", fixed),
        )
    )
    return _with(out, site_zone, 0.65, "The zone of the site; no stamp speaks against it.")


def _skips(local: Micros, zone: Any) -> bool:
    """Whether stamps stand close before and after a skipped hour, and none within it."""
    if not len(local):
        return False
    hours = np.unique(local // 3_600_000_000)
    span = np.arange(hours.min(), hours.max() + 1)
    if len(span) > 200_000:
        return False
    _, gap, _ = to_utc(span * 3_600_000_000, np.ones(len(span), dtype=np.bool_), zone)
    for one in span[gap]:
        beside = np.isin(one + np.array([-2, -1, 1, 2]), hours).sum()
        if beside == 4 and one not in hours:
            return True
    return False


def _is_at_utc(zone: str) -> bool:
    return _standard_offset(zone) == "+00:00"


def _standard_offset(zone: str) -> str:
    """Offset of a zone outside of summer time, as a profile writes it: the lesser of two."""
    micros = np.array([1_704_888_000, 1_720_612_800], dtype=np.int64) * 1_000_000
    utc, _, _ = to_utc(micros, np.ones(2, dtype=np.bool_), parse_zone(zone))
    minutes = int((micros - utc).min() // 60_000_000)
    sign = "-" if minutes < 0 else "+"
    return f"{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def _with(out: Found, zone: str, confidence: float, why: str) -> Found:
    out.zone = zone
    out.facts.append(
        Fact(name="zone", guess=Guess(value=zone, confidence=confidence, reasons=(why,)))
    )
    return out


def _ask(out: Found, text: str, options: tuple[str, ...]) -> Found:
    out.facts.append(Fact(name="zone", guess=Guess(reasons=(text,))))
    out.questions.append(Question(key="zone", text=text, options=options, needed=True))
    return out
