"""Shipped profiles read files in exactly the layout that they are for; the figures are invented."""

from __future__ import annotations

import json
import re
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from ingest.normal_form import Extract
from ingest.shipped import load, profile_named, shipped, text_of
from monitor.errors import DescriptionError
from monitor.models import Kind, Role
from tests.ingest.exports import read, times, values
from tests.ingest.test_mbus import ELECTRICITY, energy, telegram
from tests.ingest.writers_espi import block, feed, meter, reading, usage_point
from tests.ingest.writers_obis import p1

ROOT = Path(__file__).parents[2]
NAMES = [one.name for one in shipped()]


def meanings(found: Extract) -> dict[str, tuple[Role, Kind]]:
    return {one.label: (one.column.role, one.column.kind) for one in found.targets}


def test_the_layouts_that_a_publication_or_standard_fixes_are_shipped() -> None:
    assert NAMES == [
        "eoh-cleansed",
        "eoh-cleansed-heaters",
        "espi-electricity",
        "heapo-15-minutes",
        "mbus-heat-and-electricity",
        "p1-heat-meter",
        "senml-heat-and-electricity",
    ]


@pytest.mark.parametrize("name", NAMES)
def test_a_shipped_profile_says_what_it_reads_where_that_comes_from_and_how_sure_it_is(
    name: str,
) -> None:
    text = text_of(name)
    assert load(name).format
    assert "How sure:" in text or "`eoh-cleansed`, which says where the names come from" in text
    line = next(one.line for one in shipped() if one.name == name)
    assert 30 < len(line) < 100
    assert text.startswith(f"# {line}\n")


def test_shipped_profiles_are_installed_with_the_package() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    assert "profiles/*.toml" in project["tool"]["setuptools"]["package-data"]["ingest"]


# The names of the columns: UK Data Service SN 9050, as its published analysis code has them.
EOH = (
    "Timestamp",
    "Circulation_Pump_Energy_Consumed",
    "Heat_Pump_Energy_Output",
    "Immersion_Heater_Energy_Consumed",
    "Back-up_Heater_Energy_Consumed",
    "Whole_System_Energy_Consumed",
    "External_Air_Temperature",
    "Heat_Pump_Heating_Flow_Temperature",
    "Heat_Pump_Return_Temperature",
    "Hot_Water_Flow_Temperature",
    "Internal_Air_Temperature",
)
EOH_ROWS = (
    "2021-01-15 06:00:00,1.25,900.5,3.0,0.5,320.25,2.1,38.5,33.4,,19.6",
    "2021-01-15 06:02:00,1.26,900.75,3.0,0.5,320.375,2.1,38.75,33.5,,19.6",
    "2021-01-15 06:04:00,1.26,,3.0,0.5,320.5,2.0,,,47.5,19.7",
)


@pytest.mark.parametrize("name", ["eoh-cleansed", "eoh-cleansed-heaters"])
def test_a_home_of_the_electrification_of_heat_trial_is_read(tmp_path: Path, name: str) -> None:
    text = "\n".join([",".join(EOH), *EOH_ROWS, ""])
    found = read(tmp_path, text, load(name), name="Property_ID=EOH0000.csv")
    assert found.rejects.is_empty()
    assert values(found, "Heat_Pump_Energy_Output") == [900.5, 900.75]
    assert values(found, "Whole_System_Energy_Consumed") == [320.25, 320.375, 320.5]
    assert times(found, "Heat_Pump_Return_Temperature") == ["2021-01-15 06:00", "2021-01-15 06:02"]
    said = meanings(found)
    assert said["Heat_Pump_Energy_Output"] == (Role.HEAT_TOTAL, Kind.REGISTER)
    assert said["Whole_System_Energy_Consumed"] == (Role.ELEC_TOTAL, Kind.REGISTER)
    assert said["Heat_Pump_Heating_Flow_Temperature"] == (Role.FLOW_TEMP, Kind.STATE)
    assert said["Heat_Pump_Return_Temperature"] == (Role.RETURN_TEMP, Kind.STATE)
    assert said["External_Air_Temperature"] == (Role.OUTDOOR_TEMP, Kind.STATE)
    assert said["Internal_Air_Temperature"] == (Role.ROOM_TEMP, Kind.STATE)
    heaters = {
        "Immersion_Heater_Energy_Consumed": (Role.ELEC_IMMERSION, Kind.REGISTER),
        "Back-up_Heater_Energy_Consumed": (Role.ELEC_BACKUP, Kind.REGISTER),
        "Circulation_Pump_Energy_Consumed": (Role.ELEC_PUMPS, Kind.REGISTER),
    }
    apart = {label: meaning for label, meaning in said.items() if label in heaters}
    assert apart == (heaters if name == "eoh-cleansed-heaters" else {})


