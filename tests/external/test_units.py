"""Conversions against the definitions of the units.

Sources: BIPM, The International System of Units (SI Brochure), 9th edition 2019, table 8
(hour, litre) and section 2.3.1 (0 degC = 273.15 K), so that 1 kWh = 3.6 MJ. NIST Special
Publication 811, 2008, appendix B.8 with its footnotes: International Table calorie
4.1868 J, British thermal unit (IT) 1055.055 852 62 J, t/degC = (t/degF - 32)/1.8. The
figures are quoted from memory.
"""

from __future__ import annotations

import polars as pl
import pytest

from ingest.units import conversion
from monitor.models import Kind, Role

pytestmark = pytest.mark.external

REGISTER = (Role.HEAT_TOTAL, Kind.REGISTER)
POWER = (Role.HEAT_TOTAL, Kind.POWER)
TEMPERATURE = (Role.FLOW_TEMP, Kind.STATE)
FLOW = (Role.FLOW_RATE, Kind.STATE)


@pytest.mark.parametrize(
    ("meaning", "unit", "value", "kept"),
    [
        (REGISTER, "kWh", 1.0, 1.0),
        (REGISTER, "MJ", 3.6, 1.0),
        (REGISTER, "GJ", 3.6, 1000.0),
        (REGISTER, "J", 3.6e6, 1.0),
        (REGISTER, "MWh", 1.0, 1000.0),
        (REGISTER, "Wh", 1.0, 0.001),
        (REGISTER, "kcal", 1.0, 4186.8 / 3.6e6),
        (REGISTER, "Gcal", 1.0, 1163.0),
        (REGISTER, "BTU", 1.0, 1055.05585262 / 3.6e6),
        (REGISTER, "kBTU", 1.0, 1055.05585262 / 3.6e3),
        (POWER, "W", 1.0, 0.001),
        (POWER, "MW", 1.0, 1000.0),
        (POWER, "BTU/h", 1.0, 1055.05585262 / 3600.0 / 1000.0),
        (POWER, "MJ/h", 3.6, 1.0),
        (TEMPERATURE, "K", 273.15, 0.0),
        (TEMPERATURE, "K", 308.15, 35.0),
        (TEMPERATURE, "degF", 32.0, 0.0),
        (TEMPERATURE, "°F", 212.0, 100.0),
        (TEMPERATURE, "F", -40.0, -40.0),
        (TEMPERATURE, "C", 21.5, 21.5),
        (TEMPERATURE, "°C", -7.0, -7.0),
        (FLOW, "m³/h", 1.2, 1.2),
        (FLOW, "l/h", 1000.0, 1.0),
        (FLOW, "l/min", 1.0, 0.06),
        (FLOW, "l/s", 1.0, 3.6),
        (FLOW, "m3/s", 1.0, 3600.0),
    ],
)
def test_a_unit_converts_as_it_is_defined(
    meaning: tuple[Role, Kind], unit: str, value: float, kept: float
) -> None:
    converted = conversion(unit, *meaning, where="x").apply(pl.Series([value]))
    assert converted.item() == pytest.approx(kept, rel=1e-12, abs=1e-12)


def test_a_watt_hour_register_keeps_the_decimals_that_the_meter_wrote() -> None:
    written = pl.Series([12_345_678.0, 1.0, 999.0])
    kept = conversion("Wh", *REGISTER, where="x").apply(written)
    assert kept.to_list() == [12345.678, 0.001, 0.999]
