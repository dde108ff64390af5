"""Parquet files as loggers' databases and notebooks write them."""

from __future__ import annotations

import tempfile
from datetime import UTC, date, datetime, timedelta
from datetime import time as clock_time
from decimal import Decimal
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import IngestError, Terminal, Transient
from ingest.normal_form import Extract
from ingest.profile import Parquet, Profile
from ingest.registry import adapter
from monitor.errors import DescriptionError
from monitor.models import record_from_data
from tests.ingest.exports import ELEC, HEAT, reasons, times, values
from tests.ingest.exports import profile as text_profile
from tests.ingest.exports import read as read_file

DAY = datetime(2024, 1, 1)  # noqa: DTZ001
HOUR = timedelta(hours=1)
LONG = {"layout": "long", "point": "point", "value": "value"}


def profile(*columns: dict[str, Any], zone: str = "UTC", **layout: Any) -> Profile:
    data = {
        "name": "test",
        "format": "parquet",
        "zone": zone,
        "parquet": {"time": "time", **layout},
        "column": list(columns or (HEAT, ELEC)),
    }
    return record_from_data(Profile, data, where="test profile", what="profile")


def written(frame: pl.DataFrame | pa.Table, **options: Any) -> bytes:
    stream = BytesIO()
    table = frame.to_arrow() if isinstance(frame, pl.DataFrame) else frame
    pq.write_table(table, stream, **options)
    return stream.getvalue()


def read(folder: Path, content: bytes | pl.DataFrame | pa.Table, used: Profile) -> Extract:
    data = content if isinstance(content, bytes) else written(content)
    return read_file(folder, data, used, name="export.parquet")


def refusal(folder: Path, content: bytes | pl.DataFrame | pa.Table, used: Profile) -> str:
    with pytest.raises(IngestError) as error:
        read(folder, content, used)
    assert error.value.user_message.endswith(".")
    return error.value.user_message


def wide(**changes: Any) -> pl.DataFrame:
    columns = {"time": [DAY, DAY + HOUR], "heat": [100.5, 104.0], "elec": [30, None]}
    return pl.DataFrame({**columns, **changes})


def test_a_wide_file_is_read_by_its_columns_and_nulls_are_blank(tmp_path: Path) -> None:
    found = read(tmp_path, wide(), profile())
    assert values(found, "heat") == [100.5, 104.0]
    assert values(found, "elec") == [30.0]
    assert times(found, "heat") == ["2024-01-01 00:00", "2024-01-01 01:00"]
    assert found.readings["line"].to_list() == [1, 2, 1]
    assert (found.lines, found.blank, found.rows_read, found.notes) == (2, 1, 3, ())


@pytest.mark.parametrize(
    "dtype", [pl.Int8, pl.UInt64, pl.Float32, pl.Float64, pl.Decimal(10, 2), pl.String]
)
def test_values_of_any_number_type_or_text_are_read(tmp_path: Path, dtype: Any) -> None:
    frame = wide(heat=pl.Series([7, 8]).cast(dtype))
    assert values(read(tmp_path, frame, profile()), "heat") == [7.0, 8.0]


def test_nan_and_infinity_are_refused_row_by_row(tmp_path: Path) -> None:
    found = read(tmp_path, wide(heat=[float("nan"), float("inf")]), profile())
    assert reasons(found) == [
        (1, "heat", "not a finite number: 'NaN'"),
        (2, "heat", "not a finite number: 'inf'"),
    ]
    assert found.rejects["raw"].to_list() == ["NaN", "inf"]


def test_text_values_follow_the_marks_of_the_profile(tmp_path: Path) -> None:
    used = profile(HEAT, decimal=",", thousands=".")
    found = read(tmp_path, wide(heat=["1.204,5", "1.5"]), used)
    assert values(found, "heat") == [1204.5]
    assert reasons(found) == [(2, "heat", "not a number with the decimal mark ',': '1.5'")]


def test_sentinels_and_truth_values_are_set_aside(tmp_path: Path) -> None:
    used = profile({**HEAT, "sentinels": [65535]}, ELEC)
    found = read(tmp_path, wide(heat=[65535, 5], elec=[True, False]), used)
    assert values(found, "heat") == [5.0]
    assert [reason for _, _, reason in reasons(found)] == [
        "this value stands for 'no value' in this column",
        "not a number: 'true'",
        "not a number: 'false'",
    ]


