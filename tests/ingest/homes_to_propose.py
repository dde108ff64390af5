"""A winter month of an invented home as an export, with whatever a test wants wrong in it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from monitor.models import Site

FIRST = datetime(2024, 1, 3, tzinfo=UTC)


def site(**more: Any) -> Site:
    """The home: 6 kW of heat loss, a unit of 8 kW."""
    return Site.model_validate(
        {
            "id": "mill-bank-2",
            "name": "2 Mill Bank",
            "zone": "Europe/Berlin",
            "commissioned": "2023-09-01",
            "heat_loss_kw": 6.0,
            "heat_pump": {"nominal_heat_kw": 8.0, "design_outdoor_temp_c": -10.0},
            "meter": [
                {
                    "serial": "H-1",
                    "measures": "heat",
                    "fitted": "2023-09-01T00:00:00",
                    "channel": [{"role": "heat_total", "kind": "register"}],
                },
                {
                    "serial": "E-1",
                    "measures": "electricity",
                    "fitted": "2023-09-01T00:00:00",
                    "channel": [{"role": "elec_total", "kind": "register"}],
                },
                {
                    "serial": "T-1",
                    "measures": "sensors",
                    "fitted": "2023-09-01T00:00:00",
                    "channel": [
                        {"role": role, "kind": "state"}
                        for role in ("flow_temp", "return_temp", "outdoor_temp", "flow_rate")
                    ],
                },
            ],
            **more,
        }
    )


def hours(days: int = 30, cop: float = 3.4, start: datetime = FIRST) -> pl.DataFrame:
    """Hourly `time`, registers `heat` and `elec` in kWh, `flow`, `back` and `outdoor` in degC."""
    count = 24 * days + 1
    h = np.arange(count)
    outdoor = 3.0 + 3.0 * np.sin((h - 9) / 24 * 2 * np.pi) + 2.0 * np.sin(h / 150)
    heat = 6.0 / 30.0 * (20.0 - outdoor) * (1.0 + 0.2 * np.sin(h / 3.7))
    flow = 42.0 - 0.6 * outdoor + 1.5 * np.sin(h / 2.3)
    return pl.DataFrame(
        {
            "time": [start + timedelta(hours=int(k)) for k in h],
            "heat": 1200.0 + np.cumsum(heat),
            "elec": 410.0 + np.cumsum(heat / cop),
            "flow": flow,
            "back": flow - 4.5,
            "outdoor": outdoor,
        }
    )


def table(
    frame: pl.DataFrame,
    names: dict[str, str],
    *,
    time: str = "Zeit",
    stamps: str = "%Y-%m-%dT%H:%M:%SZ",
    zone: str | None = None,
    separator: str = ";",
    decimal: str = ".",
) -> str:
    """Delimited text of some columns of `hours` under other names, numbers to 3 decimals."""
    local = pl.col("time") if zone is None else pl.col("time").dt.convert_time_zone(zone)
    shown = frame.select(
        local.dt.strftime(stamps).alias(time),
        *(
            pl.col(column)
            .round(3)
            .cast(pl.String)
            .str.replace(".", decimal, literal=True)
            .alias(name)
            for column, name in names.items()
        ),
    )
    rows = [separator.join(shown.columns), *(separator.join(row) for row in shown.rows())]
    return "\n".join(rows) + "\n"
