"""From results of site-years to precision, recall, time until found and error of effects."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

import numpy as np

from demo_telemetry.troubles import STRENGTHS
from tests.findings_study.also_true import ALSO_TRUE
from tests.findings_study.evaluate import LEAST_KWH, LEAST_SPF, Result
from tests.findings_study.kinds import HEALTHY, TROUBLES

#: Looks are three days apart at first: the fifth is the first one after two weeks.
FORTNIGHT = 15


HUNDREDTH = 0.01


def _share(hits: int, of: int) -> float | None:
    return round(hits / of, 4) if of else None


def _days(results: list[Result]) -> dict[str, float | None]:
    days = [r.found_days for r in results if r.found_days is not None]
    return {
        "median_days": float(np.median(days)) if days else None,
        "days_90": float(np.quantile(days, 0.9)) if days else None,
    }


def _error(said: list[tuple[float, float]]) -> float | None:
    """Median of the relative error of what was said; None where there is nothing to compare."""
    if not said:
        return None
    return round(float(np.median([abs(a - b) / abs(b) for a, b in said])), 3)


def _held(results: list[Result]) -> list[bool]:
    """Of each effect on the SPF whether its stated 95 % interval holds the truth.

    Both are told to hundredths.
    """
    return [
        r.spf_low - HUNDREDTH <= r.spf_true <= r.spf_high + HUNDREDTH
        for r in results
        if r.spf_low is not None and r.spf_high is not None and r.spf_true is not None
    ]


def by_kind(results: list[Result]) -> list[dict[str, Any]]:
    """One row a kind of trouble."""
    rows = []
    for kind, spec in TROUBLES.items():
        own = [r for r in results if r.kind == kind]
        if not own:
            continue
        recall: dict[str, dict[str, int]] = {}
        for strength in STRENGTHS:
            these = [r for r in own if r.strength == strength]
            recall[strength] = {
                "years": len(these),
                "found": sum(r.found_days is not None for r in these),
            }
        spf = [
            (r.spf, r.spf_true)
            for r in own
            if r.spf is not None and r.spf_true is not None and abs(r.spf_true) >= LEAST_SPF
        ]
        kwh = [
            (r.kwh_year, r.kwh_year_true)
            for r in own
            if r.kwh_year is not None
            and r.kwh_year_true is not None
            and abs(r.kwh_year_true) >= LEAST_KWH
        ]
        rows.append(
            {
                "kind": kind,
                "expected": list(spec.expected),
                **recall,
                **_days(own),
                "in_time": sum(
                    r.found_after is not None and r.found_after <= FORTNIGHT for r in own
                ),
                "error_spf": _error(spf),
                "effects": len(held := _held(own)),
                "effects_held": sum(held),
                "error_kwh": _error(kwh),
                "years_with_false": sum(bool(r.false) for r in own),
            }
        )
    return rows


def by_key(results: list[Result]) -> list[dict[str, Any]]:
    """One row a finding key: in how many site-years it was true, and in which it was false."""
    true: dict[str, int] = defaultdict(int)
    false: dict[str, list[str]] = defaultdict(list)
    for r in results:
        for key in r.seen:
            if key in r.false:
                false[key].append(r.kind)
            else:
                true[key] += 1
    return [
        {
            "finding": key,
            "true": true[key],
            "false": len(false[key]),
            "precision": _share(true[key], true[key] + len(false[key])),
            "false_at": {kind: false[key].count(kind) for kind in sorted(set(false[key]))},
        }
        for key in sorted(true | false)
    ]


def recall_at(results: list[Result], strength: str) -> float | None:
    """Share of the troubles of a strength that are found."""
    own = [r for r in results if r.kind in TROUBLES and r.strength == strength]
    return _share(sum(r.found_days is not None for r in own), len(own))


def healthy(results: list[Result]) -> dict[str, Any]:
    """What is found at homes that are fine."""
    own = [r for r in results if r.kind in HEALTHY]
    listed: dict[str, list[str]] = defaultdict(list)
    for r in own:
        for key in r.false:
            listed[key].append(r.kind)
    return {
        "site_years": len(own),
        "with_a_false_finding": sum(bool(r.false) for r in own),
        "by_finding": {
            key: {kind: kinds.count(kind) for kind in sorted(set(kinds))}
            for key, kinds in sorted(listed.items())
        },
        "by_kind": {kind: sum(r.kind == kind for r in own) for kind in HEALTHY},
    }


def summary(results: list[Result]) -> dict[str, Any]:
    """Everything that is published."""
    keys = by_key(results)
    true, false = sum(row["true"] for row in keys), sum(row["false"] for row in keys)
    troubled = [r for r in results if r.kind in TROUBLES]
    return {
        "site_years": len(results),
        "precision": _share(true, true + false),
        "recall": {strength: recall_at(results, strength) for strength in STRENGTHS},
        "within_14_days": _share(
            sum(r.found_days is not None and r.found_days <= FORTNIGHT for r in troubled),
            len(troubled),
        ),
        "within_14_days_of_enough": {
            strength: _share(
                sum(r.found_after is not None and r.found_after <= FORTNIGHT for r in own), len(own)
            )
            for strength in STRENGTHS
            if (own := [r for r in troubled if r.strength == strength])
        },
        **_days(troubled),
        "effects": len(held := _held(troubled)),
        "effects_held": _share(sum(held), len(held)),
        "healthy": healthy(results),
        "by_kind": by_kind(results),
        "by_finding": keys,
        "also_true": {kind: sorted(keys) for kind, keys in ALSO_TRUE.items() if keys},
    }
