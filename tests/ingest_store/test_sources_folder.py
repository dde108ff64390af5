"""Files that appear in a folder: each taken once, each accounted for, none in another's way."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from ingest import collect
from ingest.collect import Backoff
from ingest.errors import Terminal, Transient
from ingest.inbox import import_file
from ingest.run_once import run_once
from monitor.store.connection import query
from monitor.store.sites import save_site
from monitor.store.sources import failed_files
from tests.ingest_store.intake import NOW, Intake, rows
from tests.monitor.homes import at, home

DESCRIBED = """
[[source]]
name = "logger"
site = "mill-lane-1"
profile = "logger.toml"
kind = "folder"
folder = "incoming"
match = "*.csv"
complete = "renamed"
silent_after = "P2D"
"""


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    (tmp_path / "incoming").mkdir()
    made = Intake(tmp_path, DESCRIBED)
    yield made
    made.store.close()


def drop(intake: Intake, name: str, content: bytes) -> Path:
    path = intake.folder / "incoming" / name
    path.write_bytes(content)
    return path


def left(intake: Intake) -> list[str]:
    """Files that still stand in the folder."""
    return sorted(p.name for p in (intake.folder / "incoming").iterdir() if p.is_file())


def in_hand(intake: Intake) -> list[str]:
    return sorted(p.name for p in (intake.folder / "incoming" / "taken").rglob("*.csv"))


def failing(monkeypatch: pytest.MonkeyPatch, name: str, error: BaseException) -> list[str]:
    """Let the import of one file fail; the list counts how often."""
    calls: list[str] = []

    def fails(store: Any, site: str, path: Path, *rest: Any, **more: Any) -> Any:
        if path.name == name:
            calls.append(name)
            raise error
        return import_file(store, site, path, *rest, **more)

    monkeypatch.setattr(collect, "import_file", fails)
    return calls


class TestTaken:
    def test_a_file_is_imported_and_put_away_with_its_report(self, intake: Intake) -> None:
        drop(intake, "export.csv", rows(0, 1, 2))
        result = intake.run()
        assert (result.done, result.failed, result.problem) == (1, 0, None)
        assert intake.counts() == [("export.csv", 6, 0, 0)]
        assert intake.refreshed == ["mill-lane-1"]
        assert left(intake) == []
        ((name, report),) = intake.reports("done").items()
        assert name.startswith("export-")
        assert report["sentence"] == (
            "export.csv: 6 readings read = 6 accepted + 0 duplicates + 0 conflicts + 0 quarantined."
        )
        assert report["import"]["accepted"] == 6
        assert report["import"]["lines"] == 3
        assert report["sha256"].startswith(name.removeprefix("export-").removesuffix(".csv"))
        assert report["bytes"] == len(rows(0, 1, 2))
        assert (report["source"], report["site"], report["profile"]) == (
            "logger",
            "mill-lane-1",
            "logger",
        )
        assert (report["outcome"], report["repeated"], report["tries"]) == ("done", False, 1)

    def test_good_rows_beside_bad_ones_are_taken_and_the_bad_counted(self, intake: Intake) -> None:
        drop(intake, "export.csv", rows(0, 1) + b"nonsense,1,2\n")
        intake.run()
        assert intake.state().rejects == 2
        assert intake.state().readings == 4

    def test_the_same_content_again_is_said_to_be_known(self, intake: Intake) -> None:
        drop(intake, "export.csv", rows(0, 1))
        intake.run()
        drop(intake, "copy.csv", rows(0, 1))
        (sentence,) = intake.run().sentences
        assert sentence == (
            "copy.csv: the same content was imported on 2024-06-01 08:30 UTC; nothing was changed."
        )
        assert len(intake.counts()) == 1
        assert intake.state().files == 1

    def test_only_names_that_match_are_meant(self, intake: Intake) -> None:
        drop(intake, "notes.txt", b"hello")
        drop(intake, "export.csv.part", rows(0))
        intake.run()
        assert left(intake) == ["export.csv.part", "notes.txt"]
        assert intake.counts() == []

    def test_two_sources_may_share_a_folder(self, tmp_path: Path) -> None:
        (tmp_path / "incoming").mkdir()
        second = DESCRIBED.replace('"logger"', '"second"', 1).replace("*.csv", "B*.csv")
        intake = Intake(tmp_path, DESCRIBED.replace("*.csv", "A*.csv") + second)
        drop(intake, "A1.csv", rows(0, 1))
        drop(intake, "B1.csv", rows(2))
        intake.run("second")
        assert left(intake) == ["A1.csv"]
        intake.run("logger")
        assert [intake.state(n).readings for n in ("logger", "second")] == [4, 2]
        intake.store.close()

    def test_a_site_is_brought_up_to_date_though_an_earlier_process_did_not(
        self, intake: Intake
    ) -> None:
        path = drop(intake, "export.csv", rows(0, 1))
        layout = intake.source().layout()
        import_file(intake.store, "mill-lane-1", path, layout, now=NOW)
        path.unlink()
        assert intake.unseen_changes()
        intake.run()
        assert intake.refreshed == ["mill-lane-1"]

    def test_a_site_that_cannot_be_brought_up_to_date_loses_no_file(
        self, intake: Intake, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def broken(*_: Any) -> None:
            raise RuntimeError("model")

        monkeypatch.setattr(intake.collector, "_refresh", broken)
        drop(intake, "export.csv", rows(0, 1))
        assert intake.run().done == 1
        assert intake.state().error is None


class TestWhole:
    @pytest.fixture
    def settled(self, tmp_path: Path) -> Iterator[Intake]:
        (tmp_path / "incoming").mkdir()
        settles = DESCRIBED.replace('"renamed"', '"settled"\nsettle = "PT30S"')
        made = Intake(tmp_path, settles)
        yield made
        made.store.close()

    def test_a_half_written_file_is_not_taken(self, settled: Intake) -> None:
        whole = rows(0, 1, 2)
        for size in (20, 50, len(whole)):
            drop(settled, "export.csv", whole[:size])
            result = settled.run()
            assert (result.done, result.due) == (0, settled.clock.now + timedelta(seconds=30))
            settled.clock.forward(seconds=29)
        settled.clock.forward(seconds=1)
        assert settled.run().done == 1
        assert settled.counts() == [("export.csv", 6, 0, 0)]

    def test_a_process_that_began_anew_watches_each_file_anew(self, settled: Intake) -> None:
        drop(settled, "export.csv", rows(0))
        settled.run()
        settled.clock.forward(seconds=60)
        settled.start()
        assert settled.run().done == 0
        settled.clock.forward(seconds=30)
        assert settled.run().done == 1

    def test_one_go_waits_for_files_to_settle(self, settled: Intake) -> None:
        drop(settled, "export.csv", rows(0, 1))
        waits: list[float] = []

        def sleep(seconds: float) -> None:
            waits.append(seconds)
            settled.clock.forward(seconds=seconds)

        (result,) = run_once(settled.collector, list(settled.sources.source), sleep=sleep)
        assert waits == [30.0]
        assert (result.done, result.waiting) == (1, 0)

    def test_one_go_does_not_wait_for_a_file_that_keeps_growing(self, settled: Intake) -> None:
        drop(settled, "export.csv", rows(0))
        lengths = iter(range(1, 100))

        def sleep(seconds: float) -> None:
            settled.clock.forward(seconds=seconds)
            drop(settled, "export.csv", rows(*range(next(lengths) + 1)))

        (result,) = run_once(settled.collector, list(settled.sources.source), sleep=sleep)
        assert result.done == 0
        assert next(lengths) == 2
        assert left(settled) == ["export.csv"]

    def test_a_marker_goes_with_its_file(self, tmp_path: Path) -> None:
        (tmp_path / "incoming").mkdir()
        intake = Intake(tmp_path, DESCRIBED.replace('"renamed"', '"marker"'))
        drop(intake, "export.csv", rows(0))
        assert intake.run().done == 0
        drop(intake, "export.csv.done", b"")
        assert intake.run().done == 1
        assert left(intake) == []
        intake.store.close()

    def test_a_file_that_changes_while_it_is_read_is_read_again(
        self, intake: Intake, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The writer still has it open though its name says that it is whole."""
        grown = []

        def grows(store: Any, site: str, path: Path, *rest: Any, **more: Any) -> Any:
            report = import_file(store, site, path, *rest, **more)
            if not grown:
                grown.append(path)
                path.write_bytes(rows(0, 1, 2))
            return report

        monkeypatch.setattr(collect, "import_file", grows)
        drop(intake, "export.csv", rows(0))
        result = intake.run()
        assert (result.done, result.waiting) == (0, 1)
        assert "changed while it was read" in result.sentences[0]
        intake.clock.forward(minutes=1)
        assert intake.run().done == 1
        assert intake.counts() == [("export.csv", 2, 0, 0), ("export.csv", 4, 2, 0)]


