"""A file that is read in parts is imported once, all or nothing, as if read at once."""

from __future__ import annotations

import tempfile
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.adapters.delimited import DelimitedAdapter
from ingest.errors import Terminal
from ingest.inbox import ImportReport, import_file, read_ahead
from ingest.normal_form import Extract
from ingest.profile import Profile
from ingest.registry import PartsAdapter, adapter, read_in_parts
from monitor.errors import StoreBusyError
from monitor.models import Site
from monitor.store import portions, readings
from monitor.store.appending import forget_blocks
from monitor.store.changes import pending
from monitor.store.connection import Store, open_store, query
from monitor.store.readings import Portion, imports, load_readings
from monitor.store.sites import save_site
from tests.monitor.homes import at, home
from tests.monitor.stores import batch

NOW = datetime(2024, 12, 1, tzinfo=UTC)
HEAT = {"column": "heat", "role": "heat_total", "kind": "register", "unit": "kWh"}
UNIT = {"column": "unit", "role": "elec_unit", "kind": "register", "unit": "kWh"}
WHOLE = 1 << 30
HEAD = "time,heat,unit\n"


def dwelling() -> Site:
    return home({"role": "heat_total"}, {"role": "elec_unit"})


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "homes.duckdb", create=True) as opened:
        save_site(opened, dwelling(), NOW)
        yield opened


def profile(*, correction: bool = False, zone: str = "UTC", **layout: Any) -> Profile:
    return Profile.model_validate(
        {
            "name": "logger",
            "format": "delimited",
            "correction": correction,
            "zone": zone,
            "delimited": {"time": "time", **layout},
            "column": [HEAT, UNIT],
        }
    )


class Cutting(DelimitedAdapter):
    """The adapter with another size of its parts."""

    def __init__(self, size: int) -> None:
        self.size = size

    def read_parts(self, path: Path, profile: Profile, size: int = 0) -> Iterator[Extract]:
        return super().read_parts(path, profile, size or self.size)


def bring(
    store: Store, path: Path, content: str, size: int, used: Profile | None = None
) -> ImportReport:
    """Import a text, so many bytes at a time."""
    path.write_text(content)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("ingest.inbox.adapter", lambda _: Cutting(size))
        report = import_file(store, "mill-lane-1", path, used or profile(), now=NOW)
    c = report.counts
    assert c.rows_read == c.accepted + c.duplicates + c.conflicts + c.quarantined
    return report


