"""Logs of P1 telegrams and IEC 62056-21 readouts, taken apart into telegrams and items.

A telegram runs from a line that begins with '/' to one that begins with '!'
(IEC 62056-21:2002, 6.3; P1 Companion Standard 5.0.2, 6.2). A log without any such line
is taken as plain lists of items.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from ingest.errors import Terminal
from ingest.layouts_telegrams import Obis
from ingest.local_time import Ints
from ingest.numbers import shown
from ingest.text_table import Text

#: Longer lines and telegrams are none. Common practice, no source.
MAX_LINE = 1 << 16
MAX_TELEGRAM = 1 << 16
#: More different codes are no meter's.
MAX_CODES = 50_000
#: A log is read in pieces of about this size.
PIECE = 1 << 24

_NO_END = "the telegram is not whole: its end is missing"
_NO_BEGIN = "the telegram is not whole: its beginning is missing"
_WRONG = "the checksum of the telegram is wrong"
_UNREADABLE = "the checksum of the telegram cannot be read"
_TOO_LONG = "the telegram is longer than any that a meter writes"

# Identification: three letters, then a digit or letter for the speed (IEC 62056-21, 6.3.2).
_HEAD = r"/[A-Za-z]{3}[0-9A-I]"
_ITEM_LINE = r"[0-9A-Za-z][0-9A-Za-z:.*&-]{0,23}\("
_ITEM = r"[^()\s]*(?:\([^()]*\))+|[^()\s]+\([^()]*"
_UNSEEN = "\0\x01\x02\x04\x06\x15\x1a \t"

_FRAMED = re.compile(rb"^[\0\x02 \t]*/|^(?![ \t]*#)[^\n]{0,400}?/[A-Za-z]{3}[0-9A-I]", re.MULTILINE)
_CUT = re.compile(rb"\n[\0\x02 \t]*![0-9A-Fa-f]{0,4}[\0 \t]*\n")
_CUT_PREFIXED = re.compile(rb"\n[^\n(/!#]{0,100}![0-9A-Fa-f]{0,4}[\0 \t]*\n")

BLANK, HEAD, END, ITEM, MORE, OTHER = range(6)


@dataclass(frozen=True)
class Log:
    """What stands in a log.

    Attributes
    ----------
    telegrams
        One row a telegram or list, in order: `telegram` (number from 1), `line` of its
        beginning, `stamp` (text of the time of reception, or null), `fault` (why
        nothing in it can be trusted, or null).
    items
        One row an item, in order: `line`, `telegram` (null outside of any), `code`,
        `brackets` (its text from the first bracket on).
    counts
        Each `code` of the log with the `count` of its items.
    overlong
        Lines beyond `MAX_LINE`: `line` and the beginning as `raw`.
    lines
        Lines that are not blank.
    notes
        Sentences on what else stands in the file.
    """

    telegrams: pl.DataFrame
    items: pl.DataFrame
    counts: pl.DataFrame
    overlong: pl.DataFrame
    lines: int
    notes: tuple[str, ...]


def read_log(text: Text, layout: Obis, keep: Callable[[str], bool]) -> Log:
    """Take a log apart; a telegram that carries a checksum is held to it.

    Parameters
    ----------
    keep
        Says of a code whether its items are wanted; others are only counted.

    Raises
    ------
    Terminal
        The file holds more than `MAX_CODES` different codes.
    """
    notes = list(text.notes)
    nuls = text.data.count(b"\0")
    if nuls:
        notes.append(f"{nuls} NUL bytes stand in the file, as a loss of power leaves them.")
    framed = _FRAMED.search(text.data) is not None
    parts: list[_Part] = []
    line = telegram = 0
    for piece in _pieces(text.data, layout):
        part = _read_piece(
            text.name, piece, layout, keep, framed=framed, line=line, telegram=telegram
        )
        parts.append(part)
        line += piece.count(b"\n")
        telegram += part.begun
    telegrams = pl.concat([part.telegrams for part in parts])
    overlong = pl.concat([part.overlong for part in parts])
    strays = pl.concat([part.strays for part in parts])
    _note_faults(telegrams, notes)
    if strays.height:
        first, body = strays.row(0)
        notes.append(
            f"{strays.height} lines are neither a time nor part of a telegram; the first is line "
            f"{first}: '{shown(body, 40)}'."
        )
    return Log(
        telegrams.select("telegram", "line", "stamp", "fault"),
        pl.concat([part.items for part in parts]),
        pl.concat([part.counts for part in parts]).group_by("code").sum().sort("code"),
        overlong,
        sum(part.filled for part in parts),
        tuple(notes),
    )


@dataclass(frozen=True)
class _Part:
    """What stands in one piece of a log; `begun` counts telegrams, `filled` lines."""

    telegrams: pl.DataFrame
    items: pl.DataFrame
    counts: pl.DataFrame
    overlong: pl.DataFrame
    strays: pl.DataFrame
    begun: int
    filled: int


def _pieces(data: bytes, layout: Obis) -> Iterator[bytes]:
    """Cut a log behind ends of telegrams, so that memory holds one piece at a time."""
    begin = 0
    ends = _CUT_PREFIXED if layout.received == "prefix" else _CUT
    while begin < len(data):
        cut = ends.search(data, begin + PIECE)
        end = cut.end() if cut else len(data)
        yield data[begin:end]
        begin = end


def _read_piece(
    file: str,
    piece: bytes,
    layout: Obis,
    keep: Callable[[str], bool],
    *,
    framed: bool,
    line: int,
    telegram: int,
) -> _Part:
    """Read one piece; `line` and `telegram` say how many stand before it."""
    frame = _lines(piece).with_columns(pl.col("line") + line)
    overlong = frame.filter("overlong").select("line", "raw")
    # A line that begins with '#' is a remark of the logger.
    frame = frame.filter(~pl.col("overlong") & ~pl.col("body").str.starts_with("#"))
    apart = _without_prefixes if layout.received == "prefix" else _without_torn_ends
    frame = _kinds(apart(frame.drop("overlong"), layout.separator)).with_row_index("row")
    rows = _in_telegrams(frame, layout, framed=framed)
    begun = int(rows["starts"].sum())
    telegrams = _telegrams(frame, rows)
    strays = rows.filter((pl.col("kind") == OTHER) & ~pl.col("is_stamp"))
    items = _items(rows)
    counts = items["code"].value_counts().cast({"count": pl.Int64})
    if counts.height > MAX_CODES:
        message = (
            f"{file}: more than {MAX_CODES} different codes stand in it; this is no log of a meter."
        )
        raise Terminal(message)
    wanted = [code for code in counts["code"] if keep(code)]
    return _Part(
        telegrams.with_columns(pl.col("telegram") + telegram),
        items.filter(pl.col("code").is_in(wanted)).with_columns(pl.col("telegram") + telegram),
        counts,
        overlong,
        strays.select("line", pl.col("body").str.head(60)),
        begun,
        rows.height + overlong.height,
    )


def _lines(piece: bytes) -> pl.DataFrame:
    """Give each line with its number, and its `body` without blanks and control codes."""
    whole = pl.Series("raw", [piece.decode("utf-8", "replace")], dtype=pl.String)
    raw = whole.str.split("\n").explode()
    if b"\x03" in piece:
        # What follows ETX is the block check character of a readout.
        raw = raw.str.replace(r"\x03.*$", "")
    frame = raw.to_frame().with_row_index("line", offset=1).cast({"line": pl.Int64})
    frame = frame.with_columns(overlong=pl.col("raw").str.len_bytes() > MAX_LINE)
    return frame.with_columns(
        pl.when("overlong").then(pl.col("raw").str.head(300)).otherwise("raw").alias("raw")
    ).with_columns(body=pl.col("raw").str.strip_chars(_UNSEEN))


def _without_prefixes(frame: pl.DataFrame, separator: str) -> pl.DataFrame:
    """Part times of reception from what follows on the same line.

    Adds `before`, the time; `raw` and `body` are what follows.
    """
    mark = re.escape(separator)
    lead = pl.col("body").str.extract(rf"^(.*?{mark})[ \t]*{_HEAD}")
    heads = frame.select(lead.drop_nulls().head(1)).to_series()
    if heads.len():
        # Other lines carry a prefix of as many parts, or none.
        parts = heads[0].count(separator)
        prefix = rf"^(?:[^{mark}\n]*{mark}){{{parts}}}[ \t]*"
        plain = pl.col("body").str.contains(rf"^(?:{_ITEM_LINE}|[(!/])")
        rest = pl.col("raw").str.strip_chars_start("\0").str.replace(prefix, "")
        frame = frame.with_columns(
            before=lead,
            raw=pl.when(lead.is_not_null())
            .then(pl.col("body").str.extract(rf"({_HEAD}.*)$"))
            .when(plain)
            .then("raw")
            .otherwise(rest),
        )
    else:
        split = rf"^(.*?{mark})[ \t]*((?:{_ITEM_LINE}|!).*)$"
        frame = frame.with_columns(
            before=pl.col("body").str.extract(split, 1),
            raw=pl.coalesce(pl.col("body").str.extract(split, 2), "raw"),
        )
    return frame.with_columns(
        pl.col("before").str.strip_chars(separator + " \t"),
        body=pl.col("raw").str.strip_chars(_UNSEEN),
    )


def _without_torn_ends(frame: pl.DataFrame, _separator: str) -> pl.DataFrame:
    """Give a telegram that begins in the middle of a torn line a line of its own."""
    frame = frame.with_columns(before=pl.lit(None, dtype=pl.String))
    torn = pl.col("body").str.contains(rf"[^/]{_HEAD}") & ~pl.col("body").str.starts_with("/")
    hit = frame.select(torn).to_series()
    if not hit.any():
        return frame
    cut = pl.col("body").str.replace(rf"({_HEAD})", "\n$1").str.splitn("\n", 2)
    parts = pl.when(torn).then(
        pl.concat_list(cut.struct.field("field_0"), cut.struct.field("field_1"))
    )
    return (
        frame.with_columns(body=parts.otherwise(pl.concat_list("body")), torn=torn)
        .explode("body")
        .with_columns(raw=pl.when("torn").then("body").otherwise("raw"))
        .drop("torn")
    )


def _kinds(frame: pl.DataFrame) -> pl.DataFrame:
    body = pl.col("body")
    kind = (
        pl.when(body == "")
        .then(BLANK)
        .when(body.str.starts_with("/"))
        .then(HEAD)
        .when(body.str.starts_with("!"))
        .then(END)
        .when(body.str.starts_with("("))
        .then(MORE)
        .when(body.str.contains(rf"^{_ITEM_LINE}"))
        .then(ITEM)
        .otherwise(OTHER)
    )
    return frame.with_columns(kind=kind.cast(pl.UInt8))


def _in_telegrams(frame: pl.DataFrame, layout: Obis, *, framed: bool) -> pl.DataFrame:
    """Give the rows that are not blank with the telegram that each stands in.

    `framed` says whether the log holds telegrams with a beginning, or lists without.

    Adds `is_stamp`, `starts`, `ends`, `stamp`, `telegram` (null outside of any) and
    `number` (of the telegram that began last).
    """
    rows = frame.filter(pl.col("kind") != BLANK)
    kind, earlier, later = pl.col("kind"), pl.col("kind").shift(1), pl.col("kind").shift(-1)
    none = pl.lit(value=False)
    leads = later == HEAD if framed else later == ITEM
    is_stamp = (kind == OTHER) & leads if layout.received == "line" else none
    rows = rows.with_columns(is_stamp=is_stamp.fill_null(value=False))
    after_stamp = pl.col("is_stamp").shift(1, fill_value=False)
    follows = earlier.is_in([ITEM, MORE]).fill_null(value=False)
    if framed:
        starts = kind == HEAD
    elif layout.received == "prefix":
        other_time = pl.col("before").ne_missing(pl.col("before").shift(1))
        starts = (kind == ITEM) & (~follows | other_time)
    else:
        starts = pl.col("is_stamp") | ((kind == ITEM) & ~follows & ~after_stamp)
    own = pl.when("is_stamp").then("body")
    stamp = own.shift(1) if framed else own
    rows = rows.with_columns(
        starts=starts, stamp=pl.col("before") if layout.received == "prefix" else stamp
    )
    event = pl.when("starts").then(1).when(kind == END).then(0).forward_fill().fill_null(0)
    rows = rows.with_columns(number=pl.col("starts").cum_sum().cast(pl.Int64), event=event)
    return rows.with_columns(
        ends=(kind == END) & (pl.col("event").shift(1, fill_value=0) == 1),
        telegram=pl.when(pl.col("event") == 1).then("number"),
    ).drop("event")


def _telegrams(frame: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Give the telegrams that hold items, with `fault` and whether they carry a checksum."""
    starts = rows.filter("starts").select(
        "line", "row", "stamp", telegram="number", framed=pl.col("kind") == HEAD
    )
    ends = rows.filter("ends").select(
        telegram="number",
        end_row="row",
        tail=pl.col("body").str.slice(1).str.strip_chars(_UNSEEN),
    )
    told = starts.join(ends, on="telegram", how="left", maintain_order="left")
    readable = pl.col("tail").str.contains(r"^[0-9A-Fa-f]{1,4}$")
    told = told.with_columns(
        fault=pl.when(pl.col("framed") & pl.col("tail").is_null())
        .then(pl.lit(_NO_END))
        .when(~pl.col("framed") & readable)
        .then(pl.lit(_NO_BEGIN))
        .when((pl.col("tail") != "") & ~readable)
        .then(pl.lit(_UNREADABLE))
    )
    held = told.filter(
        (pl.col("framed") & readable & pl.col("fault").is_null()).fill_null(value=False)
    )
    if held.height:
        checked = held.select("telegram", held_fault=_held_to_checksum(frame, told, held))
        told = told.join(checked, on="telegram", how="left", maintain_order="left")
        told = told.with_columns(fault=pl.coalesce("fault", "held_fault"))
    with_items = rows.filter(pl.col("kind") == ITEM)["telegram"].drop_nulls().unique()
    return told.filter(pl.col("telegram").is_in(with_items.to_list())).select(
        "telegram",
        "line",
        "stamp",
        "fault",
        bare=pl.when("framed").then(pl.col("tail") == ""),
    )


