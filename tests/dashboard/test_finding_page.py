"""One finding on its own page: what shows it, what it costs, who took note."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import plotly.graph_objects as go
import pytest

from dashboard import data, evidence
from dashboard.pages import finding, findings_text
from monitor.errors import NotFoundError
from monitor.findings.finding import BandPoint, Confidence, Effect, Evidence, Finding, Topic
from monitor.schemas import BEHAVIOUR, empty
from monitor.store.findings import keep_findings, load_findings
from tests.dashboard.conftest import NOW
from tests.dashboard.test_site_page import text

SITE, OTHER = "alder-row-3", "brook-cottage"
BEGAN = datetime(2026, 1, 10, tzinfo=UTC)

FLOW = Evidence(
    of="state",
    name="flow_temp",
    label="flow temperature",
    unit="°C",
    band=(BandPoint(x=-3.0, low=43.0, high=47.0), BandPoint(x=15.0, low=26.0, high=30.0)),
)
DAILY = Evidence(
    of="day",
    name="electricity_kwh",
    label="electricity of the day",
    unit="kWh",
    against="outdoor",
    band=(BandPoint(high=5.0),),
)
WARM = Finding(
    kind="flow-above-curve",
    topic=Topic.OPERATION,
    title="The flow runs above the design curve",
    what="On 40 of 42 days the flow ran 6 K above the design curve.",
    plainly="The water in the heating runs hotter than planned.",
    confidence=Confidence.LIKELY,
    since=BEGAN,
    window_start=BEGAN,
    window_end=NOW,
    evidence=(FLOW, DAILY),
    effect=Effect(spf=0.3, low=0.2, high=0.4, kwh_year=420.0, money_year=105.0, currency="GBP"),
    at_stake=52.0,
    days_left=184,
    check=("Heating curve in the controller",),
    caution="Mains electricity is for licensed people.",
)


@pytest.fixture
def number(store) -> int:
    before = [kept.finding for kept in load_findings(store, SITE)]
    keep_findings(store, SITE, [*before, WARM], NOW)
    yield next(k.number for k in load_findings(store, SITE) if k.finding.kind == WARM.kind)
    keep_findings(store, SITE, before, NOW)


def test_the_page_says_what_shows_it_what_it_costs_and_what_to_check(store, installer, now, number):
    words = text(finding.layout(installer, store, SITE, number, now)).replace("\u00a0", " ")
    order = ["On 40 of 42 days", "Caution", "0.30 SPF", "£52.00 in the 184 days left"]
    order += ["Flow temperature", "Heating curve in the controller", "hotter than planned"]
    places = [words.index(one) for one in order]
    assert places == sorted(places)


def test_the_expectation_of_each_hour_follows_the_weather(store, installer, now):
    record = data.record(installer, store, SITE, now)
    shown = evidence.series(record, empty(BEHAVIOUR), record.days, WARM, FLOW)
    row = shown.known.drop_nulls("outdoor_c").row(10, named=True)
    share = (row["outdoor_c"] + 3.0) / 18.0
    assert row["low"] == pytest.approx(43.0 - share * 17.0)
    assert row["high"] == pytest.approx(47.0 - share * 17.0)
    assert shown.frame["time"].max() - shown.frame["time"].min() <= timedelta(days=21)


def test_a_band_that_is_open_on_one_side_reaches_to_the_edge(store, installer, now):
    record = data.record(installer, store, SITE, now)
    shown = evidence.series(record, empty(BEHAVIOUR), record.days, WARM, DAILY)
    assert shown.frame["low"].null_count() == shown.frame.height
    band = go.Figure(evidence.chart(shown).plain()).data[0]
    assert min(band.y) == 0.0
    assert max(band.y) == 5.0


def test_days_not_known_are_gaps_and_not_zeros(store, installer, now):
    record = data.record(installer, store, OTHER, now)
    begun = WARM.model_copy(update={"since": datetime(2025, 11, 10, tzinfo=UTC)})
    shown = evidence.series(record, empty(BEHAVIOUR), record.days, begun, DAILY)
    assert shown.frame["value"].null_count() >= 5
    assert (shown.known["value"] > 0).all()
    line = shown.evidence.model_copy(update={"against": "time"})
    chart = go.Figure(evidence.chart(evidence.Series(line, shown.frame)).plain())
    assert chart.data[-1].connectgaps is False
    assert None in chart.data[-1].y


def test_a_finding_of_another_site_is_not_there(store, installer, now, number):
    with pytest.raises(NotFoundError):
        finding.layout(installer, store, OTHER, number, now)
    with pytest.raises(NotFoundError):
        finding.take_note(installer, store, OTHER, number, "Seen.", now)


def test_a_homeowner_opens_no_finding_and_no_file_of_it(as_homeowner, number):
    assert as_homeowner.get(f"/site/{SITE}/finding/{number}").status_code == 404
    assert as_homeowner.get(f"/download/{SITE}/evidence-{number}-1.csv").status_code == 404


def test_the_data_behind_a_chart_can_be_had(as_installer, number):
    file = as_installer.get(f"/download/{SITE}/evidence-{number}-2.csv")
    assert file.status_code == 200
    assert file.get_data(as_text=True).startswith("time,")
    assert as_installer.get(f"/download/{SITE}/evidence-{number}-3.csv").status_code == 404
    assert as_installer.get(f"/download/{OTHER}/evidence-{number}-1.csv").status_code == 404


def test_a_note_is_kept_with_who_left_it(store, installer, now, number):
    said = finding.take_note(installer, store, SITE, number, "  Visit on Monday. ", now)
    assert f"Noted by {installer.email}: Visit on Monday." in text(said)


@pytest.mark.parametrize(
    ("spf", "low", "high", "kwh", "said"),
    [
        (0.41, 0.19, 0.66, 776.0, "0.41 SPF (0.19 to 0.66), 776 kWh a year"),
        (-0.08, -0.12, -0.05, 210.0,
         "210 kWh a year; the SPF is 0.08 higher for it (0.05 to 0.12)"),
        (-0.01, -0.18, 0.17, 515.0,
         "515 kWh a year; what it does to the SPF is open (−0.18 to +0.17)"),
        (-0.2, -0.22, -0.18, 0.0,
         "no electricity: the SPF is shown 0.20 too high (0.18 to 0.22)"),
        (0.3, 0.2, 0.4, 0.0, "no electricity: the SPF is shown 0.30 too low (0.20 to 0.40)"),
        (0.1, -0.1, 0.3, 0.0,
         "no electricity, and by how much the SPF shown is off is open (−0.10 to +0.30)"),
    ],
)  # fmt: skip
def test_what_a_finding_costs_is_said_the_right_way_round(spf, low, high, kwh, said):
    cost = Effect(spf=spf, low=low, high=high, kwh_year=kwh)
    told = findings_text.effect(WARM.model_copy(update={"effect": cost}))
    assert told.replace("\u00a0", " ") == said
