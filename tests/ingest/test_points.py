"""What a self-describing file states, and what a profile makes of it."""

from __future__ import annotations

from datetime import UTC as PY_UTC
from datetime import datetime, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.errors import Terminal
from ingest.normal_form import Extract
from ingest.points import POINTS, extract_points
from ingest.profile import Profile
from monitor.errors import DescriptionError
from monitor.models import record_from_data
from tests.ingest.exports import reasons, times, values

NOON = datetime(2024, 1, 15, 12, tzinfo=PY_UTC)
HEAT: dict[str, Any] = {"column": "heat", "role": "heat_total", "kind": "register"}
LOAD: dict[str, Any] = {"column": "load", "role": "elec_total", "kind": "interval"}


def profile(*columns: dict[str, Any], zone: str = "UTC") -> Profile:
    data = {"name": "test", "format": "points", "zone": zone, "column": list(columns or [HEAT])}
    return record_from_data(Profile, data, where="test profile", what="profile")


def row(value: float | None = 1.0, point: str | None = "heat", **other: Any) -> dict[str, Any]:
    return {
        "point": point,
        "serial": None,
        "unit": "kWh",
        "t_utc": NOON,
        "duration_s": None,
        "value": value,
        "raw": f"{value}",
        "reason": None,
    } | other


def hourly(count: int, start: datetime = NOON, **other: Any) -> list[dict[str, Any]]:
    return [row(float(i), t_utc=start + timedelta(hours=i), **other) for i in range(count)]


def extract(rows: list[dict[str, Any]], used: Profile | None = None) -> Extract:
    numbered = [{"line": number, **one} for number, one in enumerate(rows, 1)]
    frame = pl.DataFrame(numbered, schema=POINTS)
    return extract_points("meter.log", frame, used or profile(), lines=len(rows), notes=("first",))


def said(found: Extract) -> str:
    return " ".join(found.notes)


def test_a_register_comes_in_kwh_without_a_length() -> None:
    found = extract([row(2.0, unit="GJ", duration_s=900)])
    assert values(found, "heat") == pytest.approx([2000 / 3.6])  # 1 kWh = 3.6 MJ (SI brochure)
    assert found.readings["duration_s"].to_list() == [None]
    assert found.readings["line"].to_list() == [1]
    assert found.notes == ("first",)


def test_the_file_s_unit_goes_before_the_profile_s_and_the_report_says_so() -> None:
    found = extract([row(2500.0, unit="Wh")], profile({**HEAT, "unit": "kWh"}))
    assert values(found, "heat") == [2.5]
    assert "states 'Wh' for the column 'heat' (1 readings)" in said(found)


def test_a_unit_that_both_state_alike_needs_no_word() -> None:
    found = extract([row(2.5)], profile({**HEAT, "unit": "kWh"}))
    assert found.notes == ("first",)


def test_a_scale_that_turns_the_file_s_unit_into_the_profile_s_is_applied_once() -> None:
    found = extract([row(2500.0, unit="Wh")], profile({**HEAT, "unit": "kWh", "scale": 0.001}))
    assert values(found, "heat") == [2.5]
    assert found.notes == ("first",)


def test_a_scale_acts_before_the_unit() -> None:
    found = extract([row(2.0, unit="Wh")], profile({**HEAT, "scale": 40.0}))
    assert values(found, "heat") == [0.08]


def test_the_profile_gives_the_unit_that_the_file_does_not_state() -> None:
    found = extract([row(3.0, unit=None)], profile({**HEAT, "unit": "MWh"}))
    assert values(found, "heat") == [3000.0]


def test_a_unit_that_nobody_states_stops_the_file() -> None:
    with pytest.raises(DescriptionError, match=r"Column 'heat': meter\.log does not state its"):
        extract([row(unit=None)])


def test_a_unit_of_another_dimension_stops_the_file_and_names_both() -> None:
    with pytest.raises(Terminal, match=r"states 'kW' for the column 'heat', but .* says 'kWh'"):
        extract([row(unit="kW")], profile({**HEAT, "unit": "kWh"}))


def test_a_file_whose_only_unit_does_not_fit_the_role_is_refused() -> None:
    with pytest.raises(DescriptionError, match="'kW' is a unit of power"):
        extract([row(unit="kW")])


def test_a_stray_unit_costs_its_own_rows_only() -> None:
    found = extract([row(), row(unit="kW"), row(unit="kW\0x"), row(unit=None), row(4.0)])
    assert values(found, "heat") == [1.0, 4.0]
    assert reasons(found) == [
        (2, "heat", "the unit 'kW' does not fit this column"),
        (3, "heat", "the unit 'kW\u2400x' does not fit this column"),
        (4, "heat", "neither the file nor the profile states the unit"),
    ]


