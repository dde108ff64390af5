"""InfluxDB's line protocol: names, escapes, numbers, times, and what is refused."""

from __future__ import annotations

from pathlib import Path
from time import process_time
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.adapters.line_protocol import _carefully, _plainly
from ingest.errors import Terminal
from ingest.profile import Profile
from monitor.models import record_from_data
from tests.ingest.exports import read, reasons, times, values

NOON = 1_705_320_000 * 10**9


def heat(column: str, **more: Any) -> dict[str, Any]:
    return {"column": column, "role": "heat_total", "kind": "register", "unit": "kWh", **more}


def profile(*columns: dict[str, Any], **layout: Any) -> Profile:
    data = {
        "name": "dump",
        "format": "line_protocol",
        "line_protocol": layout,
        "column": list(columns or (heat("meter energy"),)),
    }
    return record_from_data(Profile, data, where="test", what="profile")


def test_a_field_is_named_by_measurement_tags_and_field(tmp_path: Path) -> None:
    used = profile(
        heat("meter,kind=heat,place=hall energy"), heat("meter energy", role="elec_total")
    )
    text = (
        f"meter,place=hall,kind=heat energy=12.5,flow=3i {NOON}\n"
        f"meter,kind=heat,place=hall energy=13 {NOON + 10**9 * 3600}\n"
        f"meter energy=7u {NOON}\n"
    )
    found = read(tmp_path, text, used)
    assert values(found, "meter,kind=heat,place=hall energy") == [12.5, 13.0]
    assert values(found, "meter energy") == [7.0]
    assert times(found, "meter,kind=heat,place=hall energy") == [
        "2024-01-15 12:00",
        "2024-01-15 13:00",
    ]
    assert any("'meter,kind=heat,place=hall flow' (1)" in note for note in found.notes)


def test_the_serial_comes_from_a_tag_and_other_tags_may_be_left_out(tmp_path: Path) -> None:
    text = (
        f"meter,id=A,host=one energy=1 {NOON}\n"
        f"meter,id=B,host=two energy=2 {NOON}\n"
        f"meter,host=two energy=3 {NOON}\n"
    )
    used = profile(serial="id", tags=[])
    found = read(tmp_path, text, used)
    assert [(target.label, target.serial) for target in found.targets] == [
        ("meter energy", "A"),
        ("meter energy", "B"),
        ("meter energy", None),
    ]
    named = read(tmp_path, text, profile(heat("meter,host=two energy"), serial="id"))
    assert values(named, "meter,host=two energy") == [2.0, 3.0]


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("12", 12.0),
        ("12.", 12.0),
        (".5", 0.5),
        ("-1.25e-3", -0.00125),
        ("1E6", 1e6),
        ("-42i", -42.0),
        ("18446744073709551615u", 18446744073709551615.0),
        ("9007199254740993i", 9007199254740992.0),
    ],
)
def test_numbers_are_read_as_the_protocol_writes_them(
    tmp_path: Path, written: str, value: float
) -> None:
    found = read(tmp_path, f"meter energy={written} {NOON}\n", profile())
    assert values(found, "meter energy") == [value]


def test_escapes_and_quotation_marks_do_not_split_a_line(tmp_path: Path) -> None:
    name = "my meter,place a=big hall, left heat=total, kWh"
    text = (
        r"my\ meter,place\ a=big\ hall\,\ left "
        r'note="a \"b\" c, d=1 \\",heat\=total\,\ kWh=5 '
        f"{NOON}\n"
    )
    found = read(tmp_path, text, profile(heat(name)))
    assert values(found, name) == [5.0]
    assert found.rejects.is_empty()


def test_comments_and_blank_lines_are_no_data(tmp_path: Path) -> None:
    text = f"# a dump\n\n  \nmeter energy=1 {NOON}\r\n#meter energy=2 {NOON}\n"
    found = read(tmp_path, text, profile())
    assert (found.lines, found.rows_read) == (1, 1)
    assert found.readings["line"].to_list() == [4]


