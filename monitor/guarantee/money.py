"""What the electricity cost, and what a broken promise costs."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
import polars as pl

from monitor.guarantee.conformance import Decision
from monitor.guarantee.price_steps import (
    Counted,
    PerBlock,
    Span,
    Steps,
    Values,
    counted,
    dated_days,
    electricity_prices,
    known_prices,
    per_block,
    pick,
    steps_of,
)
from monitor.metrics.performance import Blocks
from monitor.metrics.uncertainty import K_95
from monitor.models import Record, Site


class Money(Record):
    """Cost of a stretch of days at the site's tariffs.

    Energy is known by hour, or by bridged block. Where the price changes inside of one,
    its energy is priced as if it had been used evenly, and the bounds take all of it at the
    lowest and all of it at the highest price in the block. A block in which some time has no
    price counts as a whole among `unpriced_kwh` and costs nothing here; the bounds take the
    lowest and the highest price that the site's tariffs know at any time for it.

    Attributes
    ----------
    energy_cost, standing_cost
        Price of the known electricity that has a price, and of the days that the tariffs
        cover; of a day in part excluded, the share that counts.
    energy_cost_low, energy_cost_high
        Bounds of the price of all known electricity, unpriced or not. None where some has
        no price and no price is known at all.
    spread_kwh
        Electricity of blocks whose price changes: how much `energy_cost` rests on even use.
    unpriced_kwh, unpriced_days
        Known electricity without a price, and days of which some time that counts has none.
    extra_kwh
        Electricity beyond what the promise would have needed for the same heat,
        E - Q / promise; negative where less was needed. Over the known hours.
    extra_cost
        Its price at the tariffs in force, as far as they reach.
    extra_cost_low, extra_cost_high
        The extra electricity of each block, as one amount, at its lowest and highest price.
    remedy_owed
        `extra_cost` where the terms give it as the remedy, never below zero. None where
        some electricity has no price: then only the bounds can be told.
    remedy_low, remedy_high
        Bounds from the prices; with `u_spf`, at the ends of the 95 % interval of the SPF.
    remarks
        Sentences on how sure the amounts are.
    """

    currency: str
    energy_cost: float
    standing_cost: float
    unpriced_kwh: float
    unpriced_days: int
    extra_kwh: float | None
    extra_cost: float | None
    energy_cost_low: float | None = None
    energy_cost_high: float | None = None
    spread_kwh: float = 0.0
    extra_cost_low: float | None = None
    extra_cost_high: float | None = None
    remedy_owed: float | None = None
    remedy_low: float | None = None
    remedy_high: float | None = None
    remarks: tuple[str, ...] = ()


def money(
    site: Site,
    blocks: Blocks,
    first: date,
    end: date,
    promised_spf: float | None,
    excluded: Sequence[Span] = (),
    prices: pl.DataFrame | None = None,
    *,
    u_spf: float | None = None,
) -> Money | None:
    """Cost of the local days from `first` up to, not including, `end`.

    Parameters
    ----------
    excluded
        Stretches (UTC, on the hour) that do not count, as in `account`: neither their
        energy nor their standing charge. A bridged block that reaches into one is not used.
    prices
        Frame of schema `price_steps.PRICE`: the series that the tariffs name, by quarter
        hour.
    u_spf
        Standard uncertainty of the SPF of the same stretch, for the bounds of the remedy.

    Returns
    -------
    Money or None
        None where the site has no tariff at all.
    """
    if not site.tariff or end <= first:
        return None
    steps = steps_of(site, first, end, excluded)
    own = counted(blocks, steps)
    by_step = electricity_prices(steps, prices)
    price = per_block(by_step, own, known_prices(site, prices))
    used = own.electricity
    low, high = price.bounds(used)
    unpriced = float(used[~price.known].sum())
    spread = float(used[price.varies].sum())
    no_price = np.isnan(by_step) & steps.counts
    unpriced_days = len(np.unique(steps.day[no_price]))
    cost = at_mean(price, used)
    return Money(
        currency=site.tariff[0].currency,
        energy_cost=cost,
        energy_cost_low=low,
        energy_cost_high=high,
        standing_cost=_standing(steps),
        spread_kwh=spread,
        unpriced_kwh=unpriced,
        unpriced_days=unpriced_days,
        remarks=_remarks(spread, unpriced, unpriced_days, low),
        **_remedy(site, own, price, promised_spf, u_spf),
    )


def as_decided(owed: Money, decision: Decision) -> Money:
    """The remedy as a decision leaves it: nothing where the promise is kept."""
    if decision == "kept":
        return owed.model_copy(update={"remedy_owed": 0.0, "remedy_low": 0.0, "remedy_high": 0.0})
    if decision == "undecided":
        # What would be owed stays as bounds; nothing is owed while nothing is decided.
        return owed.model_copy(update={"remedy_owed": None})
    return owed


def at_mean(price: PerBlock, kwh: Values) -> float:
    """Price of energy as far as it has one, taken as used evenly inside each block."""
    return float((kwh * price.mean)[price.known].sum())


def _standing(steps: Steps) -> float:
    tariffs = steps.site.tariff
    a_day = pick(
        [tariff.standing_per_day for tariff in tariffs],
        dated_days(steps, [tariff.valid_from for tariff in tariffs]),
    )
    return float(np.nansum(a_day * steps.day_shares(steps.counts)))


def _remedy(
    site: Site, own: Counted, price: PerBlock, promised_spf: float | None, u_spf: float | None
) -> dict[str, float | None]:
    if not promised_spf:
        return {"extra_kwh": None, "extra_cost": None}
    extra = own.electricity - own.heat / promised_spf
    low, high = price.bounds(extra)
    cost = at_mean(price, extra)
    out: dict[str, float | None] = {
        "extra_kwh": float(extra.sum()),
        "extra_cost": cost,
        "extra_cost_low": low,
        "extra_cost_high": high,
    }
    terms = site.current_terms
    if terms is None:
        return out
    if terms.remedy == "none":
        return out | {"remedy_owed": 0.0, "remedy_low": 0.0, "remedy_high": 0.0}
    used, heat = own.electricity.sum(), own.heat.sum()
    if u_spf is not None and used > 0 and heat > 0:
        # A wrong SPF is taken as wrong heat, in the same proportion in every hour.
        part = K_95 * u_spf * used / heat
        lows, highs = zip(
            *(
                price.bounds(own.electricity - own.heat * (1 + k * part) / promised_spf)
                for k in (1, -1)
            ),
            strict=True,
        )
        low = None if None in lows else min(lows)
        high = None if None in highs else max(highs)
    complete = bool(price.known[extra != 0].all())
    return out | {
        "remedy_owed": max(0.0, cost) if complete else None,
        "remedy_low": None if low is None else max(0.0, low),
        "remedy_high": None if high is None else max(0.0, high),
    }


def _remarks(
    spread: float, unpriced: float, unpriced_days: int, low: float | None
) -> tuple[str, ...]:
    out = []
    if round(spread) > 0:
        out.append(
            f"{spread:,.0f} kWh were used in hours or unread stretches in which the price "
            "changed; they are priced as if used evenly over that time. The lower and upper "
            "bound hold whenever they were used."
        )
    if unpriced != 0:
        days = "1 day has" if unpriced_days == 1 else f"{unpriced_days} days have"
        out.append(
            f"{days} times without a price; {unpriced:,.0f} kWh could not be priced and are not "
            "in the cost."
        )
        if low is None:
            out.append("No price is known at any time, so no bounds can be given.")
        else:
            out.append(
                "For these the bounds take the lowest and the highest price that the tariffs "
                "know at any time."
            )
    return tuple(out)
