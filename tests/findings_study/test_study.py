"""The findings study in small, and its published result."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from monitor.findings.registry import findings
from tests.findings_study import run
from tests.findings_study.also_true import ALSO_TRUE
from tests.findings_study.cases import lived
from tests.findings_study.evaluate import Result
from tests.findings_study.kinds import HEALTHY, KINDS, TROUBLES
from tests.findings_study.look import derived, look
from tests.findings_study.score import summary
from tests.findings_study.tables import BEGIN, END, PRECISION, RECALL, tables

#: Share of middle and strong troubles found within two weeks of enough data, below which a
#: published study is a step back.
LEAST_IN_TIME = 0.85


@pytest.fixture(scope="module")
def told() -> dict[str, Any]:
    read: dict[str, Any] = json.loads((run.DOCS / "findings-study.json").read_text())
    return read


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("years")


def test_the_published_study_finds_what_it_should(told: dict[str, Any]) -> None:
    assert told["recall"]["middle"] >= RECALL
    assert told["recall"]["strong"] >= told["recall"]["weak"]
    in_time = told["within_14_days_of_enough"]
    assert min(in_time["middle"], in_time["strong"]) >= LEAST_IN_TIME


def test_the_page_says_plainly_whether_the_goal_for_precision_is_reached(
    told: dict[str, Any],
) -> None:
    assert told["precision"] >= PRECISION
    word = "reached" if told["precision"] >= PRECISION else "not reached yet"
    assert f"(goal 95 %: {word})" in (run.DOCS / "findings-study.md").read_text()


def test_the_published_study_has_every_kind_at_every_strength(told: dict[str, Any]) -> None:
    assert told["first_seed"] >= 5000
    assert {row["kind"] for row in told["by_kind"]} == set(TROUBLES)
    for row in told["by_kind"]:
        for strength, years in run.YEARS.items():
            assert row[strength]["years"] >= years
    assert set(told["healthy"]["by_kind"]) == set(HEALTHY)
    assert min(told["healthy"]["by_kind"].values()) >= run.HEALTHY_YEARS


def test_the_page_shows_the_published_study(told: dict[str, Any]) -> None:
    page = (run.DOCS / "findings-study.md").read_text()
    between = page.split(BEGIN)[1].split(END)[0]
    assert between.strip() == tables(told)


def test_study_and_training_share_no_seed_and_no_two_years_share_one() -> None:
    wanted = list(run.jobs(list(KINDS), run.FIRST_SEED, None))
    seeds = [seed for _, _, seed in wanted]
    assert len(set(seeds)) == len(seeds)
    training = [s for _, _, s in run.jobs(list(KINDS), run.TRAINING_SEED, None)]
    assert max(training) < 1000 <= min(seeds)


def test_what_else_is_true_is_said_of_known_homes_with_a_reason() -> None:
    assert set(ALSO_TRUE) <= set(KINDS)
    for kind, also in ALSO_TRUE.items():
        assert all(also.values()), kind
        assert not set(also) & set(KINDS[kind].expected), kind


def test_a_year_is_false_where_a_finding_is_neither_planted_nor_a_consequence() -> None:
    results = [
        Result("healthy", "middle", 1, (), seen={"low-flow": 30}, false=("low-flow",)),
        Result(
            "standby-high", "middle", 2, ("standby-high",), 9, 2, "standby-high",
            seen={"standby-high": 60, "low-flow": 90}, false=("low-flow",),
            spf=0.3, spf_true=0.25, kwh_year=900.0, kwh_year_true=1000.0,
        ),
        Result("standby-high", "weak", 3, ("standby-high",)),
    ]  # fmt: skip
    found = summary(results)
    assert found["precision"] == pytest.approx(1 / 3, abs=1e-4)
    assert found["recall"] == {"weak": 0.0, "middle": 1.0, "strong": None}
    assert found["within_14_days_of_enough"] == {"weak": 0.0, "middle": 1.0}
    assert found["healthy"]["with_a_false_finding"] == 1
    row = found["by_kind"][0]
    assert row["error_spf"] == pytest.approx(0.2)
    assert row["error_kwh"] == pytest.approx(0.1)
    keys = {r["finding"]: r for r in found["by_finding"]}
    assert keys["low-flow"]["false_at"] == {"healthy": 1, "standby-high": 1}
    assert keys["standby-high"]["precision"] == 1.0


@pytest.mark.xdist_group("findings")
def test_a_heat_meter_that_dies_in_winter_is_found_within_two_weeks(cache: Path) -> None:
    year = lived("electricity-without-heat", "strong", 90_001, cache)
    whole = derived(year)
    before = look(year, year.begins, with_assessment=False, known=whole)
    assert not {f.kind for f in findings(before)} & set(year.expected)
    at = year.begins + timedelta(days=14)
    after = look(year, at, with_assessment=False, known=whole)
    assert {f.kind for f in findings(after)} & set(year.expected)
    assert after.slots.filter(pl.col("block_end_utc") > at).is_empty()


@pytest.mark.xdist_group("findings")
def test_a_home_with_coarse_registers_and_no_sensors_gets_no_finding(cache: Path) -> None:
    year = lived("coarse-hourly", "middle", 90_004, cache)
    at = year.begins + timedelta(days=200)
    assert [f.kind for f in findings(look(year, at))] == []


@pytest.mark.xdist_group("findings")
def test_truth_of_a_year_is_the_same_home_without_its_trouble(cache: Path) -> None:
    year = lived("standby-high", "middle", 90_003, cache)
    daily = year.truth["daily"]
    begin = year.begins.astimezone(year.site.tz).date()
    before, after = daily.filter(pl.col("day") < begin), daily.filter(pl.col("day") >= begin)
    more = (after["electricity"] - after["electricity_sound"]).mean()
    assert more == pytest.approx(24 * year.truth["size"], rel=1e-3)
    assert before["electricity"].to_list() == before["electricity_sound"].to_list()
    terms = year.site.current_terms
    assert terms is not None
    assert year.truth["spf"] < year.truth["spf_sound"]
    assert 0.0 <= year.truth["spf_sound"] - terms.promised_spf < 0.2
