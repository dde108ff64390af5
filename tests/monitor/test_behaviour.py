"""How a system ran, told from what its meters show."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_telemetry.catalogue import AIR_8
from demo_telemetry.faults import Kind, Trouble, course
from demo_telemetry.homes import Home, Promise
from demo_telemetry.house import House
from demo_telemetry.meters import floor_to
from demo_telemetry.simulate import Plant, simulate
from demo_telemetry.span import drive_home, region_weather, span_of
from monitor.metrics import behaviour as module
from monitor.models import Site
from monitor.refresh import derive, refresh_site
from monitor.rules import DEFAULT_RULES
from monitor.schemas import BEHAVIOUR, READING
from monitor.store.connection import Store, open_store
from monitor.store.derived import load_behaviour
from monitor.store.sites import save_site
from tests.monitor.homes import DAY, home, stored
from tests.monitor.stores import NOW, assert_up_to_date, numbers, take

MINUTES = 24 * 60

#: From minute to minute: a value for the minutes from one to another, elsewhere `rest`.
Spans = Sequence[tuple[int, int]]


def power(spans: Spans, kw: float, rest: float = 0.0, minutes: int = MINUTES) -> np.ndarray:
    """Power of each minute."""
    out = np.full(minutes, rest)
    for begin, end in spans:
        out[begin:end] = kw
    return out


def shown(kw: np.ndarray, step: float) -> np.ndarray:
    """What a register shows at the beginning of each minute."""
    return floor_to(np.concatenate(([0.0], np.cumsum(kw)[:-1])) / 60.0, step)


def lived(
    site: Site,
    *values: np.ndarray,
    every: int = 1,
    start: datetime = DAY,
    without: Spans = (),
) -> pl.DataFrame:
    """Readings of channels 0, 1, ... from values of each minute."""
    parts = []
    for number, series in enumerate(values):
        minutes = np.arange(0, len(series), every)
        for begin, end in without:
            minutes = minutes[(minutes < begin) | (minutes >= end)]
        parts.append(
            pl.DataFrame({"m": minutes, "value": series[minutes]}).select(
                pl.lit(number, pl.Int32).alias("channel_id"),
                (pl.lit(start) + pl.duration(minutes="m")).cast(READING["t_utc"]).alias("t_utc"),
                pl.lit(None, pl.Int32).alias("duration_s"),
                pl.col("value").cast(pl.Float64),
                pl.lit(value=False).alias("conflict"),
            )
        )
    return derive(site, stored(site), pl.concat(parts), DEFAULT_RULES)[3]


def row(frame: pl.DataFrame, day: date | None = None) -> dict[str, Any]:
    """The row of a day."""
    return frame.row(by_predicate=pl.col("day") == (day or DAY.date()), named=True)


UNIT = {"role": "elec_unit"}
HEAT = {"role": "heat_total"}
FLOW = {"role": "flow_temp", "kind": "state"}
RETURN = {"role": "return_temp", "kind": "state"}
RATE = {"role": "flow_rate", "kind": "state"}
OUTDOOR = {"role": "outdoor_temp", "kind": "state"}
CYLINDER = {"role": "dhw_temp", "kind": "state"}

RUNS: Spans = ((120, 140), (300, 340), (600, 660))


class TestRuns:
    def test_starts_and_lengths_from_a_fine_electricity_meter(self) -> None:
        told = row(lived(home(UNIT), shown(power(RUNS, 2.0, 0.02), 0.01)))
        assert told["starts"] == 3
        assert told["run_h"] == pytest.approx(2.0, abs=0.1)
        assert told["idle_h"] == pytest.approx(22.0, abs=0.1)
        assert told["run_median_min"] == pytest.approx(40.0, abs=2.0)
        assert told["step_s"] == 60
        assert told["idle_kw"] == pytest.approx(0.02, abs=0.002)

    def test_a_register_that_steps_at_rest_does_not_start_the_unit(self) -> None:
        """A step of 10 Wh within a minute is 600 W to a simple division."""
        told = row(lived(home(UNIT), shown(power((), 0.0, 0.045), 0.01)))
        assert told["starts"] == 0
        assert told["run_h"] == 0
        assert told["idle_kw"] == pytest.approx(0.045, rel=0.02)

    def test_a_coarse_electricity_meter_leaves_it_to_flow_and_return(self) -> None:
        """Steps of 0.1 kWh at five minutes are 1.2 kW, which is all that the unit takes."""
        electricity = shown(power(RUNS, 1.2, 0.02), 0.1)
        flow, back = power(RUNS, 36.0, 28.0), power(RUNS, 31.0, 28.0)
        coarse_heat = shown(power(RUNS, 4.0), 1.0)
        assert lived(home(UNIT, HEAT), electricity, coarse_heat, every=5).is_empty()
        told = row(lived(home(UNIT, FLOW, RETURN), electricity, flow, back, every=5))
        assert told["starts"] == 3
        assert told["run_h"] == pytest.approx(2.0)
        assert told["idle_kw"] is None

    def test_heat_tells_where_nothing_else_does(self) -> None:
        told = row(lived(home(HEAT), shown(power(RUNS, 5.0), 0.1)))
        assert told["starts"] == 3
        assert told["run_h"] == pytest.approx(2.0, abs=0.15)

    def test_a_heat_meter_that_stands_still_does_not_stop_the_unit(self) -> None:
        dead = np.full(MINUTES, 100.0)
        told = row(lived(home(UNIT, HEAT), shown(power(RUNS, 2.0, 0.02), 0.01), dead))
        assert told["starts"] == 3
        assert told["run_h"] == pytest.approx(2.0, abs=0.1)

    def test_an_electricity_meter_that_stands_still_leaves_it_to_heat(self) -> None:
        dead = np.full(MINUTES, 100.0)
        told = row(lived(home(UNIT, HEAT), dead, shown(power(RUNS, 6.0), 0.01)))
        assert told["starts"] == 3
        assert told["idle_kw"] is None

    def test_meters_that_contradict_each_other_tell_nothing(self) -> None:
        """The unit's own meter shows runs of an hour while a heat meter shows others."""
        apart = tuple((a + 420, b + 420) for a, b in RUNS)
        site, runs = home(UNIT, HEAT), ((0, 60), *RUNS, (700, 1200))
        electricity = shown(power(runs, 2.0, 0.02), 0.01)
        told = lived(site, electricity, shown(power(apart, 6.0), 0.01))
        assert told.is_empty()

    def test_water_that_carries_heat_past_a_dead_meter(self) -> None:
        """The whole is metered, with a heater: heat must show that it is the unit that runs."""
        site = home({"role": "elec_total"}, HEAT, FLOW, RETURN, RATE)
        dead, runs = np.full(MINUTES, 100.0), power(RUNS, 1.0)
        electricity = shown(power(RUNS, 2.0, 0.02), 0.01)
        told = row(lived(site, electricity, dead, 28.0 + 8.0 * runs, 28.0 + 3.0 * runs, 1.2 * runs))
        assert told["starts"] == 3

    def test_samples_of_power_of_a_unit_of_one_speed(self) -> None:
        told = row(lived(home(UNIT | {"kind": "power"}), power(RUNS, 2.0, 0.02), every=5))
        assert told["starts"] == 3
        assert told["run_h"] == pytest.approx(2.0)
        assert told["idle_kw"] == pytest.approx(0.02)

    def test_readings_of_a_quarter_of_an_hour_are_too_coarse(self) -> None:
        site = home(UNIT, FLOW, RETURN)
        values = shown(power(RUNS, 2.0), 0.01), power(RUNS, 36.0, 28.0), power(RUNS, 31.0, 28.0)
        assert lived(site, *values, every=15).is_empty()

    def test_a_run_belongs_to_the_day_on_which_it_starts(self) -> None:
        spans = ((MINUTES - 30, MINUTES + 60),)
        frame = lived(home(UNIT), shown(power(spans, 2.0, 0.02, 2 * MINUTES), 0.01))
        first, second = row(frame), row(frame, DAY.date() + timedelta(days=1))
        assert (first["starts"], second["starts"]) == (1, 0)
        assert first["run_median_min"] == pytest.approx(90.0, abs=2.0)
        assert second["run_median_min"] is None
        assert second["run_h"] == pytest.approx(1.0, abs=0.05)

    def test_what_went_on_in_a_gap_is_not_known(self) -> None:
        spans = ((120, 140), (300, 400))
        told = row(
            lived(
                home(UNIT), shown(power(spans, 2.0, 0.02), 0.01), without=((310, 360), (700, 760))
            )
        )
        assert told["seen_h"] == pytest.approx(24.0 - 110.0 / 60.0, abs=0.1)
        assert told["starts"] == 2
        # The end of the second run was seen, its course was not.
        assert told["run_median_min"] == pytest.approx(20.0, abs=2.0)

    def test_an_immersion_heater_on_the_same_meter_is_no_run(self) -> None:
        site = home({"role": "elec_total"}, HEAT, heat_pump={"immersion_heater": True})
        heater = power(((900, 960),), 3.0)
        electricity = shown(power(RUNS, 2.0, 0.02) + heater, 0.01)
        told = row(lived(site, electricity, shown(power(RUNS, 6.0), 0.01)))
        assert told["starts"] == 3
        assert told["run_h"] == pytest.approx(2.0, abs=0.1)
        assert told["idle_kw"] == pytest.approx(0.02, abs=0.002)

    def test_a_household_on_the_same_meter_leaves_it_to_heat(self) -> None:
        house = np.random.default_rng(3).gamma(1.5, 0.4, MINUTES)
        electricity = shown(power(RUNS, 2.0) + house, 0.001)
        told = row(
            lived(home({"role": "elec_total"}, HEAT), electricity, shown(power(RUNS, 6.0), 0.01))
        )
        assert told["starts"] == 3
        assert told["idle_kw"] is None

    @pytest.mark.parametrize(("day", "hours"), [(date(2024, 3, 31), 23), (date(2024, 10, 27), 25)])
    def test_days_on_which_the_clocks_change(self, day: date, hours: int) -> None:
        site = home(UNIT, zone="Europe/London")
        kw = power((), 0.0, 0.02, 3 * MINUTES)
        start = datetime(day.year, day.month, day.day, tzinfo=UTC) - timedelta(days=1)
        told = row(lived(site, shown(kw, 0.01), start=start), day)
        assert told["seen_h"] == pytest.approx(hours)


