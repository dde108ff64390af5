"""One trouble is told once."""

from __future__ import annotations

from monitor.findings.finding import Confidence, Finding, Topic
from monitor.findings.once import told_once


def found(kind: str, topic: Topic) -> Finding:
    return Finding(kind=kind, topic=topic, title=kind, what=kind, confidence=Confidence.LIKELY)


STEP = found("efficiency-step", Topic.UNIT)
FLOW = found("low-flow", Topic.OPERATION)
SHARE = found("cause:unit", Topic.UNIT)
COLD = found("room_temperature", Topic.HOUSEHOLD)
SILENT = found("silent-site", Topic.DATA)


def test_a_loss_of_efficiency_that_comes_of_too_little_water_is_not_told_beside_it() -> None:
    assert told_once([STEP, FLOW]) == [FLOW]
    assert told_once([STEP]) == [STEP]


def test_a_share_of_the_shortfall_is_told_only_where_nothing_evident_was_found() -> None:
    assert told_once([SHARE, FLOW]) == [FLOW]
    assert told_once([SHARE, COLD, SILENT]) == [SHARE, COLD, SILENT]


def test_people_and_data_are_never_left_out() -> None:
    assert told_once([COLD, SILENT, FLOW, STEP]) == [COLD, SILENT, FLOW]
