"""Feeds of ESPI XML (NAESB REQ.21)."""

from __future__ import annotations

import gzip
from datetime import UTC as PY_UTC
from datetime import datetime
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest import espi_feed
from ingest.adapters.espi import ADAPTER
from ingest.errors import Terminal, Transient
from ingest.normal_form import Extract
from ingest.profile import Profile
from monitor.errors import DescriptionError
from monitor.models import record_from_data
from tests.ingest.exports import read, reasons, times, values
from tests.ingest.writers_espi import (
    block,
    entry,
    feed,
    kind,
    meter,
    reading,
    summary,
    usage_point,
)

DATA = Path(__file__).parents[1] / "data" / "espi"
PATH = "UsagePoint/1/MeterReading/1"
LOAD: dict[str, Any] = {"column": PATH, "role": "elec_total", "kind": "interval"}
REGISTER: dict[str, Any] = {**LOAD, "kind": "register"}

START = 1_705_320_000  # 2024-01-15 12:00 UTC


def profile(*columns: dict[str, Any], zone: str = "UTC", **layout: Any) -> Profile:
    data = {"name": "test", "format": "espi", "zone": zone, "column": list(columns or [LOAD])}
    if layout:
        data["espi"] = layout
    return record_from_data(Profile, data, where="test profile", what="profile")


def said(found: Extract) -> str:
    return " ".join(found.notes)


def one_meter(*readings: str, **codes: object) -> str:
    return feed(usage_point(), *meter(1, block(*readings), codes=kind(**codes)), summary())


@pytest.mark.parametrize(
    ("file", "point", "watt_hours", "count", "refused"),
    [
        # Sums and numbers as the origin of each sample states them (tests/data/espi/SOURCE.md).
        (
            "TestGBDataHourlyNineDaysBinnedDaily.xml",
            "Monthly Electricity Consumption",
            199_563,
            216,
            [],
        ),
        (
            "openespi_test_usage_data_1.xml",
            "Fifteen Minute Electricity Consumption",
            511_688,
            480,
            [
                (144, "its quality is estimated from a reference day (quality 8)"),
                (156, "its quality is edited by hand (quality 7)"),
            ],
        ),
    ],
)
def test_a_published_sample_adds_up_as_published(
    file: str, point: str, watt_hours: int, count: int, refused: list[tuple[int, str]]
) -> None:
    found = ADAPTER.read(DATA / file, profile({**LOAD, "column": point}))
    assert found.rows_read == found.lines == count
    assert [(line, why) for line, _, why in reasons(found)] == refused
    raw = ET.parse(DATA / file)
    counted = {
        int(one.findtext(".//{*}start") or ""): int(one.findtext("{*}value") or "")
        for one in raw.iter("{http://naesb.org/espi}IntervalReading")
    }
    assert (len(counted), sum(counted.values())) == (count, watt_hours)
    lost = sum(int(text) for text in found.rejects["raw"])
    assert round(found.readings["value"].sum() * 1000) + lost == watt_hours
    for moment, kwh in found.readings.select("t_utc", "value").rows():
        assert round(kwh * 1000) == counted[int(moment.timestamp())]


def test_a_sample_s_readings_have_the_length_that_they_state() -> None:
    found = ADAPTER.read(
        DATA / "openespi_test_usage_data_1.xml",
        profile({**LOAD, "column": "UsagePoint/5446AF3F/MeterReading/01"}),
    )
    assert found.readings["duration_s"].unique().to_list() == [900]
    assert found.readings["t_utc"].max() == datetime(2012, 3, 6, 4, 45, tzinfo=PY_UTC)


@pytest.mark.parametrize(
    ("uom", "multiplier", "value", "kwh"),
    [
        (72, 0, 1500, 1.5),
        (72, 3, 2, 2.0),
        (72, -3, 2_000_000, 2.0),
        (31, 6, 36, 10.0),  # 1 kWh = 3.6 MJ
        (132, 0, 3412.141633, 1.0),  # International Table Btu: 1055.05585262 J (ISO 31-4)
        (169, 0, 1, 29.3071070),  # therm: 100 000 Btu
    ],
)
def test_values_are_scaled_by_unit_and_power_of_ten(
    uom: int, multiplier: int, value: float, kwh: float, tmp_path: Path
) -> None:
    text = one_meter(reading(START, value), uom=uom, powerOfTenMultiplier=multiplier)
    assert values(read(tmp_path, text, profile()), PATH) == pytest.approx([kwh], rel=1e-7)