class TestRoomsAndWater:
    def test_steady_running_for_rooms_leaves_the_edges_of_runs_out(self) -> None:
        site = home(UNIT, FLOW, RETURN, RATE, OUTDOOR, CYLINDER, HEAT)
        runs = power(RUNS, 1.0)
        edges = power([(a, a + 10) for a, _ in RUNS] + [(b - 10, b) for _, b in RUNS], 1.0)
        told = row(
            lived(
                site,
                shown(power(RUNS, 2.0, 0.02), 0.01),
                np.where(runs > 0, 36.0 - 8.0 * edges, 25.0),
                np.where(runs > 0, 31.0 - 8.0 * edges, 25.0),
                1.2 * runs,
                power((), 0.0, 4.0),
                power((), 0.0, 48.0),
                shown(6.0 * runs, 0.01),
            )
        )
        assert told["space_h"] == pytest.approx(1.0, abs=0.1)
        assert told["space_flow_c"] == pytest.approx(36.0, abs=0.3)
        assert told["space_delta_k"] == pytest.approx(5.0, abs=0.05)
        assert told["space_flow_m3h"] == pytest.approx(1.2, abs=0.01)
        assert told["space_heat_kw"] == pytest.approx(6.0, rel=0.02)
        assert told["space_outdoor_c"] == pytest.approx(4.0)
        assert told["idle_flow_h"] == pytest.approx(0.0, abs=0.1)

    @pytest.mark.parametrize("meter", ["cylinder", "heat_dhw", "curve"])
    def test_hot_water_is_told_apart(self, meter: str) -> None:
        """By the cylinder, by a meter of its own, or by a flow far above the curve."""
        wet, dry = ((600, 660),), ((120, 240),)
        flow = power(wet, 54.0, 25.0) + power(dry, 10.0)
        values = [shown(power((*wet, *dry), 2.0, 0.02), 0.01), flow, power((), 0.0, 7.0)]
        channels: list[dict[str, Any]] = [UNIT, FLOW, OUTDOOR]
        if meter == "cylinder":
            rise = np.interp(np.arange(MINUTES), [0, 600, 660, 1439], [48.0, 42.0, 50.0, 46.0])
            channels, values = [*channels, CYLINDER], [*values, rise]
        if meter == "heat_dhw":
            channels = [*channels, {"role": "heat_dhw"}]
            values = [*values, shown(power(wet, 6.0), 0.1)]
        curve = {
            "design_flow_temp_c": 45.0,
            "flow_temp_at_15_c": 28.0,
            "design_outdoor_temp_c": -3.0,
        }
        told = row(lived(home(*channels, heat_pump=curve), *values))
        assert told["dhw_flow_c"] == pytest.approx(54.0, abs=0.2)
        assert told["space_flow_c"] == pytest.approx(35.0, abs=0.2)
        assert told["space_h"] == pytest.approx(100 / 60, abs=0.2)
        assert told["dhw_h"] == pytest.approx(40 / 60, abs=0.2)

    def test_without_anything_that_tells_it_neither_is_known(self) -> None:
        told = row(lived(home(UNIT, FLOW), shown(power(RUNS, 2.0), 0.01), power(RUNS, 40.0, 25.0)))
        assert told["space_h"] is None
        assert told["space_flow_c"] is None
        assert told["dhw_h"] is None

    def test_reheats_of_the_cylinder_by_more_than_three_kelvin(self) -> None:
        """Two reheats by 7 K and one wobble of 2 K, with a sensor's noise."""
        minute = [0, 300, 340, 700, 740, 1000, 1020, 1439]
        cylinder = np.interp(np.arange(MINUTES), minute, [50, 43, 50, 43, 50, 47, 49, 46.5])
        noise = np.random.default_rng(1).normal(0.0, 0.1, MINUTES)
        told = row(
            lived(home(UNIT, CYLINDER), shown(power((), 0.0), 0.01), cylinder + noise, every=5)
        )
        assert told["dhw_reheats"] == 2
        assert told["dhw_max_c"] == pytest.approx(50.0, abs=0.4)
        assert told["dhw_min_c"] == pytest.approx(43.0, abs=0.4)

    def test_a_cylinder_read_each_quarter_of_an_hour_tells_its_reheats_all_the_same(self) -> None:
        minute = [0, 300, 340, 700, 740, 1439]
        cylinder = np.interp(np.arange(MINUTES), minute, [50, 43, 50, 43, 50, 45.0])
        told = row(lived(home(UNIT, CYLINDER), shown(power((), 0.0), 0.01), cylinder, every=15))
        assert told["dhw_reheats"] == 2
        assert told["seen_h"] == 0


