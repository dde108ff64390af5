"""The outlook: the SPF of the whole guarantee period, with an interval that can be trusted.

What was measured stays as it was measured. Hours that nobody knows, past or to come, are
drawn from the site's energy model and its climate; what is estimated is kept apart from
what was measured (rule R9). Each member of the ensemble has its own parameters, weather,
day-to-day residuals, changes still to come and meter errors, so that the spread of the
members is the uncertainty of the outlook.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import sqrt
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.metrics import climate as weather
from monitor.metrics import model as energy
from monitor.metrics import periods
from monitor.metrics.account import heat_meter_use
from monitor.metrics.boundary import Recipe, promised_recipe
from monitor.metrics.daily import day_frame, unknown_hours
from monitor.metrics.performance import Blocks, accounts, pair
from monitor.metrics.uncertainty import HeatMeterUse, meter_u_percent
from monitor.models import Record, Site, Terms

Values = npt.NDArray[np.float64]

MEMBERS: Final = 1000
SEED: Final = 20_260_101

#: Days between points of the fan.
FAN_STEP: Final = 7


class FanPoint(Record):
    """Quantiles of the SPF from the period's start up to, not including, a day."""

    day: date
    p5: float
    p25: float
    p50: float
    p75: float
    p95: float


class Range(Record):
    """A median with its 90 % interval."""

    low: float
    median: float
    high: float


class Ingredient(Record):
    """One thing that the outlook was made from, for whoever asks how."""

    name: str
    detail: str


class Outlook(Record):
    """Forecast of the SPF of a guarantee period.

    Attributes
    ----------
    is_forecast
        False where none can be made honestly; `sentence` says why and the figures are None.
    is_adequate
        Whether the energy model is good enough by itself; if not, the interval leans on
        what is usual for homes of this kind and is wide.
    median, low_50, high_50, low_90, high_90
        Of the true SPF of the whole period.
    probability
        That the true SPF of the period is at least the promise.
    measured_heat_kwh, measured_electricity_kwh
        What is known of the period so far.
    filled_heat_kwh, filled_electricity_kwh
        Estimates for hours of the past that are not known; never part of an account (R9).
    coming_heat_kwh, coming_electricity_kwh
        Expected from now to the end.
    fan
        Cumulative SPF, from now to the end.
    ingredients
        What was used.
    members, seed
        Size of the ensemble and the seed that gives the same one again.
    """

    site: str
    at: datetime
    period_start: date
    period_end: date
    promise: float
    is_forecast: bool
    is_adequate: bool
    sentence: str
    median: float | None = None
    low_50: float | None = None
    high_50: float | None = None
    low_90: float | None = None
    high_90: float | None = None
    probability: float | None = None
    measured_heat_kwh: float = 0.0
    measured_electricity_kwh: float = 0.0
    filled_heat_kwh: Range | None = None
    filled_electricity_kwh: Range | None = None
    coming_heat_kwh: Range | None = None
    coming_electricity_kwh: Range | None = None
    fan: tuple[FanPoint, ...] = ()
    ingredients: tuple[Ingredient, ...] = ()
    members: int = MEMBERS
    seed: int = SEED


