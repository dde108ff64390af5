"""What a doubted meter takes back: nothing is blamed on the unit that a meter may have made up.

A heat meter that reads low looks just like a unit that has become inefficient, and an
electricity meter that counts the house looks just like standby. So each finding that rests on
a meter is held against the findings that doubt a meter:

- It is dropped where the doubt covers its beginning or half of its window: then its evidence
  is what the meter made of it.
- It is kept, weakened to a suspicion and with a sentence that says so, where the doubt covers
  only a smaller part of its window, or rests on nothing better than the stated heat loss of the
  house.
- It is kept as it is where the doubted stream is none that it rests on, or where the windows do
  not overlap: a step of the efficiency in January stands though a register hung in May.

Findings of other topics that do not rest on the doubted stream are never touched: a room that is
cold is cold, whatever the heat meter shows. Refused readings (`register-jumps`) doubt no energy:
what was refused is in no figure. Nor do clocks: hours shifted in time are in the same sums; but
what rests on heat and electricity of the same hour waits until they are set.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Final

from monitor.findings.finding import Confidence, Finding, Topic
from monitor.findings.heat_meter import KIND as HEAT_METER
from monitor.metrics.plausibility import Kind as Doubt
from monitor.models import Role


class _Stream(StrEnum):
    """What a finding rests on, or a doubt concerns."""

    HEAT = "heat"
    USED = "electricity"
    FLOW = "flow temperature"
    HOURS = "the hours of heat and electricity"


_BOTH: Final = frozenset({_Stream.HEAT, _Stream.USED})

#: What each finding rests on that a meter can make up, by kind.
RESTS_ON: Final[dict[str, frozenset[_Stream]]] = {
    "cause:unit": _BOTH | {_Stream.FLOW},
    "efficiency-step": _BOTH | {_Stream.FLOW},
    "efficiency-drift": _BOTH | {_Stream.FLOW},
    "pump-always-on": frozenset({_Stream.HOURS}),
    "below-test-points": _BOTH | {_Stream.FLOW},
    "capacity-short": frozenset({_Stream.HEAT}),
    "heat-loss-above-design": frozenset({_Stream.HEAT}),
    "cause:standby_cycling_pumps": frozenset({_Stream.USED}),
    "standby-high": frozenset({_Stream.USED}),
}

#: Findings that doubt energy or the flow temperature.
DOUBTS: Final = frozenset(
    {
        "heat-without-electricity",
        "electricity-without-heat",
        "flow-return-swapped",
        "unit-slip",
        "register-stuck",
        "register-saturated",
        "meter-counts-house",
        "boundary-differs",
        HEAT_METER,
        Doubt.WATER.value,
        Doubt.CARNOT.value,
        Doubt.HOUSE.value,
        Doubt.CLOCKS.value,
    }
)

#: Doubts that rest on a stated heat loss, which is off by a third as often as not: they only
#: weaken.
WEAK_DOUBTS: Final = frozenset({Doubt.HOUSE.value})

#: What a stated heat loss cannot weaken, since it says the same.
SAYS_THE_SAME: Final = frozenset({"heat-loss-above-design"})

#: A doubt covers the beginning of a finding if it begins or ends within so many days of it,
#: since neither is dated to the day; and covers it as a whole from this share of its window.
#: Common practice, no source.
DATED_WITHIN: Final = timedelta(days=14)
COVERS: Final = 0.5

_EVER: Final = (datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC))

_STREAMS: Final = {
    Role.HEAT_TOTAL: _Stream.HEAT,
    Role.HEAT_SPACE: _Stream.HEAT,
    Role.HEAT_DHW: _Stream.HEAT,
    Role.ELEC_UNIT: _Stream.USED,
    Role.ELEC_TOTAL: _Stream.USED,
    Role.ELEC_SOURCE: _Stream.USED,
    Role.FLOW_TEMP: _Stream.FLOW,
}


def silenced(found: list[Finding]) -> list[Finding]:
    """Drop or weaken what may come of a doubted meter; see the module for the rules.

    Parameters
    ----------
    found
        All findings of one site, in any order.

    Returns
    -------
    list of Finding
        Those that stand, in the same order.
    """
    doubts = [f for f in found if f.topic is Topic.METER and f.kind in DOUBTS]
    told = []
    for finding in found:
        rests_on = RESTS_ON.get(finding.kind)
        against = [
            d
            for d in doubts
            if rests_on is not None
            and _concerns(d) & rests_on
            and _overlap(finding, d) > 0
            and not (d.kind in WEAK_DOUBTS and finding.kind in SAYS_THE_SAME)
        ]
        if any(d.kind not in WEAK_DOUBTS and _covers(d, finding) for d in against):
            continue
        told.append(_weakened(finding, against) if against else finding)
    return told


def _concerns(doubt: Finding) -> frozenset[_Stream]:
    if doubt.kind == HEAT_METER:
        # Flow and temperatures are its witnesses.
        return frozenset({_Stream.HEAT})
    if doubt.kind == Doubt.CLOCKS:
        return frozenset({_Stream.HOURS})
    return frozenset(_STREAMS[role] for role in doubt.roles if role in _STREAMS)


def _window(finding: Finding) -> tuple[datetime, datetime]:
    """Where a finding's evidence lies; open where it does not say."""
    begin = finding.window_start or finding.since or _EVER[0]
    return begin, finding.window_end or _EVER[1]


def _overlap(finding: Finding, doubt: Finding) -> float:
    """Seconds that two windows have in common."""
    (a, b), (c, d) = _window(finding), _window(doubt)
    return max((min(b, d) - max(a, c)).total_seconds(), 0.0)


def _covers(doubt: Finding, finding: Finding) -> bool:
    begin, end = _window(finding)
    whole = (end - begin).total_seconds()
    if whole <= 0 or _overlap(finding, doubt) >= COVERS * whole:
        return True
    first, last = doubt.since or _window(doubt)[0], _window(doubt)[1]
    start = finding.since
    if start is None:
        return False
    return first - start <= DATED_WITHIN and start - last <= DATED_WITHIN


def _weakened(finding: Finding, against: list[Finding]) -> Finding:
    names = sorted({stream.value for d in against for stream in _concerns(d)})
    titles = sorted({d.title for d in against})
    return finding.model_copy(
        update={
            "confidence": Confidence.SUSPECTED,
            "what": (
                f"{finding.what} Look at the meters first: {' and '.join(names)} of part of this "
                f"time are in doubt ({'; '.join(titles)})."
            ),
        }
    )
