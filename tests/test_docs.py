"""What the guides say is what the program does."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
import typer

from dashboard.cli import app
from ingest.profile import Profile
from ingest.sources import FolderSource, HttpSource, MqttSource, SftpSource, Sources
from monitor.guarantee.boiler import heat_loss_from_bills
from monitor.metrics.boundary import promised_recipe
from monitor.models import (
    Antifreeze,
    Boiler,
    CarbonFactor,
    Channel,
    Climate,
    Event,
    Expectation,
    FuelTariff,
    HeatPump,
    MeterFit,
    PastBills,
    PriceBand,
    RatedPoint,
    Record,
    Site,
    Tariff,
    Terms,
)

ROOT = Path(__file__).parent.parent


def toml_blocks(name: str) -> list[str]:
    return re.findall(r"```toml\n(.*?)```", (ROOT / "docs" / name).read_text(), flags=re.DOTALL)


def test_the_complete_site_example_is_a_site_that_can_keep_its_promise() -> None:
    site = Site.model_validate(tomllib.loads(toml_blocks("site-file.md")[0]))
    assert site.current_terms is not None
    assert promised_recipe(site, site.current_terms).boundary == site.current_terms.boundary


def test_the_example_of_prices_fits_into_the_complete_one() -> None:
    complete, prices = (tomllib.loads(block) for block in toml_blocks("site-file.md"))
    site = Site.model_validate(complete | prices)
    assert [tariff.flat_price for tariff in site.tariff] == [None, None]
    assert site.tariff[0].week[0] == 0.291
    assert site.tariff[0].week[1] == 0.085
    assert heat_loss_from_bills(site) is not None


@pytest.mark.parametrize(
    "model",
    [
        Climate,
        Antifreeze,
        Site,
        HeatPump,
        MeterFit,
        Channel,
        Terms,
        Expectation,
        RatedPoint,
        Tariff,
        PriceBand,
        Boiler,
        FuelTariff,
        PastBills,
        CarbonFactor,
        Event,
    ],
)
def test_every_key_of_the_site_file_is_explained(model: type[Record]) -> None:
    text = (ROOT / "docs" / "site-file.md").read_text()
    missing = [
        key for key in model.model_fields if f"`{key}`" not in text and f"[{key}]" not in text
    ]
    assert missing == []


def test_every_profile_example_is_a_profile() -> None:
    blocks = toml_blocks("profile-file.md")
    assert blocks
    for block in blocks:
        Profile.model_validate(tomllib.loads(block))


def test_every_example_of_sources_is_read() -> None:
    blocks = toml_blocks("sources.md")
    assert blocks
    for block in blocks:
        Sources.model_validate(tomllib.loads(block))


@pytest.mark.parametrize(
    "model", [Sources, FolderSource, HttpSource, SftpSource, MqttSource], ids=lambda m: m.__name__
)
def test_every_key_of_the_sources_file_is_explained(model: type[Record]) -> None:
    text = (ROOT / "docs" / "sources.md").read_text()
    assert [key for key in model.model_fields if f"`{key}`" not in text] == []


def test_continuous_integration_runs_the_readme_s_test_command() -> None:
    readme = (ROOT / "README.md").read_text()
    command = re.search(r"^\.venv/bin/pip install '\.\[test\]' && .*$", readme, flags=re.MULTILINE)
    assert command is not None
    assert (ROOT / ".ci" / "run").read_text().rstrip().endswith(command.group())


def test_every_command_is_explained() -> None:
    text = (ROOT / "docs" / "command-line.md").read_text()
    root = typer.main.get_command(app)
    names = []
    for name, command in root.commands.items():
        names += [f"{name} {sub}" for sub in getattr(command, "commands", {})] or [name]
    assert [name for name in names if f"`pledgewatt {name}" not in text] == []


def test_every_link_of_the_guides_leads_somewhere() -> None:
    for page in [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")]:
        for target in re.findall(r"\]\(([^)#:]+)\)", page.read_text()):
            assert (page.parent / target).exists(), f"{page.name} -> {target}"
