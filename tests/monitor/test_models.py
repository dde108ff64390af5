"""What a site's description may say, and the sentence that answers what it may not."""

from __future__ import annotations

import tomllib
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from monitor.errors import DescriptionError
from monitor.models import Channel, Role, Site, Terms, site_from_toml
from tests.monitor.homes import at, home

TOML = """
id = "mill-lane-1"
name = "1 Mill Lane"
zone = "Europe/London"
commissioned = 2023-10-01

[heat_pump]
nominal_heat_kw = 8.0

[[meter]]
serial = "Q100"
measures = "heat"
fitted = 2023-10-01T12:00:00
accuracy_class = "2"

[[meter.channel]]
role = "heat_total"
kind = "register"
unit = "MWh"

[[meter]]
serial = "E200"
measures = "electricity"
fitted = 2023-10-01T12:00:00

[[meter.channel]]
role = "elec_unit"
kind = "interval"

[[terms]]
signed = 2023-09-01
promised_spf = 3.1
boundary = "H2"
start = 2023-11-01
months = 24

[[tariff]]
valid_from = 2023-10-01
price_per_kwh = 0.27
"""


def described(**more: object) -> Site:
    return Site.model_validate(tomllib.loads(TOML) | more)


TERMS = {
    "signed": "2024-01-01",
    "promised_spf": 3.0,
    "boundary": "H3",
    "start": "2024-02-29",
    "months": 12,
}


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(text, encoding="utf-8")
    return path


def register(role: str, **extra: Any) -> dict[str, Any]:
    return {"role": role, "kind": "register", **extra}


def fit(serial: str, *channels: dict[str, Any], **extra: Any) -> dict[str, Any]:
    return {
        "serial": serial,
        "measures": "heat",
        "fitted": at(0),
        "channel": list(channels),
        **extra,
    }


class TestSiteFile:
    def test_a_site_file_is_read(self, tmp_path: Path) -> None:
        site = site_from_toml(written(tmp_path, TOML))
        assert site.roles == {Role.HEAT_TOTAL, Role.ELEC_UNIT}
        assert site.current_terms is not None
        assert site.current_terms.end == date(2025, 11, 1)
        # Without an offset a time is local: British Summer Time.
        assert site.utc(site.meter[0].fitted) == datetime(2023, 10, 1, 11, tzinfo=UTC)

    def test_a_byte_order_mark_is_no_matter(self, tmp_path: Path) -> None:
        path = tmp_path / "site.toml"
        path.write_text(TOML, encoding="utf-8-sig")
        assert site_from_toml(path).id == "mill-lane-1"

    def test_a_site_survives_being_written_down(self, tmp_path: Path) -> None:
        site = site_from_toml(written(tmp_path, TOML))
        assert Site.model_validate_json(site.model_dump_json()) == site

    @pytest.mark.parametrize(
        ("old", "new", "sentence"),
        [
            ('unit = "MWh"', 'units = "MWh"', "meter.0.channel.0.units: this key is not known"),
            ("nominal_heat_kw = 8.0", "", "heat_pump.nominal_heat_kw: this key is required"),
            ("Europe/London", "Europe/Londn", "'Europe/Londn' is not a time zone name"),
            ('"mill-lane-1"', '"Mill Lane"', "given: 'Mill Lane'"),
            ("promised_spf = 3.1", "promised_spf = 0.9", "terms.0.promised_spf"),
            ("promised_spf = 3.1", "promised_spf = nan", "terms.0.promised_spf"),
            ('boundary = "H2"', 'boundary = "H5"', "terms.0.boundary"),
            ('accuracy_class = "2"', 'accuracy_class = "B"', "is not one for heat"),
            ("price_per_kwh = 0.27", "price_per_kwh = -0.27", "tariff.0.price_per_kwh"),
            ('kind = "interval"', 'kind = "state"', "needs kind register, interval or power"),
        ],
    )
    def test_a_slip_is_answered_with_its_key_and_what_was_given(
        self, tmp_path: Path, old: str, new: str, sentence: str
    ) -> None:
        assert old in TOML
        with pytest.raises(DescriptionError) as refused:
            site_from_toml(written(tmp_path, TOML.replace(old, new, 1)))
        assert sentence in refused.value.user_message
        assert "site.toml is not a usable site file" in refused.value.user_message

    def test_what_is_not_toml_is_said_with_the_line(self, tmp_path: Path) -> None:
        with pytest.raises(DescriptionError, match=r"not valid TOML: .*line 1"):
            site_from_toml(written(tmp_path, "id = mill lane"))

    def test_bytes_that_are_no_text_are_said(self, tmp_path: Path) -> None:
        path = tmp_path / "site.toml"
        path.write_bytes(b"\xff\xfe\x00\x80")
        with pytest.raises(DescriptionError, match="cannot be read as a site file"):
            site_from_toml(path)

    def test_a_file_that_is_not_there_is_said(self, tmp_path: Path) -> None:
        with pytest.raises(DescriptionError, match="There is no site file at"):
            site_from_toml(tmp_path / "none.toml")


