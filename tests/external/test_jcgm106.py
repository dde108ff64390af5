"""Conformance and decision rules of JCGM 106:2012, and its worked examples."""

from __future__ import annotations

from datetime import date
from statistics import NormalDist
from typing import Any

import pytest

from monitor.guarantee.conformance import conformance_probability, decide, guard_band
from monitor.models import Terms

pytestmark = pytest.mark.external


def terms(promise: float, **extra: Any) -> Terms:
    return Terms.model_validate(
        {
            "signed": date(2024, 1, 1),
            "promised_spf": promise,
            "boundary": "H3",
            "start": date(2024, 2, 1),
            "months": 12,
            **extra,
        }
    )


class TestProbability:
    """Phi((y - T_L) / u): JCGM 106:2012, 7.3.3."""

    def test_bursting_strength_of_a_container(self) -> None:
        # 7.3.3, example 2, a single lower limit: 509.7 kPa, u 8.6 kPa, limit 490 kPa;
        # the answer 0.99 from memory.
        assert conformance_probability(509.7, 8.6, 490.0) == pytest.approx(0.9890, abs=5e-5)

    def test_breakdown_voltage_of_a_zener_diode(self) -> None:
        # 7.3.3, example 1, a single upper limit T_U = -5.40 V, y = -5.47 V, u = 0.05 V:
        # the same as a lower limit with all signs turned; from memory, answer 0.92.
        assert conformance_probability(5.47, 0.05, 5.40) == pytest.approx(0.9192, abs=5e-5)

    def test_viscosity_of_a_motor_oil(self) -> None:
        # 7.4, two-sided: y = 13.6, u = 1.8, limits 12.5 and 16.3; from memory, answer 0.66.
        above_low = conformance_probability(13.6, 1.8, 12.5)
        above_high = conformance_probability(13.6, 1.8, 16.3)
        assert above_low == pytest.approx(1 - 0.2706, abs=5e-5)
        assert above_high == pytest.approx(0.0668, abs=5e-5)
        assert above_low - above_high == pytest.approx(0.6626, abs=1e-4)

    def test_speed_at_which_a_driver_may_be_fined(self) -> None:
        # 8.3.3, guarded rejection: limit 100 km/h, relative u 2 %, wanted P >= 0.999; from
        # memory, answer 107 km/h.
        assert conformance_probability(106.59, 0.02 * 106.59, 100.0) == pytest.approx(
            0.999, abs=1e-5
        )
        assert conformance_probability(106.0, 0.02 * 106.0, 100.0) < 0.999
        assert conformance_probability(107.0, 0.02 * 107.0, 100.0) > 0.999

    @pytest.mark.parametrize("y", [1.0, 2.5, 2.79, 2.8, 2.81, 3.4, 9.0])
    @pytest.mark.parametrize("u", [0.01, 0.1, 1.0])
    def test_it_is_the_normal_distribution_function(self, y: float, u: float) -> None:
        expected = NormalDist().cdf((y - 2.8) / u)
        assert conformance_probability(y, u, 2.8) == pytest.approx(expected, abs=1e-15)

    def test_without_uncertainty_it_is_certain(self) -> None:
        assert conformance_probability(2.8, 0.0, 2.8) == 1.0
        assert conformance_probability(2.799, 0.0, 2.8) == 0.0

    def test_a_negative_uncertainty_is_refused(self) -> None:
        with pytest.raises(ValueError, match="cannot be negative"):
            conformance_probability(3.0, -0.1, 2.8)

    @pytest.mark.parametrize(
        # Largest probability of false acceptance with a guard band r U: Phi(-2r). The rows
        # for 0, 1, 1.5 and 3 are printed in ILAC-G8:09/2019; the others are computed.
        ("r", "risk"),
        [
            (0, 0.5),
            (0.5, 0.1587),
            (0.82, 0.0505),
            (0.83, 0.0485),
            (1, 0.0228),
            (1.163, 0.0100),
            (1.5, 0.00135),
            (3, 9.9e-10),
        ],
    )
    def test_risk_at_the_edge_of_the_guard_band(self, r: float, risk: float) -> None:
        u = 0.1
        guarded = terms(2.8, decision="guarded", guard_factor=r)
        acceptance = 2.8 + guard_band(u, guarded)
        assert 1 - conformance_probability(acceptance, u, 2.8) == pytest.approx(risk, rel=6e-3)


class TestDecisions:
    @pytest.mark.parametrize(
        # JCGM 106:2012, 8.3 with r = 1 (w = U = 2u); rows computed from its formulas.
        ("spf", "u", "promise", "probability", "decision"),
        [
            (3.00, 0.10, 2.80, 0.9772, "kept"),  # on the limit
            (2.90, 0.10, 2.80, 0.8413, "undecided"),
            (2.90, 0.05, 2.80, 0.9772, "kept"),  # on the limit, which binary numbers miss
            (2.80, 0.10, 2.80, 0.5000, "undecided"),
            (2.70, 0.10, 2.80, 0.1587, "undecided"),
            (2.60, 0.10, 2.80, 0.0228, "not kept"),  # on the lower limit
            (2.59, 0.10, 2.80, 0.0179, "not kept"),
            (3.20, 0.12, 3.00, 0.9522, "undecided"),
        ],
    )
    def test_guarded_decisions(
        self, spf: float, u: float, promise: float, probability: float, decision: str
    ) -> None:
        assert conformance_probability(spf, u, promise) == pytest.approx(probability, abs=5e-5)
        assert decide(spf, u, 1.0, terms(promise, decision="guarded")) == decision

    def test_a_narrower_guard_band_lets_more_through(self) -> None:
        guarded = terms(3.0, decision="guarded", guard_factor=0.82)
        assert decide(3.20, 0.12, 1.0, guarded) == "kept"

    @pytest.mark.parametrize(
        ("spf", "decision"), [(2.81, "kept"), (2.8, "kept"), (2.799, "not kept"), (2.0, "not kept")]
    )
    def test_simple_acceptance_takes_the_figure_as_it_is(self, spf: float, decision: str) -> None:
        # JCGM 106:2012, 8.2.1: shared risk.
        assert decide(spf, 0.3, 1.0, terms(2.8)) == decision

    @pytest.mark.parametrize("spf", [0.7 + 0.7 + 0.7 + 0.7, 14.0 / 5.0, 8.4 - 5.6, 2.8 * 7 / 7])
    def test_rounding_of_binary_numbers_does_not_decide_on_the_limit(self, spf: float) -> None:
        assert decide(spf, 0.1, 1.0, terms(2.8)) == "kept"

    def test_a_guard_band_of_nothing_is_simple_acceptance(self) -> None:
        for spf in (2.5, 2.7999, 2.8, 3.1):
            guarded = terms(2.8, decision="guarded", guard_factor=0.0)
            assert decide(spf, 0.1, 1.0, guarded) == decide(spf, 0.1, 1.0, terms(2.8))

    @pytest.mark.parametrize(("coverage", "decision"), [(0.8999, "undecided"), (0.90, "kept")])
    def test_too_little_known_decides_nothing(self, coverage: float, decision: str) -> None:
        assert decide(4.0, 0.01, coverage, terms(2.8, minimum_coverage=0.9)) == decision
