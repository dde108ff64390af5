"""Time that all findings of one site-year at one minute take.

Run: python -m tests.bench.findings_year
A simulated home with a trouble, every sensor, its five-minute readings made into readings of one
minute each: registers rise evenly between two of them, states hold.
"""

from __future__ import annotations

import polars as pl

from monitor.findings.registry import BY_CLOCK, BY_RECORDS, findings
from monitor.metrics.behaviour import behaviour
from monitor.metrics.courses import courses
from monitor.metrics.slots import chain
from monitor.models import Kind, Role
from monitor.rules import DEFAULT_RULES
from tests.bench.site_year import timed
from tests.findings_study.cases import Lived, lived
from tests.findings_study.look import derived, look

#: A home with every sensor whose backup heater runs.
KIND, STRENGTH, SEED = "backup-beside-unit", "middle", 1


def by_the_minute(year: Lived) -> pl.DataFrame:
    """Readings of a year with four more between each two."""
    kinds = {s.channel_id: s.channel.kind for s in year.channels}
    parts = []
    for (number,), own in year.readings.group_by("channel_id", maintain_order=True):
        own = own.sort("t_utc").upsample("t_utc", every="1m", maintain_order=True)
        value = pl.col("value")
        rises = kinds[int(str(number))] is Kind.REGISTER
        parts.append(
            own.with_columns(
                pl.col("channel_id", "conflict").forward_fill(),
                (value.interpolate() if rises else value.forward_fill()).alias("value"),
            ).select(year.readings.columns)
        )
    return pl.concat(parts)


def main() -> None:
    """Print what it takes."""
    year = lived(KIND, STRENGTH, SEED)
    fine = by_the_minute(year)
    year = Lived(**{**vars(year), "readings": fine})
    print(f"{fine.height:,} readings of {len(year.channels)} channels")
    frames = derived(year)
    seen = look(year, year.ends, known=frames)
    whole: dict[Role, pl.DataFrame] = {
        s.channel.role: chain(
            [
                courses(
                    fine.filter(pl.col("channel_id") == s.channel_id),
                    s.channel,
                    channel_id=s.channel_id,
                    max_power_kw=year.site.max_power_kw(s.channel)
                    if s.channel.role.is_energy
                    else 0.0,
                    rules=DEFAULT_RULES,
                ).points
            ]
        )
        for s in year.channels
    }
    timed("how it ran, day by day, from samples", lambda: behaviour(year.site, whole))
    timed("all checks on a year", lambda: findings(seen))
    last = year.ends.timestamp() * 1e6 - 2 * 86_400e6
    newest = {r: c.filter(pl.col("t_us") >= last) for r, c in whole.items()}
    timed("how it ran on the two newest days", lambda: behaviour(year.site, newest))
    for family in BY_CLOCK + BY_RECORDS:
        timed(f"  {family.__name__}", lambda family=family: family(seen))  # type: ignore[misc]
    print("found:", ", ".join(f.kind for f in findings(seen)))


if __name__ == "__main__":
    main()
