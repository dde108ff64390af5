"""What a check sees of a home that obeys its model, with days that stray as real ones do."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl

from monitor.findings.finding import Seen
from monitor.guarantee.assessment import assessment
from monitor.guarantee.basis import basis
from monitor.guarantee.standing import standing
from monitor.metrics.site_weather import site_weather
from monitor.models import Site
from monitor.rules import DEFAULT_RULES
from tests.monitor.linear_home import BEGIN, FIRST, NORMALS, Home, frames_of, site_of

CLIMATE = {"monthly_means_c": NORMALS, "origin": "normals of the place"}
TARIFF = [{"valid_from": FIRST, "price_per_kwh": 0.30}]

#: Relative noise of a day's electricity.
NOISE = 0.03


def on_days(slots: pl.DataFrame, role: str, factor: np.ndarray) -> pl.DataFrame:
    """Change the energy of a stream by a factor a day."""
    at = (pl.col("slot_start_utc") - BEGIN).dt.total_days()
    times = pl.lit(pl.Series(factor)).gather(at)
    return slots.with_columns(
        pl.when(pl.col("role") == role).then(pl.col(name) * times).otherwise(name).alias(name)
        for name in ("kwh", "block_kwh")
    )


def seen_of(
    it: Home,
    promise: float,
    *,
    days: int | None = None,
    factor: np.ndarray | None = None,
    heat_factor: np.ndarray | None = None,
    standby_kw: float = 0.0,
    standby_from: int = 0,
    assess: bool = False,
    expects: dict[str, Any] | None = None,
    **site_more: Any,
) -> Seen:
    """Everything up to a day.

    Parameters
    ----------
    days
        How many of the home's days are known.
    factor
        On the electricity of each day.
    heat_factor
        On the heat of each day as shown.
    standby_kw, standby_from
        Electricity more in every hour from a day on.
    assess
        Whether the assessment is computed as well.
    expects
        What the terms took for granted.
    """
    site: Site = site_of(it, promise, climate=CLIMATE, tariff=TARIFF, **site_more)
    if expects is not None:
        agreed = site.terms[0].model_copy(
            update={"expects": type(site.terms[0].expects).model_validate(expects)}
        )
        site = site.model_copy(update={"terms": (agreed,)})
    slots, states = frames_of(it)
    rng = np.random.default_rng(21)
    stray = np.exp(NOISE * rng.standard_normal(it.days))
    slots = on_days(slots, "elec_total", stray * (1.0 if factor is None else factor))
    if heat_factor is not None:
        slots = on_days(slots, "heat_total", heat_factor)
    if standby_kw:
        late = pl.col("slot_start_utc") >= BEGIN + timedelta(days=standby_from)
        own = late & (pl.col("role") == "elec_total")
        slots = slots.with_columns(
            pl.when(own).then(pl.col(name) + standby_kw).otherwise(name).alias(name)
            for name in ("kwh", "block_kwh")
        )
    now = BEGIN + timedelta(days=it.days if days is None else days)
    base = basis(site, slots, states, now=now, given=site_weather(site))
    assert base is not None
    return Seen(
        site=site,
        standing=standing(site, slots, states, newest_reading=now, now=now, rules=DEFAULT_RULES),
        assessment=assessment(base) if assess else None,
        sources=(),
        now=now,
        rules=DEFAULT_RULES,
        slots=base.slots,
        states=base.states,
        days=base.days,
        base=base,
        price_per_kwh=0.30,
        currency="GBP",
    )
