"""Which boundaries a site's meters can measure, and what is said where they cannot."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from monitor.errors import CannotMeasureError
from monitor.metrics.boundary import Recipe, measurable, promised_recipe, recipe
from monitor.models import Assumption, Boundary, Role, Terms
from tests.monitor.homes import at, home

ALL = {
    "source_drive": "apart",
    "backup_heater": True,
    "immersion_heater": True,
    "pumps_apart": True,
}
BOTH_HEATERS = ["backup", "immersion"]
ZERO = Assumption.UNMETERED_RESISTIVE_HEAT_IS_ZERO


def channels(*names: str, **counts: list[str]) -> list[dict[str, Any]]:
    return [{"role": n} | ({"counts": counts[n]} if n in counts else {}) for n in names]


class TestRecipes:
    def test_a_promise_takes_the_fewest_streams(self) -> None:
        site = home(
            *channels("heat_total", "heat_space", "heat_dhw", "elec_unit", "elec_total"),
            heat_pump={"backup_heater": True},
        )
        assert recipe(site, Boundary.H2) == Recipe(
            Boundary.H2, {Role.HEAT_TOTAL: 1}, {Role.ELEC_UNIT: 1}
        )

    def test_space_heat_and_hot_water_add_to_the_whole(self) -> None:
        site = home(*channels("heat_space", "heat_dhw", "elec_unit"))
        assert recipe(site, Boundary.H2).heat == {Role.HEAT_SPACE: 1, Role.HEAT_DHW: 1}

    def test_the_backup_heat_in_a_heat_meter_is_taken_out_for_the_unit(self) -> None:
        site = home(
            *channels("heat_total", "elec_unit", "elec_backup", heat_total=["backup"]),
            heat_pump={"backup_heater": True},
        )
        got = recipe(site, Boundary.H2)
        assert got.heat == {Role.HEAT_TOTAL: 1, Role.ELEC_BACKUP: -1}
        assert got.electricity == {Role.ELEC_UNIT: 1}
        assert got.streams == (Role.ELEC_BACKUP, Role.ELEC_UNIT, Role.HEAT_TOTAL)

    def test_one_meter_for_backup_and_immersion_measures_the_heat_of_both(self) -> None:
        site = home(
            *channels("heat_total", "elec_unit", "elec_backup", elec_backup=BOTH_HEATERS),
            heat_pump={"backup_heater": True, "immersion_heater": True},
        )
        got = recipe(site, Boundary.H3)
        assert got.heat == {Role.HEAT_TOTAL: 1, Role.ELEC_BACKUP: 1}
        assert got.electricity == {Role.ELEC_UNIT: 1, Role.ELEC_BACKUP: 1}

    def test_one_meter_for_both_heaters_does_not_tell_what_passed_the_heat_meter(self) -> None:
        site = home(
            *channels(
                "heat_total",
                "elec_unit",
                "elec_backup",
                heat_total=["backup"],
                elec_backup=BOTH_HEATERS,
            ),
            heat_pump={"backup_heater": True, "immersion_heater": True},
        )
        got = recipe(site, Boundary.H3, (ZERO,))
        assert got.heat == {Role.HEAT_TOTAL: 1}
        assert got.assumption is ZERO

    def test_a_lower_bound_keeps_as_much_heat_as_can_be_told(self) -> None:
        site = home(
            *channels("heat_total", "elec_total", "elec_immersion"),
            heat_pump={"backup_heater": True, "immersion_heater": True},
        )
        got = recipe(site, Boundary.H3, (ZERO,))
        assert got.heat == {Role.HEAT_TOTAL: 1, Role.ELEC_IMMERSION: 1}
        assert got.assumption is ZERO

    def test_an_exact_recipe_takes_nothing_for_granted_even_if_it_may(self) -> None:
        site = home(*channels("heat_total", "elec_unit"))
        assert recipe(site, Boundary.H4, (ZERO,)).assumption is None

    def test_a_system_with_everything_metered_measures_every_boundary(self) -> None:
        site = home(
            *channels(
                "heat_total",
                "elec_unit",
                "elec_source",
                "elec_backup",
                "elec_immersion",
                "elec_pumps",
            ),
            heat_pump=ALL,
        )
        assert measurable(site) == tuple(Boundary)


class TestRefusals:
    def test_a_boundary_without_its_meter_is_refused_and_others_are_offered(self) -> None:
        site = home(*channels("heat_total", "elec_unit"), heat_pump={"pumps_apart": True})
        with pytest.raises(CannotMeasureError) as refused:
            recipe(site, Boundary.H4)
        assert refused.value.user_message == (
            "The meters of site 'mill-lane-1' cannot measure boundary H4: no sum of its "
            "electricity meters counts the unit (compressor and controls) and the fan or brine "
            "pump and the distribution pumps, and nothing else. They can measure H2, H3."
        )

    def test_an_assumption_that_nobody_accepted_is_named(self) -> None:
        site = home(*channels("heat_total", "elec_total"), heat_pump={"backup_heater": True})
        with pytest.raises(CannotMeasureError) as refused:
            recipe(site, Boundary.H3)
        assert "'unmetered_resistive_heat_is_zero'" in refused.value.user_message
        assert "so the SPF shown is a lower bound" in refused.value.user_message
        assert "They can measure no boundary." in refused.value.user_message

    def test_the_terms_may_accept_the_assumption(self) -> None:
        site = home(*channels("heat_total", "elec_total"), heat_pump={"backup_heater": True})
        terms = Terms.model_validate(
            {
                "signed": "2024-01-01",
                "promised_spf": 3.0,
                "boundary": "H3",
                "start": "2024-01-01",
                "months": 12,
                "assumptions": [ZERO],
            }
        )
        assert promised_recipe(site, terms).assumption is ZERO

    @pytest.mark.parametrize(
        ("present", "why"),
        [
            (["heat_total"], "no electricity meter is described"),
            (["elec_unit"], "no heat meter is described"),
            (
                ["heat_space", "elec_unit"],
                "no sum of its heat meters counts the heat pump's space heat and hot water",
            ),
        ],
    )
    def test_what_is_lacking_is_named(self, present: list[str], why: str) -> None:
        with pytest.raises(CannotMeasureError, match=why):
            recipe(home(*channels(*present)), Boundary.H2)

    def test_heat_of_a_backup_upstream_of_the_heat_meter_cannot_be_told_from_the_pumps(
        self,
    ) -> None:
        site = home(
            *channels("heat_total", "elec_unit", heat_total=["backup"]),
            heat_pump={"backup_heater": True},
        )
        with pytest.raises(CannotMeasureError, match="apart from resistive heaters upstream"):
            recipe(site, Boundary.H2)

    def test_meters_that_follow_one_another_must_count_the_same(self) -> None:
        first = {
            "serial": "OLD",
            "measures": "electricity",
            "fitted": datetime(2023, 1, 1, tzinfo=UTC),
            "removed": at(0),
            "channel": [{"role": "elec_total", "kind": "register"}],
        }
        second = {
            "serial": "NEW",
            "measures": "electricity",
            "fitted": at(0),
            "channel": [{"role": "elec_total", "kind": "register", "counts": ["unit", "source"]}],
        }
        with pytest.raises(CannotMeasureError, match="give both the same 'counts'"):
            recipe(home(meters=[first, second]), Boundary.H2)
