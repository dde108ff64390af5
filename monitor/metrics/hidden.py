"""What the hours that nobody knows may hide: possible courses by the home's energy model.

None of it enters a measured figure (R9). It says only how far the SPF of all hours may lie
from that of the known ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.metrics import climate as weather
from monitor.metrics import periods
from monitor.metrics.model import energy_model
from monitor.metrics.site_weather import SiteWeather
from monitor.metrics.uncertainty import WholeSpf
from monitor.models import Site

Values = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

MEMBERS: Final = 200
SEED: Final = 20_260_104

_EPOCH: Final = date(1970, 1, 1)


@dataclass(frozen=True)
class Hidden:
    """Possible energies of each day.

    Attributes
    ----------
    first
        Days since 1970 of the first one.
    heat, electricity
        kWh an hour inside the boundary, shape (members, days).
    """

    first: int
    heat: Values
    electricity: Values

    def whole(
        self,
        heat_kwh: float,
        electricity_kwh: float,
        day: Whole,
        missing: Whole,
        hours_missing: int,
    ) -> WholeSpf | None:
        """SPF of a window with its hidden hours as they may have been.

        Parameters
        ----------
        heat_kwh, electricity_kwh
            What is known of the window.
        day, missing
            Its local days (since 1970), and the hours of each that are not known.
        hours_missing
            Of the whole window; days know fewer hours, as a bridged block across midnight
            is in neither.

        Returns
        -------
        WholeSpf or None
            None where a day with hidden hours lies outside of what was drawn.
        """
        lacking = missing > 0
        if not lacking.any() or electricity_kwh <= 0:
            return None
        at = day[lacking] - self.first
        if at.min() < 0 or at.max() >= self.heat.shape[1]:
            return None
        hours = missing[lacking] * (hours_missing / missing.sum())
        heat = heat_kwh + self.heat[:, at] @ hours
        used = electricity_kwh + self.electricity[:, at] @ hours
        spf = heat / used
        known = heat_kwh / electricity_kwh
        return WholeSpf(
            spf=float(np.mean(spf)),
            rms=float(np.sqrt(np.mean((spf - known) ** 2))),
            share=float(np.mean(1.0 - electricity_kwh / used)),
        )


def hidden(site: Site, days: pl.DataFrame, given: SiteWeather, until: datetime) -> Hidden | None:
    """Draw possible energies of every day up to an hour.

    Parameters
    ----------
    days
        Frame of schema DAY of the boundary in question.
    given
        Weather of the site from elsewhere.

    Returns
    -------
    Hidden or None
        None without an energy model.
    """
    if days.height == 0:
        return None
    model = energy_model(site, days)
    if isinstance(model, str):
        return None
    first: date = days["day"][0]
    if site.current_terms is not None:
        first = min(first, site.current_terms.start)
    last = max(days["day"][-1], periods.local_day(site, until - timedelta(hours=1)))
    count = (last - first).days + 1
    outdoor = days["outdoor_c"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    climate = given.climate or weather.reference(days["day"], outdoor)
    rng = np.random.default_rng(SEED)
    placed = weather.place(climate, days["day"], outdoor)
    drawn = weather.draw(placed, first, count, MEMBERS, rng)
    at = days["day"].to_physical().to_numpy() - (first - _EPOCH).days
    seen = np.full(count, np.nan)
    seen[at] = outdoor
    drawn = np.where(np.isfinite(seen)[None, :], seen[None, :], drawn)
    number = np.arange(count, dtype=np.int64) + (first - _EPOCH).days
    heat, used = model.simulate(drawn, number, rng)
    return Hidden(int(number[0]), heat / 24.0, used / 24.0)
