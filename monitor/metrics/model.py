"""The energy model of a site: daily heat from outdoor temperature, electricity from heat.

Heat is a three-parameter change-point signature, Q = b0 + b1 max(Tb - T, 0) (Kissock,
Haberl and Claridge 2003; ASHRAE Guideline 14). Electricity is E = e0 + a Q + c Q lift
with lift = flow - source temperature: standby apart, and a reciprocal COP that is linear
in the lift, as it is for a unit that keeps a constant share of the Carnot COP. From an
unknown day on, the electricity for the same heat may be another (d Q more): a home whose
settings or unit changed is not taken for one that is what it was on average.

All parameters carry priors of the trade, so that what a short record cannot tell is wide
and not absurd. Parameters are drawn together with their uncertainty by `simulate`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.metrics import priors
from monitor.metrics.daily import DAY
from monitor.metrics.quality import Quality, quality
from monitor.metrics.regression import Posterior, regress
from monitor.models import Role, Site
from monitor.schemas import check

Values = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

#: COP of a day that a forecast may take. Common practice, no source.
COP_RANGE: Final = (0.9, 7.0)

#: Limits of a model that is fit to forecast with. Days and span: common practice, no source;
#: CV(RMSE): daily models of whole buildings reach 20 to 25 % in practice (no daily limit in
#: ASHRAE Guideline 14), a single home with sun and habits somewhat more.
LEAST_DAYS: Final = 90
LEAST_SPAN_K: Final = 8.0
LARGEST_CV: Final = 0.35

#: Space heating counts as switched off where heat rises with cold by less than this share
#: of what the heat loss says. Common practice, no source. No day is as warm as the other.
HEATING_OFF: Final = 0.2
BEYOND_HEATING_C: Final = 99.0

#: Fewest complete days from which anything is fitted, and the days before the last that
#: count: older habits tell little. Common practice, no source.
FEWEST_DAYS: Final = 14
FIT_DAYS: Final = 730

#: Residuals are drawn in blocks of this many days, so that their correlation stays.
RESIDUAL_BLOCK: Final = 7


@dataclass(frozen=True)
class FlowCurve:
    """Heat-weighted flow temperature of a day.

    Attributes
    ----------
    at_15_c, per_k
        Flow for space heating at 15 degC outside, and rise for each K colder.
    hot_water_c
        Flow while hot water is made.
    origin
        recorded, stated (design curve of the site file) or typical.
    posterior, change_days
        What the recorded days say; candidates are days from which on the curve is shifted.
    """

    at_15_c: float
    per_k: float
    hot_water_c: float
    origin: str
    posterior: Posterior | None
    change_days: Whole


@dataclass(frozen=True)
class EnergyModel:
    """What a site's days say of heat and electricity, with what they leave open.

    Attributes
    ----------
    base_kwh, slope_kwh_k, balance_c
        Heat signature b0 (hot water and base), b1 and Tb.
    base_from
        "signature", or "heat_dhw" where that stream gives the hot water.
    standby_kwh, offset, per_lift
        e0, a and c of E = e0 + a Q + c Q lift.
    change, change_day
        Change of the reciprocal COP and its most probable day; None where none is likely.
    flow
        The flow curve.
    heat, electricity
        Fit quality.
    coldest_c, warmest_c
        Range of daily outdoor temperatures fitted.
    adequate, sentence
        Whether the model is fit to forecast with, and why not.
    """

    air_source: bool
    base_kwh: float
    slope_kwh_k: float
    balance_c: float
    base_from: str
    standby_kwh: float
    offset: float
    per_lift: float
    change: float | None
    change_day: date | None
    flow: FlowCurve
    heat: Quality
    electricity: Quality
    coldest_c: float
    warmest_c: float
    adequate: bool
    sentence: str
    heat_posterior: Posterior
    electricity_posterior: Posterior
    change_days: Whole
    residual_heat: Values
    residual_electricity: Values

    def expected_heat(self, outdoor_c: Values) -> Values:
        """Heat of days at these outdoor temperatures, kWh."""
        hinge = np.maximum(self.balance_c - outdoor_c, 0.0)
        return np.asarray(self.base_kwh + self.slope_kwh_k * hinge)

    def expected_flow(self, outdoor_c: Values) -> Values:
        """Heat-weighted flow temperature of days at these outdoor temperatures, degC."""
        space = self.slope_kwh_k * np.maximum(self.balance_c - outdoor_c, 0.0)
        share = space / np.maximum(space + self.base_kwh, 1e-9)
        curve = self.flow.at_15_c + self.flow.per_k * (15.0 - outdoor_c)
        return np.asarray(share * curve + (1.0 - share) * self.flow.hot_water_c)

    def expected_electricity(self, heat_kwh: Values, flow_c: Values, outdoor_c: Values) -> Values:
        """Electricity of days of given heat and flow temperature, before any change, kWh."""
        lift = flow_c - (outdoor_c if self.air_source else priors.GROUND_C)
        return np.asarray(self.standby_kwh + (self.offset + self.per_lift * lift) * heat_kwh)

    def simulate(
        self, outdoor_c: Values, day: Whole, rng: np.random.Generator
    ) -> tuple[Values, Values]:
        """Draw heat and electricity of days.

        Parameters
        ----------
        outdoor_c
            Shape (members, days): each member has its own weather.
        day
            Shape (days,): days since 1970; they tell on which side of a change a day lies.

        Returns
        -------
        tuple of arrays of shape (members, days)
            Heat and electricity, kWh a day.
        """
        return _simulate(self, outdoor_c, day, rng)


def _loss_prior(site: Site) -> tuple[float, float]:
    """Slope of the signature, kWh/(K day), and its spread."""
    outside = site.heat_pump.design_outdoor_temp_c
    span = priors.INDOOR_C - (priors.DESIGN_OUTDOOR_C if outside is None else outside)
    per_kw = 24.0 / max(span, 10.0)
    if site.heat_loss_kw is not None:
        mean = priors.LOSS_SHARE * site.heat_loss_kw * per_kw
        return mean, priors.LOSS_SD * mean
    mean = priors.NOMINAL_SHARE * site.heat_pump.nominal_heat_kw * per_kw
    return mean, priors.NOMINAL_SD * mean


def usable(days: pl.DataFrame) -> pl.DataFrame:
    """Complete days of known outdoor temperature, the last `FIT_DAYS` of them."""
    good = check(days, DAY).filter(
        pl.col("complete") & pl.col("outdoor_c").is_not_null() & (pl.col("electricity_kwh") > 0)
    )
    if good.height == 0:
        return good
    last = good["day"][-1]
    return good.filter(pl.col("day") > date.fromordinal(last.toordinal() - FIT_DAYS))


def energy_model(site: Site, days: pl.DataFrame) -> EnergyModel | str:
    """Fit the energy model of a site to its days.

    Parameters
    ----------
    days
        Frame of schema DAY.

    Returns
    -------
    EnergyModel or str
        A sentence that says why there is none: no outdoor temperature, too few days, or a
        heating that has not been on.
    """
    if days.height and days["outdoor_c"].is_not_null().sum() == 0:
        return (
            "No forecast is made: nothing tells the outdoor temperature. Add an outdoor sensor "
            "or a weather file for the place."
        )
    good = usable(days)
    if good.height < FEWEST_DAYS:
        return (
            f"No forecast is made: only {good.height} days are wholly known with their outdoor "
            f"temperature, and at least {FEWEST_DAYS} are needed."
        )
    day = good["day"].to_physical().to_numpy().astype(np.int64)
    outdoor = good["outdoor_c"].to_numpy()
    total = good["heat_kwh"].to_numpy()
    used = good["electricity_kwh"].to_numpy()
    water_days = good["dhw_kwh"].to_numpy() if Role.HEAT_DHW in site.roles else None
    metered = water_days is not None and np.isfinite(water_days).sum() >= FEWEST_DAYS
    water = _water_level(water_days) if metered and water_days is not None else None

    heat = _fit_heat(site, day, outdoor, total, water)
    off = float(heat.mean[heat.best, 1]) < HEATING_OFF * _loss_prior(site)[0]
    if off and float(np.quantile(outdoor, 0.1)) < priors.BALANCE_C - LEAST_SPAN_K / 2:
        return (
            "No forecast is made: space heating seems to be switched off although it has been "
            "cold, so nothing tells how the home will heat."
        )
    if off:
        # Nothing can be learnt of a heating that is switched off: its slope stays as usual.
        heat = _fit_heat(site, day, np.full(len(day), BEYOND_HEATING_C), total, water)
    b0, b1 = (max(float(v), 0.0) for v in heat.mean[heat.best])
    balance = float(priors.BALANCE_GRID[heat.best])

    changes = np.arange(day[0] + 10, day[-1] - 4, 7, dtype=np.int64)
    flow = _fit_flow(site, day, outdoor, good["flow_c"].to_numpy(), (b0, b1, balance), changes)
    air = site.heat_pump.source == "air"
    expected = _flow_mean(flow, outdoor, b0, b1 * np.maximum(balance - outdoor, 0.0))
    shown = good["flow_c"].to_numpy()
    lift = np.where(np.isfinite(shown), shown, expected) - (outdoor if air else priors.GROUND_C)
    electricity = _fit_electricity(day, total, used, lift, changes)
    e0, a, c, d = (float(v) for v in electricity.mean[electricity.best])
    likely = electricity.best > 0 and 1.0 - electricity.weight[0] > 0.5
    since = changes[electricity.best - 1] if likely else None
    late = day >= since if since is not None else np.zeros(len(day), dtype=bool)
    predicted = max(e0, 0.0) + (a + c * lift + d * late) * total
    fitted = b0 + (0.0 if off else b1) * np.maximum(balance - outdoor, 0.0)
    heat_quality = quality(total, fitted, 3)
    electric_quality = quality(used, predicted, 4 if likely else 3)
    cold, warm = (float(v) for v in np.quantile(outdoor, [0.02, 0.98]))
    adequate, sentence = _judge(heat_quality, electric_quality, warm - cold, balance, cold, off=off)
    return EnergyModel(
        air_source=air,
        base_kwh=b0,
        slope_kwh_k=b1,
        balance_c=balance,
        base_from="heat_dhw" if water is not None else "signature",
        standby_kwh=max(e0, 0.0),
        offset=a,
        per_lift=c,
        change=d * float(total.sum() / used.sum()) if likely else None,
        change_day=date.fromordinal(int(since) + _EPOCH) if since is not None else None,
        flow=flow,
        heat=heat_quality,
        electricity=electric_quality,
        coldest_c=cold,
        warmest_c=warm,
        adequate=adequate,
        sentence=sentence,
        heat_posterior=heat,
        electricity_posterior=electricity,
        change_days=changes,
        residual_heat=(total - fitted) / _heat_scale(b0, fitted - b0),
        residual_electricity=_relative_residual(used, predicted),
    )


def _relative_residual(used: Values, predicted: Values) -> Values:
    """Relative residuals whose mean is that of the sums: a robust fit may miss rare days."""
    ratio = used / np.maximum(predicted, 1e-9) - 1.0
    return np.asarray(ratio - ratio.mean() + used.sum() / predicted.sum() - 1.0)


#: Ordinal of 1 January 1970, from which polars counts days.
_EPOCH: Final = date(1970, 1, 1).toordinal()


def _water_level(water: Values) -> tuple[float, float]:
    """Mean daily hot water heat, and its spread as a prior of the base to come."""
    known = water[np.isfinite(water)]
    # Other base heat, habits and an immersion heater make it another. Common practice, no source.
    mean = float(known.mean())
    return mean, float(np.hypot(0.5 + 0.1 * mean, known.std() / np.sqrt(len(known) / 3.0)))


def _heat_scale(base: float, space: Values) -> Values:
    """Noise of a day's heat up to a common factor: hot water by the day, sun and habits."""
    return np.asarray(0.25 * max(base, 2.0) + 0.12 * np.maximum(space, 0.0) + 0.5)


