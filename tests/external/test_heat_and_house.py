"""Heat by flow and temperatures, and heat that a house should need, against references.

References: CoolProp 8 (IAPWS-IF97 for water; incompressible mixtures); uncertainties 3.2 for the
product of flow and temperature difference; scipy 1.17 (normal distribution). Formulas, from
memory: heat of a house = heat loss per kelvin x degree days x 24 h (CIBSE TM41:2006);
degree days of days that are normally distributed about a mean, D = N s [Z Phi(Z) + phi(Z)]
with Z = (Tb - Tm)/s (Schoenau and Kehrig; ASHRAE Handbook of Fundamentals); the coverage
interval of a quantity with a lognormal distribution.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm
from uncertainties import ufloat, umath

from monitor.metrics.account import account, heat_meter_use
from monitor.metrics.boundary import promised_recipe
from monitor.metrics.climate import UK_AVERAGE
from monitor.metrics.daily import day_frame
from monitor.metrics.heat_check import DELTA_U_K, FLOW_U, STILL_U_K, heat_check
from monitor.metrics.performance import pair
from monitor.metrics.plausibility import (
    BASE_C,
    GAINS_U_KW,
    LOSS_U,
    WATER_U,
    Doubt,
    Kind,
    Plausibility,
    carnot_cop,
    degree_days,
    expected_heat,
    plausibility,
)
from monitor.metrics.priors import BASE_KWH
from monitor.models import Site
from monitor.schemas import SLOT, STATE_SLOT
from tests.external.coolprop import props_si
from tests.monitor.homes import home
from tests.monitor.linear_home import Home, end_of, energies, frames_of, outdoor_of, site_of

pytestmark = pytest.mark.external

BEGIN = datetime(2024, 1, 1, tzinfo=UTC)
LENGTH = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])


class TestDegreeDays:
    @pytest.mark.parametrize(
        # Worked with the formula: base 15.5 degC, days of the month, mean, spread of days.
        ("days", "mean", "sd", "worked"),
        [(31, 4.3, 3.0, 347.20), (30, 14.6, 2.5, 45.34), (31, 10.6, 3.0, 153.90)],
    )
    def test_days_that_are_normally_distributed_have_those_of_schoenau_and_kehrig(
        self, days: int, mean: float, sd: float, worked: float
    ) -> None:
        z = (15.5 - mean) / sd
        assert days * sd * (z * norm.cdf(z) + norm.pdf(z)) == pytest.approx(worked, abs=0.005)
        course = norm.ppf((np.arange(20_000) + 0.5) / 20_000, mean, sd)
        assert days * degree_days(course) / 20_000 == pytest.approx(worked, abs=0.01)

    def test_a_house_needs_its_loss_per_kelvin_for_24_hours_of_each_degree_day(self) -> None:
        # 6 kW at 21 degC inside and -3 degC outside are 250 W/K; the table's 2 062 K d.
        site = home(
            {"role": "heat_total"},
            {"role": "elec_unit"},
            heat_pump={"design_outdoor_temp_c": -3.0},
            heat_loss_kw=6.0,
        )
        year = np.repeat(UK_AVERAGE, LENGTH)
        found = expected_heat(site, year)
        assert found is not None
        assert found - 365 * BASE_KWH == pytest.approx(0.250 * 24 * 2062.0, rel=1e-4)


def checked(it: Home, site: Site) -> Plausibility:
    slots, states = frames_of(it)
    terms = site.current_terms
    assert terms is not None
    plan = promised_recipe(site, terms)
    use = heat_meter_use(site, slots, states)
    so_far = account(site, plan, pair(slots, plan), use, terms.start, terms.end, end_of(it))
    return plausibility(site, slots, states, day_frame(site, plan, slots, states), so_far)


def figures(found: Plausibility, kind: Kind) -> tuple[Doubt, dict[str, float]]:
    doubt = next(d for d in found.doubts if d.kind is kind)
    return doubt, {f.name: f.value for f in doubt.figures}


def test_the_interval_of_the_house_is_lognormal_with_the_uncertainty_of_its_parts() -> None:
    it = Home()
    doubt, found = figures(
        checked(it, site_of(it, 3.0).model_copy(update={"heat_loss_kw": 12.0})), Kind.HOUSE
    )
    cold = degree_days(outdoor_of(it))
    heating = int((outdoor_of(it) < BASE_C).sum())
    house = 12.0 / 24.0 * 24.0 * cold * ufloat(1.0, LOSS_U)
    house += 24.0 * heating * ufloat(0.0, GAINS_U_KW)
    needed = house + 366 * BASE_KWH * ufloat(1.0, WATER_U)
    ratio = umath.log(energies(it)["heat"].sum() / needed)
    low, high = np.exp(norm(ratio.n, ratio.s).interval(0.95))
    assert found["degree days"] == pytest.approx(cold)
    assert found["heat expected"] == pytest.approx(needed.n, rel=1e-9)
    # 1.96 is the normal quantile to 2e-5.
    assert found["ratio, lower end"] == pytest.approx(low, rel=1e-4)
    assert found["ratio, upper end"] == pytest.approx(high, rel=1e-4)
    assert doubt.spf_now is not None
    assert doubt.spf_if_corrected == pytest.approx(doubt.spf_now / np.exp(ratio.n))


def test_the_share_of_carnot_is_least_electricity_over_what_was_taken() -> None:
    # A meter that shows three times the heat: beyond what any unit reaches.
    it = Home(standby_kwh=0.0, heat_shown=3.0)
    _, found = figures(checked(it, site_of(it, 3.0)), Kind.CARNOT)
    e = energies(it)
    flow = (e["space"] * e["flow_space"] + e["water"] * 50.0) / e["heat"]
    lift = flow - e["outdoor_temp"]
    judged = lift >= 15.0
    least = 3.0 * e["heat"] * lift / (flow + 273.15)
    share = least[judged].sum() / e["used"][judged].sum()
    assert found["share of the Carnot COP"] == pytest.approx(share, rel=1e-9)
    assert found["days judged"] == judged.sum()
    # The bound itself is the reciprocal of a Carnot engine's efficiency between two reservoirs.
    engine = 1.0 - (e["outdoor_temp"] + 273.15) / (flow + 273.15)
    assert carnot_cop(flow, e["outdoor_temp"]) == pytest.approx(1.0 / engine, rel=1e-12)


def frame_of(role: str, values: np.ndarray, schema: dict[str, Any]) -> pl.DataFrame:
    start = [BEGIN + timedelta(hours=h) for h in range(len(values))]
    if schema is STATE_SLOT:
        rest: dict[str, Any] = {"mean": values, "covered": [1.0] * len(values)}
    else:
        rest = {
            "status": ["measured"] * len(values),
            "kwh": values,
            "block_start_utc": start,
            "block_end_utc": [t + timedelta(hours=1) for t in start],
            "block_kwh": values,
            "u_start_kwh": [0.0] * len(values),
            "u_end_kwh": [0.0] * len(values),
        }
    return pl.DataFrame({"role": role, "slot_start_utc": start, **rest}, schema=schema)


@pytest.mark.xdist_group("CoolProp")
class TestHeatMeterBesideItsWater:
    """Ten days of steady running, then ten at standstill."""

    HOURS = 240

    def run(
        self, *, meter: float = 1.0, offset_k: float = 0.0, still: bool = False, fluid: str = ""
    ) -> tuple[float, float, int, float]:
        """True share, its uncertainty, hours, and the heat-weighted difference."""
        rng = np.random.default_rng(1)
        flow = rng.uniform(40.0, 41.0, self.HOURS)
        delta = rng.uniform(4.8, 5.2, self.HOURS)
        rate = np.full(self.HOURS, 1.2)
        back = flow - delta
        # EN 1434-1: volume x density at the flow sensor x difference of enthalpy.
        rho = [props_si("D", "T", t + 273.15, "P", 1.6e6, "IF97::Water") for t in back]
        rise = [
            props_si("H", "T", a + 273.15, "P", 1.6e6, "IF97::Water")
            - props_si("H", "T", b + 273.15, "P", 1.6e6, "IF97::Water")
            for a, b in zip(flow, back, strict=True)
        ]
        true = rate * np.array(rho) * np.array(rise) / 3.6e6
        system: dict[str, Any] = {}
        meters: list[dict[str, Any]] | None = None
        if fluid:
            mixture = f"INCOMP::{fluid}[0.25]"
            warm = [
                props_si("D", "T", t + 273.15, "P", 2e5, mixture)
                * props_si("C", "T", t + 273.15, "P", 2e5, mixture)
                / props_si("D", "T", t + 273.15, "P", 2e5, "Water")
                / props_si("C", "T", t + 273.15, "P", 2e5, "Water")
                for t in flow
            ]
            true = true * np.array(warm)
            system["antifreeze"] = {"fluid": "propylene_glycol", "mass_fraction": 0.25}
            meters = [
                {
                    "serial": "Q",
                    "measures": "heat",
                    "fitted": BEGIN,
                    "calibrated_for": "mixture",
                    "channel": [{"role": "heat_total", "kind": "register"}],
                },
            ]
        nothing = np.zeros(self.HOURS if still else 0)
        kwh = np.concatenate((true / meter, nothing))
        rest = np.full(len(nothing), 25.0)
        site = home({"role": "heat_total"}, heat_pump=system, meters=meters)
        found = heat_check(
            site,
            frame_of("heat_total", kwh, SLOT),
            pl.concat(
                [
                    frame_of("flow_temp", np.concatenate((flow, rest)) + offset_k, STATE_SLOT),
                    frame_of("return_temp", np.concatenate((back, rest)), STATE_SLOT),
                    frame_of("flow_rate", np.concatenate((rate, nothing)), STATE_SLOT),
                ]
            ),
        )
        assert found is not None
        return found.true_share, found.u, found.hours, float(np.average(delta, weights=true))

    @pytest.mark.parametrize("meter", [1.0, 0.85, 1.12])
    def test_true_over_indicated_heat_is_that_of_iapws_water(self, meter: float) -> None:
        # The meter shows true heat over `meter`; the fit of water is good to 2.2e-4.
        share, _, hours, _ = self.run(meter=meter)
        assert share == pytest.approx(meter, rel=3e-4)
        assert hours == self.HOURS - 2

    def test_a_meter_for_the_mixture_is_asked_with_the_mixture(self) -> None:
        share, _, _, _ = self.run(fluid="MPG")
        # The fit of the mixture is good to 0.0023.
        assert share == pytest.approx(1.0, abs=0.0025)

    def test_its_uncertainty_is_that_of_flow_times_difference(self) -> None:
        share, u, hours, delta = self.run(meter=1.1)
        theirs = share * ufloat(1.0, FLOW_U) * ufloat(delta, DELTA_U_K) / delta
        assert u == pytest.approx(theirs.s, rel=2e-3)
        assert hours > 100

    def test_sensors_that_were_set_right_at_standstill_leave_less(self) -> None:
        share, u, _, delta = self.run(offset_k=0.4, still=True)
        assert share == pytest.approx(1.0, abs=5e-4)
        theirs = share * ufloat(1.0, FLOW_U) * ufloat(delta, STILL_U_K) / delta
        assert u == pytest.approx(theirs.s, rel=2e-3)
