"""The days of a promise so far, taken apart into what worlds can put back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.guarantee.basis import Basis
from monitor.guarantee.heaters import LEAST_SUBMETERED, Heaters, weighted, with_heaters
from monitor.guarantee.heaters import heaters as heaters_of
from monitor.guarantee.home_model import home_model
from monitor.guarantee.single_hours import idle_kwh, space_flow
from monitor.guarantee.worlds import Days
from monitor.metrics import climate as weather
from monitor.metrics.daily import DAY
from monitor.metrics.model import FEWEST_DAYS, EnergyModel, usable
from monitor.models import Role

Values = npt.NDArray[np.float64]

#: Share of the space heat that must fall on days with hours without hot water.
#: Common practice, no source.
LEAST_DRY_SHARE: Final = 0.7


@dataclass(frozen=True)
class HomeDays:
    """Known whole days of the guarantee period so far, with the model of the home.

    Attributes
    ----------
    heat_kwh
        Heat inside the boundary on these days.
    """

    model: EnergyModel
    heaters: Heaters
    table: Days
    heat_kwh: float


def home_days(base: Basis, climate: weather.Climate) -> HomeDays | str:
    """Fit the home's model and take its days apart.

    Parameters
    ----------
    climate
        The reference climate; what it would have been warmer or colder goes by the month.

    Returns
    -------
    HomeDays or str
        A sentence that says why there are none.
    """
    site, terms, slots = base.site, base.terms, base.slots
    heaters = heaters_of(site, base.recipe)
    days, heaters = with_heaters(site, slots, base.days, heaters, terms)
    pump_days = days.join(space_flow(site, slots, base.states), on="day", how="left").with_columns(
        pl.col("heat_kwh") - weighted(heaters.in_heat),
        pl.col("electricity_kwh") - weighted(heaters.in_electricity),
    )
    model = base.model
    if heaters.roles:
        backup = Role.ELEC_BACKUP
        model = home_model(site, pump_days, backup.value if backup in heaters.roles else None)
    if isinstance(model, str):
        return model
    idle = None
    if heaters.state != "not measurable here":
        # A heater that no meter tells apart would pass for standby.
        idle = idle_kwh(base.blocks, base.so_far, site.heat_pump.nominal_heat_kw)
    window = (pl.col("day") >= terms.start) & (pl.col("day") < terms.end)
    known = usable(pump_days.select(list(DAY))).filter(window).select("day")
    inside = pump_days.join(known, on="day", how="semi").sort("day")
    if inside.height < FEWEST_DAYS:
        return (
            f"Only {inside.height} whole days of the guarantee period are known with their "
            "outdoor temperature: too few to split."
        )
    water_metered = bool(
        model.base_from == "heat_dhw"
        and inside["dhw_kwh"].is_not_null().sum() >= LEAST_SUBMETERED * inside.height
    )
    if water_metered:
        inside = inside.filter(pl.col("dhw_kwh").is_not_null())
    whole = inside["heat_kwh"] + inside.select(weighted(heaters.in_heat).alias("w")).to_series()
    return HomeDays(
        model,
        heaters,
        _days(inside, climate, heaters, idle, water_metered=water_metered),
        float(whole.sum()),
    )


def _moved_by_month(days: pl.DataFrame, climate: weather.Climate) -> Values:
    """Outdoor temperature of the days, each month moved to its mean in the climate."""
    normal = climate.normal(weather.day_of_year(days["day"]))
    gap = pl.Series("gap", normal) - days["outdoor_c"]
    month = days["day"].dt.truncate("1mo").alias("month")
    moved = pl.DataFrame([days["outdoor_c"], gap, month]).select(
        pl.col("outdoor_c") + pl.col("gap").mean().over("month")
    )
    return moved.to_series().to_numpy().astype(np.float64)


def _days(
    days: pl.DataFrame,
    climate: weather.Climate,
    heaters: Heaters,
    idle: float | None,
    *,
    water_metered: bool,
) -> Days:
    def column(name: str) -> Values:
        return days[name].cast(pl.Float64).fill_null(np.nan).to_numpy()

    def heater(role: Role) -> Values:
        if role not in heaters.roles:
            return np.zeros(days.height)
        return column(role.value) * heaters.in_electricity[role]

    return Days(
        number=days["day"].to_physical().to_numpy().astype(np.int64),
        outdoor_c=column("outdoor_c"),
        reference_c=_moved_by_month(days, climate),
        pump_heat=column("heat_kwh"),
        pump_used=column("electricity_kwh"),
        water=column("dhw_kwh") if water_metered else None,
        flow_c=column("flow_c"),
        space_flow_c=_told_by_dry_hours(days) if water_metered else None,
        backup=heater(Role.ELEC_BACKUP),
        immersion=heater(Role.ELEC_IMMERSION),
        idle_kwh=idle,
    )


def _told_by_dry_hours(days: pl.DataFrame) -> Values | None:
    """Flow of space heat by day; None where most of it is made beside hot water."""
    space = days["heat_kwh"] - days["dhw_kwh"]
    seen = days["space_flow_c"].is_not_null()
    if float((space * seen).sum()) < LEAST_DRY_SHARE * float(space.sum()):
        return None
    return days["space_flow_c"].fill_null(np.nan).to_numpy()