class TestDefrosts:
    def frosting(self, outdoor: float, source: str = "air") -> dict[str, Any]:
        site = home(UNIT, FLOW, RETURN, OUTDOOR, heat_pump={"source": source})
        run, dips = ((100, 700),), ((200, 206), (400, 407))
        flow = power(run, 36.0, 28.0) - power(dips, 10.0)
        return row(
            lived(
                site,
                shown(power(run, 2.0, 0.02) - power(dips, 1.4), 0.01),
                flow,
                power(run, 31.0, 28.0),
                power((), 0.0, outdoor),
            )
        )

    def test_a_flow_colder_than_the_return_for_minutes_in_frost(self) -> None:
        told = self.frosting(1.0)
        assert told["defrosts"] == 2
        assert told["defrost_h"] == pytest.approx(13 / 60, abs=0.02)
        assert told["frost_h"] == pytest.approx(10.0, abs=0.05)
        assert told["starts"] == 1

    def test_none_in_mild_weather_and_none_of_the_ground(self) -> None:
        assert self.frosting(12.0)["defrosts"] == 0
        assert self.frosting(12.0)["frost_h"] == 0
        assert self.frosting(1.0, "brine")["defrosts"] is None

    def test_a_heat_meter_that_stops_for_a_defrost_is_no_stop_of_the_unit(self) -> None:
        run, dips = ((100, 700),), ((200, 206), (400, 407))
        heat = shown(power(run, 6.0) - power(dips, 6.0), 0.1)
        told = row(lived(home(HEAT, OUTDOOR), heat, power((), 0.0, 1.0)))
        assert told["starts"] == 1

    def test_sensors_the_wrong_way_round(self) -> None:
        """The whole of the steady running, and still two defrosts, which show the other way."""
        site = home(UNIT, FLOW, RETURN, OUTDOOR)
        run, dips = ((100, 700),), ((200, 206), (400, 407))
        hot = power(run, 36.0, 28.0) - power(dips, 10.0)
        values = shown(power(run, 2.0, 0.02), 0.01), power(run, 31.0, 28.0), hot
        told = row(lived(site, *values, power((), 0.0, 1.0)))
        assert told["turned_h"] == pytest.approx(600 / 60, abs=1.5)
        assert told["defrosts"] == 2