def _note_faults(telegrams: pl.DataFrame, notes: list[str]) -> None:
    faults = telegrams.filter(pl.col("fault").is_not_null()).group_by("fault", maintain_order=True)
    for fault, count, line in faults.agg(
        pl.len().alias("count"), pl.col("line").first().alias("first")
    ).rows():
        notes.append(
            f"{count} telegrams were set aside, the first in line {line}, because {fault}."
        )
    bare = int(telegrams["bare"].sum())
    if bare and (~telegrams["bare"]).any():
        notes.append(f"{bare} telegrams carry no checksum, although others in the file do.")


def _held_to_checksum(frame: pl.DataFrame, told: pl.DataFrame, held: pl.DataFrame) -> pl.Series:
    """Say why each telegram of `held` fails its checksum, or null."""
    place = np.searchsorted(told["row"].to_numpy(), frame["row"].to_numpy(), side="right")
    ends = held.select("telegram", "end_row")
    content = pl.col("raw").str.strip_chars("\0\x02")
    inside = (
        frame.select("row", content.alias("content"), telegram=pl.Series(place, dtype=pl.Int64))
        .join(ends, on="telegram", how="inner", maintain_order="left")
        .filter(pl.col("row") < pl.col("end_row"))
    )
    # The checksum counts CR LF, whatever line ends the log has; a log may also have lost,
    # or doubled, the blank line that stands below the identification.
    as_is = pl.col("content").str.join("\r\n") + "\r\n!"
    filled = pl.col("content").filter(pl.col("content").str.strip_chars() != "")
    restored = filled.first() + "\r\n\r\n" + filled.slice(1).str.join("\r\n") + "\r\n!"
    wanted = dict(held.select("telegram", pl.col("tail").str.to_integer(base=16)).rows())
    fault: dict[int, str] = {}
    for form in (as_is, restored):
        texts = inside.group_by("telegram", maintain_order=True).agg(text=form)
        long = texts["text"].str.len_bytes() > MAX_TELEGRAM
        fault |= dict.fromkeys(texts["telegram"].filter(long), _TOO_LONG)
        short = texts.filter(~long)
        found = crc16_arc([one.encode() for one in short["text"]])
        right = [
            number
            for number, code in zip(short["telegram"], found, strict=True)
            if wanted[number] == code
        ]
        inside = inside.filter(~pl.col("telegram").is_in([*right, *fault]))
        if not inside.height:
            break
    fault |= dict.fromkeys(inside["telegram"].unique(), _WRONG)
    return held["telegram"].replace_strict(fault, default=None, return_dtype=pl.String)


