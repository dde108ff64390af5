"""The commands as a person types them: results, sentences and exit codes."""

from __future__ import annotations

import io
import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from dashboard.cli import main
from monitor.store import cases
from monitor.store.connection import open_store

SITE = """
id = "mill-lane-1"
name = "1 Mill Lane"
zone = "UTC"
commissioned = 2024-01-01

[heat_pump]
nominal_heat_kw = 8.0
immersion_heater = true

[[meter]]
serial = "H1"
measures = "heat"
fitted = 2024-01-01T00:00:00
channel = [{ role = "heat_total", kind = "register" }]

[[meter]]
serial = "E1"
measures = "electricity"
fitted = 2024-01-01T00:00:00
channel = [{ role = "elec_unit", kind = "register" }]

[[terms]]
signed = 2023-12-01
promised_spf = 2.9
boundary = "H2"
start = 2024-01-10
months = 1

[[tariff]]
valid_from = 2024-01-01
price_per_kwh = 0.30
"""

PROFILE = """
name = "logger"
format = "delimited"
zone = "UTC"

[delimited]
time = "time"

[[column]]
column = "heat"
role = "heat_total"
kind = "register"
unit = "kWh"

[[column]]
column = "unit"
role = "elec_unit"
kind = "register"
unit = "kWh"
"""


