"""SenML packs: base values, relative times, sums, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path
from time import process_time
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import Terminal
from ingest.normal_form import Extract
from ingest.profile import Profile
from monitor.models import record_from_data
from tests.ingest.exports import read, reasons, times, values

NOON = 1_705_320_000


def column(name: str, role: str = "heat_total", **more: Any) -> dict[str, Any]:
    states = ("flow_temp", "flow_rate")
    return {"column": name, "role": role, "kind": "state" if role in states else "register", **more}


def profile(*columns: dict[str, Any], **layout: Any) -> Profile:
    data = {
        "name": "packs",
        "format": "senml",
        "senml": layout,
        "column": list(columns or (column("heat"),)),
    }
    return record_from_data(Profile, data, where="test", what="profile")


def pack(folder: Path, used: Profile, *records: Any, name: str = "export.csv") -> Extract:
    return read(folder, json.dumps(records), used, name=name)


def stamps(found: Extract) -> list[float]:
    return [moment.timestamp() for moment in found.readings["t_utc"]]


# RFC 8428, section 5.1.2, "Multiple Data Points", second example.
PREVIOUS_SECONDS = """[
  {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
   "bu":"A","bver":5,
   "n":"voltage","u":"V","v":120.1},
  {"n":"current","t":-5,"v":1.2},
  {"n":"current","t":-4,"v":1.3},
  {"n":"current","t":-3,"v":1.4},
  {"n":"current","t":-2,"v":1.5},
  {"n":"current","t":-1,"v":1.6},
  {"n":"current","v":1.7}
]"""

# RFC 8428, section 5.1.3, "Multiple Measurements".
MOBILE = """[
  {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,
   "bu":"%RH","v":20},
  {"u":"lon","v":24.30621},
  {"u":"lat","v":60.07965},
  {"t":60,"v":20.3},
  {"u":"lon","t":60,"v":24.30622},
  {"u":"lat","t":60,"v":60.07965},
  {"t":120,"v":20.7},
  {"u":"lon","t":120,"v":24.30623},
  {"u":"lat","t":120,"v":60.07966},
  {"u":"%EL","t":150,"v":98},
  {"t":180,"v":21.2},
  {"u":"lon","t":180,"v":24.30628},
  {"u":"lat","t":180,"v":60.07967}
]"""

# RFC 8428, section 5.1.4, "Resolved Data": its humidity records.
RESOLVED = """[
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2}
]"""

# RFC 8428, section 5.1.5, "Multiple Data Types".
MIXED = """[
  {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
  {"n":"label","vs":"Machine Room"},
  {"n":"open","vb":false},
  {"n":"nfc-reader","vd":"aGkgCg"}
]"""


def heating(text: str) -> str:
    """Give a printed example units that a heat pump's meters have."""
    return text.replace('"A"', '"kWh"').replace('"%RH"', '"kWh"')


@pytest.mark.external
def test_the_example_of_previous_seconds_resolves_as_printed(tmp_path: Path) -> None:
    name = "urn:dev:ow:10e2073a0108006:current"
    found = read(tmp_path, heating(PREVIOUS_SECONDS), profile(column(name)))
    assert values(found, name) == [1.2, 1.3, 1.4, 1.5, 1.6, 1.7]
    # Tue Jun 8 18:01:16.001 UTC 2010, and each second of the five before it.
    assert stamps(found) == pytest.approx([1276020076.001 - k for k in (5, 4, 3, 2, 1, 0)])
    assert times(found, name)[-1] == "2010-06-08 18:01"
    assert found.readings["line"].to_list() == [5, 6, 7, 8, 9, 10]


@pytest.mark.external
def test_the_mobile_device_and_its_resolved_form_give_the_same_readings(tmp_path: Path) -> None:
    name = "urn:dev:ow:10e2073a01080063"
    found = read(tmp_path, heating(MOBILE), profile(column(name)))
    resolved = read(tmp_path, heating(RESOLVED), profile(column(name)))
    assert values(found, name) == values(resolved, name) == [20.0, 20.3, 20.7, 21.2]
    assert stamps(found) == stamps(resolved)
    # Position and battery have the same name and other units: set aside, one by one.
    assert {reason for _, _, reason in reasons(found)} == {
        f"the unit '{unit}' does not fit this column" for unit in ("lon", "lat", "%EL")
    }
    assert found.rows_read == 13


@pytest.mark.external
def test_the_example_of_data_types_holds_one_number(tmp_path: Path) -> None:
    base = "urn:dev:ow:10e2073a01080063:"
    columns = [column(base + name, unit="kWh") for name in ("label", "open", "nfc-reader")]
    used = profile(column(f"{base}temp", "flow_temp"), *columns, name_time="%Y%m%dT%H%M%S")
    found = read(tmp_path, MIXED, used, name="20240115T120000.json")
    assert values(found, f"{base}temp") == [23.1]
    assert times(found, f"{base}temp") == ["2024-01-15 12:00"]
    assert [reason for _, _, reason in reasons(found)] == [
        "a text is not a number",
        "true or false is not a number",
        "data is not a number",
    ]


@pytest.mark.external
def test_a_record_without_any_time_cannot_be_dated(tmp_path: Path) -> None:
    # RFC 8428, section 5.1.1, "Single Data Point".
    text = '[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
    found = read(tmp_path, text, profile(column("urn:dev:ow:10e2073a01080063", "flow_temp")))
    ((line, _, reason),) = reasons(found)
    assert line == 1
    assert reason.startswith("its time is relative to when the pack was received")


def test_base_values_hold_until_the_next_one(tmp_path: Path) -> None:
    used = profile(column("a:heat"), column("b:heat", "elec_total"))
    found = pack(
        tmp_path,
        used,
        {"bn": "a:", "bt": NOON, "bu": "kWh", "bv": 100, "n": "heat", "v": 1},
        {"n": "heat", "t": 60, "v": 2},
        {"bn": "b:", "bv": 0, "n": "heat", "t": 60, "v": 3},
        {"bt": NOON + 3600, "n": "heat"},
    )
    assert values(found, "a:heat") == [101.0, 102.0]
    assert values(found, "b:heat") == [3.0, 0.0]
    assert times(found, "b:heat") == ["2024-01-15 12:01", "2024-01-15 13:00"]


def test_base_values_do_not_reach_into_the_next_pack(tmp_path: Path) -> None:
    first = json.dumps([{"bn": "a:", "bt": NOON, "bu": "kWh", "n": "heat", "v": 1}])
    second = json.dumps([{"n": "heat", "t": NOON, "u": "MWh", "v": 2}])
    used = profile(column("a:heat"), column("heat", "elec_total"))
    found = read(tmp_path, f"{first}\n\n{second}\n", used)
    assert values(found, "a:heat") == [1.0]
    assert values(found, "heat") == [2000.0]
    assert found.lines == 2


def test_a_sum_is_a_point_of_its_own_in_the_unit_times_a_second(tmp_path: Path) -> None:
    power = {"column": "meter", "role": "elec_total", "kind": "power"}
    used = profile(power, column("meter sum", "elec_total"))
    found = pack(
        tmp_path,
        used,
        {"bn": "meter", "bt": NOON, "bu": "W", "v": 1200, "s": 3.6e9},
        {"t": 60, "s": 7.2e9},
        {"bs": 3.6e6, "t": 120, "s": 7.2e9},
        {"bu": "kW", "t": 180, "v": 2},
    )
    assert values(found, "meter") == [1.2, 2.0]
    assert values(found, "meter sum") == pytest.approx([1000.0, 2000.0, 2001.0, 1000.0])


@pytest.mark.parametrize(
    ("unit", "role", "value", "expected"),
    [
        ("Cel", "flow_temp", 35.5, 35.5),
        ("K", "flow_temp", 308.65, 35.5),
        ("J", "heat_total", 3.6e9, 1000.0),
        ("kWh", "heat_total", 12.5, 12.5),
        ("m3/s", "flow_rate", 0.001, 3.6),
        ("l/s", "flow_rate", 0.5, 1.8),
    ],
)
def test_units_of_the_registry_are_converted(
    tmp_path: Path, unit: str, role: str, value: float, expected: float
) -> None:
    found = pack(tmp_path, profile(column("x", role)), {"n": "x", "t": NOON, "u": unit, "v": value})
    assert values(found, "x") == pytest.approx([expected], rel=1e-9)


def test_a_coulomb_is_no_degree(tmp_path: Path) -> None:
    used = profile(column("x", "flow_temp", unit="degC"))
    with pytest.raises(Terminal, match="the file states 'coulomb' for the column 'x'"):
        pack(tmp_path, used, {"n": "x", "t": NOON, "u": "C", "v": 35})


def test_relative_times_count_from_the_reception_in_the_file_s_name(tmp_path: Path) -> None:
    used = profile(name_time="%Y%m%d-%H%M%S")
    records = ({"bn": "heat", "bu": "kWh", "v": 1}, {"t": -3600, "v": 2}, {"t": NOON, "v": 3})
    found = pack(tmp_path, used, *records, name="in-20240115-180000.json")
    assert times(found, "heat") == ["2024-01-15 18:00", "2024-01-15 17:00", "2024-01-15 12:00"]
    without = pack(tmp_path, profile(), *records)
    assert times(without, "heat") == ["2024-01-15 12:00"]
    assert [line for line, _, _ in reasons(without)] == [1, 1]


@pytest.mark.parametrize("seconds", [2**28 - 1, -1, 0])
def test_a_time_below_two_to_the_28_is_relative(tmp_path: Path, seconds: int) -> None:
    found = pack(tmp_path, profile(), {"n": "heat", "u": "kWh", "t": seconds, "v": 1})
    assert found.readings.is_empty()
    at_limit = pack(tmp_path, profile(), {"n": "heat", "u": "kWh", "t": 2**28, "v": 1})
    assert times(at_limit, "heat") == ["1978-07-04 21:24"]


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("heat.json", "its name holds no one time written as '%Y%m%d-%H%M%S'"),
        (
            "20240115-180000_20240115-190000.json",
            "its name holds no one time written as '%Y%m%d-%H%M%S'",
        ),
        ("20241315-180000.json", "of its name, the time '20241315-180000' cannot be read as"),
    ],
)
def test_a_name_that_holds_no_one_time_costs_relative_times_only(
    tmp_path: Path, name: str, reason: str
) -> None:
    used = profile(name_time="%Y%m%d-%H%M%S")
    base = {"bn": "heat", "bu": "kWh"}
    found = pack(tmp_path, used, base | {"t": NOON, "v": 1}, {"t": -5, "v": 2}, name=name)
    assert values(found, "heat") == [1.0]
    ((_, _, said),) = reasons(found)
    assert reason in said


