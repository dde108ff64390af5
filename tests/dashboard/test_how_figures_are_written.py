"""Figures carry the digits that their uncertainty leaves, a unit and a separator."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from dashboard import format as fmt

NOW = datetime(2026, 3, 20, 12, 20, tzinfo=UTC)


def plain(text: str) -> str:
    return text.replace(fmt.NBSP, " ")


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (3.4567, 0.12, "3.46"),
        (3.4567, 0.9, "3.46"),
        (3.4567, 1.2, "3.5"),
        (3.4567, 0.0001, "3.46"),
        (3.4567, None, "3.46"),
        (None, 0.1, "–"),
        (float("nan"), 0.1, "–"),
    ],
)
def test_an_spf_has_the_digits_that_its_uncertainty_leaves(value, u, text):
    assert fmt.spf(value, u) == text


@pytest.mark.parametrize(
    ("kwh", "text"),
    [
        (0.0, "0.0 kWh"),
        (12.34, "12.3 kWh"),
        (-5.0, "−5.0 kWh"),
        (1234.5, "1,234 kWh"),
        (9999.4, "9,999 kWh"),
        (13456.0, "13.5 MWh"),
        (1_234_567.0, "1,234.6 MWh"),
        (None, "–"),
    ],
)
def test_energy_changes_to_mwh_where_kwh_get_long(kwh, text):
    assert plain(fmt.energy(kwh)) == text


def test_nothing_is_negative_zero():
    assert fmt.number(-0.0001, 1) == "0.0"
    assert fmt.money(-0.001, "GBP") == "£0.00"


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0.0, "0 %"),
        (0.004, "under 1 %"),
        (0.5, "50 %"),
        (0.996, "over 99 %"),
        (1.0, "100 %"),
        (None, "–"),
    ],
)
def test_a_share_is_never_rounded_to_certainty(share, text):
    assert plain(fmt.share(share)) == text


@pytest.mark.parametrize(
    ("amount", "currency", "text"),
    [
        (24.651, "GBP", "£24.65"),
        (1046.4, "EUR", "€1,046"),
        (-3.5, "USD", "−$3.50"),
        (12.0, "CHF", "CHF 12.00"),
        (12.0, "PLN", "12.00 zł"),
        (None, "GBP", "–"),
    ],
)
def test_money_carries_its_currency(amount, currency, text):
    assert plain(fmt.money(amount, currency)) == text


def test_a_price_keeps_its_decimals():
    assert fmt.price(0.25, "GBP") == "£0.25"
    assert fmt.price(0.2735, "EUR") == "€0.2735"
    assert plain(fmt.price(1.1, "CHF")) == "1.10 CHF"


@pytest.mark.parametrize(
    ("back", "text"),
    [
        (timedelta(minutes=59), "within the hour"),
        (timedelta(hours=1), "1 hour ago"),
        (timedelta(hours=47), "47 hours ago"),
        (timedelta(days=141), "141 days ago"),
        (timedelta(hours=-1), "in the future"),
    ],
)
def test_ages_are_told_in_words(back, text):
    assert plain(fmt.age(NOW - back, NOW)) == text
    assert fmt.age(None, NOW) == "never"


def test_a_stretch_names_its_last_day_and_not_the_one_after():
    assert fmt.stretch(date(2026, 1, 1), date(2027, 1, 1)) == "1 January 2026 to 31 December 2026"
    assert fmt.stretch(date(2026, 1, 1), date(2026, 1, 2)) == "1 January 2026"


def test_words_are_listed_as_people_do():
    assert fmt.listing([]) == ""
    assert fmt.listing(["a"]) == "a"
    assert fmt.listing(["a", "b", "c"]) == "a, b and c"


@pytest.mark.parametrize(
    ("value", "text"),
    [(4486.2, "4,486"), (608, "608"), (1.1649, "1.16"), (0.0371, "0.0371"), (-7.5, "−7.5"),
     (123.4, "123"), (0.0, "0"), (1e-7, "0"), (None, "–")],
)  # fmt: skip
def test_three_figures_are_written_without_an_exponent(value, text):
    assert plain(fmt.figures(value)) == text