class TestMeters:
    def test_two_meters_may_not_measure_the_same_at_the_same_time(self) -> None:
        with pytest.raises(ValidationError, match="give the first one 'removed'"):
            home(meters=[fit("A", register("heat_total")), fit("B", register("heat_total"))])

    def test_a_meter_may_follow_another_in_the_same_instant(self) -> None:
        site = home(
            meters=[
                fit("A", register("heat_total"), removed=at(5)),
                fit("B", register("heat_total"), fitted=at(5)),
            ]
        )
        assert len(site.meter) == 2

    def test_a_meter_is_not_removed_before_it_is_fitted(self) -> None:
        with pytest.raises(ValidationError, match="meter 'A' is removed before it is fitted"):
            home(meters=[fit("A", register("heat_total"), removed=at(-1))])

    def test_a_meter_has_one_channel_of_a_role(self) -> None:
        with pytest.raises(ValidationError, match="two channels of role 'heat_total'"):
            home(meters=[fit("A", register("heat_total"), register("heat_total"))])

    @pytest.mark.parametrize(
        ("channel", "why"),
        [
            ({"role": "flow_temp", "kind": "register"}, "needs kind state"),
            ({"role": "heat_total", "kind": "state"}, "needs kind register, interval or power"),
            (
                {"role": "heat_total", "kind": "interval", "digits": 7},
                "'digits' belongs to a register",
            ),
            (
                {"role": "flow_temp", "kind": "state", "counts": ["unit"]},
                "'counts' belongs to heat and electricity",
            ),
            (
                {"role": "heat_total", "kind": "register", "counts": ["pumps"]},
                "may only name 'backup' and 'immersion'",
            ),
            ({"role": "heat_total", "kind": "register", "resolution": 0}, "greater than 0"),
            ({"role": "heat_total", "kind": "register", "max_power_kw": float("inf")}, "finite"),
        ],
    )
    def test_a_channel_says_only_what_belongs_to_its_role_and_kind(
        self, channel: dict[str, Any], why: str
    ) -> None:
        with pytest.raises(ValidationError, match=why):
            Channel.model_validate(channel)

    def test_the_largest_power_is_the_channels_else_the_sites_else_three_times_nominal(
        self,
    ) -> None:
        heat = Channel.model_validate(register("heat_total"))
        own = Channel.model_validate(register("heat_total", max_power_kw=9.0))
        unit = Channel.model_validate(register("elec_unit"))
        plain = home({"role": "heat_total"})
        stated = home({"role": "heat_total"}, heat_pump={"max_heat_kw": 14, "max_electric_kw": 5})
        assert (plain.max_power_kw(heat), plain.max_power_kw(unit)) == (24.0, 24.0)
        assert (stated.max_power_kw(heat), stated.max_power_kw(unit)) == (14.0, 5.0)
        assert stated.max_power_kw(own) == 9.0


class TestTerms:
    def test_a_year_from_a_leap_day_ends_on_the_28th(self) -> None:
        assert Terms.model_validate(TERMS).end == date(2025, 2, 28)

    def test_versions_ascend(self) -> None:
        with pytest.raises(ValidationError, match="versions of the terms must ascend"):
            home({"role": "heat_total"}, terms=[TERMS, TERMS])

    @pytest.mark.parametrize("area", ["", "XV4", "Q42", "M1", "XV1A", "103", "42"])
    def test_a_postcode_area_is_the_first_part_of_a_postcode(self, area: str) -> None:
        assert described(postcode_area=area).postcode_area == area

    # Whole postcodes as the postal services of several countries write them; from memory.
    @pytest.mark.parametrize(
        "whole",
        ["XV4 7QP", "XV47QP", "10115", "1012", "1012 AB", "K1A 0B1", "D02 AF30", "xv4", "9"],
    )
    def test_a_whole_postcode_is_refused_with_a_sentence(self, whole: str) -> None:
        with pytest.raises(ValidationError, match="never the whole postcode"):
            described(postcode_area=whole)

    def test_a_description_without_an_area_reads_as_it_did_before_there_were_areas(self) -> None:
        # Sealed settlements carry a hash of the description as it was written then.
        assert "postcode_area" not in described().model_dump_json()

    def test_terms_cannot_be_changed_in_place(self) -> None:
        terms = Terms.model_validate(TERMS)
        with pytest.raises(ValidationError, match="frozen"):
            terms.promised_spf = 2.0  # type: ignore[misc]


class TestTariffs:
    def test_tariffs_come_in_order(self) -> None:
        later = {"valid_from": "2024-06-01", "price_per_kwh": 0.2}
        earlier = {"valid_from": "2024-01-01", "price_per_kwh": 0.3}
        with pytest.raises(ValidationError, match="in order of 'valid_from'"):
            home({"role": "heat_total"}, tariff=[later, earlier])

    def test_tariffs_of_a_site_share_one_currency(self) -> None:
        first = {"valid_from": "2024-01-01", "price_per_kwh": 0.2}
        second = {"valid_from": "2024-06-01", "price_per_kwh": 0.3, "currency": "EUR"}
        with pytest.raises(ValidationError, match="in one currency"):
            home({"role": "heat_total"}, tariff=[first, second])
