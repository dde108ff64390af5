"""Sums, means and windows against pandas and scipy, on hourly frames with gaps.

References: pandas 3.1 (grouping by the local calendar, rolling sums), scipy 1.17 (harmonic
mean, integration by trapezia). The performance factor of a window is a ratio of sums over the
same hours, after SEPEMO-Build D4.2 (2012; from memory).
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pytest
from scipy.integrate import trapezoid
from scipy.stats import hmean
from statsmodels.stats.weightstats import DescrStatsW

from monitor.guarantee.settlement import Exclusion, exclusion_effects
from monitor.guarantee.single_hours import idle_kwh, space_flow
from monitor.metrics import periods
from monitor.metrics.account import Days, account, heat_meter_use, with_u_spf
from monitor.metrics.boundary import recipe
from monitor.metrics.daily import day_frame, unknown_hours
from monitor.metrics.performance import Blocks, accounts, exclude, pair
from monitor.metrics.uncertainty import HeatMeterUse
from monitor.metrics.water import heat_coefficient_kwh_per_m3k
from monitor.models import Boundary, Site, Terms
from monitor.refresh import derive
from monitor.rules import DEFAULT_RULES
from monitor.schemas import SLOT, STATE_SLOT, empty
from tests.monitor.homes import at, home, readings, slots_of, stored

pytestmark = pytest.mark.external

ZONE = "Europe/London"
BEGIN = datetime(2023, 1, 1, tzinfo=UTC)
HOURS = 2 * 8760
USE = HeatMeterUse(5.0, None, recorded=False)


@cache
def hourly() -> pd.DataFrame:
    """Two years of hours; nan where an hour is not known, stream by stream."""
    rng = np.random.default_rng(1)
    index = pd.date_range(BEGIN, periods=HOURS, freq="h")
    season = 1.0 + 0.9 * np.cos(2 * np.pi * (index.day_of_year.to_numpy() - 20) / 365.25)
    frame = pd.DataFrame(
        {
            "heat_space": season * rng.uniform(0.5, 3.0, HOURS),
            "heat_dhw": np.where(index.hour.isin([5, 6, 17]), rng.uniform(0.5, 2.5, HOURS), 0.0),
            "elec_unit": season * rng.uniform(0.2, 1.0, HOURS) + 0.02,
        },
        index=index,
    )
    for name in frame.columns:
        for start in rng.integers(0, HOURS, 25):
            frame.iloc[start : start + rng.integers(1, 60), frame.columns.get_loc(name)] = np.nan
    return frame


def utc(index: pd.DatetimeIndex) -> pl.Series:
    naive = index.tz_localize(None).to_numpy()
    return pl.Series(naive).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")


def slots(frame: pd.DataFrame) -> pl.DataFrame:
    """The known hours of each stream as measured slots."""
    parts = []
    for name in frame.columns:
        known = frame[name].dropna()
        stamp = utc(known.index)
        kwh = known.to_numpy()
        parts.append(
            pl.DataFrame(
                {
                    "role": [name] * len(kwh),
                    "slot_start_utc": stamp,
                    "status": ["measured"] * len(kwh),
                    "kwh": kwh,
                    "block_start_utc": stamp,
                    "block_end_utc": stamp + timedelta(hours=1),
                    "block_kwh": kwh,
                    "u_start_kwh": [0.0] * len(kwh),
                    "u_end_kwh": [0.0] * len(kwh),
                },
                schema=SLOT,
            )
        )
    return pl.concat(parts)


def states(**means: pd.Series) -> pl.DataFrame:
    return pl.concat(
        pl.DataFrame(
            {
                "role": [name] * len(mean),
                "slot_start_utc": utc(mean.index),
                "mean": mean.to_numpy(),
                "covered": [1.0] * len(mean),
            },
            schema=STATE_SLOT,
        )
        for name, mean in means.items()
    )


def a_site(*extra: dict[str, Any]) -> Site:
    return home(
        {"role": "heat_space"},
        {"role": "heat_dhw"},
        {"role": "elec_unit"},
        *extra,
        zone=ZONE,
        heat_pump={"nominal_heat_kw": 4.0},
    )


@cache
def blocks() -> Blocks:
    return pair(slots(hourly()), recipe(a_site(), Boundary.H2))


def paired() -> pd.DataFrame:
    """Heat and electricity of the hours in which all is known, by local time."""
    frame = hourly().dropna().tz_convert(ZONE)
    return pd.DataFrame(
        {"heat": frame["heat_space"] + frame["heat_dhw"], "used": frame["elec_unit"]}
    )


def table_of(windows: list[periods.Window]) -> pl.DataFrame:
    spans = [periods.span(a_site(), window) for window in windows]
    return accounts(blocks(), [a for a, _ in spans], [b for _, b in spans])


def test_months_are_the_sums_of_their_local_hours() -> None:
    found = table_of(periods.months(date(2023, 1, 1), date(2024, 12, 31)))
    theirs = paired().groupby([paired().index.year, paired().index.month]).agg(["sum", "count"])
    theirs = theirs.loc[: (2024, 12)].iloc[:24]
    assert found["heat_kwh"][:23].to_numpy() == pytest.approx(theirs["heat", "sum"][:23])
    assert found["electricity_kwh"][:23].to_numpy() == pytest.approx(theirs["used", "sum"][:23])
    spf = theirs["heat", "sum"] / theirs["used", "sum"]
    assert found["spf"][:23].to_numpy() == pytest.approx(spf[:23])
    assert found["hours_measured"][:23].to_list() == theirs["heat", "count"][:23].to_list()


@pytest.mark.parametrize("length", [7, 30, 365])
def test_rolling_windows_are_the_rolling_sums_of_local_days(length: int) -> None:
    first, end = date(2024, 1, 5), date(2024, 12, 20)
    found = table_of(periods.rolling(first, end, length))
    daily = paired().resample("D").sum().rolling(length).sum()
    theirs = daily[pd.Timestamp(first, tz=ZONE) : pd.Timestamp(end, tz=ZONE)].iloc[:-1]
    assert len(theirs) == found.height == (end - first).days
    assert found["heat_kwh"].to_numpy() == pytest.approx(theirs["heat"], rel=1e-9)
    assert found["spf"].to_numpy() == pytest.approx(theirs["heat"] / theirs["used"], rel=1e-9)


def test_a_heating_season_runs_from_october_to_april() -> None:
    found = table_of(periods.heating_seasons(date(2023, 6, 1), date(2024, 6, 1)))
    here = paired()
    season = here[pd.Timestamp(2023, 10, 1, tz=ZONE) : pd.Timestamp(2024, 5, 1, tz=ZONE)].iloc[:-1]
    season = season[season.index.month.isin([10, 11, 12, 1, 2, 3, 4])]
    row = found.row(0, named=True)
    assert row["spf"] == pytest.approx(season["heat"].sum() / season["used"].sum(), rel=1e-9)
    assert row["hours_measured"] == len(season)
    # October to April of a leap year, from summer to summer time.
    assert row["hours_total"] == (31 + 30 + 31 + 31 + 29 + 31 + 30) * 24


def test_coverage_is_the_share_of_hours_in_which_all_streams_are_known() -> None:
    days = periods.days(date(2023, 3, 20), date(2023, 4, 10))
    found = table_of(days)
    every = pd.Series(1, index=hourly().tz_convert(ZONE).index).resample("D").sum()
    known = paired()["heat"].resample("D").count()
    at_days = [pd.Timestamp(day.first, tz=ZONE) for day in days]
    assert found["hours_total"].to_list() == every[at_days].to_list()
    assert 23 in found["hours_total"].to_list()
    theirs = known.reindex(at_days, fill_value=0) / every[at_days]
    assert found["coverage"].to_numpy() == pytest.approx(theirs.to_numpy())


def test_excluded_hours_are_rows_left_out() -> None:
    out = (datetime(2023, 2, 3, 5, tzinfo=UTC), datetime(2023, 2, 9, 17, tzinfo=UTC))
    left = exclude(blocks(), [out])
    found = account(a_site(), left.recipe, left, USE, date(2023, 1, 1), date(2023, 4, 1))
    here = paired()["2023-01-01":"2023-03-31"]
    here = here[(here.index < pd.Timestamp(out[0])) | (here.index >= pd.Timestamp(out[1]))]
    assert found.spf == pytest.approx(here["heat"].sum() / here["used"].sum(), rel=1e-9)
    assert found.excluded_hours == 156
    assert found.hours.total == 90 * 24 - 1 - 156


def test_months_of_a_table_are_as_unsure_as_what_their_hours_and_days_say() -> None:
    """Class 2 at 5 K and class B, no edges, and the hours that nobody knows, by pandas."""
    site = a_site()
    first, end = date(2023, 1, 1), date(2023, 7, 1)
    table, daily = table_of(periods.months(first, end)), table_of(periods.days(first, end))
    found = with_u_spf(site, blocks().recipe, USE, table, daily)
    every = pd.Series(1, index=hourly().tz_convert(ZONE).index)
    own = hourly().dropna().tz_convert(ZONE)
    assert found.height == 6
    for month, row in enumerate(found.iter_rows(named=True), start=1):
        here = own[(own.index.year == 2023) & (own.index.month == month)]
        hours = every[(every.index.year == 2023) & (every.index.month == month)]
        used = here["elec_unit"].sum()
        space, water = here["heat_space"].sum(), here["heat_dhw"].sum()
        spf = (space + water) / used
        days = pd.DataFrame(
            {
                "heat": (here["heat_space"] + here["heat_dhw"]).resample("D").sum(),
                "used": here["elec_unit"].resample("D").sum(),
            }
        )
        days = days[days["used"] > 0]
        spread = DescrStatsW(days["heat"] / days["used"], weights=days["used"], ddof=0).std
        # Each unknown hour is held to have used what a known one of its month did.
        rate, unknown = used / len(here), len(hours) - len(here)
        share = rate * unknown / (rate * unknown + used)
        meters = np.hypot(np.hypot(space, water) / used * 0.0544, spf * 0.02) / 3**0.5
        assert unknown > 0
        theirs = np.hypot(meters, share * spread)
        assert row["u_spf"] == pytest.approx(theirs, rel=1e-9)


def test_what_an_exclusion_does_is_the_difference_of_two_sums_over_rows() -> None:
    site = a_site().model_copy(
        update={
            "terms": (
                Terms.model_validate(
                    {
                        "signed": date(2022, 12, 1),
                        "promised_spf": 3.0,
                        "boundary": "H2",
                        "start": date(2023, 1, 1),
                        "months": 6,
                    }
                ),
            )
        }
    )
    here = paired()["2023-01-01":"2023-06-30"]
    spans = [
        (datetime(2023, 1, 10, tzinfo=UTC), datetime(2023, 1, 25, 6, tzinfo=UTC)),
        (datetime(2023, 3, 1, 9, tzinfo=UTC), datetime(2023, 3, 20, tzinfo=UTC)),
    ]
    exclusions = tuple(
        Exclusion(start_utc=a, end_utc=b, reason="works", by="owner", at=b) for a, b in spans
    )
    found = exclusion_effects(site, blocks().recipe, blocks(), USE, exclusions)
    for effect, other in zip(found, spans[::-1], strict=True):
        left = here[(here.index < pd.Timestamp(other[0])) | (here.index >= pd.Timestamp(other[1]))]
        spf = left["heat"].sum() / left["used"].sum()
        assert effect.spf_with_it_counted == pytest.approx(spf, rel=1e-9)
        span = effect.exclusion.end_utc - effect.exclusion.start_utc
        assert effect.hours == span / timedelta(hours=1)


def test_hours_of_a_day_are_known_unknown_or_to_come() -> None:
    first, end = date(2023, 3, 1), date(2023, 5, 1)
    until = datetime(2023, 4, 20, 13, tzinfo=UTC)
    out = (datetime(2023, 3, 12, 4, tzinfo=UTC), datetime(2023, 3, 14, 20, tzinfo=UTC))
    later = (datetime(2023, 4, 25, 7, tzinfo=UTC), datetime(2023, 4, 26, 3, tzinfo=UTC))
    gone, to_come, hours = unknown_hours(
        a_site(), exclude(blocks(), [out, later]), first, end, until
    )
    every = pd.Series(1, index=hourly().tz_convert(ZONE).index)["2023-03-01":"2023-04-30"]
    counts = np.ones(len(every), dtype=bool)
    for start, stop in (out, later):
        counts &= (every.index < pd.Timestamp(start)) | (every.index >= pd.Timestamp(stop))
    past = every.index < pd.Timestamp(until)
    unknown = ~every.index.isin(paired().index)
    assert hours.tolist() == every.resample("D").sum().to_list()
    assert gone.tolist() == (every * (counts & past & unknown)).resample("D").sum().to_list()
    assert to_come.tolist() == (every * (counts & ~past)).resample("D").sum().to_list()


def test_unknown_hours_hide_what_known_hours_of_their_month_used() -> None:
    days = periods.days(date(2023, 1, 1), date(2023, 7, 1))
    daily = table_of(days)
    missing = int(daily["hours_missing"].sum())
    used = paired()["used"]["2023-01-01":"2023-06-30"]
    local = pd.Series(daily["start_utc"].dt.convert_time_zone(ZONE).dt.month().to_numpy())
    frame = pd.DataFrame(
        {
            "month": local,
            "used": daily["electricity_kwh"].to_numpy(),
            "known": daily["hours_measured"].to_numpy(),
            "missing": daily["hours_missing"].to_numpy(),
        }
    )
    month = frame.groupby("month").sum()
    hidden = (month["used"] / month["known"] * month["missing"]).sum()
    assert month["used"].sum() == pytest.approx(used.sum(), rel=1e-9)
    assert Days.of(daily, ZONE).hidden_share(missing) == pytest.approx(
        hidden / (hidden + used.sum()), rel=1e-9
    )


def test_a_model_day_is_the_grouped_day_of_pandas() -> None:
    site = a_site({"role": "flow_temp", "kind": "state"}, {"role": "outdoor_temp", "kind": "state"})
    rng = np.random.default_rng(4)
    flow = pd.Series(rng.uniform(28.0, 50.0, HOURS), index=hourly().index)
    outdoor = pd.Series(rng.uniform(-5.0, 25.0, HOURS), index=hourly().index)
    found = day_frame(
        site,
        recipe(site, Boundary.H2),
        slots(hourly()),
        states(flow_temp=flow, outdoor_temp=outdoor),
    ).filter("complete")
    here = paired()
    weighted = (here["heat"] * flow.tz_convert(ZONE)).resample("D").sum()
    daily = here.resample("D").sum()
    chosen = [pd.Timestamp(day, tz=ZONE) for day in found["day"]]
    assert found.height > 400
    for name, theirs in (
        ("heat_kwh", daily["heat"]),
        ("electricity_kwh", daily["used"]),
        ("flow_c", weighted / daily["heat"]),
        ("dhw_kwh", hourly()["heat_dhw"].tz_convert(ZONE).resample("D").sum()),
    ):
        assert found[name].to_numpy() == pytest.approx(theirs[chosen].to_numpy(), rel=1e-9)
    # Outdoors each quarter of the day counts alike; on days of 24 hours that is the mean.
    plain = [day for day in chosen if day.date() not in (date(2023, 3, 26), date(2024, 3, 31))]
    plain = [day for day in plain if day.date() not in (date(2023, 10, 29), date(2024, 10, 27))]
    means = outdoor.tz_convert(ZONE).resample("D").mean()
    ours = dict(zip(found["day"], found["outdoor_c"], strict=True))
    assert [ours[day.date()] for day in plain] == pytest.approx(means[plain].to_numpy(), rel=1e-9)


def test_the_working_point_is_a_weighted_harmonic_mean() -> None:
    site = a_site(
        {"role": "flow_temp", "kind": "state"},
        {"role": "return_temp", "kind": "state"},
    )
    rng = np.random.default_rng(5)
    index = pd.date_range(BEGIN, periods=500, freq="h")
    heat = pd.Series(rng.uniform(0.0, 4.0, 500), index=index)
    frame = pd.DataFrame({"heat_space": heat, "heat_dhw": 0.0, "elec_unit": 1.0}, index=index)
    flow = pd.Series(rng.uniform(30.0, 45.0, 500), index=index)
    delta = rng.uniform(3.2, 8.0, 500)
    found = heat_meter_use(site, slots(frame), states(flow_temp=flow, return_temp=flow - delta))
    # Hours at more than 0.3 of 4 kW run.
    runs = heat.to_numpy() > 1.2
    weight = heat.to_numpy()[runs]
    assert found.delta_theta_k == pytest.approx(hmean(delta[runs], weights=weight), rel=1e-9)
    k = heat_coefficient_kwh_per_m3k(flow.to_numpy(), flow.to_numpy() - delta)
    rate = (heat.to_numpy() / k / delta)[runs]
    assert found.flow_m3h == pytest.approx(hmean(rate, weights=weight), rel=1e-9)


def test_standby_is_the_mean_of_idle_hours_without_their_largest() -> None:
    rng = np.random.default_rng(6)
    index = pd.date_range(BEGIN, periods=2400, freq="h")
    runs = np.asarray(index.hour.isin(range(6, 12)))
    heat = np.where(runs, rng.uniform(1.0, 4.0, 2400), 0.0)
    used = np.where(runs, heat / 3.0, rng.uniform(0.01, 0.03, 2400))
    frame = pd.DataFrame({"heat_space": heat, "heat_dhw": 0.0, "elec_unit": used}, index=index)
    site = a_site()
    own = pair(slots(frame), recipe(site, Boundary.H2))
    so_far = account(site, own.recipe, own, USE, date(2023, 1, 1), date(2023, 4, 12))
    found = idle_kwh(own, so_far, 4.0)
    still = frame["heat_space"] == 0.0
    # The first and the last hour of the record have one neighbour only.
    beside = still & still.shift(1, fill_value=True) & still.shift(-1, fill_value=True)
    idle = frame["elec_unit"][beside]
    assert found == pytest.approx(24.0 * idle[idle <= idle.quantile(0.95)].mean(), rel=1e-6)


def test_the_flow_of_space_heat_leaves_out_hours_of_hot_water_and_their_neighbours() -> None:
    site = a_site({"role": "flow_temp", "kind": "state"})
    rng = np.random.default_rng(7)
    index = pd.date_range(BEGIN, periods=240, freq="h")
    water = np.where(index.hour.isin([5, 17]), 2.0, 0.0)
    frame = pd.DataFrame(
        {"heat_space": rng.uniform(0.5, 3.0, 240), "heat_dhw": water, "elec_unit": 1.0},
        index=index,
    )
    flow = pd.Series(np.where(water > 0, 50.0, rng.uniform(30.0, 40.0, 240)), index=index)
    found = space_flow(site, slots(frame), states(flow_temp=flow)).sort("day")
    dry = pd.Series(water == 0.0, index=index)
    wanted = dry & dry.shift(1, fill_value=False) & dry.shift(-1, fill_value=False)
    heat = frame["heat_space"][wanted]
    theirs = (heat * flow[wanted]).resample("D").sum() / heat.resample("D").sum()
    assert found["space_flow_c"].to_numpy() == pytest.approx(theirs.to_numpy(), rel=1e-9)


def test_power_by_trapezia_is_the_integral_of_its_samples() -> None:
    site = home({"role": "elec_unit", "kind": "power", "hold": "trapezoid"})
    rng = np.random.default_rng(8)
    minutes = np.unique(np.concatenate((np.arange(0, 361, 60), rng.integers(0, 361, 200))))
    power = rng.uniform(0.2, 3.0, len(minutes))
    frame = readings([(at(m / 60), float(p)) for m, p in zip(minutes, power, strict=True)])
    found = slots_of(site, frame)
    for hour, kwh in enumerate(found["kwh"]):
        inside = (minutes >= 60 * hour) & (minutes <= 60 * hour + 60)
        assert kwh == pytest.approx(trapezoid(power[inside], minutes[inside] / 60), rel=1e-9)
    assert found.height == 6


def test_power_that_is_held_is_the_mean_of_pandas() -> None:
    site = home({"role": "elec_unit", "kind": "power"})
    rng = np.random.default_rng(9)
    power = rng.uniform(0.2, 3.0, 48 * 60)
    stamps = pd.date_range(at(0), periods=len(power), freq="min")
    frame = readings([(t.to_pydatetime(), float(p)) for t, p in zip(stamps, power, strict=True)])
    found = slots_of(site, frame)
    theirs = pd.Series(power, index=stamps).resample("h").mean()
    assert found["kwh"].to_numpy() == pytest.approx(theirs[: found.height], rel=1e-9)
    assert found.height >= 47


def test_a_temperature_by_the_minute_has_the_hourly_mean_of_pandas() -> None:
    site = home({"role": "heat_total"}, {"role": "outdoor_temp", "kind": "state"})
    rng = np.random.default_rng(10)
    temp = 8.0 + np.cumsum(rng.normal(0.0, 0.05, 30 * 60))
    stamps = pd.date_range(at(0), periods=len(temp), freq="min")
    frame = readings([], [(t.to_pydatetime(), float(c)) for t, c in zip(stamps, temp, strict=True)])
    found = derive(site, stored(site), frame, DEFAULT_RULES)[1]
    theirs = pd.Series(temp, index=stamps).resample("h").mean()
    assert found["mean"].to_numpy() == pytest.approx(theirs.to_numpy(), rel=1e-9)
    assert empty(STATE_SLOT).columns == found.columns
