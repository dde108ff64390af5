"""What really happened in a home, for tests and for whoever judges the product.

Keys of a truth file
--------------------
site, seed, end, months
    Which home, and the arguments it was written with.
trouble
    null, or `kind`, `note`, `since` (UTC) and `size`.
looks
    Why a home that is fine may look bad; empty for the others.
data, guarantee
    The whole data span, and the part of it that lies in the guarantee period (null where
    there is none). Each has
    `from`, `to` (UTC), `hours`;
    `heat_kwh`: `space`, `dhw` (delivered), `defrost` (taken back from the house), `backup`,
    `immersion`;
    `electricity_kwh`: `unit`, `source`, `backup`, `immersion`, `pumps`, `total`;
    `spf`: by boundary `H1` .. `H4`, with heat taken back by defrost deducted;
    `spf_counted`: the same as a faultless heat meter shows it that does not run backwards;
    `compressor_starts`, `mean_outdoor_c`.
promise
    `spf`, `boundary`, `from` (local date), `months`, `true_spf` (counted, guarantee so far;
    null before it begins) and `kept_so_far`.
meters
    Each fit: `serial`, `roles`, `relative_error`, `from`, `to` (null while it stays).
outages
    Holes in the exports: `from`, `to`, `roles` (empty: all), `why`.
planted
    By export: rows written and the troubles put into the files.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import numpy as np

from demo_telemetry.faults import first_step
from demo_telemetry.homes import Home
from demo_telemetry.meters import Fit, Meter, Outage
from demo_telemetry.span import Span, add_months, midnight_s
from demo_telemetry.weather import STEP_S, Floats


def utc_text(seconds: int) -> str:
    """Give seconds since the epoch as ISO text."""
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def boundaries(heat: dict[str, float], electricity: dict[str, float]) -> dict[str, float]:
    """Give SPF by boundary (SEPEMO, 2012) from heat and electricity in kWh.

    Parameters
    ----------
    heat
        `pump` (by the heat pump), `backup` and `immersion`.
    electricity
        `unit`, `source`, `backup`, `immersion`, `pumps`.
    """
    resistive = electricity["backup"] + electricity["immersion"]
    below = electricity["unit"] + electricity["source"]
    all_heat = heat["pump"] + heat["backup"] + heat["immersion"]
    return {
        "H1": heat["pump"] / electricity["unit"],
        "H2": heat["pump"] / below,
        "H3": all_heat / (below + resistive),
        "H4": all_heat / (below + resistive + electricity["pumps"]),
    }


def period(booked: dict[str, Floats], span: Span, begin_s: int, finish_s: int) -> dict[str, Any]:
    """Sum up a period; its keys are in the module's text."""
    part = slice((begin_s - span.begin_s) // STEP_S, (finish_s - span.begin_s) // STEP_S)
    total = {
        name: float(booked[name][part].sum())
        for name in (
            "space", "dhw", "defrost", "backup", "immersion", "unit", "source", "pumps", "starts",
        )
    }  # fmt: skip
    heat = {name: total[name] for name in ("space", "dhw", "defrost", "backup", "immersion")}
    electricity = {name: total[name] for name in ("unit", "source", "backup", "immersion", "pumps")}
    counted = {
        "pump": heat["space"] + heat["dhw"],
        "backup": heat["backup"],
        "immersion": heat["immersion"],
    }
    net = {**counted, "pump": counted["pump"] - heat["defrost"]}
    return {
        "from": utc_text(begin_s),
        "to": utc_text(finish_s),
        "hours": (finish_s - begin_s) / 3600.0,
        "heat_kwh": heat,
        "electricity_kwh": {**electricity, "total": sum(electricity.values())},
        "spf": boundaries(net, electricity),
        "spf_counted": boundaries(counted, electricity),
        "compressor_starts": int(total["starts"]),
        "mean_outdoor_c": float(np.mean(booked["outdoor_temp"][part])),
    }


def guarantee_start(home: Home, span: Span) -> date:
    """Give the first day of a home's guarantee."""
    return add_months(span.first, home.promise.after_months)


def truth(
    home: Home,
    span: Span,
    booked: dict[str, Floats],
    fits: dict[str, tuple[Meter, tuple[Fit, ...]]],
    outages: list[Outage],
    planted: dict[str, dict[str, int]],
    *,
    seed: int,
    months: int,
) -> dict[str, Any]:
    """Give the whole truth of a home; its keys are in the module's text."""
    promise = home.promise
    start = guarantee_start(home, span)
    begin = midnight_s(start, home.zone)
    finish = min(midnight_s(add_months(start, promise.months), home.zone), span.finish_s)
    guarantee = period(booked, span, begin, finish) if finish > begin else None
    true_spf = guarantee["spf_counted"][promise.boundary] if guarantee else None
    trouble = None
    if home.trouble is not None:
        trouble = {
            "kind": home.trouble.kind.value,
            "note": home.trouble.note,
            "size": home.trouble.size,
            "since": utc_text(span.begin_s + STEP_S * first_step(home.trouble, span.steps)),
        }
    return {
        "site": home.id,
        "seed": seed,
        "end": span.end.isoformat(),
        "months": months,
        "trouble": trouble,
        "looks": home.looks,
        "data": period(booked, span, span.begin_s, span.finish_s),
        "guarantee": guarantee,
        "promise": {
            "spf": promise.spf,
            "boundary": promise.boundary,
            "from": start.isoformat(),
            "months": promise.months,
            "true_spf": true_spf,
            "kept_so_far": None if true_spf is None else true_spf >= promise.spf,
        },
        "meters": [
            {
                "serial": fit.serial,
                "roles": [channel.role for channel in meter.channels],
                "relative_error": fit.bias,
                "from": utc_text(fit.begin),
                "to": None if fit.finish is None else utc_text(fit.finish),
            }
            for meter, chain in fits.values()
            for fit in chain
        ],
        "outages": [
            {
                "from": utc_text(hole.begin),
                "to": utc_text(hole.finish),
                "roles": list(hole.roles),
                "why": hole.why,
            }
            for hole in outages
        ],
        "planted": planted,
    }
