"""XML dumps of M-Bus readouts: both dialects, their times, and what is refused."""

from __future__ import annotations

from pathlib import Path
from time import process_time
from typing import Any
from xml.sax.saxutils import escape

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import Terminal
from ingest.layouts_messages import MbusXml, time_in_name
from ingest.normal_form import Extract
from ingest.profile import Profile
from monitor.errors import DescriptionError
from monitor.models import record_from_data
from tests.ingest.exports import read, reasons, times
from tests.ingest.exports import values as values_of

NORMALISED = Path(__file__).parents[1] / "data" / "mbus"
RAW = Path(__file__).parents[1] / "data" / "mbus_xml"

ROLES = {
    "energy": ("heat_total", "register"),
    "power": ("heat_total", "power"),
    "flow_rate": ("flow_rate", "state"),
    "flow_temp": ("flow_temp", "state"),
    "return_temp": ("return_temp", "state"),
}
MOMENT = "2024-01-15T12:00:00Z"


def column(quantity: str = "energy", **more: Any) -> dict[str, Any]:
    role, kind = ROLES[quantity]
    keys = ("storage", "tariff", "device", "cooling", "id")
    record = {"quantity": quantity, **{key: more.pop(key) for key in keys if key in more}}
    return {"role": role, "kind": kind, "record": record, **more}


def profile(
    *columns: dict[str, Any], form: str = "mbus_xml", zone: str = "UTC", **layout: Any
) -> Profile:
    data = {
        "name": "dump",
        "format": form,
        "zone": zone,
        form: layout,
        "column": list(columns or (column(),)),
    }
    return record_from_data(Profile, data, where="test", what="profile")


def record(unit: str, value: str, *, number: int = 0, inner: str = "", attributes: str = "") -> str:
    function = "" if "<Function>" in inner else "<Function>Instantaneous value</Function>"
    return (
        f'  <DataRecord id="{number}"{attributes}>\n    {function}{inner}\n'
        f"    <Unit>{escape(unit)}</Unit>\n    <Value>{value}</Value>\n  </DataRecord>\n"
    )


def readout(
    *records: str, meter: str = "12345678", medium: str = "Heat: Outlet", attributes: str = ""
) -> str:
    return (
        f"<MBusData{attributes}>\n  <SlaveInformation>\n    <Id>{meter}</Id>\n"
        f"    <Medium>{medium}</Medium>\n  </SlaveInformation>\n{''.join(records)}</MBusData>\n"
    )


def stamped(*records: str, at: str = MOMENT, **more: Any) -> str:
    return readout(*records, attributes=f' timestamp="{at}"', **more)


def kwh(value: str, **more: Any) -> str:
    return record("Energy (kWh)", value, **more)


@pytest.mark.parametrize(
    ("quantity", "unit", "value", "expected"),
    [
        ("energy", "Energy (kWh)", "37351", 37351.0),
        ("energy", "Energy (10 kWh)", "3", 30.0),
        ("energy", "Energy (100 Wh)", "7", 0.7),
        ("energy", "Energy (1e-1 Wh)", "123", 0.0123),
        ("energy", "Energy (MJ)", "36", 10.0),
        ("energy", "Energy (1e7 J)", "36", 100.0),
        ("energy", "Energy (0.1 GJ)", "36", 1000.0),
        ("energy", "Energy (0.1 MWh)", "2", 200.0),
        ("power", "Power (100 W)", "27", 2.7),
        ("power", "Power (kW)", "-0.170722", -0.170722),
        ("power", "Power (100 kJ/h)", "36", 1.0),
        ("flow_rate", "Volume flow (m m^3/h)", "1250", 1.25),
        ("flow_rate", "Volume flow ( m^3/h)", "3.25", 3.25),
        ("flow_rate", "Volume flow (my m^3/s)", "100", 0.36),
        ("flow_rate", "Volume flow (1e-2  m^3/min)", "2", 1.2),
        ("flow_temp", "Flow temperature (1e-1 deg C)", "443", 44.3),
        ("return_temp", "Return temperature (1e-2 deg C)", "2510", 25.1),
        ("flow_temp", "Flow Temperature ( degree F)", "104", 40.0),
    ],
)
def test_the_raw_dialect_states_factor_and_unit_in_words(
    tmp_path: Path, quantity: str, unit: str, value: str, expected: float
) -> None:
    found = read(tmp_path, stamped(record(unit, value)), profile(column(quantity)))
    assert values_of(found, quantity) == pytest.approx([expected], rel=1e-12)


