"""Findings from the checks of plausibility: meters that cannot be right, rooms that are cold."""

from __future__ import annotations

from datetime import datetime, timedelta
from math import log
from typing import Final

import polars as pl

from monitor.findings.causes import effect_of
from monitor.findings.finding import Confidence, Effect, Finding, Seen, Topic
from monitor.guarantee.causes import Cause
from monitor.guarantee.standing import StandingWord
from monitor.metrics.account import Account
from monitor.metrics.heat_check import K_95
from monitor.metrics.plausibility import (
    ASKED_ROOM_C,
    LEAST_ROOM_C,
    Doubt,
    Kind,
    clocks,
    rooms,
)
from monitor.models import Role

#: Newest stretches over which the meters' clocks are compared by themselves: little more than the
#: hours that a comparison needs, so that a clock that was set wrong is most of it soon, and one
#: that bears gaps. Common practice, no source.
LATELY: Final = (timedelta(days=24), timedelta(days=35))

#: Lag of so few days that is one: in a hard frost heat follows electricity by up to two thirds
#: of an hour. Common practice, no source.
LEAST_LATELY_H: Final = 0.8

#: Newest stretch over which rooms are looked at by themselves: three weeks away from home are
#: less than half of it. Common practice, no source.
ROOMS_LATELY: Final = timedelta(days=45)

#: How far below what was asked for they are cold over so few days, K. Common practice, no source:
#: a set-back and a sensor's place make up less.
LATELY_SLACK_K: Final = 2.0

#: Correlation at the lag over a whole period, of which the clocks may have differed in a part
#: only, and what the shift must gain. Common practice, no source.
LEAST_CORRELATION: Final = 0.70
LEAST_GAIN: Final = 0.08

#: What the shift must gain in correlation over so few days. Common practice, no source.
LEAST_LATELY_GAIN: Final = 0.15

#: Correlation at that lag, which two clocks that differ leave as high as ever.
#: Common practice, no source.
LEAST_LATELY_CORRELATION: Final = 0.80

#: Standard uncertainties by which heat must be off what the house needs to be worth a visit:
#: it is looked at each day, and what it rests on is stated by hand. 99 % of sound homes lie
#: within (normal distribution).
SURE_OF_HOUSE: Final = 2.58

_TITLES: Final = {
    Kind.HOUSE: "Heat does not fit the house",
    Kind.ROOM: "Rooms are colder than was asked for",
    Kind.WATER: "The heat meter disagrees with flow and temperatures",
    Kind.CARNOT: "The COP cannot be true",
    Kind.CLOCKS: "The meters' clocks differ",
}

_ROLES: Final = {
    Kind.HOUSE: (Role.HEAT_TOTAL, Role.OUTDOOR_TEMP),
    Kind.ROOM: (Role.ROOM_TEMP,),
    Kind.WATER: (Role.HEAT_TOTAL, Role.FLOW_TEMP, Role.RETURN_TEMP, Role.FLOW_RATE),
    Kind.CARNOT: (Role.HEAT_TOTAL, Role.ELEC_UNIT, Role.ELEC_TOTAL, Role.FLOW_TEMP),
    Kind.CLOCKS: (Role.HEAT_TOTAL, Role.ELEC_UNIT, Role.ELEC_TOTAL),
}

_CHECKS: Final = {
    Kind.HOUSE: (
        "Whether the household is warm, and which rooms are heated",
        "The heat meter: size and place of its flow sensor, pockets of its sensors",
        "The heat loss that the site file states",
    ),
    Kind.ROOM: (
        "Call the household: is it warm enough, and did they turn it down themselves",
        "Thermostat, heating curve and set-back",
        "Radiator valves and flow through the emitters",
    ),
    Kind.WATER: (
        "Place and direction of the flow sensor, and its size against the pump",
        "Whether both temperature sensors sit in their pockets, and are not swapped",
        "Antifreeze in the heating water that the meter does not know of",
    ),
    Kind.CARNOT: (
        "Units and multipliers of both meters in the profile",
        "Whether the electricity meter counts the whole unit",
        "Where the flow and source sensors sit",
    ),
    Kind.CLOCKS: (
        "The zone in each profile, and whether the logger follows the change of the clock",
        "The clock of each logger against the true time",
    ),
}


def doubted(seen: Seen) -> list[Finding]:
    """Each doubt about the figures as a finding."""
    found = seen.assessment.plausibility if seen.assessment else None
    account = seen.standing.account
    if found is None or account is None:
        return []
    return [
        Finding(
            kind=doubt.kind.value,
            topic=Topic.HOUSEHOLD if doubt.kind is Kind.ROOM else Topic.METER,
            title=_COLD_THOUGH_KEPT if _cold_though_kept(seen, doubt) else _TITLES[doubt.kind],
            what=f"{doubt.sentence}{_would(doubt)}{_kept_by(seen, doubt)}",
            plainly=(
                "Your rooms have been colder than you asked for. If that was not your wish, tell "
                "your installer; do not stay cold to save electricity."
                if doubt.kind is Kind.ROOM
                else None
            ),
            confidence=Confidence.SUSPECTED,
            window_start=start,
            window_end=account.end_utc,
            roles=tuple(r for r in _ROLES[doubt.kind] if r in seen.site.roles),
            figures=doubt.figures,
            effect=_effect(seen) if doubt.kind is Kind.WATER else None,
            check=_CHECKS[doubt.kind],
            caution=doubt.caution,
        )
        for doubt, start in (
            *((doubt, account.start_utc) for doubt in found.doubts),
            *_lately(seen, account),
        )
        if not _may_be_the_survey(doubt) and not _may_be_the_house(doubt)
    ]