@pytest.mark.parametrize("uom", [42, 73, 119, 998, "x"])
def test_a_unit_that_is_no_energy_is_refused(uom: object, tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="needs an energy unit"):
        read(tmp_path, one_meter(reading(START, 1), uom=uom), profile())


@pytest.mark.parametrize(
    ("codes", "reason"),
    [
        ({"uom": None}, "its ReadingType does not state its unit (uom)"),
        ({"powerOfTenMultiplier": "x"}, "its ReadingType has the power of ten 'x', which is none"),
        ({"powerOfTenMultiplier": 99}, "its ReadingType has the power of ten '99', which is none"),
        *(
            (
                {"powerOfTenMultiplier": power},
                f"its ReadingType has the power of ten '{power}', which is none",
            )
            for power in ("--", "--5", "000000000400")
        ),
    ],
)
def test_a_reading_type_that_leaves_the_scale_open_costs_its_readings(
    codes: dict[str, object], reason: str, tmp_path: Path
) -> None:
    found = read(tmp_path, one_meter(reading(START, 1), **codes), profile())
    assert [why for _, _, why in reasons(found)] == [reason]


def test_a_missing_reading_type_costs_its_readings(tmp_path: Path) -> None:
    entries = meter(1, block(reading(START, 1)))
    other = entry(kind(), own="/ReadingType/8"), entry(kind(), own="/ReadingType/9")
    found = read(tmp_path, feed(entries[0], entries[2], *other), profile())
    assert [why for _, _, why in reasons(found)] == [
        "its ReadingType is not in the file, so its unit is not known"
    ]


def test_the_only_reading_type_needs_no_link(tmp_path: Path) -> None:
    entries = meter(1, block(reading(START, 1000)))
    found = read(tmp_path, feed(entries[0], entries[2], entry(kind())), profile())
    assert values(found, PATH) == [1.0]
    assert "No link leads to the ReadingType; the only one of the file was taken." in found.notes


def test_heat_comes_as_heating_fluid(tmp_path: Path) -> None:
    text = one_meter(reading(START, 5), commodity=12, uom=31, powerOfTenMultiplier=9)
    found = read(tmp_path, text, profile({**LOAD, "role": "heat_total"}))
    assert values(found, PATH) == pytest.approx([5 / 0.0036])


@pytest.mark.parametrize(
    ("role", "commodity", "message"),
    [
        ("heat_total", 7, "is of natural gas"),
        ("heat_total", 1, "is of electricity"),
        ("elec_total", 12, "is of heating fluid"),
        ("heat_total", 13, "is of cooling fluid"),
    ],
)
def test_another_commodity_than_the_role_needs_stops_the_file(
    role: str, commodity: int, message: str, tmp_path: Path
) -> None:
    text = one_meter(reading(START, 5), commodity=commodity)
    with pytest.raises(Terminal, match=message):
        read(tmp_path, text, profile({**LOAD, "role": role}))


@pytest.mark.parametrize(
    ("behaviour", "kind_", "message"),
    [
        (4, "register", "is energy in intervals"),
        (9, "interval", "is a register"),
        (3, "interval", "is a register"),
        (12, "interval", "is values at a moment"),
    ],
)
def test_how_a_file_counts_goes_before_what_the_profile_says(
    behaviour: int, kind_: str, message: str, tmp_path: Path
) -> None:
    text = one_meter(reading(START, 5), accumulationBehaviour=behaviour)
    with pytest.raises(DescriptionError, match=message):
        read(tmp_path, text, profile({**LOAD, "kind": kind_}))


@pytest.mark.parametrize("behaviour", [1, 3, 9])
def test_a_register_stands_at_the_end_of_its_period(behaviour: int, tmp_path: Path) -> None:
    text = one_meter(
        reading(START, 5000), reading(START + 3600, 6000, 0), accumulationBehaviour=behaviour
    )
    found = read(tmp_path, text, profile(REGISTER))
    assert times(found, PATH) == ["2024-01-15 13:00", "2024-01-15 13:00"]
    assert values(found, PATH) == [5.0, 6.0]
    assert found.readings["duration_s"].null_count() == 2


