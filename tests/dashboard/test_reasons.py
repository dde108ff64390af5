"""Why, whether it can be true, and what it costs: on the pages of a site and of a home."""

from __future__ import annotations

import itertools
from dataclasses import replace

import plotly.graph_objects as go
import pytest

from dashboard import charts, data, home_data
from dashboard.pages import findings_text, home, reasons_text, site, site_reasons
from monitor.errors import NotFoundError
from monitor.findings.causes import causes
from monitor.findings.finding import Seen
from monitor.guarantee.boiler import BoilerComparison, Range
from monitor.guarantee.causes import Cause
from monitor.guarantee.settlement import Exclusion
from monitor.metrics.plausibility import Doubt, Kind, Plausibility
from monitor.refresh import refresh_site
from monitor.rules import DEFAULT_RULES
from monitor.store import claims
from monitor.store.findings import KeptFinding
from tests.dashboard.conftest import NOW
from tests.dashboard.test_site_page import text


@pytest.fixture
def record(store, installer, now):
    def of(site_id: str) -> data.Record:
        return data.record(installer, store, site_id, now)

    return of


def test_the_waterfall_leads_from_the_promise_to_the_spf_so_far(record):
    found = record("brook-cottage").assessment.shortfall
    fig = go.Figure(charts.waterfall(found, reasons_text.CAUSES).plain())
    (bars,) = fig.data
    ends = [base + width for base, width in zip(bars.base, bars.x, strict=True)]
    assert ends[0] == found.promise
    for before, start in itertools.pairwise([ends[0], *bars.base[1:-1]]):
        assert start == pytest.approx(before) or start in ends
    assert ends[-2] == pytest.approx(found.measured)
    assert ends[-1] == found.measured
    assert "<b>" in bars.y[1], "each bar says its figure"


def test_the_causes_of_the_table_add_up_to_the_gap(record):
    found = record("brook-cottage").assessment.shortfall
    table = reasons_text.shares_table(found)
    assert table.rows[-1][0] == "Together"
    assert float(table.rows[-1][1].replace("−", "-")) == pytest.approx(found.gap_spf, abs=0.005)
    assert sum(s.spf or 0.0 for s in found.shares) == pytest.approx(found.gap_spf)


def test_a_site_without_a_promise_says_so_in_place_of_a_chart(record):
    block = site_reasons.shortfall_block(record("fen-view"))
    assert block.figure is None
    assert "Nothing was promised" in block.caption


def test_a_site_whose_meters_cannot_tell_says_why(store, installer, now):
    words = text(site.layout(installer, store, "dene-farm", "", now))
    assert "Where the difference to the promise comes from" in words
    assert "Can these figures be true?" in words


def test_the_model_s_fit_stands_on_the_page(store, installer, now):
    words = text(site.layout(installer, store, "alder-row-3", "", now))
    assert "CV(RMSE)" in words
    assert "NMBE" in words


def test_a_doubt_stands_before_what_is_in_order_with_its_caution(record):
    found = record("alder-row-3")
    doubt = Doubt(
        kind=Kind.ROOM,
        figures=(),
        spf_now=3.4,
        spf_if_corrected=3.2,
        sentence="The room was at 16 degC on average.",
        caution="A household may have been left cold.",
    )
    checks = Plausibility(doubts=(doubt,), in_order=("Heat is in order.",))
    doubted = replace(
        found, assessment=found.assessment.model_copy(update={"plausibility": checks})
    )
    words = text(site_reasons.doubts(doubted))
    assert words.index("Doubt") < words.index("Caution") < words.index("In order")
    assert "3.40 as measured, 3.20 if the doubt is right" in words


def test_the_shortfall_can_be_downloaded_and_is_the_same(store, installer, now, record):
    frame = site.download(installer, store, "brook-cottage", "shortfall", None, now)
    found = record("brook-cottage").assessment.shortfall
    assert frame["spf"].sum() == pytest.approx(found.gap_spf)
    with pytest.raises(NotFoundError):
        site.download(installer, store, "fen-view", "shortfall", None, now)


