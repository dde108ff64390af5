"""A file of any length is read in parts, and says the same wherever it is cut."""

from __future__ import annotations

import gzip
import tempfile
import tracemalloc
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ingest import text_lines, text_parts, text_table
from ingest.adapters.delimited import ADAPTER
from ingest.double_hours import DoubleHours
from ingest.errors import IngestError, Terminal, Transient
from ingest.local_time import DAY, SECOND, parse_zone, resolve_fold, to_utc
from ingest.names import MAX_METERS
from ingest.normal_form import Extract
from ingest.profile import Profile
from ingest.spacing import Spacing
from ingest.streams import merged
from ingest.text_lines import load_text
from ingest.text_parts import TextParts
from tests.ingest.exports import ELEC, HEAT, profile, read, reasons, times, values

LONG = {"layout": "long", "point": "point", "value": "value"}
INTERVAL = {"column": "elec", "role": "elec_total", "kind": "interval", "unit": "kWh"}
WHOLE = 1 << 30

sizes = st.integers(1, 90)


def in_parts(path: Path, used: Profile, size: int) -> Extract | str:
    """Read a file so many bytes at a time; the sentence where it is refused."""
    try:
        return merged(ADAPTER.read_parts(path, used, size), used)
    except IngestError as error:
        return f"{type(error).__name__}: {error.user_message}"


