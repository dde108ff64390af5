"""Names, completeness and moves: nothing half, nothing twice, nothing outside its folder."""

from __future__ import annotations

import os
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.errors import Terminal
from ingest.spool import (
    REPORT,
    Entry,
    Ripe,
    Settling,
    Spool,
    final_name,
    passed_over,
    ripe,
    safe_name,
    unused,
)
from tests.ingest_store.intake import NOW

SETTLE = timedelta(seconds=30)


def ready(entries: list[Entry], settling: Settling | None = None, **more: object) -> Ripe:
    given = {"complete": "settled", "settle": SETTLE, "now": NOW} | more
    return ripe(entries, lambda _: True, settling=settling or Settling(), **given)  # type: ignore[arg-type]


def names(found: Ripe) -> list[str]:
    return [entry.name for entry in found.whole]


class TestNames:
    @given(st.text(max_size=400))
    def test_any_text_becomes_a_plain_name_that_fits_a_file_system(self, raw: str) -> None:
        name = safe_name(raw)
        assert Path(name).name == name
        assert not set(name) & set('/\\\0:*?"<>|\n\r\t')
        assert not name.startswith(".")
        assert len(final_name(name, "f" * 64).encode()) + len(REPORT) < 255
        assert safe_name(name) == name

    @pytest.mark.parametrize(
        ("raw", "name"),
        [
            ("export.csv", "export.csv"),
            ("../../etc/passwd", "_._etc_passwd"),
            ("/etc/passwd", "_etc_passwd"),
            ("..", "file"),
            ("", "file"),
            (".hidden", "hidden"),
            ("a\nb.csv", "a_b.csv"),
            ("C:\\x\\y.csv", "C__x_y.csv"),
            ("Zähler 1 (März).csv", "Zähler 1 (März).csv"),
            ("bad\udcff.csv", "bad_.csv"),
        ],
    )
    def test_tricks_lose_their_teeth(self, raw: str, name: str) -> None:
        assert safe_name(raw) == name

    @pytest.mark.parametrize(
        "name",
        [".x.csv", "x.csv.part", "x.CSV.TMP", "~$x.xlsx", "x.csv~", "x.csv.done", f"x{REPORT}"],
    )
    def test_names_that_say_unfinished_are_passed_over(self, name: str) -> None:
        assert passed_over(name)

    def test_a_file_that_is_put_away_twice_keeps_one_mark(self) -> None:
        once = final_name("export.csv", "ab" * 32)
        assert once == "export-abababababab.csv"
        assert final_name(once, "ab" * 32) == once


class TestWhole:
    def test_a_file_is_whole_once_it_has_stood_still_for_the_settling_time(self) -> None:
        settling = Settling()
        first = Entry("a.csv", 10, 1.0)
        assert ready([first], settling) == Ripe((), NOW + SETTLE)
        grown = Entry("a.csv", 20, 2.0)
        later = NOW + timedelta(seconds=20)
        assert ready([grown], settling, now=later) == Ripe((), later + SETTLE)
        assert names(ready([grown], settling, now=later + timedelta(seconds=29))) == []
        assert names(ready([grown], settling, now=later + SETTLE)) == ["a.csv"]

    def test_the_clock_of_whoever_writes_the_file_is_not_asked(self) -> None:
        long_ago = Entry("a.csv", 10, 0.0)
        assert names(ready([long_ago])) == []

    def test_a_file_that_was_replaced_by_one_of_the_same_size_and_time_settles_anew(self) -> None:
        settling = Settling()
        ready([Entry("a.csv", 10, 1.0, (1,))], settling)
        replaced = Entry("a.csv", 10, 1.0, (2,))
        assert names(ready([replaced], settling, now=NOW + SETTLE)) == []

    def test_a_file_that_went_and_came_again_settles_anew(self) -> None:
        settling, entry = Settling(), Entry("a.csv", 10, 1.0)
        ready([entry], settling)
        ready([], settling)
        assert names(ready([entry], settling, now=NOW + SETTLE)) == []

    def test_a_clock_that_steps_back_takes_nothing_early(self) -> None:
        settling, entry = Settling(), Entry("a.csv", 10, 1.0)
        ready([entry], settling)
        back = NOW - timedelta(hours=1)
        assert names(ready([entry], settling, now=back)) == []
        assert names(ready([entry], settling, now=back + SETTLE)) == ["a.csv"]

    def test_a_marker_says_that_a_file_is_whole(self) -> None:
        listing = [Entry("a.csv", 10, 5.0), Entry("b.csv", 10, 5.0), Entry("a.csv.done", 0, 5.0)]
        assert names(ready(listing, complete="marker")) == ["a.csv"]

    def test_a_marker_of_an_earlier_file_of_that_name_says_nothing(self) -> None:
        listing = [Entry("a.csv", 10, 9.0), Entry("a.csv.done", 0, 5.0)]
        assert names(ready(listing, complete="marker")) == []

    def test_a_file_that_gets_its_name_when_whole_is_taken_at_once(self) -> None:
        listing = [Entry("b.csv", 10, 9.0), Entry("a.csv", 10, 9.5), Entry("c.csv.part", 1, 1.0)]
        assert names(ready(listing, complete="renamed")) == ["b.csv", "a.csv"]


