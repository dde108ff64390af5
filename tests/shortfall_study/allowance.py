"""How well a weather allowance moves an SPF: `python -m tests.shortfall_study.allowance`.

Each simulated year is lived again, with all its troubles, in the weather of the reference
climate; the factor between the two true SPFs is what the allowance must find from the
records of the first year alone. Model constants were set on training years; the study
proper uses seeds that no constant was set on. Writes docs/allowance-study.json.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from demo_telemetry.span import midnight_s
from monitor.guarantee.allowance import allowance
from monitor.guarantee.basis import basis
from monitor.metrics import climate as weather
from monitor.metrics.uncertainty import K_95
from tests.calibration.run import REGION
from tests.shortfall_study.homes import draw, spf, truth
from tests.shortfall_study.record import record
from tests.shortfall_study.run import CACHE, DOCS

STUDY = range(71_000, 71_120)


@dataclass(frozen=True)
class Moved:
    """One year: true and found factor on the SPF, and the uncertainty given."""

    seed: int
    backup: bool
    told: bool
    true: float
    found: float | None
    u: float | None
    colder_k: float | None


def move_one(seed: int, cache: Path) -> Moved:
    """Move one year's SPF and hold it against the year lived again."""
    case = draw(seed)
    site, slots, states = record(case, truth(case, cache).promise, cache)
    now = datetime.fromtimestamp(midnight_s(case.end, case.home.zone), UTC) + timedelta(hours=1)
    base = basis(site, slots, states, now=now)
    assert base is not None
    got = allowance(base, weather.from_months(REGION, "normals of the region"))
    lived = frozenset({"weather", *case.planted})
    return Moved(
        seed=seed,
        backup=case.home.plant.backup_kw > 0,
        told=got.factor is not None,
        true=spf(case, lived - {"weather"}, cache) / spf(case, lived, cache),
        found=got.factor,
        u=got.u_factor,
        colder_k=got.colder_k,
    )


def summary(frame: pl.DataFrame) -> dict[str, Any]:
    """Errors with and without the allowance, and how many lie within the stated interval."""
    told = frame.filter("told").with_columns(
        (pl.col("found") - pl.col("true")).alias("error"), (pl.col("true") - 1.0).alias("raw")
    )

    def of(part: pl.DataFrame) -> dict[str, Any]:
        return {
            "years": part.height,
            "mean_error": part["error"].mean(),
            "rms_error": (part["error"] ** 2).mean() ** 0.5,
            "rms_without": (part["raw"] ** 2).mean() ** 0.5,
            "inside_95": part.select((pl.col("error").abs() <= K_95 * pl.col("u")).mean()).item(),
        }

    return {
        "site_years": frame.height,
        "refused": frame.height - told.height,
        "all": of(told),
        "without_backup_heater": of(told.filter(~pl.col("backup"))),
        "with_backup_heater": of(told.filter("backup")),
    }


def main() -> None:
    """Run the study and write its result."""
    told = summary(pl.DataFrame([asdict(move_one(seed, CACHE)) for seed in STUDY]))
    told = {"first_seed": STUDY[0], **told}
    sys.stdout.write(json.dumps(told, indent=1) + "\n")
    (DOCS / "allowance-study.json").write_text(json.dumps(told, indent=1) + "\n")


if __name__ == "__main__":
    main()
