"""The calibration study in small, and its published result."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from dataclasses import asdict
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest

from tests.calibration import run
from tests.calibration.homes import draw, hourly
from tests.calibration.plot import calibration_svg
from tests.calibration.record import after_months, record

SEEDS = (200_001, 200_002, 200_003)


@pytest.fixture(scope="module")
def frame(tmp_path_factory: pytest.TempPathFactory) -> pl.DataFrame:
    before = run.CACHE
    run.CACHE = tmp_path_factory.mktemp("years")
    try:
        return pl.DataFrame([asdict(r) for seed in SEEDS for r in run.study_one(seed)])
    finally:
        run.CACHE = before


@pytest.mark.xdist_group("calibration")
def test_a_small_study_forecasts_every_month_and_is_not_far_off(frame: pl.DataFrame) -> None:
    assert set(frame["months"]) == set(run.MONTHS)
    error = (frame["median"] / frame["true"] - 1.0).abs()
    assert error.max() < 0.25
    assert frame["in_90"].mean() > 0.6
    late = frame.filter(pl.col("months") == 11)
    assert (late["width_90"] < 0.2 * late["true"]).all()


@pytest.mark.xdist_group("calibration")
def test_the_picture_is_valid_svg_with_a_line_for_each_forecast(frame: pl.DataFrame) -> None:
    picture = ET.fromstring(calibration_svg(frame, run.table(frame)))
    lines = picture.findall("{http://www.w3.org/2000/svg}polyline")
    assert len(lines) == 2 * len(run.MONTHS) + 2 * 3


def test_training_and_study_share_no_site_year() -> None:
    assert not set(run.TRAINING) & set(run.STUDY)
    assert len(run.STUDY) >= 300


def test_meters_of_a_site_year_err_within_their_limits_and_hide_the_truth(tmp_path: Path) -> None:
    seed = next(s for s in range(300_000, 300_100) if draw(s).registers)
    year = draw(seed)
    true, known = hourly(year, tmp_path), record(year, tmp_path)
    heat = known.slots.filter(pl.col("role") == "heat_total").unique("block_start_utc")
    ratio = heat["block_kwh"].sum() / (true["space"] + true["dhw"]).sum()
    assert abs(ratio - 1.0) < 0.0544 / (1 - 0.0544)
    assert ratio != pytest.approx(1.0, abs=1e-6)


def test_what_is_kept_on_disk_is_what_was_simulated(tmp_path: Path) -> None:
    year = draw(300_200)
    first, again = hourly(year, tmp_path), hourly(year, tmp_path)
    for name, values in first.items():
        np.testing.assert_allclose(again[name], values, rtol=1e-6, atol=1e-6)
    assert after_months(year, 12).astimezone(ZoneInfo(year.home.zone)).date() == year.end


def test_the_published_result_keeps_what_the_outlook_claims() -> None:
    told = json.loads((run.DOCS / "outlook-calibration.json").read_text())
    assert told["site_years"] >= 300
    assert told["first_seed"] == run.STUDY[0]
    assert [row["months"] for row in told["by_month"]] == list(run.MONTHS)
    pooled = told["pooled"]
    assert 0.87 <= pooled["held_by_90"] <= 0.93
    assert 0.45 <= pooled["held_by_50"] <= 0.55
    for row in told["by_month"]:
        assert 0.87 <= row["held_by_90"] <= 0.93
        assert 0.45 <= row["held_by_50"] <= 0.55
        assert row["crps"] < row["crps_carried"]
        assert row["crps"] < row["crps_degree_days"]