class TestFolders:
    @pytest.fixture
    def spool(self, tmp_path: Path) -> Spool:
        spool = Spool(tmp_path / "in")
        spool.prepare(make_root=True)
        return spool

    def test_links_pipes_and_folders_are_not_files(self, spool: Spool, tmp_path: Path) -> None:
        (tmp_path / "secret").write_text("x")
        (spool.root / "link.csv").symlink_to(tmp_path / "secret")
        os.mkfifo(spool.root / "pipe.csv")
        (spool.root / "folder.csv").mkdir()
        (spool.root / "real.csv").write_text("x")
        assert [entry.name for entry in spool.arrived()] == ["real.csv"]

    def test_a_file_in_hand_is_untouched_by_another_of_its_name(self, spool: Spool) -> None:
        (spool.root / "a.csv").write_text("old")
        taken = spool.claim(spool.arrived()[0])
        (spool.root / "a.csv").write_text("new")
        assert taken is not None
        assert taken.path.read_text() == "old"
        assert [t.path for t in spool.in_hand()] == [taken.path]

    def test_files_are_in_hand_in_the_order_in_which_they_came(self, spool: Spool) -> None:
        for n in (3, 1, 2):
            (spool.root / f"{n}.csv").write_text("x")
            spool.claim(Entry(f"{n}.csv", 1, 0.0))
        assert [t.path.name for t in spool.in_hand()] == ["3.csv", "1.csv", "2.csv"]

    def test_a_file_that_went_before_it_was_taken_is_no_fault(self, spool: Spool) -> None:
        assert spool.claim(Entry("gone.csv", 1, 0.0)) is None
        assert spool.in_hand() == []

    def test_a_name_that_is_no_text_can_be_taken(self, spool: Spool) -> None:
        raw = os.fsencode(spool.root) + b"/bad\xff\n.csv"
        os.close(os.open(raw, os.O_CREAT | os.O_WRONLY))
        taken = spool.claim(spool.arrived()[0])
        assert taken is not None
        assert taken.path.name == "bad__.csv"

    def test_a_file_appears_whole_or_not_at_all(self, spool: Spool) -> None:
        with spool.whole(spool.root, "a.csv") as draft:
            draft.write(b"half")
            assert spool.arrived() == []
            draft.wanted = False
        assert spool.arrived() == []
        assert list(spool.part.iterdir()) == []
        for _ in range(2):
            with spool.whole(spool.root, "a.csv") as draft:
                draft.write(b"whole")
        assert sorted(e.name for e in spool.arrived()) == ["a-2.csv", "a.csv"]

    def test_no_name_is_given_twice(self, tmp_path: Path) -> None:
        (tmp_path / "a.csv").symlink_to(tmp_path / "nowhere")
        assert unused(tmp_path, "a.csv").name == "a-2.csv"

    def test_a_folder_that_is_not_there_is_said(self, tmp_path: Path) -> None:
        with pytest.raises(Terminal, match=r"There is no folder .*none\. Make it"):
            Spool(tmp_path / "none").prepare(make_root=False)
