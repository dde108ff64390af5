"""Nothing is blamed on the unit that a doubted meter may have made up."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from monitor.findings.finding import Confidence, Finding, Topic
from monitor.findings.silence import silenced
from monitor.models import Role

YEAR = (datetime(2025, 1, 1, tzinfo=UTC), datetime(2026, 1, 1, tzinfo=UTC))


def at(month: int, day: int = 1) -> datetime:
    return datetime(2025, month, day, tzinfo=UTC)


def step(since: datetime, kind: str = "efficiency-step") -> Finding:
    return Finding(
        kind=kind,
        topic=Topic.UNIT,
        title="The unit takes more electricity",
        what="Since then it takes 12 % more.",
        confidence=Confidence.LIKELY,
        since=since,
        window_start=YEAR[0],
        window_end=YEAR[1],
    )


def doubt(
    kind: str, *roles: Role, since: datetime | None = None, until: datetime | None = None
) -> Finding:
    return Finding(
        kind=kind,
        topic=Topic.METER,
        title="A meter is in doubt",
        what="It cannot be right.",
        confidence=Confidence.LIKELY,
        since=since,
        window_start=since or YEAR[0],
        window_end=until or YEAR[1],
        roles=roles,
    )


@pytest.mark.parametrize(
    "kind",
    ["efficiency-step", "efficiency-drift", "below-test-points", "capacity-short", "cause:unit"],
)
def test_a_heat_meter_in_the_wrong_unit_takes_back_what_was_blamed_on_the_unit(kind: str) -> None:
    slip = doubt("unit-slip", Role.HEAT_TOTAL, since=at(3, 3))
    assert silenced([slip, step(at(3), kind)]) == [slip]


def test_a_doubt_elsewhere_in_time_or_of_another_stream_changes_nothing() -> None:
    hung = doubt("register-stuck", Role.HEAT_TOTAL, since=at(2), until=at(3))
    early = step(at(4)).model_copy(update={"window_start": at(3, 15)})
    assert silenced([hung, early]) == [hung, early]
    water = doubt("register-stuck", Role.ELEC_IMMERSION, since=at(3))
    assert silenced([water, step(at(3))]) == [water, step(at(3))]


def test_a_capacity_told_by_the_heat_meter_stands_beside_a_doubted_electricity_meter() -> None:
    house = doubt("meter-counts-house", Role.ELEC_TOTAL)
    short = step(at(2), "capacity-short")
    assert silenced([house, short, step(at(2))]) == [house, short]


def test_standby_is_not_told_where_the_meter_counts_the_household() -> None:
    house = doubt("meter-counts-house", Role.ELEC_TOTAL)
    standby = step(at(1), "standby-high").model_copy(update={"topic": Topic.OPERATION})
    assert silenced([standby, house]) == [house]


def test_a_short_doubt_long_after_the_step_only_weakens_it() -> None:
    hung = doubt("register-stuck", Role.HEAT_TOTAL, since=at(11), until=at(11, 10))
    _, left = silenced([hung, step(at(2))])
    assert left.confidence is Confidence.SUSPECTED
    assert left.what.startswith("Since then it takes 12 % more. Look at the meters first: heat")


def test_a_stated_heat_loss_that_does_not_fit_weakens_and_never_silences() -> None:
    house = doubt("heat_beside_heat_loss", Role.HEAT_TOTAL, Role.OUTDOOR_TEMP)
    _, left = silenced([house, step(at(2))])
    assert left.confidence is Confidence.SUSPECTED
    loss = step(at(2), "heat-loss-above-design")
    assert silenced([house, loss]) == [house, loss]


def test_refused_readings_and_clocks_doubt_no_energy() -> None:
    for kind in ("register-jumps", "clocks_beside_each_other"):
        it = doubt(kind, Role.HEAT_TOTAL, Role.ELEC_UNIT)
        assert silenced([it, step(at(2))]) == [it, step(at(2))]


def test_what_two_meters_show_in_the_same_hour_waits_until_their_clocks_are_set() -> None:
    clocks = doubt("clocks_beside_each_other", Role.HEAT_TOTAL, Role.ELEC_UNIT)
    assert silenced([clocks, step(at(2), "pump-always-on")]) == [clocks]


def test_what_helps_the_household_is_never_silenced() -> None:
    slip = doubt("unit-slip", Role.HEAT_TOTAL, Role.ELEC_UNIT)
    cold = step(at(1), "room_temperature").model_copy(update={"topic": Topic.HOUSEHOLD})
    heater = step(at(1), "immersion-runs").model_copy(update={"topic": Topic.OPERATION})
    assert silenced([slip, cold, heater]) == [slip, cold, heater]