def test_raw_files_of_the_trial_that_call_the_system_s_electricity_otherwise_are_refused(
    tmp_path: Path,
) -> None:
    text = "\n".join([",".join(EOH), *EOH_ROWS, ""])
    renamed = text.replace("Whole_System_Energy_Consumed", "Heat_Pump_Energy_Consumed")
    with pytest.raises(DescriptionError.__base__, match="no column 'Whole_System_Energy_Consumed'"):
        read(tmp_path, renamed, load("eoh-cleansed"))


# The names of the columns: Zenodo record 15056919, in both of the orders that its files have.
@pytest.mark.parametrize("order", ["Group;AffectsTimePoint", "AffectsTimePoint;Group"])
def test_a_household_of_the_heapo_study_is_read(tmp_path: Path, order: str) -> None:
    who = {"Group": "treatment", "AffectsTimePoint": "before visit"}
    group = ";".join(who[one] for one in order.split(";"))
    rows = [f"700001;{group};2023-02-25 0{k}:15:00+00:00;0.9;{0.25 * k};0.4" for k in range(1, 4)]
    rows.append(f"700001;{group};2023-02-25 04:15:00+00:00;0.9;;")
    header = (
        f"Household_ID;{order};Timestamp;kWh_received_Total;kWh_received_HeatPump;"
        "kWh_received_Other"
    )
    found = read(tmp_path, "\n".join([header, *rows, ""]), load("heapo-15-minutes"))
    assert values(found, "kWh_received_HeatPump") == [0.25, 0.5, 0.75]
    assert times(found, "kWh_received_HeatPump")[0] == "2023-02-25 01:15"
    assert found.readings["duration_s"].unique().to_list() == [900]
    assert meanings(found) == {"kWh_received_HeatPump": (Role.ELEC_TOTAL, Kind.INTERVAL)}
    assert [one.serial for one in found.targets] == ["700001"]
    assert (found.blank, found.rejects.height) == (1, 0)


def test_a_p1_log_gives_heat_in_kwh_and_both_tariffs_as_one_register(tmp_path: Path) -> None:
    moment = datetime(2024, 7, 1, 10, 0, tzinfo=UTC)
    log = "".join(
        p1(
            moment + k * timedelta(hours=1),
            low=100.0 + k,
            normal=200.0 + k,
            heat=(moment + k * timedelta(hours=1), 36.0 + 0.36 * k),
        )
        for k in range(3)
    )
    found = read(tmp_path, log, load("p1-heat-meter"), name="p1.log")
    heat, electricity = "0-1:24.2.1", "1-0:1.8.1 + 1-0:1.8.2"
    # 1 GJ = 1000/3.6 kWh (SI Brochure, 9th edition, table 8).
    assert values(found, heat) == pytest.approx([10_000.0, 10_100.0, 10_200.0])
    assert values(found, electricity) == pytest.approx([300.0, 302.0, 304.0])
    assert times(found, heat) == ["2024-07-01 10:00", "2024-07-01 11:00", "2024-07-01 12:00"]
    assert meanings(found) == {
        heat: (Role.HEAT_TOTAL, Kind.REGISTER),
        electricity: (Role.ELEC_TOTAL, Kind.REGISTER),
    }
    assert [one.serial for one in found.targets] == ["HM-77120", "EM-204417"]


def test_the_first_meter_reading_of_an_espi_feed_is_read_and_the_others_are_named(
    tmp_path: Path,
) -> None:
    start = 1_705_320_000
    text = feed(
        usage_point(),
        *meter(1, block(reading(start, 250, 900), reading(start + 900, 500, 900))),
        *meter(2, block(reading(start, 7, 900))),
    )
    found = read(tmp_path, text, load("espi-electricity"), name="feed.xml")
    label = "UsagePoint 1 / MeterReading 1"
    assert values(found, label) == [0.25, 0.5]
    assert times(found, label) == ["2024-01-15 12:00", "2024-01-15 12:15"]
    assert found.readings["duration_s"].to_list() == [900, 900]
    assert meanings(found) == {label: (Role.ELEC_TOTAL, Kind.INTERVAL)}
    assert (
        "MeterReadings that the profile does not map: 'UsagePoint/1/MeterReading/2'"
        in (found.notes[0])
    )


