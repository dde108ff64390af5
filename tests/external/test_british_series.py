"""Two measured energy streams of a real home, against plain arithmetic with pandas.

The home burns gas and has no heat pump. No openly licensed series holds both the
electricity and the heat of one, so the boiler's gas is passed off as the heat stream here
and the whole home's electricity as the heat pump's. What is checked is that real series
go through import, slots, pairing and windows without gain or loss; the ratio means
nothing. Origin and licence: tests/data/british_series/SOURCE.md.
"""

from __future__ import annotations

import gzip
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pytest

from ingest.inbox import import_file
from ingest.profile import Profile
from monitor.metrics import periods
from monitor.metrics.boundary import recipe
from monitor.metrics.performance import accounts, pair
from monitor.models import Boundary, Site
from monitor.refresh import refresh_site
from monitor.store.connection import open_store
from monitor.store.derived import load_slots, load_states
from monitor.store.sites import save_site

pytestmark = pytest.mark.external

DATA = Path(__file__).parents[1] / "data" / "british_series"
NOW = datetime(2023, 1, 1, tzinfo=UTC)
ROLES = {"gas": "heat_total", "electricity": "elec_total"}
HOUR = pd.Timedelta(hours=1)


def series(name: str) -> pd.Series:
    """The source file by pandas alone: kWh or degC by UTC hour."""
    frame = pd.read_csv(DATA / f"{name}.csv.gz")
    time = pd.to_datetime(frame["start" if name in ROLES else "dt"], utc=True)
    return pd.Series(frame.iloc[:, -1].to_numpy(), index=pd.DatetimeIndex(time))


def the_home(kind: str) -> Site:
    channels = [
        (role, "heat" if name == "gas" else "electricity", kind) for name, role in ROLES.items()
    ]
    channels.append(("outdoor_temp", "sensors", "state"))
    return Site.model_validate(
        {
            "id": "a-british-home",
            "name": "A British home",
            "zone": "Europe/London",
            "commissioned": date(2020, 1, 1),
            "heat_pump": {"nominal_heat_kw": 8.0},
            "meter": [
                {
                    "serial": role,
                    "measures": measures,
                    "fitted": datetime(2020, 1, 1, tzinfo=UTC),
                    "channel": [{"role": role, "kind": kind}],
                }
                for role, measures, kind in channels
            ],
        }
    )


def profile(role: str, kind: str, time: str, column: str, unit: str) -> Profile:
    content: dict[str, Any] = {"column": column, "role": role, "kind": kind, "unit": unit}
    if kind == "interval":
        content["interval"] = timedelta(hours=1)
    return Profile.model_validate(
        {
            "name": f"{role} by the hour",
            "format": "delimited",
            "delimited": {"time": time},
            "column": [content],
        }
    )


class Result:
    """Slots and states of the home after importing its files."""

    def __init__(self, folder: Path, files: dict[str, Path], kind: str) -> None:
        self.site = the_home(kind)
        with open_store(folder / "homes.duckdb", create=True) as store:
            save_site(store, self.site, NOW)
            self.reports = {}
            for name, path in files.items():
                used = (
                    profile(ROLES[name], kind, "start", "value", "kWh")
                    if name in ROLES
                    else profile("outdoor_temp", "state", "dt", "tempC", "degC")
                )
                self.reports[name] = import_file(store, self.site.id, path, used, now=NOW)
            refresh_site(store, self.site.id, now=NOW)
            self.slots = load_slots(store, self.site.id)
            self.states = load_states(store, self.site.id)

    def table(self, windows: list[periods.Window]) -> pl.DataFrame:
        spans = [periods.span(self.site, window) for window in windows]
        blocks = pair(self.slots, recipe(self.site, Boundary.H2))
        return accounts(blocks, [a for a, _ in spans], [b for _, b in spans])

    @property
    def months(self) -> pl.DataFrame:
        return self.table(periods.months(date(2020, 4, 1), date(2023, 1, 1)))

    @property
    def whole(self) -> dict[str, Any]:
        return self.table([periods.Window("", date(2020, 4, 1), date(2023, 1, 1))]).row(
            0, named=True
        )