def test_the_normalised_dialect_states_quantity_and_base_unit(tmp_path: Path) -> None:
    used = profile(column(), column("flow_temp"))
    text = stamped(
        record("Wh", "39831000.000000", inner="<Quantity>Energy</Quantity>"),
        record("°C", "31.25", inner="<Quantity>Flow temperature</Quantity>"),
        record("m^3", "17", inner="<Quantity>Volume</Quantity>"),
    )
    found = read(tmp_path, text, used)
    assert values_of(found, "energy") == [39831.0]
    assert values_of(found, "flow_temp") == [31.25]
    assert found.rejects.is_empty()


@pytest.mark.parametrize("codec", ["utf-8", "cp1252"])
def test_a_degree_sign_is_read_whatever_the_declaration_says(tmp_path: Path, codec: str) -> None:
    body = stamped(record("°C", "31.25", inner="<Quantity>Flow temperature</Quantity>"))
    text = f'<?xml version="1.0" encoding="ISO-8859-1"?>\n{body}'
    found = read(tmp_path, text.encode(codec), profile(column("flow_temp")))
    assert values_of(found, "flow_temp") == [31.25]


def test_the_time_is_the_record_s_else_the_readout_s_else_the_comment_s_else_the_name_s(
    tmp_path: Path,
) -> None:
    own = "<Timestamp>2024-01-15T01:00:00</Timestamp>"
    attribute = ' timestamp="2024-01-15T02:00:00Z"'
    text = (
        "<!-- read 2024-01-15 04:00:00+01:00, bus 1 -->\n"
        + stamped(kwh("1", inner=own), at="2024-01-15T09:00:00Z")
        + stamped(kwh("2", attributes=attribute), at="2024-01-15T09:00:00Z")
        + "<!-- 2024-01-15T09:00Z -->\n"
        + stamped(kwh("3"), at="2024-01-15T03:00:00Z")
        + "<!-- 2024-01-15 05:00:00+01:00, bus 1 --><!-- no time -->\n"
        + readout(kwh("4"))
        + readout(kwh("5"))
    )
    used = profile(name_time="%Y%m%d-%H%M")
    found = read(tmp_path, text, used, name="bus-20240115-0500.xml")
    assert values_of(found, "energy") == [1.0, 2.0, 3.0, 4.0, 5.0]
    assert times(found, "energy") == [f"2024-01-15 0{hour}:00" for hour in (1, 2, 3, 4, 5)]


def test_a_stamp_without_an_offset_is_local_time_of_the_profile_s_zone(tmp_path: Path) -> None:
    found = read(
        tmp_path, stamped(kwh("1"), at="2024-07-15T12:00:00"), profile(zone="Europe/London")
    )
    assert times(found, "energy") == ["2024-07-15 11:00"]


def test_the_autumn_hour_is_told_by_the_order_of_a_meter_s_readouts(tmp_path: Path) -> None:
    clock = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    text = "".join(
        stamped(kwh("1"), kwh("1", number=1), at=f"2024-10-27T{one}:00", meter=meter)
        for one in clock
        for meter in ("11111111", "22222222")
    )
    found = read(tmp_path, text, profile(zone="Europe/London"))
    assert found.rejects.is_empty()
    assert found.readings["t_utc"].n_unique() == len(clock)
    assert found.readings.height == 2 * len(clock)


def test_a_readout_without_any_time_is_set_aside_with_each_reading_in_it(tmp_path: Path) -> None:
    used = profile(column(), column("power"))
    text = readout(kwh("7"), record("Power (W)", "9"))
    found = read(tmp_path, text, used)
    said = (
        "neither the record, its readout, a comment before it nor the file's name says when it "
        "was read"
    )
    assert reasons(found) == [(6, "energy", said), (11, "power", said)]
    assert found.rejects["raw"].to_list() == ["7", "9"]
    named = profile(name_time="%Y%m%d_%H%M%S")
    (reason,) = read(tmp_path, readout(kwh("7")), named).rejects["reason"]
    assert reason == f"{said} (looked for in it was '%Y%m%d_%H%M%S')"


