"""Error of each demo home's SPF against its truth, whole and with a fifth of the data removed.

Run: python -m tests.bench.demo_truth
The truth is what faultless meters would have shown; meters of the demo err within class,
and one on purpose beyond it.
"""

from __future__ import annotations

import json
import tempfile
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import polars as pl

from demo_telemetry import write_fleet
from ingest.inbox import import_file
from ingest.profile import profile_from_toml
from monitor.guarantee.standing import standing
from monitor.models import site_from_toml
from monitor.refresh import derive
from monitor.rules import DEFAULT_RULES
from monitor.store.connection import open_store
from monitor.store.readings import load_readings
from monitor.store.sites import save_site, stored_channels

END = date(2026, 11, 1)


def without_a_fifth(frame: pl.DataFrame, seed: int) -> pl.DataFrame:
    """Remove every channel's readings of a random fifth of stretches of 1 to 72 hours."""
    rng = np.random.default_rng(seed)
    first, last = frame["t_utc"].min(), frame["t_utc"].max()
    hours = int((last - first).total_seconds() // 3600)  # type: ignore[operator]
    gone = np.zeros(hours + 1, dtype=bool)
    while gone.mean() < 0.2:
        start = int(rng.integers(0, hours))
        gone[start : start + int(rng.integers(1, 73))] = True
    index = ((frame["t_utc"] - first).dt.total_seconds() // 3600).to_numpy()
    return frame.filter(pl.Series(~gone[index]))


def main() -> None:
    """Print a line a home."""
    now = datetime(END.year, END.month, END.day, tzinfo=UTC)
    print(f"{'home':18} {'truth':>6} {'SPF':>6} {'error':>7} {'u':>6}   a fifth removed")
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        homes = write_fleet(root, end=END)
        with open_store(root / "s.duckdb", create=True) as store:
            for n, home in enumerate(homes):
                site = site_from_toml(home.site_file)
                save_site(store, site, now)
                for profile, files in home.profile_imports:
                    for file in files:
                        import_file(store, home.id, file, profile_from_toml(profile), now=now)
                truth = json.loads(home.truth_file.read_text())["promise"]["true_spf"]
                channels = stored_channels(store, site)
                frame = load_readings(store, [c.channel_id for c in channels])
                text = f"{home.id:18} {truth:6.3f}"
                for readings in (frame, without_a_fifth(frame, n)):
                    slots, states, _, _ = derive(site, channels, readings, DEFAULT_RULES)
                    got = standing(
                        site, slots, states, newest_reading=None, now=now, rules=DEFAULT_RULES
                    ).account
                    assert got is not None
                    assert got.spf is not None
                    assert got.u_spf is not None
                    text += (
                        f" {got.spf:6.3f} {got.spf / truth - 1:+7.2%} {got.u_spf:6.3f}"
                        f" (coverage {got.coverage:.0%})"
                    )
                print(text, flush=True)


if __name__ == "__main__":
    main()
