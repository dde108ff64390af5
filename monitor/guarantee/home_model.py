"""The energy model of a home whose heaters are taken apart from its heat pump.

What the house wants is told by all of its space heat, also that of a backup heater; what
the heat pump takes is told by its own heat and electricity. Where a backup heater has done
nearly all, the heat pump's days are few and its coefficients lean on what is usual.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import polars as pl

from monitor.metrics import priors
from monitor.metrics.daily import DAY
from monitor.metrics.model import EnergyModel, energy_model, usable
from monitor.metrics.regression import Posterior, regress
from monitor.models import Site

#: Share of the heat from which a backup heater's is told from the heat pump's.
#: Common practice, no source.
LEAST_BACKUP_SHARE: Final = 0.02


def home_model(site: Site, days: pl.DataFrame, backup: str | None) -> EnergyModel | str:
    """Fit the heat pump's electricity and the house's heat.

    Parameters
    ----------
    days
        Frame of schema DAY with the heat and electricity of the heat pump alone, and a
        column of the backup heater's heat.
    backup
        Name of that column; None where there is none.

    Returns
    -------
    EnergyModel or str
        A sentence that says why there is none.
    """
    pump = energy_model(site, days.select(list(DAY)))
    if backup is None:
        return pump
    known = days.filter("complete")
    beside, own = float(known[backup].sum()), float(known["heat_kwh"].sum())
    if beside < LEAST_BACKUP_SHARE * (own + beside):
        return pump
    house_days = days.with_columns(
        pl.col("heat_kwh") + pl.col(backup).fill_null(0.0),
        pl.col("electricity_kwh") + pl.col(backup).fill_null(0.0),
    ).select(list(DAY))
    house = energy_model(site, house_days)
    if isinstance(house, str):
        return house
    if isinstance(pump, str):
        return replace(
            house,
            electricity_posterior=_few_days(house, days),
            change=None,
            change_day=None,
        )
    return replace(
        pump,
        heat_posterior=house.heat_posterior,
        base_kwh=house.base_kwh,
        slope_kwh_k=house.slope_kwh_k,
        balance_c=house.balance_c,
        heat=house.heat,
    )


def _few_days(house: EnergyModel, days: pl.DataFrame) -> Posterior:
    """Electricity of the heat pump by its heat and lift, without a search for changes."""
    good = usable(days.select(list(DAY)))
    outdoor, heat = good["outdoor_c"].to_numpy(), good["heat_kwh"].to_numpy()
    used = good["electricity_kwh"].to_numpy()
    shown = good["flow_c"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    flow = np.where(np.isfinite(shown), shown, house.expected_flow(outdoor))
    lift = flow - (outdoor if house.air_source else priors.GROUND_C)
    per_lift = 1.0 / (priors.CARNOT_SHARE * 310.0)
    reciprocal = float(used.sum() / max(float(heat.sum()), 1e-9))
    nothing = np.zeros_like(heat)
    return regress(
        np.stack([np.ones_like(heat), heat, heat * lift, nothing], axis=1)[None],
        used,
        0.05 * reciprocal * (0.5 * float(heat.mean()) + heat),
        good["day"].to_physical().to_numpy().astype(np.int64),
        prior_mean=np.array([priors.STANDBY_KWH, priors.EXCHANGERS_K * per_lift, per_lift, 0.0]),
        prior_sd=np.array(
            [
                priors.STANDBY_SD,
                priors.OFFSET_SD,
                per_lift * priors.CARNOT_SD / priors.CARNOT_SHARE,
                1e-6,
            ]
        ),
        log_prior=np.zeros(1),
        noise=1.0,
    )
