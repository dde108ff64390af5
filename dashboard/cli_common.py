"""What the commands share: common options, and results as text or as JSON."""

from __future__ import annotations

import json
import sys
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any

import polars as pl
import typer
from rich.console import Console, Group
from rich.table import Table

StorePath = Annotated[
    Path,
    typer.Option(
        "--store",
        envvar="PLEDGEWATT_STORE",
        help="File of the store.",
        show_default=True,
    ),
]
DEFAULT_STORE = Path("pledgewatt.duckdb")
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else.")]
SiteId = Annotated[str, typer.Option("--site", help="Id of the site.")]
MaybeSite = Annotated[str | None, typer.Option("--site", help="Only this site.")]
DAY = ["%Y-%m-%d"]

# Where nobody watches, as in a pipe, a table may be as wide as it needs to be.
out = Console(markup=False) if sys.stdout.isatty() else Console(width=240, markup=False)
err = Console(stderr=True)


def show(as_json: bool, document: Any, text: str | Table | Group) -> None:  # noqa: FBT001 - passed on
    """Print a result: one JSON document, or text for people."""
    if as_json:
        sys.stdout.write(json.dumps(document, default=plain, ensure_ascii=False) + "\n")
    elif isinstance(text, str):
        out.print(text, highlight=False, markup=False, soft_wrap=True)
    else:
        out.print(text)


def plain(value: object) -> str:
    """A value as text; times in ISO 8601."""
    if isinstance(value, datetime | date):
        return value.isoformat()
    return str(value)


def records(frame: pl.DataFrame) -> list[dict[str, Any]]:
    """Rows of a frame for JSON."""
    return frame.to_dicts()


def table(*columns: str) -> Table:
    """A table; a column whose name starts with '>' is set to the right."""
    made = Table(box=None, pad_edge=False, header_style="bold")
    for column in columns:
        name = column.removeprefix(">")
        made.add_column(name, justify="right" if name != column else "left", overflow="fold")
    return made
