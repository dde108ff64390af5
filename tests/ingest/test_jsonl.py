"""One JSON object a line: wide and long, nested, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path
from time import process_time
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.normal_form import Extract
from ingest.profile import Profile
from monitor.errors import DescriptionError
from monitor.models import record_from_data
from tests.ingest.exports import ELEC, HEAT, read, reasons, times, values

NOON = "2024-01-15T12:00:00Z"


def profile(*columns: dict[str, Any], zone: str = "UTC", **layout: Any) -> Profile:
    data = {
        "name": "messages",
        "format": "jsonl",
        "zone": zone,
        "jsonl": layout,
        "column": list(columns or (HEAT, ELEC)),
    }
    return record_from_data(Profile, data, where="test", what="profile")


def lines(folder: Path, used: Profile, *objects: Any) -> Extract:
    text = "".join((one if isinstance(one, str) else json.dumps(one)) + "\n" for one in objects)
    return read(folder, text, used)


def test_each_member_that_a_column_names_is_a_reading(tmp_path: Path) -> None:
    found = lines(
        tmp_path,
        profile(),
        {"time": NOON, "heat": 100.5, "elec": "30.25", "valve": 1},
        {"time": "2024-01-15T13:00:00Z", "heat": 101, "elec": None},
        {"time": "2024-01-15T14:00:00Z", "heat": 1.02e2},
    )
    assert values(found, "heat") == [100.5, 101.0, 102.0]
    assert values(found, "elec") == [30.25]
    assert times(found, "heat") == ["2024-01-15 12:00", "2024-01-15 13:00", "2024-01-15 14:00"]
    assert (found.lines, found.blank, found.rows_read) == (3, 1, 4)


def test_members_of_members_are_found_down_their_names(tmp_path: Path) -> None:
    heat = {**HEAT, "column": "meter.0.energy.total"}
    plain = {**ELEC, "column": "elec.total"}
    found = lines(
        tmp_path,
        profile(heat, plain, time="head.at", serial="head.meter.id"),
        {
            "head": {"at": NOON, "meter": {"id": 4711}},
            "meter": [{"energy": {"total": 5}}, {"energy": {"total": 6}}],
            "elec.total": 7,
        },
        {"head": {"at": NOON}, "meter": [], "elec": {"total": 8}},
    )
    assert values(found, "meter.0.energy.total") == [5.0]
    assert values(found, "elec.total") == [7.0, 8.0]
    assert {target.serial for target in found.targets} == {"4711", None}


def test_a_long_layout_has_one_value_an_object(tmp_path: Path) -> None:
    used = profile(
        layout="long", time="received", point="topic", value="value", serial="id", unit="unit"
    )
    found = lines(
        tmp_path,
        used,
        {"received": NOON, "topic": "heat", "value": 5, "id": "A", "unit": "MWh"},
        {"received": NOON, "topic": "heat", "value": 6, "id": "B", "unit": "kWh"},
        {"received": NOON, "topic": "door", "value": 1},
        {"received": NOON, "topic": "elec", "value": None},
        {"received": NOON, "value": 3},
    )
    assert values(found, "heat") == [5000.0, 6.0]
    assert [target.serial for target in found.targets if target.label == "heat"] == ["A", "B"]
    assert found.blank == 1
    assert reasons(found) == [
        (5, "(whole line)", "there is no 'topic' that says what the value is")
    ]
    assert any("'door' (1)" in note for note in found.notes)


@pytest.mark.parametrize(
    ("time_format", "stamp"),
    [
        ("epoch_s", 1705320000),
        ("epoch_s", "1705320000.0"),
        ("epoch_ms", 1705320000000),
        ("%d.%m.%Y %H:%M", "15.01.2024 12:00"),
        ("iso", "2024-01-15T13:00+01:00"),
    ],
)
def test_times_are_read_as_the_profile_says(tmp_path: Path, time_format: str, stamp: Any) -> None:
    used = profile(HEAT, time_format=time_format)
    assert times(lines(tmp_path, used, {"time": stamp, "heat": 1}), "heat") == ["2024-01-15 12:00"]


def test_the_autumn_hour_is_told_by_the_order_of_each_series(tmp_path: Path) -> None:
    used = profile(layout="long", point="p", value="v", serial="m", zone="Europe/London")
    clock = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    found = lines(
        tmp_path,
        used,
        *(
            {"time": f"2024-10-27 {one}", "p": "heat", "v": 1, "m": meter}
            for one in clock
            for meter in "AB"
        ),
    )
    assert found.rejects.is_empty()
    assert found.readings["t_utc"].n_unique() == len(clock)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ('{"time": "2024-01-15", "heat": 1', "the line is not JSON: expecting ',' delimiter"),
        ("heat=1", "the line is not JSON: expecting value (character 1)"),
        ("[1, 2]", "the line is an array, not an object"),
        ("17", "the line is a number, not an object"),
        ('{"heat": 1} {"heat": 2}', "the line goes on behind its JSON value (character 12)"),
        ('{"heat": 1, "heat": 2}', "the line is not JSON: the member 'heat' stands there twice"),
        ('{"heat": "\0"}', "the line is not JSON: invalid control character"),
        ("[" * 100_000, "the line is not JSON: its objects are nested too deeply"),
        ('{"heat": ' * 100_000, "the line is not JSON: its objects are nested too deeply"),
        ('{"heat": ' + "9" * 5_000 + "}", "the line is not JSON: "),
        ('{"heat": "' + "x" * 2_000_000 + '"}', "the line has 2000012 bytes; more than 1048576"),
    ],
)
def test_a_line_that_is_no_object_is_refused_and_its_neighbours_are_kept(
    tmp_path: Path, line: str, reason: str
) -> None:
    good = {"time": NOON, "heat": 5}
    found = lines(tmp_path, profile(HEAT), good, line, {**good, "time": "2024-01-15T13:00:00Z"})
    assert values(found, "heat") == [5.0, 5.0]
    ((number, column, said),) = reasons(found)
    assert (number, column) == (2, "(whole line)")
    assert said.startswith(reason)
    assert len(found.rejects["raw"][0]) <= 201
    assert found.rows_read == found.lines == 3


@pytest.mark.parametrize(
    ("value", "reason"),
    [
        (True, "true or false is not a number"),
        ("n/a", "the text is not a number"),
        ("1_000", "the text is not a number"),
        ({"v": 1}, "an object is not a number"),
        ([1], "an array is not a number"),
        (float("nan"), "not a finite number"),
        (float("-inf"), "not a finite number"),
        ("1e999", "not a finite number"),
        (10**400, "the number is too large"),
        (250, "this value stands for 'no value' in this column"),
    ],
)
def test_a_member_that_is_no_number_is_refused(tmp_path: Path, value: Any, reason: str) -> None:
    used = profile({**HEAT, "sentinels": [250]}, ELEC)
    found = lines(tmp_path, used, {"time": NOON, "heat": value, "elec": 3})
    assert reasons(found) == [(1, "heat", reason)]
    assert values(found, "elec") == [3.0]


@pytest.mark.parametrize("stamp", [None, "noon", {"at": NOON}, True])
def test_an_object_without_a_time_is_refused_with_each_reading_in_it(
    tmp_path: Path, stamp: Any
) -> None:
    found = lines(tmp_path, profile(), {"time": stamp, "heat": 1, "elec": 2})
    assert [(line, name) for line, name, _ in reasons(found)] == [(1, "heat"), (1, "elec")]
    assert all("time" in reason for _, _, reason in reasons(found))


def test_a_file_that_is_one_array_over_many_lines_is_said(tmp_path: Path) -> None:
    found = read(tmp_path, json.dumps([{"time": NOON, "heat": 1}], indent=1), profile())
    assert found.readings.is_empty()
    assert found.notes[0].startswith("No line of export.csv is a JSON object.")


@pytest.mark.parametrize("kept", range(1, 40, 3))
def test_a_last_line_that_was_cut_off_costs_only_itself(tmp_path: Path, kept: int) -> None:
    whole = json.dumps({"time": NOON, "heat": 5})
    found = read(tmp_path, f"{whole}\n{whole[:kept]}", profile(HEAT))
    assert values(found, "heat") == [5.0]
    assert [line for line, _, _ in reasons(found)] == [2]


@pytest.mark.parametrize(
    ("layout", "message"),
    [
        ({"layout": "long"}, "a long layout needs 'point' and 'value'"),
        ({"point": "p", "value": "v"}, "belong to a long layout"),
        ({"unit": "u"}, "'unit' belongs to a long layout"),
        ({"time_format": "%H:%M"}, "does not hold a whole date"),
    ],
)
def test_a_layout_that_contradicts_itself_is_refused(layout: dict[str, Any], message: str) -> None:
    with pytest.raises(DescriptionError, match=message):
        profile(**layout)


def test_a_column_needs_a_unit_unless_each_object_states_its_own(tmp_path: Path) -> None:
    bare = {key: value for key, value in HEAT.items() if key != "unit"}
    with pytest.raises(DescriptionError, match="'unit' is required"):
        profile(bare)
    used = profile(bare, layout="long", point="p", value="v", unit="u")
    found = lines(tmp_path, used, {"time": NOON, "p": "heat", "v": 3.6, "u": "GJ"})
    assert values(found, "heat") == pytest.approx([1000.0], rel=1e-12)


def test_reading_takes_time_that_grows_with_the_size_only(tmp_path: Path) -> None:
    bad = "{" * 900 + "\n"
    long = '{"time": "' + "x" * 1_000_000 + '", "heat": 1}\n'
    began = process_time()
    found = read(tmp_path, bad * 20_000 + long * 20, profile(HEAT))
    assert process_time() - began < 20
    assert found.rejects.height == 20_020


@given(
    rows=st.lists(
        st.tuples(
            st.integers(0, 10**6),
            st.floats(allow_nan=False, allow_infinity=False, width=64),
            st.sampled_from(["heat", "elec", "other"]),
        ),
        max_size=30,
    ),
    ascii_only=st.booleans(),
    blanks=st.booleans(),
)
@settings(max_examples=60, deadline=None)
def test_what_a_writer_writes_is_read_back(
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[tuple[int, float, str]],
    ascii_only: bool,
    blanks: bool,
) -> None:
    used = profile(layout="long", point="päth", value="v", time="t", time_format="epoch_s")
    text = "".join(
        json.dumps({"t": 1.7e9 + second, "v": value, "päth": name}, ensure_ascii=ascii_only)
        + ("\r\n\n" if blanks else "\n")
        for second, value, name in rows
    )
    found = read(tmp_path_factory.mktemp("lines"), text or "\n", used)
    for name in ("heat", "elec"):
        assert values(found, name) == [value for _, value, one in rows if one == name]
    assert found.rows_read == sum(name != "other" for _, _, name in rows)
    assert found.lines == len(rows)


@given(junk=st.binary(max_size=200))
@settings(max_examples=80, deadline=None)
def test_no_bytes_make_reading_fail_or_lose_the_line_beside_them(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes
) -> None:
    good = json.dumps({"time": NOON, "heat": 5}).encode()
    found = read(tmp_path_factory.mktemp("junk"), good + b"\n" + junk, profile(HEAT))
    assert values(found, "heat")[:1] == [5.0]
