"""What a file brings, in portions that fit into memory."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain, islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import polars as pl

from monitor.schemas import REJECT, empty

#: Rows of a correction that are judged at a time.
STRETCH_ROWS: Final = 500_000
_NEVER: Final = (2**63 - 1, -(2**63))


@dataclass(frozen=True)
class Portion:
    """Part of what a file brings.

    Attributes
    ----------
    staged
        Columns channel_id (i32), t_utc, duration_s (i32), value (f64), line (i64);
        values are finite.
    rejects
        Frame of schema REJECT.
    """

    staged: pl.DataFrame
    rejects: pl.DataFrame
    lines: int
    blank: int
    notes: tuple[str, ...] = ()


def gathered(portions: Iterable[Portion]) -> Iterator[Portion]:
    """Give the portions of a file anew, so that readings of one time stand in one portion.

    Whether a correction settles a time depends on all that it says of that time. More
    than one portion goes through a temporary folder, so that memory stays bounded.
    """
    waiting = iter(portions)
    begin = list(islice(waiting, 2))
    if len(begin) < 2:
        yield from begin
        return
    with TemporaryDirectory(prefix="import-") as folder:
        first, last = _NEVER
        for number, portion in enumerate(chain(begin, waiting)):
            staged = portion.staged
            if staged.height:
                staged.write_parquet(Path(folder) / f"{number}.parquet")
                times = staged["t_utc"].to_physical().to_numpy()
                first, last = min(first, int(times.min())), max(last, int(times.max()))
            yield Portion(
                staged.clear(), portion.rejects, portion.lines, portion.blank, portion.notes
            )
        begin.clear()
        if first <= last:
            scan = pl.scan_parquet(Path(folder) / "*.parquet")
            for frame in _stretches(scan, first, last):
                yield Portion(frame, empty(REJECT), 0, 0)


def _stretches(scan: pl.LazyFrame, first: int, last: int) -> Iterator[pl.DataFrame]:
    """Give rows by stretches of time, each short enough for memory if times differ."""
    begin, end = (
        pl.lit(one).cast(pl.Datetime("us")).dt.replace_time_zone("UTC") for one in (first, last)
    )
    part = scan.filter(pl.col("t_utc").is_between(begin, end))
    if first < last and part.select(pl.len()).collect().item() > STRETCH_ROWS:
        middle = (first + last) // 2
        yield from _stretches(scan, first, middle)
        yield from _stretches(scan, middle + 1, last)
    else:
        yield part.collect()
