"""What is proposed for an export that nobody has described."""

from __future__ import annotations

import tomllib
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from demo_telemetry import DemoHome, write_fleet
from demo_telemetry.catalogue import HOMES
from ingest.profile import Profile, profile_from_toml
from ingest.propose import (
    Answers,
    ColumnProposal,
    Proposal,
    preview,
    profile_to_toml,
    propose,
    read_answers,
)
from ingest.propose.model import SURE
from ingest.propose.words import named_roles
from monitor.errors import DescriptionError
from monitor.models import site_from_toml
from tests.ingest.homes_to_propose import hours, site, table
from tests.ingest.workbooks import workbook

NOW = datetime(2026, 3, 1, tzinfo=UTC)
NAMES = {
    "heat": "Wärmemenge [kWh]",
    "elec": "Strom [kWh]",
    "flow": "Vorlauf [°C]",
    "back": "Rücklauf [°C]",
    "outdoor": "Außen [°C]",
}
MEANT = {
    "Wärmemenge [kWh]": ("heat_total", "register", "kWh"),
    "Strom [kWh]": ("elec_total", "register", "kWh"),
    "Vorlauf [°C]": ("flow_temp", "state", "degC"),
    "Rücklauf [°C]": ("return_temp", "state", "degC"),
    "Außen [°C]": ("outdoor_temp", "state", "degC"),
}


def written(folder: Path, content: str | bytes, name: str = "export.dat") -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def told(proposal: Proposal) -> dict[str, tuple[str | None, str | None, str | None]]:
    return {
        one.column: (one.role.value, one.kind.value, one.unit.value)
        for one in proposal.columns
        if one.used
    }


def fact(proposal: Proposal, name: str) -> str | None:
    return next((one.guess.value for one in proposal.facts if one.name == name), None)


# The demo's exports -----------------------------------------------------------------------


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> dict[str, DemoHome]:
    folder = tmp_path_factory.mktemp("propose-fleet")
    return {one.id: one for one in write_fleet(folder, end=date(2026, 1, 15), months=3)}


def _label(column: ColumnProposal) -> str:
    if column.record is None:
        return column.column
    return f"{column.record.quantity} of {column.serial}"


@pytest.mark.xdist_group("demo_fleet")
@pytest.mark.parametrize("with_site", [True, False], ids=["site known", "site unknown"])
@pytest.mark.parametrize("home_id", [home.id for home in HOMES])
def test_the_demo_s_exports_are_told_as_their_own_profiles_say(
    fleet: dict[str, DemoHome], home_id: str, with_site: bool
) -> None:
    home = fleet[home_id]
    known = site_from_toml(home.site_file) if with_site else None
    for profile_file, files in home.profile_imports:
        own = profile_from_toml(profile_file)
        proposal = propose(files[0], known)
        assert proposal.format == own.format
        found = {_label(one): one for one in proposal.columns if one.used}
        for column in own.column:
            name = column.column or f"{column.record.quantity} of {column.serial}"  # type: ignore[union-attr]
            one = found[name]
            said = (one.role.value, one.kind.value, one.unit.value)
            if said != (column.role, column.kind, column.unit):
                assert one.confidence < SURE
                assert any(q.key.startswith(f"{one.column}.") for q in proposal.questions)
        if with_site:
            layout = own.delimited or own.mbus
            assert layout is not None
            assert fact(proposal, "time format") == layout.time_format
            assert fact(proposal, "zone") == own.zone
        else:
            # Local times of an unknown place are asked for, and never guessed.
            asked = [q.key for q in proposal.missing]
            assert asked == ([] if own.zone == "UTC" else ["zone"])


@pytest.mark.xdist_group("demo_fleet")
def test_a_preview_brings_what_the_import_with_the_demo_s_own_profile_brings(
    fleet: dict[str, DemoHome],
) -> None:
    home = fleet["bracken-lane-11"]
    known = site_from_toml(home.site_file)
    profile_file, files = home.profile_imports[0]
    proposal = propose(files[0], known)
    assert proposal.profile is not None
    mine = preview(files[0], proposal.profile, known, now=NOW)
    theirs = preview(files[0], profile_from_toml(profile_file), known, now=NOW)
    assert mine.report.counts == theirs.report.counts
    assert mine.days.equals(theirs.days)
    counts = mine.report.counts
    assert counts.rows_read == (
        counts.accepted + counts.duplicates + counts.conflicts + counts.quarantined
    )
    assert mine.refused["count"].sum() == counts.quarantined > 0