def test_power_is_power(tmp_path: Path) -> None:
    text = one_meter(reading(START, 250), uom=38, powerOfTenMultiplier=1, accumulationBehaviour=12)
    found = read(tmp_path, text, profile({**LOAD, "kind": "power"}))
    assert values(found, PATH) == [2.5]
    assert times(found, PATH) == ["2024-01-15 12:00"]


def test_reverse_energy_is_its_own_point_and_is_told(tmp_path: Path) -> None:
    text = feed(
        *meter(1, block(reading(START, 1000)), title="Energy"),
        *meter(2, block(reading(START, 9000)), title="Energy", codes=kind(flowDirection=19)),
    )
    found = read(tmp_path, text, profile())
    assert values(found, PATH) == [1.0]
    assert (
        "'UsagePoint/1/MeterReading/2' titled 'Energy' (reverse energy in Wh, electricity; "
        "1 readings)" in said(found)
    )
    reverse = read(tmp_path, text, profile({**LOAD, "column": "UsagePoint/1/MeterReading/2"}))
    assert "counts the reverse direction (flowDirection 19)" in said(reverse)


def test_a_title_that_several_readings_share_names_none(tmp_path: Path) -> None:
    text = feed(*meter(1, title="Energy"), *meter(2, title="Energy"))
    with pytest.raises(Terminal) as caught:
        read(tmp_path, text, profile({**LOAD, "column": "Energy"}))
    assert "2 MeterReadings are titled 'Energy'" in str(caught.value)
    assert "'UsagePoint/1/MeterReading/2'" in str(caught.value)


def test_a_reading_may_not_be_named_by_title_and_by_address(tmp_path: Path) -> None:
    text = feed(*meter(1, title="Energy"))
    with pytest.raises(DescriptionError, match="both mean 'UsagePoint/1/MeterReading/1'"):
        read(tmp_path, text, profile(LOAD, {**LOAD, "column": "Energy"}))


def test_readings_without_addresses_are_numbered(tmp_path: Path) -> None:
    text = feed(entry("<MeterReading/>"), entry(kind()), entry(block(reading(START, 1000))))
    found = read(tmp_path, text, profile({**LOAD, "column": "UsagePoint 1 / MeterReading 1"}))
    assert values(found, "UsagePoint 1 / MeterReading 1") == [1.0]


def test_resources_need_no_entries_about_them(tmp_path: Path) -> None:
    text = f"<x><UsagePoint/><MeterReading/>{kind()}{block(reading(START, 1000))}</x>"
    found = read(tmp_path, text, profile({**LOAD, "column": "UsagePoint 1 / MeterReading 1"}))
    assert values(found, "UsagePoint 1 / MeterReading 1") == [1.0]


def test_a_reading_outside_of_any_block_is_counted(tmp_path: Path) -> None:
    text = f"<x>{reading(START, 1)}<MeterReading/><MeterReading/></x>"
    found = read(tmp_path, text, profile())
    assert "1 readings stand in IntervalBlocks from which no link leads" in said(found)
    assert "(without a ReadingType; 0 readings)" in said(found)


def test_a_block_s_own_address_leads_to_its_meter_reading(tmp_path: Path) -> None:
    alone = entry(block(reading(START, 1000)), own="/UsagePoint/1/MeterReading/1/IntervalBlock/7")
    found = read(tmp_path, feed(*meter(1), *meter(2), alone), profile())
    assert values(found, PATH) == [1.0]