@pytest.fixture(scope="module")
def complete(tmp_path_factory: pytest.TempPathFactory) -> Result:
    folder = tmp_path_factory.mktemp("complete")
    files = {}
    for name in ("gas", "electricity", "outdoor"):
        files[name] = folder / f"{name}.csv"
        files[name].write_bytes(gzip.decompress((DATA / f"{name}.csv.gz").read_bytes()))
    return Result(folder, files, "interval")


def by_month(values: pd.Series) -> np.ndarray:
    local = values.index.tz_convert("Europe/London")
    months = pd.period_range("2020-04", "2022-12", freq="M")
    sums = values.groupby([local.year, local.month]).sum()
    return np.array([float(sums.get((m.year, m.month), 0.0)) for m in months])


class TestComplete:
    def test_every_row_is_accepted(self, complete: Result) -> None:
        for report in complete.reports.values():
            assert (report.counts.rows_read, report.counts.accepted) == (23_508, 23_508)

    def test_the_totals_are_those_of_the_source(self, complete: Result) -> None:
        assert complete.whole["electricity_kwh"] == pytest.approx(3789.626, abs=1e-6)
        assert complete.whole["heat_kwh"] == pytest.approx(16_878.2622, abs=1e-6)
        assert complete.whole["hours_measured"] == 23_508
        assert complete.whole["spf"] == pytest.approx(
            series("gas").sum() / series("electricity").sum()
        )

    def test_each_local_month_has_the_sum_of_its_hours(self, complete: Result) -> None:
        table = complete.months
        assert table["heat_kwh"].to_numpy() == pytest.approx(by_month(series("gas")), abs=1e-6)
        assert table["electricity_kwh"].to_numpy() == pytest.approx(
            by_month(series("electricity")), abs=1e-6
        )

    def test_an_hour_without_its_file_is_missing(self, complete: Result) -> None:
        # The series begins on 1 April 2020 at 02:00 British Summer Time.
        first = complete.months.row(0, named=True)
        assert (first["hours_total"], first["hours_missing"]) == (720, 2)

    def test_hourly_temperatures_are_those_of_the_source(self, complete: Result) -> None:
        expected = series("outdoor")
        got = complete.states.filter(pl.col("role") == "outdoor_temp").sort("slot_start_utc")
        assert got.height == len(expected) == 23_508
        assert got["mean"].to_numpy() == pytest.approx(expected.to_numpy(), abs=1e-9)
        assert float(got["mean"].mean()) == pytest.approx(10.526867, abs=1e-6)  # type: ignore[arg-type]


def thinned(name: str) -> pd.Series:
    """The series with single hours, days and a month taken out, the same each time."""
    values = series(name)
    rng = np.random.default_rng(len(name))
    gone = rng.random(len(values)) < 0.03
    for start in rng.integers(0, len(values) - 800, 12):
        gone[start : start + int(rng.integers(2, 200))] = True
    gone[9000:9744] |= name == "gas"
    gone[[0, -1]] = False
    return values[~gone]


def write(values: pd.Series, path: Path) -> Path:
    values.rename("value").rename_axis("start").to_csv(path)
    return path


@pytest.fixture(scope="module")
def holed(tmp_path_factory: pytest.TempPathFactory) -> Result:
    folder = tmp_path_factory.mktemp("holed")
    files = {name: write(thinned(name), folder / f"{name}.csv") for name in ROLES}
    return Result(folder, files, "interval")


class TestIntervalsWithHolesInThem:
    def test_only_hours_known_of_both_streams_are_paired(self, holed: Result) -> None:
        gas, electricity = thinned("gas").align(thinned("electricity"), join="inner")
        assert len(gas) < 0.95 * 23_508
        assert holed.whole["heat_kwh"] == pytest.approx(gas.sum())
        assert holed.whole["electricity_kwh"] == pytest.approx(electricity.sum())
        assert holed.whole["hours_measured"] == len(gas)
        assert holed.whole["hours_missing"] == holed.whole["hours_total"] - len(gas)

    def test_so_it_is_month_by_month(self, holed: Result) -> None:
        gas, electricity = thinned("gas").align(thinned("electricity"), join="inner")
        assert holed.months["heat_kwh"].to_numpy() == pytest.approx(by_month(gas), abs=1e-6)
        assert holed.months["electricity_kwh"].to_numpy() == pytest.approx(
            by_month(electricity), abs=1e-6
        )


