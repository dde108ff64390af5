"""The calibration study: `python -m tests.calibration.run`.

Simulates site-years whose causes the outlook does not know, asks for the outlook after
2, 4, 6, 9 and 11 months, and compares it with the SPF of the whole year from true
energies, beside two plain forecasts:

- carried: the SPF to date, with the meters' uncertainty;
- degree days: heat and electricity for each degree day of heating days and for each other
  day so far, over the degree days and other days of a normal year's rest.

Model constants were set on training years (`--training`); the study proper uses seeds that
no constant was set on. Writes docs/outlook-calibration.json and .svg.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from datetime import date, datetime
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.guarantee.ensemble import ensemble
from monitor.guarantee.outlook import MEMBERS, SEED
from monitor.metrics import climate as weather
from monitor.metrics.account import heat_meter_use
from monitor.metrics.boundary import promised_recipe
from monitor.metrics.daily import day_frame
from monitor.metrics.model import energy_model
from monitor.metrics.performance import pair
from tests.calibration.homes import draw
from tests.calibration.plot import calibration_svg
from tests.calibration.record import Record, after_months, record
from tests.calibration.score import crps_ensemble, holds

MONTHS = (2, 4, 6, 9, 11)
TRAINING = range(450)
STUDY = range(100_000, 100_800)
CACHE = Path(tempfile.gettempdir()) / "pledgewatt-calibration"
DOCS = Path(__file__).parents[2] / "docs"

#: Monthly normals of the invented region in which the homes stand, degC: the published
#: table that an installer would look up. Sites and years stray from it.
REGION = (4.1, 4.1, 6.2, 9.0, 11.6, 13.7, 14.8, 14.6, 12.6, 10.5, 8.0, 5.6)

DEGREE_DAY_BASE_C = 15.5

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Result:
    """One forecast of one site-year, and what came."""

    seed: int
    months: int
    true: float
    forecast: bool
    adequate: bool
    median: float
    rank: float
    in_90: bool
    in_50: bool
    width_90: float
    crps: float
    crps_carried: float
    crps_degree_days: float
    trouble: str
    since: float
    seconds: float


def degree_day_spf(days: pl.DataFrame, climate: weather.Climate, end: date) -> float:
    """SPF of the period if each degree day and each other day goes on as before."""
    good = days.filter(pl.col("complete") & pl.col("outdoor_c").is_not_null())
    cold = np.maximum(DEGREE_DAY_BASE_C - good["outdoor_c"].to_numpy(), 0.0)
    heat, used = good["heat_kwh"].to_numpy(), good["electricity_kwh"].to_numpy()
    heating = cold > 0
    last = days["day"][-1]
    rest = pl.date_range(last, end, closed="none", eager=True)
    ahead = np.maximum(DEGREE_DAY_BASE_C - climate.normal(weather.day_of_year(rest)), 0.0)
    q, e = float(days["heat_kwh"].sum()), float(days["electricity_kwh"].sum())
    if cold.sum() >= 30.0:
        q += heat[heating].sum() / cold.sum() * ahead.sum()
        e += used[heating].sum() / cold.sum() * ahead.sum()
    if (~heating).sum() >= 7:
        q += float(heat[~heating].mean()) * (ahead == 0).sum()
        e += float(used[~heating].mean()) * (ahead == 0).sum()
    return q / e


def forecast(known: Record, now: datetime) -> tuple[Floats, Floats, Floats, bool] | None:
    """Members of the outlook and of the two plain forecasts; None where none is made."""
    site, climate = known.site, weather.from_months(REGION, "normals of the region")
    terms = site.current_terms
    assert terms is not None
    recipe = promised_recipe(site, terms)
    slots = known.slots.filter(pl.col("block_end_utc") <= now)
    states = known.states.filter(pl.col("slot_start_utc") < now)
    blocks = pair(slots, recipe)
    days = day_frame(site, recipe, slots, states)
    model = energy_model(site, days)
    if isinstance(model, str):
        return None
    drawn = ensemble(
        site,
        terms,
        recipe,
        blocks,
        days,
        model,
        climate,
        heat_meter_use(site, slots, states),
        until=now,
        members=MEMBERS,
        seed=SEED,
    )
    meters = drawn.heat_factor / drawn.electricity_factor
    carried = drawn.measured_heat / drawn.measured_electricity * meters
    return drawn.spf, carried, degree_day_spf(days, climate, terms.end) * meters, model.adequate


def study_one(seed: int) -> list[Result]:
    """All forecasts of one site-year."""
    year = draw(seed)
    known = record(year, CACHE)
    out = []
    for months in MONTHS:
        begun = time.perf_counter()
        made = forecast(known, after_months(year, months))
        seconds = time.perf_counter() - begun
        if made is None:
            continue
        members, carried, degree_days, adequate = made
        true = known.true_spf
        low, high = np.quantile(members, [0.05, 0.95])
        trouble = year.home.trouble
        out.append(
            Result(
                seed=seed,
                months=months,
                true=true,
                forecast=True,
                adequate=adequate,
                median=float(np.median(members)),
                rank=float(np.mean(members < true)),
                in_90=holds(members, true, 0.9),
                in_50=holds(members, true, 0.5),
                width_90=float(high - low),
                crps=crps_ensemble(members, true),
                crps_carried=crps_ensemble(carried, true),
                crps_degree_days=crps_ensemble(degree_days, true),
                trouble=trouble.kind.value if trouble else "",
                since=trouble.since if trouble else 0.0,
                seconds=seconds,
            )
        )
    return out


def table(frame: pl.DataFrame) -> pl.DataFrame:
    """One row a month, and one of all months together."""
    wanted = [
        pl.len().alias("forecasts"),
        pl.col("in_90").mean().alias("held_by_90"),
        pl.col("in_50").mean().alias("held_by_50"),
        pl.col("width_90").median().alias("median_width_90"),
        (pl.col("median") - pl.col("true")).mean().alias("mean_error"),
        pl.col("crps").mean(),
        pl.col("crps_carried").mean(),
        pl.col("crps_degree_days").mean(),
        pl.col("adequate").mean().alias("adequate_share"),
    ]
    by_month = frame.group_by("months").agg(wanted).sort("months")
    pooled = frame.select(pl.lit(0, dtype=pl.Int64).alias("months"), *wanted)
    return pl.concat([by_month, pooled])


def study(seeds: range, processes: int) -> pl.DataFrame:
    """Forecasts of many site-years, one row each."""
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        results = [r for rows in pool.map(study_one, seeds, chunksize=5) for r in rows]
    return pl.DataFrame([asdict(r) for r in results])


def main() -> None:
    """Run the study and write its results."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--training", action="store_true", help="use the training seeds")
    parser.add_argument("--count", type=int, default=None, help="only so many site-years")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--frame", type=Path, default=None, help="also keep every forecast here")
    chosen = parser.parse_args()
    seeds = (TRAINING if chosen.training else STUDY)[: chosen.count]
    frame = study(seeds, chosen.processes)
    if chosen.frame is not None:
        frame.write_parquet(chosen.frame)
    summary = table(frame)
    with pl.Config(tbl_cols=-1, tbl_width_chars=200, float_precision=4):
        sys.stdout.write(f"{summary}\n")
    if chosen.training or chosen.count is not None:
        return
    told = {
        "site_years": len(seeds),
        "first_seed": seeds[0],
        "members": MEMBERS,
        "by_month": summary.filter(pl.col("months") > 0).to_dicts(),
        "pooled": summary.filter(pl.col("months") == 0).drop("months").to_dicts()[0],
    }
    (DOCS / "outlook-calibration.json").write_text(json.dumps(told, indent=1) + "\n")
    (DOCS / "outlook-calibration.svg").write_text(calibration_svg(frame, summary))


if __name__ == "__main__":
    main()
