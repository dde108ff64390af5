"""The shortfall study in small, and its published result."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from tests.shortfall_study import run
from tests.shortfall_study.homes import PLANTED, draw, hourly, spf, truth
from tests.shortfall_study.record import record

#: One of each of these kinds: flow temperature, standby, unit.
SEEDS = (80_001, 80_005, 80_006)


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("years")


@pytest.mark.xdist_group("shortfall")
def test_a_small_study_adds_up_and_tabulates(cache: Path) -> None:
    frame = pl.DataFrame([asdict(run.study_one(s, cache)) for s in SEEDS])
    assert frame["adds_up"].abs().max() < 1e-9
    told = run.summary(frame)
    assert sum(row["years"] for row in told["confusion"]) == told["judged"]
    assert told["judged"] >= 1
    assert frame["unexplained"].abs().max() < 0.1


@pytest.mark.xdist_group("shortfall")
def test_what_the_causes_cost_makes_up_the_gap_between_promise_and_truth(cache: Path) -> None:
    case = draw(SEEDS[0])
    known = truth(case, cache)
    measured = spf(case, frozenset({"weather", *case.planted}), cache)
    assert sum(known.cost.values()) == pytest.approx(known.promise - measured, abs=1e-9)
    assert known.cost[known.biggest] == max(known.cost.values())


@pytest.mark.xdist_group("shortfall")
def test_meters_of_a_case_err_a_little_and_its_low_heat_meter_much(cache: Path) -> None:
    case = draw(SEEDS[0])
    true = hourly(case, frozenset({"weather", *case.planted}), cache)
    heat = (true["space"] + true["dhw"]).sum()
    shown = record(case, 3.0, cache)[1].filter(pl.col("role") == "heat_total")["kwh"].sum()
    lost = case.lost_share
    assert shown / heat == pytest.approx(1.0, abs=0.06 + 2 * lost)
    low = replace(case, planted=("metering",))
    before = hourly(low, frozenset({"weather"}), cache)
    shown = record(low, 3.0, cache)[1].filter(pl.col("role") == "heat_total")["kwh"].sum()
    share = shown / (before["space"] + before["dhw"]).sum()
    assert share == pytest.approx(1.0 - case.size["metering"], abs=0.06 + 2 * lost)


def test_every_kind_of_cause_is_planted_in_turn() -> None:
    assert {draw(s).planted[0] for s in range(100, 100 + len(PLANTED))} == set(PLANTED)
    assert any(len(draw(s).planted) > 1 for s in range(100, 130))


def test_training_and_study_share_no_site_year() -> None:
    assert not set(run.TRAINING) & set(run.STUDY)
    assert len(run.STUDY) >= 60


def test_the_published_result_keeps_what_the_shortfall_claims() -> None:
    told = json.loads((run.DOCS / "shortfall-study.json").read_text())
    assert told["site_years"] == len(run.STUDY)
    assert told["first_seed"] == run.STUDY[0]
    assert told["judged"] >= 60
    assert told["named_rightly_where_measurable"] >= 0.90
    assert told["largest_remainder"] < 1e-9
    assert sum(row["years"] for row in told["confusion"]) == told["judged"]
    assert np.mean([row["inside_95"] for row in told["by_cause"]]) >= 0.85


def test_the_page_says_what_the_study_found() -> None:
    told = json.loads((run.DOCS / "shortfall-study.json").read_text())
    page = (run.DOCS / "shortfall.md").read_text()
    measurable = told["judged"] - told["not_measurable"]
    assert f"simulates {told['site_years']} site-years" in page
    assert f"| all {told['judged']} years | {told['named_rightly']:.0%}".replace("%", " %") in page
    row = f"the {measurable} years in which the true cause can be measured | "
    assert f"{row}{told['named_rightly_where_measurable']:.0%}".replace("%", " %") in page
    for cause in told["by_cause"]:
        rate = f"| {cause['years']} | {cause['named_rightly']:.0%}".replace("%", " %")
        assert f"{rate} | {cause['mean_cost']:.2f} |" in page
