"""The uncertainty of a performance factor against derivatives, draws and hand figures."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.metrics.account import Days, account, heat_meter_use
from monitor.metrics.boundary import Recipe, recipe
from monitor.metrics.performance import pair
from monitor.metrics.uncertainty import (
    BudgetLine,
    HeatMeterUse,
    combined,
    meter_u_percent,
    sensor_pair_limit,
    spf_components,
    u_of_many,
)
from monitor.models import Boundary, Role, Site
from monitor.refresh import derive
from monitor.rules import DEFAULT_RULES
from tests.monitor.homes import at, home, readings, slots_of, stored

USE = HeatMeterUse(5.0, None, recorded=False)
SQRT_3 = 3**0.5

SYSTEM = {"source_drive": "apart", "backup_heater": True, "pumps_apart": True}

GLYCOL = {"fluid": "propylene_glycol", "mass_fraction": 0.25}

#: Meterings whose recipes add, subtract, and use one stream in numerator and denominator.
CASES: dict[str, tuple[Boundary, list[dict[str, Any]], dict[str, float]]] = {
    "plain ratio": (
        Boundary.H1,
        [{"role": "heat_total"}, {"role": "elec_unit"}],
        {"heat_total": 10_500.0, "elec_unit": 3_500.0},
    ),
    "difference in the denominator": (
        Boundary.H1,
        [
            {"role": "heat_total"},
            {"role": "elec_total"},
            {"role": "elec_source"},
            {"role": "elec_backup"},
            {"role": "elec_pumps"},
        ],
        {
            "heat_total": 11_500.0,
            "elec_total": 4_235.0,
            "elec_source": 250.0,
            "elec_backup": 205.0,
            "elec_pumps": 180.0,
        },
    ),
    "backup in both": (
        Boundary.H3,
        [
            {"role": "heat_total"},
            {"role": "elec_unit"},
            {"role": "elec_source"},
            {"role": "elec_backup"},
        ],
        {"heat_total": 11_500.0, "elec_unit": 3_600.0, "elec_source": 250.0, "elec_backup": 900.0},
    ),
    "backup taken out of the heat": (
        Boundary.H2,
        [
            {"role": "heat_total", "counts": ["backup"]},
            {"role": "elec_unit"},
            {"role": "elec_source"},
            {"role": "elec_backup"},
        ],
        {"heat_total": 12_400.0, "elec_unit": 3_600.0, "elec_source": 250.0, "elec_backup": 900.0},
    ),
}

#: Relative limits in %: EN 1434-1 class 2 at 5 K and q_p/q = 2, and MID class B.
LIMIT = {True: 5.44, False: 2.0}


def spf(plan: Recipe, streams: dict[str, Any]) -> Any:
    heat = sum(f * streams[r] for r, f in plan.heat.items())
    return heat / sum(f * streams[r] for r, f in plan.electricity.items())


def lines(
    site: Site,
    plan: Recipe,
    streams: dict[str, float],
    edges: dict[str, float] | None = None,
    missing_share: float = 0.0,
    spread: float = 0.0,
) -> list[BudgetLine]:
    return spf_components(
        site,
        plan,
        streams=streams,
        edges=edges or dict.fromkeys(streams, 0.0),
        missing_share=missing_share,
        daily_spread=spread,
        use=USE,
    )


def budget(site: Site, plan: Recipe, streams: dict[str, float], **more: Any) -> dict[str, float]:
    return {line.source: line.u_spf for line in lines(site, plan, streams, **more)}


def case(name: str) -> tuple[Site, Recipe, dict[str, float]]:
    boundary, channels, streams = CASES[name]
    site = home(*channels, heat_pump=SYSTEM)
    return site, recipe(site, boundary), streams


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("glycol", [False, True])
@given(data=st.data())
def test_many_windows_are_as_unsure_as_each_by_itself(
    name: str, glycol: bool, data: st.DataObject
) -> None:
    boundary, channels, streams = CASES[name]
    system = SYSTEM | ({"antifreeze": GLYCOL} if glycol else {})
    site = home(*channels, heat_pump=system)
    plan = recipe(site, boundary)
    share = st.floats(0.5, 1.5)
    rows = data.draw(st.lists(st.tuples(share, share, st.floats(0, 0.4)), min_size=1, max_size=5))
    windows = [
        (
            {
                role: kwh * (one if role.startswith("heat") else 1.0)
                for role, kwh in streams.items()
            },
            {role: kwh * (other - 0.5) / 100 for role, kwh in streams.items()},
            gap,
        )
        for one, other, gap in rows
    ]
    many = u_of_many(
        site,
        plan,
        streams={Role(r): np.array([w[0][r] for w in windows]) for r in streams},
        edges={Role(r): np.array([w[1][r] for w in windows]) for r in streams},
        gaps=np.array([w[2] for w in windows]),
        use=USE,
    )
    for got, (energies, edges, gap) in zip(many, windows, strict=True):
        own = lines(site, plan, energies, edges, missing_share=1.0, spread=gap)
        assert ("antifreeze" in {line.source for line in own}) is glycol
        assert got == pytest.approx(combined(own), rel=1e-12)


@pytest.mark.parametrize("name", CASES)
def test_each_meter_contributes_its_error_times_the_slope_of_the_ratio(name: str) -> None:
    """JCGM 100:2008, 5.1.3, with derivatives taken numerically."""
    site, plan, streams = case(name)
    got = budget(site, plan, streams)
    for role, energy in streams.items():
        step = 1e-6
        up = spf(plan, streams | {role: energy * (1 + step)})
        down = spf(plan, streams | {role: energy * (1 - step)})
        limit = LIMIT[role.startswith("heat_")]
        expected = abs(up - down) / (2 * step) * limit / 100 / SQRT_3
        assert got[f"meter: {role}"] == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("name", CASES)
def test_the_combined_uncertainty_is_that_of_many_draws(name: str) -> None:
    """JCGM 101:2008: each meter's one unknown factor is drawn from its rectangle."""
    site, plan, streams = case(name)
    rng = np.random.default_rng(20_240_110)
    drawn = {
        role: energy * (1 + rng.uniform(-1, 1, 400_000) * LIMIT[role.startswith("heat_")] / 100)
        for role, energy in streams.items()
    }
    expected = float(np.std(spf(plan, drawn)))
    got = combined(lines(site, plan, streams))
    assert got == pytest.approx(expected, rel=0.01)