@pytest.mark.external
def test_the_published_sample_feed_is_read_by_the_shipped_profile(tmp_path: Path) -> None:
    # tests/data/espi/SOURCE.md: 216 hours, 199 563 Wh, which is its own summary.
    content = ROOT / "tests" / "data" / "espi" / "TestGBDataHourlyNineDaysBinnedDaily.xml"
    found = read(tmp_path, content.read_bytes(), load("espi-electricity"), name="feed.xml")
    assert found.readings.height == 216
    assert found.readings["value"].sum() == pytest.approx(199.563)


def test_a_senml_pack_gives_energies_temperatures_and_flow_in_the_units_kept(
    tmp_path: Path,
) -> None:
    # Units of RFC 8428, section 12.1, and RFC 8798, section 3.
    pack = [
        {"bt": 1_705_320_000, "n": "heat", "u": "kWh", "v": 10234.5},
        {"n": "electricity", "u": "Wh", "v": 3120250},
        {"n": "flow", "u": "Cel", "v": 38.5},
        {"n": "return", "u": "Cel", "v": 33.5},
        {"n": "flow_rate", "u": "l/s", "v": 0.25},
        {"n": "outdoor", "u": "Cel", "v": -3.5},
    ]
    found = read(tmp_path, json.dumps(pack), load("senml-heat-and-electricity"), name="a.json")
    kept = {label: values(found, label)[0] for label in meanings(found)}
    assert kept == pytest.approx(
        {
            "heat": 10234.5,
            "electricity": 3120.25,
            "flow": 38.5,
            "return": 33.5,
            "flow_rate": 0.9,
            "outdoor": -3.5,
        }
    )
    assert times(found, "flow") == ["2024-01-15 12:00"]
    assert meanings(found)["electricity"] == (Role.ELEC_TOTAL, Kind.REGISTER)
    assert meanings(found)["flow_rate"] == (Role.FLOW_RATE, Kind.STATE)
    assert found.rejects.is_empty()


def test_an_m_bus_capture_gives_each_meter_its_own_registers(tmp_path: Path) -> None:
    heat = telegram(energy(37_351), "0A5A4304", "0A5E5102", "0B3B270100")
    power = telegram(energy(12_000), serial="87654321", medium=ELECTRICITY)
    text = f"2024-01-15T12:00:00Z;{heat}\n2024-01-15T12:00:05Z;{power}\n"
    found = read(tmp_path, text, load("mbus-heat-and-electricity"))
    kept = {
        (one.column.role, one.column.kind, one.serial): value
        for one, value in zip(
            (found.targets[number] for number in found.readings["target"]),
            found.readings["value"],
            strict=True,
        )
    }
    assert kept == pytest.approx(
        {
            (Role.HEAT_TOTAL, Kind.REGISTER, "12345678"): 37_351.0,
            (Role.FLOW_TEMP, Kind.STATE, "12345678"): 44.3,
            (Role.RETURN_TEMP, Kind.STATE, "12345678"): 25.1,
            (Role.FLOW_RATE, Kind.STATE, "12345678"): 0.127,
            (Role.ELEC_TOTAL, Kind.REGISTER, "87654321"): 12_000.0,
        }
    )


def test_a_profile_is_named_by_its_path_or_by_the_name_that_it_ships_under(tmp_path: Path) -> None:
    assert profile_named("p1-heat-meter") == load("p1-heat-meter")
    path = tmp_path / "mine.toml"
    path.write_text(text_of("p1-heat-meter").replace("channel 1", "channel 2"))
    assert profile_named(str(path)).name == "P1, heat meter on channel 2"


def test_a_file_goes_before_a_shipped_profile_of_the_same_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("p1-heat-meter").write_text(text_of("espi-electricity"))
    assert profile_named("p1-heat-meter").format == "espi"


def test_a_profile_that_is_neither_is_answered_with_what_there_is() -> None:
    with pytest.raises(DescriptionError) as error:
        profile_named("p1-heat-metre")
    said = error.value.user_message
    assert said.startswith("There is no profile file at p1-heat-metre.")
    assert "the nearest is 'p1-heat-meter'" in said
    assert all(name in said for name in NAMES)
    with pytest.raises(DescriptionError, match="No profile named 'x' comes with pledgewatt"):
        load("x")


@pytest.mark.parametrize("text", ["", "x" * 5_000, "a\0b", "../no/such.toml"])
def test_what_cannot_be_a_path_is_answered_in_a_sentence_too(text: str) -> None:
    with pytest.raises(DescriptionError, match=r"^There is no profile file at .*one of: eoh"):
        profile_named(text)


def test_a_folder_is_no_profile(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="cannot be read as a profile file"):
        profile_named(str(tmp_path))


def test_every_shipped_profile_is_explained() -> None:
    text = (ROOT / "docs" / "shipped-profiles.md").read_text()
    assert [name for name in NAMES if not re.search(rf"`{name}`", text)] == []