class Shell:
    """A folder with a store, in which commands are typed."""

    def __init__(
        self, folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        self.folder, self.capsys, self.monkeypatch = folder, capsys, monkeypatch
        (folder / "site.toml").write_text(SITE)
        (folder / "profile.toml").write_text(PROFILE)
        start = datetime(2024, 1, 10, tzinfo=UTC)
        lines = ["time,heat,unit"] + [
            f"{start + timedelta(hours=h):%Y-%m-%dT%H:%M:%SZ},{100 + 3 * h},{30 + h}"
            for h in range(31 * 24 + 1)
        ]
        lines[50] = lines[50].rsplit(",", 1)[0] + ",Err"
        (folder / "export.csv").write_text("\n".join(lines) + "\n")

    def run(self, *words: str) -> tuple[int, str, str]:
        self.monkeypatch.setattr(sys, "argv", ["pledgewatt", *words])
        self.monkeypatch.setenv("PLEDGEWATT_STORE", str(self.folder / "fleet.duckdb"))
        self.monkeypatch.chdir(self.folder)
        with pytest.raises(SystemExit) as ended:
            main()
        told = self.capsys.readouterr()
        return int(ended.value.code or 0), told.out, told.err

    def json(self, *words: str) -> Any:
        code, out, err = self.run(*words, "--json")
        assert (code, err) == (0, "")
        return json.loads(out)

    def filled(self) -> Shell:
        self.json("init")
        self.json("site", "add", "site.toml")
        self.json("import", "export.csv", "--site", "mill-lane-1", "--profile", "profile.toml")
        return self


@pytest.fixture
def shell(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Shell:
    return Shell(tmp_path, capsys, monkeypatch)


def test_a_store_is_made_once(shell: Shell) -> None:
    assert shell.json("init")["created"] is True
    assert shell.json("init")["created"] is False


def test_an_import_prints_the_accounting_identity(shell: Shell) -> None:
    shell.json("init")
    added = shell.json("site", "add", "site.toml")
    assert added["measurable_boundaries"] == ["H2"]
    code, out, _ = shell.run(
        "import", "export.csv", "--site", "mill-lane-1", "--profile", "profile.toml"
    )
    assert code == 0
    assert (
        "1,490 readings read = 1,489 accepted + 0 duplicates + 0 conflicts + 1 quarantined" in out
    )


def test_the_same_file_again_changes_nothing_and_says_so(shell: Shell) -> None:
    shell.filled()
    words = ("import", "export.csv", "--site", "mill-lane-1", "--profile", "profile.toml")
    (report,) = shell.json(*words)["imports"]
    assert report["already_imported"] is True
    assert report["rows_read"] == 0
    assert "already imported" in shell.run(*words)[1]
    assert len(shell.json("imports")) == 1


def test_spf_of_a_window_ends_before_the_day_of_to(shell: Shell) -> None:
    shell.filled()
    got = shell.json("spf", "--site", "mill-lane-1", "--from", "2024-01-20", "--to", "2024-01-22")
    assert got["spf"] == pytest.approx(3.0)
    assert got["heat_kwh"] == pytest.approx(144)
    assert got["electricity_kwh"] == pytest.approx(48)
    assert got["boundary"] == "H2"
    assert got["hours"] == {"total": 48, "measured": 48, "bridged": 0, "missing": 0}
    assert got["coverage"] == 1.0
    assert got["u_spf"] == pytest.approx(sum(line["u_spf"] ** 2 for line in got["budget"]) ** 0.5)


def test_standing_says_promise_probability_coverage_and_word(shell: Shell) -> None:
    shell.filled()
    one = shell.json("standing", "--site", "mill-lane-1")
    assert shell.json("standing")[0]["site"] == one["site"] == "mill-lane-1"
    assert (one["promise"], one["standing"]) == (2.9, "on course")
    assert one["spf"] == pytest.approx(3.0)
    assert 0.8 < one["probability"] < 1
    assert one["settlement"] == "kept"


def test_quarantine_names_file_line_column_and_reason(shell: Shell) -> None:
    shell.filled()
    (row,) = shell.json("quarantine", "--site", "mill-lane-1")
    assert (row["file_name"], row["line"], row["source_column"]) == ("export.csv", 51, "unit")
    assert "Err" in row["raw"] + row["reason"]


def test_usual_periods_and_rolling_windows_carry_hours_and_uncertainty(shell: Shell) -> None:
    shell.filled()
    usual = {row["period"]: row for row in shell.json("periods", "--site", "mill-lane-1")}
    assert {
        "guarantee period",
        "last 7 days on record",
        "last 30 days on record",
        "January 2024",
    } <= set(usual)
    assert usual["last 7 days on record"]["spf"] == pytest.approx(3.0)
    assert usual["last 7 days on record"]["hours"]["measured"] == 7 * 24
    week = shell.json("rolling", "--site", "mill-lane-1", "--days", "7")
    assert week[-1]["spf"] == pytest.approx(usual["last 7 days on record"]["spf"])
    assert week[-1]["u_spf"] == pytest.approx(usual["last 7 days on record"]["u_spf"])
    assert week[-1]["last_day"] == "2024-02-09"
    assert all(
        row["hours_measured"] + row["hours_bridged"] + row["hours_missing"] == 7 * 24
        for row in week
    )


def test_a_bad_file_does_not_stop_the_good_one_beside_it(shell: Shell) -> None:
    shell.json("init")
    shell.json("site", "add", "site.toml")
    (shell.folder / "broken.csv").write_bytes(b"\x00\xff\n")
    code, out, err = shell.run(
        "import",
        "broken.csv",
        "export.csv",
        "--site",
        "mill-lane-1",
        "--profile",
        "profile.toml",
        "--json",
    )
    document = json.loads(out)
    assert code == 2
    assert [report["accepted"] for report in document["imports"]] == [1489]
    assert "broken.csv" in err
    assert "Traceback" not in err


@pytest.mark.parametrize(
    ("words", "code", "sentence"),
    [
        (("site", "list", "--store", "none.duckdb"), 3, "There is no store at none.duckdb"),
        (("spf", "--site", "x", "--from", "2024-01-01", "--to", "2024-01-02"), 3, "no site 'x'"),
        (
            ("spf", "--site", "mill-lane-1", "--from", "2024-01-02", "--to", "2024-01-02"),
            2,
            "must be after",
        ),
        (
            [
                "spf",
                "--site",
                "mill-lane-1",
                "--from",
                "2024-01-11",
                "--to",
                "2024-01-12",
                "--boundary",
                "H4",
            ],
            5,
            "cannot measure boundary H4",
        ),
        (("site", "add", "absent.toml"), 2, "no site file at absent.toml"),
        (("settle", "--site", "x"), 3, "no site 'x'"),
    ],
)
def test_errors_are_sentences_with_documented_codes(
    shell: Shell, words: tuple[str, ...], code: int, sentence: str
) -> None:
    shell.filled()
    got, out, err = shell.run(*words, "--json")
    assert (got, out) == (code, "")
    assert sentence in err
    assert "Traceback" not in err


def test_a_slip_of_the_pen_in_a_site_file_names_file_key_and_why(shell: Shell) -> None:
    shell.json("init")
    (shell.folder / "slip.toml").write_text(SITE.replace("nominal_heat_kw", "nominal_heat_KW"))
    code, _, err = shell.run("site", "add", "slip.toml")
    assert code == 2
    assert "slip.toml is not a usable site file" in err
    assert "heat_pump.nominal_heat_KW: this key is not known" in err
    assert "heat_pump.nominal_heat_kw: this key is required and missing" in err


def test_a_promise_that_the_meters_cannot_measure_is_refused(shell: Shell) -> None:
    shell.json("init")
    (shell.folder / "h4.toml").write_text(SITE.replace('boundary = "H2"', 'boundary = "H4"'))
    code, _, err = shell.run("site", "add", "h4.toml")
    assert code == 5
    assert "They can measure H2" in err
    assert shell.json("site", "list") == []


def test_exclusions_show_the_figure_with_and_without_and_settle_the_rest(shell: Shell) -> None:
    shell.filled()
    words = ("--from", "2024-01-15T00:00", "--to", "2024-01-16T00:00")
    told = shell.json(
        "exclude", "add", "--site", "mill-lane-1", *words, "--reason", "power cut", "--by", "Vane"
    )
    assert told["excluded_hours"] == 24
    window = ("spf", "--site", "mill-lane-1", "--from", "2024-01-15", "--to", "2024-01-17")
    assert shell.json(*window)["hours"]["total"] == 24
    assert shell.json(*window)["excluded_hours"] == 24
    assert shell.json(*window, "--all-hours")["hours"]["total"] == 48
    settled = shell.json("settle", "--site", "mill-lane-1")
    assert settled["decision"] == "kept"
    assert settled["account"]["hours"]["total"] == 30 * 24
    shell.json("exclude", "withdraw", "1", "--site", "mill-lane-1", "--by", "Vane")
    assert shell.json("exclude", "list", "--site", "mill-lane-1") == []
    again = shell.json("settle", "--site", "mill-lane-1")
    assert again["input_hash"] != settled["input_hash"]
    assert len(shell.json("settlements")) == 2


def test_refreshing_from_scratch_changes_no_figure(shell: Shell) -> None:
    shell.filled()
    window = ("spf", "--site", "mill-lane-1", "--from", "2024-01-10", "--to", "2024-02-10")
    before = shell.json(*window)
    shell.json("refresh", "--full")
    assert shell.json(*window) == before


def test_people_are_added_given_passwords_and_removed(
    shell: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    shell.filled()
    monkeypatch.setattr(sys, "stdin", io.StringIO("nine green bottles\n"))
    words = ("--name", "Ann", "--role", "homeowner", "--site", "mill-lane-1")
    added = shell.json("users", "add", "ann@home.example", *words)
    assert added["sites"] == ["mill-lane-1"]
    monkeypatch.setattr(sys, "stdin", io.StringIO("ten green bottles\n"))
    shell.json("users", "password", "ann@home.example")
    assert [u["email"] for u in shell.json("users", "list")] == ["ann@home.example"]
    shell.json("users", "remove", "ann@home.example")
    assert shell.json("users", "list") == []
    assert shell.run("users", "remove", "ann@home.example")[0] == 3


def test_prices_by_the_hour_are_imported_once(shell: Shell) -> None:
    shell.filled()
    (shell.folder / "prices.csv").write_text(
        "time,price\n2024-01-10T00:00:00Z,0.10\n2024-01-10T01:00:00Z,0.20\n"
    )
    first = shell.json("prices", "add", "prices.csv", "--series", "night")
    assert (first["rows_read"], first["accepted"]) == (2, 2)
    again = shell.json("prices", "add", "prices.csv", "--series", "night")
    assert (again["accepted"], again["duplicates"]) == (0, 2)
    assert shell.json("prices", "list")[0]["series"] == "night"


def test_a_small_demo_is_built_through_the_ordinary_adapters(shell: Shell) -> None:
    words = ("--no-serve", "--months", "1", "--end", "2026-03-01", "--store", "d.db")
    code, out, err = shell.run("demo", *words, "--json")
    assert code == 0
    made = json.loads(out)
    assert made["readings"] > 100_000
    seen = [person["sees"] for person in made["sign_ins"]]
    assert sum("claims" in sees for sees in seen) == 2, "it takes two to settle"
    with open_store(shell.folder / "d.db") as store:
        claims = cases.load_claims(store)
    assert [claim.is_open for claim in claims] == [True, True]
    assert "Importing exports" in err  # progress does not disturb the document
    code, out, _ = shell.run("standing", "--store", "d.db", "--json")
    assert code == 0
    assert len(json.loads(out)) >= 12
