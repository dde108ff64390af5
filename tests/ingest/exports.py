"""Small helpers that write export files and read them through the registry."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import polars as pl

from ingest.normal_form import Extract
from ingest.profile import Profile
from ingest.registry import Adapter, adapter
from monitor.models import record_from_data

HEAT: dict[str, Any] = {"column": "heat", "role": "heat_total", "kind": "register", "unit": "kWh"}
ELEC: dict[str, Any] = {"column": "elec", "role": "elec_total", "kind": "register", "unit": "kWh"}


def profile(*columns: dict[str, Any], zone: str = "UTC", **layout: Any) -> Profile:
    """Give a profile for delimited text whose time column is 'time'."""
    data = {
        "name": "test",
        "format": "delimited",
        "zone": zone,
        "delimited": {"time": "time", **layout},
        "column": list(columns or (HEAT, ELEC)),
    }
    return record_from_data(Profile, data, where="test profile", what="profile")


def read(folder: Path, content: str | bytes, used: Profile, name: str = "export.csv") -> Extract:
    """Write a file and read it."""
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return _adapter(used.format).read(path, used)


def values(extract: Extract, label: str) -> list[float]:
    """Values of one column in the order of the file."""
    return _of(extract, label)["value"].to_list()


def times(extract: Extract, label: str) -> list[str]:
    """UTC times of one column in the order of the file."""
    return [f"{moment:%Y-%m-%d %H:%M}" for moment in _of(extract, label)["t_utc"]]


def reasons(extract: Extract) -> list[tuple[int, str, str]]:
    """Line, column and reason of each reject."""
    return extract.rejects.select("line", "column", "reason").rows()


@cache
def _adapter(name: str) -> Adapter:
    return adapter(name)


def _of(extract: Extract, label: str) -> pl.DataFrame:
    wanted = [number for number, one in enumerate(extract.targets) if one.label == label]
    return extract.readings.filter(pl.col("target").is_in(wanted)).sort("line")
