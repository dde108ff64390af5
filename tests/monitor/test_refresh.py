"""A refresh gives what a computation from all readings at once would give."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Barrier
from typing import Any

import polars as pl
import pytest

from monitor.metrics.boundary import recipe
from monitor.metrics.performance import accounts, pair
from monitor.models import Boundary, Site
from monitor.refresh import refresh_site
from monitor.store.changes import pending
from monitor.store.connection import Store, open_store
from monitor.store.derived import load_slots, load_states
from monitor.store.sites import save_site, stored_channels
from tests.monitor.homes import at, home
from tests.monitor.stores import (
    NOW,
    Row,
    assert_up_to_date,
    kept,
    numbers,
    refreshed,
    take,
)

HEAT, ELECTRICITY = 1, 2


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "homes.duckdb", create=True) as opened:
        yield opened


def registers(store: Store, **extra: Any) -> Site:
    site = home({"role": "heat_total"}, {"role": "elec_unit"}, **extra)
    save_site(store, site, NOW)
    return site


def hours(channel: int, first: float, last: float, power: float, step: float = 1.0) -> list[Row]:
    count = int((last - first) / step)
    return [(channel, at(first + n * step), power * (first + n * step)) for n in range(count + 1)]


def check(store: Store, site: Site, *files: Sequence[Row]) -> pl.DataFrame:
    for file in files:
        take(store, file)
        refresh_site(store, site.id, now=NOW)
        assert_up_to_date(store, site)
    return load_slots(store, site.id)


def day(n: float) -> float:
    return 24.0 * n


class TestIncremental:
    def test_day_after_day(self, store: Store) -> None:
        site = registers(store)
        files = [
            [
                *hours(HEAT, day(n), day(n + 5), 3),
                *hours(ELECTRICITY, day(n), day(n + 5), 1),
            ]
            for n in range(0, 100, 5)
        ]
        slots = check(store, site, *files)
        assert slots.height == 2 * 24 * 100

    def test_nothing_new_computes_nothing(
        self, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        site = registers(store)
        check(store, site, hours(HEAT, 0, 48, 3))
        assert pending(store, site.id) is None
        monkeypatch.setattr("monitor.refresh.derive", None)
        refresh_site(store, site.id, now=NOW)
        assert load_slots(store, site.id).height == 48

    def test_what_lies_before_the_change_is_not_computed_again(
        self, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        site = registers(store)
        check(store, site, hours(HEAT, 0, day(200), 3))
        take(store, hours(HEAT, day(200), day(201), 3))
        seen: list[datetime] = []
        from monitor import refresh

        derive = refresh.derive

        def watched(site: Any, channels: Any, frame: pl.DataFrame, rules: Any) -> Any:
            seen.append(frame["t_utc"].min())  # type: ignore[arg-type]
            return derive(site, channels, frame, rules)

        monkeypatch.setattr(refresh, "derive", watched)
        refresh_site(store, site.id, now=NOW)
        assert seen[0] >= at(day(200 - 40))
        assert load_slots(store, site.id).height == 24 * 201

    def test_what_comes_while_figures_are_computed_is_in_the_next_ones(
        self, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        from monitor import refresh

        site = registers(store)
        take(store, hours(HEAT, 0, 48, 3))
        derive = refresh.derive

        def slow(*given: Any) -> Any:
            take(store, hours(ELECTRICITY, 0, 48, 1))
            return derive(*given)

        with monkeypatch.context() as patched:
            patched.setattr(refresh, "derive", slow)
            refresh_site(store, site.id, now=NOW)
        assert load_slots(store, site.id)["role"].unique().to_list() == ["heat_total"]
        assert pending(store, site.id) is not None
        refresh_site(store, site.id, now=NOW)
        assert pending(store, site.id) is None
        assert_up_to_date(store, site)
        assert load_slots(store, site.id).height == 2 * 48

    def test_whoever_computes_at_the_same_time_takes_turns(self, store: Store) -> None:
        site = registers(store)
        take(store, [*hours(HEAT, 0, 480, 3), *hours(ELECTRICITY, 0, 480, 1)])
        together = Barrier(5)

        def compute(_: int) -> None:
            together.wait()
            refresh_site(store, site.id, now=NOW, full=True)

        def bring(n: int) -> None:
            together.wait()
            take(store, hours(HEAT, 480 + 24 * n, 504 + 24 * n, 3))

        with ThreadPoolExecutor(5) as people:
            done = [people.submit(compute, n) for n in range(3)]
            done += [people.submit(bring, n) for n in range(2)]
            for one in done:
                one.result(60)
        refresh_site(store, site.id, now=NOW)
        assert_up_to_date(store, site)
        assert load_slots(store, site.id).filter(role="heat_total").height == 480 + 48

    def test_a_reading_after_a_gap_of_two_months_bridges_it(self, store: Store) -> None:
        site = registers(store)
        slots = check(
            store,
            site,
            [*hours(HEAT, 0, day(3), 3), *hours(ELECTRICITY, 0, day(3), 1)],
            [(HEAT, at(day(65)), 3.0 * day(65))],
            [(ELECTRICITY, at(day(66)), 1.0 * day(66))],
            [(HEAT, at(day(66)), 3.0 * day(66))],
        )
        blocks = pair(slots, recipe(site, Boundary.H2))
        row = accounts(blocks, [at(0)], [at(day(66))]).row(0, named=True)
        assert row["coverage"] == 1.0
        assert row["spf"] == pytest.approx(3.0)

    def test_a_gap_filled_later_is_no_longer_bridged(self, store: Store) -> None:
        site = registers(store)
        slots = check(
            store,
            site,
            hours(HEAT, 0, day(3), 3),
            hours(HEAT, day(90), day(92), 3),
            hours(HEAT, day(3), day(90), 3, step=2.0),
        )
        assert slots["status"].unique().to_list() == ["measured"]
        assert slots.height == 24 * 92

    def test_history_that_comes_last(self, store: Store) -> None:
        site = registers(store)
        slots = check(
            store,
            site,
            hours(HEAT, day(100), day(104), 3),
            hours(HEAT, day(50), day(53), 3),
            hours(HEAT, 0, day(2), 3),
        )
        assert slots["block_kwh"].n_unique() > 1
        assert slots.height == 24 * 104

    def test_a_reading_that_shows_an_older_one_to_be_a_spike(self, store: Store) -> None:
        site = registers(store)
        slots = check(
            store,
            site,
            [*hours(HEAT, 0, day(40), 3), (HEAT, at(day(40) + 1), 900_000.0)],
            [(HEAT, at(day(40) + 2), 3 * (day(40) + 2))],
        )
        assert kept(store, "suspect", site.id)["t_utc"].to_list() == [at(day(40) + 1)]
        assert slots["kwh"].sum() == pytest.approx(3 * (day(40) + 2))

    def test_a_register_that_stood_still_for_weeks_and_caught_up(self, store: Store) -> None:
        site = registers(store)
        frozen = [(HEAT, at(h), 100.0) for h in range(int(day(40)), int(day(68)))]
        check(
            store,
            site,
            hours(HEAT, 0, day(40) - 930, 3),
            frozen[:300],
            frozen[300:],
            [(HEAT, at(day(68)), 400.0)],
            [(HEAT, at(day(68) + 1), 403.0)],
        )
        suspects = kept(store, "suspect", site.id)
        assert suspects["reason"].unique().to_list() == [
            "repeats an old value while the register moved on"
        ]

    def test_a_heat_register_stuck_for_days_is_found_across_imports(self, store: Store) -> None:
        site = registers(store)
        heat: list[Row] = [(HEAT, at(h), 3.0 * min(h, 30)) for h in range(24 * 6)]
        electricity = hours(ELECTRICITY, 0, day(6), 1)
        check(
            store,
            site,
            [*heat[:50], *electricity[:40]],
            [*heat[50:100], *electricity[40:70]],
            [*heat[100:], *electricity[70:]],
        )

    def test_a_standstill_at_the_edge_of_what_is_computed_anew(self, store: Store) -> None:
        """The hours that adjoin a stuck day may lie after the hour from which a refresh begins."""
        site = registers(store)
        stuck_from, stuck_to, end = day(22), day(24) + 12, day(60)
        heat: list[Row] = [
            (HEAT, at(h), 3.0 * (min(h, stuck_from) + max(h - stuck_to, 0)))
            for h in (0.25 + n / 2 for n in range(2 * int(end)))
        ]
        # Nothing is read from ten o'clock on, so that the refresh begins there.
        electricity = [
            row
            for row in hours(ELECTRICITY, 0, end, 1)
            if not at(day(24) + 10) < row[1] < at(day(25) + 5)
        ]
        slots = check(
            store, site, [*heat, *electricity], [(ELECTRICITY, at(day(60) + 1), day(60) + 1)]
        )
        still = slots.filter((pl.col("role") == "heat_total") & (pl.col("kwh") == 0))
        assert still.is_empty()

    def test_a_contested_time_and_its_settlement(self, store: Store) -> None:
        site = registers(store)
        check(
            store,
            site,
            hours(HEAT, 0, day(80), 3),
            [(HEAT, at(day(60)), 3 * day(60) + 0.5)],
            hours(HEAT, day(80), day(81), 3),
        )
        take(store, [(HEAT, at(day(60)), 3 * day(60) + 0.5)], correction=True)
        refresh_site(store, site.id, now=NOW)
        assert_up_to_date(store, site)
        assert load_slots(store, site.id)["kwh"].sum() == pytest.approx(3 * day(81))


class TestSwaps:
    def fits(self, swap: float, **registers: float) -> list[dict[str, Any]]:
        channel = [{"role": "heat_total", "kind": "register"}]
        old = {
            "serial": "OLD",
            "measures": "heat",
            "fitted": datetime(2023, 1, 1, tzinfo=UTC),
            "removed": at(swap),
            "channel": channel,
        }
        new = {"serial": "NEW", "measures": "heat", "fitted": at(swap), "channel": channel}
        if "end" in registers:
            old["end_register"] = {"heat_total": registers["end"]}
        if "start" in registers:
            new["start_register"] = {"heat_total": registers["start"]}
        return [old, new]

    def test_readings_on_both_sides_of_a_swap(self, store: Store) -> None:
        site = home(meters=self.fits(day(40) + 0.5, end=3 * day(40) + 1.5, start=0.0))
        save_site(store, site, NOW)
        old, new = (s.channel_id for s in stored_channels(store, site))
        after: list[Row] = [(new, at(day(40) + h), 3.0 * (h - 0.5)) for h in range(1, 24 * 50)]
        slots = check(store, site, hours(old, 0, day(40), 3), after[:30], after[30:])
        assert slots["kwh"].sum() == pytest.approx(3 * (day(90) - 1))

    def test_a_noted_register_long_after_the_last_export_of_the_old_meter(
        self, store: Store
    ) -> None:
        """The old meter's last reading in an export lies further back than a refresh looks."""
        site = home(meters=self.fits(day(90), end=3 * day(90), start=0.0))
        save_site(store, site, NOW)
        old, new = (s.channel_id for s in stored_channels(store, site))
        after: list[Row] = [(new, at(day(90) + h), 3.0 * h) for h in range(24 * 3)]
        slots = check(store, site, hours(old, 0, day(5), 3), after[:30], after[30:])
        assert slots.height == 24 * 93 - 1

    def test_a_noted_register_long_before_the_first_export_of_the_new_meter(
        self, store: Store
    ) -> None:
        site = home(meters=self.fits(day(5), end=3 * day(5), start=0.0))
        save_site(store, site, NOW)
        old, new = (s.channel_id for s in stored_channels(store, site))
        after: list[Row] = [(new, at(day(90) + h), 3.0 * (day(85) + h)) for h in range(24 * 3)]
        slots = check(store, site, hours(old, 0, day(5), 3), after[:30], after[30:])
        assert slots.height == 24 * 93 - 1

    def test_a_noted_register_is_not_lost_when_only_the_other_stream_is_new(
        self, store: Store
    ) -> None:
        heat = self.fits(day(90), end=3 * day(90), start=0.0)
        unit = {
            "serial": "E",
            "measures": "electricity",
            "fitted": datetime(2023, 1, 1, tzinfo=UTC),
            "channel": [{"role": "elec_unit", "kind": "register"}],
        }
        site = home(meters=[*heat, unit])
        save_site(store, site, NOW)
        old = next(s for s in stored_channels(store, site) if s.fit.serial == "OLD").channel_id
        electricity = numbers(store, site)["elec_unit"]
        slots = check(
            store,
            site,
            [*hours(old, 0, day(5), 3), *hours(electricity, 0, day(79), 1)],
            hours(electricity, day(79), day(80), 1),
        )
        assert slots.filter(pl.col("role") == "heat_total").height == 24 * 90

    def test_samples_of_an_old_power_meter_hold_no_longer_than_it_was_there(
        self, store: Store
    ) -> None:
        channel = [{"role": "elec_unit", "kind": "power"}]
        fits = self.fits(2.0)
        site = home(meters=[fit | {"measures": "electricity", "channel": channel} for fit in fits])
        save_site(store, site, NOW)
        old, new = (s.channel_id for s in stored_channels(store, site))
        before: list[Row] = [(old, at(m / 60), 1.0) for m in range(0, 120, 7)]
        after: list[Row] = [(new, at(2 + m / 60), 2.0) for m in range(0, 121, 1)]
        slots = check(store, site, [*before, *after])
        assert slots["kwh"].to_list() == pytest.approx([1.0, 1.0, 2.0, 2.0])

    def test_an_interval_of_an_old_meter_that_reaches_past_the_swap_is_not_counted_twice(
        self, store: Store
    ) -> None:
        channel = [{"role": "elec_unit", "kind": "interval"}]
        fits = self.fits(2.5)
        site = home(meters=[fit | {"measures": "electricity", "channel": channel} for fit in fits])
        save_site(store, site, NOW)
        old, new = (s.channel_id for s in stored_channels(store, site))
        before: list[Row] = [(old, at(0), 1.0, 3600), (old, at(1), 12.0, 12 * 3600)]
        after: list[Row] = [(new, at(2.5), 0.5, 1800), *((new, at(h), 1.0, 3600) for h in (3, 4))]
        slots = check(store, site, [*before, *after])
        # Whether the twelve hours lie before the swap or not, nobody knows: they are missing.
        assert slots["slot_start_utc"].to_list() == [at(0), at(3), at(4)]