@pytest.mark.parametrize(
    ("limit", "message"),
    [
        ("MAX_BYTES", "holds more than 0 MiB"),
        ("MAX_ELEMENTS", "holds more than 2 elements"),
        ("MAX_ENTRIES", "holds more than 2 entries"),
        ("MAX_READINGS", "holds more than 2 readings"),
        ("MAX_LINKS", "an entry has more than 2 links"),
    ],
)
def test_what_is_too_much_for_a_home_s_meters_is_refused(
    limit: str, message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(espi_feed, limit, 2)
    lavish = entry("", related=["/a", "/b", "/c"])
    text = feed(*meter(1, block(*(reading(START, n) for n in range(3)))))
    with pytest.raises(Terminal, match=message):
        read(tmp_path, feed(lavish) if limit == "MAX_LINKS" else text, profile())


def test_several_usage_points_are_told_apart(tmp_path: Path) -> None:
    text = feed(
        usage_point(1),
        usage_point(2),
        *meter(1, block(reading(START, 2000)), point=2),
        *meter(1, block(reading(START, 1000)), point=1),
    )
    second = {**LOAD, "column": "UsagePoint/2/MeterReading/1", "role": "elec_backup"}
    found = read(tmp_path, text, profile(LOAD, second))
    assert values(found, PATH) == [1.0]
    assert values(found, "UsagePoint/2/MeterReading/1") == [2.0]


def test_blocks_that_no_link_leads_from_are_counted(tmp_path: Path) -> None:
    stray = entry(block(reading(START, 1), reading(START, 2)), up="/elsewhere")
    text = feed(*meter(1, block(reading(START, 1000))), *meter(2), stray)
    found = read(tmp_path, text, profile())
    assert values(found, PATH) == [1.0]
    assert "2 readings stand in IntervalBlocks from which no link leads" in said(found)


def test_dates_outside_of_readings_are_not_taken(tmp_path: Path) -> None:
    found = read(tmp_path, one_meter(reading(START, 1000, extra="<cost>974</cost>")), profile())
    assert times(found, PATH) == ["2024-01-15 12:00"]
    assert values(found, PATH) == [1.0]
    assert found.lines == 1


def test_a_block_that_is_there_twice_gives_its_readings_twice(tmp_path: Path) -> None:
    # The store keeps one of each and counts the other (rule R8).
    twice = block(reading(START, 1000)), block(reading(START, 1000))
    found = read(tmp_path, feed(*meter(1, *twice)), profile())
    assert values(found, PATH) == [1.0, 1.0]


@pytest.mark.parametrize("duration", [82_800, 86_400, 90_000])
def test_days_on_which_clocks_change_have_the_length_they_state(
    duration: int, tmp_path: Path
) -> None:
    text = one_meter(reading(START, 1000, duration), intervalLength=86_400)
    found = read(tmp_path, text, profile({**LOAD, "interval": "P1D"}))
    assert found.readings["duration_s"].to_list() == [duration]
    assert found.notes == ()


def test_a_length_may_stand_in_the_reading_type(tmp_path: Path) -> None:
    found = read(tmp_path, one_meter(reading(START, 1000, None), intervalLength=900), profile())
    assert found.readings["duration_s"].to_list() == [900]


@pytest.mark.parametrize("codes", [(0,), (14,), (17,), (18, 14), ()])
def test_what_was_measured_is_taken(codes: tuple[int, ...], tmp_path: Path) -> None:
    found = read(tmp_path, one_meter(reading(START, 1000, 3600, *codes)), profile())
    assert values(found, PATH) == [1.0]


@pytest.mark.parametrize(
    ("codes", "reason"),
    [
        ((8,), "its quality is estimated from a reference day (quality 8)"),
        ((9,), "its quality is estimated by interpolation (quality 9)"),
        ((17, 12), "its quality is projected (quality 12)"),
        ((10,), "its quality is questionable: it failed a check (quality 10)"),
        ((99,), "its quality is not known (quality 99)"),
    ],
)
def test_what_was_not_measured_is_refused(
    codes: tuple[int, ...], reason: str, tmp_path: Path
) -> None:
    found = read(tmp_path, one_meter(reading(START, 1000, 3600, *codes)), profile())
    assert [why for _, _, why in reasons(found)] == [reason]


def test_a_quality_may_stand_in_the_reading_type(tmp_path: Path) -> None:
    text = one_meter(reading(START, 1000), reading(START + 3600, 2000, 3600, 17), defaultQuality=8)
    found = read(tmp_path, text, profile())
    assert values(found, PATH) == [2.0]
    assert found.rejects.height == 1


@pytest.mark.parametrize(
    ("bad", "reason"),
    [
        (reading(None, 1), "there is no time in this row"),
        (reading("noon", 1), "the time 'noon' cannot be read as seconds since 1970"),
        (reading(10**14, 1), "the time '100000000000000' lies outside 1970 to 2199"),
        (reading(START, None), "there is no value in this reading"),
        (reading(START, "1x"), "not a number: '1x'"),
        (reading(START, "NaN"), "not a finite number: 'NaN'"),
        (reading(START, 1, "1h"), "the duration '1h' is no length in seconds"),
        (reading(START, 1, -900), "the duration '-900' is no length in seconds"),
        (reading(START, 1, 10**12), "the duration '1000000000000' is no length in seconds"),
        (reading(START, 1, 0), "an interval cannot last 0 s"),
    ],
)
def test_a_reading_that_cannot_be_used_costs_only_itself(
    bad: str, reason: str, tmp_path: Path
) -> None:
    text = one_meter(reading(START - 3600, 1000), bad, reading(START + 3600, 2000))
    found = read(tmp_path, text, profile())
    assert values(found, PATH) == [1.0, 2.0]
    line = next(n for n, one in enumerate(text.split("\n"), 1) if bad in one)
    assert reasons(found) == [(line, PATH, reason)]


def test_a_portal_may_write_local_time(tmp_path: Path) -> None:
    # 12:00 on the clock in Berlin, written as if it were UTC.
    used = profile(LOAD, zone="Europe/Berlin", epoch="local")
    found = read(tmp_path, one_meter(reading(START, 1), reading("x", 2)), used)
    assert times(found, PATH) == ["2024-01-15 11:00"]
    assert reasons(found)[0][2] == "the time 'x' cannot be read as seconds since 1970"


def test_names_may_carry_a_prefix(tmp_path: Path) -> None:
    text = one_meter(reading(START, 1000))
    for name in ("IntervalReading", "IntervalBlock", "ReadingType", "MeterReading", "timePeriod"):
        text = text.replace(f"<{name}", f"<espi:{name}").replace(f"</{name}", f"</espi:{name}")
    text = text.replace("<feed ", '<feed xmlns:espi="http://naesb.org/espi" ')
    assert values(read(tmp_path, text, profile()), PATH) == [1.0]


def test_a_packed_feed_is_read(tmp_path: Path) -> None:
    content = gzip.compress(one_meter(reading(START, 1000)).encode())
    assert values(read(tmp_path, content, profile()), PATH) == [1.0]
    with pytest.raises(Transient, match="ends in the middle of its gzip data"):
        read(tmp_path, content[:-12], profile())
    with pytest.raises(Terminal, match="damaged"):
        read(tmp_path, content[:2] + b"garbage" + content[9:], profile())


def test_a_truncated_feed_keeps_what_stands_before_the_break(tmp_path: Path) -> None:
    text = one_meter(*(reading(START + 3600 * n, 1000) for n in range(5)))
    cut = text[: text.index("<value>", text.index(f"<start>{START + 3 * 3600}"))]
    found = read(tmp_path, cut, profile())
    assert len(values(found, PATH)) == 3
    ((line, column, reason),) = reasons(found)
    assert (line, column) == (cut.count("\n") + 1, "(whole line)")
    assert reason.startswith("the file breaks off here (no element found")
    assert f"breaks off in line {line}" in said(found)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "is empty"),
        (b"time;heat\n1;2\n", "line 1: this cannot be read as XML"),
        (b"<feed></feed>", "is XML, but no ESPI feed"),
        (b'<?xml version="1.0" encoding="x-none"?><feed/>', "cannot be read as XML|encoding"),
        (b"<a>" * 200, "nested more than 64 deep"),
        (b"<feed><entry>" + b"<!-- x -->" + b"<!--" + b"x" * 3_000_000, "without an element"),
        (b"<feed " + b"x" * 3_000_000, "without an element"),
        (b'<feed a="' + b"x" * 3_000_000, "without an element"),
    ],
)
def test_what_is_no_feed_is_refused_in_a_sentence(
    content: bytes, message: str, tmp_path: Path
) -> None:
    with pytest.raises(Terminal, match=message):
        read(tmp_path, content, profile())


