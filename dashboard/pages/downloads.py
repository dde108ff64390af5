"""Files that a page hands out."""

from __future__ import annotations

import polars as pl
from flask import Response, make_response

#: Beginnings that spreadsheets take for a formula.
_FORMULA = r"^[=+\-@\t\r]"


def safe_text(frame: pl.DataFrame) -> pl.DataFrame:
    """Texts that a spreadsheet would run get an apostrophe in front.

    Numbers, also negative ones, stay as they are.
    """
    texts = [name for name, dtype in frame.schema.items() if dtype == pl.String]
    return frame.with_columns(
        pl.when(
            pl.col(name).str.contains(_FORMULA)
            & pl.col(name).cast(pl.Float64, strict=False).is_null()
        )
        .then(pl.lit("'") + pl.col(name))
        .otherwise(pl.col(name))
        .alias(name)
        for name in texts
    )


def csv_response(frame: pl.DataFrame, name: str) -> Response:
    """A frame as a CSV file; times in UTC, energies in kWh, temperatures in degrees Celsius."""
    text = safe_text(frame).write_csv(datetime_format="%Y-%m-%dT%H:%M:%SZ", float_precision=6)
    return make_response(
        text,
        200,
        {
            "Content-Type": "text/csv; charset=utf-8",
            "Content-Disposition": f'attachment; filename="{name}"',
        },
    )
