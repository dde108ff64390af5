"""Where a site stands against its promise, in the words of the trade."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from monitor.guarantee.standing import Standing, StandingWord, standing
from monitor.metrics.boundary import recipe
from monitor.metrics.performance import accounts, pair
from monitor.models import Boundary, Site
from monitor.refresh import derive
from monitor.rules import DEFAULT_RULES
from monitor.schemas import STATE_SLOT, empty
from tests.monitor.homes import home, readings, stored

START = datetime(2024, 1, 1, tzinfo=UTC)

TERMS = {
    "signed": date(2023, 12, 1),
    "promised_spf": 3.0,
    "boundary": "H2",
    "start": date(2024, 1, 1),
    "months": 12,
}


def promised(heat_loss_kw: float | None = None, **terms: Any) -> Site:
    extra: dict[str, Any] = {} if heat_loss_kw is None else {"heat_loss_kw": heat_loss_kw}
    return home({"role": "heat_total"}, {"role": "elec_unit"}, terms=[{**TERMS, **terms}], **extra)


def judged(
    site: Site,
    *,
    spf: float,
    days: float,
    until: float | None = None,
    gap: tuple[float, float] | None = None,
) -> Standing:
    """Standing after some days of 1 kW electricity, read hourly, with the SPF given."""
    electricity = [
        (START + timedelta(hours=h), 1.0 * h)
        for h in range(int(days * 24) + 1)
        if gap is None or not gap[0] * 24 < h < gap[1] * 24
    ]
    frame = readings([(t, spf * e) for t, e in electricity], electricity)
    slots, states, _, _ = derive(site, stored(site), frame, DEFAULT_RULES)
    return standing(
        site,
        slots,
        states,
        newest_reading=electricity[-1][0],
        now=START + timedelta(days=days if until is None else until, minutes=20),
        rules=DEFAULT_RULES,
    )


class TestWords:
    def test_before_the_period_it_is_too_early(self) -> None:
        got = judged(promised(start=date(2024, 7, 1)), spf=3.5, days=10)
        assert got.word is StandingWord.TOO_EARLY
        assert got.why == "The guarantee period starts on 1 July 2024."
        assert got.account is not None
        assert got.account.hours.total == 0
        assert got.probability is None

    def test_in_the_first_weeks_it_is_too_early(self) -> None:
        got = judged(promised(), spf=3.5, days=89.5)
        assert got.word is StandingWord.TOO_EARLY
        assert got.why == (
            "Only 89 days of the guarantee period have passed; a judgement is made from 90 days on."
        )
        assert judged(promised(), spf=3.5, days=90).word is StandingWord.ON_COURSE

    def test_a_summer_with_little_heat_is_too_early(self) -> None:
        got = judged(promised(heat_loss_kw=40.0), spf=3.5, days=120)
        assert got.word is StandingWord.TOO_EARLY
        assert got.why.startswith("Only 10,080 kWh of heat have been measured")
        assert judged(promised(heat_loss_kw=20.0), spf=3.5, days=120).word is StandingWord.ON_COURSE

    def test_a_site_that_went_silent_becomes_blind_as_time_passes(self) -> None:
        site = promised()
        assert judged(site, spf=3.5, days=100, until=190).word is StandingWord.ON_COURSE
        got = judged(site, spf=3.5, days=100, until=210)
        assert got.word is StandingWord.BLIND
        assert got.why == (
            "Heat and electricity are both known for only 48 % of the period so far: too little to "
            "judge."
        )
        assert got.newest_reading == START + timedelta(days=100)

    @pytest.mark.parametrize(
        ("spf", "word"),
        [
            (3.50, StandingWord.ON_COURSE),
            (3.12, StandingWord.ON_COURSE),
            (3.05, StandingWord.IN_DOUBT),
            (2.95, StandingWord.IN_DOUBT),
            (2.85, StandingWord.OFF_COURSE),
            (2.00, StandingWord.OFF_COURSE),
        ],
    )
    def test_distance_from_the_promise_in_uncertainties_gives_the_word(
        self, spf: float, word: StandingWord
    ) -> None:
        got = judged(promised(), spf=spf, days=100)
        assert got.word is word
        assert got.account is not None
        assert got.account.spf == pytest.approx(spf)

    def test_the_sentence_gives_margin_and_probability(self) -> None:
        assert judged(promised(), spf=3.5, days=100).why == (
            "The SPF so far is 0.50 above the promise; the probability that it is kept so far is "
            "over 99 %."
        )
        assert judged(promised(), spf=2.5, days=100).why == (
            "The SPF so far is 0.50 below the promise; the probability that it is kept so far is "
            "under 1 %."
        )
        assert judged(promised(), spf=3.0, days=100).why.endswith("kept so far is 50 %.")

    def test_the_interval_is_1_96_standard_uncertainties_on_either_side(self) -> None:
        got = judged(promised(), spf=3.0, days=100)
        # Class 2 at 5 K, half its permanent flow: 5.44 %; class B: 2 %; over the root of three.
        u = 3.0 * (5.44**2 + 2.0**2) ** 0.5 / 100 / 3**0.5
        assert (got.low, got.high) == pytest.approx((3.0 - 1.96 * u, 3.0 + 1.96 * u))

    def test_without_a_promise_that_is_said(self) -> None:
        site = home({"role": "heat_total"}, {"role": "elec_unit"})
        got = judged(site, spf=3.0, days=5)
        assert got.word is StandingWord.NO_PROMISE
        assert got.why == "No promise has been entered for this site."
        assert got.newest_reading == START + timedelta(days=5)

    def test_a_boundary_that_the_meters_cannot_measure_makes_the_site_blind(self) -> None:
        got = judged(promised(boundary="H1"), spf=3.0, days=100)
        assert got.word is StandingWord.BLIND
        assert "cannot measure boundary H1" in got.why
        assert got.account is None
        assert got.promise == 3.0

    def test_the_newest_terms_hold(self) -> None:
        site = home(
            {"role": "heat_total"},
            {"role": "elec_unit"},
            terms=[TERMS, TERMS | {"version": 2, "promised_spf": 3.4}],
        )
        got = judged(site, spf=3.2, days=100)
        assert (got.terms_version, got.promise, got.word) == (2, 3.4, StandingWord.OFF_COURSE)

    def test_what_wants_a_person_first_comes_first(self) -> None:
        assert [w.value for w in sorted(StandingWord, key=lambda w: w.urgency)] == [
            "off course",
            "blind",
            "in doubt",
            "too early",
            "on course",
            "no promise",
        ]


class TestSettlement:
    def test_the_period_is_not_settled_before_its_end(self) -> None:
        got = judged(promised(months=4), spf=3.5, days=120, until=120.9)
        assert got.settlement is None
        assert got.days_left == 1

    def test_at_the_end_a_kept_promise_is_settled(self) -> None:
        got = judged(promised(months=4), spf=3.5, days=125)
        assert got.settlement == "kept"
        assert got.days_left == 0
        assert got.account is not None
        assert got.account.hours.total == 121 * 24
        assert got.account.end_utc == datetime(2024, 5, 1, tzinfo=UTC)

    def test_readings_after_the_end_change_nothing(self) -> None:
        at_end = judged(promised(months=4), spf=3.5, days=121)
        later = judged(promised(months=4), spf=3.5, days=300)
        assert at_end.account == later.account
        assert at_end.settlement == later.settlement
        assert at_end.probability == later.probability

    def test_a_promise_missed_by_less_than_the_guard_band_is_undecided(self) -> None:
        simple = judged(promised(months=4), spf=2.95, days=125)
        guarded = judged(promised(months=4, decision="guarded"), spf=2.95, days=125)
        assert (simple.settlement, guarded.settlement) == ("not kept", "undecided")
        assert simple.word is guarded.word is StandingWord.IN_DOUBT

    def test_a_period_known_too_little_is_undecided(self) -> None:
        got = judged(promised(months=4), spf=3.5, days=108, until=125)
        assert got.account is not None
        assert got.account.coverage == pytest.approx(108 / 121)
        assert got.settlement == "undecided"

    def test_a_period_of_which_nothing_is_known_is_undecided(self) -> None:
        site = promised(start=date(2024, 3, 1), months=1)
        got = judged(site, spf=3.5, days=20, until=125)
        assert got.word is StandingWord.BLIND
        assert got.settlement == "undecided"

    def test_a_short_period_that_is_over_is_judged_all_the_same(self) -> None:
        got = judged(promised(heat_loss_kw=40.0, months=1), spf=3.5, days=40)
        assert (got.word, got.settlement) == (StandingWord.ON_COURSE, "kept")


def test_a_gap_in_both_registers_of_known_totals_is_used_whole() -> None:
    got = judged(promised(), spf=3.5, days=100, gap=(20, 60))
    assert got.account is not None
    assert got.account.coverage == 1.0
    assert got.account.hours.bridged == 40 * 24


def test_an_hour_that_has_not_ended_is_not_missing() -> None:
    got = judged(promised(), spf=3.5, days=100)
    assert got.account is not None
    assert got.account.hours.missing == 0


def test_a_site_ahead_of_utc_begins_its_period_at_its_own_midnight() -> None:
    site = promised().model_copy(update={"zone": "Europe/Berlin"})
    got = judged(site, spf=3.5, days=100)
    assert got.account is not None
    assert got.account.start_utc == datetime(2023, 12, 31, 23, tzinfo=UTC)
    assert got.account.hours.missing == 1


def test_a_standing_survives_being_written_down() -> None:
    got = judged(promised(), spf=3.05, days=100)
    assert Standing.model_validate_json(got.model_dump_json()) == got


def test_a_standing_is_recomputed_by_hand() -> None:
    """Heat and electricity of the standing are the sums of the paired slots, and nothing else."""
    site = promised()
    got = judged(site, spf=3.25, days=95)
    e = [(START + timedelta(hours=h), 1.0 * h) for h in range(95 * 24 + 1)]
    frame = readings([(t, 3.25 * x) for t, x in e], e)
    slots = derive(site, stored(site), frame, DEFAULT_RULES)[0]
    row = accounts(
        pair(slots, recipe(site, Boundary.H2)), [START], [START + timedelta(days=95)]
    ).row(0, named=True)
    assert got.account is not None
    assert (got.account.heat_kwh, got.account.electricity_kwh) == (
        row["heat_kwh"],
        row["electricity_kwh"],
    )


def test_without_readings_a_site_is_blind_after_the_first_weeks() -> None:
    site = promised()
    slots = derive(site, stored(site), readings([], []), DEFAULT_RULES)[0]
    got = standing(
        site,
        slots,
        empty(STATE_SLOT),
        newest_reading=None,
        now=START + timedelta(days=100),
        rules=DEFAULT_RULES,
    )
    assert got.word is StandingWord.BLIND
    assert got.account is not None
    assert got.account.coverage == 0.0