# Words and units --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "dimension", "role"),
    [
        ("Wärmemenge Heizung", "energy", "heat_space"),
        ("WP Strom", "energy", "elec_unit"),
        ("Wärmepumpe", "energy", "elec_unit"),
        ("Heizstab", "energy", "elec_backup"),
        ("Chaleur totale", "energy", "heat_total"),
        ("Pompe à chaleur", "energy", "elec_unit"),
        ("Warmte tapwater", "energy", "heat_dhw"),
        ("Elektriciteit totaal", "energy", "elec_total"),
        ("Varme", "energy", "heat_total"),
        ("Elforbrug", "energy", "elec_total"),
        ("Calore", "energy", "heat_total"),
        ("Energía eléctrica", "energy", "elec_total"),
        ("Bomba de calor", "energy", "elec_unit"),
        ("Immersion heater", "energy", "elec_immersion"),
        ("Brine pump", "energy", "elec_source"),
        ("T_Vorlauf", "temperature", "flow_temp"),
        ("VL-Temp", "temperature", "flow_temp"),
        ("Rücklauftemperatur", "temperature", "return_temp"),
        ("Retour", "temperature", "return_temp"),
        ("Départ", "temperature", "flow_temp"),
        ("Aanvoer", "temperature", "flow_temp"),
        ("Fremløb", "temperature", "flow_temp"),
        ("Impulsión", "temperature", "flow_temp"),
        ("Mandata", "temperature", "flow_temp"),
        ("Température extérieure", "temperature", "outdoor_temp"),
        ("Buitentemperatuur", "temperature", "outdoor_temp"),
        ("Udetemperatur", "temperature", "outdoor_temp"),
        ("Warmwasserspeicher", "temperature", "dhw_temp"),
        ("Wohnraum innen", "temperature", "room_temp"),
        ("Durchfluss", "flow", "flow_rate"),
        ("Débit", "flow", "flow_rate"),
    ],
)
def test_the_words_of_the_trade_name_a_role(name: str, dimension: str, role: str) -> None:
    assert named_roles(name, dimension)[0].role == role


@pytest.mark.parametrize("name", ["Volume [m3]", "Setpoint", "Humidity", "COP", "Export kWh"])
def test_what_no_role_stands_for_is_left_out(name: str) -> None:
    assert named_roles(name, None) == []


@pytest.mark.parametrize("known", [True, False], ids=["site known", "site unknown"])
def test_a_german_export_is_told_in_full(tmp_path: Path, known: bool) -> None:
    text = table(hours(), NAMES, decimal=",")
    proposal = propose(written(tmp_path, text), site() if known else None)
    assert told(proposal) == MEANT
    assert proposal.doubts == ()
    assert proposal.profile is not None
    assert proposal.profile.delimited is not None
    assert proposal.profile.delimited.decimal == ","


def test_a_row_of_units_and_a_preamble_are_seen(tmp_path: Path) -> None:
    bare = {column: name.split(" [")[0] for column, name in NAMES.items()}
    header, *rows = table(hours(), bare).splitlines()
    units = ";kWh;kWh;°C;°C;°C"
    text = "\n".join(["Anlage 7", "Zeitraum Januar", "", header, units, *rows, ""])
    proposal = propose(written(tmp_path, text))
    assert told(proposal) == {k.split(" [")[0]: v for k, v in MEANT.items()}
    assert fact(proposal, "header") == "line 4"
    assert fact(proposal, "row of units") == "line 5"
    assert proposal.profile is not None
    seen = preview(tmp_path / "export.dat", proposal.profile, None, now=NOW)
    assert seen.report.counts.quarantined == 0
    assert seen.report.counts.accepted == 5 * len(rows)