def as_register(name: str, thin: pd.Series) -> pd.Series:
    """Register readings at the thinned hours: what had been used up to the hour."""
    values = series(name)
    before = values.cumsum() - values
    return (100.0 + before).loc[thin.index]


def pieces(register: pd.Series) -> list[tuple[pd.Timestamp, pd.Timestamp, float]]:
    """Known spans of a register and their energy: hours, or the whole of a gap over 2 h."""
    out = []
    for a, b, kwh in zip(
        register.index[:-1], register.index[1:], np.diff(register.to_numpy()), strict=True
    ):
        if b - a <= 2 * HOUR:
            n = (b - a) // HOUR
            out += [(a + k * HOUR, a + (k + 1) * HOUR, kwh / n) for k in range(n)]
        else:
            out.append((a, b, kwh))
    return out


def pairs(gas: pd.Series, electricity: pd.Series) -> pd.DataFrame:
    """Rule R7 by hand: spans that overlap are merged; the merged ones known to both are used."""
    spans = sorted(
        [(a, b, kwh, 0.0) for a, b, kwh in pieces(gas)]
        + [(a, b, 0.0, kwh) for a, b, kwh in pieces(electricity)],
        key=lambda span: (span[0], span[1]),
    )
    merged: list[list[Any]] = []
    for a, b, heat, power in spans:
        if merged and a < merged[-1][1]:
            last = merged[-1]
            last[1] = max(last[1], b)
            last[2] += heat
            last[3] += power
        else:
            merged.append([a, b, heat, power])
    frame = pd.DataFrame(merged, columns=["start", "end", "heat", "power"])
    first = max(gas.index[0], electricity.index[0])
    last = min(gas.index[-1], electricity.index[-1])
    return frame[(frame["start"] >= first) & (frame["end"] <= last)]


@pytest.fixture(scope="module")
def registers() -> dict[str, pd.Series]:
    return {name: as_register(name, thinned(name)) for name in ROLES}


@pytest.fixture(scope="module")
def bridged(tmp_path_factory: pytest.TempPathFactory, registers: dict[str, pd.Series]) -> Result:
    folder = tmp_path_factory.mktemp("bridged")
    files = {n: write(values, folder / f"{n}.csv") for n, values in registers.items()}
    return Result(folder, files, "register")


class TestRegistersWithHolesInThem:
    def test_no_energy_is_lost_in_a_gap_between_two_registers(self, bridged: Result) -> None:
        hours = slice(None, -1)  # the last reading is taken as its hour begins
        assert bridged.whole["heat_kwh"] == pytest.approx(series("gas").iloc[hours].sum())
        assert bridged.whole["electricity_kwh"] == pytest.approx(
            series("electricity").iloc[hours].sum()
        )
        assert bridged.whole["hours_measured"] + bridged.whole["hours_bridged"] == 23_507

    def test_each_month_has_the_blocks_that_lie_whole_in_it(
        self, bridged: Result, registers: dict[str, pd.Series]
    ) -> None:
        expected = pairs(registers["gas"], registers["electricity"])
        local = [expected[c].dt.tz_convert("Europe/London") for c in ("start", "end")]
        months = pd.period_range("2020-04", "2022-12", freq="M")
        rows = []
        for month in months:
            begin = pd.Timestamp(month.start_time.date(), tz="Europe/London")
            end = pd.Timestamp((month + 1).start_time.date(), tz="Europe/London")
            inside = expected[(local[0] >= begin) & (local[1] <= end)]
            length = (inside["end"] - inside["start"]) // HOUR
            rows.append(
                (
                    inside["heat"].sum(),
                    inside["power"].sum(),
                    length.sum(),
                    length[length > 1].sum(),
                )
            )
        heat, power, known, long = (
            np.array(column, dtype=float) for column in zip(*rows, strict=True)
        )
        table = bridged.months
        assert table["heat_kwh"].to_numpy() == pytest.approx(heat, abs=1e-6)
        assert table["electricity_kwh"].to_numpy() == pytest.approx(power, abs=1e-6)
        assert table["hours_bridged"].to_list() == long.tolist()
        assert (table["hours_measured"] + table["hours_bridged"]).to_list() == known.tolist()
        assert 0 < long.sum() < known.sum() < 23_507