def _fit_heat(
    site: Site, day: Whole, outdoor: Values, total: Values, water: tuple[float, float] | None
) -> Posterior:
    slope, slope_sd = _loss_prior(site)
    base, base_sd = water if water is not None else (priors.BASE_KWH, priors.BASE_SD)
    hinge = np.maximum(priors.BALANCE_GRID[:, None] - outdoor[None, :], 0.0)
    designs = np.stack([np.ones_like(hinge), hinge], axis=2)
    guess = slope * np.maximum(priors.BALANCE_C - outdoor, 0.0)
    ratio = max(float(total.sum() / max(float((base + guess).sum()), 1e-9)), 0.05)
    return regress(
        designs,
        total,
        _heat_scale(base, guess * ratio),
        day,
        prior_mean=np.array([base, slope]),
        prior_sd=np.array([base_sd, slope_sd]),
        log_prior=-0.5 * ((priors.BALANCE_GRID - priors.BALANCE_C) / priors.BALANCE_SD) ** 2,
        noise=1.0,
    )


def _change_log_prior(day: Whole, changes: Whole) -> Values:
    """No change since the record began, or one in the week of each candidate."""
    years = (day[-1] - day[0]) / 365.25
    weekly = priors.CHANGES_A_YEAR * 7.0 / 365.25
    return np.concatenate(([-priors.CHANGES_A_YEAR * years], np.full(len(changes), np.log(weekly))))