def _table() -> npt.NDArray[np.uint16]:
    table = np.arange(256, dtype=np.uint16)
    for _ in range(8):
        table = np.where(table & 1, (table >> 1) ^ 0xA001, table >> 1).astype(np.uint16)
    return table


_TABLE = _table()


def crc16_arc(messages: list[bytes]) -> Ints:
    """CRC-16/ARC of each message, all of them a byte at a time.

    Polynomial x^16 + x^15 + x^2 + 1, least significant bit first, start value 0, no final
    inversion (P1 Companion Standard 5.0.2, 6.2).
    """
    lengths = np.array([len(one) for one in messages], dtype=np.int64)
    order = np.argsort(-lengths, kind="stable")
    blob = np.frombuffer(b"".join(messages[index] for index in order), np.uint8)
    descending = lengths[order]
    starts = np.concatenate(([0], np.cumsum(descending)[:-1])) if len(messages) else lengths
    crc = np.zeros(len(messages), dtype=np.uint16)
    for position in range(int(lengths.max(initial=0))):
        count = int(np.searchsorted(-descending, -position, side="left"))
        byte = blob[starts[:count] + position]
        crc[:count] = _TABLE[(crc[:count] ^ byte) & 0xFF] ^ (crc[:count] >> 8)
    result = np.empty(len(messages), dtype=np.int64)
    result[order] = crc
    return result


def _items(rows: pl.DataFrame) -> pl.DataFrame:
    found = (
        rows.filter(pl.col("kind").is_in([ITEM, MORE]))
        .select("line", "telegram", "kind", item=pl.col("body").str.extract_all(_ITEM))
        .explode("item")
    )
    split = pl.col("item").str.splitn("(", 2)
    found = found.select(
        "line",
        "telegram",
        "kind",
        code=split.struct.field("field_0"),
        brackets=pl.lit("(") + split.struct.field("field_1"),
    )
    # DSMR 2 and 3 write the value of a sub-meter into the next line.
    following = pl.col("brackets").shift(-1)
    spills = (
        pl.col("code").str.ends_with("24.3.0")
        & (pl.col("kind").shift(-1) == MORE)
        & (pl.col("telegram").shift(-1).eq_missing(pl.col("telegram")))
    )
    return (
        found.with_columns(
            brackets=pl.when(spills).then(pl.col("brackets") + following).otherwise("brackets")
        )
        .filter(pl.col("code") != "")
        .drop("kind")
    )
