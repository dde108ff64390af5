"""Every figure says how it was computed, and what it says gives the figure again."""

from __future__ import annotations

import io
import re
from dataclasses import fields
from datetime import timedelta

import pandas as pd
import pytest
from scipy.stats import norm

from dashboard import data
from dashboard import format as fmt
from dashboard.pages import claim as claim_page
from dashboard.pages import home, how_site, site
from dashboard.view_models import How
from monitor.store import cases
from tests.dashboard.test_home_page import grade
from tests.dashboard.test_site_page import ALL, alive, text, walk

HEAT, ELECTRICITY = "heat_total", "elec_unit"


def answers(page) -> dict[str, str]:
    """What each closed answer of a page says, by what it is about."""
    found = {}
    for node in walk(page):
        if getattr(node, "className", "") == "computed":
            head, body = node.children
            found[text(head).removeprefix("How was this computed?").strip()] = text(body)
    return found


def numbers(words: str) -> list[float]:
    plain = words.replace("\u00a0", " ").replace("−", "-").replace(",", "")
    return [float(found) for found in re.findall(r"(?<![\w.])-?\d+(?:\.\d+)?", plain)]


@pytest.fixture
def brook(store, installer, now):
    return data.record(installer, store, "brook-cottage", now)


def test_the_hours_that_count_give_the_spf_of_the_text_again(brook, as_installer):
    """With pandas, from the file that the answer leads to: sums of blocks, by rule R7."""
    asked = how_site.spf(brook, brook.standing.account, how_site.guarantee(brook))
    said = numbers(asked.lines[0])
    heat, electricity, spf = said[:3]
    (file,) = [href for words, href in asked.down if "hours" in words]
    hours = pd.read_csv(io.BytesIO(as_installer.get(file).data))
    counted = hours[hours["counts"] & (hours["slot_start_utc"] == hours["block_start_utc"])]
    sums = counted.groupby("role")["block_kwh"].sum()
    assert sums[HEAT] == pytest.approx(heat, abs=0.051)
    assert sums[ELECTRICITY] == pytest.approx(electricity, abs=0.051)
    assert sums[HEAT] / sums[ELECTRICITY] == pytest.approx(spf, abs=0.00051)
    known = hours[hours["counts"] & (hours["role"] == HEAT)]
    count = brook.standing.account.hours
    assert len(known) == count.measured + count.bridged
    assert (known["status"] == "bridged").sum() > 0, "the site has a bridged stretch"
    assert count.missing > 0, "and one that is lost"


def test_a_day_a_month_and_their_readings_hang_together(as_installer):
    """Down the whole chain: the day's heat, its hours, and the register at both midnights."""

    def file(what: str) -> pd.DataFrame:
        address = f"/download/alder-row-3/{what}.csv?period=2026-02"
        return pd.read_csv(io.BytesIO(as_installer.get(address).data))

    day = file("daily").set_index("first_day").loc["2026-02-11"]
    hours, readings = file("hours"), file("readings")
    inside = (hours["slot_start_utc"] >= "2026-02-11") & (hours["slot_start_utc"] < "2026-02-12")
    assert hours[inside & (hours["role"] == HEAT)]["kwh"].sum() == pytest.approx(day["heat_kwh"])
    register = readings[readings["role"] == HEAT].set_index("t_utc")
    rise = register["value"]["2026-02-12T00:00:00Z"] - register["value"]["2026-02-11T00:00:00Z"]
    assert rise == pytest.approx(day["heat_kwh"])
    assert register["line"]["2026-02-11T00:00:00Z"] > 1


@pytest.mark.parametrize("site_id", ALL)
def test_every_figure_of_a_site_answers(store, installer, now, site_id):
    page = site.layout(installer, store, site_id, "", now)
    nodes = list(walk(page))
    for node in nodes:
        if type(node).__name__ == "Section" and any(
            type(part).__name__ == "Figure" for part in walk(node.children[1:2])
        ):
            assert answers(node), f"a chart without an answer: {text(node.children[0])}"
        if type(node).__name__ == "Dl" and "big" in node.className:
            silent = [text(alive(one).children[0]) for one in node.children if not answers(one)]
            assert set(silent) <= {"Doubts about these figures"} | _unknown(node)
    links = [
        node.href
        for answer in nodes
        if getattr(answer, "className", "") == "computed"
        for node in walk(answer)
        if getattr(node, "href", None)
    ]
    assert links, "an answer leads down to what it was made from"


def _unknown(facts) -> set[str]:
    """Names of figures that are not there."""
    named = [alive(one).children for one in facts.children]
    return {text(name) for name, value, *_ in named if text(value) == "–"}


