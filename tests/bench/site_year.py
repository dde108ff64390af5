"""Time and memory from a year of stored readings to a standing.

Run: python -m tests.bench.site_year [--profile]
One site, 8 channels at one minute: four energy registers and four temperatures.
"""

from __future__ import annotations

import cProfile
import pstats
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from monitor.metrics.behaviour import behaviour
from monitor.metrics.courses import courses
from monitor.metrics.slots import chain
from monitor.models import Role, Site
from monitor.refresh import derive, refresh_site
from monitor.rules import DEFAULT_RULES
from monitor.store.connection import Store, open_store
from monitor.store.derived import load_slots, load_states
from monitor.store.readings import load_readings, record_import
from monitor.store.sites import save_site, stored_channels
from tests.monitor.stores import batch

START = datetime(2024, 1, 1, tzinfo=UTC)
MINUTES = 365 * 24 * 60
NOW = START + timedelta(days=365, minutes=5)

REGISTERS = {"heat_total": 2.1, "elec_unit": 0.7, "elec_backup": 0.05, "elec_pumps": 0.04}
TEMPERATURES = {"flow_temp": 38.0, "return_temp": 33.0, "outdoor_temp": 8.0, "room_temp": 20.0}


def site() -> Site:
    """A home with a promise on H4."""
    return Site.model_validate(
        {
            "id": "mill-lane-1",
            "name": "1 Mill Lane",
            "zone": "Europe/London",
            "commissioned": date(2023, 12, 1),
            "heat_pump": {"nominal_heat_kw": 8.0, "backup_heater": True, "pumps_apart": True},
            "meter": [
                {
                    "serial": role,
                    "measures": "heat"
                    if role == "heat_total"
                    else "electricity"
                    if role in REGISTERS
                    else "sensors",
                    "fitted": datetime(2023, 12, 1, tzinfo=UTC),
                    "channel": [
                        {"role": role, "kind": "register" if role in REGISTERS else "state"}
                    ],
                }
                for role in (*REGISTERS, *TEMPERATURES)
            ],
            "terms": [
                {
                    "signed": date(2023, 11, 1),
                    "promised_spf": 2.8,
                    "boundary": "H4",
                    "start": date(2024, 1, 1),
                    "months": 24,
                }
            ],
            "tariff": [{"valid_from": date(2024, 1, 1), "price_per_kwh": 0.27}],
        }
    )


def fill(store: Store, home: Site) -> None:
    """Put the year's readings in the store."""
    rng = np.random.default_rng(1)
    ids = {s.channel.role.value: s.channel_id for s in stored_channels(store, home)}
    t = pl.datetime_range(
        START, START + timedelta(minutes=MINUTES - 1), "1m", time_unit="us", eager=True
    )
    frames = []
    for role, number in ids.items():
        if role in REGISTERS:
            values = np.round(np.cumsum(2 * REGISTERS[role] / 60 * rng.random(MINUTES)), 3)
        else:
            values = np.round(TEMPERATURES[role] + rng.normal(0, 2, MINUTES), 2)
        frames.append(
            pl.DataFrame({"t_utc": t, "value": values}).select(
                pl.lit(number, pl.Int32).alias("channel_id"),
                "t_utc",
                pl.lit(None, pl.Int32).alias("duration_s"),
                "value",
                pl.int_range(pl.len(), dtype=pl.Int64).alias("line"),
            )
        )
    plain = batch([])
    record_import(store, type(plain)(**(vars(plain) | {"staged": pl.concat(frames)})), NOW)


def timed(what: str, work: Callable[[], object], repeats: int = 3) -> None:
    """Print the best of some runs: on the clock, and of the processor alone."""
    clock, processor = (
        min(times) for times in zip(*(_once(work) for _ in range(repeats)), strict=True)
    )
    print(f"{what:<44} {clock:6.3f} s ({processor:.3f} s of processor)")


def _once(work: Callable[[], object]) -> tuple[float, float]:
    begun = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - begun[0], time.process_time() - begun[1]


def peak_mb() -> float:
    """Largest resident memory of this process so far, in MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def chained(home: Site, store: Store, frame: pl.DataFrame) -> dict[Role, pl.DataFrame]:
    """Courses of each role."""
    return {
        s.channel.role: chain(
            [
                courses(
                    frame.filter(pl.col("channel_id") == s.channel_id),
                    s.channel,
                    channel_id=s.channel_id,
                    max_power_kw=home.max_power_kw(s.channel) if s.channel.role.is_energy else 0.0,
                    rules=DEFAULT_RULES,
                ).points
            ]
        )
        for s in stored_channels(store, home)
    }


def measure(path: Path, *, profiled: bool) -> None:
    """Print times and memory of a refresh and its parts."""
    home = site()
    with open_store(path) as store:
        channels = stored_channels(store, home)
        numbers = [s.channel_id for s in channels]
        idle = peak_mb()

        def refresh() -> object:
            return refresh_site(store, home.id, now=NOW, full=True)

        print(f"{MINUTES * len(channels):,} readings of {len(channels)} channels")
        timed("readings to standing, first time", refresh, repeats=1)
        print(f"{'peak memory then (at rest before)':<44} {peak_mb():4.0f} MB ({idle:.0f} MB)")
        timed("readings to standing, best of three", refresh)
        frame = load_readings(store, numbers)
        timed("  of which loading the readings", lambda: load_readings(store, numbers))
        timed(
            "  of which slots, states, suspects",
            lambda: derive(home, channels, frame, DEFAULT_RULES),
        )
        whole = chained(home, store, frame)
        timed("    of which how it ran, day by day", lambda: behaviour(home, whole))
        timed("  of which judging", lambda: refresh_site(store, home.id, now=NOW))
        slots, states = load_slots(store, home.id).height, load_states(store, home.id).height
        print(f"{slots:,} slots, {states:,} hourly states")
        if profiled:
            profile = cProfile.Profile()
            profile.runcall(refresh)
            pstats.Stats(profile).sort_stats("tottime").print_stats(18)


def main() -> None:
    """Fill a store in this process's child, so that memory is that of the refresh alone."""
    if len(sys.argv) > 2 and sys.argv[1] == "--fill":
        with open_store(Path(sys.argv[2]), create=True) as store:
            save_site(store, site(), NOW)
            fill(store, site())
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "year.duckdb"
        subprocess.run([sys.executable, "-m", "tests.bench.site_year", "--fill", path], check=True)
        measure(path, profiled="--profile" in sys.argv)


if __name__ == "__main__":
    main()
