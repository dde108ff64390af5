"""Why a site falls short: promise less measured SPF, split into causes that add up exactly.

Each cause is something that the promise took for granted and that turned out otherwise.
The home's own energy model says what the SPF would have been for every combination of
causes put right; a cause's share is its Shapley value over all of them. What the calendar
does and what the model does not explain stand beside the causes under their own names.
docs/shortfall.md says against what each cause is measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.guarantee import shortfall_text as text
from monitor.guarantee.basis import Basis
from monitor.guarantee.causes import Cause, Share, Shortfall, State
from monitor.guarantee.home_days import HomeDays, home_days
from monitor.guarantee.worlds import Days, Lever, Reference, Worlds, Worth, members
from monitor.metrics import climate as weather
from monitor.metrics import priors
from monitor.metrics.account import Account
from monitor.metrics.heat_check import HeatCheck
from monitor.metrics.plausibility import BASE_C
from monitor.metrics.shapley import shapley
from monitor.models import Expectation, Site, Terms

Values = npt.NDArray[np.float64]

DRAWS: Final = 200
SEED: Final = 20_260_102

#: Quantiles of a 95 % interval.
_INTERVAL: Final = (0.025, 0.975)

#: Spread of what is taken where the terms say nothing: hot water and standby, kWh a day.
#: Common practice, no source.
WATER_SD: Final = 2.0
STANDBY_SD: Final = 0.3

#: Standby and other electricity that does not go with heat, kWh a day, where the terms say
#: nothing: the controls. Common practice, no source: 10 to 30 W.
STANDBY_KWH: Final = 0.45

#: Spread of heat meters as they are fitted about the true heat, relative: class limits and
#: faults of fitting together. Common practice, no source.
HEAT_METER_SD: Final = 0.10

#: What the form of the model misses of a share: relative, and SPF.
#: Set on the training years of tests/shortfall_study.
FORM_SPREAD: Final = 0.12
FORM_SD: Final = 0.03


def shortfall(
    base: Basis,
    *,
    climate: weather.Climate | None = None,
    heat_check: HeatCheck | None = None,
    price_per_kwh: float | None = None,
    draws: int = DRAWS,
    seed: int = SEED,
) -> Shortfall | None:
    """Split the shortfall of the guarantee period so far.

    Parameters
    ----------
    climate
        Reference climate of the promise; default the average of the United Kingdom.
    heat_check
        From `monitor.metrics.plausibility`: what flow and temperatures say of the heat.
    price_per_kwh
        Mean price of the period's electricity; None leaves money out.

    Returns
    -------
    Shortfall or None
        None with nothing measured of the period yet.
    """
    so_far = base.so_far
    if so_far.spf is None or so_far.heat_kwh <= 0:
        return None
    frame = _Frame(base.site, base.terms, so_far, price_per_kwh, draws, seed)
    if climate is None:
        climate = weather.from_months(weather.UK_AVERAGE, weather.UK_ORIGIN)
    home = home_days(base, climate)
    if isinstance(home, str):
        return frame.unsplit(home.replace("No forecast is made", "No split is made"))
    return _split(frame, home, climate, heat_check)


def _test_unit(expectation: Expectation) -> tuple[float, float] | None:
    """Reciprocal COP of the tested unit by lift: a constant share of the Carnot COP."""
    if not expectation.test_point:
        return None
    points = expectation.test_point
    lift = np.array([p.flow_c - p.source_c for p in points]) + priors.EXCHANGERS_K
    cop = np.array([p.cop for p in points])
    shape = lift / 310.0
    factor = float(np.exp(np.mean(np.log(1.0 / cop) - np.log(np.maximum(shape, 1e-3)))))
    return factor * priors.EXCHANGERS_K / 310.0, factor / 310.0


@dataclass(frozen=True)
class _Frame:
    """What every shortfall of a site says, split or not."""

    site: Site
    terms: Terms
    so_far: Account
    price: float | None
    draws: int
    seed: int

    @property
    def measured(self) -> float:
        assert self.so_far.spf is not None  # noqa: S101 - the caller has it
        return self.so_far.spf

    @property
    def extra_kwh(self) -> float:
        return self.so_far.electricity_kwh - self.so_far.heat_kwh / self.terms.promised_spf

    def share(
        self, cause: Cause, spf: float, kwh: float, low: float, high: float, said: text.Said
    ) -> Share:
        return Share(
            cause=cause,
            state="measured",
            spf=spf,
            low=min(low, spf),
            high=max(high, spf),
            kwh=kwh,
            money=None if self.price is None else kwh * self.price,
            sentence=said.sentence,
            assumed=said.assumed,
        )

    def result(
        self,
        shares: list[Share],
        *,
        is_split: bool,
        is_adequate: bool,
        sentence: str,
        days: int,
        colder_k: float | None = None,
    ) -> Shortfall:
        return Shortfall(
            site=self.site.id,
            period_start=self.terms.start,
            until=self.so_far.end_utc,
            promise=self.terms.promised_spf,
            measured=self.measured,
            gap_spf=self.terms.promised_spf - self.measured,
            extra_kwh=self.extra_kwh,
            money=None if self.price is None else self.extra_kwh * self.price,
            currency=self.site.tariff[0].currency if self.site.tariff else None,
            is_split=is_split,
            is_adequate=is_adequate,
            sentence=sentence,
            shares=tuple(sorted(shares, key=lambda s: -np.inf if s.spf is None else s.spf)[::-1]),
            days=days,
            draws=self.draws,
            seed=self.seed,
            colder_k=colder_k,
        )

    def unsplit(self, why: str) -> Shortfall:
        gap = self.terms.promised_spf - self.measured
        spread = 1.96 * (self.so_far.u_spf or 0.0)
        said = text.Said(f"The whole shortfall is unexplained. {why}", text.REST)
        rest = self.share(Cause.UNEXPLAINED, gap, self.extra_kwh, gap - spread, gap + spread, said)
        sentence = text.headline(self.terms.promised_spf, self.measured, None, None)
        return self.result(
            [rest], is_split=False, is_adequate=False, sentence=f"{sentence} {why}", days=0
        )


def _split(
    frame: _Frame, home: HomeDays, climate: weather.Climate, heat_check: HeatCheck | None
) -> Shortfall:
    pump, promise = frame.site.heat_pump, frame.terms.promised_spf
    model, table, heaters = home.model, home.table, home.heaters
    expectation = frame.terms.expects
    rng = np.random.default_rng(frame.seed)
    found = members(model, frame.draws, rng)

    has_curve = pump.design_flow_temp_c is not None and pump.design_outdoor_temp_c is not None
    absent: dict[Lever, tuple[State, str]] = {}
    if not has_curve:
        absent[Lever.FLOW] = ("not measurable here", text.NO_CURVE)
    elif model.flow.origin != "recorded":
        absent[Lever.FLOW] = ("not measurable here", text.NO_FLOW)
    if heaters.state != "measured":
        absent[Lever.RESISTIVE] = (heaters.state, heaters.why)
    if heat_check is None:
        absent[Lever.METERING] = ("not measurable here", text.NO_HEAT_CHECK)
    levers = tuple(lever for lever in Lever if lever not in absent)

    reference = _reference(frame, table, climate, expectation, heat_check, rng)
    worlds = Worlds(table, found, reference, air_source=model.air_source)
    meters = _meter_factor(frame.so_far, frame.draws, rng)
    worth = worlds.worth(levers, promise, meters)
    parts = _parts(frame, levers, worth, meters)
    heating = table.reference_c < BASE_C
    calls = heating if heating.any() else np.ones(len(heating), dtype=bool)
    colder_k = float(np.mean((table.reference_c - table.outdoor_c)[calls]))
    facts = text.Facts(
        site=frame.site,
        model=model,
        worth=worth,
        climate=climate.origin,
        colder_k=colder_k,
        water_kwh=float(reference.water_kwh[0]),
        water_stated=expectation.hot_water_kwh_day is not None,
        water_metered=table.water is not None,
        standby_measured=table.idle_kwh is not None,
        standby_kwh=float(reference.standby_kwh[0]),
        standby_stated=expectation.standby_kwh_day is not None,
        backup_kwh=float(table.backup.sum()),
        immersion_kwh=float(table.immersion.sum()),
        heat_check=heat_check,
        tested=bool(expectation.test_point),
        hidden=tuple(
            lever.value for lever, (state, _) in absent.items() if state == "not measurable here"
        ),
        days=len(table.number),
    )
    shares = []
    for cause, (spf, kwh) in parts.items():
        low, high = _interval(spf)
        said = text.said(cause.value, float(spf[0]), facts)
        shares.append(frame.share(cause, float(spf[0]), float(kwh[0]), low, high, said))
    shares += [
        Share(
            cause=Cause(lever.value),
            state=state,
            sentence=why,
            assumed="Stays as it is in every world that is compared.",
        )
        for lever, (state, why) in absent.items()
    ]
    losses = sorted((s for s in shares if s.spf is not None), key=lambda s: -(s.spf or 0.0))
    sentence = text.headline(promise, frame.measured, losses[0].cause.value, losses[0].spf)
    if not model.adequate:
        sentence += f" {model.sentence} The split leans on what is usual for such homes."
    return frame.result(
        shares,
        is_split=True,
        is_adequate=model.adequate,
        sentence=sentence,
        days=len(table.number),
        colder_k=colder_k,
    )


def _reference(
    frame: _Frame,
    table: Days,
    climate: weather.Climate,
    expectation: Expectation,
    heat_check: HeatCheck | None,
    rng: np.random.Generator,
) -> Reference:
    pump, count = frame.site.heat_pump, frame.draws
    at_15 = per_k = None
    if pump.design_flow_temp_c is not None and pump.design_outdoor_temp_c is not None:
        at_15 = priors.FLOW_AT_15_C if pump.flow_temp_at_15_c is None else pump.flow_temp_at_15_c
        per_k = (pump.design_flow_temp_c - at_15) / max(15.0 - pump.design_outdoor_temp_c, 5.0)

    def taken(stated: float | None, usual: float, spread: float) -> Values:
        if stated is not None:
            return np.full(count + 1, stated)
        return np.concatenate(([usual], np.maximum(rng.normal(usual, spread, count), 0.0)))

    checked = np.ones(count + 1)
    if heat_check is not None:
        # The check is itself uncertain: it moves what is usual for heat meters in the field.
        trust = HEAT_METER_SD**2 / (HEAT_METER_SD**2 + heat_check.u**2)
        best = 1.0 + trust * (heat_check.true_share - 1.0)
        drawn = rng.normal(best, np.sqrt(trust) * heat_check.u, count)
        checked = np.concatenate(([best], np.maximum(drawn, 0.2)))
    year_day = np.arange(3.0, 366.0, 5.0)
    dates = pl.Series(table.number.astype(np.int32)).cast(pl.Date)
    season = climate.normal(weather.day_of_year(dates))
    return Reference(
        climate_c=climate.normal(year_day),
        climate_sd=float(np.std(table.reference_c - season)),
        flow_at_15_c=at_15,
        flow_per_k=per_k,
        water_kwh=taken(expectation.hot_water_kwh_day, priors.BASE_KWH, WATER_SD),
        standby_kwh=taken(expectation.standby_kwh_day, STANDBY_KWH, STANDBY_SD),
        water_flow_c=expectation.hot_water_flow_c,
        reciprocal_cop=_test_unit(expectation),
        heat_share=checked,
    )


def _interval(spf: Values) -> tuple[float, float]:
    """95 % interval about the point, from the draws and what the model's form misses."""
    point = float(spf[0])
    low, high = (float(v) for v in np.quantile(spf[1:], _INTERVAL))
    form = 1.96 * float(np.hypot(FORM_SPREAD * point, FORM_SD))
    return (
        point - float(np.hypot(max(point - low, 0.0), form)),
        point + float(np.hypot(max(high - point, 0.0), form)),
    )


