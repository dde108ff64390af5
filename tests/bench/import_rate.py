"""Import rate of a year at one minute, eight columns, against DuckDB's bare read_csv.

Run: python -m tests.bench.import_rate
Both write the same narrow table in the same run; the bare read has no checks at all.
"""

from __future__ import annotations

import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from ingest.inbox import import_file
from ingest.profile import Profile
from monitor.models import Site
from monitor.store.connection import open_store
from monitor.store.sites import save_site

COLUMNS = {
    "heat": ("heat_total", "register", "kWh"),
    "unit": ("elec_unit", "register", "kWh"),
    "backup": ("elec_backup", "register", "kWh"),
    "pumps": ("elec_pumps", "register", "kWh"),
    "flow": ("flow_temp", "state", "degC"),
    "return": ("return_temp", "state", "degC"),
    "outdoor": ("outdoor_temp", "state", "degC"),
    "room": ("room_temp", "state", "degC"),
}


def write_year(path: Path) -> int:
    """A year of eight columns at one minute."""
    n = 525_600
    rng = np.random.default_rng(1)
    start = datetime(2024, 1, 1, tzinfo=UTC).replace(tzinfo=None)
    frame = pl.DataFrame(
        {
            "time": pl.datetime_range(
                start,
                start + timedelta(days=365),
                "1m",
                eager=True,
            )[:n]
        }
    ).with_columns(
        [
            pl.Series(name, np.round(np.cumsum(rng.random(n)) / 100, 3))
            if kind == "register"
            else pl.Series(name, np.round(20 + 5 * rng.random(n), 2))
            for name, (_, kind, _) in COLUMNS.items()
        ]
    )
    frame.write_csv(path, datetime_format="%Y-%m-%dT%H:%M:%SZ")
    return n * len(COLUMNS)


def ours(csv: Path, store: Path) -> float:
    """Seconds for the ordinary import into an empty store."""
    profile = Profile.model_validate(
        {
            "name": "bench",
            "format": "delimited",
            "delimited": {"time": "time"},
            "column": [
                {"column": c, "role": r, "kind": k, "unit": u} for c, (r, k, u) in COLUMNS.items()
            ],
        }
    )
    site = Site.model_validate(
        {
            "id": "bench",
            "name": "Bench",
            "zone": "UTC",
            "commissioned": "2023-12-01",
            "heat_pump": {"nominal_heat_kw": 8},
            "meter": [
                {
                    "serial": c,
                    "measures": "heat"
                    if r[0] == "h"
                    else "electricity"
                    if r[0] == "e"
                    else "sensors",
                    "fitted": "2023-12-01T00:00:00",
                    "channel": [{"role": r, "kind": k}],
                }
                for c, (r, k, _) in COLUMNS.items()
            ],
        }
    )
    now = datetime(2025, 6, 1, tzinfo=UTC)
    with open_store(store, create=True) as opened:
        save_site(opened, site, now)
        begin = time.perf_counter()
        report = import_file(opened, "bench", csv, profile, now=now)
        seconds = time.perf_counter() - begin
        assert report.counts.accepted == 525_600 * 8, report
    return seconds


def bare(csv: Path, store: Path) -> float:
    """Seconds for read_csv, unpivot and insert, without a single check."""
    connection = duckdb.connect(str(store))
    connection.execute(
        "CREATE TABLE reading (channel_id INTEGER NOT NULL, t_utc TIMESTAMP NOT NULL, "
        "duration_s INTEGER, value DOUBLE NOT NULL, import_id INTEGER NOT NULL, "
        "line INTEGER NOT NULL)"
    )
    types = ", ".join(f"'{c}': 'DOUBLE'" for c in COLUMNS)
    names = {c: n for n, c in enumerate(COLUMNS, 1)}
    quoted = ", ".join(f'"{c}"' for c in COLUMNS)
    begin = time.perf_counter()
    connection.execute(
        "INSERT INTO reading "
        "SELECT CASE name "
        + " ".join(f"WHEN '{c}' THEN {n}" for c, n in names.items())
        + " END, time, NULL, value, 1, line FROM (UNPIVOT ("
        "SELECT *, (row_number() OVER ()) + 1 AS line FROM read_csv("
        f"'{csv}', header=true, columns={{'time': 'TIMESTAMP', {types}}})) "
        f"ON {quoted} INTO NAME name VALUE value)"
    )
    seconds = time.perf_counter() - begin
    connection.close()
    return seconds


def main() -> None:
    """Print both times and their ratio, three times."""
    with tempfile.TemporaryDirectory() as folder:
        csv = Path(folder) / "year.csv"
        count = write_year(csv)
        for turn in range(3):
            a = ours(csv, Path(folder) / f"ours{turn}.duckdb")
            b = bare(csv, Path(folder) / f"bare{turn}.duckdb")
            print(
                f"ours {a:.2f} s ({count / a / 1e6:.2f} M readings/s), "
                f"bare read_csv {b:.2f} s, ratio {a / b:.2f}"
            )


if __name__ == "__main__":
    main()