def outlook(
    site: Site,
    slots: pl.DataFrame,
    states: pl.DataFrame,
    *,
    now: datetime,
    climate: weather.Climate | None = None,
    daily_weather: pl.DataFrame | None = None,
    members: int = MEMBERS,
    seed: int = SEED,
) -> Outlook | None:
    """Forecast the promise of a site.

    Parameters
    ----------
    slots, states
        Frames of schema SLOT and STATE_SLOT of this site; those after `now` are not used.
    now
        UTC.
    climate
        Reference climate; default the average of the United Kingdom, moved to fit the
        site's own outdoor temperatures.
    daily_weather
        Frame of schema DAILY_WEATHER for days without an outdoor sensor.

    Returns
    -------
    Outlook or None
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
    slots = slots.filter(pl.col("block_end_utc") <= until)
    states = states.filter(pl.col("slot_start_utc") < until)
    blocks = pair(slots, recipe)
    days = day_frame(site, recipe, slots, states, daily_weather)
    fitted = energy.energy_model(site, days)
    if isinstance(fitted, str):
        return _none(site, terms, now, fitted, members, seed)
    if climate is None:
        climate = weather.from_months(
            weather.UK_AVERAGE, "monthly means of the United Kingdom (SAP 10.2, Table U1)"
        )
    use = heat_meter_use(site, slots, states)
    drawn = ensemble(
        site,
        terms,
        recipe,
        blocks,
        days,
        fitted,
        climate,
        use,
        until=until,
        members=members,
        seed=seed,
    )
    spf = drawn.spf
    low_90, low_50, median, high_50, high_90 = (
        float(v) for v in np.quantile(spf, [0.05, 0.25, 0.5, 0.75, 0.95])
    )
    probability = float(np.mean(spf >= terms.promised_spf))
    has_past = bool(drawn.past.sum() > 0)
    return Outlook(
        site=site.id,
        at=now,
        period_start=terms.start,
        period_end=terms.end,
        promise=terms.promised_spf,
        is_forecast=True,
        is_adequate=fitted.adequate,
        sentence=_sentence(terms, fitted, median, low_90, high_90, probability),
        median=median,
        low_50=low_50,
        high_50=high_50,
        low_90=low_90,
        high_90=high_90,
        probability=probability,
        measured_heat_kwh=drawn.measured_heat,
        measured_electricity_kwh=drawn.measured_electricity,
        filled_heat_kwh=_range(drawn.heat @ drawn.past) if has_past else None,
        filled_electricity_kwh=_range(drawn.electricity @ drawn.past) if has_past else None,
        coming_heat_kwh=_range(drawn.heat @ drawn.future),
        coming_electricity_kwh=_range(drawn.electricity @ drawn.future),
        fan=_fan(terms, drawn),
        ingredients=_ingredients(site, recipe, fitted, climate, drawn, use),
        members=members,
        seed=seed,
    )


def _none(
    site: Site, terms: Terms, now: datetime, sentence: str, members: int, seed: int
) -> Outlook:
    return Outlook(
        site=site.id,
        at=now,
        period_start=terms.start,
        period_end=terms.end,
        promise=terms.promised_spf,
        is_forecast=False,
        is_adequate=False,
        sentence=sentence,
        members=members,
        seed=seed,
    )


@dataclass(frozen=True)
class Ensemble:
    """Members of an outlook.

    Attributes
    ----------
    measured_heat, measured_electricity
        Known so far, kWh.
    past, future
        Share of each day of the period that is unknown and past, and that is to come.
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
    model: energy.EnergyModel,
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
    outdoor = weather.draw(placed, terms.start, count, members, rng)
    known = _recorded(days, terms.start, count)
    outdoor = np.where(np.isfinite(known)[None, :], known[None, :], outdoor)
    number = np.arange(count, dtype=np.int64) + (terms.start - date(1970, 1, 1)).days

    # Only days of which something is unknown are drawn.
    drawn = np.flatnonzero(past + future > 0)
    heat = np.zeros((members, count))
    used = np.zeros((members, count))
    if len(drawn):
        heat[:, drawn], used[:, drawn] = model.simulate(outdoor[:, drawn], number[drawn], rng)
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
    """Share of each day of the period that is unknown and past, and that is to come."""
    start, end = periods.span(site, periods.Window("", terms.start, terms.end))
    unknown, hours = unknown_hours(site, blocks, terms.start, terms.end, until)
    edge = int(start.timestamp()) // 3600 + np.concatenate(([0], np.cumsum(hours)))
    stop = min(int(until.timestamp()), int(end.timestamp())) // 3600
    to_come = np.clip(edge[1:] - max(stop, edge[0]), 0, hours)
    return (unknown - to_come) / hours, to_come / hours


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
    rate = energy.CHANGES_A_YEAR / 365.25
    wait = rng.exponential(1.0 / rate, members)
    change = rng.normal(energy.CHANGE_MEAN, energy.CHANGE_SD, members)
    after = np.arange(count)[None, :] - gone >= wait[:, None]
    return np.asarray(1.0 + np.maximum(change, -0.5)[:, None] * after)


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
    errors: dict[str, Values] = {}
    shares: dict[str, Values] = {}
    for role in recipe.streams:
        fit = [f for f in site.meter if any(c.role is role for c in f.channel)][-1]
        if fit.serial not in errors:
            limit = meter_u_percent(fit, role, use)[0] / 100.0 * sqrt(3.0)
            errors[fit.serial] = rng.uniform(-limit, limit, members)
        shares[str(role)] = 1.0 / (1.0 + errors[fit.serial])

    def factor(parts: dict[str, int]) -> Values:
        shown = sum(f * streams[r] for r, f in parts.items())
        weights = {r: f * streams[r] for r, f in parts.items()}
        if shown <= 0:
            weights, shown = dict(parts), sum(parts.values())
        total = np.zeros(members)
        for role, weight in weights.items():
            total += weight * shares[role]
        return np.asarray(total / shown)

    return (
        factor({str(r): f for r, f in recipe.heat.items()}),
        factor({str(r): f for r, f in recipe.electricity.items()}),
    )