@pytest.mark.parametrize(
    "declaration",
    [
        '<!DOCTYPE feed [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>',
        '<!DOCTYPE feed SYSTEM "file:///etc/hostname">',
        '<!DOCTYPE feed [<!ENTITY x SYSTEM "file:///etc/hostname">]>',
        "<!DOCTYPE feed>",
    ],
)
def test_declarations_that_can_do_harm_are_refused(declaration: str, tmp_path: Path) -> None:
    text = one_meter(reading(START, "&b;")).replace("?>", f"?>{declaration}", 1)
    with pytest.raises(Terminal, match="declares a document type or entities"):
        read(tmp_path, text, profile())


def test_an_undeclared_entity_breaks_the_feed_but_not_the_readings_before(tmp_path: Path) -> None:
    text = one_meter(reading(START, 1000), reading(START + 3600, "&b;"))
    found = read(tmp_path, text, profile())
    assert values(found, PATH) == [1.0]
    assert "undefined entity" in reasons(found)[-1][2]


def test_letters_of_another_encoding_spoil_no_readings(tmp_path: Path) -> None:
    text = feed(*meter(1, block(reading(START, 1000)), title="Wärme")).encode("latin-1")
    found = read(tmp_path, text, profile())
    assert values(found, PATH) == [1.0]
    assert found.rejects.is_empty()
    assert "1 bytes are not text in utf-8, which the file declares" in said(found).lower()