@pytest.mark.parametrize(
    ("precision", "per_second"), [("ns", 10**9), ("us", 10**6), ("ms", 10**3), ("s", 1)]
)
def test_the_profile_says_the_unit_of_the_times(
    tmp_path: Path, precision: str, per_second: int
) -> None:
    text = f"meter energy=1 {1_705_320_000 * per_second}\n"
    found = read(tmp_path, text, profile(precision=precision))
    assert times(found, "meter energy") == ["2024-01-15 12:00"]


@pytest.mark.parametrize(
    ("precision", "stamp", "advice"),
    [
        ("ns", 1_705_320_000, "They look like 's'."),
        ("s", 1_705_320_000_000, "They look like 'ms'."),
        ("ms", NOON, "They look like 'ns'."),
        ("ns", 5, "(the first is 5). Correct"),
    ],
)
def test_times_in_another_unit_than_the_profile_says_stop_the_file(
    tmp_path: Path, precision: str, stamp: int, advice: str
) -> None:
    with pytest.raises(Terminal) as stopped:
        read(tmp_path, f"meter energy=1 {stamp}\n", profile(precision=precision))
    assert advice in str(stopped.value)
    assert "'precision'" in str(stopped.value)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("meter", "the line does not hold a measurement, its fields and a time"),
        (f"meter energy=1 {NOON} 7", "the line does not hold a measurement"),
        ("meter energy=1 noon", "the line does not hold a measurement"),
        (f'meter note="a,energy=1 {NOON}', "a quotation mark is open at the end of the line"),
        (f"meter energy {NOON}", "the field 'energy' is not written as name=value"),
        (f"meter energy=1,,flow=2 {NOON}", "a field is empty or cannot be told"),
        (f"meter energy=1, {NOON}", "a field is missing behind the last comma"),
        (f"meter,place energy=1 {NOON}", "the tag 'place' is not written as name=value"),
        (f"meter,a=1,a=2 energy=1 {NOON}", "the tag 'a' stands there twice"),
        (f",a=1 energy=1 {NOON}", "a tag is empty or cannot be told"),
        ("x" * 2_000_000, "the line has 2000000 bytes"),
        ("meter,a=" + "\\" * 500_001, "the line does not hold a measurement"),
        ("\0\0\0", "the line does not hold a measurement"),
    ],
)
def test_a_line_that_breaks_the_rules_is_refused_and_its_neighbours_are_kept(
    tmp_path: Path, line: str, reason: str
) -> None:
    good = f"meter energy=1 {NOON}\n"
    found = read(tmp_path, f"{good}{line}\n{good}", profile())
    assert values(found, "meter energy") == [1.0, 1.0]
    ((number, column, said),) = reasons(found)
    assert (number, column) == (2, "(whole line)")
    assert said.startswith(reason)
    assert len(found.rejects["raw"][0]) <= 201


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (f"meter energy=true {NOON}", "true or false is not a number"),
        (f'meter energy="12" {NOON}', "a text is not a number"),
        (f"meter energy=12kWh {NOON}", "not a number: '12kWh'"),
        (f"meter energy=NaN {NOON}", "not a number: 'NaN'"),
        (f"meter energy=1e999 {NOON}", "not a finite number: '1e999'"),
        ("meter energy=1", "there is no time in this line"),
        ("meter energy=1 17", "the time is not between 1990 and 2199 in 'ns', the profile's"),
        ("meter energy=1 " + "9" * 40, "the time is not between 1990 and 2199 in 'ns'"),
        ("meter energy=1 -5", "the time is not between 1990 and 2199 in 'ns'"),
    ],
)
def test_a_field_that_is_no_reading_is_refused(tmp_path: Path, line: str, reason: str) -> None:
    found = read(tmp_path, f"{line}\nmeter energy=1 {NOON}\n", profile())
    ((number, column, said),) = reasons(found)
    assert (number, column) == (1, "meter energy")
    assert said.startswith(reason)
    assert values(found, "meter energy") == [1.0]