class TestPoison:
    @pytest.mark.parametrize(
        "poison",
        [b"", b"\x00" * 4096, b"PK\x03\x04" + b"\xff" * 500, b"<html>\n", b"time,heat\n1,2\n"],
    )
    def test_a_file_that_cannot_be_read_stops_no_other(self, intake: Intake, poison: bytes) -> None:
        drop(intake, "a.csv", rows(0))
        drop(intake, "b.csv", poison)
        drop(intake, "c.csv", rows(1))
        result = intake.run()
        assert (result.done, result.failed, result.waiting) == (2, 1, 0)
        assert sorted(c[0] for c in intake.counts()) == ["a.csv", "c.csv"]
        ((name, report),) = intake.reports("failed").items()
        assert name.startswith("b-")
        assert report["outcome"] == "failed"
        assert report["sentence"].startswith("b.csv was not taken: ")
        assert str(intake.folder / "incoming") in report["what_to_do"]
        assert "taken/" not in report["sentence"]
        assert intake.state().failed == 1
        assert [file for file, _ in failed_files(intake.store, "logger")] == [name]

    @pytest.mark.parametrize(
        "error", [RuntimeError("bug"), BaseException("panic"), RecursionError()]
    )
    def test_a_fault_of_the_program_stops_no_other_file(
        self, intake: Intake, monkeypatch: pytest.MonkeyPatch, error: BaseException
    ) -> None:
        failing(monkeypatch, "a.csv", error)
        drop(intake, "a.csv", rows(0))
        drop(intake, "b.csv", rows(1))
        result = intake.run()
        assert (result.done, result.failed) == (1, 1)
        (report,) = intake.reports("failed").values()
        assert "This is a fault of pledgewatt, not of the file" in report["sentence"]

    def test_an_interrupt_is_no_fault_of_a_file(
        self, intake: Intake, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        failing(monkeypatch, "a.csv", KeyboardInterrupt())
        drop(intake, "a.csv", rows(0))
        with pytest.raises(KeyboardInterrupt):
            intake.run()
        assert in_hand(intake) == ["a.csv"]

    def test_a_file_that_is_too_large_is_not_read(self, tmp_path: Path) -> None:
        (tmp_path / "incoming").mkdir()
        intake = Intake(tmp_path, DESCRIBED + "max_bytes = 50\n")
        drop(intake, "small.csv", rows(0))
        drop(intake, "large.csv", rows(*range(50)))
        assert (intake.run().done, intake.state().failed) == (1, 1)
        (report,) = intake.reports("failed").values()
        assert "more than the 50 of 'max_bytes'" in report["sentence"]
        intake.store.close()

    def test_a_link_in_the_folder_leads_nowhere(self, intake: Intake) -> None:
        outside = intake.folder / "outside.csv"
        outside.write_bytes(rows(0))
        (intake.folder / "incoming" / "link.csv").symlink_to(outside)
        assert intake.run().done == 0
        assert intake.counts() == []

    def test_a_file_that_turned_into_a_link_in_hand_is_not_followed(self, intake: Intake) -> None:
        outside = intake.folder / "outside.csv"
        outside.write_bytes(rows(0))
        folder = intake.folder / "incoming" / "taken" / "logger" / "0001"
        folder.mkdir(parents=True)
        (folder / "x.csv").symlink_to(outside)
        assert intake.run().failed == 1
        assert intake.counts() == []
        assert outside.exists()

    def test_a_failed_file_that_is_put_back_is_tried_again(self, intake: Intake) -> None:
        """A meter was described as interval by mistake; the description is put right."""
        wrong = home({"role": "heat_total", "kind": "interval"}, {"role": "elec_unit"})
        right = home({"role": "heat_total"}, {"role": "elec_unit"})
        save_site(intake.store, wrong, NOW)
        drop(intake, "export.csv", rows(0, 1))
        assert intake.run().failed == 1
        save_site(intake.store, right, NOW + timedelta(minutes=1))
        (failed,) = (intake.folder / "incoming" / "failed" / "logger").glob("*.csv")
        failed.rename(intake.folder / "incoming" / failed.name)
        assert intake.run().done == 1
        assert intake.state().failed == 0
        assert list(intake.reports("done")) == [failed.name]

    def test_a_failed_file_that_a_person_removed_is_not_counted_for_ever(
        self, intake: Intake
    ) -> None:
        drop(intake, "b.csv", b"")
        intake.run()
        for path in (intake.folder / "incoming" / "failed" / "logger").iterdir():
            path.unlink()
        intake.start()
        intake.run()
        assert intake.state().failed == 0


class TestAgain:
    def test_the_wait_doubles_up_to_a_limit_and_is_spread_by_chance(self) -> None:
        backoff = Backoff(timedelta(seconds=30), timedelta(hours=1))
        waits = [backoff.wait(n, 0.5).total_seconds() for n in range(1, 10)]
        assert waits == [30, 60, 120, 240, 480, 960, 1920, 3600, 3600]
        assert backoff.wait(1, 0.0) == timedelta(seconds=15)
        assert backoff.wait(1, 0.999) < timedelta(seconds=45)
        assert backoff.wait(10**6, 0.5) == timedelta(hours=1)

    def test_a_passing_failure_is_tried_again_and_then_counts(
        self, intake: Intake, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        backoff = Backoff(timedelta(seconds=30), timedelta(hours=1), tries=4)
        intake.start(backoff=backoff)
        calls = failing(monkeypatch, "a.csv", Transient("It is still being written."))
        drop(intake, "a.csv", rows(0))
        tried_at = []
        for _ in range(60 * 60):
            before = len(calls)
            result = intake.run()
            if len(calls) > before:
                tried_at.append((intake.clock.now - NOW).total_seconds())
            if result.failed:
                break
            assert result.waiting == 1
            assert result.due is not None
            intake.clock.now = result.due
        assert tried_at == [0, 30, 90, 210]
        (report,) = intake.reports("failed").values()
        assert report["sentence"] == (
            "a.csv was not taken: Tried 4 times. It is still being written."
        )

    def test_a_file_that_waits_keeps_no_other_waiting(
        self, intake: Intake, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        calls = failing(monkeypatch, "a.csv", Transient("Not yet."))
        drop(intake, "a.csv", rows(0))
        drop(intake, "b.csv", rows(1))
        assert intake.run().done == 1
        drop(intake, "c.csv", rows(2))
        assert intake.run().done == 1
        assert len(calls) == 1
        assert intake.state().waiting == 1

    def test_tries_outlast_the_process(
        self, intake: Intake, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        calls = failing(monkeypatch, "a.csv", Transient("Not yet."))
        drop(intake, "a.csv", rows(0))
        intake.run()
        intake.start()
        assert intake.run().waiting == 1
        assert len(calls) == 1

    def test_a_file_that_ends_the_process_each_time_is_given_up(
        self, intake: Intake, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        intake.start(backoff=Backoff(tries=3))
        failing(monkeypatch, "a.csv", SystemExit())
        drop(intake, "a.csv", rows(0))
        for _ in range(3):
            with pytest.raises(SystemExit):
                intake.run()
            intake.clock.forward(hours=7)
            intake.start(backoff=Backoff(tries=3))
        assert intake.run().failed == 1
        (report,) = intake.reports("failed").values()
        assert "Tried 3 times. Each time the process ended" in report["sentence"]

    def test_a_folder_that_is_not_there_is_the_source_s_error_until_it_is(
        self, intake: Intake
    ) -> None:
        away = (intake.folder / "incoming").rename(intake.folder / "unmounted")
        result = intake.run()
        assert "There is no folder" in str(result.problem)
        assert intake.state().succeeded_at is None
        assert intake.state().failures == 1
        away.rename(intake.folder / "incoming")
        intake.clock.forward(minutes=1)
        drop(intake, "export.csv", rows(0))
        assert intake.run().done == 1
        state = intake.state()
        assert (state.error, state.failures) == (None, 0)
        assert state.succeeded_at == intake.clock.now

    @pytest.mark.parametrize("lack", ["profile", "site"])
    def test_without_profile_or_site_files_wait_untouched(self, tmp_path: Path, lack: str) -> None:
        (tmp_path / "incoming").mkdir()
        described = DESCRIBED.replace("mill-lane-1", "new-home") if lack == "site" else DESCRIBED
        intake = Intake(tmp_path, described)
        if lack == "profile":
            (tmp_path / "logger.toml").rename(tmp_path / "logger.bak")
        drop(intake, "export.csv", rows(0))
        assert intake.run().problem is not None
        assert left(intake) == ["export.csv"]
        if lack == "profile":
            (tmp_path / "logger.bak").rename(tmp_path / "logger.toml")
        else:
            site = home({"role": "heat_total"}, {"role": "elec_unit"})
            save_site(intake.store, site.model_copy(update={"id": "new-home"}), NOW)
        assert intake.run().done == 1
        intake.store.close()


class TestMended:
    def test_a_done_file_without_report_gets_it_again(self, intake: Intake) -> None:
        drop(intake, "export.csv", rows(0, 1))
        intake.run()
        before = intake.reports("done")
        for path in (intake.folder / "incoming" / "done").rglob("*.report.json"):
            path.unlink()
        intake.start()
        intake.run()
        ((name, report),) = intake.reports("done").items()
        assert report["import"] == before[name]["import"]
        assert report["sha256"] == before[name]["sha256"]

    def test_a_done_file_that_the_store_does_not_know_is_taken_again(self, intake: Intake) -> None:
        """The store was replaced by an older copy of itself."""
        folder = intake.folder / "incoming" / "done" / "logger"
        folder.mkdir(parents=True)
        (folder / "export.csv").write_bytes(rows(0, 1))
        assert intake.run().done == 1
        assert intake.counts() == [("export.csv", 4, 0, 0)]

    def test_what_was_half_fetched_is_cleared_away(self, intake: Intake) -> None:
        intake.run()
        half = intake.folder / "incoming" / "part" / "logger" / "0123.part"
        half.write_bytes(b"half")
        intake.start()
        intake.run()
        assert not half.exists()

    def test_a_folder_that_cannot_be_written_is_said(
        self, intake: Intake, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def refused(*_: Any, **__: Any) -> None:
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr(Path, "mkdir", refused)
        with pytest.raises(Terminal, match=r"Files cannot be moved in .*Permission denied"):
            intake.collector.spool(intake.source()).prepare(make_root=False)


class TestState:
    def test_a_source_is_silent_once_its_newest_reading_is_too_old(self, intake: Intake) -> None:
        intake.clock.now = at(2)
        intake.start()
        drop(intake, "export.csv", rows(0, 1, 2))
        intake.run()
        state = intake.state()
        assert state.newest == at(2)
        assert state.lag(at(50)) == timedelta(hours=48)
        assert not state.is_silent(at(50))
        assert state.is_silent(at(50.1))

    def test_files_that_bring_nothing_new_do_not_hide_the_silence(self, intake: Intake) -> None:
        intake.clock.now = at(2)
        intake.start()
        drop(intake, "export.csv", rows(0, 1, 2))
        intake.run()
        intake.clock.now = at(60)
        drop(intake, "again.csv", rows(1, 2))
        intake.run()
        assert intake.state().succeeded_at == at(60)
        assert intake.state().newest == at(2)
        assert intake.state().is_silent(at(60))

    def test_a_source_that_never_brought_anything_is_silent_after_the_same_time(
        self, intake: Intake
    ) -> None:
        intake.run()
        assert intake.state().newest is None
        assert not intake.state().is_silent(NOW + timedelta(days=2))
        assert intake.state().is_silent(NOW + timedelta(days=2, seconds=1))

    def test_a_source_that_is_no_longer_described_is_no_longer_shown(self, intake: Intake) -> None:
        other = DESCRIBED.replace('"logger"', '"another"', 1)
        (intake.folder / "sources.toml").write_text(other)
        from ingest.sources import sources_from_toml

        intake.sources = sources_from_toml(intake.folder / "sources.toml")
        intake.start()
        assert intake.state().name == "another"
        assert query(intake.store.cursor(), "SELECT name FROM source").height == 2

    def test_an_import_by_hand_of_the_same_content_counts_for_the_source(
        self, intake: Intake
    ) -> None:
        path = drop(intake, "export.csv", rows(0, 1))
        import_file(intake.store, "mill-lane-1", path, intake.source().layout(), now=NOW)
        assert intake.run().done == 1
        assert (intake.state().files, intake.state().readings) == (1, 4)


def test_a_name_that_is_no_text_is_imported(intake: Intake) -> None:
    raw = os.fsencode(intake.folder / "incoming") + b"/m\xe4rz\n.csv"
    with os.fdopen(os.open(raw, os.O_CREAT | os.O_WRONLY), "wb") as handle:
        handle.write(rows(0))
    assert intake.run().done == 1
    assert intake.counts()[0][0] == "m_rz_.csv"