@pytest.mark.parametrize("encoding", ["utf-16", "iso-8859-1", "utf-8"])
def test_a_declared_encoding_is_followed(encoding: str, tmp_path: Path) -> None:
    head = f'<?xml version="1.0" encoding="{encoding}"?>'
    text = feed(*meter(1, block(reading(START, 1000)), title="Wärme"), head=head)
    found = read(tmp_path, text.encode(encoding), profile({**LOAD, "column": "Wärme"}))
    assert values(found, "Wärme") == [1.0]


def test_nul_bytes_are_marked_and_the_rest_is_read(tmp_path: Path) -> None:
    text = one_meter(reading(START, 1000), "\0\0", reading(START + 3600, "1\0"))
    found = read(tmp_path, text, profile())
    assert values(found, PATH) == [1.0]
    assert [why for _, _, why in reasons(found)] == ["not a number: '1\ufffd'"]


def test_a_file_that_vanishes_may_come_back(tmp_path: Path) -> None:
    with pytest.raises(Transient, match="cannot be read at present"):
        ADAPTER.read(tmp_path / "gone.xml", profile())


rows = st.tuples(
    st.integers(0, 2_000_000_000),
    st.integers(-(10**9), 10**9),
    st.integers(1, 86_400),
    st.sampled_from([None, 0, 17, 8, 10]),
)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.lists(rows, max_size=6), min_size=1, max_size=4), st.integers(-3, 3))
def test_what_is_written_is_read_again(
    tmp_path: Path, blocks: list[list[tuple[int, int, int, int | None]]], power: int
) -> None:
    written = [
        block(
            *(
                reading(start, value, length, *([q] if q is not None else []))
                for start, value, length, q in one
            )
        )
        for one in blocks
    ]
    found = read(
        tmp_path, feed(*meter(1, *written, codes=kind(powerOfTenMultiplier=power))), profile()
    )
    flat = [row for one in blocks for row in one]
    good = [row for row in flat if row[3] in (None, 0, 17)]
    assert found.rows_read == found.lines == len(flat)
    assert [int(moment.timestamp()) for moment in found.readings["t_utc"]] == [
        row[0] for row in good
    ]
    assert found.readings["duration_s"].to_list() == [row[2] for row in good]
    assert found.readings["value"].to_list() == pytest.approx(
        [row[1] * 10.0**power / 1000 for row in good]
    )


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_no_feed_ends_in_a_traceback(tmp_path: Path, data: st.DataObject) -> None:
    whole = bytearray(one_meter(*(reading(START + 3600 * n, n) for n in range(4))).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(whole) - 1))
        span = data.draw(st.integers(0, 40))
        whole[at : at + span] = data.draw(st.binary(max_size=12))
    try:
        found = read(tmp_path, bytes(whole), profile())
    except (Terminal, Transient, DescriptionError) as error:
        assert str(error).endswith(".")  # noqa: PT017
        return
    assert found.readings["value"].is_finite().all()
    assert found.rows_read <= found.lines + 1