class TestRest:
    def test_a_pump_that_never_stops(self) -> None:
        site = home(UNIT, RATE, {"role": "elec_pumps"}, heat_pump={"pumps_apart": True})
        pump = shown(power((), 0.0, 0.045), 0.01)
        rate = power((), 0.0, 0.9)
        told = row(lived(site, shown(power(RUNS, 2.0, 0.02), 0.01), rate, pump))
        assert told["idle_flow_h"] == pytest.approx(told["idle_h"])
        assert told["idle_pumps_kw"] == pytest.approx(0.045, rel=0.02)

    def test_the_power_of_the_pump_tells_it_without_a_flow_sensor(self) -> None:
        site = home(UNIT, {"role": "elec_pumps"}, heat_pump={"pumps_apart": True})
        electricity = shown(power(RUNS, 2.0, 0.02), 0.01)
        always, sound = shown(power((), 0.0, 0.045), 0.001), shown(power(RUNS, 0.045), 0.001)
        on, off = row(lived(site, electricity, always)), row(lived(site, electricity, sound))
        assert on["idle_flow_h"] == pytest.approx(on["idle_h"])
        assert off["idle_flow_h"] < 0.1 * off["idle_h"]


def simulated(trouble: Trouble | None) -> tuple[Home, np.ndarray, dict[str, np.ndarray]]:
    """Seven weeks of a simulated home, five minutes a step."""
    place = Home(
        "home-1", "", "", "", "", "", "", "", House(heat_loss_kw=6.0), Plant(AIR_8), (), (),
        Promise(3.0, "H4"), price=0.0, trouble=trouble, last_days=31,
    )  # fmt: skip
    span = span_of(place, date(2025, 12, 15), 2)
    drive = drive_home(place, span, region_weather(date(2025, 12, 15), 2, 7), 7)
    booked = simulate(place.house, place.plant, course(trouble, span.steps), drive)
    booked["outdoor_temp"] = drive.outdoor_c
    return place, span.grid, booked