@pytest.mark.parametrize(
    ("record", "reason"),
    [
        ({"v": "12"}, "a text is not a number"),
        ({"v": True}, "true or false is not a number"),
        ({"v": float("nan")}, "not a finite number"),
        ({"v": 10**400}, "the number is too large"),
        ({}, "there is no value in this record"),
        ({"vs": "12"}, "a text is not a number"),
        ({"t": "noon", "v": 1}, "the text is not a number"),
        ({"t": "1705320000", "v": 1}, "its time is not a number"),
        ({"t": 1e300, "v": 1}, "the time '1e+300' cannot be read as seconds since 1970"),
        ({"u": 7, "v": 1}, "its unit is not a text"),
        ({"v": 250}, "this value stands for 'no value' in this column"),
    ],
)
def test_a_record_that_is_no_reading_is_refused(
    tmp_path: Path, record: dict[str, Any], reason: str
) -> None:
    used = profile(column("heat", sentinels=[250]))
    base = {"bn": "heat", "bt": NOON, "bu": "kWh", "v": 1}
    if "t" in record:
        base["bt"], base["t"] = 0, NOON
    found = pack(tmp_path, used, base, record)
    assert values(found, "heat") == [1.0]
    assert [said for _, _, said in reasons(found)] == [reason]


@pytest.mark.parametrize(
    ("record", "reason"),
    [
        (17, "a record is an object, not a number"),
        ([1], "a record is an object, not an array"),
        ({"t": NOON, "v": 1}, "the record has no name"),
        ({"n": 5, "t": NOON, "v": 1}, "the record has no name"),
        ({"bn": 5, "n": "heat", "t": NOON, "v": 1}, "the pack's 'bn' is not a text"),
    ],
)
def test_a_record_of_nothing_known_is_refused_as_a_whole(
    tmp_path: Path, record: Any, reason: str
) -> None:
    found = pack(tmp_path, profile(), {"n": "heat", "u": "kWh", "t": NOON, "v": 1}, record)
    assert values(found, "heat") == [1.0]
    assert reasons(found) == [(1, "(whole line)", reason)]


