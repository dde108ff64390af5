"""Figures of a fleet by run, on one core:

POLARS_MAX_THREADS=1 OPENBLAS_NUM_THREADS=1 python -m tests.bench.thousand_sites

A hundred simulated homes, each with ten sets of meters that err otherwise, seven months into
their guarantee year; each home was promised a little more or less than it does. For every site
one process makes what a refresh makes of its hours: account, energy model, outlook of 1 000
members, checks, shortfall, money, carbon. Prints a table of processor times; `--table FILE`
keeps a row of figures for each site.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import polars as pl

from demo_telemetry.span import midnight_s
from monitor.guarantee.assessment import assessment
from monitor.guarantee.basis import basis
from monitor.guarantee.outlook import outlook
from monitor.guarantee.standing import standing
from monitor.metrics import climate as weather
from monitor.metrics.site_weather import SiteWeather
from monitor.models import Climate, Site
from monitor.rules import DEFAULT_RULES
from tests.calibration.run import REGION
from tests.shortfall_study.homes import Case, draw, spf
from tests.shortfall_study.record import record

HOMES, METERS = 100, 10
FIRST_SEED = 90_000
MONTHS = 7
CACHE = Path(tempfile.gettempdir()) / "pledgewatt-fleet"

GIVEN = SiteWeather(
    weather.from_months(REGION, "normals of the region"),
    pl.DataFrame(schema={"day": pl.Date, "outdoor_c": pl.Float64}),
)

Result = TypeVar("Result")


def site_of(case: Case, meters: int) -> tuple[Site, pl.DataFrame, pl.DataFrame]:
    """A home of the fleet; its meters err by a seed of their own."""
    other = replace(case, seed=case.seed * METERS + meters)
    # The simulated year is the case's own: only what its meters make of it differs.
    does = spf(case, frozenset({"weather", *case.planted}), CACHE)
    promise = round(does * (0.9 + 0.03 * (case.seed % 8)), 2)
    site, slots, states = record(other, promise, CACHE, lived_by=case)
    climate = Climate(monthly_means_c=REGION, origin="normals of the region")
    tariff = {"valid_from": case.first, "price_per_kwh": 0.25}
    boiler = {
        "fuel": "gas",
        "installed": 2008,
        "fuel_tariff": [{"valid_from": case.first, "price_per_kwh": 0.065}],
    }
    made = site.model_dump(exclude_unset=True)
    made |= {"id": f"home-{case.seed}-{meters}", "tariff": [tariff], "boiler": boiler}
    return Site.model_validate(made).model_copy(update={"climate": climate}), slots, states


def timed(call: Callable[[], Result]) -> tuple[Result, float]:
    """Result of a call, and its seconds of processor time."""
    begun = time.process_time()
    result = call()
    return result, time.process_time() - begun


def figures(case: Case, meters: int) -> dict[str, Any]:
    """One row of the table."""
    site, slots, states = site_of(case, meters)
    month = (case.first.month - 1 + MONTHS) % 12 + 1
    year = case.first.year + (case.first.month - 1 + MONTHS) // 12
    day = case.first.replace(year=year, month=month)
    now = datetime.fromtimestamp(midnight_s(day, case.home.zone), UTC)
    where, stand_s = timed(
        lambda: standing(site, slots, states, newest_reading=now, now=now, rules=DEFAULT_RULES)
    )
    base, days_s = timed(lambda: basis(site, slots, states, now=now, given=GIVEN))
    assert base is not None
    _, model_s = timed(lambda: base.model)
    ahead, ahead_s = timed(lambda: outlook(base, climate=GIVEN.climate))
    found, found_s = timed(lambda: assessment(base))
    account = where.account
    split = found.shortfall if found else None
    most = split.biggest if split else None
    return {
        "site": site.id,
        "standing": where.word.value,
        "promise": where.promise,
        "spf": account.spf if account else None,
        "u_spf": account.u_spf if account else None,
        "coverage": account.coverage if account else None,
        "probability": where.probability,
        "ahead_median": ahead.median if ahead else None,
        "ahead_low_90": ahead.low_90 if ahead else None,
        "ahead_high_90": ahead.high_90 if ahead else None,
        "ahead_probability": ahead.probability if ahead else None,
        "gap_spf": split.gap_spf if split else None,
        "biggest_cause": most.cause.value if most else None,
        "biggest_spf": most.spf if most else None,
        "extra_kwh": split.extra_kwh if split else None,
        "extra_cost": split.money if split else None,
        "saved": found.comparison.saved.best if found and found.comparison else None,
        "standing_s": stand_s,
        "days_s": days_s,
        "model_s": model_s,
        "outlook_s": ahead_s,
        "assessment_s": found_s,
        "together_s": stand_s + days_s + model_s + ahead_s + found_s,
    }


def main() -> None:
    """Make the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--homes", type=int, default=HOMES)
    parser.add_argument("--table", type=Path, default=None, help="keep a CSV row for each site")
    chosen = parser.parse_args()
    rows = []
    for seed in range(FIRST_SEED, FIRST_SEED + chosen.homes):
        case = draw(seed)
        rows += [figures(case, meters) for meters in range(METERS)]
    frame = pl.DataFrame(rows, infer_schema_length=None)
    if chosen.table is not None:
        frame.write_csv(chosen.table)
    out = sys.stdout
    out.write(f"{frame.height} sites, {frame['together_s'].sum():.0f} s together on one core\n\n")
    out.write("| step | least, s | median, s | 95 %, s | most, s |\n|---|---|---|---|---|\n")
    for name in ("standing_s", "days_s", "model_s", "outlook_s", "assessment_s", "together_s"):
        at = [frame[name].quantile(q, "linear") or 0.0 for q in (0.0, 0.5, 0.95, 1.0)]
        out.write(f"| {name[:-2]} | " + " | ".join(f"{v:.3f}" for v in at) + " |\n")
    counted = frame["standing"].value_counts(sort=True)
    out.write("\n" + ", ".join(f"{n} {word}" for word, n in counted.iter_rows()) + "\n")


if __name__ == "__main__":
    main()