@pytest.mark.parametrize("trouble", [None, Trouble(Kind.CYCLING, "")], ids=["sound", "cycling"])
@pytest.mark.parametrize("telling", ["electricity", "heat", "water"])
def test_starts_of_a_simulated_month_are_those_that_it_booked(
    trouble: Trouble | None, telling: str
) -> None:
    """But for starts of hot water that follow on heating within a step: there was no rest."""
    place, grid, booked = simulated(trouble)
    ran = booked["space"] + booked["dhw"] + booked["defrost"] > 0
    true = booked["starts"].astype(bool) & ~np.append(True, ran[:-1])
    roles: dict[str, list[tuple[dict[str, Any], tuple[str, ...], float]]] = {
        "electricity": [(UNIT, ("unit", "source"), 0.01)],
        "heat": [(HEAT, ("space", "dhw"), 0.1), (FLOW, (), 0.0), (RETURN, (), 0.0)],
        "water": [(FLOW, (), 0.0), (RETURN, (), 0.0)],
    }
    lines = [*roles[telling], (OUTDOOR, (), 0.0)]
    site = home(*(channel for channel, *_ in lines), zone=place.zone)
    frames = []
    for number, (channel, parts, step) in enumerate(lines):
        values = booked[channel["role"]] if not parts else None
        if values is None:
            energy = np.sum([booked[part] for part in parts], axis=0)
            values = floor_to(np.concatenate(([0.0], np.cumsum(energy)[:-1])), step)
        stamps = pl.Series(grid[:-1] * 1_000_000).cast(READING["t_utc"])
        frames.append(
            pl.DataFrame({"t_utc": stamps, "value": values}).select(
                pl.lit(number, pl.Int32).alias("channel_id"),
                "t_utc",
                pl.lit(None, pl.Int32).alias("duration_s"),
                "value",
                pl.lit(value=False).alias("conflict"),
            )
        )
    told = derive(site, stored(site), pl.concat(frames), DEFAULT_RULES)[3]
    assert told["starts"].sum() == pytest.approx(int(true.sum()), rel=0.015, abs=1.5)
    assert told["run_h"].sum() == pytest.approx(ran.sum() / 12.0, rel=0.02)
    if telling != "electricity":
        assert told["defrosts"].sum() == pytest.approx((booked["defrost"] > 0).sum(), rel=0.25)