def test_units_that_nobody_states_are_chosen_so_that_the_sizes_can_be_true(tmp_path: Path) -> None:
    frame = hours().with_columns(pl.col("heat") * 3.6, pl.col("elec") * 1000)
    text = table(frame, {"heat": "Wärme", "elec": "Strom"})
    proposal = propose(written(tmp_path, text), site())
    assert told(proposal) == {
        "Wärme": ("heat_total", "register", "MJ"),
        "Strom": ("elec_total", "register", "Wh"),
    }
    assert all(one.unit.confidence <= 0.75 for one in proposal.columns)


def test_power_interval_and_register_are_told_by_how_they_run(tmp_path: Path) -> None:
    frame = hours().with_columns(
        pl.col("elec").diff().fill_null(0.3).alias("power"),
        pl.col("heat").diff().fill_null(1.0).alias("each"),
    )
    text = table(
        frame, {"heat": "heat [kWh]", "power": "power elec [kW]", "each": "dhw heat [kWh]"}
    )
    found = told(propose(written(tmp_path, text)))
    assert found["heat [kWh]"][1] == "register"
    assert found["power elec [kW]"] == ("elec_total", "power", "kW")
    assert found["dhw heat [kWh]"] == ("heat_dhw", "interval", "kWh")


def test_values_for_no_value_are_named(tmp_path: Path) -> None:
    frame = hours().with_columns(
        pl.when(pl.int_range(pl.len()) % 100 == 7)
        .then(-999.0)
        .otherwise("outdoor")
        .alias("outdoor")
    )
    proposal = propose(written(tmp_path, table(frame, NAMES)))
    one = next(c for c in proposal.columns if c.role.value == "outdoor_temp")
    assert one.sentinels == (-999.0,)


# Times ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("days", "stamps", "meant"),
    [
        (30, "%d/%m/%Y %H:%M", "%d/%m/%Y %H:%M"),
        (30, "%m/%d/%Y %H:%M", "%m/%d/%Y %H:%M"),
        (30, "%m/%d/%Y %I:%M %p", "%m/%d/%Y %I:%M %p"),
        (30, "%d.%m.%y %H:%M:%S", "%d.%m.%y %H:%M:%S"),
        (30, "%Y/%m/%d %H:%M", "%Y/%m/%d %H:%M"),
        (30, "%s", "epoch_s"),
        (5, "%Y-%m-%d %H:%M", "iso"),
    ],
)
def test_how_times_are_written_is_told(tmp_path: Path, days: int, stamps: str, meant: str) -> None:
    text = table(hours(days), NAMES, stamps=stamps)
    proposal = propose(written(tmp_path, text), site())
    assert fact(proposal, "time format") == meant
    assert proposal.profile is not None


def test_day_and_month_that_cannot_be_told_apart_are_asked_for(tmp_path: Path) -> None:
    path = written(tmp_path, table(hours(5), NAMES, stamps="%d/%m/%Y %H:%M"))
    proposal = propose(path, site())
    assert proposal.profile is None
    assert [q.key for q in proposal.missing] == ["time_format"]
    assert proposal.missing[0].options == ("%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M")
    answered = propose(path, site(), read_answers(["time_format=%d/%m/%Y %H:%M"]))
    assert answered.profile is not None
    seen = preview(path, answered.profile, site(), now=NOW)
    assert seen.days["day"].min() == date(2024, 1, 3)


def test_date_and_clock_in_two_columns_are_one_time(tmp_path: Path) -> None:
    text = table(hours(), NAMES, time="Datum;Uhrzeit", stamps="%d.%m.%Y;%H:%M")
    proposal = propose(written(tmp_path, text), site())
    assert fact(proposal, "time") == "Datum + Uhrzeit"
    assert proposal.profile is not None
    assert proposal.profile.delimited is not None
    assert proposal.profile.delimited.time == ("Datum", "Uhrzeit")


AUTUMN, SPRING = datetime(2023, 10, 15, tzinfo=UTC), datetime(2024, 3, 15, tzinfo=UTC)