def test_a_base_value_that_is_none_spoils_the_records_that_it_holds_for(tmp_path: Path) -> None:
    found = pack(
        tmp_path,
        profile(),
        {"n": "heat", "u": "kWh", "t": NOON, "v": 1},
        {"bt": "noon", "n": "heat", "u": "kWh", "v": 2},
        {"n": "heat", "u": "kWh", "t": NOON, "v": 3},
    )
    assert values(found, "heat") == [1.0]
    assert [reason for _, _, reason in reasons(found)] == ["the pack's 'bt' is not a number"] * 2


@pytest.mark.parametrize(
    ("field", "reason"),
    [
        ({"bver": 11}, "the pack is of a version that is not known ('bver'; known is 10)"),
        ({"crs_": 1}, "the pack has a field 'crs_' that must be understood"),
    ],
)
def test_a_pack_that_asks_for_more_than_is_known_here_is_refused(
    tmp_path: Path, field: dict[str, Any], reason: str
) -> None:
    good = {"n": "heat", "u": "kWh", "t": NOON, "v": 1}
    text = f"{json.dumps([good, good | field])}\n{json.dumps([good])}\n"
    found = read(tmp_path, text, profile())
    assert values(found, "heat") == [1.0]
    assert [said for _, _, said in reasons(found)] == [reason, reason]
    known = pack(tmp_path, profile(), good | {"bver": 10, "extra": 1, "ut": 60, "l": "x"})
    assert values(known, "heat") == [1.0]


