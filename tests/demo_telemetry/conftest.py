"""The fleet over one winter quarter, written once a worker."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from demo_telemetry import DemoHome, write_fleet

END = date(2026, 1, 15)
MONTHS = 3


@dataclass(frozen=True)
class Fleet:
    folder: Path
    homes: dict[str, DemoHome]
    progress: list[tuple[str, float]]

    def truth(self, home_id: str) -> dict[str, Any]:
        told: dict[str, Any] = json.loads(self.homes[home_id].truth_file.read_text())
        return told

    def files(self, home_id: str, stem: str) -> list[Path]:
        return next(
            files
            for profile, files in self.homes[home_id].profile_imports
            if profile.stem == f"{home_id}-{stem}"
        )


@pytest.fixture(scope="session")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    folder = tmp_path_factory.mktemp("fleet")
    progress: list[tuple[str, float]] = []
    homes = write_fleet(
        folder, end=END, months=MONTHS, progress=lambda home, share: progress.append((home, share))
    )
    return Fleet(folder, {home.id: home for home in homes}, progress)