@pytest.mark.parametrize("kept", range(1, 35))
def test_a_last_line_that_was_cut_off_is_never_worth_more_than_it_says(
    tmp_path: Path, kept: int
) -> None:
    line = f"meter energy=12.5 {NOON}"
    found = read(tmp_path, f"{line}\n{line[:kept]}", profile())
    assert values(found, "meter energy") == [12.5]
    assert [number for number, _, _ in reasons(found)] == [2]


def test_hostile_lines_take_time_that_grows_with_their_length_only(tmp_path: Path) -> None:
    worst = [
        "m,a=" + "b" * 900_000,
        "m " + "a=1," * 200_000,
        'm a="' + '\\"' * 400_000,
        "\\ " * 400_000,
        "m,a=b" + " " * 900_000 + "x y z",
        "m " + '"' * 900_001,
    ]
    began = process_time()
    found = read(tmp_path, "\n".join([*worst, f"meter energy=1 {NOON}"]) + "\n", profile())
    assert process_time() - began < 20
    assert values(found, "meter energy") == [1.0]
    assert found.rejects.height == len(worst)


NAME = st.text(
    st.characters(exclude_categories=["C"], exclude_characters='\\"\n\r\x0b\x0c\x1c\x1d\x1e\x85'),
    min_size=1,
    max_size=8,
).filter(lambda one: one == one.strip() and not one.startswith("#"))


def escaped(name: str, signs: str) -> str:
    return "".join(f"\\{sign}" if sign in signs else sign for sign in name)


@given(
    rows=st.lists(
        st.tuples(
            NAME.filter(lambda one: "=" not in one),
            st.dictionaries(NAME, NAME, max_size=3),
            NAME,
            st.floats(allow_nan=False, allow_infinity=False),
            st.integers(0, 10**15),
        ),
        min_size=1,
        max_size=8,
    )
)
@settings(max_examples=80, deadline=None)
def test_what_a_writer_writes_is_read_back(
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[tuple[str, dict[str, str], str, float, int]],
) -> None:
    text, names = "", []
    for measurement, tags, field, value, later in rows:
        written = "".join(
            f",{escaped(name, ',= ')}={escaped(tag, ',= ')}" for name, tag in tags.items()
        )
        text += (
            f"{escaped(measurement, ', ')}{written} "
            f"{escaped(field, ',= ')}={value!r} {NOON + later}\n"
        )
        named = [measurement, *(f"{name}={tags[name]}" for name in sorted(tags))]
        names.append(f"{','.join(named)} {field}")
    used = profile(*(heat(name.strip()) for name in dict.fromkeys(names)))
    found = read(tmp_path_factory.mktemp("lines"), text, used)
    got = {}
    for line, target, value, moment in found.readings.select(
        "line", "target", "value", "t_utc"
    ).rows():
        got[line] = (found.targets[target].label, value, moment)
    assert found.rejects.is_empty()
    for number, (name, row) in enumerate(zip(names, rows, strict=True), start=1):
        assert got[number][:2] == (name, row[3])
        micros = (NOON + row[4]) // 1_000
        assert got[number][2].timestamp() * 1e6 == pytest.approx(micros, abs=1)


@given(line=st.text('ab=, \\"1.5i-\t', max_size=24))
@settings(max_examples=200)
def test_a_plain_line_is_taken_apart_as_a_careful_reading_does(line: str) -> None:
    line = line.strip(" \t")
    quick = _plainly(line)
    if quick is not None:
        assert _carefully(line) == quick


@given(junk=st.binary(max_size=200))
@settings(max_examples=80, deadline=None)
def test_no_bytes_make_reading_fail_or_lose_the_line_beside_them(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes
) -> None:
    good = f"meter energy=5 {NOON}\n".encode()
    found = read(tmp_path_factory.mktemp("junk"), good + junk, profile())
    assert values(found, "meter energy")[:1] == [5.0]