def lines_of_packs(*bad: str) -> str:
    good = '[{"n": "heat", "u": "kWh", "t": 1705320000, "v": 1}]'
    return "\n".join([good, *bad, good]) + "\n"


@pytest.mark.parametrize(
    ("bad", "reason"),
    [
        ("[", "the pack ends here, where a record or ] should follow"),
        ('[{"n": "x"}', "the pack ends here, where , or ] should follow"),
        ('[{"n": "x"},', "the pack ends here, where a record should follow"),
        ('[{"n": "x"},]', "the record is not JSON: expecting value"),
        ('[{"n": "x"} {"n": "y"}]', "the pack is damaged here, where , or ] should follow"),
        ('[{"n": "x"}] tail', "this stands behind the end of the pack"),
        ('[{"n": "x", "n": "y"}]', "the record is not JSON: the member 'n' stands there twice"),
        ('[{"n": "\0"}]', "the record is not JSON: invalid control character"),
        ('[{"n": ' + "[" * 100_000, "the record is not JSON: its objects are nested too deeply"),
    ],
)
def test_a_damaged_pack_costs_itself_only(tmp_path: Path, bad: str, reason: str) -> None:
    found = read(tmp_path, lines_of_packs(bad), profile())
    assert values(found, "heat") == [1.0, 1.0]
    said = [(line, text) for line, column, text in reasons(found) if column == "(whole line)"]
    assert len(said) == 1
    assert said[0][0] in (2, 3)
    assert said[0][1].startswith(reason)