def test_a_profile_s_unit_is_checked_even_where_the_file_has_no_rows() -> None:
    with pytest.raises(DescriptionError, match="'degC' is a unit of temperature"):
        extract([], profile({**HEAT, "unit": "degC"}))


def test_units_may_change_within_a_file_and_order_is_kept() -> None:
    found = extract([row(1.0), row(2.0, unit="MWh"), row(3.0), row(4.0, unit="MWh")])
    assert values(found, "heat") == [1.0, 2000.0, 3.0, 4000.0]


def test_each_meter_that_the_file_names_is_a_target() -> None:
    found = extract([row(1.0, serial="B"), row(2.0, serial="A"), row(3.0), row(4.0, serial="B")])
    assert [target.serial for target in found.targets] == ["B", "A", None]
    assert found.readings.select("target", "value").rows() == [(0, 1.0), (0, 4.0), (1, 2.0), (2, 3)]


def test_a_column_with_a_serial_takes_that_meter_and_counts_the_others() -> None:
    found = extract([row(1.0, serial="A"), row(serial="B")], profile({**HEAT, "serial": "A"}))
    assert values(found, "heat") == [1.0]
    assert "1 rows of the point 'heat' are of meters that the profile does not name: 'B'." in said(
        found
    )


def test_a_row_that_does_not_say_its_meter_is_refused_where_others_do() -> None:
    rows = [row(1.0, serial="A"), row(), row(None, reason="torn")]
    found = extract(rows, profile({**HEAT, "serial": "A"}, {**HEAT, "serial": "B"}))
    assert values(found, "heat") == [1.0]
    assert reasons(found) == [
        (2, "heat", "the file does not say which meter it is of"),
        (3, "heat", "torn"),
    ]


def test_a_meter_that_is_not_in_the_file_is_missed() -> None:
    found = extract([row(serial="A")], profile({**HEAT, "serial": "Z"}))
    assert found.rows_read == 0
    assert "no rows of the point 'heat' of meter 'Z'" in said(found)


def test_a_file_without_serials_takes_the_profile_s() -> None:
    found = extract([row()], profile({**HEAT, "serial": "A"}))
    assert [target.serial for target in found.targets] == ["A"]


def test_a_file_without_serials_cannot_feed_two_meters_from_one_point() -> None:
    used = profile({**HEAT, "serial": "A"}, {**HEAT, "serial": "B"})
    with pytest.raises(Terminal, match="states no serial with the point 'heat'"):
        extract([row()], used)


@pytest.mark.parametrize(
    ("columns", "message"),
    [
        ([HEAT, HEAT], "names the column 'heat' twice"),
        ([HEAT, {**HEAT, "serial": "A"}], "with and without a serial"),
        (
            [{"role": "heat_total", "kind": "register", "record": {"quantity": "energy"}}],
            "column of role 'heat_total' without 'column'",
        ),
    ],
)
def test_a_profile_whose_columns_cannot_be_told_apart_is_refused(
    columns: list[dict[str, Any]], message: str
) -> None:
    with pytest.raises(DescriptionError, match=message):
        extract([row()], profile(*columns))


def test_too_many_meters_under_one_name_stop_the_file() -> None:
    with pytest.raises(Terminal, match="1001 meters with the point 'heat'"):
        extract([row(serial=str(number)) for number in range(1001)])


def test_a_length_that_the_file_states_is_taken() -> None:
    found = extract([row(point="load", duration_s=82_800)], profile(LOAD))
    assert found.readings.select("t_utc", "duration_s").rows() == [(NOON, 82_800)]


def test_a_stated_length_differs_from_the_profile_s() -> None:
    found = extract([row(point="load", duration_s=900)], profile({**LOAD, "interval": "PT1H"}))
    assert found.readings["duration_s"].to_list() == [900]
    assert "another length than the profile's 1:00:00 for 1 readings" in said(found)


def test_a_day_of_23_hours_is_still_a_day() -> None:
    found = extract([row(point="load", duration_s=82_800)], profile({**LOAD, "interval": "P1D"}))
    assert found.notes == ("first",)


def test_a_stamp_at_the_end_moves_back_by_the_interval() -> None:
    used = profile({**LOAD, "stamp": "end", "interval": "PT15M"})
    found = extract([row(point="load", duration_s=3600), row(point="load")], used)
    assert times(found, "load") == ["2024-01-15 11:00", "2024-01-15 11:45"]
    assert found.readings["duration_s"].to_list() == [3600, 900]


