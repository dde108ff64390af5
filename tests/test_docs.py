"""What the guides say is what the program does."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from ingest.profile import Profile
from monitor.metrics.boundary import promised_recipe
from monitor.models import Channel, Event, HeatPump, MeterFit, Record, Site, Tariff, Terms

ROOT = Path(__file__).parent.parent


def toml_blocks(name: str) -> list[str]:
    return re.findall(r"```toml\n(.*?)```", (ROOT / "docs" / name).read_text(), flags=re.DOTALL)


def test_the_complete_site_example_is_a_site_that_can_keep_its_promise() -> None:
    site = Site.model_validate(tomllib.loads(toml_blocks("site-file.md")[0]))
    assert site.current_terms is not None
    assert promised_recipe(site, site.current_terms).boundary == site.current_terms.boundary


@pytest.mark.parametrize("model", [Site, HeatPump, MeterFit, Channel, Terms, Tariff, Event])
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