def assert_same(content: bytes, used: Profile, size: int) -> Extract | str:
    """Hold a file that is read in pieces to the same file read at once."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "export.csv"
        path.write_bytes(content)
        whole, parts = in_parts(path, used, WHOLE), in_parts(path, used, size)
    if isinstance(whole, str) or isinstance(parts, str):
        assert parts == whole
        return whole
    assert parts.targets == whole.targets
    assert parts.readings.equals(whole.readings)
    assert parts.rejects.equals(whole.rejects)
    assert (parts.lines, parts.blank, parts.notes) == (whole.lines, whole.blank, whole.notes)
    return whole


class TestText:
    @given(
        st.lists(
            st.sampled_from(
                ["a", "ä", "€", "\U0001f600", "\n", "\r", "\r\n", ";", "\x00", "x" * 30]
            )
        ).map("".join),
        st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
        st.binary(max_size=4),
        sizes,
    )
    def test_lines_and_their_numbers_are_those_of_the_whole_file(
        self, text: str, codec: str, odd: bytes, size: int
    ) -> None:
        content = text.encode(codec, "replace") + odd
        # Bytes that begin like gzip are no text.
        assume(not content.startswith(text_lines.GZIP_MARK))
        declared = "cp1252" if codec == "cp1252" else None
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "a.txt"
            path.write_bytes(content)
            if not content:
                return
            whole = load_text(path, declared)
            stream = TextParts(path, declared, size)
            parts = list(stream)
        lines = [part.line(index) for part in parts for index in range(len(part.start))]
        assert lines == [whole.line(index) for index in range(len(whole.start))]
        assert [part.first for part in parts] == np.cumsum(
            [0, *(len(part.start) for part in parts)]
        ).tolist()[: len(parts)]
        assert (stream.notes, stream.ended, stream.lines) == (whole.notes, whole.ended, len(lines))

    def test_a_line_beyond_the_limit_is_refused_with_its_number_and_its_neighbours_are_kept(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        for module in (text_parts, text_table):
            monkeypatch.setattr(module, "MAX_LINE", 3_000)
        rows = [b"2024-01-01 00:00;100;30", b"9" * 50_000, b"2024-01-01 01:00;104;31"]
        content = b"\n".join([b"time;heat;elec", *rows, b""])
        for size in (7, 1_000, WHOLE):
            found = assert_same(content, profile(), size)
            assert isinstance(found, Extract)
            assert values(found, "heat") == [100.0, 104.0]
            assert reasons(found) == [(3, "(whole line)", "the line is longer than 3,000 bytes")]
            assert found.rejects["raw"][0] == "9" * 200 + "…"

    def test_a_file_that_is_one_endless_line_is_refused_and_never_held(
        self, tmp_path: Path
    ) -> None:
        path = tmp_path / "export.csv"
        with path.open("wb") as handle:
            handle.truncate(300 << 20)
        tracemalloc.start()
        with pytest.raises(Terminal, match="line 1: the line is longer than 1,048,576 bytes"):
            ADAPTER.read(path, profile())
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert peak < 40 << 20

    def test_a_gzip_file_that_unpacks_without_end_is_refused_before_it_fills_the_disk(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(text_parts, "FREE_BYTES", 1 << 20)
        bomb = b"time;heat;elec\n" + b"2024-01-01 00:00;1;1\n" * 400_000
        with pytest.raises(Terminal, match="unpacks to more than 250 times its size"):
            read(tmp_path, gzip.compress(bomb, 9), profile(), name="export.csv.gz")

    def test_a_gzip_file_that_ends_early_is_said_although_parts_of_it_were_read(
        self, tmp_path: Path
    ) -> None:
        rng = np.random.default_rng(3)
        rows = "".join(f"2024-01-01 00:00;{a};{a}\n" for a in rng.integers(0, 10**9, 4_000))
        packed = gzip.compress(b"time;heat;elec\n" + rows.encode())
        path = tmp_path / "export.csv.gz"
        path.write_bytes(packed[:-2_000])
        parts = ADAPTER.read_parts(path, profile(), 4_096)
        assert next(parts).lines > 0
        with pytest.raises(Transient, match="middle of its gzip data"):
            list(parts)

    def test_more_lines_than_the_store_can_number_are_refused(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(text_parts, "MAX_LINES", 2)
        with pytest.raises(Terminal, match=r"more than 2 lines: it is no meter's export"):
            read(tmp_path, "time;heat;elec\n\n\n", profile())


def test_a_header_below_many_lines_of_preamble_is_found_however_the_file_is_cut() -> None:
    content = b"# about\n" * 499 + b"time;heat;elec\n;kWh;kWh\n2024-01-01 00:00;1;2\n"
    found = assert_same(content, profile(), 5)
    assert isinstance(found, Extract)
    assert found.notes == ("Line 501 states units; they agree with the profile.",)
    assert assert_same(b"# about\n" + content, profile(), 5) == (
        "Terminal: export.csv: no header line with the time column 'time' was found in its first "
        "500 lines. The likeliest header has: '# about'. Correct 'time', 'separator' or "
        "'encoding' in the profile."
    )


class TestContext:
    """What one part cannot know by itself."""

    @pytest.mark.parametrize("size", [1, 30, 100])
    @pytest.mark.parametrize("backward", [False, True])
    def test_a_doubled_hour_across_a_cut_is_told_by_the_order_of_the_file(
        self, size: int, backward: bool
    ) -> None:
        clock = ["00:00", "00:30", "01:00", "01:30", "01:00", "01:30", "02:00", "02:30"]
        rows = [f"2024-10-27 {one};{n};{n}\n" for n, one in enumerate(clock)]
        rows = rows[::-1] if backward else rows
        content = ("time;heat;elec\n" + "".join(rows)).encode()
        found = assert_same(content, profile(zone="Europe/London"), size)
        assert isinstance(found, Extract)
        told = dict(zip(values(found, "heat"), times(found, "heat"), strict=True))
        assert [told[n][-8:] for n in (2, 3, 4, 5, 6)] == [
            "27 00:00",
            "27 00:30",
            "27 01:00",
            "27 01:30",
            "27 02:00",
        ]

    @pytest.mark.parametrize("size", [20, 200])
    def test_a_doubled_hour_that_comes_again_later_in_the_file_is_told_nowhere(
        self, size: int
    ) -> None:
        clock = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
        night = "".join(f"2024-10-27 {one};1;1\n" for one in clock)
        days = "".join(f"2024-11-{day:02} 12:00;1;1\n" for day in range(1, 29))
        content = ("time;heat;elec\n" + night + days + night).encode()
        found = assert_same(content, profile(zone="Europe/London"), size)
        assert isinstance(found, Extract)
        assert found.rejects.height == 16

    @pytest.mark.parametrize("size", [1, 64])
    def test_the_usual_step_is_that_of_all_of_the_file(self, size: int) -> None:
        rows = [f"2024-01-01 {hour:02}:00;1\n" for hour in range(3)]
        rows += [f"2024-01-02 {hour:02}:{m};1\n" for hour in range(12) for m in ("00", "30")]
        content = ("time;elec\n" + "".join(rows)).encode()
        found = assert_same(content, profile({**INTERVAL, "stamp": "end"}), size)
        assert isinstance(found, Extract)
        assert found.readings["duration_s"].unique().to_list() == [1800]
        assert found.notes[0].startswith("The column 'elec' has a reading every 0:30:00;")

    def test_a_separator_at_the_end_is_only_ignored_if_no_row_lacks_it(self) -> None:
        rows = [f"2024-01-01 {hour:02}:00;{hour};1;\n" for hour in range(20)]
        ended = ("time;heat;elec\n" + "".join(rows)).encode()
        found = assert_same(ended, profile(), 40)
        assert isinstance(found, Extract)
        assert (found.readings.height, found.rejects.height) == (40, 0)
        found = assert_same(ended + b"2024-01-02 00:00;9;9\n", profile(), 40)
        assert isinstance(found, Extract)
        assert (found.readings.height, found.rejects.height) == (2, 20)

    def test_a_broken_line_does_not_undo_the_separators_at_the_end_of_the_others(self) -> None:
        content = b"time;heat;elec\n2024-01-01 00:00;1;2;\n2024-01-01 01:00;3;4;\nend of report\n"
        found = assert_same(content, profile(), 9)
        assert isinstance(found, Extract)
        assert (found.readings.height, [line for line, _, _ in reasons(found)]) == (4, [4])

    def test_notes_are_given_once_with_the_sums_of_the_file(self) -> None:
        row = "2024-01-01 {:02}:00;heat;1\n2024-01-01 {:02}:00;pump;\xff\n"
        body = "".join(row.format(hour, hour) for hour in range(24))
        head = "time;point;value\n"
        content = (head + (body + head) * 3 + "2024-01-02 00:00;heat;2").encode("latin-1")
        found = assert_same(content, profile(**LONG), 25)
        assert isinstance(found, Extract)
        assert found.notes == (
            "72 bytes are not text in utf-8; if letters are wrong, give the profile another "
            "'encoding'.",
            "The header line is repeated 3 times; these are no data.",
            "The last line (149) has no line end: if the file was copied while it was being "
            "written, its last value may be cut short.",
            "72 rows are of points that the profile does not map: 'pump' (72).",
            "The file has no rows of the points 'elec'.",
        )

    def test_more_meters_than_a_home_can_have_are_refused(self, tmp_path: Path) -> None:
        rows = "".join(f"2024-01-01 00:00;S{n};1\n" for n in range(MAX_METERS + 1))
        with pytest.raises(Terminal, match=r"'meter' holds more than 1000 serials"):
            read(tmp_path, "time;meter;heat\n" + rows, profile(HEAT, serial="meter"))

    def test_rows_that_wait_for_the_end_of_the_file_are_bounded(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("ingest.streams.MAX_WAITING", 1_000)
        rows = "".join(f"2024-10-27 01:{minute:02};1;1\n" for minute in range(30))
        with pytest.raises(Terminal, match="lie in hours that occur twice"):
            read(tmp_path, "time;heat;elec\n" + rows, profile(zone="Europe/London"))


night = st.lists(
    st.tuples(st.integers(0, 2), st.integers(-6, 14), st.sampled_from(["", "", "", "Z", "+01:00"])),
    max_size=60,
)


@settings(max_examples=40)
@given(night, st.lists(st.integers(1, 60), max_size=12))
def test_the_order_about_doubled_hours_is_that_of_the_whole_wherever_it_is_cut(
    rows: list[tuple[int, int, str]], cuts: list[int]
) -> None:
    zone = parse_zone("Europe/London")
    begin = (datetime(2024, 10, 27, 0, tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)).days * DAY
    local = np.array([begin + 900 * SECOND * quarter for _, quarter, _ in rows], dtype=np.int64)
    floating = np.array([not offset for _, _, offset in rows], dtype=np.bool_)
    group = np.array([series for series, _, _ in rows], dtype=np.int64)
    _, _, double = to_utc(local, floating, zone)
    hours = DoubleHours(zone)
    places = sorted({0, len(rows), *(cut for cut in cuts if cut < len(rows))})
    for first, last in pairwise(places):
        hours.add(local[first:last], double[first:last], group[first:last])
    later, told = hours.settle()
    expected_later, expected = np.zeros(0, dtype=np.int64), np.zeros(len(rows), dtype=np.bool_)
    if double.any():
        expected_later, expected = resolve_fold(local, double, group, zone)
    assert np.flatnonzero(double)[later].tolist() == sorted(expected_later.tolist())
    assert told.tolist() == expected[double].tolist()


@given(
    st.lists(st.integers(0, 400), min_size=2, max_size=80),
    st.lists(st.integers(1, 80), max_size=6),
    st.sampled_from([60, 900, 86_400]),
)
def test_the_usual_step_does_not_depend_on_order_or_parts(
    steps: list[int], cuts: list[int], length: int
) -> None:
    at = np.array(steps, dtype=np.int64) * length * SECOND
    places = sorted({0, len(at), *(cut for cut in cuts if cut < len(at))})

    def told(order: np.ndarray, parts: list[int]) -> str:
        spacing = Spacing()
        for first, last in pairwise(parts):
            spacing.add(order[first:last], order[first:last])
        try:
            return str(spacing.settle(file="a.csv", where="elec"))
        except Terminal as error:
            return error.user_message

    unique = np.unique(at)
    said = told(at, places)
    assert said == told(np.sort(at), [0, len(at)])
    if len(unique) > 1:
        known, counts = np.unique(np.diff(unique), return_counts=True)
        usual = int(known[np.argmax(counts)])
        even = counts[known % usual != 0].sum() <= 0.01 * counts.sum()
        fits = usual <= 366 * DAY
        assert ("that is taken as its interval" in said) == bool(even and fits)


def test_times_too_dense_for_any_interval_are_not_evenly_spaced() -> None:
    spacing = Spacing()
    at = np.arange(150_000, dtype=np.int64) * 1_000
    spacing.add(at, at)
    with pytest.raises(Terminal, match="not evenly spaced"):
        spacing.settle(file="a.csv", where="elec")


cells = st.sampled_from(["1", "2.5", "-3", "", " ", "Err", "1,5", '"4"', '"', "NaN", "ä", "\x00"])
stamps = st.builds(
    lambda quarter, offset: (
        f"{datetime(2024, 10, 26, 23, tzinfo=UTC) + timedelta(minutes=15 * quarter):%Y-%m-%d %H:%M}"
        f"{offset}"
    ),
    st.integers(0, 20),
    st.sampled_from(["", "", "", "", "Z", "+01:00"]),
)
clock_order = st.lists(st.integers(0, 20), max_size=40)
odd_lines = st.sampled_from(
    ["", "  ", "time;heat;elec", ";kWh;kWh", "Total;1;2", "one", ";;", "a;b;c;d;e", 'x;"y;z']
)
rows_of_a_file = st.lists(
    st.one_of(
        st.builds(
            lambda t, a, b, more: f"{t};{a};{b}{more}",
            stamps,
            cells,
            cells,
            st.sampled_from(["", "", "", ";"]),
        ),
        odd_lines,
    ),
    max_size=40,
)


@settings(max_examples=35)
@given(
    rows_of_a_file,
    clock_order,
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]),
    st.sampled_from([{}, {"interval": "PT15M", "stamp": "end"}, {"stamp": "end"}]),
    st.booleans(),
    sizes,
)
def test_any_wide_file_cut_anywhere_is_the_whole_file(
    lines: list[str],
    quarters: list[int],
    line_end: str,
    codec: str,
    interval: dict[str, Any],
    packed: bool,
    size: int,
) -> None:
    begin = datetime(2024, 10, 26, 23, tzinfo=UTC)
    autumn = [f"{begin + timedelta(minutes=15 * q):%Y-%m-%d %H:%M};1;1" for q in sorted(quarters)]
    content = line_end.join(["# preamble", "time;heat;elec", *autumn, *lines])
    used = profile(HEAT, {**INTERVAL, **interval}, zone="Europe/London")
    data = content.encode(codec)
    assert_same(gzip.compress(data) if packed else data, used, size)


@settings(max_examples=35)
@given(
    st.lists(
        st.builds(
            lambda t, p, s, v: f"{t};{p};{s};{v}",
            stamps,
            st.sampled_from(["heat", "elec", "pump", "fan", "", " heat "]),
            st.sampled_from(["A", "B", ""]),
            cells,
        ),
        max_size=50,
    ),
    st.booleans(),
    st.booleans(),
    sizes,
)
def test_any_long_file_cut_anywhere_is_the_whole_file(
    lines: list[str], by_serial: bool, interval: bool, size: int
) -> None:
    columns = ({**HEAT, "serial": "A"}, INTERVAL if interval else ELEC)
    used = profile(
        *(columns if by_serial else (HEAT, columns[1])),
        zone="Europe/London",
        **LONG,
        **({"serial": "meter"} if by_serial else {}),
    )
    content = "\n".join(["time;point;meter;value", *lines, ""])
    assert_same(content.encode(), used, size)


def test_limits_are_the_same_where_text_is_cut_and_where_lines_are_refused() -> None:
    assert text_parts.MAX_LINE == text_table.MAX_LINE == text_lines.MAX_LINE


def test_readings_of_one_part_are_in_the_order_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    path.write_text("time;heat\n" + "".join(f"2024-01-01 0{h}:00;{h}\n" for h in range(9)))
    lines = [
        part.readings["line"].to_list() for part in ADAPTER.read_parts(path, profile(HEAT), 40)
    ]
    assert [line for part in lines for line in part] == list(range(2, 11))
    assert len([part for part in lines if part]) > 3
    assert pl.Series(lines[0]).is_sorted()


@pytest.mark.parametrize("size", [1, 7, WHOLE])
def test_two_bytes_a_letter_without_a_mark_are_read(tmp_path: Path, size: int) -> None:
    text = "time,heat\n" + "".join(f"2026-01-01T{h:02d}:00:00Z,{100 + h}\n" for h in range(5))
    path = tmp_path / "export.csv"
    path.write_bytes(text.encode("utf-16-le"))
    used = profile(HEAT, encoding="utf-16")
    found = merged(ADAPTER.read_parts(path, used, size), used)
    assert values(found, "heat") == [100, 101, 102, 103, 104]
