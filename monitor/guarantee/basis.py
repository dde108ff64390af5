"""What every judgement of a promise that looks beyond its account starts from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import polars as pl

from monitor.metrics.account import Account, account, heat_meter_use
from monitor.metrics.boundary import Recipe, promised_recipe
from monitor.metrics.daily import day_frame
from monitor.metrics.hidden import Hidden, hidden
from monitor.metrics.model import EnergyModel, energy_model
from monitor.metrics.performance import Blocks, exclude, pair
from monitor.metrics.site_weather import SiteWeather, site_weather
from monitor.metrics.uncertainty import HeatMeterUse
from monitor.models import Site, Terms


@dataclass(frozen=True)
class Basis:
    """A site up to an hour, inside the boundary of its promise.

    Attributes
    ----------
    now, until
        UTC, and the hour up to which anything is known.
    slots, states
        Frames of schema SLOT and STATE_SLOT up to then.
    blocks
        Paired streams, without what is excluded.
    use
        Working point of the heat meter.
    days
        Frame of schema DAY; days that an exclusion touches are not complete.
    given
        Weather of the site from elsewhere.
    excluded
        Stretches (UTC, on the hour) that do not count.
    """

    site: Site
    terms: Terms
    recipe: Recipe
    now: datetime
    until: datetime
    slots: pl.DataFrame
    states: pl.DataFrame
    blocks: Blocks
    use: HeatMeterUse
    days: pl.DataFrame
    given: SiteWeather
    excluded: tuple[tuple[datetime, datetime], ...]

    @cached_property
    def so_far(self) -> Account:
        """Account of the guarantee period up to `until`."""
        terms = self.terms
        return account(
            self.site,
            self.recipe,
            self.blocks,
            self.use,
            terms.start,
            terms.end,
            self.until,
            self.hides,
        )

    @property
    def is_over(self) -> bool:
        """Whether the guarantee period is over."""
        return self.until >= self.site.midnight(self.terms.end)

    @property
    def own_days(self) -> pl.DataFrame:
        """Days of the guarantee period: those that a settlement's record holds."""
        inside = (pl.col("day") >= self.terms.start) & (pl.col("day") < self.terms.end)
        return self.days.filter(inside)

    @cached_property
    def hides(self) -> Hidden | None:
        """What hours that are not known may hide."""
        days = self.own_days if self.is_over else self.days
        return hidden(self.site, days, self.given, self.until)

    @cached_property
    def model(self) -> EnergyModel | str:
        """Energy model of the whole system, or the sentence that says why there is none."""
        return energy_model(self.site, self.days)


def basis(
    site: Site,
    slots: pl.DataFrame,
    states: pl.DataFrame,
    *,
    now: datetime,
    given: SiteWeather | None = None,
    excluded: Sequence[tuple[datetime, datetime]] = (),
) -> Basis | None:
    """Gather what is known of a promise at a time.

    Parameters
    ----------
    slots, states
        Frames of schema SLOT and STATE_SLOT of this site; those after `now` are not used.
    now
        UTC; the last full hour counts.
    given
        Weather of the site from elsewhere; default what its description says.
    excluded
        Stretches (UTC, on the hour) that both parties agree do not count.

    Returns
    -------
    Basis or None
        None without a promise.

    Raises
    ------
    CannotMeasureError
        The meters cannot measure the boundary of the promise.
    """
    terms = site.current_terms
    if terms is None:
        return None
    recipe = promised_recipe(site, terms)
    until = now.replace(minute=0, second=0, microsecond=0)
    given = given or site_weather(site)
    slots = slots.filter(pl.col("block_end_utc") <= until)
    states = states.filter(pl.col("slot_start_utc") < until)
    return Basis(
        site=site,
        terms=terms,
        recipe=recipe,
        now=now,
        until=until,
        slots=slots,
        states=states,
        blocks=exclude(pair(slots, recipe), excluded),
        use=heat_meter_use(site, slots, states),
        days=day_frame(site, recipe, slots, states, given.daily, excluded),
        given=given,
        excluded=tuple(excluded),
    )