def test_every_link_of_an_answer_leads_to_what_is_there(store, installer, now, as_installer):
    page = site.layout(installer, store, "brook-cottage", "?period=2026-01", now)
    ids = {getattr(node, "id", None) for node in walk(page)}
    for node in walk(page):
        if getattr(node, "className", "") != "computed":
            continue
        for link in walk(node):
            href = getattr(link, "href", None)
            if href is None:
                continue
            path, _, place = href.partition("#")
            assert not place or place in ids, href
            assert as_installer.get(path).status_code == 200, href


def test_the_lines_of_the_budget_can_be_multiplied_out(store, installer, now):
    page = site.layout(installer, store, "brook-cottage", "", now)
    told = answers(page)
    lines = [
        numbers(words)
        for words in told.values()
        if words.startswith("u = |sensitivity| × limit / divisor = ")
    ]
    assert len(lines) >= 4
    for sensitivity, limit, divisor, u, *_ in lines:
        # Written with three significant digits each.
        assert u == pytest.approx(sensitivity * limit / divisor, rel=0.01, abs=0.0001)
    together = told["the standard uncertainty"].partition("SPF")[0].replace("²", "")
    *parts, u = numbers(together)
    assert u == pytest.approx(sum(part**2 for part in parts) ** 0.5, abs=0.0002)
    assert u == pytest.approx(
        data.record(installer, store, "brook-cottage", now).standing.account.u_spf, abs=0.0001
    )


def test_the_probability_is_that_of_the_normal_distribution(store, installer, now):
    """scipy's normal distribution, with the numbers that the answer names (JCGM 106, 7.3.3)."""
    words = answers(site.layout(installer, store, "chapel-hill-12", "", now))
    formula = words["the probability so far"].partition(", with")[0].split("=")
    spf, promise, u = numbers(formula[2])
    (p,) = numbers(formula[3])
    standing = data.record(installer, store, "chapel-hill-12", now).standing
    assert (spf, promise) == (round(standing.account.spf, 3), 3.52)
    assert 0.2 < p < 0.8
    assert norm.cdf((spf - promise) / u) == pytest.approx(p, abs=0.003)


def test_the_extra_electricity_is_that_of_the_formula(store, installer, now):
    words = answers(site.layout(installer, store, "brook-cottage", "", now))
    said = numbers(words["the cost beyond the promise"].partition("/ promise =")[2])
    used, heat, promise, extra = said[:4]
    assert extra == pytest.approx(used - heat / promise, abs=0.1)


def test_every_figure_of_a_household_answers_in_plain_words(store, installer, now, as_homeowner):
    view = home.home_view(installer, store, "alder-row-3", now)
    assert all(fact.how for fact in view.facts)
    assert all(row.how for row in view.spent)
    hows = [fact.how for fact in view.facts] + [row.how for row in view.spent]
    hows += [getattr(view.how, field.name) for field in fields(view.how)]
    said = " ".join(line for how in hows if how for line in how.lines)
    assert grade(said) <= 8
    heat, electricity, spf = numbers(_formula(view.how.spf))
    assert heat / electricity == pytest.approx(spf, abs=0.005)
    page = as_homeowner.get("/home").get_data(as_text=True)
    assert page.count("How was this computed?") == len([how for how in hows if how])
    assert "/own-data.zip" in page


def test_the_forecast_of_a_household_ends_with_the_last_day_of_the_guarantee(store, installer, now):
    terms = data.record(installer, store, "alder-row-3", now).site.current_terms
    last = fmt.day(terms.end - timedelta(days=1))
    (line,) = [
        line
        for line in home.home_view(installer, store, "alder-row-3", now).how.outlook.lines
        if "It ends with" in line
    ]
    assert f"It ends with {last}," in line


def _formula(how: How) -> str:
    return how.lines[0].partition("divide:")[2]


def test_an_installer_on_a_household_s_page_is_not_led_to_data_of_their_own(as_installer):
    page = as_installer.get("/site/alder-row-3/home").get_data(as_text=True)
    assert "How was this computed?" in page
    assert "/own-data.zip" not in page


def test_every_figure_of_a_claim_answers(store, installer, now):
    number = cases.raise_claim(
        store, "brook-cottage", user_id=1, role="installer", said="Bills.", now=now
    )
    told = answers(claim_page.layout(installer, store, number, now))
    assert {"the promise", "SPF", "coverage", "the remedy", "the probability so far"} <= set(told)
    cases.add_step(
        store, number, cases.What.CLOSED, user_id=1, role="installer", said="Paid.", now=now
    )
