"""Helps a long transaction to append much in little memory."""

from __future__ import annotations

from typing import Final

import duckdb
import polars as pl

from monitor.schemas import UTC

_FORGET_DOWN_TO: Final = "32MB"


class ShownFrame:
    """A frame that statements read by a name.

    Named once: a transaction keeps every frame that was given a name until it ends.
    """

    def __init__(self, cursor: duckdb.DuckDBPyConnection, name: str) -> None:
        self._cursor = cursor
        self._name = name
        self._frame = pl.DataFrame()

    def show(self, frame: pl.DataFrame) -> None:
        """Put another frame in the place of the last."""
        new = not self._frame.width
        # With a zone, each time would go through a calendar on its way into the table.
        times = [name for name, dtype in frame.schema.items() if dtype == UTC]
        self._frame = frame.with_columns(pl.col(times).dt.replace_time_zone(None))
        if new:
            self._cursor.register(self._name, self)

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        """Give the frame to whoever reads the name."""
        return self._frame.__arrow_c_stream__(requested_schema)


def forget_blocks(cursor: duckdb.DuckDBPyConnection) -> None:
    """Let the database drop what it wrote or looked up and keeps although nobody reads it.

    It would keep as much as its limit allows, most of the computer's memory. Only what
    is in no use at all goes; where others are at work with more than that, nothing does.
    """
    (limit,) = cursor.execute("SELECT current_setting('memory_limit')").fetchall()[0]
    try:
        cursor.execute(f"SET memory_limit = '{_FORGET_DOWN_TO}'")
    except duckdb.OutOfMemoryException:
        return
    number, unit = limit.split()
    # It is told in tenths, cut off, so that the figure itself would shrink each time.
    cursor.execute(f"SET memory_limit = '{float(number) + 0.05:.2f} {unit}'")