def test_a_ratio_of_independent_energies_adds_relative_uncertainties_in_squares() -> None:
    # JCGM 100:2008, 5.1.6, equation 12: SPF 3.00, heat limit 5.44 %, electricity limit 2 %.
    site, plan, streams = case("plain ratio")
    got = combined(lines(site, plan, streams))
    assert got == pytest.approx(3.0 * (5.44**2 + 2.0**2) ** 0.5 / 100 / SQRT_3, rel=1e-12)
    assert got == pytest.approx(0.1004, abs=5e-5)


def test_the_electricity_of_a_heater_counted_on_both_sides_nearly_cancels_near_spf_1() -> None:
    site, plan, _ = case("backup in both")
    streams = {"heat_total": 4000.0, "elec_unit": 3600.0, "elec_source": 400.0, "elec_backup": 900}
    assert spf(plan, streams) == 1.0
    assert budget(site, plan, streams)["meter: elec_backup"] == 0.0


def test_meters_that_follow_one_another_count_as_the_worse_of_them() -> None:
    def swapped(first: str, second: str) -> float:
        channel = [{"role": "heat_total", "kind": "register"}]
        old = {"serial": "OLD", "measures": "heat", "fitted": at(0), "removed": at(5)}
        new = {"serial": "NEW", "measures": "heat", "fitted": at(5)}
        unit = {
            "serial": "E",
            "measures": "electricity",
            "fitted": at(0),
            "channel": [{"role": "elec_unit", "kind": "register"}],
        }
        site = home(
            meters=[
                old | {"channel": channel, "accuracy_class": first},
                new | {"channel": channel, "accuracy_class": second},
                unit,
            ]
        )
        streams = {"heat_total": 300.0, "elec_unit": 100.0}
        return budget(site, recipe(site, Boundary.H2), streams)["meter: heat_total"]

    assert swapped("1", "3") == swapped("3", "1") == pytest.approx(3 * 0.065 / SQRT_3)


def test_two_registers_of_one_heat_meter_share_its_error() -> None:
    heat = {
        "serial": "Q",
        "measures": "heat",
        "fitted": at(0),
        "channel": [
            {"role": "heat_space", "kind": "register"},
            {"role": "heat_dhw", "kind": "register"},
        ],
    }
    unit = {
        "serial": "E",
        "measures": "electricity",
        "fitted": at(0),
        "channel": [{"role": "elec_unit", "kind": "register"}],
    }
    site = home(meters=[heat, unit])
    streams = {"heat_space": 200.0, "heat_dhw": 100.0, "elec_unit": 100.0}
    got = budget(site, recipe(site, Boundary.H2), streams)
    assert got["meter: heat_dhw and heat_space"] == pytest.approx(3 * 0.0544 / SQRT_3)

    apart = home({"role": "heat_space"}, {"role": "heat_dhw"}, {"role": "elec_unit"})
    parts = budget(apart, recipe(apart, Boundary.H2), streams)
    independent = (parts["meter: heat_space"] ** 2 + parts["meter: heat_dhw"] ** 2) ** 0.5
    assert independent < got["meter: heat_dhw and heat_space"]


