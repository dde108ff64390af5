"""Telegrams of real meters, against the decode that libmbus publishes beside them.

Source: repository rscada/libmbus, test/test-frames, commit f09d613bf98d (BSD-3-Clause),
files NAME.hex and NAME.norm.xml, unchanged in tests/data/mbus.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from ingest.normal_form import Extract
from ingest.profile import Profile
from ingest.registry import adapter
from monitor.models import record_from_data

pytestmark = pytest.mark.external

DATA = Path(__file__).parents[1] / "data" / "mbus"
NAMES = sorted(path.stem for path in DATA.glob("*.hex"))
Key = tuple[str, int, int, int]

#: libmbus quantity and unit -> the profile's quantity, and the factor to the unit kept.
MAPPED = {
    ("Energy", "Wh"): ("energy", 1e-3),
    ("Energy", "J"): ("energy", 1 / 3.6e6),
    ("Power", "W"): ("power", 1e-3),
    ("Volume flow", "m^3/h"): ("flow_rate", 1.0),
    ("Flow temperature", "°C"): ("flow_temp", 1.0),
    ("Return temperature", "°C"): ("return_temp", 1.0),
}
ROLES = {
    "energy": ("heat_total", "register"),
    "power": ("heat_total", "power"),
    "flow_rate": ("flow_rate", "state"),
    "flow_temp": ("flow_temp", "state"),
    "return_temp": ("return_temp", "state"),
}

#: Whole telegrams that are refused, and why.
REFUSED = {
    "sen_pollusonic_2": "not a telegram with variable data (CI field 72)",
}

#: libmbus leaves VIF extensions out of its normalised form, so that several records look
#: alike there. Which of them is a reading: the ones given here, by position.
_VARIANTS_ONLY: tuple[int, ...] = ()
LOOK_ALIKE: dict[tuple[str, Key], tuple[int, ...]] = {
    # Three phases with the maker's extension FF, then the plain sum.
    ("EMU_EMU-Professional-375-M-Bus", ("power", 0, 0, 0)): (3,),
    ("EMU_EMU-Professional-375-M-Bus", ("power", 0, 0, 2)): (3,),
    # Phases and sum all carry the maker's extension FF: none is the plain record.
    ("FIN-Finder-7E.23.8.230.0020", ("power", 0, 0, 0)): _VARIANTS_ONLY,
    ("FIN-Finder-7E.23.8.230.0020", ("power", 0, 0, 1)): _VARIANTS_ONLY,
    ("SBC_Saia-Burgess-ALE3", ("power", 0, 0, 0)): _VARIANTS_ONLY,
    ("SBC_Saia-Burgess-ALE3", ("power", 0, 0, 1)): _VARIANTS_ONLY,
    ("electricity-meter-1", ("power", 0, 0, 0)): _VARIANTS_ONLY,
    ("electricity-meter-1", ("power", 0, 0, 1)): _VARIANTS_ONLY,
    ("electricity-meter-2", ("power", 0, 0, 0)): _VARIANTS_ONLY,
    ("electricity-meter-2", ("power", 0, 0, 1)): _VARIANTS_ONLY,
    # The first is plain, the others carry a maker's extension.
    ("SEN_Pollustat", ("flow_rate", 0, 0, 0)): (0,),
    ("nzr_dhz_5_63", ("energy", 0, 0, 0)): (0,),
}


def published(name: str) -> tuple[str, dict[Key, list[float]]]:
    """Give the meter's identification and the live values that we map, by record."""
    text = (DATA / f"{name}.norm.xml").read_text(encoding="utf-8").split("?>", 1)[1]
    root = ET.fromstring(text)
    found: dict[Key, list[float]] = defaultdict(list)
    for record in root.iter("DataRecord"):
        said = {child.tag: child.text or "" for child in record}
        meaning = MAPPED.get((said["Quantity"], said["Unit"]))
        if meaning is None or said["Function"] != "Instantaneous value":
            continue
        key = (
            meaning[0],
            int(said["StorageNumber"]),
            int(said.get("Tariff", 0)),
            int(said.get("Device", 0)),
        )
        found[key].append(float(said["Value"]) * meaning[1])
    identification = root.findtext("SlaveInformation/Id") or ""
    return f"{int(identification, 16):08X}", found


def decoded(folder: Path, name: str, serial: str, keys: list[Key]) -> Extract:
    columns: list[dict[str, Any]] = []
    for quantity, storage, tariff, device in keys:
        role, kind = ROLES[quantity]
        record = {"quantity": quantity, "storage": storage, "tariff": tariff, "device": device}
        columns.append({"role": role, "kind": kind, "serial": serial, "record": record})
    used = record_from_data(
        Profile, {"name": name, "format": "mbus", "column": columns}, where=name, what="profile"
    )
    telegram = " ".join((DATA / f"{name}.hex").read_text().split())
    path = folder / "capture.txt"
    path.write_text(f"2024-01-15T12:00:00Z;{telegram}\n")
    return adapter("mbus").read(path, used)


def expected(name: str, found: dict[Key, list[float]]) -> Iterator[tuple[Key, list[float]]]:
    for key, values in found.items():
        chosen = LOOK_ALIKE.get((name, key), tuple(range(len(values))))
        yield key, [values[position] for position in chosen]


@pytest.mark.parametrize("name", [name for name in NAMES if name not in REFUSED])
def test_every_live_record_of_a_telegram_reads_as_libmbus_reads_it(
    name: str, tmp_path: Path
) -> None:
    serial, found = published(name)
    keys = sorted(found)
    if not keys:
        # Only the made-up telegram with 16-byte numbers holds nothing that is mapped.
        assert name == "example_binary16_lvar"
        return
    extract = decoded(tmp_path, name, serial, keys)
    got: dict[Key, list[float]] = defaultdict(list)
    for number, value in extract.readings.select("target", "value").rows():
        record = extract.targets[number].column.record
        assert record is not None
        got[record.quantity, record.storage, record.tariff, record.device].append(value)
    for key, values in expected(name, found):
        assert got[key] == pytest.approx(values, rel=1e-6, abs=1e-9), key
    assert extract.rejects.is_empty()
    assert {target.serial for target in extract.targets} <= {serial}


@pytest.mark.parametrize(("name", "reason"), sorted(REFUSED.items()))
def test_a_telegram_that_cannot_be_read_is_refused_with_its_reason(
    name: str, reason: str, tmp_path: Path
) -> None:
    extract = decoded(tmp_path, name, "00000000", [("energy", 0, 0, 0)])
    assert extract.readings.is_empty()
    assert extract.rejects["reason"].to_list() == [reason]


def test_the_samples_hold_enough_records_to_mean_something() -> None:
    records = [
        (name, key)
        for name in NAMES
        if name not in REFUSED
        for key, values in expected(name, published(name)[1])
        if values
    ]
    assert len({name for name, _ in records}) >= 20
    assert len(records) >= 90
