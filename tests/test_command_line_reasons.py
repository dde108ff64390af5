"""Commands about reasons, checks, cost and weather, as a person types them."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from monitor.schemas import SUSPECT, empty
from monitor.store import derived
from monitor.store.changes import pending
from monitor.store.connection import open_store
from monitor.store.sites import save_site
from tests.ingest.test_weather_file import HEADER, epw_hours
from tests.monitor.linear_home import FIRST, Home, frames_of, site_of
from tests.test_command_line import Shell

HOT = Home(flow_above_k=8.0)


@pytest.fixture
def shell(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Shell:
    """A store with one home whose flow is too hot."""
    made = Shell(tmp_path, capsys, monkeypatch)
    made.json("init")
    site = site_of(
        HOT,
        3.2,
        tariff=[{"valid_from": FIRST, "price_per_kwh": 0.3}],
        boiler={
            "fuel": "gas",
            "installed": 2005,
            "fuel_tariff": [{"valid_from": FIRST, "price_per_kwh": 0.07}],
        },
        carbon=[
            {
                "valid_from": FIRST,
                "electricity_kg_per_kwh": 0.2,
                "fuel_kg_per_kwh": 0.18,
                "source": "invented",
            }
        ],
    )
    agreed = site.terms[0].model_copy(
        update={"conditions": ("Rooms up to 21 degC.", "Filters cleaned each year.")}
    )
    site = site.model_copy(update={"terms": (agreed,)})
    with open_store(tmp_path / "fleet.duckdb") as opened:
        save_site(opened, site, datetime(2024, 7, 1, tzinfo=UTC))
        slots, states = frames_of(HOT)
        beginning = datetime(1970, 1, 1, tzinfo=UTC)
        derived.replace_derived(
            opened, site.id, beginning, slots, states, empty(SUSPECT),
            known=pending(opened, site.id),
        )  # fmt: skip
    made.site = site.id  # type: ignore[attr-defined]
    return made


def test_the_shortfall_names_its_biggest_cause_and_adds_up(shell: Shell) -> None:
    found = shell.json("shortfall", "--site", shell.site)
    shares = found["shortfall"]["shares"]
    assert shares[0]["cause"] == "flow_temperature"
    told = sum(share["spf"] for share in shares if share["spf"] is not None)
    assert told == pytest.approx(found["shortfall"]["gap_spf"], abs=1e-9)
    assert found["model"]["heat"]["cv_rmse"] < 0.1
    _, out, _ = shell.run("shortfall")
    assert "most is taken by the flow temperature" in out
    assert "95 % interval" in out


def test_the_checks_say_what_was_found_and_what_was_not_looked_at(shell: Shell) -> None:
    found = shell.json("checks", "--site", shell.site)["plausibility"]
    assert len(found["doubts"]) + len(found["in_order"]) + len(found["not_measurable"]) == 5
    _, out, _ = shell.run("checks", "--site", shell.site)
    assert "not checked" in out


def test_the_cost_is_set_against_the_former_boiler_with_bounds(shell: Shell) -> None:
    found = shell.json("cost", "--site", shell.site)
    saved = found["comparison"]["saved"]
    assert saved["low"] < saved["best"] < saved["high"]
    heat, used = found["comparison"]["heat_kwh"], found["comparison"]["electricity_kwh"]
    # Eighteen years old in 2023: 85 % less 9 points, common practice.
    age = 2023 - 2005 if FIRST.year == 2023 else 0
    best = heat / (0.85 - 0.005 * age) * 0.07 - used * 0.3
    assert saved["best"] == pytest.approx(best)
    _, out, _ = shell.run("cost", "--site", shell.site)
    assert "Remedy by the terms" in out
    assert "CO₂e" in out


def test_an_exclusion_may_cite_a_condition_of_the_terms(shell: Shell) -> None:
    words = ("exclude", "add", "--site", shell.site, "--from", "2024-01-05", "--to", "2024-01-08",
             "--reason", "house heated to 25 degC", "--by", "R. Vane")  # fmt: skip
    code, _, err = shell.run(*words, "--condition", "3")
    assert code == 2
    assert "have 2 conditions; there is no number 3" in err
    shell.json(*words, "--condition", "1")
    (listed,) = shell.json("exclude", "list", "--site", shell.site)
    assert listed["condition"] == "Rooms up to 21 degC."


def test_a_weather_file_is_taken_in_with_every_hour_accounted_for(shell: Shell) -> None:
    lines = HEADER + epw_hours(date(2023, 1, 1), 365)
    lines[20] = lines[20].replace("2023,", "20x3,", 1)
    (shell.folder / "place.epw").write_text("\n".join(lines) + "\n")
    found = shell.json("weather", "add", "place.epw", "--series", "valley")
    assert (found["hours"], found["wrong_lines"], found["days"]) == (8760, 1, 365)
    assert found["accepted"] == 365
    again = shell.json("weather", "add", "place.epw", "--series", "valley")
    assert (again["accepted"], again["duplicates"]) == (0, 365)
    (row,) = shell.json("weather", "list")
    assert row["series"] == "valley"
    assert row["real_days"] == 365
    _, out, _ = shell.run("weather", "add", "place.epw", "--series", "valley")
    assert "365 days = 0 accepted + 365 duplicates + 0 conflicts" in out


def test_a_name_that_no_site_could_use_is_refused(shell: Shell) -> None:
    (shell.folder / "place.epw").write_text("\n".join(HEADER + epw_hours(date(2023, 1, 1), 2)))
    code, _, err = shell.run("weather", "add", "place.epw", "--series", "../valley")
    assert code == 2
    assert "cannot name a series" in err