def _may_be_the_survey(doubt: Doubt) -> bool:
    """Whether heat beside the house is off by no more than surveys stray now and then."""
    if doubt.kind is not Kind.HOUSE:
        return False
    ratio, low = (
        next(f.value for f in doubt.figures if f.name == name)
        for name in ("ratio", "ratio, lower end")
    )
    u = log(ratio / low) / K_95
    return abs(log(ratio)) < SURE_OF_HOUSE * u


def _may_be_the_house(doubt: Doubt) -> bool:
    """Whether the lag of heat may be that of water and walls, and no clock's."""
    if doubt.kind is not Kind.CLOCKS:
        return False
    told = {figure.name: figure.value for figure in doubt.figures}
    together = told["correlation at that lag"]
    gain = together - told["correlation without a lag"]
    return together < LEAST_CORRELATION or gain < LEAST_GAIN


def _lately(seen: Seen, account: Account) -> list[tuple[Doubt, datetime]]:
    """What has gone wrong of late, which a whole period does not show yet; and since when."""
    found = seen.assessment.plausibility if seen.assessment else None
    told = {d.kind for d in found.doubts} if found is not None else set()
    end = account.end_utc
    out: list[tuple[object, datetime]] = []
    if Kind.CLOCKS not in told:
        starts = [max(end - stretch, account.start_utc) for stretch in LATELY]
        compared = [
            (clocks(seen.site, _between(seen.slots, start, end), account), start)
            for start in starts
        ]
        out += [pair for pair in compared if _clocks_are_apart(pair[0])][:1]
    if Kind.ROOM not in told:
        terms = seen.site.current_terms
        asked = ASKED_ROOM_C if terms is None else terms.expects.room_c or ASKED_ROOM_C
        start = max(end - ROOMS_LATELY, account.start_utc)
        newest = _between(seen.states, start, end)
        said = rooms(seen.site, newest, seen.days, account, asked)
        out += [(said, start)] if _rooms_are_cold(said) else []
    return [(said, start) for said, start in out if isinstance(said, Doubt)]


def _between(frame: pl.DataFrame, start: datetime, end: datetime) -> pl.DataFrame:
    return frame.filter((pl.col("slot_start_utc") >= start) & (pl.col("slot_start_utc") < end))


def _rooms_are_cold(said: object) -> bool:
    if not isinstance(said, Doubt):
        return False
    told = {figure.name: figure.value for figure in said.figures}
    room = told["room temperature"]
    return room <= told["asked for"] - LATELY_SLACK_K or room < LEAST_ROOM_C


def _clocks_are_apart(said: object) -> bool:
    if not isinstance(said, Doubt):
        return False
    told = {figure.name: figure.value for figure in said.figures}
    together = told["correlation at that lag"]
    gain = together - told["correlation without a lag"]
    return (
        abs(told["lag"]) >= LEAST_LATELY_H
        and gain >= LEAST_LATELY_GAIN
        and together >= LEAST_LATELY_CORRELATION
    )


_COLD_THOUGH_KEPT: Final = "The promise is kept, but the house is cold"


def _cold_though_kept(seen: Seen, doubt: Doubt) -> bool:
    """Whether cold rooms help the promise along."""
    where = seen.standing
    kept = where.settlement == "kept" or (
        where.settlement is None and where.word is StandingWord.ON_COURSE
    )
    return doubt.kind is Kind.ROOM and kept


def _kept_by(seen: Seen, doubt: Doubt) -> str:
    if not _cold_though_kept(seen, doubt):
        return ""
    promise, warm = seen.standing.promise, doubt.spf_if_corrected
    verb = "was kept" if seen.standing.settlement == "kept" else "is kept so far"
    without = (
        f" At the warmth that was asked for it would miss the promised {promise:.2f}."
        if promise is not None and warm is not None and warm < promise
        else ""
    )
    return f" The promise {verb}, but by a cold house: that is no success.{without}"


def _effect(seen: Seen) -> Effect | None:
    """What a heat meter that reads wrong takes from the SPF."""
    split = seen.assessment.shortfall if seen.assessment else None
    share = split.share(Cause.METERING) if split is not None else None
    return None if split is None or share is None else effect_of(split, share)


def _would(doubt: Doubt) -> str:
    if doubt.spf_now is None or doubt.spf_if_corrected is None:
        return ""
    return (
        f" SPF {doubt.spf_now:.2f} as measured, {doubt.spf_if_corrected:.2f} if the doubt is right."
    )
