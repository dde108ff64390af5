"""Profiles say what they mean, and refuse what they cannot mean."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from ingest.adapters.mbus import ADAPTER as MBUS
from ingest.layouts_messages import JsonLines, LineProtocol, MbusXml, SenML
from ingest.layouts_telegrams import Espi, Obis
from ingest.profile import (
    Column,
    Delimited,
    Mbus,
    MbusRecord,
    Profile,
    profile_from_toml,
)
from ingest.registry import adapter
from monitor.errors import DescriptionError
from monitor.models import record_from_data
from tests.ingest.exports import HEAT, profile

PAGE = Path(__file__).parents[2] / "docs" / "profile-file.md"
EXAMPLES = re.findall(r"```toml\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
EXPORTS = re.findall(r"```text\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)


@pytest.mark.parametrize("number", range(len(EXAMPLES)))
def test_every_example_of_the_page_reads_the_export_beside_it(number: int, tmp_path: Path) -> None:
    (tmp_path / "profile.toml").write_text(EXAMPLES[number], encoding="utf-8")
    export = tmp_path / "export"
    export.write_text(EXPORTS[number], encoding="utf-8")
    used = profile_from_toml(tmp_path / "profile.toml")
    found = adapter(used.format).read(export, used)
    assert found.rejects.is_empty()
    assert {target.column for target in found.targets} == set(used.column)


def test_the_page_has_an_export_for_each_example() -> None:
    assert len(EXAMPLES) == len(EXPORTS) >= 4
    formats = {tomllib.loads(example)["format"] for example in EXAMPLES}
    assert formats >= {"delimited", MBUS.name, "mbus_xml", "senml", "line_protocol", "jsonl"}


@pytest.mark.parametrize(
    "model",
    [
        Profile,
        Delimited,
        Mbus,
        Column,
        MbusRecord,
        MbusXml,
        SenML,
        LineProtocol,
        JsonLines,
        Obis,
        Espi,
    ],
)
def test_every_key_of_a_profile_is_on_the_page(model: type[Profile]) -> None:
    page = PAGE.read_text(encoding="utf-8")
    missing = [key for key in model.model_fields if f"| `{key}` |" not in page]
    assert missing == []


@pytest.mark.parametrize(
    ("changes", "layout", "message"),
    [
        ({"interval": "PT15M"}, {}, "'interval' belongs to a column of kind 'interval'"),
        ({"kind": "interval", "interval": "PT0.5S"}, {}, "whole number of seconds"),
        ({"kind": "interval", "interval": "-PT1H"}, {}, "whole number of seconds"),
        ({"kind": "state"}, {}, "needs kind register, interval or power"),
        ({"scale": 0}, {}, "'scale' must not be 0"),
        ({"unit": None}, {}, "'unit' is required"),
        ({"column": None}, {}, "give either 'column'"),
        ({"record": {"quantity": "energy"}}, {}, "give either 'column'"),
        ({}, {"layout": "long"}, "needs 'point' and 'value'"),
        ({}, {"point": "p"}, "belong to a long layout"),
        ({}, {"thousands": "."}, "must differ"),
        ({}, {"separator": "x"}, "cannot separate fields"),
        ({}, {"time_format": "%H:%M"}, "whole date"),
        ({}, {"time": ["d", "t"], "time_format": "excel"}, "'time' is one column"),
        ({}, {"seperator": ";"}, "this key is not known"),
    ],
)
def test_a_key_that_cannot_be_right_is_named_with_the_reason(
    changes: dict[str, Any], layout: dict[str, Any], message: str
) -> None:
    with pytest.raises(DescriptionError, match=re.escape(message)):
        profile({**HEAT, **changes}, **layout)


def test_a_tab_is_a_separator() -> None:
    used = profile(separator="\t").delimited
    assert used is not None
    assert used.separator == "\t"


def test_a_zone_that_does_not_exist_is_named() -> None:
    data = {"name": "x", "format": "delimited", "zone": "Europe/Londres", "column": [HEAT]}
    with pytest.raises(DescriptionError, match="zone: 'Europe/Londres' is not a zone"):
        record_from_data(Profile, data, where="x.toml", what="profile")
