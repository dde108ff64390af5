"""Items of telegrams and readouts: their brackets as value, unit and time; sums of them."""

from __future__ import annotations

import polars as pl

from ingest.obis_times import STAMP

_TORN = "the line is cut short"
_NEXT_LINE = "its value, which should stand in the next line, is missing"
_SEVERAL = "it holds several values, of which none can be told to be the one meant"


def parted(items: pl.DataFrame) -> pl.DataFrame:
    """Part the brackets of items.

    Forms that are read: `(value*unit)`; `(time)(value*unit)`, as P1 has for sub-meters;
    and that of DSMR 2 and 3, `(time)(status)(minutes)(1)(code)(unit)` with the value
    in one more bracket (P1 Companion Standard 3.0, 5.7).

    Returns
    -------
    polars.DataFrame
        The items with `own` (text of their own time, or null), `cell` (text of the
        value), `unit` (or null), `torn`, and `said` (why the item cannot be read, or null).
    """
    groups = items.select(
        pl.col("brackets").str.extract_all(r"\([^()]*\)").alias("groups"),
        capture=pl.col("code").str.contains(r"(?:^|:)24\.3\.0(?:\*255)?$"),
    )
    frame = items.hstack(groups).with_columns(
        count=pl.col("groups").list.len(), torn=~pl.col("brackets").str.ends_with(")")
    )

    def group(index: int) -> pl.Expr:
        return pl.col("groups").list.get(index, null_on_oob=True).str.strip_chars("()")

    count = pl.col("count")
    captured = pl.col("capture") & count.is_between(6, 7)
    timed = (count == 2) & group(0).str.contains(STAMP)
    cell = pl.when(captured).then(group(6)).when(timed).then(group(1)).otherwise(group(0))
    value = cell.str.splitn("*", 2)
    stated = value.struct.field("field_1").str.strip_chars()
    return frame.with_columns(
        own=pl.when(captured | timed).then(group(0)),
        cell=value.struct.field("field_0").fill_null(""),
        unit=pl.when(captured).then(group(5).str.strip_chars()).otherwise(stated),
        said=pl.when("torn")
        .then(pl.lit(_TORN))
        .when(captured & (group(3) != "1"))
        .then(pl.lit(_SEVERAL))
        .when(captured & (count == 6))
        .then(pl.lit(_NEXT_LINE))
        .when((count != 1) & ~captured & ~timed)
        .then(pl.format("{} values stand where one, or a time and one, are expected", count)),
    ).select("line", "telegram", "code", "brackets", "own", "cell", "unit", "torn", "said")


def summed(rows: pl.DataFrame, name: str, parts: list[str]) -> pl.DataFrame:
    """Add the parts of a column within each telegram.

    Parameters
    ----------
    rows
        Items of the column, with `part` (number of the part), `value`, `unit`, `t_utc`,
        `serial` and `reason`.
    parts
        The codes of the parts, for sentences.

    Returns
    -------
    polars.DataFrame
        One row for each telegram that holds a part; without a value where one is
        missing, is refused, or differs in unit or time.
    """
    inside = rows.filter(pl.col("telegram").is_not_null())
    # Outside of telegrams nothing can be added, so that each part is refused by itself.
    strays = rows.filter(pl.col("telegram").is_null()).with_columns(column=pl.lit(name))
    # The same part with the same value again adds nothing.
    once = inside.unique(["telegram", "part", "value", "reason"], keep="first", maintain_order=True)
    held = pl.col("part")
    absent = [
        pl.when(~(held == number).any()).then(pl.lit(f"{code} is missing in this telegram"))
        for number, code in enumerate(parts)
    ]
    sums = once.group_by("telegram", maintain_order=True).agg(
        pl.col("line", "column", "serial", "t_utc", "unit").first(),
        pl.col("value").sum(),
        brackets=pl.col("brackets").str.join(" + "),
        reason=pl.coalesce(
            pl.col("reason").drop_nulls().first(),
            *absent,
            pl.when(pl.col("unit").n_unique() > 1).then(pl.lit("its parts are in different units")),
            pl.when(pl.col("t_utc").n_unique() > 1).then(
                pl.lit("its parts are of different times")
            ),
        ),
    )
    shared = ["line", "column", "serial", "unit", "t_utc", "value", "brackets", "reason"]
    return pl.concat([sums.select(shared), strays.select(shared)])