def test_hidden_hours_add_their_share_of_the_spread_of_days() -> None:
    site, plan, streams = case("plain ratio")
    assert budget(site, plan, streams, missing_share=0.2, spread=0.4)[
        "hours not known"
    ] == pytest.approx(0.08)


def test_energy_at_edges_moves_the_ratio_by_its_slope() -> None:
    site, plan, streams = case("plain ratio")
    got = budget(site, plan, streams, edges={"heat_total": 35.0, "elec_unit": 7.0})
    # dS/dQ = 1/E, dS/dE = -S/E.
    assert got["edges of known runs"] == pytest.approx(
        ((35 / 3500) ** 2 + (3 * 7 / 3500) ** 2) ** 0.5
    )


def test_without_electricity_there_is_no_budget() -> None:
    site, plan, streams = case("plain ratio")
    assert budget(site, plan, streams | {"elec_unit": 0.0}) == {}


class TestEdges:
    def test_a_boundary_on_a_reading_is_certain(self) -> None:
        site = home({"role": "heat_total"}, {"role": "elec_unit"})
        slots = slots_of(site, readings([(at(h), float(h)) for h in range(4)]))
        assert slots["u_start_kwh"].to_list() == slots["u_end_kwh"].to_list() == [0.0] * 3

    def test_a_boundary_beside_a_daily_reading_may_hold_all_that_the_unit_can_give(self) -> None:
        # Read at 10:20 each day; the boundary at 10:00 has 20 minutes to it, in which an
        # 8 kW unit (at most 24 kW) gives between 0 and 8 kWh; interpolation states 1/3 kWh.
        site = home({"role": "heat_total"}, {"role": "elec_unit"})
        slots = slots_of(site, readings([(at(10 + 1 / 3, d), 24.0 * d) for d in range(3)]))
        rng = np.random.default_rng(7)
        off = rng.uniform(0, 8, 400_000) - 1 / 3
        expected = float(np.sqrt(np.mean(off**2)))
        inner = slots.filter(pl.col("block_end_utc") == at(10, 1))
        assert inner["u_end_kwh"].unique().item() == pytest.approx(expected, rel=0.01)

    def test_power_samples_have_no_edge(self) -> None:
        site = home({"role": "heat_total"}, {"role": "elec_unit", "kind": "power"})
        samples = [(at(0.05 + m / 60), 2.0) for m in range(0, 180, 7)]
        slots = slots_of(site, readings([], samples))
        assert slots.height == 2
        assert slots["u_start_kwh"].to_list() == [0.0, 0.0]

    def test_edges_inside_a_run_cancel(self) -> None:
        site = home({"role": "heat_total"}, {"role": "elec_unit"})
        frame = readings(
            [(at(10 + 1 / 3, d), 24.0 * d) for d in range(8)],
            [(at(h), 0.3 * h) for h in range(24 * 9)],
        )
        plan = recipe(site, Boundary.H2)
        blocks = pair(slots_of(site, frame), plan)
        got = account(site, plan, blocks, USE, date(2024, 1, 10), date(2024, 1, 19))
        one_edge = float(blocks.u_start["heat_total"][blocks.known][0])
        other = float(blocks.u_end["heat_total"][blocks.known][-1])
        edges = {line.source: line.u_spf for line in got.budget}["edges of known runs"]
        assert edges == pytest.approx((one_edge**2 + other**2) ** 0.5 / got.electricity_kwh)