def test_records_before_the_damage_are_kept(tmp_path: Path) -> None:
    records = [{"n": "heat", "u": "kWh", "t": NOON + k, "v": k} for k in range(5)]
    text = json.dumps(records, indent=1)
    for cut in range(1, len(text) - 1):
        found = read(tmp_path, text[:cut], profile())
        complete = text[:cut].count("}")
        assert values(found, "heat") == [float(k) for k in range(complete)], cut
        assert found.rejects.height == 1


def test_what_stands_before_the_first_pack_is_refused_with_its_line(tmp_path: Path) -> None:
    found = read(tmp_path, f"\n\nhello\n{lines_of_packs()}", profile())
    assert reasons(found) == [(3, "(whole line)", "this is not part of a pack")]
    assert values(found, "heat") == [1.0, 1.0]


@pytest.mark.parametrize("text", ['{"n": "heat"}', "heat", " \n\n", "\0" * 100])
def test_a_file_without_a_pack_is_stopped(tmp_path: Path, text: str) -> None:
    with pytest.raises(Terminal, match="no line begins a SenML pack"):
        read(tmp_path, text, profile())


def test_reading_takes_time_that_grows_with_the_size_only(tmp_path: Path) -> None:
    broken = '[{"n": "x", \n' * 100_000
    deep = "[" * 1_000_000
    long = '[{"n": "' + "x" * 5_000_000 + '"}]'
    began = process_time()
    found = read(tmp_path, lines_of_packs(broken, deep, long), profile())
    assert process_time() - began < 20
    assert values(found, "heat") == [1.0, 1.0]


@given(
    packs=st.lists(
        st.lists(
            st.tuples(
                st.sampled_from(["heat", "elec", "door"]),
                st.integers(-(10**6), 10**6),
                st.integers(-(10**6), 10**6),
            ),
            max_size=8,
        ),
        min_size=1,
        max_size=4,
    ),
    indent=st.sampled_from([None, 1]),
    base_value=st.integers(-1000, 1000),
)
@settings(max_examples=60, deadline=None)
def test_what_a_writer_of_packs_writes_is_read_back(
    tmp_path_factory: pytest.TempPathFactory,
    packs: list[list[tuple[str, int, int]]],
    indent: int | None,
    base_value: int,
) -> None:
    def written(records: list[tuple[str, int, int]]) -> str:
        rows: list[dict[str, Any]] = [
            {"n": name, "t": seconds, "v": value - base_value} for name, seconds, value in records
        ]
        if rows:
            rows[0] |= {"bn": "urn:x:", "bt": NOON, "bu": "kWh", "bv": base_value}
        return json.dumps(rows, indent=indent)

    used = profile(column("urn:x:heat"), column("urn:x:elec", "elec_total"))
    text = "\n".join(written(records) for records in packs)
    found = read(tmp_path_factory.mktemp("packs"), text, used)
    every = [one for records in packs for one in records]
    for name in ("heat", "elec"):
        expected = [(NOON + t, float(v)) for one, t, v in every if one == name]
        got = [
            (moment.timestamp(), value)
            for target, moment, value in found.readings.select("target", "t_utc", "value").rows()
            if found.targets[target].label == f"urn:x:{name}"
        ]
        assert got == expected
    assert found.rejects.is_empty()
    assert found.lines == len(every)


@given(junk=st.binary(max_size=200))
@settings(max_examples=80, deadline=None)
def test_no_bytes_make_reading_fail_or_lose_the_pack_beside_them(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes
) -> None:
    good = lines_of_packs().encode()
    found = read(tmp_path_factory.mktemp("junk"), good + junk, profile())
    assert values(found, "heat")[:2] == [1.0, 1.0]
