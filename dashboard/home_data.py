"""What the people who live in a house are shown, from what `data` knows of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from dashboard import data
from monitor.guarantee.money import Money, money
from monitor.metrics import periods
from monitor.metrics.account import Account
from monitor.metrics.periods import Window
from monitor.models import Role
from monitor.store.connection import Store
from monitor.store.users import User


@dataclass(frozen=True)
class Home:
    """What the people who live in a house are shown.

    Attributes
    ----------
    window
        The guarantee period, or the last year where nothing was promised.
    room_c, room_week_c
        Mean room temperature over the window, and over its last seven days.
    """

    record: data.Record
    window: Window
    account: Account | None
    cost: Money | None
    months: pl.DataFrame
    room_c: float | None
    room_week_c: float | None


def home(user: User, store: Store, site_id: str, now: datetime) -> Home:
    """One home, for the people who live in it."""
    found = data.record(user, store, site_id, now)
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
    return Home(
        record=found,
        window=window,
        account=data.window_account(found, window),
        cost=cost,
        months=data.table(found, parts),
        room_c=_mean(found, Role.ROOM_TEMP, window),
        room_week_c=_mean(found, Role.ROOM_TEMP, offered["7"]),
    )


def _mean(record: data.Record, role: Role, window: Window) -> float | None:
    own = data.inside(record, record.states, window).filter(pl.col("role") == role.value)
    weight = own["covered"].to_numpy()
    if weight.sum() == 0:
        return None
    return float(np.average(own["mean"].to_numpy(), weights=weight))
