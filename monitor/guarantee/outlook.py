"""The outlook: the SPF of the whole guarantee period, with an interval that can be trusted.

What was measured stays as it was measured. Hours that nobody knows, past or to come, are
drawn from the site's energy model and its climate; what is estimated is kept apart from
what was measured (rule R9). Each member of the ensemble has its own parameters, weather,
day-to-day residuals, changes still to come and meter errors, so that the spread of the
members is the uncertainty of the outlook.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.guarantee.allowance import Allowance
from monitor.guarantee.basis import Basis
from monitor.guarantee.conformance import percent
from monitor.guarantee.ensemble import Ensemble, ensemble, meter_limit
from monitor.metrics import climate as weather
from monitor.metrics import model as energy
from monitor.metrics import priors
from monitor.metrics.boundary import Recipe
from monitor.metrics.uncertainty import HeatMeterUse
from monitor.models import Record, Site, Terms

Values = npt.NDArray[np.float64]

MEMBERS: Final = 1000
SEED: Final = 20_260_101

#: Days between points of the fan, and how many points at most: more cannot be seen.
FAN_STEP: Final = 7
FAN_POINTS: Final = 110


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


class Allowed(Record):
    """End of a period as the reference climate would have it.

    What was measured so far is moved to it; days to come are drawn about it as they are,
    so that the interval is on the wide side.
    """

    median: float
    low_90: float
    high_90: float
    probability: float


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
    allowed
        Where the terms grant a weather allowance: the same of the SPF moved to the
        reference climate, which is the one that decides.
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
    allowed: Allowed | None = None
    ingredients: tuple[Ingredient, ...] = ()
    members: int = MEMBERS
    seed: int = SEED

    @property
    def deciding_probability(self) -> float | None:
        """Probability by the figure that the terms let decide."""
        return self.probability if self.allowed is None else self.allowed.probability


def outlook(
    base: Basis,
    *,
    climate: weather.Climate | None = None,
    granted: Allowance | None = None,
    members: int = MEMBERS,
    seed: int = SEED,
) -> Outlook:
    """Forecast the promise of a site.

    Parameters
    ----------
    base
        What is known now. Excluded stretches, past or agreed for days to come, are neither
        measured nor filled nor forecast.
    climate
        Reference climate; default the one that the site's description states, else its own
        record once it covers a year, and the average of the United Kingdom before. It is
        moved to fit the site's own outdoor temperatures.
    granted
        The weather allowance so far, where the terms grant one.
    """
    site, terms, recipe, days, use = base.site, base.terms, base.recipe, base.days, base.use
    fitted = base.model
    if isinstance(fitted, str):
        return _none(base, fitted, members, seed)
    if climate is None and site.climate is not None:
        climate = weather.from_months(site.climate.monthly_means_c, site.climate.origin)
    if climate is None:
        climate = weather.reference(
            days["day"], days["outdoor_c"].fill_null(float("nan")).to_numpy()
        )
    drawn = ensemble(
        site,
        terms,
        recipe,
        base.blocks,
        days,
        fitted,
        climate,
        use,
        until=base.until,
        members=members,
        seed=seed,
    )
    spf = drawn.spf
    low_90, low_50, median, high_50, high_90 = (
        float(v) for v in np.quantile(spf, [0.05, 0.25, 0.5, 0.75, 0.95])
    )
    probability = _reached(spf, terms)
    has_past = bool(drawn.past.sum() > 0)
    return Outlook(
        site=site.id,
        at=base.now,
        period_start=terms.start,
        period_end=terms.end,
        promise=terms.promised_spf,
        is_forecast=True,
        is_adequate=fitted.adequate and drawn.placed.fits,
        sentence=_sentence(terms, fitted, drawn.placed, median, low_90, high_90, probability),
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
        allowed=_allowed(terms, drawn, granted, seed),
        ingredients=_ingredients(site, recipe, fitted, climate, drawn, use),
        members=members,
        seed=seed,
    )


def _reached(spf: Values, terms: Terms) -> float:
    # A finite ensemble proves nothing certain: half a member on either side.
    return (float(np.sum(spf >= terms.promised_spf)) + 0.5) / (len(spf) + 1)


def _allowed(terms: Terms, drawn: Ensemble, granted: Allowance | None, seed: int) -> Allowed | None:
    if (
        granted is None
        or granted.heat_factor is None
        or granted.electricity_factor is None
        or granted.factor is None
        or granted.u_factor is None
    ):
        return None
    rng = np.random.default_rng([seed, 1])
    doubt = 1.0 + granted.u_factor / granted.factor * rng.standard_normal(len(drawn.heat_factor))
    spf = drawn.moved(granted.heat_factor * doubt, granted.electricity_factor)
    low, median, high = (float(v) for v in np.quantile(spf, [0.05, 0.5, 0.95]))
    return Allowed(median=median, low_90=low, high_90=high, probability=_reached(spf, terms))


def _none(base: Basis, sentence: str, members: int, seed: int) -> Outlook:
    terms = base.terms
    return Outlook(
        site=base.site.id,
        at=base.now,
        period_start=terms.start,
        period_end=terms.end,
        promise=terms.promised_spf,
        is_forecast=False,
        is_adequate=False,
        sentence=sentence,
        members=members,
        seed=seed,
    )


def _fan(terms: Terms, drawn: Ensemble) -> tuple[FanPoint, ...]:
    course = drawn.course()
    last = course.shape[1] - 1
    step = max(FAN_STEP, -(-(last - drawn.gone) // FAN_POINTS))
    at = [*range(drawn.gone, last, step), last]
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


def _sentence(
    terms: Terms,
    model: energy.EnergyModel,
    placed: weather.Placed,
    median: float,
    low: float,
    high: float,
    probability: float,
) -> str:
    last = terms.end - timedelta(days=1)
    text = (
        f"By {last:%-d %B %Y} the SPF is expected to be {median:.2f} "
        f"(90 % interval {low:.2f} to {high:.2f}); the probability that the promise of "
        f"{terms.promised_spf:.2f} is kept is {percent(probability)}."
    )
    if not model.adequate:
        text += (
            f" {model.sentence} The interval leans on what is usual for such homes "
            "and is wide for that reason."
        )
    if not placed.fits:
        text += (
            f" The outdoor temperatures of this site lie {placed.mean[0]:+.1f} K off the "
            f"reference climate ({placed.climate.origin}); give monthly means or a weather "
            "file of the place itself."
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
    limits = "; ".join(dict.fromkeys(meter_limit(site, r, use)[2] for r in recipe.streams))
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
            f"{priors.CHANGES_A_YEAR:.2f} a year, {priors.CHANGE_MEAN:+.0%} electricity each, "
            f"standard deviation {priors.CHANGE_SD:.0%}",
        ),
        ("meter limits", limits),
    ]
    return tuple(Ingredient(name=name, detail=detail) for name, detail in lines)