def test_regular_spacing_gives_the_length() -> None:
    found = extract(hourly(5, point="load"), profile(LOAD))
    assert found.readings["duration_s"].to_list() == [3600] * 5
    assert "a reading every 1:00:00" in said(found)


def test_days_without_a_length_follow_the_calendar_of_the_zone() -> None:
    # Clocks in Berlin went forward on 31 March 2024 at 01:00 UTC (tz database).
    rows = [
        row(point="load", t_utc=datetime(2024, 3, day, 23, tzinfo=PY_UTC)) for day in (28, 29, 30)
    ]
    used = profile({**LOAD, "interval": "P1D"}, zone="Europe/Berlin")
    assert extract(rows, used).readings["duration_s"].to_list() == [86_400, 86_400, 82_800]
    fixed = profile({**LOAD, "interval": "P1D"}, zone="+01:00")
    assert extract(rows, fixed).readings["duration_s"].to_list() == [86_400] * 3


def test_a_length_that_cannot_be_told_stops_the_file() -> None:
    with pytest.raises(Terminal, match="too few times to tell its interval"):
        extract([row(point="load")], profile(LOAD))


def test_what_cannot_be_used_is_kept_with_its_reason() -> None:
    used = profile({**HEAT, "sentinels": [-999]}, LOAD)
    found = extract(
        [
            row(1.0),
            row(float("nan")),
            row(float("inf")),
            row(-999.0),
            row(None),
            row(t_utc=None),
            row(None, reason="the checksum is wrong", raw="x" * 300),
            row(1e308, unit="GWh"),
            row(point="load", duration_s=0),
            row(None, point=None, reason="not a record", raw=None),
            row(None, point=None),
        ],
        used,
    )
    assert values(found, "heat") == [1.0]
    assert reasons(found) == [
        (2, "heat", "not a finite number: 'nan'"),
        (3, "heat", "not a finite number: 'inf'"),
        (4, "heat", "this value stands for 'no value' in this column"),
        (5, "heat", "there is no value in this row"),
        (6, "heat", "there is no time in this row"),
        (7, "heat", "the checksum is wrong"),
        (8, "heat", "the value is too large"),
        (9, "load", "an interval cannot last 0 s"),
        (10, "(whole line)", "not a record"),
        (11, "(whole line)", "it does not say what it is of"),
    ]
    assert found.rejects["raw"].to_list()[5] == "x" * 200 + "…"


def test_points_that_no_column_names_are_counted_by_name() -> None:
    found = extract([row(), row(point="b"), row(point="a"), row(None, point="a", reason="bad")])
    assert found.rows_read == 1
    assert "3 rows are of points that the profile does not map: 'a' (2), 'b' (1)." in said(found)


def test_only_the_commonest_points_are_listed() -> None:
    found = extract([row(point=f"p{number:02}") for number in range(14)])
    assert "'p11' (1) and 2 more points." in said(found)
    assert "no rows of the points 'heat'" in said(found)


def test_an_empty_file_has_no_readings() -> None:
    found = extract([])
    assert (found.rows_read, found.targets) == (0, ())


cells = st.fixed_dictionaries(
    {
        "point": st.sampled_from(["heat", "load", "other", None]),
        "serial": st.sampled_from([None, "A", "B"]),
        "unit": st.sampled_from(["kWh", "Wh", "GJ", "kW", "?", None]),
        "t_utc": st.one_of(
            st.none(), st.integers(0, 99).map(lambda hour: NOON + timedelta(hours=hour))
        ),
        "duration_s": st.sampled_from([None, -1, 0, 60, 3600, 2**31 - 1]),
        "value": st.one_of(st.none(), st.floats()),
        "raw": st.one_of(st.none(), st.text(max_size=5)),
        "reason": st.sampled_from([None, None, None, "bad"]),
    }
)


@given(st.lists(cells, max_size=30))
def test_every_row_of_a_named_point_is_a_reading_or_a_reject(rows: list[dict[str, Any]]) -> None:
    used = profile({**HEAT, "unit": "kWh"}, {**LOAD, "unit": "kWh", "interval": "PT1H"})
    try:
        found = extract(rows, used)
    except Terminal as error:
        assert "nothing was read" in str(error)  # noqa: PT017
        return
    named = [number for number, one in enumerate(rows, 1) if one["point"] != "other"]
    account = found.readings["line"].to_list() + found.rejects["line"].to_list()
    assert sorted(account) == named
    assert found.readings["value"].is_finite().all()
    assert found.readings["t_utc"].null_count() == 0