@pytest.mark.parametrize("unit", ["ms", "us", "ns"])
def test_typed_times_without_a_zone_are_local_and_with_one_are_instants(
    tmp_path: Path, unit: Any
) -> None:
    local = pl.Series([DAY, DAY + HOUR]).cast(pl.Datetime(unit))
    used = profile(zone="Europe/Berlin")
    assert times(read(tmp_path, wide(time=local), used), "heat")[0] == "2023-12-31 23:00"
    for zone in ("UTC", "America/New_York"):
        aware = local.dt.replace_time_zone("UTC").dt.convert_time_zone(zone)
        assert times(read(tmp_path, wide(time=aware), used), "heat")[0] == "2024-01-01 00:00"


def test_fractions_of_a_second_are_kept(tmp_path: Path) -> None:
    moment = DAY + timedelta(microseconds=250_001)
    found = read(tmp_path, wide(time=[moment, moment + HOUR]), profile())
    assert found.readings["t_utc"][0] == moment.replace(tzinfo=UTC)


def test_both_hours_of_an_autumn_night_are_told_apart_by_their_order(tmp_path: Path) -> None:
    night = datetime(2024, 10, 27)  # noqa: DTZ001
    clock = [0.5, 1, 1.5, 1, 1.5, 2]
    frame = pl.DataFrame({"time": [night + k * HOUR for k in clock], "heat": range(6)})
    found = read(tmp_path, frame, profile(HEAT, zone="Europe/London"))
    expected = ["26 23:30", "27 00:00", "27 00:30", "27 01:00", "27 01:30", "27 02:00"]
    assert times(found, "heat") == [f"2024-10-{one}" for one in expected]
    alone = read(tmp_path, frame[:2], profile(HEAT, zone="Europe/London"))
    assert "occurs twice on this day" in reasons(alone)[0][2]


def test_a_time_that_clocks_skip_and_a_missing_time_are_refused(tmp_path: Path) -> None:
    spring = datetime(2024, 3, 31, 1, 30)  # noqa: DTZ001
    found = read(tmp_path, wide(time=[spring, None]), profile(HEAT, zone="Europe/London"))
    assert "01:30 does not exist on this day" in reasons(found)[0][2]
    assert reasons(found)[1][2] == "there is no time in this row"


@pytest.mark.parametrize(
    ("time_format", "stamps"),
    [
        ("epoch_s", [1704067200, 1704070800]),
        ("epoch_s", [1704067200.0, 1704070800.0]),
        ("epoch_ms", [1704067200000, 1704070800000]),
        ("excel", [45292.0, 45292.0416666667]),
        ("iso", ["2024-01-01T00:00Z", "2024-01-01 01:00"]),
        ("%d.%m.%Y %H:%M", ["01.01.2024 00:00", "01.01.2024 01:00"]),
    ],
)
def test_numbers_and_text_are_times_by_the_format(
    tmp_path: Path, time_format: str, stamps: list[Any]
) -> None:
    found = read(tmp_path, wide(time=stamps), profile(time_format=time_format))
    assert times(found, "heat") == ["2024-01-01 00:00", "2024-01-01 01:00"]


def test_dates_are_days_and_date_and_time_of_day_are_joined(tmp_path: Path) -> None:
    days = [date(2024, 1, 1), date(2024, 1, 2)]
    assert times(read(tmp_path, wide(time=days), profile()), "heat")[1] == "2024-01-02 00:00"
    for columns in (
        {"d": days, "c": [clock_time(13, 45), clock_time(0, 1, 2)]},
        {"d": ["2024-01-01", "2024-01-02"], "c": ["13:45:00", "00:01:02"]},
    ):
        found = read(tmp_path, wide(**columns), profile(time=["d", "c"]))
        assert times(found, "heat") == ["2024-01-01 13:45", "2024-01-02 00:01"]
    assert "are not a date and a time" in refusal(
        tmp_path, wide(d=days, c=[1, 2]), profile(time=["d", "c"])
    )


@pytest.mark.parametrize(
    ("stamps", "message"),
    [
        ([1, 2], "holds numbers. Set 'time_format' in the profile to what they count: one of"),
        ([True, False], "holds values of type Boolean, not dates"),
        ([clock_time(1), clock_time(2)], "holds times, not dates with times"),
        ([HOUR, HOUR], "holds durations, not dates"),
    ],
)
def test_a_time_column_that_is_no_time_stops_the_file(
    tmp_path: Path, stamps: list[Any], message: str
) -> None:
    assert message in refusal(tmp_path, wide(time=stamps), profile())


def test_times_beyond_any_calendar_are_refused_and_do_not_wrap(tmp_path: Path) -> None:
    stamps = pa.array([2**62, -(2**62)], pa.timestamp("ms"))
    table = pa.table({"time": stamps, "heat": [1.0, 2.0]})
    found = read(tmp_path, table, profile(HEAT))
    assert found.rejects.height == 2
    assert "lies outside 1970 to 2199" in reasons(found)[0][2]


