"""Style, types and layers are part of the tests, so that one command says it all."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
BIN = Path(sys.executable).parent


@pytest.mark.parametrize(
    "command",
    [
        ["ruff", "check", "."],
        ["ruff", "format", "--check", "."],
        ["mypy"],
        ["lint-imports"],
    ],
    ids=" ".join,
)
def test_the_source_is_clean(command: list[str]) -> None:
    done = subprocess.run(
        [BIN / command[0], *command[1:]], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_sql_stands_only_in_the_store() -> None:
    verbs = ("SELECT ", "INSERT INTO", "DELETE FROM", "CREATE TABLE")
    strays = [
        f"{path.relative_to(ROOT)}: {verb}"
        for package in ("monitor", "ingest", "dashboard", "demo_telemetry")
        for path in (ROOT / package).rglob("*.py")
        if path.parent.name != "store"
        for verb in verbs
        if verb in path.read_text()
    ]
    assert strays == []


def test_no_source_file_has_grown_too_long() -> None:
    long = [
        f"{path.relative_to(ROOT)}: {lines}"
        for package in ("monitor", "ingest", "dashboard", "demo_telemetry")
        for path in (ROOT / package).rglob("*.py")
        if (lines := len(path.read_text().splitlines())) > 560
    ]
    assert long == []