class TestStates:
    def test_temperatures_day_after_day(self, store: Store) -> None:
        site = home({"role": "heat_total"}, {"role": "flow_temp", "kind": "state"})
        save_site(store, site, NOW)
        flow = numbers(store, site)["flow_temp"]
        files: list[list[Row]] = [
            [
                (flow, at(day(n) + m / 60), 30.0 + (m % 97) / 10)
                for m in range(0, 24 * 60, 5 + 3 * (n % 3))
            ]
            for n in range(0, 60, 6)
        ]
        check(store, site, *files, hours(1, 0, day(60), 2, step=6.0))
        states = load_states(store, site.id)
        assert states["covered"].max() == 1.0
        assert states["mean"].is_between(30.0, 39.7).all()


def test_the_newest_reading_is_that_of_energy(store: Store) -> None:
    site = home({"role": "heat_total"}, {"role": "flow_temp", "kind": "state"})
    save_site(store, site, NOW)
    ids = numbers(store, site)
    take(store, [(ids["heat_total"], at(5), 1.0), (ids["flow_temp"], at(50), 35.0)])
    assert refresh_site(store, site.id, now=NOW).newest_reading == at(5)


def test_a_site_without_readings_has_a_standing(store: Store) -> None:
    site = registers(store)
    assert refreshed(store, site).is_empty()
    assert refresh_site(store, site.id, now=NOW + timedelta(days=1)).newest_reading is None