@pytest.mark.parametrize(
    ("column", "message"),
    [
        ([[1.0], [2.0]], "column 'heat' is nested (large_list"),
        ([{"a": 1}, {"a": 2}], "column 'heat' is nested (struct"),
        ([b"1", b"2"], "column 'heat' holds bytes"),
        ([DAY, DAY], "the column 'heat' holds times, not numbers"),
    ],
)
def test_a_column_that_holds_no_numbers_stops_the_file(
    tmp_path: Path, column: list[Any], message: str
) -> None:
    assert message in refusal(tmp_path, wide(heat=column), profile())


def test_a_nested_column_that_is_not_asked_for_does_no_harm(tmp_path: Path) -> None:
    found = read(tmp_path, wide(tags=[["a"], ["b"]], elec=[{"x": 1}, {"x": 2}]), profile(HEAT))
    assert values(found, "heat") == [100.5, 104.0]


def test_a_missing_column_and_a_contradicting_unit_are_named(tmp_path: Path) -> None:
    message = refusal(tmp_path, wide().rename({"elec": "elek"}), profile())
    assert "export.parquet, its schema: there is no column 'elec'. The nearest is 'elek'" in message
    frame = wide().rename({"heat": "heat [MWh]"})
    message = refusal(tmp_path, frame, profile({**HEAT, "column": "heat [MWh]"}))
    assert "the file states 'MWh'" in message
    twice = pa.table([[DAY], [1.0], [2.0]], names=["time", "heat", "heat"])
    assert "occurs more than once" in refusal(tmp_path, twice, profile(HEAT))


def test_a_column_with_a_dot_in_its_name_is_found(tmp_path: Path) -> None:
    frame = wide().rename({"heat": "meter.heat"})
    used = profile({**HEAT, "column": "meter.heat"})
    assert values(read(tmp_path, frame, used), "meter.heat") == [100.5, 104.0]


def test_a_long_file_is_read_by_its_points_and_meters(tmp_path: Path) -> None:
    frame = pl.DataFrame(
        {
            "time": [DAY, DAY, DAY, DAY + HOUR],
            "meter": [77120, 77121, 77120, 77120],
            "point": pl.Series(["heat", "heat", "valve", "heat"], dtype=pl.Categorical),
            "value": [Decimal("100.25"), Decimal(7), Decimal(1), None],
        }
    )
    used = profile({**HEAT, "serial": "77120"}, serial="meter", **LONG)
    found = read(tmp_path, frame, used)
    assert values(found, "heat") == [100.25]
    assert (found.blank, found.rejects.height) == (1, 0)
    assert found.notes == (
        "1 rows are of points that the profile does not map: 'valve' (1).",
        "1 rows are of meters that the profile does not name: '77121'.",
    )


def test_a_file_without_rows_gives_no_readings_and_a_note(tmp_path: Path) -> None:
    found = read(tmp_path, wide().clear(), profile())
    assert (found.rows_read, found.notes) == (0, ("export.parquet has a schema but no rows.",))


def test_every_key_of_the_layout_is_on_the_page_of_profiles() -> None:
    page = (Path(__file__).parents[2] / "docs" / "profile-file.md").read_text(encoding="utf-8")
    assert [key for key in Parquet.model_fields if f"| `{key}` |" not in page] == []
    assert f"[{Parquet.__name__.lower()}]" in page


def test_a_profile_without_its_table_is_refused_in_a_sentence(tmp_path: Path) -> None:
    used = profile().model_copy(update={"parquet": None})
    with pytest.raises(DescriptionError, match=r"no table \[parquet\]"):
        read(tmp_path, wide(), used)


