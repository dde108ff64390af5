"""What the electricity cost, and what a broken promise costs."""

from __future__ import annotations

from datetime import date
from itertools import pairwise

from monitor.metrics import periods
from monitor.metrics.performance import Blocks, accounts
from monitor.models import Record, Site


class Money(Record):
    """Cost of a stretch of days at the site's tariffs.

    Attributes
    ----------
    energy_cost, standing_cost
        Price of the known electricity, and of the days that the tariffs cover.
    unpriced_kwh, unpriced_days
        Known electricity and days for which no tariff is given; they cost nothing here.
    extra_kwh
        Electricity beyond what the promise would have needed for the same heat,
        E - Q / promise; negative where less was needed. Over the known hours.
    extra_cost
        Its price at the tariffs in force, as far as they reach.
    """

    currency: str
    energy_cost: float
    standing_cost: float
    unpriced_kwh: float
    unpriced_days: int
    extra_kwh: float | None
    extra_cost: float | None


def money(
    site: Site, blocks: Blocks, first: date, end: date, promised_spf: float | None
) -> Money | None:
    """Cost of the local days from `first` up to, not including, `end`.

    Returns
    -------
    Money or None
        None where the site has no tariff at all.
    """
    if not site.tariff or end <= first:
        return None
    changes = [t.valid_from for t in site.tariff if first < t.valid_from < end]
    parts = list(pairwise([first, *changes, end]))
    spans = [periods.span(site, periods.Window("", a, b)) for a, b in (*parts, (first, end))]
    table = accounts(blocks, [a for a, _ in spans], [b for _, b in spans])
    whole_heat, whole_used = table["heat_kwh"][-1], table["electricity_kwh"][-1]
    energy = standing = unpriced = extra_cost = 0.0
    unpriced_days = 0
    for (a, b), heat, used in zip(
        parts, table["heat_kwh"][:-1], table["electricity_kwh"][:-1], strict=True
    ):
        tariff = next((t for t in reversed(site.tariff) if t.valid_from <= a), None)
        days = (b - a).days
        more = used - heat / promised_spf if promised_spf else 0.0
        if tariff is None:
            unpriced += used
            unpriced_days += days
            continue
        energy += used * tariff.price_per_kwh
        standing += days * tariff.standing_per_day
        extra_cost += more * tariff.price_per_kwh
    # Energy of a bridged block across a change of price belongs to neither price.
    unpriced += whole_used - sum(table["electricity_kwh"][:-1])
    return Money(
        currency=site.tariff[0].currency,
        energy_cost=energy,
        standing_cost=standing,
        unpriced_kwh=unpriced,
        unpriced_days=unpriced_days,
        extra_kwh=whole_used - whole_heat / promised_spf if promised_spf else None,
        extra_cost=extra_cost if promised_spf else None,
    )
