"""Members of an outlook: possible courses of a guarantee period.

Each member has its own model parameters, weather, day-to-day residuals, changes still to
come and meter errors. Hours that are known stay as they were measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from math import sqrt

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.metrics import climate as weather
from monitor.metrics import periods, priors
from monitor.metrics.boundary import Recipe
from monitor.metrics.daily import unknown_hours
from monitor.metrics.model import EnergyModel
from monitor.metrics.performance import Blocks, accounts
from monitor.metrics.uncertainty import HeatMeterUse, meter_u_percent
from monitor.models import Role, Site, Terms

Values = npt.NDArray[np.float64]

#: Days times members drawn at once: a promise of fifteen years must not fill the memory.
LARGEST_BATCH = 500_000


@dataclass(frozen=True)
class Ensemble:
    """Members of an outlook.

    Attributes
    ----------
    measured_heat, measured_electricity
        Known so far, kWh.
    past, future
        Share of each day of the period that counts and is unknown and past, or to come.
    heat, electricity
        Whole-day energies drawn for days with an unknown share, shape (members, days).
    heat_factor, electricity_factor
        True over indicated energy, shape (members,).
    gone
        Days of the period that have passed.
    placed
        The climate as it lies at the site.
    """

    measured_heat: float
    measured_electricity: float
    past: Values
    future: Values
    heat: Values
    electricity: Values
    heat_factor: Values
    electricity_factor: Values
    gone: int
    placed: weather.Placed

    @property
    def spf(self) -> Values:
        """True SPF of the period, shape (members,)."""
        share = self.past + self.future
        heat = (self.measured_heat + self.heat @ share) * self.heat_factor
        used = (self.measured_electricity + self.electricity @ share) * self.electricity_factor
        return np.asarray(heat / np.maximum(used, 1e-9))

    def moved(self, heat: Values, electricity: float) -> Values:
        """As `spf`, with what was measured so far times a factor on either energy."""
        share = self.past + self.future
        whole = (self.measured_heat * heat + self.heat @ share) * self.heat_factor
        used = self.measured_electricity * electricity + self.electricity @ share
        return np.asarray(whole / np.maximum(used * self.electricity_factor, 1e-9))

    def course(self) -> Values:
        """SPF from the period's start to the end of each day, shape (members, days).

        Days before now show what will have been filled of them by then.
        """
        share = self.past + self.future
        heat = self.measured_heat + np.cumsum(self.heat * share, axis=1)
        used = self.measured_electricity + np.cumsum(self.electricity * share, axis=1)
        factor = self.heat_factor / self.electricity_factor
        return np.asarray(heat / np.maximum(used, 1e-9) * factor[:, None])


def ensemble(
    site: Site,
    terms: Terms,
    recipe: Recipe,
    blocks: Blocks,
    days: pl.DataFrame,
    model: EnergyModel,
    climate: weather.Climate,
    use: HeatMeterUse,
    *,
    until: datetime,
    members: int,
    seed: int,
) -> Ensemble:
    """Draw the members of an outlook.

    Parameters
    ----------
    blocks, days
        What is known up to `until`, a UTC hour.
    """
    rng = np.random.default_rng([seed])
    start, _ = periods.span(site, periods.Window("", terms.start, terms.end))
    count = (terms.end - terms.start).days
    row = accounts(blocks, [start], [max(start, until)]).row(0, named=True)
    streams = {str(r): float(row[f"stream:{r}"]) for r in recipe.streams}
    today = periods.local_day(site, until)
    gone = int(np.clip((today - terms.start).days, 0, count))
    past, future = _unknown_shares(site, blocks, terms, until)

    placed = weather.place(
        climate, days["day"], days["outdoor_c"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    )
    known = _recorded(days, terms.start, count)
    number = np.arange(count, dtype=np.int64) + (terms.start - date(1970, 1, 1)).days

    # Only days of which something is unknown are drawn.
    drawn = np.flatnonzero(past + future > 0)
    heat = np.zeros((members, count))
    used = np.zeros((members, count))
    batch = max(1, LARGEST_BATCH // count)
    for first in range(0, members if len(drawn) else 0, batch):
        part = slice(first, min(first + batch, members))
        outdoor = weather.draw(placed, terms.start, count, part.stop - first, rng)
        outdoor = np.where(np.isfinite(known)[None, :], known[None, :], outdoor)[:, drawn]
        heat[part, drawn], used[part, drawn] = model.simulate(outdoor, number[drawn], rng)
    used *= _changes_to_come(count, gone, members, rng)
    heat_factor, used_factor = _meter_factors(site, recipe, streams, use, members, rng)
    return Ensemble(
        measured_heat=float(row["heat_kwh"]),
        measured_electricity=float(row["electricity_kwh"]),
        past=past,
        future=future,
        heat=heat,
        electricity=used,
        heat_factor=heat_factor,
        electricity_factor=used_factor,
        gone=gone,
        placed=placed,
    )


def _unknown_shares(
    site: Site, blocks: Blocks, terms: Terms, until: datetime
) -> tuple[Values, Values]:
    """Share of each day that counts and is unknown and past, and that is to come."""
    past, to_come, hours = unknown_hours(site, blocks, terms.start, terms.end, until)
    return past / hours, to_come / hours


def _recorded(days: pl.DataFrame, first: date, count: int) -> Values:
    """Outdoor temperatures of the period's days that are on record; NaN elsewhere."""
    out = np.full(count, np.nan)
    known = days.filter(pl.col("outdoor_c").is_not_null())
    at = known["day"].to_physical().to_numpy() - (first - date(1970, 1, 1)).days
    inside = (at >= 0) & (at < count)
    out[at[inside]] = known["outdoor_c"].to_numpy()[inside]
    return out