cells = st.none() | st.integers(-10_000_000, 10_000_000).map(lambda n: n / 100)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(cells, cells), min_size=1, max_size=15),
    st.sampled_from(["wide", "long"]),
    st.sampled_from(["UTC", "Europe/Berlin"]),
    st.sampled_from(["none", "snappy", "gzip", "zstd", "lz4", "brotli"]),
    st.integers(1, 5),
)
def test_a_parquet_file_says_what_the_same_table_says_as_text(
    table: list[tuple[Any, Any]], shape: str, zone: str, codec: str, group: int
) -> None:
    begin = datetime(2024, 10, 26, 22, 7)  # noqa: DTZ001
    stamps = [begin + timedelta(minutes=37 * k) for k in range(len(table))]
    layout: dict[str, Any] = {}
    schema: dict[str, Any] = {"time": pl.Datetime, "heat": pl.Float64, "elec": pl.Float64}
    rows: list[tuple[Any, ...]] = [(t, *pair) for t, pair in zip(stamps, table, strict=True)]
    if shape == "long":
        layout = LONG
        schema = {"time": pl.Datetime, "point": pl.String, "value": pl.Float64}
        rows = [row for t, a, b in rows for row in ((t, "heat", a), (t, "elec", b))]
    frame = pl.DataFrame(rows, schema=schema, orient="row")
    text = frame.write_csv(datetime_format="%Y-%m-%d %H:%M")
    content = written(frame, compression=codec, row_group_size=group)
    with tempfile.TemporaryDirectory() as folder:
        as_text = read_file(Path(folder), text, text_profile(zone=zone, **layout))
        found = read(Path(folder), content, profile(zone=zone, **layout))
    moved = as_text.readings.with_columns(line=pl.col("line") - 1)
    assert found.readings.equals(moved)
    assert (found.blank, found.lines) == (as_text.blank, as_text.lines)
    assert [(line + 1, column) for line, column, _ in reasons(found)] == [
        (line, column) for line, column, _ in reasons(as_text)
    ]


# ---- files that are none, and files made to do harm


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "export.parquet is empty"),
        (b"time;heat\n1;2\n", "is no Parquet file, whatever its name says"),
        (b"PARE" + bytes(40) + b"PARE", "is encrypted"),
        (b"PAR1" + bytes(40) + b"PAR1", "is damaged and cannot be read as Parquet"),
        (b"PAR1" + b"\xff" * 40 + b"PAR1", "is damaged and cannot be read as Parquet"),
    ],
)
def test_a_file_that_is_no_parquet_is_answered_in_a_sentence(
    tmp_path: Path, content: bytes, message: str
) -> None:
    assert message in refusal(tmp_path, content, profile())


def test_a_file_that_is_still_being_written_may_be_tried_again(tmp_path: Path) -> None:
    with pytest.raises(Transient, match="may still be written"):
        read(tmp_path, written(wide())[:-20], profile())
    with pytest.raises(Transient, match="cannot be read at present"):
        adapter("parquet").read(tmp_path / "none.parquet", profile())


def test_a_small_file_of_very_many_rows_is_refused_before_it_is_read(tmp_path: Path) -> None:
    table = pa.table({"time": np.zeros(1_000_000, "datetime64[us]"), "heat": np.ones(1_000_000)})
    stream = BytesIO()
    with pq.ParquetWriter(stream, table.schema) as writer:
        for _ in range(26):
            writer.write_table(table)
    content = stream.getvalue()
    assert len(content) < 1 << 20
    message = refusal(tmp_path, content, profile(HEAT))
    assert "has 26,000,000 rows; of 2 columns at most 25,000,000 are read" in message


def test_a_file_that_unpacks_to_more_than_memory_should_hold_is_refused(tmp_path: Path) -> None:
    rows = 1100
    table = pa.table({"time": np.zeros(rows, "datetime64[us]"), "heat": ["x" * (1 << 20)] * rows})
    content = written(table, use_dictionary=False, compression="zstd")
    assert len(content) < 1 << 20
    assert "unpacks to more than 1024 MiB" in refusal(tmp_path, content, profile(HEAT))


def test_a_text_that_all_rows_share_does_not_fill_memory(tmp_path: Path) -> None:
    rows = 20_000
    text = pa.DictionaryArray.from_arrays(np.zeros(rows, np.int32), ["x" * 100_000])
    table = pa.table({"time": np.zeros(rows, "datetime64[us]"), "heat": text})
    content = written(table)
    assert len(content) < 1 << 20
    assert "holds more than 1024 MiB of text" in refusal(tmp_path, content, profile(HEAT))


@settings(max_examples=80, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 5000), st.binary(min_size=1, max_size=3)), min_size=1, max_size=4
    )
)
def test_no_damage_to_a_file_raises_or_loses_a_cell(changes: list[tuple[int, bytes]]) -> None:
    content = written(wide(note=["a", "b"]))
    for place, new in changes:
        at = place % len(content)
        content = content[:at] + new + content[at + len(new) :]
    said = "."
    try:
        with tempfile.TemporaryDirectory() as folder:
            found = read(Path(folder), content, profile())
    except IngestError as error:
        said = error.user_message
    else:
        assert found.rows_read + found.blank == 2 * found.lines
        assert found.readings["value"].is_finite().all()
    assert said.endswith(".")


def test_a_file_beyond_the_limit_of_columns_is_refused(tmp_path: Path) -> None:
    table = pa.table({"time": [DAY], "heat": [1.0], **{f"x{k}": [1] for k in range(20_000)}})
    with pytest.raises(Terminal, match="more than 20000 columns"):
        read(tmp_path, table, profile(HEAT))
