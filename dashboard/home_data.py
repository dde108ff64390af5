"""What the people who live in a house are shown, from what `data` knows of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

import numpy as np
import polars as pl

from dashboard import data, hour_data
from monitor.guarantee.boiler import BoilerComparison, compare
from monitor.guarantee.money import Money, money
from monitor.metrics import periods
from monitor.metrics.account import Account
from monitor.metrics.periods import Window
from monitor.models import Role
from monitor.refresh import site_prices
from monitor.store.cases import Claim, load_claims
from monitor.store.connection import Store
from monitor.store.users import User

#: Hours of hot water that must be known before a daily amount is told.
HOURS_OF_WATER: Final = 7 * 24


@dataclass(frozen=True)
class Spent:
    """Heat, cost and the old heating's cost over one stretch of days.

    Attributes
    ----------
    coverage
        Share of its hours so far that are known; the amounts are of those.
    """

    window: Window
    coverage: float
    heat_kwh: float
    electricity_kwh: float
    cost: Money | None
    compared: BoilerComparison | None


@dataclass(frozen=True)
class Gap:
    """Hours of the window that are not known, and the longest stretch of them (local days)."""

    hours: int
    of_hours: int
    longest_h: int
    first: datetime | None
    last: datetime | None


@dataclass(frozen=True)
class Home:
    """What the people who live in a house are shown.

    Attributes
    ----------
    window
        The guarantee period, or the last year where nothing was promised.
    room_c, room_week_c
        Mean room temperature over the window, and over its last seven days.
    asked_c
        Room temperature that the promise took for granted; None where it does not say.
    spent
        Last week, this month, last year.
    water_kwh_day, water_share
        Heat for hot water a day over the last 30 days, and its share; None if not metered.
    cylinder_high_c
        Highest hourly temperature of the cylinder in the last seven days.
    claims
        Claims on the promise, the newest first.
    """

    record: data.Record
    window: Window
    account: Account | None
    cost: Money | None
    months: pl.DataFrame
    room_c: float | None
    room_week_c: float | None
    asked_c: float | None = None
    spent: tuple[Spent, ...] = ()
    gap: Gap | None = None
    water_kwh_day: float | None = None
    water_share: float | None = None
    cylinder_high_c: float | None = None
    claims: tuple[Claim, ...] = ()


def home(user: User, store: Store, site_id: str, now: datetime) -> Home:
    """One home, for the people who live in it."""
    found = data.record(user, store, site_id, now)
    made: Home = found.parts.get("home", lambda: _home(store, found))
    return replace(made, claims=tuple(reversed(load_claims(store, site_id))))


def _home(store: Store, found: data.Record) -> Home:
    offered = {choice.key: choice.window for choice in data.choices(found)}
    window = offered.get("guarantee", offered["365"])
    after = min(window.end, found.today + timedelta(days=1))
    cost = None
    if found.site.current_terms is not None:
        # The very amount of the standing, so that both pages tell the same.
        cost = found.standing.money if found.standing else None
    elif found.blocks is not None:
        cost = money(found.site, found.blocks, window.first, after, None)
    # The first and last month of the period are cut to it: what is shown adds up.
    parts = [
        Window(m.name, max(m.first, window.first), min(m.end, window.end))
        for m in periods.months(window.first, max(after, window.first + timedelta(days=1)))
    ]
    terms = found.site.current_terms
    water = _hot_water(found, offered["30"])
    return Home(
        asked_c=terms.expects.room_c if terms else None,
        spent=_spent(store, found, offered),
        gap=_gap(found, window),
        water_kwh_day=water[0],
        water_share=water[1],
        cylinder_high_c=_highest(found, Role.DHW_TEMP, offered["7"]),
        record=found,
        window=window,
        account=data.window_account(found, window),
        cost=cost,
        months=data.table(found, parts),
        room_c=_mean(found, Role.ROOM_TEMP, window),
        room_week_c=_mean(found, Role.ROOM_TEMP, offered["7"]),
    )


def _mean(record: data.Record, role: Role, window: Window) -> float | None:
    own = hour_data.inside(record, record.states, window).filter(pl.col("role") == role.value)
    weight = own["covered"].to_numpy()
    if weight.sum() == 0:
        return None
    return float(np.average(own["mean"].to_numpy(), weights=weight))


def _spent(store: Store, record: data.Record, offered: dict[str, Window]) -> tuple[Spent, ...]:
    if record.blocks is None:
        return ()
    month = record.today.replace(day=1)
    after = record.today + timedelta(days=1)
    named = (
        Window("The last 7 days", offered["7"].first, after),
        Window(f"This month (since {month:%-d %B})", month, after),
        Window("The last 12 months", offered["365"].first, after),
    )
    prices = site_prices(store, record.site)
    out = []
    for window in named:
        first = max(window.first, record.first)
        known = data.window_account(record, Window(window.name, first, window.end))
        if known is None or known.hours.total == 0 or first >= window.end:
            continue
        span = (first, window.end, record.excluded, prices)
        out.append(
            Spent(
                window=Window(window.name, first, window.end),
                coverage=known.coverage,
                heat_kwh=known.heat_kwh,
                electricity_kwh=known.electricity_kwh,
                cost=money(
                    record.site, record.blocks, first, window.end, None, record.excluded, prices
                ),
                compared=compare(record.site, record.blocks, *span),
            )
        )
    return tuple(out)


def _gap(record: data.Record, window: Window) -> Gap | None:
    """Hours of a window so far that are not known for every stream."""
    if record.blocks is None:
        return None
    start, end = (int(moment.timestamp()) // 3600 for moment in record.span(window))
    if end <= start:
        return None
    known = np.zeros(end - start + 1, dtype=np.int64)
    blocks = record.blocks
    a = np.clip(blocks.start[blocks.known] - start, 0, end - start)
    b = np.clip(blocks.end[blocks.known] - start, 0, end - start)
    np.add.at(known, a, 1)
    np.add.at(known, b, -1)
    missing = np.cumsum(known)[:-1] == 0
    # Hours that both sides agree to leave out are no gap.
    left_out = blocks.excluded[(blocks.excluded >= start) & (blocks.excluded < end)] - start
    missing[left_out] = False
    edges = np.flatnonzero(np.diff(np.concatenate(([0], missing.astype(np.int8), [0]))))
    runs = edges.reshape(-1, 2)
    if len(runs) == 0:
        return Gap(0, end - start, 0, None, None)
    first, last = runs[int(np.argmax(runs[:, 1] - runs[:, 0]))]
    zone = record.site.tz
    return Gap(
        hours=int(missing.sum()),
        of_hours=end - start - len(left_out),
        longest_h=int(last - first),
        first=datetime.fromtimestamp(int(start + first) * 3600, zone),
        last=datetime.fromtimestamp(int(start + last) * 3600, zone),
    )


def _hot_water(record: data.Record, window: Window) -> tuple[float | None, float | None]:
    """Heat for hot water a day, and its share of the heat of the same hours."""
    own = hour_data.inside(record, record.slots, window)
    water = own.filter(pl.col("role") == Role.HEAT_DHW.value).select("slot_start_utc", "kwh")
    water = water.drop_nulls()
    if water.height < HOURS_OF_WATER:
        return None, None
    total = own.filter(pl.col("role") == Role.HEAT_TOTAL.value).select(
        "slot_start_utc", pl.col("kwh").alias("all")
    )
    both = water.join(total.drop_nulls(), on="slot_start_utc")
    heat = float(both["all"].sum())
    share = float(both["kwh"].sum()) / heat if heat > 0 else None
    return float(water["kwh"].sum()) / water.height * 24.0, share


def _highest(record: data.Record, role: Role, window: Window) -> float | None:
    own = hour_data.inside(record, record.states, window).filter(pl.col("role") == role.value)
    most = own["mean"].max()
    return None if most is None else float(str(most))
