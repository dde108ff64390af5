"""Tables of the study's page, written between markers; the prose about them is by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

#: Goals: share of findings that are true, and of middle troubles that are found.
PRECISION, RECALL = 0.95, 0.90

BEGIN, END = "<!-- tables: written by python -m tests.findings_study -->", "<!-- end of tables -->"


def _percent(share: float | None) -> str:
    return "–" if share is None else f"{share:.0%}".replace("%", " %")


def _of(part: dict[str, int]) -> str:
    return f"{part['found']} of {part['years']}"


def _held(row: dict[str, Any]) -> str:
    return f"{row['effects_held']} of {row['effects']}" if row["effects"] else "–"


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.0f}"


def _reached(share: float | None, goal: float) -> str:
    word = "reached" if share is not None and share >= goal else "not reached yet"
    return f" (goal {_percent(goal)}: {word})"


def tables(told: dict[str, Any]) -> str:
    """Markdown tables of a study's result."""
    fine = told["healthy"]
    lines = [
        "| what | figure |",
        "| --- | --- |",
        f"| site-years | {told['site_years']} |",
        f"| findings that were true | {_percent(told['precision'])}"
        f"{_reached(told['precision'], PRECISION)} |",
        *(
            f"| {s} troubles found | {_percent(share)}"
            f"{_reached(share, RECALL) if s == 'middle' else ''} |"
            for s, share in told["recall"].items()
        ),
        *(
            f"| {s} troubles found within two weeks of enough data | {_percent(share)} |"
            for s, share in told["within_14_days_of_enough"].items()
        ),
        f"| troubles found within two weeks of their beginning | "
        f"{_percent(told['within_14_days'])} |",
        f"| days until found, median and 90 % | {_number(told['median_days'])}, "
        f"{_number(told['days_90'])} |",
        f"| effects on the SPF whose stated 95 % interval holds the truth | "
        f"{_percent(told['effects_held'])} of {told['effects']} |",
        f"| healthy homes with any false finding | {fine['with_a_false_finding']} of "
        f"{fine['site_years']} |",
        "",
        "| planted | weak | middle | strong | days until found (median, 90 %) | in time | "
        "error of effect (SPF, kWh) | interval holds it | years with a false finding |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    lines += [
        f"| {row['kind']} | {_of(row['weak'])} | {_of(row['middle'])} | {_of(row['strong'])} | "
        f"{_number(row['median_days'])}, {_number(row['days_90'])} | {row['in_time']} | "
        f"{_percent(row['error_spf'])}, {_percent(row['error_kwh'])} | "
        f"{_held(row)} | {row['years_with_false']} |"
        for row in told["by_kind"]
    ]
    lines += [
        "",
        "| finding | true | false | precision | false at |",
        "| --- | --- | --- | --- | --- |",
    ]
    lines += [
        f"| {row['finding']} | {row['true']} | {row['false']} | {_percent(row['precision'])} | "
        f"{', '.join(f'{kind} ({n})' for kind, n in row['false_at'].items())} |"
        for row in told["by_finding"]
    ]
    return "\n".join(lines)


def write_tables(page: Path, told: dict[str, Any]) -> None:
    """Put the tables between the page's markers."""
    before, rest = page.read_text(encoding="utf-8").split(BEGIN)
    after = rest.split(END)[1]
    page.write_text(f"{before}{BEGIN}\n\n{tables(told)}\n\n{END}{after}", encoding="utf-8")
