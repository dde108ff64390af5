"""A home's year with a trouble at a strength: what was promised, what its meters show, the truth.

Thresholds are tuned on seeds below 1000; the study uses others.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from demo_telemetry.troubles import STRENGTHS, Strength
from monitor.models import Site
from monitor.schemas import READING, check
from monitor.store.sites import StoredChannel
from tests.findings_study.homes import Case, Floats, draw, normals, seasonal, simulated
from tests.findings_study.kinds import HEALTHY, KINDS, TROUBLES, trouble_of
from tests.findings_study.metering import Metering, describe, metering, shown

__all__ = ["HEALTHY", "KINDS", "STRENGTHS", "TROUBLES", "Lived", "lived"]

CACHE = Path(tempfile.gettempdir()) / "pledgewatt-findings"

_TOTAL = {
    "H2": ("unit", "source"),
    "H4": ("unit", "source", "backup", "immersion", "pumps"),
}


@dataclass(frozen=True)
class Lived:
    """A simulated year as its meters tell it, and the truth beside it.

    Attributes
    ----------
    kind, strength, seed
        What was asked for; a healthy home has no strength.
    expected
        Finding keys of which one names the trouble; none for a healthy home.
    channels, readings
        For `monitor.refresh.derive`: the site's channels, and a frame of schema READING.
    begins, ends
        UTC: when the trouble begins (a healthy home: the data), and when the data end.
    truth
        `size` of the trouble; `daily`: a frame with one row a local day and columns `day`,
        `heat`, `electricity` (inside the boundary of the promise, with the trouble, from
        faultless meters), `heat_sound`, `electricity_sound` (of the same home without the
        trouble), the same of the whole system as `all_heat` and so on, `outdoor_c`, and
        `normal_c` of the place's climate; `spf` and `spf_sound` of the year; `extra_kwh`:
        electricity that the trouble cost in the year.
    """

    kind: str
    strength: Strength
    seed: int
    expected: tuple[str, ...]
    site: Site
    channels: list[StoredChannel]
    readings: pl.DataFrame
    begins: datetime
    ends: datetime
    truth: dict[str, Any]


def lived(kind: str, strength: str, seed: int, cache: Path = CACHE) -> Lived:
    """Simulate a home's year with a trouble.

    Parameters
    ----------
    kind
        Key of `KINDS`.
    strength
        `weak`, `middle` or `strong`; of no matter to a healthy home.
    seed
        The same arguments give the same year.
    cache
        Where simulated years are kept.
    """
    case = draw(kind, strength, seed)  # type: ignore[arg-type]
    meters = metering(case)
    true = simulated(case, cache, troubled=True)
    plain = simulated(case, cache, troubled=False) if trouble_of(kind) else true
    heat, used = _inside(case, meters, plain)
    promise = max(np.floor(heat.sum() / used.sum() * 10.0 - 0.2) / 10.0, 1.1)
    site = describe(case, meters, float(promise), float(plain["dhw"].sum()) / 365.0)
    channels = [
        StoredChannel(number, fit, channel)
        for number, (fit, channel) in enumerate(
            ((fit, channel) for fit in site.meter for channel in fit.channel), start=1
        )
    ]
    told = shown(case, meters, true)
    begins = case.span.begin_s + 300 * case.begin_step
    return Lived(
        kind=kind,
        strength=case.strength,
        seed=seed,
        expected=KINDS[kind].expected,
        site=site,
        channels=channels,
        readings=_readings(channels, told),
        begins=datetime.fromtimestamp(begins, UTC),
        ends=datetime.fromtimestamp(case.span.finish_s, UTC),
        truth=_truth(case, meters, true, plain),
    )


def extra_of_a_year(
    kind: str, strength: str, seed: int, cache: Path = CACHE, *, of_heat: bool
) -> float:
    """Electricity that a trouble costs when it is there from the first day of the year, kWh.

    Parameters
    ----------
    of_heat
        Whether the heat itself is the trouble; else the sound home makes as much.
    """
    case = draw(kind, strength, seed)  # type: ignore[arg-type]
    every = replace(metering(case), boundary="H4")
    heat, used = _inside(case, every, simulated(case, cache, troubled=True, throughout=True))
    heat_sound, sound = _inside(case, every, simulated(case, cache, troubled=False))
    as_much = 1.0 if of_heat else heat.sum() / heat_sound.sum()
    return float(used.sum() - as_much * sound.sum())


def _inside(case: Case, meters: Metering, true: dict[str, Floats]) -> tuple[Floats, Floats]:
    """True heat and electricity of each step inside the boundary of the promise."""
    heat = true["space"] + true["dhw"]
    if meters.boundary == "H4":
        heat = heat + true["backup"] + true["immersion"]
    return heat, np.sum([true[part] for part in _TOTAL[meters.boundary]], axis=0)


def _readings(channels: list[StoredChannel], told: dict[str, tuple[Any, Floats]]) -> pl.DataFrame:
    parts = []
    for stored in channels:
        at, values = told[stored.channel.role.value]
        parts.append(
            pl.DataFrame({"t": at, "value": values}).select(
                pl.lit(stored.channel_id, pl.Int32).alias("channel_id"),
                (pl.col("t") * 1_000_000).cast(pl.Datetime("us", "UTC")).alias("t_utc"),
                pl.lit(None, pl.Int32).alias("duration_s"),
                pl.col("value"),
                pl.lit(False).alias("conflict"),
            )
        )
    return check(pl.concat(parts), READING)


def _normal(case: Case) -> Callable[[date], float]:
    """Mean temperature of the place's climate on a date."""
    means = normals(case)
    return lambda day: float(seasonal(means, np.array(day.timetuple().tm_yday, dtype=float)))


def _truth(
    case: Case, meters: Metering, true: dict[str, Floats], plain: dict[str, Floats]
) -> dict[str, Any]:
    heat, used = _inside(case, meters, true)
    heat_sound, used_sound = _inside(case, meters, plain)
    every = replace(meters, boundary="H4")
    all_heat, all_used = _inside(case, every, true)
    all_heat_sound, all_used_sound = _inside(case, every, plain)
    at = pl.Series(case.span.grid[:-1] * 1_000_000).cast(pl.Datetime("us", "UTC"))
    daily = (
        pl.DataFrame(
            {
                "day": at.dt.convert_time_zone(case.home.zone).dt.date(),
                "heat": heat,
                "electricity": used,
                "heat_sound": heat_sound,
                "electricity_sound": used_sound,
                "all_heat": all_heat,
                "all_electricity": all_used,
                "all_heat_sound": all_heat_sound,
                "all_electricity_sound": all_used_sound,
                "outdoor_c": true["outdoor_temp"],
            }
        )
        .group_by("day", maintain_order=True)
        .agg(pl.exclude("outdoor_c").sum(), pl.col("outdoor_c").mean())
        .with_columns(normal_c=pl.col("day").map_elements(_normal(case), pl.Float64))
    )
    return {
        "size": case.size,
        "daily": daily,
        "spf": float(heat.sum() / used.sum()),
        "spf_sound": float(heat_sound.sum() / used_sound.sum()),
        "extra_kwh": float(used.sum() - used_sound.sum()),
    }