def test_one_time_in_the_name_cannot_date_two_readouts_of_a_meter(tmp_path: Path) -> None:
    used = profile(name_time="%Y%m%dT%H%M%S")
    text = readout(kwh("1")) + readout(kwh("2")) + readout(kwh("9"), meter="9") + stamped(kwh("3"))
    found = read(tmp_path, text, used, name="20240115T120000.xml")
    assert [value for _, value in found.readings.select("line", "value").rows()] == [3.0, 9.0]
    assert {reason for _, _, reason in reasons(found)} == {
        "the file's name gives one time, but the file holds several readouts of this meter "
        "without a time of their own"
    }
    assert found.rejects.height == 2


@pytest.mark.parametrize(
    ("name", "layout", "expected"),
    [
        ("m_20240115-120000.xml", "%Y%m%d-%H%M%S", "20240115-120000"),
        ("20240115.1200.xml", "%Y%m%d.%H%M", "20240115.1200"),
        ("9020240115-120000.xml", "%Y%m%d-%H%M%S", None),
        ("20240115-1200_20240115-1300.xml", "%Y%m%d-%H%M", None),
        ("heat.xml", "%Y%m%d-%H%M", None),
    ],
)
def test_a_time_in_a_file_s_name_must_stand_there_once(
    name: str, layout: str, expected: str | None
) -> None:
    assert time_in_name(name, layout) == expected


@pytest.mark.parametrize("layout", ["iso", "%Y%m%d", "%d %B %Y %H:%M", "heat", "%H%M"])
def test_a_pattern_that_no_name_can_be_searched_for_is_refused(layout: str) -> None:
    with pytest.raises(DescriptionError):
        record_from_data(MbusXml, {"name_time": layout}, where="test", what="profile")


@pytest.mark.parametrize(
    ("one", "reason"),
    [
        (
            kwh("99999", inner="<Function>Value during error state</Function>"),
            "the meter marks this value as an error state",
        ),
        (kwh(""), "there is no value in this record"),
        (kwh("03 20"), "the value is not a number"),
        (kwh("inf"), "not a finite number"),
        (record("Energy (furlong)", "1"), "the unit 'Energy (furlong)' is not known"),
        (kwh("250"), "this value stands for 'no value' in this column"),
        (kwh("1", inner="<Timestamp>noon</Timestamp>"), "the time 'noon' cannot be read as"),
    ],
)
def test_a_record_that_is_no_reading_is_refused_with_its_line(
    tmp_path: Path, one: str, reason: str
) -> None:
    found = read(
        tmp_path,
        stamped(one, kwh("5", inner="<Tariff>1</Tariff>")),
        profile(column(sentinels=[250]), column(tariff=1)),
    )
    ((line, name, said),) = reasons(found)
    assert (line, name) == (6, "energy")
    assert said.startswith(reason)
    assert values_of(found, "energy tariff 1") == [5.0]


def test_maxima_history_tariffs_and_subunits_are_not_the_live_register(tmp_path: Path) -> None:
    text = stamped(
        kwh("1", inner="<Function>Maximum value</Function>"),
        kwh("2", inner="<StorageNumber>1</StorageNumber>"),
        kwh("3", inner="<Tariff>2</Tariff>"),
        kwh("4", inner="<Tariff>0</Tariff><Device>1</Device>"),
        kwh("5", inner="<StorageNumber>many</StorageNumber>"),
        kwh("6"),
    )
    columns = (column(), column(storage=1), column(tariff=2), column(device=1))
    found = read(tmp_path, text, profile(*columns))
    labels = ["energy", "energy storage 1", "energy tariff 2", "energy device 1"]
    assert [values_of(found, label) for label in labels] == [[6.0], [2.0], [3.0], [4.0]]


