"""The lag between two meters, against scipy's cross-correlation of the same courses."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy.signal import correlate, correlation_lags

from monitor.metrics.lag import clock_lag
from monitor.schemas import SLOT
from tests.monitor.homes import home

pytestmark = pytest.mark.external

BEGIN = datetime(2024, 1, 1, tzinfo=UTC)
HOURS = 24 * 90


def slots(role: str, kwh: np.ndarray) -> pl.DataFrame:
    start = [BEGIN + timedelta(hours=h) for h in range(len(kwh))]
    end = [moment + timedelta(hours=1) for moment in start]
    return pl.DataFrame(
        {
            "role": role, "slot_start_utc": start, "status": "measured", "kwh": kwh,
            "block_start_utc": start, "block_end_utc": end, "block_kwh": kwh,
            "u_start_kwh": 0.0, "u_end_kwh": 0.0,
        },
        schema=SLOT,
    )  # fmt: skip


@pytest.mark.parametrize("shift", [-4, -1, 0, 2, 6])
def test_the_lag_is_where_scipy_s_cross_correlation_peaks(shift: int) -> None:
    rng = np.random.default_rng(11)
    used = rng.gamma(1.5, 0.4, HOURS + 24)
    heat = 3.0 * used + rng.normal(0.0, 0.1, len(used))
    own, other = np.roll(heat, shift)[12:-12], used[12:-12]
    site = home({"role": "heat_total"}, {"role": "elec_unit"})
    found = clock_lag(site, pl.concat([slots("heat_total", own), slots("elec_unit", other)]))
    assert found is not None

    def freed(values: np.ndarray) -> np.ndarray:
        return (values.reshape(-1, 24) - values.reshape(-1, 24).mean(axis=1)[:, None]).ravel()

    a, b = freed(own), freed(other)
    course = correlate(a, b, mode="full")
    lags = correlation_lags(len(a), len(b), mode="full")
    near = np.abs(lags) <= 6
    assert lags[near][np.argmax(course[near])] == shift
    assert found.hours == pytest.approx(shift, abs=0.1)
    # Overlapping hours alone: scipy's sum over the norms of what overlaps.
    x = a[max(shift, 0) : len(a) + min(shift, 0)]
    y = b[max(-shift, 0) : len(b) + min(-shift, 0)]
    assert found.correlation == pytest.approx(np.corrcoef(x, y)[0, 1], rel=1e-9)