def _meter_factor(so_far: Account, count: int, rng: np.random.Generator) -> Values:
    """True over indicated SPF: one constant error of all meters, normal as in the account."""
    relative = (so_far.u_spf or 0.0) / (so_far.spf or 1.0)
    return np.concatenate(([1.0], np.maximum(1.0 + relative * rng.standard_normal(count), 0.2)))


def _parts(
    frame: _Frame, levers: tuple[Lever, ...], worth: Worth, meters: Values
) -> dict[Cause, tuple[Values, Values]]:
    """Shares in SPF and kWh of every member; they add up to its whole shortfall."""
    promise, heat = frame.terms.promised_spf, frame.so_far.heat_kwh
    measured = frame.measured * meters

    def extra(spf: Values) -> Values:
        return np.asarray(heat / spf)

    spf = -shapley(worth.spf)
    kwh = shapley(extra(worth.spf))
    out = {Cause(lever.value): (spf[i], kwh[i]) for i, lever in enumerate(levers)}
    design = (promise - worth.year, extra(worth.year) - heat / promise)
    if np.abs(design[0]).max() > 1e-9:
        out[Cause.DESIGN] = design
    out[Cause.SEASON] = (worth.year - worth.spf[0], extra(worth.spf[0]) - extra(worth.year))
    # The remainder, so that rounding is not lost either.
    whole = promise - measured, extra(measured) - heat / promise
    out[Cause.UNEXPLAINED] = (
        whole[0] - sum(s for s, _ in out.values()),
        whole[1] - sum(k for _, k in out.values()),
    )
    return out