class TestOneDayAfterAnother:
    """A day comes out the same whatever else was read."""

    def week(self, seed: int, zone: str) -> tuple[Site, Callable[[slice], pl.DataFrame]]:
        rng = np.random.default_rng(seed)
        minutes = 9 * MINUTES
        edges = np.sort(rng.integers(0, minutes, int(rng.integers(20, 300)) * 2))
        runs = list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
        cylinder = 47.0 + 4.0 * np.sin(np.arange(minutes) / rng.uniform(40, 400))
        site = home(UNIT, FLOW, RETURN, OUTDOOR, CYLINDER, HEAT, zone=zone)
        values = [
            shown(power(runs, 1.8, 0.03, minutes), float(rng.choice([0.001, 0.01, 0.1]))),
            power(runs, 36.0, 28.0, minutes) + rng.normal(0.0, 0.2, minutes),
            power(runs, 31.0, 28.0, minutes) + rng.normal(0.0, 0.2, minutes),
            7.0 + 6.0 * np.sin(np.arange(minutes) / 300.0),
            cylinder,
            shown(power(runs, 5.0, 0.0, minutes), 0.1),
        ]
        every = int(rng.choice([1, 2, 5]))
        gaps = [(g, g + int(rng.integers(5, 90))) for g in rng.integers(0, minutes, 12).tolist()]

        def of(days: slice) -> pl.DataFrame:
            begin = (days.start or 0) * MINUTES
            spans = [(a - begin, b - begin) for a, b in gaps]
            return lived(
                site,
                *(v[begin:] for v in values),
                every=every,
                start=DAY + timedelta(minutes=begin),
                without=spans,
            )

        return site, of

    @given(
        seed=st.integers(0, 10_000),
        begin=st.integers(1, 4),
        size=st.integers(1, 5),
        zone=st.sampled_from(["UTC", "Europe/London", "America/St_Johns", "Asia/Kathmandu"]),
    )
    @settings(max_examples=12)
    def test_wherever_the_readings_begin_and_however_many_days_are_computed_at_a_time(
        self, seed: int, begin: int, size: int, zone: str
    ) -> None:
        _, of = self.week(seed, zone)
        whole = of(slice(None))
        with patch.object(module, "CHUNK_DAYS", size):
            assert_same(of(slice(None)), whole)
        first = DAY.date() + timedelta(days=begin + 2)
        later = pl.col("day") >= first
        assert_same(of(slice(begin, None)).filter(later), whole.filter(later))


def assert_same(have: pl.DataFrame, want: pl.DataFrame) -> None:
    assert have["day"].to_list() == want["day"].to_list()
    for column in list(BEHAVIOUR)[1:]:
        assert have[column].is_null().equals(want[column].is_null()), column
        near = (have[column] - want[column]).abs() < 1e-6
        assert near.fill_null(value=True).all(), column


class TestKept:
    @pytest.fixture
    def store(self, tmp_path: Path) -> Iterator[Store]:
        with open_store(tmp_path / "home.duckdb", create=True) as opened:
            yield opened

    def test_a_refresh_with_what_is_new_equals_one_from_scratch(self, store: Store) -> None:
        site = home(UNIT, FLOW, RETURN, OUTDOOR, zone="Europe/London")
        save_site(store, site, NOW)
        ids = numbers(store, site)
        rng = np.random.default_rng(4)
        minutes = 58 * MINUTES
        edges = np.sort(rng.integers(0, minutes, 900))
        runs = list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
        values = {
            "elec_unit": shown(power(runs, 1.8, 0.03, minutes), 0.01),
            "flow_temp": power(runs, 36.0, 28.0, minutes),
            "return_temp": power(runs, 31.0, 28.0, minutes),
            "outdoor_temp": 6.0 + 6.0 * np.sin(np.arange(minutes) / 300.0),
        }

        def bring(begin: int, end: int, *roles: str) -> None:
            at = range(begin * MINUTES, end * MINUTES, 5)
            take(
                store,
                [
                    (ids[role], DAY + timedelta(minutes=m), float(values[role][m]))
                    for role in roles or values
                    for m in at
                ],
            )
            refresh_site(store, site.id, now=NOW)
            assert_up_to_date(store, site)

        bring(0, 44)
        bring(44, 45, "elec_unit", "outdoor_temp")
        bring(50, 58)
        bring(44, 50)
        assert load_behaviour(store, site.id).height == 58
        before = load_behaviour(store, site.id).filter(pl.col("day") == DAY.date())
        # A correction long ago changes its own day, and nothing before.
        moment = DAY + timedelta(days=30, hours=3)
        take(store, [(ids["flow_temp"], moment, 60.0)], correction=True)
        refresh_site(store, site.id, now=NOW)
        assert_up_to_date(store, site)
        assert load_behaviour(store, site.id).filter(pl.col("day") == DAY.date()).equals(before)
