"""A home whose meters are read by the hour, and what a check sees of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from monitor.findings.finding import SET_ASIDE, Finding, Seen
from monitor.findings.meters import meters
from monitor.guarantee.standing import standing
from monitor.metrics.boundary import measurable, recipe
from monitor.metrics.daily import DAY, day_frame
from monitor.refresh import derive
from monitor.rules import DEFAULT_RULES
from monitor.schemas import READING, empty
from tests.monitor.homes import home, stored

BEGIN = datetime(2024, 1, 1, tzinfo=UTC)
STANDBY_KW = 0.02
COP = 3.2


@dataclass
class Metered:
    """Hourly energies (kWh) and states of a home of 8 kW; each array has one value an hour.

    Attributes
    ----------
    shown
        What a register shows in place of the sum of its energies, by role.
    channel
        Keys of the site file for a role.
    """

    energy: dict[str, np.ndarray]
    state: dict[str, np.ndarray] = field(default_factory=dict)
    shown: dict[str, np.ndarray] = field(default_factory=dict)
    channel: dict[str, dict[str, Any]] = field(default_factory=dict)
    pump: dict[str, Any] = field(default_factory=dict)
    site: dict[str, Any] = field(default_factory=dict)


def hours(days: int) -> np.ndarray:
    """Hour of the day of every hour."""
    return np.arange(days * 24) % 24


def metered(days: int = 40, *, seed: int = 7, colder_k: float = 0.0) -> Metered:
    """A sound home: it heats by day with a pause each fourth hour, makes hot water at five."""
    rng = np.random.default_rng(seed)
    hour, day = hours(days), np.arange(days * 24) // 24
    outdoor = 5.0 - colder_k + rng.normal(0.0, 2.0, days)[day]
    outdoor = outdoor + 2.0 * np.cos((hour - 15) / 24 * 2 * np.pi)
    runs = (hour >= 6) & (hour < 22) & (hour % 4 != 1)
    heat = np.where(runs, 0.3 * np.maximum(19.0 - outdoor, 0.0), 0.0) + np.where(
        hour == 5, 4.0, 0.0
    )
    cop = np.where(hour == 5, 2.6, COP + 0.05 * (outdoor - 5.0))
    used = STANDBY_KW + heat / cop
    return Metered(
        energy={"heat_total": heat, "elec_unit": used},
        state={"outdoor_temp": outdoor},
    )


def seen_of(it: Metered) -> Seen:
    """Everything at the end of its readings."""
    roles = [
        {
            "role": role,
            "kind": "state" if role in it.state else "register",
            "unit": "degC" if role in it.state else "kWh",
            **({} if role in it.state else {"resolution": 0.01}),
            **it.channel.get(role, {}),
        }
        for role in (*it.energy, *it.state)
    ]
    site = home(*roles, heat_pump=it.pump, **it.site)
    parts = []
    for n, role in enumerate((*it.energy, *it.state)):
        kind = roles[n]["kind"]
        if role in it.state:
            values = it.state[role]
        elif role in it.shown:
            values = it.shown[role]
        elif kind == "register":
            values = np.round(500.0 + np.concatenate(([0.0], np.cumsum(it.energy[role]))), 2)
        else:
            values = it.energy[role]
        step = pl.Series(np.arange(len(values)))
        times = 12 if kind == "power" or role in it.state else 1
        # Samples hold for five minutes each.
        at = step if times == 1 else pl.Series(np.arange(len(values) * times))
        parts.append(
            pl.DataFrame({"n": at, "value": np.repeat(values, times).astype(float)})
            .with_columns(
                pl.lit(n, pl.Int32).alias("channel_id"),
                (pl.lit(BEGIN) + pl.col("n") * pl.duration(minutes=60 // times))
                .cast(pl.Datetime("us", "UTC"))
                .alias("t_utc"),
                pl.lit(3600 if kind == "interval" else None, pl.Int32).alias("duration_s"),
                pl.lit(False).alias("conflict"),
            )
            .select(list(READING))
        )
    channels = stored(site)
    slots, states, aside, behaviour = derive(site, channels, pl.concat(parts), DEFAULT_RULES)
    names = pl.DataFrame(
        {
            "channel_id": [c.channel_id for c in channels],
            "role": [c.channel.role.value for c in channels],
        },
        schema_overrides={"channel_id": pl.Int32},
    )
    count = len(next(iter(it.energy.values())))
    now = BEGIN + timedelta(hours=count)
    able = measurable(site)
    days = day_frame(site, recipe(site, able[-1]), slots, states) if able else empty(DAY)
    return Seen(
        site=site,
        standing=standing(site, slots, states, newest_reading=now, now=now, rules=DEFAULT_RULES),
        assessment=None,
        sources=(),
        now=now,
        rules=DEFAULT_RULES,
        slots=slots,
        states=states,
        days=days,
        behaviour=behaviour,
        suspects=aside.join(names, on="channel_id").select(list(SET_ASIDE)),
    )


def found_in(it: Metered) -> dict[str, Finding]:
    """What the meters' checks find, by kind."""
    return {finding.kind: finding for finding in meters(seen_of(it))}