@pytest.mark.parametrize("start", [AUTUMN, SPRING], ids=["autumn", "spring"])
def test_a_change_of_clocks_in_the_data_tells_the_zone(tmp_path: Path, start: datetime) -> None:
    text = table(hours(start=start), NAMES, stamps="%d.%m.%Y %H:%M", zone="Europe/Berlin")
    proposal = propose(written(tmp_path, text), site())
    assert fact(proposal, "zone") == "Europe/Berlin"
    assert proposal.questions == ()


def test_stamps_in_the_hour_that_clocks_skip_speak_against_the_site_s_zone(tmp_path: Path) -> None:
    text = table(hours(start=SPRING), NAMES, stamps="%d.%m.%Y %H:%M", zone="Etc/GMT-1")
    proposal = propose(written(tmp_path, text), site())
    assert [q.key for q in proposal.missing] == ["zone"]
    assert proposal.missing[0].options == ("UTC", "+01:00")


def test_without_a_change_of_clocks_the_site_s_zone_is_a_guess(tmp_path: Path) -> None:
    text = table(hours(), NAMES, stamps="%d.%m.%Y %H:%M", zone="Europe/Berlin")
    proposal = propose(written(tmp_path, text), site())
    assert fact(proposal, "zone") == "Europe/Berlin"
    assert [q.key for q in proposal.questions] == ["zone"]
    assert proposal.missing == ()


@pytest.mark.parametrize(
    ("above", "time", "zone"),
    [
        ("", "Zeit (UTC)", "UTC"),
        ("", "Zeit (UTC+1)", "+01:00"),
        ("Alle Zeiten in UTC\n", "Zeit", "UTC"),
        ("Zeiten: MEZ\n", "Zeit", "+01:00"),
        ("Times;local\n", "Zeit", "Europe/Berlin"),
        # When a file was made says nothing about the times in it.
        ("Exported 2024-02-01 10:00 UTC\n", "Zeit", "Europe/Berlin"),
        ("Exported 2024-02-01 10:00 UTC+3\n", "Zeit", "Europe/Berlin"),
    ],
)
def test_what_a_file_says_of_its_zone_is_heard(
    tmp_path: Path, above: str, time: str, zone: str
) -> None:
    text = above + table(hours(), NAMES, time=time, stamps="%d.%m.%Y %H:%M")
    assert fact(propose(written(tmp_path, text), site()), "zone") == zone


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_encoding_and_line_ends_are_seen(tmp_path: Path, encoding: str, ends: str) -> None:
    path = written(tmp_path, table(hours(), NAMES).replace("\n", ends).encode(encoding))
    proposal = propose(path)
    assert told(proposal) == MEANT
    assert proposal.profile is not None
    assert preview(path, proposal.profile, None, now=NOW).report.counts.quarantined == 0


def test_a_table_of_days_and_hours_is_said_to_be_none_that_can_be_read(tmp_path: Path) -> None:
    head = ";".join(["date", *(f"{h:02d}:00" for h in range(24))])
    rows = [";".join([f"2024-01-{d:02d}", *["0.5"] * 24]) for d in range(1, 20)]
    proposal = propose(written(tmp_path, "\n".join([head, *rows, ""])))
    assert proposal.profile is None
    assert "a row for each day" in proposal.doubts[0]


def test_a_header_without_rows_is_said_to_have_none(tmp_path: Path) -> None:
    proposal = propose(written(tmp_path, "time;heat [kWh]\n"))
    assert proposal.profile is None
    assert "no rows" in proposal.doubts[0]


# Numbers ----------------------------------------------------------------------------------


def test_a_number_that_can_mean_two_things_is_asked_for(tmp_path: Path) -> None:
    rows = [f"2024-01-{d:02d}T00:00:00Z;{1 + d // 9},{234 + d}" for d in range(1, 29)]
    path = written(tmp_path, "\n".join(["time;heat [kWh]", *rows, ""]))
    assert [q.key for q in propose(path).missing] == ["decimal"]
    answered = propose(path, None, read_answers(["decimal=,"]))
    assert answered.profile is not None
    assert answered.profile.delimited is not None
    assert answered.profile.delimited.decimal == ","


