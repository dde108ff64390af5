"""The findings study: `python -m tests.findings_study`.

Lives site-years with one planted trouble each, and with none, and looks at them as their
installer would: every few days after the trouble begins. Asks which findings appear, whether
they are true, how soon, and whether what they say the trouble costs is what it costs.
Thresholds were set on seeds below 1000; the study uses others. Writes docs/findings-study.json
and the tables of docs/findings-study.md.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from tests.findings_study.evaluate import Result, evaluate
from tests.findings_study.kinds import HEALTHY, KINDS, TROUBLES
from tests.findings_study.score import summary
from tests.findings_study.tables import write_tables

DOCS = Path(__file__).parents[2] / "docs"

FIRST_SEED = 8000
TRAINING_SEED = 500

#: Site-years of each kind at each strength; the goals are those of the middle one.
YEARS = {"weak": 1, "middle": 4, "strong": 1}
HEALTHY_YEARS = 6

Job = tuple[str, str, int]


def jobs(kinds: list[str], first: int, years: int | None) -> Iterator[Job]:
    """Every site-year of a study; each has a seed of its own."""
    seed = first
    for kind in kinds:
        if kind in HEALTHY:
            for _ in range(years or HEALTHY_YEARS):
                yield kind, "middle", seed
                seed += 1
        else:
            for strength, count in YEARS.items():
                for _ in range(years or count):
                    yield kind, strength, seed
                    seed += 1


def _evaluate(job: Job) -> Result:
    return evaluate(*job)


def study(wanted: list[Job], processes: int) -> list[Result]:
    """Results of many site-years, in order."""
    # Many short queries: threads of their own would only stand in each other's way.
    os.environ["POLARS_MAX_THREADS"] = "1"
    results = []
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        for number, result in enumerate(pool.map(_evaluate, wanted), start=1):
            results.append(result)
            sys.stderr.write(
                f"{number}/{len(wanted)} {result.kind} {result.strength} {result.seed}: "
                f"found {result.found_days} {result.found_as}"
                f"{', false ' + ', '.join(result.false) if result.false else ''}\n"
            )
    return results


def main() -> None:
    """Run the study and write its result."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument(
        "--seeds", type=int, default=None, help="site-years of each kind and strength"
    )
    parser.add_argument("--kinds", nargs="+", choices=list(KINDS), default=None)
    parser.add_argument("--training", action="store_true", help="use the training seeds")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--rows", type=Path, default=None, help="also keep every year here (JSON)")
    chosen = parser.parse_args()
    kinds = chosen.kinds or [*TROUBLES, *HEALTHY]
    first = TRAINING_SEED if chosen.training else FIRST_SEED
    results = study(list(jobs(kinds, first, chosen.seeds)), chosen.processes)
    if chosen.rows is not None:
        chosen.rows.write_text(json.dumps([r.row() for r in results], indent=1) + "\n")
    told: dict[str, Any] = {"first_seed": first, **summary(results)}
    if chosen.training or chosen.kinds is not None:
        sys.stdout.write(json.dumps(told, indent=1) + "\n")
        return
    (DOCS / "findings-study.json").write_text(json.dumps(told, indent=1) + "\n")
    write_tables(DOCS / "findings-study.md", told)


if __name__ == "__main__":
    main()