class TestWorkingPoint:
    def site(self) -> Site:
        return home(
            {"role": "heat_total"},
            {"role": "elec_unit"},
            {"role": "flow_temp", "kind": "state"},
            {"role": "return_temp", "kind": "state"},
            {"role": "flow_rate", "kind": "state"},
        )

    def use(self, heat: list[float], flow: list[float], back: list[float]) -> HeatMeterUse:
        site = self.site()
        minutes = [h + m / 6 for h in range(len(flow)) for m in range(6)]
        frame = readings(
            [(at(h), float(np.sum(heat[:h]))) for h in range(len(heat) + 1)],
            [],
            [(at(m), flow[int(m)]) for m in minutes],
            [(at(m), back[int(m)]) for m in minutes],
            [(at(m), 1.2) for m in minutes],
        )
        slots, states, _, _ = derive(site, stored(site), frame, DEFAULT_RULES)
        return heat_meter_use(site, slots, states)

    def test_the_mean_working_point_gives_the_heat_weighted_mean_of_the_limits(self) -> None:
        """Limits are linear in 1/difference, so the mean is harmonic: worked by hand."""
        got = self.use([6.0, 3.0], [40.0, 36.0], [34.0, 32.0])
        assert got.flow_m3h == pytest.approx(1.2)
        assert got.recorded
        by_hand = (6 * sensor_pair_limit(6.0, 3.0) + 3 * sensor_pair_limit(4.0, 3.0)) / 9
        assert sensor_pair_limit(got.delta_theta_k, 3.0) == pytest.approx(by_hand)

    def test_heat_below_the_rated_difference_is_counted_and_said(self) -> None:
        got = self.use([6.0, 3.0], [40.0, 36.0], [34.0, 34.0])
        assert got.below_rating == pytest.approx(3 / 9)
        site = self.site()
        detail = meter_u_percent(site.meter[0], Role.HEAT_TOTAL, got)[1]
        assert "33% of the heat below the 3 K" in detail

    def test_hours_at_a_standstill_do_not_count(self) -> None:
        assert self.use([6.0, 0.1], [40.0, 25.0], [34.0, 24.9]).delta_theta_k == pytest.approx(6)

    def test_without_recorded_temperatures_the_design_holds(self) -> None:
        site = home({"role": "heat_total"}, {"role": "elec_unit"})
        slots, states, _, _ = derive(
            site, stored(site), readings([(at(0), 0.0), (at(1), 5.0)]), DEFAULT_RULES
        )
        assert heat_meter_use(site, slots, states) == HeatMeterUse(5.0, None, recorded=False)

    def test_if_the_unit_never_ran_the_design_holds(self) -> None:
        assert not self.use([0.1, 0.1], [30.0, 30.0], [29.0, 29.0]).recorded


def days_of(rows: list[tuple[int, float, float | None, int, int]]) -> Days:
    """First days of months of 2024: month, kWh, SPF, hours known and hours missing."""
    frame = pl.DataFrame(
        [
            (datetime(2024, month, 1, tzinfo=UTC), used, spf, known, 0, missing)
            for month, used, spf, known, missing in rows
        ],
        schema=[
            "start_utc",
            "electricity_kwh",
            "spf",
            "hours_measured",
            "hours_bridged",
            "hours_missing",
        ],
        orient="row",
    )
    return Days.of(frame, "UTC")


def test_the_spread_of_days_is_weighted_by_electricity() -> None:
    days = days_of([(1, 10.0, 2.0, 24, 0), (2, 30.0, 4.0, 24, 0), (3, 0.0, None, 0, 24)])
    # Mean 3.5; variance (10 x 1.5^2 + 30 x 0.5^2) / 40.
    assert days.spread == pytest.approx(0.75**0.5)


def test_one_day_has_no_spread() -> None:
    assert days_of([(1, 10.0, 3.0, 24, 0)]).spread == 0.0


def test_days_of_a_window_are_those_that_begin_in_it() -> None:
    # Local midnights of Berlin lie on the evening before in UTC, earlier in summer.
    starts = [datetime(2024, 3, 29 + d, 23, tzinfo=UTC) for d in range(2)]
    starts += [datetime(2024, 3, 31, 22, tzinfo=UTC), datetime(2024, 4, 1, 22, tzinfo=UTC)]
    frame = pl.DataFrame({"start_utc": starts}).with_columns(
        pl.lit(1.0).alias("electricity_kwh"),
        pl.lit(None).alias("spf"),
        *(pl.lit(8).alias(f"hours_{kind}") for kind in ("measured", "bridged", "missing")),
    )
    days = Days.of(frame, "Europe/Berlin")
    first = (date(2024, 3, 30) - date(1970, 1, 1)).days
    assert days.day.tolist() == [first, first + 1, first + 2, first + 3]
    assert days.between(starts[1], starts[3]).day.tolist() == [first + 1, first + 2]
    assert days.between(starts[1], starts[1]).day.tolist() == []


