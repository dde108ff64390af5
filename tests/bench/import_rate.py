"""Import rate of a year at one minute, eight columns, against DuckDB's bare read_csv.

Run: python -m tests.bench.import_rate
     python -m tests.bench.import_rate --memory
Both write the same narrow table in the same run; the bare read has no checks at all.
With `--memory` each import has a process of its own, for one year and for ten, and its
peak memory stands beside its time.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
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


ROWS_A_YEAR = 525_600
FIRST = datetime(2010, 1, 1, tzinfo=UTC)


def write_years(path: Path, years: int) -> int:
    """Years of eight columns at one minute, each of 365 days; gives the readings."""
    n = ROWS_A_YEAR
    rng = np.random.default_rng(1)
    registers = dict.fromkeys(COLUMNS, 0.0)
    with path.open("wb") as handle:
        for year in range(years):
            start = FIRST.replace(tzinfo=None) + timedelta(days=365 * year)
            stop = start + timedelta(days=365)
            columns = [pl.datetime_range(start, stop, "1m", eager=True).alias("time")[:n]]
            for name, (_, kind, _) in COLUMNS.items():
                if kind == "register":
                    course = registers[name] + np.cumsum(rng.random(n)) / 100
                    registers[name] = float(course[-1])
                    columns.append(pl.Series(name, np.round(course, 3)))
                else:
                    columns.append(pl.Series(name, np.round(20 + 5 * rng.random(n), 2)))
            pl.DataFrame(columns).write_csv(
                handle, datetime_format="%Y-%m-%dT%H:%M:%SZ", include_header=year == 0
            )
    return years * n * len(COLUMNS)


def ours(csv: Path, store: Path, readings: int) -> float:
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
            "commissioned": "2009-12-01",
            "heat_pump": {"nominal_heat_kw": 8},
            "meter": [
                {
                    "serial": c,
                    "measures": "heat"
                    if r[0] == "h"
                    else "electricity"
                    if r[0] == "e"
                    else "sensors",
                    "fitted": "2009-12-01T00:00:00",
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
        assert report.counts.accepted == readings, report
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


def rates() -> None:
    """Print both times and their ratio for a year, three times."""
    with tempfile.TemporaryDirectory() as folder:
        csv = Path(folder) / "year.csv"
        count = write_years(csv, 1)
        for turn in range(3):
            a = ours(csv, Path(folder) / f"ours{turn}.duckdb", count)
            b = bare(csv, Path(folder) / f"bare{turn}.duckdb")
            print(
                f"ours {a:.2f} s ({count / a / 1e6:.2f} M readings/s), "
                f"bare read_csv {b:.2f} s, ratio {a / b:.2f}"
            )


@dataclass(frozen=True)
class Run:
    """One import in a process of its own."""

    seconds: float
    cpu_s: float
    peak_mb: float


def child(which: str, csv: Path, store: Path, readings: int) -> None:
    """Import once and print seconds, processor seconds and the peak of resident memory."""
    before = resource.getrusage(resource.RUSAGE_SELF)
    seconds = ours(csv, store, readings) if which == "ours" else bare(csv, store)
    after = resource.getrusage(resource.RUSAGE_SELF)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    # Linux counts ru_maxrss in KiB.
    print(seconds, cpu, after.ru_maxrss * 1024 / 1e6)


def in_child(which: str, csv: Path, store: Path, readings: int) -> Run:
    """Run `child` and read what it prints."""
    told = subprocess.run(
        [sys.executable, "-m", "tests.bench.import_rate", which, csv, store, str(readings)],
        capture_output=True,
        text=True,
        check=True,
    )
    store.unlink()
    return Run(*(float(word) for word in told.stdout.split()))


def memory(turns: int = 3) -> None:
    """Print a table of peak memory and time for one year and ten, the best of some turns."""
    peaks = {}
    print("| years | file | import: peak MB | s | CPU s | bare: s | CPU s | ratio s | ratio CPU |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as folder:
        for years in (1, 10):
            csv, store = Path(folder) / "export.csv", Path(folder) / "store.duckdb"
            count = write_years(csv, years)
            pairs = [
                (in_child("ours", csv, store, count), in_child("bare", csv, store, count))
                for _ in range(turns if years == 1 else 1)
            ]
            own, plain = min(pairs, key=lambda pair: pair[0].seconds / pair[1].seconds)
            peaks[years] = max(pair[0].peak_mb for pair in pairs)
            print(
                f"| {years} | {csv.stat().st_size / 1e6:.0f} MB | {peaks[years]:.0f} "
                f"| {own.seconds:.1f} | {own.cpu_s:.1f} | {plain.seconds:.1f} | {plain.cpu_s:.1f} "
                f"| {own.seconds / plain.seconds:.2f} | {own.cpu_s / plain.cpu_s:.2f} |"
            )
    print(f"peak memory, ten years to one: {peaks[10] / peaks[1]:.2f}")


def main() -> None:
    """Do what the command line says."""
    if sys.argv[1:2] == ["--memory"]:
        memory()
    elif len(sys.argv) == 5:
        child(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]), int(sys.argv[4]))
    else:
        rates()


if __name__ == "__main__":
    main()
