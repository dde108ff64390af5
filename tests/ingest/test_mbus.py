"""Captures of M-Bus telegrams: what is read, what is refused, and from which meter."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import meterbus
import numpy as np
import pytest

from ingest.errors import Terminal
from ingest.mbus_frames import builds, faults, values
from ingest.normal_form import Extract
from ingest.profile import Profile
from monitor.errors import DescriptionError
from monitor.models import record_from_data
from tests.ingest.exports import read, reasons, times
from tests.ingest.exports import values as values_of

SAMPLES = Path(__file__).parents[1] / "data" / "mbus"
HEAT, COOLING, ELECTRICITY, WATER = 0x04, 0x0A, 0x02, 0x07

ENERGY: dict[str, Any] = {"role": "heat_total", "kind": "register"}


def telegram(
    *records: str, serial: str = "12345678", medium: int = HEAT, configuration: str = "0000"
) -> str:
    """Build a long frame in hex from its data records (EN 13757-2, EN 13757-3)."""
    number = bytes.fromhex(serial)[::-1].hex()
    body = bytes.fromhex(f"080172{number}2423{0x2A:02x}{medium:02x}0100{configuration}")
    body += bytes.fromhex("".join(records))
    frame = bytes([0x68, len(body), len(body), 0x68]) + body + bytes([sum(body) % 256, 0x16])
    return frame.hex(" ")


def energy(kwh: int, dif: str = "04", vif: str = "06") -> str:
    return f"{dif}{vif}{kwh.to_bytes(4, 'little', signed=True).hex()}"


def column(quantity: str = "energy", **more: Any) -> dict[str, Any]:
    kinds = {"energy": ENERGY, "power": {"role": "heat_total", "kind": "power"}}
    state = {"role": quantity, "kind": "state"}
    record = {
        "quantity": quantity,
        **{key: more.pop(key) for key in ("storage", "tariff", "device", "cooling") if key in more},
    }
    return {**kinds.get(quantity, state), "record": record, **more}


def profile(*columns: dict[str, Any], zone: str = "UTC", **layout: Any) -> Profile:
    data = {
        "name": "reader",
        "format": "mbus",
        "zone": zone,
        "mbus": layout,
        "column": list(columns or (column(),)),
    }
    return record_from_data(Profile, data, where="test", what="profile")


def capture(folder: Path, used: Profile, *telegrams: str) -> Extract:
    lines = [f"2024-01-15T{hour:02}:00:00Z;{one}" for hour, one in enumerate(telegrams)]
    return read(folder, "\n".join(lines) + "\n", used)


def test_comments_blank_lines_and_a_heading_are_no_telegrams(tmp_path: Path) -> None:
    hexadecimal = telegram(energy(100))
    text = (
        f"time;telegram\n# reader 3\n\n2024-01-15T12:00:00Z;{hexadecimal}\r\n"
        f"  2024-01-15T13:00:00Z ; {hexadecimal.replace(' ', '').upper()}  \n"
    )
    found = read(tmp_path, text, profile())
    assert values_of(found, "energy") == [100.0, 100.0]
    assert found.readings["line"].to_list() == [4, 5]
    assert times(found, "energy") == ["2024-01-15 12:00", "2024-01-15 13:00"]
    assert found.targets[0].serial == "12345678"
    assert found.notes == ("Line 1 is a heading and was not read.",)


def test_a_damaged_line_is_refused_and_its_neighbours_are_kept(tmp_path: Path) -> None:
    good = telegram(energy(100))
    wrong_sum = good[:-5] + "00 16" if good[-5:-3] != "00" else good[:-5] + "01 16"
    found = capture(
        tmp_path, profile(), good, wrong_sum, good[:-9], good + " 00", "E5", "zz", "", good
    )
    assert found.readings["line"].to_list() == [1, 8]
    said = {line: reason for line, _, reason in reasons(found)}
    assert said[2] == "the checksum does not fit: the telegram was damaged on its way"
    assert said[3] == "not a long frame: it must start with 68 .. .. 68 and end with 16"
    assert said[4] == "not a long frame: it must start with 68 .. .. 68 and end with 16"
    assert said[5] == "the telegram has 1 bytes, too few for a long frame"
    assert said[6] == "not hexadecimal digits"
    assert said[7] == "the telegram has 0 bytes, too few for a long frame"
    assert found.rows_read == found.lines == 8


def test_a_line_without_a_time_is_refused_with_each_reading_in_it(tmp_path: Path) -> None:
    text = f"noon;{telegram(energy(100), '025B2300')}\n2024-01-15T13:00Z;{telegram(energy(7))}\n"
    found = read(tmp_path, text, profile(column(), column("flow_temp")))
    assert [(line, name) for line, name, _ in reasons(found)] == [(1, "energy"), (1, "flow_temp")]
    assert found.rejects["raw"].to_list() == ["64 00 00 00", "23 00"]
    assert found.rows_read == 3


def test_a_capture_without_times_is_refused_as_a_whole(tmp_path: Path) -> None:
    with pytest.raises(Terminal, match="no line has a time before its telegram"):
        read(tmp_path, f"{telegram(energy(1))}\n{telegram(energy(2))}\n", profile())


def test_a_file_of_comments_holds_no_telegrams(tmp_path: Path) -> None:
    found = read(tmp_path, "# nothing yet\n", profile())
    assert found.rows_read == 0
    assert found.notes == ("export.csv holds no telegrams.",)


@pytest.mark.parametrize(
    ("record", "expected"),
    [
        ("0406 64000000", 100.0),
        ("0403 A0860100", 100.0),
        ("0407 0A000000", 100.0),
        ("0C06 78563412", 12345678.0),
        ("0E06 785634120000", 12345678.0),
        ("0A06 0001", 100.0),
        ("0906 42", 42.0),
        ("0106 F6", -10.0),
        ("0306 9CFFFF", -100.0),
        ("0606 640000000000", 100.0),
        ("0706 6400000000000000", 100.0),
        ("0506 0000C842", 100.0),
        ("0C06 000100F0", -100.0),
        ("040E 68010000", 100.0),
        ("04FB00 02000000", 200.0),
        ("04FB08 24000000", 1000.0),
    ],
)
def test_an_energy_register_is_read_in_every_coding_and_unit(
    tmp_path: Path, record: str, expected: float
) -> None:
    found = capture(tmp_path, profile(), telegram(record))
    assert values_of(found, "energy") == pytest.approx([expected], rel=1e-12)


@pytest.mark.parametrize(
    ("quantity", "record", "expected"),
    [
        ("power", "022B E803", 1.0),
        ("power", "022E 0500", 5.0),
        ("power", "0430 40771B00", 0.5),
        ("flow_rate", "023B E803", 1.0),
        ("flow_rate", "0243 C800", 1.2),
        ("flow_temp", "025A 5E01", 35.0),
        ("return_temp", "025E E8FF", -2.4),
    ],
)
def test_powers_flows_and_temperatures_are_converted(
    tmp_path: Path, quantity: str, record: str, expected: float
) -> None:
    found = capture(tmp_path, profile(column(quantity)), telegram(record))
    assert values_of(found, quantity) == pytest.approx([expected], rel=1e-12)


@pytest.mark.parametrize(
    ("record", "reason"),
    [
        ("3406 FFFFFF7F", "the meter marks this value as an error state"),
        ("0406 00000080", "the meter says that this value is invalid"),
        ("0C06 EEEEEEEE", "the value holds digits that are no digits; the meter may show an error"),
        ("0506 0000C07F", "not a finite number"),
        ("0D06 03414243", "the value is not coded as a number"),
    ],
)
def test_what_a_meter_says_instead_of_a_value_is_refused(
    tmp_path: Path, record: str, reason: str
) -> None:
    found = capture(tmp_path, profile(), telegram(record))
    assert found.readings.is_empty()
    assert reasons(found) == [(1, "energy", reason)]


def test_the_live_register_is_not_taken_for_history_tariffs_or_cooling(tmp_path: Path) -> None:
    history, tariff, back = energy(90, "44"), energy(60, "8410"), energy(5, "04", "863C")
    peak = energy(9000, "14")
    frame = telegram(history, peak, back, tariff, energy(100))
    used = profile(
        column(),
        column(storage=1),
        column(tariff=1),
        column(cooling=True),
    )
    found = capture(tmp_path, used, frame)
    labels = ["energy", "energy storage 1", "energy tariff 1", "energy cooling"]
    assert [values_of(found, label) for label in labels] == [[100.0], [90.0], [60.0], [5.0]]


def test_a_record_that_comes_twice_with_two_values_is_refused(tmp_path: Path) -> None:
    same = capture(tmp_path, profile(), telegram(energy(100), energy(100)))
    assert values_of(same, "energy") == [100.0]
    differ = capture(tmp_path, profile(), telegram(energy(100), energy(101)))
    assert reasons(differ) == [
        (1, "energy", "the telegram holds this record twice, with different values")
    ]


def test_one_record_that_nobody_knows_costs_only_itself(tmp_path: Path) -> None:
    found = capture(tmp_path, profile(), telegram("04FB7F 01000000", energy(100)))
    assert values_of(found, "energy") == [100.0]


def test_heat_and_electricity_are_told_apart_by_the_medium(tmp_path: Path) -> None:
    used = profile(
        column(),
        {"role": "elec_total", "kind": "register", "record": {"quantity": "energy"}},
    )
    found = capture(
        tmp_path,
        used,
        telegram(energy(100), serial="00000001", medium=HEAT),
        telegram(energy(30), serial="00000002", medium=ELECTRICITY),
        telegram(energy(5), serial="00000003", medium=WATER),
    )
    by_role = {
        (found.targets[number].column.role.value, found.targets[number].serial): value
        for number, value in found.readings.select("target", "value").rows()
    }
    assert by_role == {("heat_total", "00000001"): 100.0, ("elec_total", "00000002"): 30.0}
    assert found.notes == (
        "Telegrams of meters that no column of the profile means: 1 (00000003 (medium 07): 1).",
    )


def test_a_serial_in_the_profile_chooses_the_meter_whatever_its_medium(tmp_path: Path) -> None:
    frames = [telegram(energy(k), serial=f"0000000{k}", medium=COOLING) for k in (1, 2)]
    found = capture(tmp_path, profile(column(serial="2")), *frames)
    assert values_of(found, "energy") == [2.0]
    assert found.targets[0].serial == "00000002"


def test_a_telegram_without_the_record_is_said(tmp_path: Path) -> None:
    found = capture(tmp_path, profile(), telegram("025B2300"), telegram(energy(1)))
    assert found.notes == ("Telegrams of meter 12345678 without a record 'energy': 1.",)
    assert found.rows_read == 1


def test_an_encrypted_telegram_is_refused(tmp_path: Path) -> None:
    found = capture(tmp_path, profile(), telegram(energy(1), configuration="0005"))
    said = (
        "the telegram is encrypted (mode 5): the reader must decrypt it with the meter's key "
        "before it writes the file"
    )
    assert reasons(found) == [(1, "telegram", said)]


def test_sentinels_and_scale_apply_to_telegrams_too(tmp_path: Path) -> None:
    used = profile(
        column(scale=40.0, sentinels=[250]), column("flow_temp", unit="K", sentinels=[273.15])
    )
    found = capture(tmp_path, used, telegram(energy(2), "025B0000"), telegram(energy(250)))
    assert values_of(found, "energy") == [80.0]
    said = "this value stands for 'no value' in this column"
    assert reasons(found) == [(1, "flow_temp", said), (2, "energy", said)]


def test_meters_read_in_the_same_minute_keep_their_own_order_in_autumn(tmp_path: Path) -> None:
    clock = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    lines = [
        f"2024-10-27 {one};{telegram(energy(k), serial=f'0000000{k}')}"
        for one in clock
        for k in (1, 2)
    ]
    found = read(tmp_path, "\n".join(lines) + "\n", profile(zone="Europe/London"))
    assert found.rejects.is_empty()
    assert found.readings["t_utc"].n_unique() == 6


@pytest.mark.parametrize(
    ("columns", "message"),
    [
        ([{**ENERGY, "column": "heat", "unit": "kWh"}], "needs 'record'"),
        (
            [{"role": "heat_total", "kind": "power", "record": {"quantity": "energy"}}],
            "a record of 'energy' cannot be kind 'power'",
        ),
        (
            [{"role": "heat_total", "kind": "interval", "record": {"quantity": "energy"}}],
            "cannot be kind 'interval'",
        ),
        (
            [{"role": "flow_temp", "kind": "state", "record": {"quantity": "flow_rate"}}],
            "a record of 'flow_rate' cannot be kind 'state' of role 'flow_temp'",
        ),
        ([column(unit="degC")], "needs an energy unit"),
    ],
)
def test_a_column_that_no_record_can_fill_is_refused(
    tmp_path: Path, columns: list[dict[str, Any]], message: str
) -> None:
    with pytest.raises(DescriptionError, match=message):
        capture(tmp_path, profile(*columns), telegram(energy(1)))


@pytest.mark.parametrize("name", sorted(path.stem for path in SAMPLES.glob("*.hex")))
def test_values_agree_with_the_library_that_names_the_records(name: str) -> None:
    content = bytes.fromhex("".join((SAMPLES / f"{name}.hex").read_text().split()))
    frames = np.frombuffer(content, np.uint8)[None, :]
    if faults(frames)[0]:
        with pytest.raises(meterbus.MBusFrameDecodeError):
            meterbus.load(content)
        return
    records = meterbus.load(content).records
    ((_, build),) = builds(frames)
    assert build is not None
    assert build.spots or name == "example_binary16_lvar"
    for spot in build.spots:
        if spot.coding is None or spot.function == "error":
            continue
        raw = list(content[spot.offset : spot.offset + spot.length])
        theirs = [
            float(record.value)
            for record in records
            if record.dataField.parts == raw and not isinstance(record.value, str)
        ]
        ours, _ = values(frames, spot)
        assert any(ours[0] == pytest.approx(one, rel=1e-6) for one in theirs), spot


def test_real_numbers_are_read_least_byte_first(tmp_path: Path) -> None:
    found = capture(
        tmp_path, profile(column("flow_temp")), telegram("055B" + struct.pack("<f", 41.25).hex())
    )
    assert values_of(found, "flow_temp") == [41.25]
