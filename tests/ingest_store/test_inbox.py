"""From a file to the store: each file once, every reading accounted for."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from ingest.errors import Terminal
from ingest.inbox import content_hash, import_file
from ingest.profile import Profile
from monitor.errors import DescriptionError, NotFoundError, PledgewattError
from monitor.models import Site
from monitor.refresh import refresh_site
from monitor.store.connection import Store, open_store, query
from monitor.store.derived import load_slots
from monitor.store.readings import imports, load_readings, quarantined
from monitor.store.sites import save_site, stored_channels
from tests.monitor.homes import at, home

NOW = datetime(2024, 6, 1, 8, 30, tzinfo=UTC)

HEAT = {"column": "heat", "role": "heat_total", "kind": "register", "unit": "kWh"}
UNIT = {"column": "unit", "role": "elec_unit", "kind": "register", "unit": "kWh"}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "homes.duckdb", create=True) as opened:
        save_site(opened, home({"role": "heat_total"}, {"role": "elec_unit"}), NOW)
        yield opened


def profile(*columns: dict[str, Any], correction: bool = False, **layout: Any) -> Profile:
    return Profile.model_validate(
        {
            "name": "logger",
            "format": "delimited",
            "correction": correction,
            "delimited": {"time": "time", **layout},
            "column": list(columns or (HEAT, UNIT)),
        }
    )


def csv(folder: Path, hours: list[float], *, name: str = "export.csv", factor: float = 1.0) -> Path:
    lines = [f"{at(h):%Y-%m-%dT%H:%M:%SZ},{3 * h * factor},{h * factor}" for h in hours]
    path = folder / name
    path.write_text("\n".join(["time,heat,unit", *lines]) + "\n")
    return path


def bring(
    store: Store, path: Path, used: Profile | None = None, now: datetime = NOW
) -> tuple[int, int, int, int]:
    """Import a file; accepted, duplicates, conflicts, quarantined."""
    counts = import_file(store, "mill-lane-1", path, used or profile(), now=now).counts
    assert counts.rows_read == (
        counts.accepted + counts.duplicates + counts.conflicts + counts.quarantined
    )
    return counts.accepted, counts.duplicates, counts.conflicts, counts.quarantined


class TestOnce:
    def test_a_file_is_imported_with_its_accounting_identity(
        self, store: Store, tmp_path: Path
    ) -> None:
        report = import_file(store, "mill-lane-1", csv(tmp_path, [0, 1, 2]), profile(), now=NOW)
        assert report.sentence == (
            "export.csv: 6 readings read = 6 accepted + 0 duplicates + 0 conflicts + "
            "0 quarantined (3 lines, 0 blank cells)."
        )

    def test_the_same_file_again_changes_nothing_and_says_so(
        self, store: Store, tmp_path: Path
    ) -> None:
        path = csv(tmp_path, [0, 1, 2])
        bring(store, path)
        refresh_site(store, "mill-lane-1", now=NOW)
        before = load_slots(store, "mill-lane-1")
        later = NOW + timedelta(days=3)
        renamed = path.rename(tmp_path / "export (1).csv")
        report = import_file(store, "mill-lane-1", renamed, profile(), now=later)
        assert report.sentence == (
            "export (1).csv: already imported on 2024-06-01 08:30 UTC with this profile; "
            "nothing was changed."
        )
        assert imports(store).height == 1
        refresh_site(store, "mill-lane-1", now=NOW)
        assert load_slots(store, "mill-lane-1").equals(before)

    def test_a_longer_export_of_the_same_time_brings_only_what_is_new(
        self, store: Store, tmp_path: Path
    ) -> None:
        bring(store, csv(tmp_path, [0, 1, 2]))
        assert bring(store, csv(tmp_path, [0, 1, 2, 3])) == (2, 6, 0, 0)

    def test_the_same_file_read_otherwise_is_another_import(
        self, store: Store, tmp_path: Path
    ) -> None:
        path = csv(tmp_path, [1, 2])
        bring(store, path)
        in_mwh = [HEAT | {"unit": "MWh"}, UNIT]
        assert bring(store, path, profile(*in_mwh)) == (0, 2, 2, 0)

    def test_a_corrected_export_replaces_what_it_contradicts(
        self, store: Store, tmp_path: Path
    ) -> None:
        bring(store, csv(tmp_path, [1, 2, 3]))
        fixed = csv(tmp_path, [2], name="fixed.csv", factor=1.1)
        assert bring(store, fixed, profile(correction=True)) == (2, 0, 0, 0)
        frame = load_readings(store, [1])
        assert frame["value"].to_list() == pytest.approx([3.0, 6.6, 9.0])

    def test_a_meter_described_later_lets_its_readings_in(
        self, store: Store, tmp_path: Path
    ) -> None:
        only_heat = home({"role": "heat_total"}).model_copy(update={"id": "mill-lane-2"})
        save_site(store, only_heat, NOW)
        path = csv(tmp_path, [0, 1, 2])
        first = import_file(store, "mill-lane-2", path, profile(), now=NOW).counts
        assert (first.accepted, first.quarantined) == (3, 3)
        both = home({"role": "heat_total"}, {"role": "elec_unit"})
        save_site(store, both.model_copy(update={"id": "mill-lane-2"}), NOW)
        second = import_file(store, "mill-lane-2", path, profile(), now=NOW).counts
        assert (second.accepted, second.duplicates, second.quarantined) == (3, 3, 0)

    def test_sites_do_not_share_their_imports(self, store: Store, tmp_path: Path) -> None:
        path = csv(tmp_path, [0, 1])
        other = home({"role": "heat_total"}, {"role": "elec_unit"})
        save_site(store, other.model_copy(update={"id": "mill-lane-2"}), NOW)
        bring(store, path)
        assert import_file(store, "mill-lane-2", path, profile(), now=NOW).counts.accepted == 4


class TestWhichMeter:
    def swapped(self, gap: float = 0.0) -> Site:
        channel = [{"role": "heat_total", "kind": "register"}]
        return home(
            meters=[
                {
                    "serial": "OLD",
                    "measures": "heat",
                    "fitted": at(0),
                    "removed": at(2),
                    "channel": channel,
                },
                {"serial": "NEW", "measures": "heat", "fitted": at(2 + gap), "channel": channel},
            ]
        )

    def of_each(self, store: Store, site: Site) -> dict[str, list[datetime]]:
        return {
            s.fit.serial: load_readings(store, [s.channel_id])["t_utc"].to_list()
            for s in stored_channels(store, site)
        }

    def test_each_reading_goes_to_the_meter_that_was_there(
        self, store: Store, tmp_path: Path
    ) -> None:
        site = self.swapped()
        save_site(store, site, NOW)
        assert bring(store, csv(tmp_path, [0, 1, 2, 3]), profile(HEAT)) == (4, 0, 0, 0)
        assert self.of_each(store, site) == {"OLD": [at(0), at(1)], "NEW": [at(2), at(3)]}

    def test_a_meter_without_a_successor_has_its_last_reading_at_its_removal(
        self, store: Store, tmp_path: Path
    ) -> None:
        site = self.swapped(gap=10)
        save_site(store, site, NOW)
        assert bring(store, csv(tmp_path, [1, 2, 3, 13]), profile(HEAT)) == (3, 0, 0, 1)
        assert self.of_each(store, site) == {"OLD": [at(1), at(2)], "NEW": [at(13)]}
        refused = quarantined(store, "mill-lane-1").row(0, named=True)
        assert refused["reason"] == "no meter of heat_total was fitted at that time"
        assert refused["raw"] == "2024-01-10T03:00:00Z 9.0"
        assert (refused["line"], refused["source_column"]) == (4, "heat")

    def test_a_serial_in_the_profile_picks_the_meter(self, store: Store, tmp_path: Path) -> None:
        site = self.swapped()
        save_site(store, site, NOW)
        named = HEAT | {"serial": "NEW"}
        assert bring(store, csv(tmp_path, [1, 2, 3]), profile(named)) == (2, 0, 0, 1)
        assert self.of_each(store, site) == {"OLD": [], "NEW": [at(2), at(3)]}

    def test_a_serial_that_the_site_does_not_have_is_named(
        self, store: Store, tmp_path: Path
    ) -> None:
        unknown = HEAT | {"serial": "Q9"}
        assert bring(store, csv(tmp_path, [1, 2]), profile(unknown)) == (0, 0, 0, 2)
        assert quarantined(store)["reason"].unique().to_list() == [
            "no meter of this site with serial 'Q9' measures heat_total"
        ]

    def test_a_quantity_that_the_site_does_not_have_is_kept_apart(
        self, store: Store, tmp_path: Path
    ) -> None:
        pumps = UNIT | {"role": "elec_pumps"}
        assert bring(store, csv(tmp_path, [1, 2]), profile(HEAT, pumps)) == (2, 0, 0, 2)

    def test_a_kind_that_the_site_contradicts_is_refused_whole(
        self, store: Store, tmp_path: Path
    ) -> None:
        interval = UNIT | {"kind": "interval", "interval": timedelta(hours=1)}
        with pytest.raises(DescriptionError) as refused:
            bring(store, csv(tmp_path, [1, 2]), profile(HEAT, interval))
        assert refused.value.user_message == (
            "The profile reads 'unit' as kind 'interval', but site 'mill-lane-1' describes "
            "elec_unit of meter 'M1' as 'register'. Correct whichever is wrong; nothing was "
            "imported."
        )
        assert imports(store).is_empty()
        assert load_readings(store, [1, 2]).is_empty()


class TestRefusals:
    def test_readings_of_a_clock_that_runs_ahead_are_set_aside(
        self, store: Store, tmp_path: Path
    ) -> None:
        path = csv(tmp_path, [0, 23.9, 24.1])
        assert bring(store, path, now=at(0)) == (4, 0, 0, 2)
        assert quarantined(store)["reason"].unique().to_list() == ["the time lies in the future"]

    def test_good_rows_beside_bad_ones_are_kept(self, store: Store, tmp_path: Path) -> None:
        path = csv(tmp_path, [0, 1, 2, 3])
        text = path.read_text().replace(",6.0,2.0", ",six,2.0").replace(",3.0,1.0", ",inf,")
        path.write_text(text)
        report = import_file(store, "mill-lane-1", path, profile(), now=NOW)
        counts = report.counts
        assert (counts.accepted, counts.quarantined, report.blank) == (5, 2, 1)
        assert counts.rows_read == 7

    def test_a_file_that_is_not_there_is_said(self, store: Store, tmp_path: Path) -> None:
        with pytest.raises(Terminal, match=r"There is no file .*none\.csv\."):
            bring(store, tmp_path / "none.csv")

    def test_a_folder_is_no_file(self, store: Store, tmp_path: Path) -> None:
        with pytest.raises(Terminal, match="cannot be read: Is a directory"):
            bring(store, tmp_path)

    @pytest.mark.parametrize(
        "content",
        [b"", b"\x00" * 4096, b"PK\x03\x04" + b"\xff" * 500, b"time;heat\n1;2\n", b"<html>\n"],
    )
    def test_a_file_that_is_something_else_is_refused_whole(
        self, store: Store, tmp_path: Path, content: bytes
    ) -> None:
        path = tmp_path / "export.csv"
        path.write_bytes(content)
        with pytest.raises(PledgewattError) as refused:
            bring(store, path)
        assert "export.csv" in refused.value.user_message
        assert imports(store).is_empty()

    def test_an_unknown_site_is_said(self, store: Store, tmp_path: Path) -> None:
        with pytest.raises(NotFoundError, match="There is no site 'oak-road-2'"):
            import_file(store, "oak-road-2", csv(tmp_path, [1]), profile(), now=NOW)

    def test_an_unknown_format_is_said_with_those_there_are(
        self, store: Store, tmp_path: Path
    ) -> None:
        wrong = profile().model_copy(update={"format": "clay-tablet"})
        with pytest.raises(Terminal, match=r"No adapter reads format 'clay-tablet'.*delimited"):
            bring(store, csv(tmp_path, [1]), wrong)

    def test_an_import_that_fails_can_be_tried_again(
        self, store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        path = csv(tmp_path, [0, 1])
        with monkeypatch.context() as patched:
            patched.setattr("ingest.inbox.record_import", None)
            with pytest.raises(TypeError):
                bring(store, path)
        assert bring(store, path) == (4, 0, 0, 0)


def test_a_file_is_known_by_its_bytes_alone(tmp_path: Path) -> None:
    # FIPS 180-2, appendix B.1: SHA-256 of "abc".
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    assert content_hash(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_every_reading_keeps_its_line(store: Store, tmp_path: Path) -> None:
    bring(store, csv(tmp_path, [2, 0, 1]))
    lines = query(store.cursor(), "SELECT t_utc, line FROM reading WHERE channel_id = 1").rows()
    assert sorted(lines) == [(at(0), 3), (at(1), 4), (at(2), 2)]
