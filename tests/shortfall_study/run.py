"""The shortfall study: `python -m tests.shortfall_study.run`.

Simulates site-years with known causes, splits their shortfall, and asks whether the cause
named as the biggest is the true one. Years in which nothing costs 0.1 SPF are left out of
that question. Constants were set on training seeds (`--training`); the study uses others.
Writes docs/shortfall-study.json.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from demo_telemetry.span import midnight_s
from monitor.guarantee.basis import basis
from monitor.guarantee.causes import Shortfall
from monitor.guarantee.shortfall import shortfall
from monitor.metrics import climate as weather
from monitor.metrics.plausibility import plausibility
from monitor.models import Site
from tests.calibration.run import REGION
from tests.shortfall_study.homes import Case, draw, truth
from tests.shortfall_study.record import record

TRAINING = range(192)
STUDY = range(60_000, 60_160)
CACHE = Path(tempfile.gettempdir()) / "pledgewatt-shortfall"
DOCS = Path(__file__).parents[2] / "docs"

#: Below this no cause is worth a visit, SPF.
LEAST_COST = 0.1

#: Two causes that differ by less cost the same for all that anybody would do about them, SPF.
CLEAR_BY = 0.1


@dataclass(frozen=True)
class Result:
    """One site-year."""

    seed: int
    planted: str
    true: str
    true_cost: float
    second_cost: float
    named: str
    named_cost: float
    estimate: float | None
    low: float | None
    high: float | None
    unexplained: float
    told: bool
    gap: float
    adds_up: float
    seconds: float


def split(case: Case, site: Site, slots: pl.DataFrame, states: pl.DataFrame) -> Shortfall:
    """What the product says of a case."""
    now = datetime.fromtimestamp(midnight_s(case.end, case.home.zone), UTC) + timedelta(hours=1)
    base = basis(site, slots, states, now=now)
    assert base is not None
    checks = plausibility(site, slots, states, base.days, base.so_far)
    found = shortfall(
        base,
        climate=weather.from_months(REGION, "normals of the region"),
        heat_check=checks.heat_check,
        price_per_kwh=0.25,
    )
    assert found is not None
    return found


def study_one(seed: int, cache: Path) -> Result:
    """Split one case and compare it with its truth."""
    case = draw(seed)
    known = truth(case, cache)
    site, slots, states = record(case, known.promise, cache)
    begun = time.perf_counter()
    found = split(case, site, slots, states)
    seconds = time.perf_counter() - begun
    best = found.biggest
    costs = sorted(known.cost.values())[::-1]
    own = next(s for s in found.shares if s.cause.value == known.biggest)
    return Result(
        seed=seed,
        planted=" + ".join(case.planted),
        true=known.biggest,
        true_cost=costs[0],
        second_cost=costs[1] if len(costs) > 1 else 0.0,
        named=best.cause.value if best else "none",
        named_cost=(best.spf or 0.0) if best else 0.0,
        estimate=own.spf,
        low=own.low,
        high=own.high,
        unexplained=next(s.spf or 0.0 for s in found.shares if s.cause.value == "unexplained"),
        told=own.state == "measured",
        gap=found.gap_spf,
        adds_up=sum(s.spf or 0.0 for s in found.shares) - found.gap_spf,
        seconds=seconds,
    )


def summary(frame: pl.DataFrame) -> dict[str, Any]:
    """Confusion table and hit rates of the years in which something costs enough."""
    judged = frame.filter(pl.col("true_cost") >= LEAST_COST)
    hit = (pl.col("true") == pl.col("named")).mean()
    confusion = (
        judged.group_by("true", "named")
        .len("years")
        .sort("true", "years", descending=[False, True])
    )
    told = judged.filter("told")
    error = (pl.col("estimate") - pl.col("true_cost")).alias("error")
    inside = (
        (pl.col("low") <= pl.col("true_cost")) & (pl.col("true_cost") <= pl.col("high"))
    ).mean()
    return {
        "site_years": frame.height,
        "judged": judged.height,
        "least_cost_spf": LEAST_COST,
        "named_rightly": judged.select(hit).item(),
        "named_rightly_where_measurable": told.select(hit).item(),
        "named_rightly_where_clear": judged.filter(
            pl.col("true_cost") - pl.col("second_cost") >= CLEAR_BY
        )
        .select(hit)
        .item(),
        "not_measurable": judged.height - told.height,
        "by_cause": judged.group_by("true")
        .agg(
            pl.len().alias("years"),
            hit.alias("named_rightly"),
            pl.col("true_cost").mean().alias("mean_cost"),
            error.mean().alias("mean_error"),
            error.abs().mean().alias("mean_absolute_error"),
            inside.alias("inside_95"),
        )
        .sort("true")
        .to_dicts(),
        "confusion": confusion.to_dicts(),
        "mean_absolute_unexplained": judged["unexplained"].abs().mean(),
        "largest_remainder": frame["adds_up"].abs().max(),
        "median_seconds": frame["seconds"].median(),
    }


def main() -> None:
    """Run the study and write its result."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--training", action="store_true", help="use the training seeds")
    parser.add_argument("--count", type=int, default=None, help="only so many site-years")
    parser.add_argument("--frame", type=Path, default=None, help="also keep every year here")
    chosen = parser.parse_args()
    seeds = (TRAINING if chosen.training else STUDY)[: chosen.count]
    frame = pl.DataFrame(
        [asdict(study_one(seed, CACHE)) for seed in seeds], infer_schema_length=None
    )
    if chosen.frame is not None:
        frame.write_parquet(chosen.frame)
    told = summary(frame)
    sys.stdout.write(json.dumps(told, indent=1) + "\n")
    if chosen.training or chosen.count is not None:
        return
    told = {"first_seed": seeds[0], **told}
    # Times differ from machine to machine.
    del told["median_seconds"]
    (DOCS / "shortfall-study.json").write_text(json.dumps(told, indent=1) + "\n")


if __name__ == "__main__":
    main()
