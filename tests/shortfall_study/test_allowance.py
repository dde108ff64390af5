"""The study of the weather allowance in small, and its published result."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.shortfall_study import allowance, run


@pytest.mark.xdist_group("shortfall")
def test_a_year_lived_again_in_the_reference_climate_is_what_the_allowance_finds(
    tmp_path: Path,
) -> None:
    found = allowance.move_one(0, tmp_path)
    assert found.told
    assert found.colder_k > 3.0
    # A winter 3.6 K too cold: the allowance finds most of what it costs.
    assert found.true - 1.0 > 0.04
    assert abs(found.found - found.true) < 0.3 * (found.true - 1.0)


def test_training_and_study_share_no_year() -> None:
    assert not set(run.TRAINING) & set(allowance.STUDY)


def test_the_page_says_what_the_study_found() -> None:
    told = json.loads((run.DOCS / "allowance-study.json").read_text())
    assert told["site_years"] == len(allowance.STUDY)
    assert told["first_seed"] == allowance.STUDY[0]
    assert told["all"]["inside_95"] >= 0.90
    assert told["all"]["rms_error"] < 0.5 * told["all"]["rms_without"]
    page = (run.DOCS / "weather-allowance.md").read_text()
    assert f"simulates {told['site_years']} years" in page
    for part in (told["all"], told["without_backup_heater"], told["with_backup_heater"]):
        row = f"| {part['years']} | {part['rms_without']:.1%} | {part['rms_error']:.1%} |"
        assert row.replace("%", " %") in page
        assert f"| {part['inside_95']:.0%} |".replace("%", " %") in page
