"""An adapter from another package is found and used without a word about it in ours."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

DISTRIBUTION = Path(__file__).parent / "distribution"
ROOT = Path(__file__).parents[2]

CARDS = """CARD HM-7 2024-01-15 12:00 = 10234.5 kWh
CARD HM-7 2024-01-15 13:00 = 10236.5 kWh
CARD EM-2 2024-01-15 12:00 = 3.12 MWh
coffee stain
CARD HM-7 2024-01-15 15:00 = illegible kWh
"""

IMPORT = """
import json, sys, tomllib
from datetime import UTC, datetime
from pathlib import Path

from ingest.inbox import import_file
from ingest.profile import Profile
from ingest.registry import adapter, adapter_names
from monitor.models import Site
from monitor.store.connection import open_store
from monitor.store.sites import save_site

folder = Path(sys.argv[1])
profile = Profile.model_validate(
    {
        "name": "Cards",
        "format": "reading_cards",
        "zone": "Europe/London",
        "column": [
            {"column": "card", "role": "heat_total", "kind": "register", "serial": "HM-7"},
            {"column": "card", "role": "elec_unit", "kind": "register", "serial": "EM-2"},
        ],
    }
)
site = Site.model_validate(
    {
        "id": "fern-cottage",
        "name": "Fern Cottage",
        "zone": "Europe/London",
        "commissioned": "2023-11-01",
        "heat_pump": {"nominal_heat_kw": 8.0},
        "meter": [
            {"serial": serial, "measures": measures, "fitted": "2023-11-01T00:00:00",
             "channel": [{"role": role, "kind": "register"}]}
            for serial, measures, role in (
                ("HM-7", "heat", "heat_total"), ("EM-2", "electricity", "elec_unit")
            )
        ],
    }
)
now = datetime(2024, 2, 1, tzinfo=UTC)
with open_store(folder / "homes.duckdb", create=True) as store:
    save_site(store, site, now)
    counts = import_file(store, "fern-cottage", folder / "cards.txt", profile, now=now).counts
found = adapter("reading_cards").read(folder / "cards.txt", profile)
print(json.dumps({
    "names": adapter_names(),
    "from": type(adapter("reading_cards")).__module__,
    "counts": [counts.rows_read, counts.accepted, counts.quarantined],
    "values": sorted(found.readings["value"].to_list()),
}))
"""


def install(folder: Path) -> None:
    """Install the distribution as an installer does: module, metadata, entry points.

    Written out, because a bare machine may have neither a network nor the build tools.
    """
    project = tomllib.loads((DISTRIBUTION / "pyproject.toml").read_text())["project"]
    (folder / "reading_cards.py").write_text((DISTRIBUTION / "reading_cards.py").read_text())
    metadata = folder / f"{project['name'].replace('-', '_')}-{project['version']}.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text(
        f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {project['version']}\n"
    )
    lines = []
    for group, points in project["entry-points"].items():
        lines += [f"[{group}]", *(f"{name} = {value}" for name, value in points.items()), ""]
    (metadata / "entry_points.txt").write_text("\n".join(lines))


def run(folder: Path, packages: Path | None) -> subprocess.CompletedProcess[str]:
    (folder / "cards.txt").write_text(CARDS)
    paths = [str(ROOT), *([] if packages is None else [str(packages)])]
    return subprocess.run(
        [sys.executable, "-W", "error", "-c", IMPORT, str(folder)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


def test_a_package_s_adapter_reads_a_file_into_the_store(tmp_path: Path) -> None:
    packages = tmp_path / "packages"
    packages.mkdir()
    install(packages)
    done = run(tmp_path, packages)
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert {"reading_cards", "delimited", "mbus"} <= set(said["names"])
    assert said["from"] == "reading_cards"
    # Three cards are good; a stain is no card, and a figure cannot be read.
    assert said["counts"] == [5, 3, 2]
    assert said["values"] == [3120.0, 10234.5, 10236.5]


def test_without_the_package_the_format_is_not_known(tmp_path: Path) -> None:
    done = run(tmp_path, None)
    assert done.returncode != 0
    assert "No adapter reads format 'reading_cards'" in done.stderr


@pytest.mark.parametrize("key", ["name", "version", "description"])
def test_the_distribution_is_one_that_can_be_built(key: str) -> None:
    project = tomllib.loads((DISTRIBUTION / "pyproject.toml").read_text())
    assert project["project"][key]
    assert project["tool"]["setuptools"]["py-modules"] == ["reading_cards"]
