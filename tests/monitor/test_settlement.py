"""Kept, not kept or undecided: a pure function of a sealed record."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import polars as pl
import pytest

from monitor.errors import CannotMeasureError, DescriptionError
from monitor.guarantee.price_steps import PRICE
from monitor.guarantee.settlement import (
    Exclusion,
    Settlement,
    SettlementRecord,
    make_record,
    period_of,
    settle,
)
from monitor.models import Site
from monitor.rules import DEFAULT_RULES
from monitor.schemas import STATE_SLOT, empty
from tests.monitor.homes import at, home, readings, slots_of

STATES = empty(STATE_SLOT)
PRICES = empty(PRICE)


def site(promise: float = 2.9, **terms: Any) -> Site:
    return home(
        {"role": "heat_total"},
        {"role": "elec_unit"},
        terms=[
            {
                "signed": date(2024, 1, 1),
                "promised_spf": promise,
                "boundary": "H2",
                "start": date(2024, 1, 10),
                "months": 1,
                **terms,
            }
        ],
        tariff=[{"valid_from": date(2023, 1, 1), "price_per_kwh": 0.30}],
    )


def hours(poor: range = range(0), missing: range = range(0)) -> pl.DataFrame:
    """31 days at SPF 3, but 1 in the poor hours; the heat register is silent in others."""
    gain = [1.0 if h in poor else 3.0 for h in range(744)]
    heat = [(at(h), sum(gain[:h])) for h in range(745) if h not in missing]
    frame = readings(heat, [(at(h), float(h)) for h in range(745)])
    known = slots_of(site(), frame)
    if len(missing):
        known = known.filter(~((pl.col("role") == "heat_total") & (pl.col("status") == "bridged")))
    return known


def settled(described: Site, slots: pl.DataFrame, *exclusions: Exclusion) -> Settlement:
    slots = period_of(described, slots)
    record = make_record(
        described, slots, STATES, PRICES, rules=DEFAULT_RULES, exclusions=exclusions
    )
    return settle(record, slots, STATES, PRICES)


def exclusion(a: int, b: int, reason: str = "power cut") -> Exclusion:
    return Exclusion(
        start_utc=at(a),
        end_utc=at(b),
        reason=reason,
        by="R. Vane",
        at=datetime(2024, 2, 12, tzinfo=UTC),
    )


def test_a_period_at_spf_3_keeps_a_promise_of_29_and_breaks_one_of_31() -> None:
    assert settled(site(2.9), hours()).decision == "kept"
    got = settled(site(3.1), hours())
    assert got.decision == "not kept"
    assert got.account.spf == pytest.approx(3.0)
    assert "falls short of the promise of 3.10" in got.why


def test_inside_the_guard_band_nothing_is_decided() -> None:
    got = settled(site(2.95, decision="guarded", guard_factor=1.0), hours())
    assert got.decision == "undecided"
    assert got.band == pytest.approx(2 * got.account.u_spf)
    assert got.accept_from == pytest.approx(2.95 + got.band)
    assert got.reject_up_to == pytest.approx(2.95 - got.band)


def test_below_the_least_coverage_nothing_is_decided() -> None:
    got = settled(site(2.0), hours(missing=range(100, 300)))
    assert got.account.coverage < 0.9
    assert got.decision == "undecided"
    assert "the terms ask for 90.0%" in got.why


def test_an_exclusion_shows_the_figure_with_and_without_it() -> None:
    poor = range(100, 200)
    got = settled(site(2.9), hours(poor), exclusion(100, 200))
    assert got.all_hours.spf == pytest.approx((644 * 3 + 100) / 744)
    assert got.account.spf == pytest.approx(3.0)
    assert got.account.hours.total == 644
    (effect,) = got.exclusion_effects
    assert effect.spf_with_it_counted == pytest.approx(got.all_hours.spf)
    assert effect.hours == 100
    assert (got.decision, settled(site(2.9), hours(poor)).decision) == ("kept", "not kept")


def test_each_of_two_exclusions_shows_its_own_effect() -> None:
    got = settled(
        site(2.9), hours(range(100, 200)), exclusion(100, 200), exclusion(400, 450, "visit")
    )
    poor, harmless = got.exclusion_effects
    assert poor.spf_with_it_counted < 2.9
    assert harmless.spf_with_it_counted == pytest.approx(3.0)


def test_the_same_record_settles_the_same_way_and_a_changed_one_has_another_hash() -> None:
    first, again = settled(site(), hours()), settled(site(), hours())
    assert first == again
    assert settled(site(2.91), hours()).input_hash != first.input_hash
    assert settled(site(), hours(), exclusion(0, 5)).input_hash != first.input_hash


def test_a_record_survives_being_written_down() -> None:
    described = site()
    slots = period_of(described, hours())
    record = make_record(described, slots, STATES, PRICES, rules=DEFAULT_RULES)
    read = SettlementRecord.model_validate_json(record.model_dump_json())
    assert read.hash == record.hash
    assert settle(read, slots, STATES, PRICES) == settle(record, slots, STATES, PRICES)


def test_hours_that_were_altered_are_refused() -> None:
    described = site()
    slots = period_of(described, hours())
    record = make_record(described, slots, STATES, PRICES, rules=DEFAULT_RULES)
    altered = slots.with_columns(pl.col("block_kwh") * 1.001)
    with pytest.raises(DescriptionError, match="hashes differ"):
        settle(record, altered, STATES, PRICES)


def test_without_a_promise_there_is_nothing_to_settle() -> None:
    with pytest.raises(DescriptionError, match="nothing to settle"):
        settled(site().model_copy(update={"terms": ()}), hours())


def test_a_boundary_that_cannot_be_measured_is_not_settled() -> None:
    with pytest.raises(CannotMeasureError, match="cannot measure boundary H1"):
        settled(site(boundary="H1"), hours())
