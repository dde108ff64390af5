"""What the fuzz found of lines too long to be lines."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.adapters.delimited import ADAPTER
from ingest.errors import IngestError
from tests.ingest.exports import HEAT, profile, values


@pytest.mark.parametrize("at", [2, 80, 199])
def test_a_line_of_a_megabyte_costs_no_line_beside_it(tmp_path: Path, at: int) -> None:
    lines = [f"2026-01-{1 + h // 24:02d}T{h % 24:02d}:00:00Z,{100 + h}" for h in range(200)]
    lines[at] = "x" * (2 << 20)
    path = tmp_path / "export.csv"
    path.write_text("\n".join(["time,heat", *lines]) + "\n")
    found = ADAPTER.read(path, profile(HEAT))
    assert len(values(found, "heat")) == 199
    assert found.rejects.height == 1
    assert found.rejects["line"].to_list() == [at + 2]


def test_a_name_with_control_characters_does_not_reach_the_terminal(tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    path.write_text("time,hea\x1b[2Jt\n2026-01-01T00:00:00Z,1\n")
    with pytest.raises(IngestError) as refused:
        ADAPTER.read(path, profile(HEAT))
    assert "\x1b" not in refused.value.user_message