def test_registers_that_look_alike_are_told_apart_by_their_id(tmp_path: Path) -> None:
    text = stamped(kwh("100", number=5), kwh("3", number=7))
    plain = read(tmp_path, text, profile())
    assert reasons(plain) == [
        (
            6,
            "energy",
            "the readout holds this record several times, with different values (id 5, 7); give "
            "the profile's 'record' the 'id' of the one that is meant",
        )
    ]
    told = read(tmp_path, text, profile(column(id=5), column(id=7, cooling=True)))
    assert values_of(told, "energy id 5") == [100.0]
    assert values_of(told, "energy cooling id 7") == [3.0]
    same = read(tmp_path, stamped(kwh("100"), kwh("100", number=1)), profile())
    assert values_of(same, "energy") == [100.0]


def test_a_cooling_register_without_its_id_cannot_be_told(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="which register counts energy taken back"):
        read(tmp_path, stamped(kwh("1")), profile(column(cooling=True)))


def test_an_id_is_of_no_use_with_telegrams(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="'id' belongs to format 'mbus_xml'"):
        read(tmp_path, "x", profile(column(id=3), form="mbus"))


def test_medium_and_serial_say_whose_readout_it_is(tmp_path: Path) -> None:
    electric = {"role": "elec_total", "kind": "register", "record": {"quantity": "energy"}}
    text = (
        stamped(kwh("1"), meter="7", medium="Heat: Inlet")
        + stamped(kwh("2"), meter="8", medium="Electricity")
        + stamped(kwh("3"), meter="9", medium="Cold water")
    )
    found = read(tmp_path, text, profile(column(), electric))
    whose = {(one.column.role.value, one.serial) for one in found.targets}
    assert whose == {("heat_total", "00000007"), ("elec_total", "00000008")}
    assert found.notes == (
        "Readouts of meters that no column of the profile means: 1 (00000009 (Cold water): 1).",
    )
    chosen = read(tmp_path, text, profile(column(serial="9")))
    assert values_of(chosen, "energy") == [3.0]


def test_a_readout_without_the_record_is_said(tmp_path: Path) -> None:
    found = read(tmp_path, stamped(record("Power (W)", "1")) + stamped(kwh("1")), profile())
    assert found.notes == ("Readouts of meter 12345678 without a record 'energy': 1.",)


def test_a_damaged_readout_keeps_its_records_before_the_damage_and_its_neighbours(
    tmp_path: Path,
) -> None:
    whole = stamped(kwh("2"), at="2024-01-15T13:00:00Z")
    broken = stamped(kwh("1"), kwh("9", inner="<Tariff>1</Tariff>")).replace(
        "<Value>9</Value>", "<Value>9<Value>"
    )
    used = profile(column(), column(tariff=1))
    found = read(tmp_path, broken + whole, used)
    assert values_of(found, "energy") == [1.0, 2.0]
    ((line, name, reason),) = reasons(found)
    assert (line, name) == (15, "readout")
    assert reason.startswith("the XML ends too early or is damaged here (mismatched tag)")
    assert reason.endswith("; the records before it were read")


def test_a_readout_after_one_that_was_cut_off_keeps_the_time_in_its_comment(tmp_path: Path) -> None:
    cut = stamped(kwh("1"))[:150]
    text = f"{cut}\n<!-- 2024-01-15T13:00:00Z -->\n{readout(kwh('2'))}"
    found = read(tmp_path, text, profile())
    assert times(found, "energy") == ["2024-01-15 13:00"]