def test_an_exclusion_is_shown_with_who_why_and_what_it_does(store, installer, now):
    span = {"start_utc": NOW.replace(month=1, day=5, hour=0, minute=0),
            "end_utc": NOW.replace(month=1, day=9, hour=0, minute=0)}  # fmt: skip
    number = claims.add_exclusion(
        store,
        "brook-cottage",
        Exclusion(**span, reason="builders' heater", by="R. Vane", at=NOW, condition="No work."),
    )
    try:
        refresh_site(store, "brook-cottage", now=NOW)
        words = text(site.layout(installer, store, "brook-cottage", "", now))
        for part in ("builders' heater", "R. Vane", "No work.", "SPF with it counted"):
            assert part in words
    finally:
        claims.withdraw_exclusion(store, "brook-cottage", number, "R. Vane", NOW)
        refresh_site(store, "brook-cottage", now=NOW)


def _compared(saved: Range) -> BoilerComparison:
    same = Range(low=900.0, best=1000.0, high=1100.0)
    return BoilerComparison(
        currency="GBP", hours=4000, heat_kwh=8000.0, electricity_kwh=2500.0, left_out_kwh=0.0,
        efficiency=Range(low=0.8, best=0.85, high=0.92), efficiency_from="", fuel_kwh=same,
        fuel_cost=same, heat_pump_cost=same, standing_saved=0.0, saved=saved, remarks=(),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("saved", "name", "value"),
    [
        (Range(low=-20.0, best=140.0, high=300.0), "Saved against your old heating", "£140"),
        (
            Range(low=-300.0, best=-140.0, high=20.0),
            "More than your old heating would have cost",
            "£140",
        ),
    ],
)
def test_a_household_is_told_what_the_old_heating_would_have_cost(
    store, installer, now, saved, name, value
):
    found = home_data.home(installer, store, "alder-row-3", now)
    told = found.record.assessment.model_copy(update={"comparison": _compared(saved)})
    view = home.view(replace(found, record=replace(found.record, assessment=told)), now)
    fact = next(f for f in view.facts if f.name == name)
    assert fact.value == value
    assert "anything from −£" in fact.remark


@pytest.mark.parametrize(
    ("saved", "name", "bounds"),
    [
        (Range(low=-20.0, best=140.0, high=300.0), "Saved", "−£20.00 to £300"),
        (Range(low=-300.0, best=-140.0, high=20.0), "Dearer", "−£20.00 to £300"),
    ],
)
def test_bounds_of_what_is_dearer_are_of_what_is_dearer(record, saved, name, bounds):
    it = record("alder-row-3")
    told = it.assessment.model_copy(update={"comparison": _compared(saved)})
    words = text(site_reasons.costs(replace(it, assessment=told)))
    line = words[words.index(name) :]
    assert "£140" in line.split("bounds")[0]
    assert line.split("bounds ")[1].startswith(bounds)


def test_a_household_is_told_a_reason_only_where_it_is_sure(store, installer, now):
    found = home_data.home(installer, store, "brook-cottage", now)
    known = found.record.assessment
    split = known.shortfall.model_copy(update={"is_adequate": True})

    def told(cause: Cause, low: float) -> str:
        first = split.shares[0].model_copy(update={"cause": cause, "spf": 0.4, "low": low})
        shares = (first, *(s.model_copy(update={"spf": None}) for s in split.shares[1:]))
        changed = known.model_copy(
            update={"shortfall": split.model_copy(update={"shares": shares, "gap_spf": 0.4})}
        )
        seen = Seen(found.record.site, found.record.standing, changed, (), now, DEFAULT_RULES)
        kept = [
            KeptFinding(n, "brook-cottage", finding, now, now, None, 1, None, None, None)
            for n, finding in enumerate(causes(seen))
        ]
        view = home.view(replace(found, record=replace(found.record, findings=kept)), now)
        return " ".join((*view.sentences, *view.installers))

    assert "runs hotter than planned" in told(Cause.FLOW, 0.1)
    assert "runs hotter" not in told(Cause.FLOW, -0.1)
    assert "installer can" not in told(Cause.UNEXPLAINED, 0.1)
    assert "hot enough to stay free of germs" in told(Cause.WATER, 0.1)


def test_what_to_look_at_first_stands_before_the_pictures(store, installer, now):
    page = site.layout(installer, store, "brook-cottage", "", now)
    words = text(page)
    assert words.index("What to look at first") < words.index("SPF since the start")
    assert "What to check, in order" in words
    quiet = findings_text.section([], data.record(installer, store, "fen-view", now))
    assert "Nothing stands out" in text(quiet)
