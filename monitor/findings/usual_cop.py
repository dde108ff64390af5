"""The COP of each day that a usual unit would have, by flow and source temperature."""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from monitor.findings.finding import Seen
from monitor.findings.pair import Pair, Values, state
from monitor.metrics import priors
from monitor.metrics.plausibility import BASE_C, LEAST_LIFT_K, carnot_cop
from monitor.models import Role

#: COP that is possible where the lift is not known or very small. Common practice, no source.
USUAL_COP: Final = (2.0, 5.5)


def usual_cop(seen: Seen, beside: Pair) -> Values:
    """COP of each day that a usual unit would have, by flow and source temperature."""
    count = len(beside.heat)
    days = len(beside.days)
    flow = state(seen, Role.FLOW_TEMP, beside.first, count)
    source = state(seen, Role.SOURCE_TEMP, beside.first, count)
    air = beside.site.heat_pump.source == "air"
    flow_day = _mean(beside, flow, weights=beside.heat_spread)
    outside = outdoor_by_day(seen, beside)
    source_day = _mean(beside, source)
    source_day = np.where(np.isnan(source_day), outside if air else priors.GROUND_C, source_day)
    usual_flow = priors.FLOW_AT_15_C + priors.FLOW_SLOPE * np.maximum(15.0 - outside, 0.0)
    usual_flow = np.where(outside >= BASE_C, priors.HOT_WATER_FLOW_C, usual_flow)
    flow_day = np.where(np.isnan(flow_day), usual_flow, flow_day)
    lift = np.maximum(flow_day - source_day, LEAST_LIFT_K)
    cop = priors.CARNOT_SHARE * carnot_cop(flow_day, flow_day - lift)
    cop = np.where(np.isnan(cop), float(np.sqrt(USUAL_COP[0] * USUAL_COP[1])), cop)
    return np.asarray(np.clip(cop, *USUAL_COP)).reshape(days)


def outdoor_by_day(seen: Seen, beside: Pair) -> Values:
    """Outdoor temperature of each local day, from the home's sensor or from elsewhere."""
    grid = pl.DataFrame({"day": beside.days}, schema={"day": pl.Date})
    known = seen.days.select("day", "outdoor_c").unique("day")
    found = grid.join(known, on="day", how="left", maintain_order="left")["outdoor_c"]
    own = _mean(beside, beside.outdoor)
    elsewhere = found.cast(pl.Float64).fill_null(float("nan")).to_numpy()
    return np.asarray(np.where(np.isnan(own), elsewhere, own))


def _mean(beside: Pair, values: Values, weights: Values | None = None) -> Values:
    """Mean of each local day; NaN where nothing is known."""
    if weights is None:
        weights = np.ones(len(values))
    weight = np.where(np.isfinite(values) & np.isfinite(weights), np.maximum(weights, 0.0), 0.0)
    total = beside.by_day(weight)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(
            np.where(total > 0, beside.by_day(weight * np.nan_to_num(values)) / total, np.nan)
        )
