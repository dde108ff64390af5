"""Telegrams are decoded by an independent reader (pyMeterBus) to what the meter showed."""

from __future__ import annotations

import meterbus
import pytest
from meterbus.exceptions import MBusFrameCRCError, MbusFrameLengthError

from demo_telemetry import mbus
from tests.demo_telemetry.conftest import Fleet

pytestmark = pytest.mark.xdist_group("demo_fleet")


def _records(frame: bytes) -> list[dict[str, object]]:
    return [record.interpreted for record in meterbus.load(frame).records]


def test_a_heat_meter_telegram_carries_its_values() -> None:
    frame = mbus.long_frame(
        "40231187", "QVX", mbus.HEAT, 300,
        [mbus.energy_kwh(12_345_678, packed=True), mbus.power_w(5_210), mbus.flow_l_h(913),
         mbus.flow_temp_tenths(385), mbus.return_temp_tenths(-12)],
    )  # fmt: skip
    telegram = meterbus.load(frame)
    header = telegram.body.bodyHeader.interpreted
    values = [float(record["value"]) for record in _records(frame)]
    assert values == pytest.approx([12_345_678_000.0, 5_210.0, 0.913, 38.5, -1.2])
    assert header["manufacturer"] == "QVX"
    assert header["medium"] == "0x4"
    assert header["identification"].replace("0x", "").replace(", ", "") == "40231187"


def test_a_damaged_telegram_fails_its_checksum() -> None:
    frame = bytearray(mbus.long_frame("1", "QLM", mbus.ELECTRICITY, 0, [mbus.energy_kwh(77)]))
    frame[22] ^= 0x10
    with pytest.raises(MBusFrameCRCError):
        meterbus.load(bytes(frame))


def test_a_number_too_long_for_its_digits_is_refused() -> None:
    with pytest.raises(ValueError, match="does not fit 8 digits"):
        mbus.energy_kwh(123_456_789, packed=True).encode()


def test_a_capture_decodes_to_the_true_energy_and_its_damaged_lines_are_counted(
    fleet: Fleet,
) -> None:
    (capture,) = fleet.files("otter-bridge-3", "mbus")
    told = fleet.truth("otter-bridge-3")
    seen: dict[str, list[float]] = {"0x4": [], "0x2": []}
    damaged = 0
    lines = capture.read_text().splitlines()
    for line in lines:
        try:
            telegram = meterbus.load(bytes.fromhex(line.split(";")[1]))
        except (ValueError, MBusFrameCRCError, MbusFrameLengthError):
            damaged += 1
            continue
        medium = telegram.body.bodyHeader.interpreted["medium"]
        seen[medium].append(float(telegram.records[0].interpreted["value"]) / 1000.0)
    assert damaged == told["planted"]["mbus"]["corrupt_lines"] == 6
    assert len(lines) == told["planted"]["mbus"]["rows"]
    error = {meter["roles"][0]: meter["relative_error"] for meter in told["meters"]}
    for medium, true, role in (
        ("0x4", sum(told["data"]["heat_kwh"][part] for part in ("space", "dhw")), "heat_total"),
        ("0x2", told["data"]["electricity_kwh"]["total"], "elec_total"),
    ):
        assert seen[medium] == sorted(seen[medium])
        assert seen[medium][-1] - seen[medium][0] == pytest.approx(
            true * (1.0 + error[role]), abs=30.0
        )