def kept(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    """Everything that imports leave behind."""
    tables = {
        "reading": "channel_id, t_utc, duration_s, value, import_id, line",
        "quarantine": "import_id, line, source_column, raw, reason",
        "contested": "channel_id, t_utc, settled_by",
        "changed": "site_id, since_utc",
        "import": "import_id, content_hash, correction, lines, blank, rows_read, accepted, "
        "duplicates, conflicts, quarantined, notes",
    }
    return {
        table: query(store.cursor(), f"SELECT {columns} FROM {table} ORDER BY ALL").rows()
        for table, columns in tables.items()
    }


def row(hour: float, heat: object, unit: object) -> str:
    return f"{at(hour):%Y-%m-%dT%H:%M:%SZ},{heat},{unit}\n"


class TestParts:
    @pytest.mark.parametrize("size", [1, 40, 300, WHOLE])
    def test_the_accounting_identity_is_that_of_the_whole_file(
        self, store: Store, tmp_path: Path, size: int
    ) -> None:
        rows = [row(h, h, "" if h == 3 else h) for h in range(8)]
        rows += [row(1, 1, 1), row(2, 2.5, 2), row(9, "Err", 9), "broken\n"]
        report = bring(store, tmp_path / "a.csv", HEAD + "".join(rows), size)
        assert report.sentence == (
            "a.csv: 22 readings read = 16 accepted + 3 duplicates + 1 conflicts + "
            "2 quarantined (12 lines, 1 blank cells)."
        )
        listed = imports(store).row(0, named=True)
        assert (listed["rows_read"], listed["lines"], listed["blank"]) == (22, 12, 1)

    def test_a_fault_in_a_late_part_leaves_nothing_of_the_parts_before(
        self, store: Store, tmp_path: Path
    ) -> None:
        before = kept(store)

        class Faulty(Cutting):
            def read_parts(self, path: Path, profile: Profile, size: int = 0) -> Iterator[Extract]:
                for number, part in enumerate(super().read_parts(path, profile, size)):
                    if number == 4:
                        message = "The rest of a.csv cannot be read."
                        raise Terminal(message)
                    yield part

        path = tmp_path / "a.csv"
        path.write_text(HEAD + "".join(row(h, h, h) for h in range(20)))
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr("ingest.inbox.adapter", lambda _: Faulty(60))
            with pytest.raises(Terminal, match="cannot be read"):
                import_file(store, "mill-lane-1", path, profile(), now=NOW)
        assert kept(store) == before
        assert import_file(store, "mill-lane-1", path, profile(), now=NOW).counts.accepted == 40

    def test_the_same_file_in_other_parts_is_the_same_file(
        self, store: Store, tmp_path: Path
    ) -> None:
        content = HEAD + "".join(row(h, h, h) for h in range(20))
        bring(store, tmp_path / "a.csv", content, 50)
        before = kept(store)
        assert bring(store, tmp_path / "b.csv", content, WHOLE).already == NOW
        assert kept(store) == before

    def test_figures_are_computed_anew_from_the_first_reading_that_is_new(
        self, store: Store, tmp_path: Path
    ) -> None:
        rows = [row(h, h, h) for h in range(10)]
        bring(store, tmp_path / "a.csv", HEAD + "".join(rows), 60)
        with store.transaction() as cursor:
            cursor.execute("DELETE FROM changed")
        bring(store, tmp_path / "b.csv", HEAD + "".join(rows) + row(10, 10, 10), 60)
        assert pending(store, "mill-lane-1").since == at(10)

    def test_readings_of_parts_come_out_in_order_of_channel_and_time(
        self, store: Store, tmp_path: Path
    ) -> None:
        rows = [row(h, h, h) for h in [5, 6, 7, 8, 1, 2, 3, 4]]
        bring(store, tmp_path / "a.csv", HEAD + "".join(rows), 60)
        frame = load_readings(store, [1, 2])
        assert frame.select("channel_id", "t_utc").rows() == [
            (channel, at(hour)) for channel in (1, 2) for hour in range(1, 9)
        ]

    def test_a_format_that_knows_no_parts_is_read_in_one(self, tmp_path: Path) -> None:
        found = adapter("excel")
        assert not isinstance(found, PartsAdapter)
        assert isinstance(adapter("delimited"), PartsAdapter)

        class Whole:
            name = "whole"

            def read(self, path: Path, profile: Profile) -> Extract:
                return Cutting(WHOLE).read(path, profile)

        path = tmp_path / "a.csv"
        path.write_text(HEAD + row(1, 1, 1))
        (only,) = read_in_parts(Whole(), path, profile())
        assert only.rows_read == 2

    def test_a_site_whose_figures_are_written_meanwhile_is_said_in_a_sentence(
        self, store: Store
    ) -> None:
        def others() -> Iterator[Portion]:
            with store.transaction() as cursor:
                cursor.execute("UPDATE changed SET since_utc = TIMESTAMP '2020-01-01'")
            yield from ()

        first = batch([(1, at(1), 1.0)])
        file = type(first)(**(vars(first) | {"rest": others()}))
        with pytest.raises(StoreBusyError, match=r"export\.csv was not imported: the figures"):
            readings.record_import(store, file, NOW)
        assert load_readings(store, [1]).is_empty()


class TestReadAhead:
    def test_the_next_portion_is_read_while_one_is_written(self) -> None:
        begun = threading.Event()

        def give() -> Iterator[Portion]:
            yield portion(1)
            begun.set()
            yield portion(2)

        ahead = read_ahead(give())
        next(ahead)
        assert begun.wait(10)
        assert [one.lines for one in ahead] == [2]

    def test_a_fault_comes_out_where_the_portion_would_have(self) -> None:
        def give() -> Iterator[Portion]:
            yield portion(1)
            message = "line 7 is odd"
            raise Terminal(message)

        ahead = read_ahead(give())
        assert next(ahead).lines == 1
        with pytest.raises(Terminal, match="line 7 is odd"):
            next(ahead)


def portion(lines: int) -> Portion:
    one = batch([(1, at(lines), 1.0)])
    return Portion(one.staged, one.rejects, lines, 0)


class TestMemory:
    def test_what_the_database_wrote_is_forgotten_and_its_limit_stays(
        self, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(readings, "_KEPT_ROWS", 1)
        said = "SELECT current_setting('memory_limit')"
        before = store.cursor().execute(said).fetchall()
        called = []
        monkeypatch.setattr(
            readings, "forget_blocks", lambda cursor: called.append(forget_blocks(cursor))
        )
        for turn in range(4):
            rows = [(1, at(3 * turn + h), 1.0) for h in range(3)]
            readings.record_import(store, batch(rows), NOW)
        assert len(called) == 4
        assert store.cursor().execute(said).fetchall() == before
        assert load_readings(store, [1]).height == 12

    def test_where_others_need_the_memory_nothing_is_forgotten(self) -> None:
        told = []

        class Busy:
            def execute(self, sql: str) -> Busy:
                told.append(sql)
                if sql.startswith("SET"):
                    message = "in use"
                    raise duckdb.OutOfMemoryException(message)
                return self

            def fetchall(self) -> list[tuple[str]]:
                return [("2.0 GiB",)]

        forget_blocks(Busy())  # type: ignore[arg-type]
        assert len(told) == 2

    def test_a_long_correction_is_judged_by_stretches_of_time(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(portions, "STRETCH_ROWS", 3)
        given_portions = [portion(n) for n in (5, 1, 4, 1, 3, 2, 6, 1)]
        found = list(portions.gathered(iter(given_portions)))
        assert sum(one.lines for one in found) == 23
        stretches = [one.staged for one in found if one.staged.height]
        assert max(one.height for one in stretches) <= 3
        together = pl.concat(stretches)
        assert sorted(together["t_utc"]) == sorted(at(n) for n in (5, 1, 4, 1, 3, 2, 6, 1))
        homes = [set(one["t_utc"]) for one in stretches]
        assert sum(len(one) for one in homes) == len(set.union(*homes))


hours = st.integers(0, 7)
values = st.sampled_from(["1", "2", "3", "", "Err"])
lines = st.lists(
    st.one_of(
        st.builds(row, hours, values, values),
        st.builds(row, st.integers(400_000, 400_001), values, values),
        st.sampled_from(["time,heat,unit\n", "one\n", "\n"]),
        st.builds(
            lambda quarter, offset: (
                f"{datetime(2024, 10, 27, tzinfo=UTC) + timedelta(minutes=15 * quarter):%F %H:%M}"
                f"{offset},1,2\n"
            ),
            st.integers(0, 9),
            st.sampled_from(["", "", "Z"]),
        ),
    ),
    max_size=24,
)


@settings(max_examples=15)
@given(
    st.lists(st.tuples(lines, st.booleans(), st.integers(1, 200)), min_size=1, max_size=3),
)
def test_files_cut_anywhere_leave_what_whole_files_leave(
    files: list[tuple[list[str], bool, int]],
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        left = []
        for name, cut in (("whole", False), ("parts", True)):
            with open_store(Path(folder) / f"{name}.duckdb", create=True) as opened:
                save_site(opened, dwelling(), NOW)
                for number, (rows, correction, size) in enumerate(files):
                    used = profile(correction=correction, zone="Europe/London")
                    path = Path(folder) / f"{number}.csv"
                    bring(opened, path, HEAD + "".join(rows), size if cut else WHOLE, used)
                left.append(kept(opened))
    assert left[1] == left[0]