class TestTwoMetersBesideEachOther:
    """The new meter is fitted on day 2 and counts from day 4; the old one is removed on day 6."""

    def site(self, store: Store) -> Site:
        channel = [{"role": "heat_total", "kind": "register"}]
        old = {"serial": "OLD", "measures": "heat", "fitted": at(0), "channel": channel}
        new = {"serial": "NEW", "measures": "heat", "fitted": at(day(2)), "channel": channel}
        old["removed"], new["counts_from"] = at(day(6)), at(day(4))
        site = home({"role": "elec_unit"})
        site = Site.model_validate(
            site.model_dump(exclude_unset=True) | {"meter": [*site.meter, old, new]}
        )
        save_site(store, site, NOW)
        return site

    def test_each_hour_is_counted_once_by_the_meter_that_counts(self, store: Store) -> None:
        site = self.site(store)
        number = {
            s.fit.serial: s.channel_id
            for s in stored_channels(store, site)
            if s.channel.role == "heat_total"
        }
        old = [(number["OLD"], at(h), 3.0 * h) for h in range(6 * 24 + 1)]
        # The new one reads a tenth more, so that one sees which of the two counts.
        new = [(number["NEW"], at(h), 3.3 * h) for h in range(48, 8 * 24 + 1)]
        slots = check(store, site, old, new)
        heat = slots.filter(pl.col("role") == "heat_total").sort("slot_start_utc")
        assert heat.height == 8 * 24
        assert heat["kwh"].head(96).to_list() == pytest.approx([3.0] * 96)
        assert heat["kwh"].tail(96).to_list() == pytest.approx([3.3] * 96)

    def test_readings_before_it_counts_are_kept(self, store: Store) -> None:
        site = self.site(store)
        number = next(s.channel_id for s in stored_channels(store, site) if s.fit.serial == "NEW")
        counts = take(store, [(number, at(h), 3.3 * h) for h in range(48, 97)])
        assert counts.accepted == 49
        slots = refreshed(store, site)
        assert slots.filter(pl.col("role") == "heat_total").height == 0


def test_two_meters_at_once_need_to_say_which_one_counts() -> None:
    channel = [{"role": "heat_total", "kind": "register"}]
    old = {"serial": "OLD", "measures": "heat", "fitted": at(0), "channel": channel}
    new = {"serial": "NEW", "measures": "heat", "fitted": at(48), "channel": channel}
    plain = home({"role": "elec_unit"}).model_dump(exclude_unset=True)
    with pytest.raises(ValueError, match="or the second one 'counts_from'"):
        Site.model_validate(plain | {"meter": [*plain["meter"], old, new]})
    with pytest.raises(ValueError, match="cannot count before it is fitted"):
        Site.model_validate(
            plain | {"meter": [*plain["meter"], old, new | {"counts_from": at(24)}]}
        )
