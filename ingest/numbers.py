"""Cells of text as numbers: what they say, or why they say none."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

_BLANKS = " \t\u00a0\u202f\u2007\ufeff"
_MARKS = {".": r"\.", ",": ",", "'": "['’]", " ": "[ \u00a0\u202f]"}
# A control character could steer the terminal that shows it; its picture cannot.
_PICTURES = {
    **{code: chr(0x2400 + code) for code in range(32) if chr(code) not in "\t\n"},
    0x7F: "\u2421",
    **dict.fromkeys(range(0x80, 0xA0), "\ufffd"),
}


def shown(text: str, most: int = 200) -> str:
    """Give a piece of a file for a person to read: short, and without control characters."""
    text = text[: most + 1].translate(_PICTURES)
    return text if len(text) <= most else f"{text[:most]}…"


def shown_column(cells: pl.Series) -> pl.Series:
    """Give cells as `shown` gives one."""
    text = cells.str.slice(0, 201)
    if text.str.contains(r"[\x00-\x08\x0b-\x1f\x7f-\u{9f}]").any():
        text = text.str.replace_many({chr(code): sign for code, sign in _PICTURES.items()})
    return pl.select(
        pl.when(text.str.len_chars() <= 200)
        .then(text)
        .otherwise(text.str.slice(0, 200) + "…")
        .alias("raw")
    )["raw"]


@dataclass(frozen=True)
class Numbers:
    """Numbers of a column of cells.

    Attributes
    ----------
    values
        Float64; null where a cell holds no usable number.
    blank
        Mask of cells that hold nothing, or None where every cell holds something.
    bad
        Rows of cells that hold something which is no usable number.
    reasons
        Why, for each row in `bad`.
    """

    values: pl.Series
    blank: pl.Series | None
    bad: pl.Series
    reasons: pl.Series


def read_numbers(
    cells: pl.Series,
    *,
    decimal: str = ".",
    thousands: str | None = None,
    sentinels: tuple[float, ...] = (),
) -> Numbers:
    """Read numbers strictly: what could mean two things means none.

    Parameters
    ----------
    cells
        Text; null where a cell is empty.
    decimal, thousands
        Marks that the profile names. A thousands mark must stand before each group of
        three digits; '12.5' under decimal ',' and thousands '.' is no number.
    sentinels
        Values that mean 'no value'.
    """
    if decimal == ".":
        values = cells.cast(pl.Float64, strict=False)
    else:
        values = cells.str.replace(decimal, ".", literal=True).cast(pl.Float64, strict=False)
        if cells.str.contains(".", literal=True).any():
            values = values.set(cells.str.contains(".", literal=True).fill_null(value=False), None)
    empty = cells.is_null()
    unusable = (values.is_null() & ~empty) | ~values.is_finite().fill_null(value=True)
    reasons = pl.Series("reason", [], dtype=pl.String)
    rows = unusable.arg_true()
    if len(rows):
        slow = _read_slowly(cells.gather(rows), decimal, thousands)
        values = values.scatter(rows, slow["value"])
        nothing = slow["text"] == ""
        empty = empty.scatter(rows.filter(nothing), True)  # noqa: FBT003
        still = slow["value"].is_null() & ~nothing
        rows, reasons = rows.filter(still), slow["reason"].filter(still)
    values, rows, reasons = _without_sentinels(values, rows, reasons, sentinels)
    return Numbers(values, empty if empty.any() else None, rows, reasons)


def typed_numbers(
    numbers: pl.Series,
    text: pl.Series | None = None,
    *,
    decimal: str = ".",
    thousands: str | None = None,
    sentinels: tuple[float, ...] = (),
) -> Numbers:
    """Read a column whose cells the file itself states as numbers, all or in part.

    Parameters
    ----------
    numbers
        Float64; null where a cell holds no number.
    text
        What cells hold instead, as `read_numbers` takes it; it is only read where there is
        no number. None: nothing.
    """
    values = numbers
    unusable = (~numbers.is_finite()).fill_null(value=False)
    rows = unusable.arg_true()
    reasons = pl.Series("reason", [], dtype=pl.String)
    if len(rows):
        said = "not a finite number: '" + numbers.gather(rows).cast(pl.String) + "'"
        reasons = said.alias("reason")
        values = values.set(unusable, None)
    empty = numbers.is_null()
    if text is not None:
        written = (empty & text.is_not_null()).arg_true()
        if len(written):
            read = read_numbers(text.gather(written), decimal=decimal, thousands=thousands)
            values = values.scatter(written, read.values)
            full = written if read.blank is None else written.filter(~read.blank)
            empty = empty.scatter(full, False)  # noqa: FBT003
            rows = rows.append(written.gather(read.bad))
            reasons = reasons.append(read.reasons)
    values, rows, reasons = _without_sentinels(values, rows, reasons, sentinels)
    return Numbers(values, empty if empty.any() else None, rows, reasons)


def _without_sentinels(
    values: pl.Series, rows: pl.Series, reasons: pl.Series, sentinels: tuple[float, ...]
) -> tuple[pl.Series, pl.Series, pl.Series]:
    if not sentinels:
        return values, rows, reasons
    meant = values.is_in(list(sentinels)).fill_null(value=False)
    if meant.any():
        hit = meant.arg_true()
        said = pl.Series(
            "reason", ["this value stands for 'no value' in this column"], dtype=pl.String
        ).new_from_index(0, len(hit))
        values = values.set(meant, None)
        rows, reasons = rows.append(hit), reasons.append(said)
    return values, rows, reasons


def _read_slowly(cells: pl.Series, decimal: str, thousands: str | None) -> pl.DataFrame:
    """Read the cells that a plain cast does not; give text, value and reason."""
    mark = _MARKS[decimal]
    number = pl.col("text").str.replace("\u2212", "-", literal=True)
    if thousands is not None:
        group = _MARKS[thousands]
        grouped = rf"^[+-]?\d{{1,3}}(?:{group}\d{{3}})+(?:{mark}\d*)?$"
        number = (
            pl.when(number.str.contains(grouped))
            .then(number.str.replace_all(group, ""))
            .otherwise(number)
        )
    other = "," if decimal == "." else "."
    plain = ~number.str.contains(other, literal=True)
    value = (
        pl.when(plain)
        .then(number.str.replace(decimal, ".", literal=True))
        .cast(pl.Float64, strict=False)
    )
    raw = shown_column(cells)
    frame = pl.DataFrame({"text": cells.str.strip_chars(_BLANKS), "raw": raw})
    return frame.with_columns(value=value).select(
        "text",
        pl.when(pl.col("value").is_finite()).then("value").alias("value"),
        pl.when(pl.col("value").is_not_null())
        .then(pl.format("not a finite number: '{}'", "raw"))
        .when(pl.col("text").str.contains(r"^[+-]?\d[\d\s.,'’]*$"))
        .then(pl.format(f"not a number with the decimal mark '{decimal}': '{{}}'", "raw"))
        .otherwise(pl.format("not a number: '{}'", "raw"))
        .alias("reason"),
    )