def test_thousands_marks_are_seen(tmp_path: Path) -> None:
    rows = [f"2024-01-{d:02d}T00:00:00Z;1.{234 + d},5" for d in range(1, 29)]
    proposal = propose(written(tmp_path, "\n".join(["time;heat [kWh]", *rows, ""])))
    assert proposal.profile is not None
    assert proposal.profile.delimited is not None
    assert (proposal.profile.delimited.decimal, proposal.profile.delimited.thousands) == (",", ".")


# Magnitudes -------------------------------------------------------------------------------


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    cop=st.floats(2.5, 4.4),
    factor=st.sampled_from([1000.0, 3.6, 1 / 1000.0]),
    column=st.sampled_from(["heat", "elec"]),
    stated=st.booleans(),
    known=st.booleans(),
)
def test_a_slip_of_units_is_noticed(
    tmp_path: Path, cop: float, factor: float, column: str, stated: bool, known: bool
) -> None:
    unit = " [kWh]" if stated else ""
    names = {"heat": f"heat{unit}", "elec": f"electricity{unit}"}
    home = site() if known else None
    right = propose(written(tmp_path, table(hours(20, cop), names)), home)
    assert right.doubts == ()
    assert {one.unit.value for one in right.columns} == {"kWh"}
    # More digits than an export has, so that a thousandth still goes up.
    wrong = hours(20, cop).with_columns(pl.col(column) * factor)
    lines = ["time;" + ";".join(names.values())]
    lines += [
        f"{t:%Y-%m-%dT%H:%M:%SZ};{h:.7f};{e:.7f}"
        for t, h, e in wrong.select("time", "heat", "elec").rows()
    ]
    slipped = propose(written(tmp_path, "\n".join([*lines, ""])), home)
    name = names[column]
    told_unit = next(one.unit.value for one in slipped.columns if one.column == name)
    if stated:
        assert any(name in doubt or "mean" in doubt for doubt in slipped.doubts)
    else:
        assert told_unit != "kWh" or slipped.doubts