@pytest.mark.parametrize("kept", range(1, 12))
def test_a_dump_that_was_cut_off_loses_only_what_was_cut(tmp_path: Path, kept: int) -> None:
    first = stamped(kwh("1"))
    second = stamped(kwh("2"), at="2024-01-15T13:00:00Z")
    cut = second[: len(second) * kept // 12]
    found = read(tmp_path, first + cut, profile())
    values = values_of(found, "energy")
    assert values in ([1.0], [1.0, 2.0])
    # An opening that was cut itself is not yet a readout.
    assert reasons(found) or not cut.startswith("<MBusData ")


def test_a_meter_s_error_answer_is_refused_in_its_words(tmp_path: Path) -> None:
    error = (
        "<MBusData><SlaveInformation><Error>Application busy</Error></SlaveInformation></MBusData>"
    )
    found = read(tmp_path, stamped(kwh("1")) + error, profile())
    assert values_of(found, "energy") == [1.0]
    said = "the meter answered with an error: Application busy"
    assert [reason for _, _, reason in reasons(found)] == [said]


def test_a_readout_that_names_no_meter_is_refused(tmp_path: Path) -> None:
    found = read(tmp_path, stamped(kwh("1"), meter="unknown meter"), profile())
    assert [(line, name) for line, name, _ in reasons(found)] == [(2, "readout")]
    assert found.readings.is_empty()


@pytest.mark.parametrize(
    "hostile",
    [
        '<!DOCTYPE MBusData [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;&a;">]>\n',
        '<!DOCTYPE MBusData SYSTEM "file:///etc/hostname">\n',
        '<!entity a "b">',
    ],
)
def test_a_document_type_stops_the_file(tmp_path: Path, hostile: str) -> None:
    with pytest.raises(Terminal, match="declares a document type or entities"):
        read(tmp_path, hostile + stamped(kwh("1")), profile())


def test_entities_that_nobody_declared_spoil_their_readout_only(tmp_path: Path) -> None:
    found = read(tmp_path, stamped(kwh("&bomb;")) + stamped(kwh("2")), profile())
    assert values_of(found, "energy") == [2.0]
    assert "undefined entity" in found.rejects["reason"][0]


def test_deep_nesting_long_texts_and_nul_bytes_are_refused(tmp_path: Path) -> None:
    deep = stamped("<a>" * 200_000)
    long = stamped(kwh("1" * 2_000_000))
    nul = stamped(kwh("1\0"))
    found = read(tmp_path, deep + long + nul + stamped(kwh("2")), profile())
    assert values_of(found, "energy") == [2.0]
    said = [reason for _, _, reason in reasons(found)]
    assert said[0] == "more than 32 elements inside each other"
    assert said[1] == "not a finite number"
    assert "not well-formed" in said[2]
    assert found.rejects["raw"].str.len_chars().max() <= 201


def test_hostile_dumps_are_read_in_time_that_grows_with_their_size(tmp_path: Path) -> None:
    comments = "<!--" * 500_000
    blanks = record("Energy (" + " " * 900 + "kWh", "1") * 2_000
    one_comment = stamped("<!--" + "a" * 30_000_000 + "-->", kwh("1"))
    names = stamped("".join(f"<a{number}/>" for number in range(100_000)), kwh("3"))
    began = process_time()
    found = read(
        tmp_path, comments + stamped(blanks) + one_comment + names + stamped(kwh("2")), profile()
    )
    assert process_time() - began < 20
    assert values_of(found, "energy")[-2:] == [3.0, 2.0]


def test_a_file_without_readouts_is_no_dump(tmp_path: Path) -> None:
    with pytest.raises(Terminal, match="has no element <MBusData>"):
        read(tmp_path, "<html></html>", profile())


def columns_of(published: list[tuple[str, int, int, int]], serial: str) -> list[dict[str, Any]]:
    return [
        column(quantity, storage=storage, tariff=tariff, device=device, serial=serial)
        for quantity, storage, tariff, device in published
    ]


def values_by_record(found: Extract) -> dict[tuple[str, int, int, int], float]:
    result = {}
    for number, value in found.readings.select("target", "value").rows():
        one = found.targets[number].column.record
        assert one is not None
        result[one.quantity, one.storage, one.tariff, one.device] = value
    return result


def compare(folder: Path, name: str, dump: str) -> tuple[int, int]:
    """Read a telegram and its dump; give how many records agree and how many look alike."""
    every = [
        (quantity, storage, tariff, device)
        for quantity in ROLES
        for storage in range(3)
        for tariff in range(6)
        for device in range(3)
    ]
    telegram = " ".join((NORMALISED / f"{name}.hex").read_text().split())
    octets = bytes.fromhex(telegram)
    columns = columns_of(every, octets[10:6:-1].hex())
    (folder / "hex").mkdir()
    ours = values_by_record(
        read(folder / "hex", f"{MOMENT};{telegram}\n", profile(*columns, form="mbus"))
    )
    body = dump.replace("<MBusData>", f"<!-- {MOMENT} --><MBusData>")
    theirs = read(folder, body, profile(*columns))
    read_here = values_by_record(theirs)
    alike = [reason for _, _, reason in reasons(theirs) if "several times" in reason]
    # A dump leaves out what tells some records apart; those, and no others, are refused.
    assert len(set(ours) - set(read_here)) <= len(alike)
    for key in set(ours) & set(read_here):
        assert read_here[key] == pytest.approx(ours[key], rel=1e-5, abs=1e-6), (name, key)
    return len(set(ours) & set(read_here)), len(alike)


#: Source of telegrams and dumps: rscada/libmbus, see the folders' SOURCE.md and README.md.
FIXED_OR_UNREAD = {"sen_pollusonic_2", "example_binary16_lvar"}
NAMES = sorted(path.stem for path in NORMALISED.glob("*.hex"))


@pytest.mark.external
@pytest.mark.parametrize("name", [name for name in NAMES if name not in FIXED_OR_UNREAD])
def test_a_telegram_and_its_normalised_dump_give_the_same_readings(
    name: str, tmp_path: Path
) -> None:
    dump = (NORMALISED / f"{name}.norm.xml").read_text(encoding="utf-8")
    agree, alike = compare(tmp_path, name, dump)
    assert agree + alike >= 1
    assert agree >= alike


@pytest.mark.external
@pytest.mark.parametrize("name", sorted(path.stem for path in RAW.glob("*.xml")))
def test_a_telegram_and_its_raw_dump_give_the_same_readings(name: str, tmp_path: Path) -> None:
    agree, alike = compare(tmp_path, name, (RAW / f"{name}.xml").read_text(encoding="utf-8"))
    assert agree >= 4
    assert alike <= 1


#: Prefixes as dumps write them, and their power of ten.
PREFIXES = {"": 0, "m": -3, "10 ": 1, "100 ": 2, "k": 3, "10 k": 4, "100 k": 5, "M": 6, "1e-2 ": -2}


@given(
    rows=st.lists(
        st.tuples(
            st.integers(0, 10**8),
            st.sampled_from(sorted(PREFIXES)),
            st.integers(0, 3),
            st.sampled_from(["00000001", "00000002"]),
        ),
        min_size=1,
        max_size=20,
    )
)
@settings(max_examples=40, deadline=None)
def test_what_a_writer_of_dumps_writes_is_read_back(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[int, str, int, str]]
) -> None:
    text = "".join(
        stamped(
            record(f"Energy ({prefix}Wh)", str(number), inner=f"<Tariff>{tariff}</Tariff>"),
            at=f"2024-01-15T{index:02}:00:00Z",
            meter=meter,
        )
        for index, (number, prefix, tariff, meter) in enumerate(rows)
    )
    used = profile(*(column(tariff=tariff) for tariff in range(4)))
    found = read(tmp_path_factory.mktemp("dump"), text, used)
    got = sorted(
        (f"{moment:%H}", found.targets[target].serial, value)
        for target, moment, value in found.readings.select("target", "t_utc", "value").rows()
    )
    expected = sorted(
        (f"{index:02}", meter, number * 10.0 ** PREFIXES[prefix] / 1000.0)
        for index, (number, prefix, _, meter) in enumerate(rows)
    )
    assert [one[:2] for one in got] == [one[:2] for one in expected]
    assert [one[2] for one in got] == pytest.approx([one[2] for one in expected], rel=1e-12)
    assert found.rejects.is_empty()


@given(junk=st.text(max_size=80), at=st.integers(0, 400))
@settings(max_examples=60, deadline=None)
def test_no_junk_in_a_dump_makes_it_fail_or_loses_the_readout_beside_it(
    tmp_path_factory: pytest.TempPathFactory, junk: str, at: int
) -> None:
    spoilt = stamped(kwh("1"))
    text = spoilt[:at] + junk.replace("<!", "") + spoilt[at:] + stamped(kwh("2"), meter="2")
    data = text.encode("utf-8", "replace")
    found = read(tmp_path_factory.mktemp("dump"), data, profile())
    whose = {found.targets[target].serial for target in found.readings["target"]}
    assert "00000002" in whose
