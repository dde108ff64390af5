"""Electricity meter limits of MID 2014/32/EU, Annex V, Table 2."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from monitor.metrics.uncertainty import HeatMeterUse, meter_u_percent
from monitor.models import MeterFit, Role

pytestmark = pytest.mark.external

USE = HeatMeterUse(5.0, None, recorded=False)


def fit(grade: str | None) -> MeterFit:
    return MeterFit.model_validate(
        {
            "serial": "E1",
            "measures": "electricity",
            "fitted": datetime(2024, 1, 1, tzinfo=UTC),
            "accuracy_class": grade,
            "channel": [{"role": "elec_unit", "kind": "register"}],
        }
    )


@pytest.mark.parametrize(
    # Single phase, I_tr to I_max, +5 to +30 degC: Annex V (MI-003), Table 2.
    ("grade", "limit"),
    [("A", 3.5), ("B", 2.0), ("C", 0.7)],
)
def test_each_class_has_the_limit_of_table_2(grade: str, limit: float) -> None:
    u, detail = meter_u_percent(fit(grade), Role.ELEC_UNIT, USE)
    assert u == pytest.approx(limit / 3**0.5)
    assert detail == f"MID class {grade}: limit {limit} %"


def test_without_a_stated_class_class_b_is_taken() -> None:
    # Common practice, no source.
    assert meter_u_percent(fit(None), Role.ELEC_UNIT, USE) == meter_u_percent(
        fit("B"), Role.ELEC_UNIT, USE
    )
