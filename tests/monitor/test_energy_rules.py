"""The rules of the energy account, one statement a test."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from monitor.metrics.boundary import recipe
from monitor.metrics.performance import accounts, pair
from monitor.models import Boundary, Site
from tests.monitor.homes import at, home, readings, slots_of, suspects_of

HEAT = {"role": "heat_total"}
UNIT = {"role": "elec_unit"}


def hourly(first: int, values: list[float]) -> list[tuple[datetime, float | None]]:
    return [(at(first + n), value) for n, value in enumerate(values)]


def account(site: Site, frame: pl.DataFrame, a: datetime, b: datetime) -> dict[str, float]:
    blocks = pair(slots_of(site, frame), recipe(site, Boundary.H2))
    return accounts(blocks, [a], [b]).row(0, named=True)


def status(slots: pl.DataFrame, role: str) -> dict[int, str]:
    own = slots.filter(pl.col("role") == role)
    return {t.hour: s for t, s in own.select("slot_start_utc", "status").iter_rows()}


class TestWorkedCases:
    """The four worked cases of the energy rules."""

    def test_a_bridged_block_is_paired_with_hourly_electricity(self) -> None:
        site = home(HEAT, UNIT)
        frame = readings([(at(10), 100), (at(14), 112)], hourly(10, [30, 31, 32, 33, 34]))
        got = account(site, frame, at(0), at(24))
        assert (got["heat_kwh"], got["electricity_kwh"], got["spf"]) == (12, 4, 3.0)
        assert got["hours_bridged"] == 4
        assert got["hours_measured"] == 0
        assert got["hours_missing"] == 20

    def test_a_bridged_block_is_lost_whole_if_one_interval_of_the_other_stream_is_missing(
        self,
    ) -> None:
        site = home(HEAT, UNIT | {"kind": "interval"})
        heat = readings([(at(10), 100), (at(14), 112)])
        electricity = readings([], [(at(h), 1.0) for h in (10, 11, 13)], duration_s=3600)
        got = account(site, pl.concat([heat, electricity]), at(10), at(14))
        assert got["spf"] is None
        assert got["hours_missing"] == 4

    def test_overlapping_bridged_blocks_of_two_streams_merge(self) -> None:
        site = home(HEAT, UNIT)
        heat = [(at(h), 100.0 + 3 * h) for h in range(24) if not 11 < h < 15]
        electricity = [(at(h), 30.0 + h) for h in range(24) if h not in (12, 13)]
        frame = readings(heat, electricity)
        blocks = pair(slots_of(site, frame), recipe(site, Boundary.H2))
        bridged = [
            (s % 24, e % 24)
            for s, e, b in zip(blocks.start, blocks.end, blocks.bridged, strict=True)
            if b
        ]
        assert bridged == [(11, 15)]
        got = account(site, frame, at(0), at(23))
        assert got["spf"] == pytest.approx(3.0)
        assert (got["hours_measured"], got["hours_bridged"]) == (19, 4)

    def test_a_register_with_declared_digits_rolls_over(self) -> None:
        site = home(HEAT | {"digits": 7, "decimals": 2}, UNIT)
        slots = slots_of(site, readings([(at(10), 99_999.50), (at(11), 0.70)]))
        assert slots["kwh"].to_list() == pytest.approx([1.20])

    def test_a_register_that_falls_without_declared_digits_loses_the_span(self) -> None:
        site = home(HEAT, UNIT)
        frame = readings([(at(9), 99_998.5), (at(10), 99_999.5), (at(11), 0.7), (at(12), 1.7)])
        assert status(slots_of(site, frame), "heat_total") == {9: "measured", 11: "measured"}


class TestRegisters:
    def test_energy_between_two_readings_is_exact_however_long_the_gap(self) -> None:
        site = home(HEAT, UNIT)
        slots = slots_of(site, readings([(at(0), 10.0), (at(0, 40), 3010.0)]))
        assert slots["block_kwh"].unique().to_list() == [3000.0]
        assert slots.height == 40 * 24

    def test_readings_two_hours_apart_still_place_their_energy_in_hours(self) -> None:
        site = home(HEAT, UNIT)
        slots = slots_of(site, readings([(at(0), 0.0), (at(2), 4.0)]))
        assert slots["status"].to_list() == ["measured", "measured"]
        assert slots["kwh"].to_list() == [2.0, 2.0]

    def test_readings_off_the_hour_bridge_every_slot_that_the_gap_touches(self) -> None:
        site = home(HEAT, UNIT)
        near = [(at(h / 6), h / 6) for h in range(6 * 10 + 3)]  # every 10 min until 10:20
        far = [(at(14 + 40 / 60 + h / 6), 15 + h / 6) for h in range(12)]
        slots = slots_of(site, readings(near + far))
        bridged = slots.filter(pl.col("status") == "bridged")
        assert [t.hour for t in bridged["slot_start_utc"]] == [10, 11, 12, 13, 14]

    def test_a_register_read_once_a_day_off_the_hour_still_gives_days(self) -> None:
        site = home(HEAT, UNIT)
        daily = [(at(10 + 20 / 60, day), 24.0 * day) for day in range(5)]
        slots = slots_of(site, readings(daily))
        blocks = slots.select("block_start_utc", "block_end_utc", "block_kwh").unique()
        assert blocks.height == 4
        inner = slots.filter(pl.col("block_start_utc") == at(10, 1))
        assert inner["block_kwh"].unique().item() == pytest.approx(24.0)
        assert inner["u_start_kwh"].unique().item() > 0

    def test_a_spike_is_set_aside_and_its_neighbours_span_it(self) -> None:
        site = home(HEAT, UNIT)
        frame = readings(
            [(at(0), 100), (at(0.5), 101), (at(1), 65_535), (at(1.5), 103), (at(2), 104)]
        )
        assert suspects_of(site, frame) == [(at(1), "leaves the register's course and comes back")]
        assert slots_of(site, frame)["kwh"].sum() == pytest.approx(4.0)

    def test_zeros_after_a_modem_restart_are_set_aside(self) -> None:
        site = home(HEAT, UNIT)
        frame = readings([(at(0), 100), (at(1), 0), (at(2), 0), (at(3), 106)])
        assert [reason for _, reason in suspects_of(site, frame)] == [
            "leaves the register's course and comes back"
        ] * 2
        assert slots_of(site, frame)["block_kwh"].unique().item() == 6

    def test_a_frozen_register_that_catches_up_is_spanned(self) -> None:
        site = home(HEAT, UNIT)
        frozen = [(at(h), 100.0) for h in range(1, 48)]
        frame = readings([(at(0), 99.0), *frozen, (at(48), 250.0), (at(49), 252.0)])
        assert len(suspects_of(site, frame)) == 46
        slots = slots_of(site, frame)
        assert slots.filter(pl.col("status") == "bridged")["block_kwh"].unique().item() == 150.0

    def test_a_jump_that_no_heat_pump_can_make_is_missing_and_both_sides_stay(self) -> None:
        site = home(HEAT, UNIT)
        frame = readings(hourly(0, [100, 102, 104, 9_000, 9_002, 9_004]))
        assert sorted(status(slots_of(site, frame), "heat_total")) == [0, 1, 3, 4]

    def test_coarse_register_steps_are_not_jumps(self) -> None:
        site = home(HEAT, UNIT)
        steps = [(at(m / 60), float(m // 15)) for m in range(120)]
        frame = readings(steps)
        assert suspects_of(site, frame) == []
        assert slots_of(site, frame)["status"].unique().to_list() == ["measured"]

    def test_a_contested_time_makes_its_span_missing(self) -> None:
        site = home(HEAT, UNIT)
        frame = readings([(at(0), 0), (at(1), 1), (at(2), None), (at(3), 3), (at(4), 4)])
        assert sorted(status(slots_of(site, frame), "heat_total")) == [0, 3]

    def test_a_signed_register_may_fall_because_defrost_takes_heat_back(self) -> None:
        site = home(HEAT | {"signed": True}, UNIT)
        slots = slots_of(site, readings(hourly(0, [100, 102, 101.5, 104])))
        assert slots["kwh"].to_list() == pytest.approx([2, -0.5, 2.5])

    def test_a_meter_swap_with_both_registers_loses_nothing(self) -> None:
        swap = at(1.5)
        channel = [{"role": "heat_total", "kind": "register"}]
        site = home(
            meters=[
                {
                    "serial": "OLD",
                    "measures": "heat",
                    "fitted": datetime(2023, 1, 1, tzinfo=UTC),
                    "removed": swap,
                    "end_register": {"heat_total": 103.0},
                    "channel": channel,
                },
                {
                    "serial": "NEW",
                    "measures": "heat",
                    "fitted": swap,
                    "start_register": {"heat_total": 0.0},
                    "channel": channel,
                },
            ]
        )
        frame = readings([(at(0), 100), (at(1), 102)], [(at(2), 1.0), (at(3), 3.0)])
        assert slots_of(site, frame)["kwh"].to_list() == pytest.approx([2, 2, 2])

    def test_a_meter_swap_without_registers_loses_only_the_hours_about_it(self) -> None:
        channel = [{"role": "heat_total", "kind": "register"}]
        site = home(
            meters=[
                {
                    "serial": "OLD",
                    "measures": "heat",
                    "fitted": datetime(2023, 1, 1, tzinfo=UTC),
                    "removed": at(1.5),
                    "channel": channel,
                },
                {"serial": "NEW", "measures": "heat", "fitted": at(1.5), "channel": channel},
            ]
        )
        frame = readings([(at(0), 100), (at(1), 102)], [(at(2), 0.0), (at(3), 2.0)])
        assert sorted(status(slots_of(site, frame), "heat_total")) == [0, 2]


class TestIntervals:
    def test_a_slot_is_measured_only_if_its_intervals_cover_it(self) -> None:
        site = home(HEAT | {"kind": "interval"}, UNIT)
        frame = readings([(at(h), 0.5) for h in (0, 0.5, 1, 2, 2.5)], duration_s=1800)
        assert status(slots_of(site, frame), "heat_total") == {0: "measured", 2: "measured"}

    def test_an_interval_across_a_boundary_is_split_pro_rata(self) -> None:
        site = home(HEAT | {"kind": "interval"}, UNIT)
        frame = readings([(at(0.25 + n), 1.0) for n in range(3)], duration_s=3600)
        assert slots_of(site, frame)["kwh"].to_list() == pytest.approx([1.0, 1.0])

    def test_an_interval_of_a_day_is_a_bridged_block(self) -> None:
        site = home(HEAT | {"kind": "interval"}, UNIT)
        slots = slots_of(site, readings([(at(0), 48.0)], duration_s=86_400))
        assert slots["status"].unique().to_list() == ["bridged"]
        assert slots["block_kwh"].unique().to_list() == [48.0]

    def test_negative_energy_is_set_aside_unless_declared_signed(self) -> None:
        frame = readings([(at(0), -0.4), (at(1), 1.0)], duration_s=3600)
        plain = home(HEAT | {"kind": "interval"}, UNIT)
        signed = home(HEAT | {"kind": "interval", "signed": True}, UNIT)
        assert slots_of(plain, frame)["kwh"].to_list() == [1.0]
        assert slots_of(signed, frame)["kwh"].to_list() == [-0.4, 1.0]

    def test_more_energy_than_the_unit_can_give_is_set_aside(self) -> None:
        site = home(HEAT | {"kind": "interval"}, UNIT)
        frame = readings([(at(0), 2.0), (at(1), 2000.0)], duration_s=3600)
        assert suspects_of(site, frame) == [
            (at(1), "more energy than the site can have in that interval")
        ]


class TestPower:
    def test_a_sample_holds_until_the_next(self) -> None:
        site = home(HEAT, UNIT | {"kind": "power"})
        samples = [(at(m / 60), 2.0 if m < 30 else 1.0) for m in range(0, 60, 5)]
        frame = readings([], samples)
        assert slots_of(site, frame)["kwh"].to_list() == pytest.approx([1.5])

    def test_a_sample_holds_no_longer_than_a_quarter_of_an_hour(self) -> None:
        site = home(HEAT, UNIT | {"kind": "power"})
        samples = [(at(m / 60), 2.0) for m in range(0, 180, 5) if not 60 <= m < 90]
        assert status(slots_of(site, readings([], samples)), "elec_unit") == {
            0: "measured",
            2: "measured",
        }

    def test_trapezoid_and_left_hold_agree_on_constant_power(self) -> None:
        samples = [(at(m / 60), 1.2) for m in range(0, 121, 5)]
        for hold in ("left", "trapezoid"):
            site = home(HEAT, UNIT | {"kind": "power", "hold": hold})
            assert slots_of(site, readings([], samples))["kwh"].to_list() == pytest.approx(
                [1.2, 1.2]
            )

    def test_a_small_negative_power_at_standstill_is_meter_offset_and_kept(self) -> None:
        site = home(HEAT, UNIT | {"kind": "power"})
        samples = [(at(m / 60), -0.01) for m in range(0, 60, 5)]
        assert slots_of(site, readings([], samples))["kwh"].to_list() == pytest.approx([-0.01])


class TestStuck:
    def test_heat_that_stands_still_for_a_day_while_the_unit_runs_is_missing(self) -> None:
        site = home(HEAT, UNIT)
        heat = [(at(h), 100.0 + 3 * min(h, 24) + 3 * max(h - 72, 0)) for h in range(97)]
        electricity = [(at(h), 10.0 + h) for h in range(97)]
        frame = readings(heat, electricity)
        known = slots_of(site, frame).filter(pl.col("role") == "heat_total")
        assert known.height == 48
        assert {r for _, r in suspects_of(site, frame)} == {
            "stood still all day while the other meter moved"
        }

    def test_a_summer_day_without_heat_is_no_fault(self) -> None:
        site = home(HEAT, UNIT)
        frame = readings(
            [(at(h), 100.0) for h in range(49)], [(at(h), 10 + 0.02 * h) for h in range(49)]
        )
        assert suspects_of(site, frame) == []


def test_a_window_takes_a_bridged_block_only_whole() -> None:
    site = home(HEAT, UNIT)
    frame = readings([(at(10), 100), (at(14), 112)], hourly(10, [30, 31, 32, 33, 34]))
    got = account(site, frame, at(0), at(12))
    assert got["spf"] is None
    assert got["hours_missing"] == 12


def test_every_window_accounts_for_each_of_its_hours() -> None:
    site = home(HEAT, UNIT)
    frame = readings(
        hourly(0, [float(n) for n in range(30)]), hourly(5, [0.3 * n for n in range(20)])
    )
    blocks = pair(slots_of(site, frame), recipe(site, Boundary.H2))
    starts = [at(h) for h in range(-30, 30)]
    table = accounts(blocks, starts, [a + timedelta(hours=17) for a in starts])
    total = table["hours_measured"] + table["hours_bridged"] + table["hours_missing"]
    assert total.to_list() == table["hours_total"].to_list() == [17] * 60
