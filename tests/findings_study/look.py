"""What the product's checks get to see of a lived year at a time."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from monitor.errors import CannotMeasureError
from monitor.findings.finding import SET_ASIDE, Seen
from monitor.guarantee.assessment import assessment
from monitor.guarantee.basis import basis
from monitor.guarantee.standing import standing
from monitor.metrics.daily import DAY
from monitor.metrics.site_weather import site_weather
from monitor.refresh import derive
from monitor.rules import DEFAULT_RULES
from monitor.schemas import empty
from tests.findings_study.cases import Lived

#: Flat price of the homes of the study, a kWh.
_PRICE = 0.26


@dataclass(frozen=True)
class Derived:
    """Frames of a whole year, from which each look is cut."""

    slots: pl.DataFrame
    states: pl.DataFrame
    suspects: pl.DataFrame
    behaviour: pl.DataFrame


def derived(lived: Lived, until: datetime | None = None) -> Derived:
    """Derive a year from its readings.

    Parameters
    ----------
    until
        Only readings up to then, for what is known later and not at the time: that a
        register which stands still will catch up.
    """
    readings = lived.readings
    if until is not None:
        readings = readings.filter(pl.col("t_utc") <= until)
    slots, states, suspects, behaviour = derive(lived.site, lived.channels, readings, DEFAULT_RULES)
    roles = pl.DataFrame(
        {
            "channel_id": [stored.channel_id for stored in lived.channels],
            "role": [stored.channel.role.value for stored in lived.channels],
        },
        schema={"channel_id": pl.Int32, "role": pl.String},
    )
    aside = suspects.join(roles, on="channel_id", how="left").select(list(SET_ASIDE))
    return Derived(slots, states, aside, behaviour)


#: The last year looked at, so that a series of looks derives it once.
_kept: list[tuple[Lived, Derived]] = []


def _of(lived: Lived) -> Derived:
    if not _kept or _kept[0][0] is not lived:
        _kept[:] = [(lived, derived(lived))]
    return _kept[0][1]


def look(
    lived: Lived, at: datetime, *, with_assessment: bool = True, known: Derived | None = None
) -> Seen:
    """What the checks see at a time.

    Parameters
    ----------
    lived
        A year; it is derived once for a series of looks.
    at
        UTC.
    with_assessment
        False saves the shortfall and the checks of plausibility: `assessment` is then None.
    known
        The year as derived elsewhere.
    """
    frames = known or _of(lived)
    site = lived.site
    slots = frames.slots.filter(pl.col("block_end_utc") <= at)
    states = frames.states.filter(pl.col("slot_start_utc") < at)
    given = site_weather(site)
    base = None
    with contextlib.suppress(CannotMeasureError):
        base = basis(site, slots, states, now=at, given=given)
    found = assessment(base) if base is not None and with_assessment else None
    newest = slots["block_end_utc"].max()
    stands = standing(
        site,
        slots,
        states,
        newest_reading=newest if isinstance(newest, datetime) else None,
        now=at,
        rules=DEFAULT_RULES,
        given=given,
    )
    yesterday = (at - timedelta(days=1)).astimezone(site.tz).date()
    return Seen(
        site,
        stands,
        found,
        (),
        at,
        DEFAULT_RULES,
        slots=slots,
        states=states,
        days=empty(DAY) if base is None else base.days,
        behaviour=frames.behaviour.filter(pl.col("day") <= yesterday),
        suspects=frames.suspects.filter(pl.col("t_utc") < at),
        base=base,
        price_per_kwh=_PRICE,
        currency="GBP",
    )
