"""SEPEMO-Build, D4.2 / D2.5 "Concept for evaluation of SPF" (2012): one home, many meterings.

Energies of one season: heat pump 9 000 kWh of space heat and 2 500 kWh of hot water,
backup 200 kWh of heat; electricity of unit 3 600, source drive 250, backup 205 and
distribution pumps 180 kWh. The formulas are SEPEMO's (from memory), the figures computed
from them by hand: H1 3.1944, H2 2.9870, H3 2.8853, H4 2.7627.
"""

from __future__ import annotations

from typing import Any

import pytest

from monitor.metrics.boundary import measurable, recipe
from monitor.metrics.performance import accounts, pair
from monitor.models import Assumption, Boundary
from tests.monitor.homes import at, home, readings, slots_of

pytestmark = pytest.mark.external

HOURS = 24 * 30
SYSTEM = {
    "nominal_heat_kw": 12.0,
    "source_drive": "apart",
    "backup_heater": True,
    "pumps_apart": True,
}
SPACE, HOT_WATER, BACKUP_HEAT = 9000.0, 2500.0, 200.0
UNIT, SOURCE, BACKUP, PUMPS = 3600.0, 250.0, 205.0, 180.0


def spf(
    boundary: Boundary,
    *streams: tuple[dict[str, Any], float],
    assumptions: tuple[Assumption, ...] = (),
    **system: Any,
) -> float:
    """SPF of a month of hourly readings, each stream an even share of its energy an hour."""
    site = home(*(channel for channel, _ in streams), heat_pump=SYSTEM | system)
    frame = readings(
        *([(at(h), 50.0 + energy * h / HOURS) for h in range(HOURS + 1)] for _, energy in streams)
    )
    blocks = pair(slots_of(site, frame), recipe(site, boundary, assumptions))
    row = accounts(blocks, [at(0)], [at(HOURS)]).row(0, named=True)
    assert row["coverage"] == 1.0
    return float(row["spf"])


def role(name: str, **extra: Any) -> dict[str, Any]:
    return {"role": name, **extra}


APART = (
    (role("heat_space"), SPACE),
    (role("heat_dhw"), HOT_WATER),
    (role("elec_unit"), UNIT),
    (role("elec_source"), SOURCE),
    (role("elec_pumps"), PUMPS),
)


@pytest.mark.parametrize(
    ("boundary", "expected"),
    [
        (Boundary.H1, 3.1944),
        (Boundary.H2, 2.9870),
        # Backup heat is the 200 kWh that a heat meter downstream counts with the rest.
        (Boundary.H3, 2.8853),
        (Boundary.H4, 2.7627),
    ],
)
def test_with_every_stream_metered_apart(boundary: Boundary, expected: float) -> None:
    upstream_counts = (role("heat_space", counts=["backup"]), SPACE + BACKUP_HEAT)
    downstream = (upstream_counts, *APART[1:], (role("elec_backup"), BACKUP))
    if boundary in (Boundary.H3, Boundary.H4):
        assert spf(boundary, *downstream) == pytest.approx(expected, abs=5e-5)
    else:
        plain = (*APART, (role("elec_backup"), BACKUP))
        assert spf(boundary, *plain) == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(
    ("boundary", "electricity"),
    [(Boundary.H3, UNIT + SOURCE + BACKUP), (Boundary.H4, UNIT + SOURCE + BACKUP + PUMPS)],
)
def test_heat_of_a_backup_that_no_heat_meter_sees_is_its_electricity(
    boundary: Boundary, electricity: float
) -> None:
    got = spf(boundary, *APART, (role("elec_backup"), BACKUP))
    assert got == pytest.approx((SPACE + HOT_WATER + BACKUP) / electricity)


@pytest.mark.parametrize(
    ("boundary", "heat", "electricity"),
    [
        (Boundary.H1, SPACE + HOT_WATER, UNIT),
        (Boundary.H2, SPACE + HOT_WATER, UNIT + SOURCE),
        (Boundary.H3, SPACE + HOT_WATER + BACKUP, UNIT + SOURCE + BACKUP),
        (Boundary.H4, SPACE + HOT_WATER + BACKUP, UNIT + SOURCE + BACKUP + PUMPS),
    ],
)
def test_the_unit_is_what_remains_of_the_whole(
    boundary: Boundary, heat: float, electricity: float
) -> None:
    whole = UNIT + SOURCE + BACKUP + PUMPS
    got = spf(
        boundary,
        (role("heat_total"), SPACE + HOT_WATER),
        (role("elec_total"), whole),
        (role("elec_source"), SOURCE),
        (role("elec_backup"), BACKUP),
        (role("elec_pumps"), PUMPS),
    )
    assert got == pytest.approx(heat / electricity)


@pytest.mark.parametrize(
    ("boundary", "heat", "electricity"),
    [
        (Boundary.H1, SPACE + HOT_WATER, UNIT),
        (Boundary.H2, SPACE + HOT_WATER, UNIT + SOURCE),
        (Boundary.H3, SPACE + HOT_WATER + BACKUP, UNIT + SOURCE + BACKUP),
        (Boundary.H4, SPACE + HOT_WATER + BACKUP, UNIT + SOURCE + BACKUP + PUMPS),
    ],
)
def test_a_heat_meter_downstream_of_the_backup_counts_its_heat(
    boundary: Boundary, heat: float, electricity: float
) -> None:
    got = spf(
        boundary,
        (role("heat_total", counts=["backup"]), SPACE + HOT_WATER + BACKUP),
        (role("elec_unit"), UNIT),
        (role("elec_source"), SOURCE),
        (role("elec_backup"), BACKUP),
        (role("elec_pumps"), PUMPS),
    )
    assert got == pytest.approx(heat / electricity)


def test_one_meter_for_unit_and_fan_measures_h2_and_not_h1() -> None:
    # Air source: the fan runs on the unit's own supply.
    site = home(role("heat_total"), role("elec_unit"))
    assert measurable(site) == (Boundary.H2, Boundary.H3, Boundary.H4)


def test_without_backup_source_drive_apart_and_pumps_all_from_h2_on_are_one() -> None:
    # SEPEMO: H3 equals H2 where the heat pump is the only source of heat.
    streams = ((role("heat_total"), SPACE), (role("elec_unit"), UNIT + SOURCE))
    system: dict[str, Any] = {
        "source_drive": "in_unit",
        "backup_heater": False,
        "pumps_apart": False,
    }
    found = {b: spf(b, *streams, **system) for b in (Boundary.H2, Boundary.H3, Boundary.H4)}
    assert set(found.values()) == {found[Boundary.H2]}
    assert found[Boundary.H2] == pytest.approx(SPACE / (UNIT + SOURCE))


def test_one_meter_for_all_electricity_gives_a_lower_bound_if_that_is_accepted() -> None:
    streams = (
        (role("heat_total"), SPACE + HOT_WATER),
        (role("elec_total"), UNIT + SOURCE + BACKUP + PUMPS),
    )
    lower = spf(
        Boundary.H4,
        *streams,
        assumptions=(Assumption.UNMETERED_RESISTIVE_HEAT_IS_ZERO,),
    )
    assert lower == pytest.approx((SPACE + HOT_WATER) / (UNIT + SOURCE + BACKUP + PUMPS))
    assert lower < 2.7627