@settings(
    max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(cop=st.floats(2.0, 4.8), known=st.booleans())
def test_swapped_heat_and_electricity_are_noticed_and_set_right(
    tmp_path: Path, cop: float, known: bool
) -> None:
    names = {"elec": "Wärme [kWh]", "heat": "Strom [kWh]"}
    proposal = propose(written(tmp_path, table(hours(20, cop), names)), site() if known else None)
    assert any("swapped" in doubt for doubt in proposal.doubts)
    found = told(proposal)
    assert found["Wärme [kWh]"][0] == "elec_total"
    assert found["Strom [kWh]"][0] == "heat_total"
    assert {f"{name}.role" for name in found} <= {q.key for q in proposal.questions}


def test_what_a_person_says_of_a_role_is_never_swapped(tmp_path: Path) -> None:
    path = written(tmp_path, table(hours(20), {"elec": "A [kWh]", "heat": "B [kWh]"}))
    said = read_answers(["A [kWh].role=heat_total", "B [kWh].role=elec_total"])
    proposal = propose(path, None, said)
    assert told(proposal)["A [kWh]"][0] == "heat_total"
    assert any("look swapped" in doubt for doubt in proposal.doubts)


def test_two_registers_without_names_are_told_by_their_size_and_asked_about(tmp_path: Path) -> None:
    path = written(tmp_path, table(hours(20), {"elec": "Kanal 1 [kWh]", "heat": "Kanal 2 [kWh]"}))
    proposal = propose(path)
    assert told(proposal)["Kanal 2 [kWh]"][0] == "heat_total"
    assert {q.key for q in proposal.questions} == {"Kanal 1 [kWh].role", "Kanal 2 [kWh].role"}


def test_intervals_that_would_be_too_much_look_like_power(tmp_path: Path) -> None:
    frame = hours(10).with_columns(pl.col("elec").diff().fill_null(0.4).alias("p"))
    # Every five minutes of an hour the same mean power, under a header that says energy.
    quick = pl.concat(
        frame.select((pl.col("time") + pl.duration(minutes=5 * k)).alias("time"), "p")
        for k in range(12)
    ).sort("time")
    quick = quick.with_columns(pl.col("p") * 3)
    proposal = propose(written(tmp_path, table(quick, {"p": "electricity [kWh]"})))
    assert any("look like power" in doubt for doubt in proposal.doubts)


def test_a_role_that_the_site_does_not_measure_is_left_out_with_the_reason(tmp_path: Path) -> None:
    path = written(tmp_path, table(hours(), {**NAMES, "back": "Raum [°C]"}))
    proposal = propose(path, site())
    one = next(c for c in proposal.columns if c.column == "Raum [°C]")
    assert not one.used
    assert "no meter of this site" in one.role.reasons[0]


# Answers ----------------------------------------------------------------------------------


def test_answers_go_before_what_is_told(tmp_path: Path) -> None:
    path = written(tmp_path, table(hours(), NAMES))
    said = ["Außen [°C].role=none", "Strom [kWh].role=elec_unit", "name=Logger 7", "zone=+01:00"]
    proposal = propose(path, None, read_answers(said))
    assert proposal.profile is not None
    assert (proposal.profile.name, proposal.profile.zone) == ("Logger 7", "+01:00")
    assert told(proposal)["Strom [kWh]"][0] == "elec_unit"
    assert "Außen [°C]" not in told(proposal)


@pytest.mark.parametrize(
    "text",
    [
        "zone",
        "=x",
        "speed=7",
        "heat.colour=red",
        "decimal=x",
        "encoding=morse",
        "separator=abc",
        "heat.scale=much",
        "heat.sentinels=1,,2",
        "heat.stamp=middle",
        "heat.interval=0",
    ],
)
def test_an_answer_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(DescriptionError):
        read_answers([text])


@pytest.mark.parametrize("text", ["nothing.role=heat_total", "Strom [kWh].role=warmth"])
def test_an_answer_about_nothing_is_said_to_be_so(tmp_path: Path, text: str) -> None:
    proposal = propose(written(tmp_path, table(hours(), NAMES)), None, read_answers([text]))
    assert proposal.profile is None
    assert len(proposal.doubts) == 1


def test_a_profile_that_is_written_is_read_again(tmp_path: Path) -> None:
    proposal = propose(written(tmp_path, table(hours(), NAMES, separator="\t")))
    assert proposal.profile is not None
    text = profile_to_toml(proposal.profile)
    assert Profile.model_validate(tomllib.loads(text)) == proposal.profile


# Other formats ----------------------------------------------------------------------------


def test_a_workbook_and_parquet_are_told_as_the_same_text_is(tmp_path: Path) -> None:
    frame = hours().select("time", *(pl.col(k).round(3).alias(v) for k, v in NAMES.items()))
    frame.write_parquet(tmp_path / "export.bin")
    rows = frame.with_columns(pl.col("time").dt.replace_time_zone(None)).rows()
    cells = [["Anlage 7"], ["time", *NAMES.values()], *rows]
    sheet = written(tmp_path, workbook(("Log", cells)), "sheet.bin")
    excel = propose(sheet, None, read_answers(["zone=UTC"]))
    assert (excel.format, told(excel)) == ("excel", MEANT)
    assert excel.profile is not None
    assert preview(sheet, excel.profile, None, now=NOW).report.counts.accepted == 5 * frame.height
    parquet = propose(tmp_path / "export.bin")
    assert (parquet.format, told(parquet)) == ("parquet", MEANT)
    assert parquet.profile is not None
    seen = preview(tmp_path / "export.bin", parquet.profile, None, now=NOW)
    assert seen.report.counts.accepted == 5 * frame.height


def test_a_long_table_is_told_point_by_point(tmp_path: Path) -> None:
    frame = hours().select("time", *(pl.col(k).round(3).alias(v) for k, v in NAMES.items()))
    rows = frame.unpivot(index="time", variable_name="point", value_name="value").sort("time")
    lines = [f"{t:%Y-%m-%dT%H:%M:%SZ},{point},{value}" for t, point, value in rows.rows()]
    proposal = propose(written(tmp_path, "\n".join(["time,point,value", *lines, ""])))
    assert told(proposal) == MEANT
    assert fact(proposal, "layout") == "long"


def test_json_lines_and_line_protocol_are_told(tmp_path: Path) -> None:
    frame = hours()
    json = [
        f'{{"at": "{t:%Y-%m-%dT%H:%M:%SZ}", "meter": {{"heat_kwh": {h:.3f}}}, "elec_kwh": {e:.3f}}}'
        for t, h, e in frame.select("time", "heat", "elec").rows()
    ]
    found = propose(written(tmp_path, "\n".join([*json, ""])))
    assert found.format == "jsonl"
    assert told(found) == {
        "meter.heat_kwh": ("heat_total", "register", "kWh"),
        "elec_kwh": ("elec_total", "register", "kWh"),
    }
    lines = [
        f"home,room=plant heat_kwh={h:.3f},elec_kwh={e:.3f} {int(t.timestamp())}"
        for t, h, e in frame.select("time", "heat", "elec").rows()
    ]
    found = propose(written(tmp_path, "\n".join([*lines, ""])))
    assert found.format == "line_protocol"
    assert fact(found, "precision") == "s"
    assert found.profile is not None
    seen = preview(tmp_path / "export.dat", found.profile, None, now=NOW)
    assert seen.report.counts.accepted == 2 * frame.height


# Whatever stands in a file ----------------------------------------------------------------

BEGINNINGS = [
    b"", b"PK\x03\x04", b"PAR1", b"\x1f\x8b\x08", b"\xff\xfe", b"{", b'{"a": 1}\n', b"[",
    b"<MBusData>",
    b"<feed xmlns='http://naesb.org/espi'>", b"/ABC5XYZ\r\n1-0:1.8.0(1*kWh)\r\n1.8.1(",
    b"2024-01-01T00:00:00Z;68 15 15 68 08 01 72 00 00 00 00 00 00 00 00 00 00 00 00",
    b"m,a=b c=1 1705320000\n", b"time;heat [kWh]\n2024-01-01;1\n2024-01-02;2\n",
    b"\xd0\xcf\x11\xe0",
]  # fmt: skip


@settings(
    max_examples=70, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(begin=st.sampled_from(BEGINNINGS), rest=st.binary(max_size=400), known=st.booleans())
def test_no_bytes_give_a_traceback(tmp_path: Path, begin: bytes, rest: bytes, known: bool) -> None:
    proposal = propose(written(tmp_path, begin + rest), site() if known else None)
    assert proposal.profile is not None or proposal.doubts or proposal.questions


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_a_damaged_export_gives_no_traceback(tmp_path: Path, data: st.DataObject) -> None:
    whole = table(hours(3), NAMES).encode()
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(whole) - 1))
        length = data.draw(st.integers(0, 40))
        whole = whole[:at] + data.draw(st.binary(max_size=40)) + whole[at + length :]
    proposal = propose(written(tmp_path, whole), site())
    assert proposal.profile is not None or proposal.doubts or proposal.questions


@pytest.mark.parametrize(
    "content",
    [
        b"\n" * 70_000,
        b"a,b\n" + b'"' * 60_000,
        b";" * 200_000,
        b"AA " * 20_000,
        (b"2024-01-01T00:00:00Z " + b"AA " * 1_200 + b"x\n") * 40,
        b" " * 60_000 + b"1/1/2024" + b" " * 60_000 + b";1\n",
        b"{" * 50_000,
        b"[" * 50_000,
        b'{"a":' * 3_000,
    ],
)
def test_texts_that_are_made_to_take_long_do_not(tmp_path: Path, content: bytes) -> None:
    began = datetime.now(UTC)
    propose(written(tmp_path, content), site())
    assert (datetime.now(UTC) - began).total_seconds() < 20.0


def test_a_file_that_is_not_there_is_said_so(tmp_path: Path) -> None:
    proposal = propose(tmp_path / "none.csv", None, Answers())
    assert proposal.format is None
    assert "There is no file" in proposal.doubts[0]