def _changes_to_come(count: int, gone: int, members: int, rng: np.random.Generator) -> Values:
    """Factor on the electricity of each day from changes that have not happened yet."""
    rate = priors.CHANGES_A_YEAR / 365.25
    wait = rng.exponential(1.0 / rate, members)
    change = rng.normal(priors.CHANGE_MEAN, priors.CHANGE_SD, members)
    after = np.arange(count)[None, :] - gone >= wait[:, None]
    return np.asarray(1.0 + np.maximum(change, -0.5)[:, None] * after)


def meter_limit(site: Site, role: Role, use: HeatMeterUse) -> tuple[tuple[str, ...], float, str]:
    """Device of a role, its limit of error in %, and what that was taken from.

    Fits that follow one another count as one device of the worst class among them, as in
    the uncertainty of the account.
    """
    fits = [f for f in site.meter if any(c.role is role for c in f.channel)]
    percent, detail = max(meter_u_percent(fit, role, use) for fit in fits)
    return tuple(f.serial for f in fits), percent * sqrt(3.0), detail


def _meter_factors(
    site: Site,
    recipe: Recipe,
    streams: dict[str, float],
    use: HeatMeterUse,
    members: int,
    rng: np.random.Generator,
) -> tuple[Values, Values]:
    """True over indicated heat and electricity: one constant error a meter.

    Each error is rectangular between its limits (JCGM 100:2008, 4.3.7) and shared by all
    streams and days that the meter counts; days to come are metered by the same meters.
    """
    errors: dict[tuple[str, ...], Values] = {}
    shares: dict[str, Values] = {}
    for role in recipe.streams:
        device, percent, _ = meter_limit(site, role, use)
        if device not in errors:
            errors[device] = rng.uniform(-1.0, 1.0, members)
        shares[str(role)] = 1.0 / (1.0 + errors[device] * percent / 100.0)

    def factor(parts: dict[str, float]) -> Values:
        shown = sum(f * streams[r] for r, f in parts.items())
        weights = {r: f * streams[r] for r, f in parts.items()}
        if shown <= 0:
            weights, shown = dict(parts), sum(parts.values())
        total = np.zeros(members)
        for role, weight in weights.items():
            total += weight * shares[role]
        return np.asarray(total / shown)

    return (
        factor({str(r): float(f) for r, f in recipe.heat.items()}),
        factor({str(r): float(f) for r, f in recipe.electricity.items()}),
    )
