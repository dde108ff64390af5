"""The store: every reading once, nothing lost, one transaction, one process."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from monitor.errors import NotFoundError, PledgewattError, StoreBusyError
from monitor.models import Site
from monitor.refresh import refresh_site
from monitor.store import connection, readings
from monitor.store.connection import Store, open_store, query
from monitor.store.derived import load_slots, load_standings
from monitor.store.readings import (
    imports,
    known_import,
    load_readings,
    newest,
    quarantined,
    record_import,
)
from monitor.store.sites import (
    list_sites,
    load_site,
    save_site,
    stored_channels,
)
from tests.monitor.homes import at, home
from tests.monitor.stores import NOW, batch, refreshed, take

ROOT = Path(__file__).parents[2]

HEAT, ELECTRICITY = 1, 2


def register_home(**extra: Any) -> Site:
    return home({"role": "heat_total"}, {"role": "elec_unit"}, **extra)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "homes.duckdb", create=True) as opened:
        save_site(opened, register_home(), NOW)
        yield opened


def count(store: Store, table: str) -> int:
    return int(query(store.cursor(), f"SELECT count(*) AS n FROM {table}")["n"][0])


def values(store: Store, channel: int = HEAT) -> list[tuple[datetime, float | None, bool]]:
    return load_readings(store, [channel]).select("t_utc", "value", "conflict").rows()


class TestImports:
    def test_each_reading_is_kept_with_its_file_and_line(self, store: Store) -> None:
        counts = take(store, [(HEAT, at(0), 1.0), (HEAT, at(1), 2.0)], rejects=3)
        assert (counts.rows_read, counts.accepted, counts.quarantined) == (5, 2, 3)
        rows = query(store.cursor(), "SELECT t_utc, value, import_id, line FROM reading").rows()
        assert rows == [(at(0), 1.0, counts.import_id, 2), (at(1), 2.0, counts.import_id, 3)]

    def test_a_file_is_known_by_its_bytes_and_its_profile(self, store: Store) -> None:
        counts = record_import(store, batch([(HEAT, at(0), 1.0)], content_hash="abc"), NOW)
        assert known_import(store, "mill-lane-1", "abc", "p") == (counts.import_id, NOW)
        assert known_import(store, "mill-lane-1", "abc", "another profile") is None
        assert known_import(store, "mill-lane-1", "abd", "p") is None
        assert known_import(store, "mill-lane-2", "abc", "p") is None

    def test_the_same_file_twice_is_refused_by_the_store_itself(self, store: Store) -> None:
        record_import(store, batch([(HEAT, at(0), 1.0)], content_hash="abc"), NOW)
        with pytest.raises(duckdb.ConstraintException):
            record_import(store, batch([(HEAT, at(0), 1.0)], content_hash="abc"), NOW)
        assert (count(store, "reading"), count(store, "import")) == (1, 1)

    def test_every_import_is_listed_with_its_counts_newest_first(self, store: Store) -> None:
        take(store, [(HEAT, at(0), 1.0)])
        take(store, [(HEAT, at(0), 1.0), (HEAT, at(0), 2.0), (HEAT, at(1), 3.0)], rejects=1)
        listed = imports(store, "mill-lane-1")
        columns = ["rows_read", "accepted", "duplicates", "conflicts", "quarantined"]
        assert listed.select(columns).rows() == [(4, 1, 1, 1, 1), (1, 1, 0, 0, 0)]
        assert imports(store).height == 2
        assert imports(store, "elsewhere").is_empty()

    def test_an_import_that_fails_half_way_leaves_nothing(
        self, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        take(store, [(HEAT, at(0), 1.0)])
        refresh_site(store, "mill-lane-1", now=NOW)
        before = {t: count(store, t) for t in ("reading", "import", "contested", "changed")}
        settle = readings._settle

        def breaks(*args: object, **kwargs: object) -> None:
            settle(*args, **kwargs)  # type: ignore[arg-type]
            raise OSError

        monkeypatch.setattr(readings, "_settle", breaks)
        with pytest.raises(OSError):  # noqa: PT011 - raised by hand, without words
            take(store, [(HEAT, at(0), 2.0), (HEAT, at(1), 3.0)], rejects=1)
        after = {t: count(store, t) for t in before}
        assert after == before
        assert count(store, "quarantine") == 0

    def test_after_a_failure_the_same_file_can_be_imported(
        self, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        file = batch([(HEAT, at(0), 1.0)], content_hash="abc")
        with monkeypatch.context() as patched:
            patched.setattr(readings, "Counts", None)
            with pytest.raises(TypeError):
                record_import(store, file, NOW)
        assert known_import(store, "mill-lane-1", "abc", "p") is None
        assert record_import(store, file, NOW).accepted == 1

    def test_a_file_without_readings_is_recorded_all_the_same(self, store: Store) -> None:
        counts = take(store, [], rejects=2)
        assert (counts.rows_read, counts.quarantined) == (2, 2)
        assert query(store.cursor(), "SELECT * FROM changed").select("since_utc").rows() == [
            (datetime(1970, 1, 1, tzinfo=UTC),)
        ]


class TestDuplicatesAndConflicts:
    """Rule R8."""

    def test_the_same_reading_again_counts_as_duplicate_and_is_kept_once(
        self, store: Store
    ) -> None:
        take(store, [(HEAT, at(0), 1.0)])
        counts = take(store, [(HEAT, at(0), 1.0), (HEAT, at(0), 1.0), (HEAT, at(1), 2.0)])
        assert (counts.accepted, counts.duplicates, counts.conflicts) == (1, 2, 0)
        assert values(store) == [(at(0), 1.0, False), (at(1), 2.0, False)]

    def test_a_file_that_brings_nothing_new_leaves_the_figures_alone(self, store: Store) -> None:
        take(store, [(HEAT, at(0), 1.0)])
        refresh_site(store, "mill-lane-1", now=NOW)
        take(store, [(HEAT, at(0), 1.0)])
        assert count(store, "changed") == 0

    def test_another_value_at_the_same_time_is_a_conflict_and_both_are_shown(
        self, store: Store
    ) -> None:
        take(store, [(HEAT, at(h), float(h)) for h in range(5)])
        counts = take(store, [(HEAT, at(2), 2.5)])
        assert (counts.accepted, counts.conflicts) == (0, 1)
        assert values(store)[2] == (at(2), None, True)
        shown = quarantined(store, "mill-lane-1").select("stage", "t_utc", "raw", "reason")
        assert sorted(shown.rows()) == [
            ("conflict", at(2), "2.0", "two values for one time; not settled"),
            ("conflict", at(2), "2.5", "two values for one time; not settled"),
        ]

    def test_the_span_about_a_conflict_is_missing_until_it_is_settled(self, store: Store) -> None:
        site = register_home()
        take(store, [(HEAT, at(h), float(h)) for h in range(5)])
        take(store, [(HEAT, at(2), 2.5)])
        assert refreshed(store, site)["slot_start_utc"].to_list() == [at(0), at(3)]
        take(store, [(HEAT, at(2), 2.5)], correction=True)
        slots = refreshed(store, site)
        assert slots["kwh"].to_list() == pytest.approx([1.0, 1.5, 0.5, 1.0])

    def test_a_correction_replaces_what_it_contradicts(self, store: Store) -> None:
        take(store, [(HEAT, at(0), 1.0), (HEAT, at(1), 2.0)])
        counts = take(store, [(HEAT, at(1), 1.5)], correction=True)
        assert (counts.accepted, counts.conflicts) == (1, 0)
        assert values(store) == [(at(0), 1.0, False), (at(1), 1.5, False)]
        reasons = dict(quarantined(store).select("raw", "reason").rows())
        assert reasons == {
            "2.0": "two values for one time; replaced by a correction",
            "1.5": "two values for one time; this one holds",
        }

    def test_a_correction_may_pick_either_of_two_values(self, store: Store) -> None:
        take(store, [(HEAT, at(0), 1.0)])
        take(store, [(HEAT, at(0), 2.0)])
        take(store, [(HEAT, at(0), 1.0)], correction=True)
        assert values(store) == [(at(0), 1.0, False)]

    def test_a_correction_may_go_back_to_a_value_that_another_had_replaced(
        self, store: Store
    ) -> None:
        take(store, [(HEAT, at(0), 5.0)])
        take(store, [(HEAT, at(0), 6.0)], correction=True)
        counts = take(store, [(HEAT, at(0), 5.0)], correction=True)
        assert counts.accepted == 1
        assert values(store) == [(at(0), 5.0, False)]

    def test_a_correction_that_repeats_what_holds_is_a_duplicate(self, store: Store) -> None:
        take(store, [(HEAT, at(0), 5.0)])
        take(store, [(HEAT, at(0), 6.0)], correction=True)
        counts = take(store, [(HEAT, at(0), 6.0)], correction=True)
        assert (counts.accepted, counts.duplicates) == (0, 1)
        assert values(store) == [(at(0), 6.0, False)]

    def test_the_old_value_again_does_not_undo_a_correction(self, store: Store) -> None:
        take(store, [(HEAT, at(0), 5.0)])
        take(store, [(HEAT, at(0), 6.0)], correction=True)
        assert take(store, [(HEAT, at(0), 5.0)]).duplicates == 1
        assert values(store) == [(at(0), 6.0, False)]

    def test_a_later_contradiction_opens_a_settled_time_again(self, store: Store) -> None:
        take(store, [(HEAT, at(0), 5.0)])
        take(store, [(HEAT, at(0), 6.0)], correction=True)
        assert take(store, [(HEAT, at(0), 7.0)]).conflicts == 1
        assert values(store) == [(at(0), None, True)]

    def test_a_correction_that_contradicts_itself_settles_nothing(self, store: Store) -> None:
        take(store, [(HEAT, at(0), 5.0)])
        counts = take(store, [(HEAT, at(0), 6.0), (HEAT, at(0), 7.0)], correction=True)
        assert (counts.accepted, counts.conflicts) == (0, 2)
        assert values(store) == [(at(0), None, True)]

    def test_a_correction_that_names_both_contested_values_settles_nothing(
        self, store: Store
    ) -> None:
        take(store, [(HEAT, at(0), 5.0)])
        take(store, [(HEAT, at(0), 6.0)])
        counts = take(store, [(HEAT, at(0), 5.0), (HEAT, at(0), 6.0)], correction=True)
        assert (counts.accepted, counts.duplicates) == (0, 2)
        assert values(store) == [(at(0), None, True)]

    def test_a_file_that_contradicts_itself_has_no_winner(self, store: Store) -> None:
        counts = take(store, [(HEAT, at(0), 5.0), (HEAT, at(0), 6.0)])
        assert (counts.accepted, counts.conflicts) == (1, 1)
        assert values(store) == [(at(0), None, True)]

    def test_an_interval_of_another_length_is_another_value(self, store: Store) -> None:
        take(store, [(HEAT, at(0), 1.0, 3600)])
        counts = take(store, [(HEAT, at(0), 1.0, 1800), (HEAT, at(1), 1.0, 3600)])
        assert (counts.accepted, counts.conflicts) == (1, 1)
        assert values(store)[0] == (at(0), None, True)

    def test_channels_do_not_contradict_each_other(self, store: Store) -> None:
        take(store, [(HEAT, at(0), 1.0)])
        assert take(store, [(ELECTRICITY, at(0), 2.0)]).accepted == 1

    def test_readings_out_of_order_are_put_in_order(self, store: Store) -> None:
        take(store, [(ELECTRICITY, at(2), 2.0), (HEAT, at(3), 3.0), (HEAT, at(1), 1.0)])
        assert [t for t, _, _ in values(store)] == [at(1), at(3)]


class TestReadings:
    def test_readings_before_1970_are_no_trouble(self, store: Store) -> None:
        old = datetime(1969, 12, 31, 22, tzinfo=UTC)
        take(store, [(HEAT, old, 1.0), (HEAT, old + timedelta(hours=1), 2.0)])
        assert [t for t, _, _ in values(store)] == [old, old + timedelta(hours=1)]

    def test_readings_of_a_meter_that_the_description_lost_stay_and_count_no_more(
        self, store: Store
    ) -> None:
        take(store, [(HEAT, at(h), float(h)) for h in range(3)])
        assert refreshed(store, register_home()).height == 2
        without = home(
            meters=[
                {
                    "serial": "M1",
                    "measures": "electricity",
                    "fitted": datetime(2023, 1, 1, tzinfo=UTC),
                    "channel": [{"role": "elec_unit", "kind": "register"}],
                }
            ]
        )
        save_site(store, without, NOW)
        assert refreshed(store, without).is_empty()
        assert count(store, "reading") == 3
        save_site(store, register_home(), NOW)
        assert refreshed(store, register_home()).height == 2

    def test_newest_reading_of_each_channel(self, store: Store) -> None:
        take(store, [(HEAT, at(5), 1.0), (HEAT, at(2), 0.5), (ELECTRICITY, at(3), 1.0)])
        assert newest(store, [HEAT, ELECTRICITY]) == {HEAT: at(5), ELECTRICITY: at(3)}

    def test_suspects_are_shown_with_their_file_and_line(self, store: Store) -> None:
        site = register_home()
        take(store, [(HEAT, at(0), 100), (HEAT, at(1), 65_535), (HEAT, at(2), 103)])
        refreshed(store, site)
        shown = quarantined(store, site.id).select("stage", "file_name", "line", "raw", "reason")
        assert shown.rows() == [
            (
                "account",
                "export.csv",
                3,
                "65535.0",
                "leaves the register's course and comes back",
            )
        ]

    def test_rejects_are_shown_with_their_file_and_line(self, store: Store) -> None:
        take(store, [], rejects=1)
        shown = quarantined(store, "mill-lane-1").select("stage", "line", "raw", "reason")
        assert shown.rows() == [("import", 900, "n/a", "not a number")]


class TestSites:
    def test_every_version_of_a_description_is_kept(self, store: Store) -> None:
        again = register_home(place="Lower Wickham")
        assert save_site(store, again, NOW)
        assert not save_site(store, again, NOW)
        assert load_site(store, "mill-lane-1").place == "Lower Wickham"
        documents = query(store.cursor(), "SELECT document FROM site_version")["document"]
        assert [Site.model_validate_json(d).place for d in documents] == ["", "Lower Wickham"]

    def test_a_changed_description_computes_the_site_anew(self, store: Store) -> None:
        take(store, [(HEAT, at(h), 30.0 * h) for h in range(3)])
        assert refreshed(store, register_home()).is_empty()
        stronger = register_home(heat_pump={"nominal_heat_kw": 12.0})
        save_site(store, stronger, NOW)
        assert refreshed(store, stronger)["kwh"].to_list() == [30.0, 30.0]

    def test_a_site_that_is_not_there_is_said(self, store: Store) -> None:
        with pytest.raises(NotFoundError, match="There is no site 'oak-road-2' in this store"):
            load_site(store, "oak-road-2")

    def test_sites_are_listed_by_name_of_id(self, store: Store) -> None:
        other = register_home().model_copy(update={"id": "ash-close-3"})
        save_site(store, other, NOW)
        assert [s.id for s in list_sites(store)] == ["ash-close-3", "mill-lane-1"]

    def test_a_meter_that_comes_back_after_repair_has_a_channel_of_its_own(
        self, store: Store
    ) -> None:
        channel = [{"role": "heat_total", "kind": "register"}]
        first = {"serial": "Q", "measures": "heat", "fitted": at(0), "removed": at(10)}
        again = {"serial": "Q", "measures": "heat", "fitted": at(50)}
        site = home(meters=[first | {"channel": channel}, again | {"channel": channel}])
        save_site(store, site, NOW)
        assert len({s.channel_id for s in stored_channels(store, site)}) == 2

    def test_the_standing_of_each_site_is_kept_for_the_fleet(self, store: Store) -> None:
        got = refresh_site(store, "mill-lane-1", now=NOW)
        assert load_standings(store) == [got]
        later = refresh_site(store, "mill-lane-1", now=NOW + timedelta(days=1))
        assert load_standings(store) == [later]


class TestFile:
    def test_what_was_written_is_there_after_closing(self, tmp_path: Path) -> None:
        path = tmp_path / "deep" / "homes.duckdb"
        with open_store(path, create=True) as store:
            save_site(store, register_home(), NOW)
            take(store, [(HEAT, at(h), float(h)) for h in range(3)])
            slots = refreshed(store, register_home())
        with open_store(path) as store:
            assert load_slots(store, "mill-lane-1").equals(slots)

    def test_an_empty_store_has_every_migration_once(self, tmp_path: Path) -> None:
        steps = [number for number, _ in connection._migrations()]
        assert steps == list(range(1, len(steps) + 1))
        for _ in range(2):
            with open_store(tmp_path / "homes.duckdb", create=True) as store:
                done = query(store.cursor(), "SELECT version FROM schema_version ORDER BY ALL")
                assert done["version"].to_list() == steps

    def test_a_store_of_an_older_schema_is_brought_up_to_date(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        path = tmp_path / "homes.duckdb"
        steps = connection._migrations()
        with monkeypatch.context() as patched:
            patched.setattr(connection, "_migrations", lambda: steps[:1])
            home = register_home()
            with duckdb.connect(str(path)) as raw:
                connection._migrate(path, raw)
                raw.execute(
                    "INSERT INTO site_version (site_id, document, recorded_at) VALUES (?, ?, ?)",
                    [home.id, home.model_dump_json(), NOW],
                )
        with open_store(path) as store:
            done = query(store.cursor(), "SELECT max(version) AS v FROM schema_version")
            assert done["v"][0] == steps[-1][0]
            assert [s.id for s in list_sites(store)] == ["mill-lane-1"]

    def test_a_migration_that_fails_leaves_the_store_as_it_was(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        path = tmp_path / "homes.duckdb"
        steps = connection._migrations()
        broken = (steps[-1][0] + 1, "CREATE TABLE half (a INTEGER); SELECT nonsense")
        with monkeypatch.context() as patched:
            patched.setattr(connection, "_migrations", lambda: [*steps, broken])
            with pytest.raises(duckdb.Error):
                open_store(path, create=True)
        with open_store(path) as store:
            tables = query(store.cursor(), "SELECT table_name FROM duckdb_tables()")["table_name"]
            assert "half" not in tables.to_list()

    def test_a_store_of_a_newer_version_is_refused(self, tmp_path: Path) -> None:
        path = tmp_path / "homes.duckdb"
        with open_store(path, create=True) as store, store.transaction() as cursor:
            cursor.execute("INSERT INTO schema_version VALUES (9999, now())")
        with pytest.raises(PledgewattError) as refused:
            open_store(path)
        assert "was written by a newer pledgewatt (schema 9999" in refused.value.user_message
        assert refused.value.user_message.endswith("Update pledgewatt to open it.")

    def test_a_store_that_is_not_there_is_said(self, tmp_path: Path) -> None:
        with pytest.raises(NotFoundError, match="Make one with 'pledgewatt init"):
            open_store(tmp_path / "homes.duckdb")
        assert not (tmp_path / "homes.duckdb").exists()

    @pytest.mark.parametrize("name", ["export.csv", "export.json", "homes.duckdb"])
    @pytest.mark.parametrize("content", [b"heat;electricity\n1;2\n" * 500, b"", b"\x00" * 5000])
    def test_a_file_that_is_no_store_is_said_and_left_alone(
        self, tmp_path: Path, content: bytes, name: str
    ) -> None:
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(PledgewattError, match="cannot be opened as a store"):
            open_store(path)
        assert path.read_bytes() == content

    def test_a_folder_is_no_store(self, tmp_path: Path) -> None:
        with pytest.raises(PledgewattError, match="cannot be opened as a store"):
            open_store(tmp_path)

    def test_a_second_process_is_told_that_the_store_is_held(self, store: Store) -> None:
        program = (
            "import sys; from pathlib import Path; from monitor.errors import PledgewattError\n"
            "from monitor.store.connection import open_store\n"
            "try:\n    open_store(Path(sys.argv[1]))\n"
            "except PledgewattError as error:\n"
            "    print(type(error).__name__, error.exit_code, error.user_message)\n"
        )
        told = subprocess.run(
            [sys.executable, "-c", program, str(store.path)],
            capture_output=True,
            text=True,
            check=True,
            cwd=ROOT,
        )
        assert told.stderr == ""
        assert told.stdout.startswith(f"StoreBusyError {StoreBusyError.exit_code} The store ")
        assert "is held open by another pledgewatt process" in told.stdout

    def test_times_are_utc_whatever_the_clock_of_the_computer(self, tmp_path: Path) -> None:
        program = (
            "import sys; from pathlib import Path; from tests.monitor.stores import *\n"
            "from tests.monitor.homes import *\n"
            "from monitor.store.connection import open_store\n"
            "from monitor.store.sites import save_site\n"
            "from monitor.store.readings import known_import, newest\n"
            "with open_store(Path(sys.argv[1]), create=True) as store:\n"
            "    save_site(store, home({'role': 'heat_total'}), NOW)\n"
            "    record_import(store, batch([(1, at(3), 1.0)], content_hash='a'), NOW)\n"
            "    print(known_import(store, 'mill-lane-1', 'a', 'p')[1] == NOW)\n"
            "    print(newest(store, [1]) == {1: at(3)})\n"
        )
        told = subprocess.run(
            [sys.executable, "-c", program, str(tmp_path / "a.duckdb")],
            capture_output=True,
            text=True,
            check=True,
            cwd=ROOT,
            env={"TZ": "Asia/Kathmandu", "PATH": ""},
        )
        assert told.stdout.split() == ["True", "True"]


class TestWhereTheStatementsStand:
    def python(self, *folders: str) -> Iterator[tuple[Path, str]]:
        for folder in folders:
            for path in sorted((ROOT / folder).rglob("*.py")):
                yield path.relative_to(ROOT), path.read_text(encoding="utf-8")

    def test_no_statement_changes_or_deletes_a_reading(self) -> None:
        forbidden = re.compile(
            r"\b(UPDATE|DELETE\s+FROM|TRUNCATE|DROP\s+TABLE|INSERT\s+OR\s+REPLACE\s+INTO|"
            r"MERGE\s+INTO)\s+(TABLE\s+)?(IF\s+EXISTS\s+)?reading\b",
            re.IGNORECASE,
        )
        sources = [*self.python("monitor", "ingest", "dashboard")]
        sources += [
            (path.relative_to(ROOT), path.read_text(encoding="utf-8"))
            for path in sorted((ROOT / "monitor/store/migrations").glob("*.sql"))
        ]
        assert any("INSERT INTO reading" in text for _, text in sources)
        assert [str(path) for path, text in sources if forbidden.search(text)] == []


def test_a_frame_from_the_store_says_that_its_times_are_utc(store: Store) -> None:
    frame = query(store.cursor(), "SELECT TIMESTAMP '2024-01-10 03:00' AS t")
    assert frame.schema["t"] == pl.Datetime("us", "UTC")
    assert frame["t"][0] == at(3)