def _with_change(fixed: Values, step: Values, day: Whole, changes: Whole) -> Values:
    """Designs without a change, then with `step` from each candidate day on."""
    late = np.concatenate((np.zeros((1, len(day)), dtype=bool), day[None, :] >= changes[:, None]))
    stacked = np.broadcast_to(fixed, (len(late), *fixed.shape))
    return np.concatenate([stacked, (late * step)[:, :, None]], axis=2)


def _fit_flow(
    site: Site,
    day: Whole,
    outdoor: Values,
    shown: Values,
    signature: tuple[float, float, float],
    changes: Whole,
) -> FlowCurve:
    pump = site.heat_pump
    at_15, per_k, spread, origin = priors.FLOW_AT_15_C, priors.FLOW_SLOPE, priors.FLOW_SD, "typical"
    if pump.design_flow_temp_c is not None and pump.design_outdoor_temp_c is not None:
        if pump.flow_temp_at_15_c is not None:
            at_15 = pump.flow_temp_at_15_c
        per_k = (pump.design_flow_temp_c - at_15) / max(15.0 - pump.design_outdoor_temp_c, 5.0)
        spread, origin = priors.STATED_FLOW_SD, "stated"
    known = np.isfinite(shown)
    if known.sum() < FEWEST_DAYS:
        return FlowCurve(at_15, per_k, priors.HOT_WATER_FLOW_C, origin, None, changes)
    b0, b1, balance = signature
    space = b1 * np.maximum(balance - outdoor[known], 0.0)
    share = space / np.maximum(space + b0, 1e-9)
    fixed = np.stack([1.0 - share, share, share * (15.0 - outdoor[known])], axis=1)
    found = regress(
        _with_change(fixed, share, day[known], changes),
        shown[known],
        np.ones(int(known.sum())),
        day[known],
        prior_mean=np.array([priors.HOT_WATER_FLOW_C, at_15, per_k, 2.0]),
        prior_sd=np.array([priors.HOT_WATER_FLOW_SD, *spread, 6.0]),
        log_prior=_change_log_prior(day, changes),
        noise=2.0,
    )
    water, low, slope, shift = (float(v) for v in found.mean[found.best])
    return FlowCurve(low + (shift if found.best else 0.0), slope, water, "recorded", found, changes)


