"""Every function that computes a figure says in docs/checks.md what it is held against."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PAGE = ROOT / "docs" / "checks.md"
PACKAGES = ("monitor/metrics", "monitor/guarantee")

#: The parts of the page: rows of figures, and rows of functions that compute none.
FIGURES, OTHERS = "## Figures", "## Functions that compute no figure"


def public_functions() -> Iterator[str]:
    """`module.function` and `module.Class.method` of everything that has a public name."""
    for package in PACKAGES:
        for path in sorted((ROOT / package).glob("*.py")):
            for node in ast.parse(path.read_text()).body:
                if isinstance(node, ast.FunctionDef):
                    inner = [node.name]
                elif isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                    inner = [
                        f"{node.name}.{item.name}"
                        for item in node.body
                        if isinstance(item, ast.FunctionDef)
                    ]
                else:
                    continue
                yield from (
                    f"{path.stem}.{name}"
                    for name in inner
                    if not name.rpartition(".")[2].startswith("_")
                )


def rows(heading: str) -> list[list[str]]:
    """Cells of the table rows under a heading, up to the next heading of its level."""
    part = PAGE.read_text().split(f"\n{heading}\n", 1)[1].split("\n## ", 1)[0]
    lines = [line for line in part.splitlines() if line.startswith("| `")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def names(heading: str) -> list[str]:
    return [name for row in rows(heading) for name in re.findall(r"`([^`]+)`", row[0])]


def test_every_public_function_is_on_the_page_once() -> None:
    listed = names(FIGURES) + names(OTHERS)
    assert sorted(listed) == sorted(set(listed))
    assert set(public_functions()) - set(listed) == set()


def test_the_page_names_no_function_that_is_gone() -> None:
    assert set(names(FIGURES) + names(OTHERS)) - set(public_functions()) == set()


@pytest.mark.parametrize("row", rows(FIGURES), ids=lambda row: row[0])
def test_every_figure_names_its_source_and_tests_that_are_there(row: list[str]) -> None:
    _, source, sure, files = row
    assert source
    assert sure
    found = re.findall(r"`([^`]+)`", files)
    assert found
    assert [name for name in found if not (ROOT / "tests" / name).exists()] == []


@pytest.mark.parametrize("row", rows(OTHERS), ids=lambda row: row[0])
def test_every_other_function_has_a_reason(row: list[str]) -> None:
    assert row[1]
