"""Adapters are found by the name that a profile gives."""

from __future__ import annotations

import pytest

from ingest.errors import Terminal
from ingest.registry import Adapter, adapter, adapter_names


@pytest.mark.parametrize("name", ["delimited", "mbus"])
def test_an_adapter_of_ours_is_found_by_its_name(name: str) -> None:
    found = adapter(name)
    assert isinstance(found, Adapter)
    assert found.name == name


def test_an_unknown_format_is_answered_with_the_formats_there_are() -> None:
    with pytest.raises(Terminal) as error:
        adapter("punch-card")
    assert "punch-card" in error.value.user_message
    assert all(name in error.value.user_message for name in adapter_names())
    assert {"delimited", "mbus"} <= set(adapter_names())