def _flow_mean(flow: FlowCurve, outdoor: Values, base: float, space: Values) -> Values:
    share = space / np.maximum(space + base, 1e-9)
    curve = flow.at_15_c + flow.per_k * (15.0 - outdoor)
    return np.asarray(share * curve + (1.0 - share) * flow.hot_water_c)


def _fit_electricity(
    day: Whole, heat: Values, used: Values, lift: Values, changes: Whole
) -> Posterior:
    fixed = np.stack([np.ones_like(heat), heat, heat * lift], axis=1)
    per_lift = 1.0 / (priors.CARNOT_SHARE * 310.0)
    reciprocal = float(used.sum() / max(float(heat.sum()), 1e-9))
    return regress(
        _with_change(fixed, heat, day, changes),
        used,
        0.05 * reciprocal * (0.5 * float(heat.mean()) + heat),
        day,
        prior_mean=np.array(
            [
                priors.STANDBY_KWH,
                priors.EXCHANGERS_K * per_lift,
                per_lift,
                priors.CHANGE_MEAN * reciprocal,
            ]
        ),
        prior_sd=np.array(
            [
                priors.STANDBY_SD,
                priors.OFFSET_SD,
                per_lift * priors.CARNOT_SD / priors.CARNOT_SHARE,
                priors.CHANGE_SD * reciprocal,
            ]
        ),
        log_prior=_change_log_prior(day, changes),
        noise=1.0,
    )


