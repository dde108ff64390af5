"""The uncertainty budget against the package uncertainties, the GUM's examples and scipy.

References: uncertainties 3.2 (linear propagation with correlations); scipy 1.17 (uniform and
normal distributions). Worked examples, figures from memory unless another source is named:
JCGM 100:2008 (GUM), 4.3.7 examples 1 and 2, 5.1.5, annex H.1 (end gauge), annex H.2 (inputs as
in the documentation of GTC, gtc.readthedocs.io; the figure without correlation computed);
NIST Uncertainty Machine, user's manual, thermal expansion coefficient.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.integrate import quad
from scipy.stats import norm, uniform
from statsmodels.stats.weightstats import DescrStatsW
from uncertainties import UFloat, correlated_values, ufloat

from monitor.metrics.account import Days, account
from monitor.metrics.boundary import Recipe, recipe
from monitor.metrics.performance import pair
from monitor.metrics.uncertainty import (
    K_95,
    BudgetLine,
    HeatMeterUse,
    combined,
    meter_u_percent,
    rectangular,
    spf_components,
)
from monitor.models import Boundary, MeterFit, Role, Site
from tests.monitor.homes import at, home, readings, slots_of

pytestmark = pytest.mark.external

USE = HeatMeterUse(5.0, None, recorded=False)
SYSTEM = {
    "nominal_heat_kw": 12.0,
    "source_drive": "apart",
    "backup_heater": True,
    "pumps_apart": True,
}

#: Half-widths in %: EN 1434-1 class 2 at 5 K and q_p/q = 2; MID class B.
HEAT_LIMIT, ELECTRICITY_LIMIT = 5.44, 2.0

#: Energies of a season, kWh.
STREAMS = {
    "heat_total": 11_700.0,
    "heat_space": 9_100.0,
    "heat_dhw": 2_600.0,
    "elec_total": 4_235.0,
    "elec_unit": 3_600.0,
    "elec_source": 250.0,
    "elec_backup": 205.0,
    "elec_pumps": 180.0,
}
EDGES = {name: 3.0 + 0.002 * energy for name, energy in STREAMS.items()}


def u_relative(role: str) -> float:
    limit = HEAT_LIMIT if role.startswith("heat_") else ELECTRICITY_LIMIT
    return float(uniform(-limit, 2 * limit).std()) / 100.0


def line(limit: float, sensitivity: float, *, is_rectangular: bool = False) -> BudgetLine:
    return BudgetLine(
        source="x",
        detail="",
        limit=limit,
        unit="",
        distribution="rectangular" if is_rectangular else "normal",
        sensitivity=sensitivity,
    )


def ratio(plan: Recipe, energy: dict[str, Any], factor: Any = 1.0) -> Any:
    heat = sum(
        f / plan.correction * factor * energy[r] if r.is_heat else f * energy[r]
        for r, f in plan.heat.items()
    )
    return heat / sum(f * energy[r] for r, f in plan.electricity.items())


class TestWorkedExamples:
    def test_expansion_of_copper_from_a_handbook(self) -> None:
        # GUM 4.3.7, example 1: 16.52e-6 /K, not off by more than 0.40e-6: u = 0.23e-6.
        assert rectangular(0.40e-6) == pytest.approx(0.23e-6, abs=0.005e-6)

    def test_a_digital_voltmeter(self) -> None:
        # GUM 4.3.7, example 2: 14e-6 of 0.928571 V and 2e-6 of 1 V: u = 8.7 uV.
        u = rectangular(14e-6 * 0.928571 + 2e-6)
        assert u == pytest.approx(8.7e-6, abs=0.05e-6)
        # 5.1.5: with 12 uV of the mean of the observations u_c = 15 uV.
        assert combined([line(u, 1.0), line(12e-6, 1.0)]) == pytest.approx(15e-6, abs=0.5e-6)

    def test_an_end_gauge_by_comparison(self) -> None:
        # GUM H.1, in nm: standard 25, difference 9.7; thermal expansion difference 1e-6 /K
        # rectangular at -0.1 K, temperature difference 0.05 K rectangular at 11.5e-6 /K.
        length = 50.000623e6
        lines = [
            line(25.0, 1.0),
            line(9.7, 1.0),
            line(1e-6, length * -0.1, is_rectangular=True),
            line(0.05, -length * 11.5e-6, is_rectangular=True),
        ]
        assert [x.u_spf for x in lines] == pytest.approx([25.0, 9.7, 2.9, 16.6], abs=0.05)
        assert combined(lines) == pytest.approx(32.0, abs=0.5)

    def test_resistance_as_a_ratio_of_voltage_and_current(self) -> None:
        # GUM H.2: V = 4.9990 V (0.0032 V), I = 19.6610 mA (0.0095 mA), r(V, I) = -0.36;
        # Z = 254.260 ohm (0.236). Energies at edges have no correlation: 0.2039 (computed).
        v, i = correlated_values(
            [4.9990, 0.0196610],
            [[0.0032**2, -0.36 * 0.0032 * 9.5e-6], [-0.36 * 0.0032 * 9.5e-6, 9.5e-6**2]],
        )
        assert (v / i).n == pytest.approx(254.260, abs=5e-4)
        assert (v / i).s == pytest.approx(0.236, abs=1e-3)
        site = home({"role": "heat_total"}, {"role": "elec_unit"})
        lines = spf_components(
            site,
            recipe(site, Boundary.H2),
            streams={"heat_total": 4.9990, "elec_unit": 0.0196610},
            edges={"heat_total": 0.0032, "elec_unit": 9.5e-6},
            missing_share=0.0,
            daily_spread=0.0,
            use=USE,
        )
        found = next(x for x in lines if x.source == "edges of known runs").u_spf
        assert found == pytest.approx(0.2039, abs=5e-5)
        assert found == pytest.approx((ufloat(v.n, v.s) / ufloat(i.n, i.s)).s, rel=1e-12)

    def test_an_expansion_coefficient_in_which_one_length_stands_twice(self) -> None:
        # NIST Uncertainty Machine: L0 1.4999 m (0.0001), L1 1.5021 m (0.0002), T0 288.15 K
        # (0.02), T1 373.10 K (0.05): (L1 - L0)/(L0 (T1 - T0)) = 1.727e-5 /K (1.8e-6).
        # Its first part is a ratio whose denominator is taken off its numerator.
        both = Recipe(
            Boundary.H2, {Role.HEAT_TOTAL: 1.0, Role.ELEC_UNIT: -1.0}, {Role.ELEC_UNIT: 1.0}
        )
        site = home({"role": "heat_total"}, {"role": "elec_unit"})
        lines = spf_components(
            site,
            both,
            streams={"heat_total": 1.5021, "elec_unit": 1.4999},
            edges={"heat_total": 0.0002, "elec_unit": 0.0001},
            missing_share=0.0,
            daily_spread=0.0,
            use=USE,
        )
        strain = 1.5021 / 1.4999 - 1.0
        u = next(x for x in lines if x.source == "edges of known runs").u_spf
        span, u_span = 373.10 - 288.15, float(np.hypot(0.02, 0.05))
        found = combined([line(u, 1.0 / span), line(u_span, -strain / span**2)])
        assert strain / span == pytest.approx(1.727e-5, abs=5e-9)
        assert found == pytest.approx(1.8e-6, abs=0.05e-6)
        l0, l1 = ufloat(1.4999, 0.0001), ufloat(1.5021, 0.0002)
        theirs = (l1 - l0) / (l0 * (ufloat(373.10, 0.05) - ufloat(288.15, 0.02)))
        assert found == pytest.approx(theirs.s, rel=1e-9)


MEASURINGS: dict[str, tuple[Boundary, tuple[dict[str, Any], ...]]] = {
    "plain": (Boundary.H1, ({"role": "heat_total"}, {"role": "elec_unit"})),
    "unit as a difference": (
        Boundary.H1,
        (
            {"role": "heat_total"},
            {"role": "elec_total"},
            {"role": "elec_source"},
            {"role": "elec_backup"},
            {"role": "elec_pumps"},
        ),
    ),
    "backup on both sides": (
        Boundary.H3,
        (
            {"role": "heat_space"},
            {"role": "heat_dhw"},
            {"role": "elec_unit"},
            {"role": "elec_source"},
            {"role": "elec_backup"},
        ),
    ),
    "backup taken out of the heat": (
        Boundary.H2,
        (
            {"role": "heat_total", "counts": ["backup"]},
            {"role": "elec_unit"},
            {"role": "elec_source"},
            {"role": "elec_backup"},
        ),
    ),
}


@pytest.mark.parametrize("antifreeze", [False, True])
@pytest.mark.parametrize("name", MEASURINGS)
def test_a_whole_budget_is_what_linear_propagation_says(name: str, *, antifreeze: bool) -> None:
    """Meters, antifreeze, edges and hours not known at once."""
    boundary, channels = MEASURINGS[name]
    system: dict[str, Any] = dict(SYSTEM)
    if antifreeze:
        system["antifreeze"] = {"fluid": "ethylene_glycol", "mass_fraction": 0.3}
    site = home(*channels, heat_pump=system)
    plan = recipe(site, boundary)
    streams = {str(r): STREAMS[r] for r in plan.streams}
    lines = spf_components(
        site,
        plan,
        streams=streams,
        edges={r: EDGES[r] for r in streams},
        missing_share=0.07,
        daily_spread=0.6,
        use=USE,
    )
    energy = {r: e * ufloat(1.0, u_relative(r)) + ufloat(0.0, EDGES[r]) for r, e in streams.items()}
    limit = plan.correction_limit
    assert (limit > 0) == antifreeze
    factor = ufloat(plan.correction, float(uniform(-limit, 2 * limit).std())) if limit else 1.0
    # Of the whole a share is hidden, whose SPF strays from the rest by the spread of days.
    hidden = 0.07 * ufloat(0.0, 0.6)
    theirs: UFloat = ratio(plan, energy, factor) + hidden
    assert combined(lines) == pytest.approx(theirs.s, rel=1e-9)


def one_meter(measures: str, *roles: str) -> dict[str, Any]:
    return {
        "serial": "-".join(roles),
        "measures": measures,
        "fitted": at(-48),
        "channel": [{"role": role, "kind": "register"} for role in roles],
    }


@pytest.mark.parametrize(
    ("heat", "electricity", "boundary"),
    [
        # Two heat registers of one meter: their common error adds up.
        ((("heat_space", "heat_dhw"),), (("elec_unit",), ("elec_source",)), Boundary.H2),
        # Two channels of one electricity meter, one taken off the other: it nearly cancels.
        (
            (("heat_total",),),
            (("elec_total", "elec_pumps"), ("elec_source",), ("elec_backup",)),
            Boundary.H1,
        ),
        # Channels of one electricity meter that add up.
        ((("heat_total",),), (("elec_unit", "elec_source"),), Boundary.H2),
    ],
)
def test_streams_of_one_device_take_the_worse_of_one_error_and_of_errors_apart(
    heat: tuple[tuple[str, ...], ...], electricity: tuple[tuple[str, ...], ...], boundary: Boundary
) -> None:
    fits = [one_meter("heat", *roles) for roles in heat]
    fits += [one_meter("electricity", *roles) for roles in electricity]
    site = home(meters=fits, heat_pump=SYSTEM)
    plan = recipe(site, boundary)
    streams = {str(r): STREAMS[r] for r in plan.streams}
    found = combined(
        spf_components(
            site,
            plan,
            streams=streams,
            edges=dict.fromkeys(streams, 0.0),
            missing_share=0.0,
            daily_spread=0.0,
            use=USE,
        )
    )

    def propagated(*, correlation: float) -> float:
        energy: dict[str, UFloat] = {}
        for roles in (*heat, *electricity):
            u = np.array([u_relative(role) for role in roles])
            matrix = np.outer(u, u) * np.where(np.eye(len(u)), 1.0, correlation)
            errors = correlated_values([1.0] * len(u), matrix)
            energy |= {r: STREAMS[r] * e for r, e in zip(roles, errors, strict=True)}
        return float(ratio(plan, energy).s)

    apart, together = propagated(correlation=0.0), propagated(correlation=1.0 - 1e-12)
    assert abs(apart - together) > 1e-3 * apart
    assert found == pytest.approx(max(apart, together), rel=1e-6)


def test_parts_of_a_heat_meter_that_were_verified_are_independent_rectangles() -> None:
    fit = MeterFit.model_validate(
        one_meter("heat", "heat_total") | {"accuracy_class": "2", "parts_verified": True}
    )
    percent, _ = meter_u_percent(fit, Role.HEAT_TOTAL, USE)
    # Class 2 at q_p/q 2 and 5 K: 2.04, 2.30 and 1.10 % of flow, pair and calculator.
    theirs = 1.0
    for limit in (2.04, 2.30, 1.10):
        theirs = theirs * ufloat(1.0, float(uniform(-limit, 2 * limit).std()) / 100)
    assert percent / 100 == pytest.approx(theirs.s, rel=1e-12)


@pytest.mark.parametrize("limit", [0.02, 1.0, 5.44])
def test_a_rectangle_has_the_standard_deviation_of_the_uniform_distribution(limit: float) -> None:
    assert rectangular(limit) == pytest.approx(uniform(-limit, 2 * limit).std(), rel=1e-12)


def test_the_coverage_factor_is_that_of_the_normal_distribution() -> None:
    assert abs(norm.ppf(0.975) - K_95) < 5e-5


@pytest.mark.parametrize("minutes", [5, 20, 30, 50])
def test_energy_between_an_hour_and_a_reading_is_uniform_over_what_is_possible(
    minutes: int,
) -> None:
    # A register read once a day so long past the hour; 24 kWh a day, at most 24 kW.
    site = home({"role": "heat_total"})
    slots = slots_of(site, readings([(at(10 + minutes / 60, d), 24.0 * d) for d in range(3)]))
    edge = at(10 if minutes <= 30 else 11, 1)
    found = slots.filter(pl.col("block_end_utc") == edge)["u_end_kwh"][0]
    nearer = min(minutes, 60 - minutes) / 60
    most, placed = min(24.0 * nearer, 24.0), 1.0 * nearer
    density = uniform(0.0, most)
    square = quad(lambda x: (x - placed) ** 2 * density.pdf(x), 0.0, most)[0]
    assert found == pytest.approx(square**0.5, rel=1e-6)


def test_the_spread_of_days_is_a_weighted_standard_deviation() -> None:
    rng = np.random.default_rng(1)
    used, spf = rng.uniform(1.0, 30.0, 90), rng.normal(3.0, 0.5, 90)
    theirs = DescrStatsW(spf, weights=used, ddof=0).std
    none = np.zeros(90, dtype=np.int64)
    days = Days(none, none, electricity=used, spf=spf, known=none, missing=none)
    assert days.spread == pytest.approx(theirs, rel=1e-12)


def test_an_account_of_readings_has_the_uncertainty_of_its_sums() -> None:
    """From registers read by the hour that nobody read for half a day: a bridge of known sum."""
    site: Site = home({"role": "heat_total"}, {"role": "elec_unit"})
    rng = np.random.default_rng(2)
    heat, used = rng.uniform(2.0, 8.0, 240), rng.uniform(1.0, 2.5, 240)
    read = [h for h in range(241) if not 100 <= h < 112]

    def register(kwh: np.ndarray) -> list[tuple[datetime, float | None]]:
        total = np.concatenate(([0.0], np.cumsum(kwh)))
        return [(at(h), float(total[h])) for h in read]

    plan = recipe(site, Boundary.H2)
    blocks = pair(slots_of(site, readings(register(heat), register(used))), plan)
    got = account(site, plan, blocks, USE, date(2024, 1, 10), date(2024, 1, 20))
    assert got.hours.bridged == 13
    assert got.spf == pytest.approx(heat.sum() / used.sum(), rel=1e-9)
    theirs = ufloat(heat.sum(), heat.sum() * u_relative("heat_total")) / ufloat(
        used.sum(), used.sum() * u_relative("elec_unit")
    )
    assert got.u_spf == pytest.approx(theirs.s, rel=1e-9)