def _fan(terms: Terms, drawn: Ensemble) -> tuple[FanPoint, ...]:
    course = drawn.course()
    last = course.shape[1] - 1
    at = [*range(drawn.gone, last, FAN_STEP), last]
    quantiles = np.quantile(course[:, at], [0.05, 0.25, 0.5, 0.75, 0.95], axis=0)
    return tuple(
        FanPoint(
            day=terms.start + timedelta(days=i + 1),
            p5=float(q[0]),
            p25=float(q[1]),
            p50=float(q[2]),
            p75=float(q[3]),
            p95=float(q[4]),
        )
        for i, q in zip(at, quantiles.T, strict=True)
    )


def _range(values: Values) -> Range:
    low, median, high = (float(v) for v in np.quantile(values, [0.05, 0.5, 0.95]))
    return Range(low=low, median=median, high=high)


def _percent(probability: float) -> str:
    if probability > 0.99:
        return "over 99 %"
    if probability < 0.01:
        return "under 1 %"
    return f"{probability:.0%}".replace("%", " %")


def _sentence(
    terms: Terms,
    model: energy.EnergyModel,
    median: float,
    low: float,
    high: float,
    probability: float,
) -> str:
    last = terms.end - timedelta(days=1)
    text = (
        f"By {last:%-d %B %Y} the SPF is expected to be {median:.2f} "
        f"(90 % interval {low:.2f} to {high:.2f}); the probability that the promise of "
        f"{terms.promised_spf:.2f} is kept is {_percent(probability)}."
    )
    if not model.adequate:
        text += (
            f" {model.sentence} The interval leans on what is usual for such homes "
            "and is wide for that reason."
        )
    return text


def _ingredients(
    site: Site,
    recipe: Recipe,
    model: energy.EnergyModel,
    climate: weather.Climate,
    drawn: Ensemble,
    use: HeatMeterUse,
) -> tuple[Ingredient, ...]:
    electricity = (
        f"standby {model.standby_kwh:.1f} kWh a day; for each kWh of heat "
        f"{model.offset:.3f} + {model.per_lift:.4f} a kelvin of lift; "
        f"CV(RMSE) {model.electricity.cv_rmse:.0%}"
    )
    if model.change is not None and model.change_day is not None:
        direction = "more" if model.change > 0 else "less"
        electricity += (
            f"; from about {model.change_day:%-d %B %Y} on {abs(model.change):.0%} {direction} "
            "for the same heat"
        )
    water = "its own meter" if model.base_from == "heat_dhw" else "the heat signature"
    limits = "; ".join(
        meter_u_percent(fit, role, use)[1]
        for role in recipe.streams
        for fit in [f for f in site.meter if any(c.role is role for c in f.channel)][-1:]
    )
    lines = [
        ("days fitted", f"{model.heat.days} whole days with their outdoor temperature"),
        (
            "heat",
            f"{model.base_kwh:.1f} kWh a day and {model.slope_kwh_k:.2f} kWh a day for each "
            f"kelvin below {model.balance_c:.1f} degC; CV(RMSE) {model.heat.cv_rmse:.0%}; "
            f"hot water from {water}",
        ),
        ("electricity", electricity),
        (
            "flow temperature",
            f"{model.flow.origin}: {model.flow.at_15_c:.0f} degC at 15 degC outside, "
            f"{model.flow.per_k:.2f} K more for each kelvin colder",
        ),
        ("climate", f"{climate.origin}, moved by {drawn.placed.mean[0]:+.1f} K to fit this site"),
        ("hours of the past not known", f"{drawn.past.sum():.1f} days, filled by the model"),
        (
            "changes to come",
            f"{energy.CHANGES_A_YEAR:.2f} a year, {energy.CHANGE_MEAN:+.0%} electricity each, "
            f"standard deviation {energy.CHANGE_SD:.0%}",
        ),
        ("meter limits", limits),
    ]
    return tuple(Ingredient(name=name, detail=detail) for name, detail in lines)
