"""Weather of a site from elsewhere: its reference climate, and days without a sensor."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from monitor.metrics.climate import Climate, from_days, from_months
from monitor.metrics.daily import DAILY_WEATHER
from monitor.models import Site
from monitor.schemas import WEATHER, check, empty


@dataclass(frozen=True)
class SiteWeather:
    """What is known of a site's weather apart from its own sensor.

    Attributes
    ----------
    climate
        Reference climate that the site's description states, or that a weather file gives;
        None without either.
    daily
        Frame of schema DAILY_WEATHER: what the weather was, for days without a sensor.
    """

    climate: Climate | None
    daily: pl.DataFrame


def site_weather(site: Site, weather: pl.DataFrame | None = None) -> SiteWeather:
    """Sort out what imported weather is to a site.

    Monthly means of the description come first as the climate, then a typical year, then
    days of real years if they cover one.

    Parameters
    ----------
    weather
        Frame of schema WEATHER; rows of other series than the site's are not used.
    """
    frame = check(weather if weather is not None else empty(WEATHER), WEATHER)
    own = frame.filter(pl.col("series") == (site.weather or ""))
    real = own.filter(~pl.col("typical")).sort("day")
    climate = None
    if site.climate is not None:
        climate = from_months(site.climate.monthly_means_c, site.climate.origin)
    for part, words in ((own.filter("typical"), "a typical year"), (real, "daily weather")):
        if climate is None and part.height:
            part = part.sort("day")
            try:
                climate = from_days(
                    part["day"], part["outdoor_c"].to_numpy(), f"{words} of '{site.weather}'"
                )
            except ValueError:
                # Part of a year says what the weather was, and not what it is like.
                continue
    return SiteWeather(climate, real.select(list(DAILY_WEATHER)))