def _judge(
    heat: Quality,
    electricity: Quality,
    span_k: float,
    balance: float,
    cold: float,
    *,
    off: bool,
) -> tuple[bool, str]:
    reasons = []
    if heat.days < LEAST_DAYS:
        reasons.append(f"only {heat.days} whole days are known")
    if span_k < LEAST_SPAN_K:
        reasons.append(f"the days seen span only {span_k:.0f} K of outdoor temperature")
    if off or cold > balance - LEAST_SPAN_K / 2:
        reasons.append("hardly any heating has been seen")
    if heat.cv_rmse > LARGEST_CV:
        reasons.append(f"daily heat strays {heat.cv_rmse:.0%} from the signature")
    if electricity.cv_rmse > LARGEST_CV:
        reasons.append(f"daily electricity strays {electricity.cv_rmse:.0%} from the model")
    if reasons:
        text = "; ".join(reasons)
        return False, f"The energy model of this home is not yet adequate: {text}."
    return True, (
        f"The energy model follows {heat.days} days: CV(RMSE) {heat.cv_rmse:.0%} for heat and "
        f"{electricity.cv_rmse:.0%} for electricity."
    )


def _simulate(
    model: EnergyModel, outdoor: Values, day: Whole, rng: np.random.Generator
) -> tuple[Values, Values]:
    members, count = outdoor.shape
    which, b = model.heat_posterior.draw(members, rng)
    base = np.maximum(b[:, 0], 0.1)
    hinge = np.maximum(priors.BALANCE_GRID[which][:, None] - outdoor, 0.0)
    space = np.maximum(b[:, 1], 0.0)[:, None] * hinge
    space *= np.exp(priors.HEAT_SPREAD * rng.standard_normal(members))[:, None]
    share = space / (space + base[:, None])
    flow = _draw_flow(model.flow, outdoor, share, day, rng)

    at = _residual_blocks(len(model.residual_heat), members, count, rng)
    scale = 0.25 * np.maximum(base, 2.0)[:, None] + 0.12 * space + 0.5
    heat = np.maximum(base[:, None] + space + model.residual_heat[at] * scale, 0.0)

    candidate, e = model.electricity_posterior.draw(members, rng)
    lift = flow - (outdoor if model.air_source else priors.GROUND_C)
    step = e[:, 3:] * _after(model.change_days, candidate, day)
    reciprocal = e[:, 1:2] + e[:, 2:3] * lift + step
    reciprocal = np.clip(reciprocal, 1.0 / COP_RANGE[1], 1.0 / COP_RANGE[0])
    used = np.maximum(e[:, :1], 0.0) + reciprocal * heat
    outside = (outdoor < model.coldest_c - 1.0) | (outdoor > model.warmest_c + 1.0)
    unseen = (used * outside).sum(axis=1) / np.maximum(used.sum(axis=1), 1e-9)
    spread = np.hypot(priors.ELECTRICITY_SPREAD, priors.UNSEEN_SPREAD * unseen)
    used *= np.exp(spread * rng.standard_normal(members))[:, None]
    return heat, np.maximum(used * (1.0 + model.residual_electricity[at]), 0.0)


def _after(changes: Whole, candidate: Whole, day: Whole) -> npt.NDArray[np.bool_]:
    """Whether each day lies after each member's change; shape (members, days)."""
    never = np.iinfo(np.int64).max
    since = np.concatenate(([never], changes))[candidate]
    return np.asarray(day[None, :] >= since[:, None])


def _draw_flow(
    flow: FlowCurve,
    outdoor: Values,
    share: Values,
    day: Whole,
    rng: np.random.Generator,
) -> Values:
    if flow.posterior is None:
        curve = flow.at_15_c + flow.per_k * (15.0 - outdoor)
        return np.asarray(share * curve + (1.0 - share) * flow.hot_water_c)
    candidate, f = flow.posterior.draw(len(outdoor), rng)
    shift = f[:, 3:] * _after(flow.change_days, candidate, day)
    curve = f[:, 1:2] + f[:, 2:3] * (15.0 - outdoor) + shift
    return np.asarray(share * curve + (1.0 - share) * f[:, :1])


def _residual_blocks(length: int, members: int, count: int, rng: np.random.Generator) -> Whole:
    """Indices of residuals, in blocks of neighbouring days."""
    blocks = -(-count // RESIDUAL_BLOCK)
    start = rng.integers(0, length, (members, blocks))
    inside = np.arange(blocks * RESIDUAL_BLOCK) % RESIDUAL_BLOCK
    at = np.repeat(start, RESIDUAL_BLOCK, axis=1) + inside[None, :]
    return np.asarray(at[:, :count] % length, dtype=np.int64)