def test_an_account_carries_its_budget_and_the_root_of_its_squares() -> None:
    site = home({"role": "heat_total"}, {"role": "elec_unit"})
    frame = readings(
        [(at(h), 4.0 * h + (h % 5)) for h in range(73)], [(at(h), 1.0 * h) for h in range(60)]
    )
    plan = recipe(site, Boundary.H2)
    got = account(
        site,
        plan,
        pair(slots_of(site, frame), plan),
        USE,
        date(2024, 1, 10),
        date(2024, 1, 13),
        until=datetime(2024, 1, 12, 18, tzinfo=UTC),
    )
    assert got.end_utc == datetime(2024, 1, 12, 18, tzinfo=UTC)
    assert got.hours.total == 66
    assert got.coverage == pytest.approx(59 / 66)
    assert [line.source for line in got.budget] == [
        f"meter: {Role.ELEC_UNIT}",
        f"meter: {Role.HEAT_TOTAL}",
        "edges of known runs",
        "hours not known",
        "assumption on the boundary",
    ]
    assert got.u_spf == pytest.approx(sum(line.u_spf**2 for line in got.budget) ** 0.5)


def test_parts_verified_one_by_one_are_independent() -> None:
    """Class 2, q_p/q 2, 5 K: 2.04, 2.30 and 1.10 % give 1.885 %; the sum 5.44 % gives 3.141 %."""
    site = home({"role": "heat_total"})
    whole = site.meter[0]
    parts = whole.model_copy(update={"parts_verified": True})
    assert meter_u_percent(whole, Role.HEAT_TOTAL, USE)[0] == pytest.approx(3.141, abs=5e-4)
    assert meter_u_percent(parts, Role.HEAT_TOTAL, USE)[0] == pytest.approx(1.885, abs=5e-4)


class TestAntifreeze:
    GLYCOL = {"fluid": "propylene_glycol", "mass_fraction": 0.25}  # noqa: RUF012

    def site(self, **extra: Any) -> Site:
        return home(
            {"role": "heat_total"},
            {"role": "elec_unit"},
            heat_pump={"antifreeze": self.GLYCOL, "design_flow_temp_c": 40, **extra},
        )

    def test_heat_of_a_meter_for_water_is_corrected_and_says_so(self) -> None:
        plan = recipe(self.site(), Boundary.H2)
        assert plan.heat[Role.HEAT_TOTAL] == plan.correction == pytest.approx(0.9654, abs=1e-3)
        found = lines(self.site(), plan, {"heat_total": 1000.0, "elec_unit": 300.0})
        line = next(line for line in found if line.source == "antifreeze")
        spf = 1000 * plan.correction / 300
        assert line.u_spf == pytest.approx(spf * plan.correction_limit / plan.correction / 3**0.5)
        assert "0.965" in line.detail

    def test_a_meter_for_the_mixture_needs_no_correction(self) -> None:
        site = self.site()
        fits = [f.model_copy(update={"calibrated_for": "mixture"}) for f in site.meter]
        plan = recipe(site.model_copy(update={"meter": tuple(fits)}), Boundary.H2)
        assert plan.correction == 1.0
        assert plan.heat == {Role.HEAT_TOTAL: 1.0}


class TestHiddenShare:
    def share(self, rows: list[tuple[int, float, int, int]], hours_missing: int) -> float:
        return days_of([(m, used, 3.0, *hours) for m, used, *hours in rows]).hidden_share(
            hours_missing
        )

    def test_a_gap_in_winter_hides_more_than_one_in_summer(self) -> None:
        winter = [(1, 500.0, 500, 244), (7, 74.4, 744, 0)]
        summer = [(1, 744.0, 744, 0), (7, 50.0, 500, 244)]
        assert self.share(winter, 244) == pytest.approx(244 / (500 + 74.4 + 244))
        assert self.share(summer, 244) == pytest.approx(24.4 / (744 + 50 + 24.4))

    def test_a_month_without_any_known_hour_takes_the_mean_of_all(self) -> None:
        assert self.share([(1, 744.0, 744, 0), (2, 0.0, 0, 248)], 248) == pytest.approx(0.25)

    def test_a_bridged_block_across_midnight_hides_nothing(self) -> None:
        assert self.share([(1, 700.0, 738, 6)], 0) == 0.0

    def test_nothing_known_hides_everything_and_nothing_missing_hides_nothing(self) -> None:
        assert self.share([(1, 0.0, 0, 744)], 744) == 1.0
        assert self.share([(1, 10.0, 744, 0)], 0) == 0.0


def test_each_line_of_a_budget_is_limit_over_divisor_times_sensitivity() -> None:
    """JCGM 100:2008, 4.3.7 and 5.1.2: the table can be recomputed from what it shows."""
    site, plan, streams = case(next(iter(CASES)))
    for line in lines(site, plan, streams, missing_share=0.1, spread=0.4):
        assert line.u_spf == pytest.approx(abs(line.sensitivity) * line.limit / line.divisor)
        assert line.divisor == pytest.approx(3**0.5 if line.distribution == "rectangular" else 1)
