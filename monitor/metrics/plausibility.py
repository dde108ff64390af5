"""Whether the measured heat can be true, and the house that it is measured in is warm.

Four checks that stand beside every account: heat against what the house should need, room
temperature against what was asked for, heat against flow and temperatures, and COP
against the Carnot bound. A check that fails is a doubt, not a verdict: it says what was
compared, what the SPF would be if the doubt is right, and what to look at.
"""

from __future__ import annotations

from datetime import date
from enum import StrEnum
from math import exp
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.metrics import priors
from monitor.metrics.account import Account
from monitor.metrics.water import heat_coefficient_kwh_per_m3k
from monitor.models import Record, Role, Site

Values = npt.NDArray[np.float64]

#: Base temperature of British degree days, degC: 18.5 degC inside less 3 K of free gains
#: (ESRU, University of Strathclyde; CIBSE TM41:2006, from memory).
BASE_C: Final = 15.5

#: Coverage factor of a 95 % interval (JCGM 100:2008, G.1.3).
K_95: Final = 1.96

#: Relative standard uncertainties of what a house should need, hot water and heat loss as
#: stated. Common practice, no source: surveys of heat loss stray by a third.
LOSS_U: Final = 0.30
WATER_U: Final = 0.35

#: Fewest degree days, K d, and days from which heat is compared with them, and days with
#: room temperature. Common practice, no source.
LEAST_DEGREE_DAYS: Final = 300.0
LEAST_DAYS: Final = 30

#: Room temperature where nothing else was asked for, and what it may lie below it before
#: it is a doubt, K. Below 18 degC health is at risk (WHO Housing and health guidelines,
#: 2018).
ASKED_ROOM_C: Final = 20.0
ROOM_SLACK_K: Final = 1.5
LEAST_ROOM_C: Final = 18.0

#: SPF lost for each kelvin that the flow is hotter. Common practice, no source.
SPF_PER_K: Final = 0.022

#: Standard uncertainties of a logger's flow sensor (relative) and of the difference of its
#: two strapped-on temperature sensors, K. Common practice, no source.
FLOW_U: Final = 0.02
DELTA_U_K: Final = 0.20

#: At standstill both sensors lie on pipes of one temperature: what they differ by then is
#: their own error. Hours of standstill needed, the largest difference taken for an error,
#: and what is left uncertain, K. Common practice, no source.
LEAST_STILL_HOURS: Final = 100
LARGEST_OFFSET_K: Final = 1.0
STILL_U_K: Final = 0.10

#: Hours of steady running that a check of the heat meter needs, the share of the largest
#: usual heat from which an hour counts as such, and the difference that it must reach, K.
#: Common practice, no source.
LEAST_STEADY_HOURS: Final = 48
STEADY_SHARE: Final = 0.45
LEAST_DELTA_K: Final = 2.0
LEAST_COVERED: Final = 0.95

#: Below this outdoor temperature air source units defrost: water cools, which a logger sees
#: and a heat meter does not count. Hours below count only if there are too few others, and
#: with this relative standard uncertainty more. Common practice, no source.
FROST_C: Final = 5.0
FROST_U: Final = 0.04

#: Share of the Carnot COP, flow to source: real units reach 0.35 to 0.55 (from memory);
#: more than 0.6, or less than 0.2, is doubted. Lifts below the least are not judged.
MOST_OF_CARNOT: Final = 0.60
LEAST_OF_CARNOT: Final = 0.20
LEAST_LIFT_K: Final = 15.0

#: Days beyond the bound that may come of energy placed on the wrong side of midnight.
BEYOND_BY_CHANCE: Final = 2

KELVIN: Final = 273.15


class Kind(StrEnum):
    """What is compared."""

    HOUSE = "heat_beside_heat_loss"
    ROOM = "room_temperature"
    WATER = "heat_beside_flow_and_temperatures"
    CARNOT = "cop_beside_carnot"


class Figure(Record):
    """One figure of the evidence."""

    name: str
    value: float
    unit: str = ""


class Doubt(Record):
    """One reason not to take a figure at its word.

    Attributes
    ----------
    spf_now, spf_if_corrected
        The SPF as measured, and what it would be if the doubt is right; None where that
        cannot be said.
    sentence, caution
        For a reader; `caution` where a person may come to harm.
    """

    kind: Kind
    figures: tuple[Figure, ...]
    spf_now: float | None
    spf_if_corrected: float | None
    sentence: str
    caution: str | None = None


class HeatCheck(Record):
    """The heat meter beside flow x temperature difference x heat coefficient.

    Attributes
    ----------
    true_share, u
        Computed over indicated heat, and its standard uncertainty.
    hours
        Hours of steady running compared.
    """

    true_share: float
    u: float
    hours: int

    @property
    def is_doubtful(self) -> bool:
        """Whether the two differ by more than their uncertainty explains."""
        return abs(self.true_share - 1.0) > K_95 * self.u


class Plausibility(Record):
    """What the checks found.

    Attributes
    ----------
    in_order, not_measurable
        A sentence for each check that found nothing, and that this site cannot make.
    heat_check
        For the shortfall; None where flow and temperatures are not recorded.
    """

    doubts: tuple[Doubt, ...] = ()
    in_order: tuple[str, ...] = ()
    not_measurable: tuple[str, ...] = ()
    heat_check: HeatCheck | None = None


def degree_days(outdoor_c: Values, base_c: float = BASE_C) -> float:
    """Degree days of daily (or, over 24, of hourly) mean temperatures, K d; NaN counts 0."""
    return float(np.nansum(np.maximum(base_c - np.asarray(outdoor_c, dtype=float), 0.0)))


def hitchin_degree_days(mean_c: Values, days: Values, base_c: float = BASE_C) -> Values:
    """Degree days of months from their mean temperature alone.

    Hitchin's formula, D = N (Tb - Tm) / (1 - exp(-k (Tb - Tm))) with k = 0.71 /K for the
    United Kingdom (CIBSE TM41:2006, from memory).

    Parameters
    ----------
    mean_c, days
        Mean outdoor temperature and number of days of each month; any one shape.
    """
    gap = base_c - np.asarray(mean_c, dtype=float)
    safe = np.where(np.abs(gap) < 1e-9, 1e-9, gap)
    return np.asarray(np.asarray(days) * safe / -np.expm1(-0.71 * safe))


def carnot_cop(flow_c: Values, source_c: Values) -> Values:
    """Largest COP between flow and source, Carnot (1824); inf without a lift."""
    lift = np.asarray(flow_c, dtype=float) - np.asarray(source_c, dtype=float)
    hot = np.asarray(flow_c, dtype=float) + KELVIN
    return np.asarray(np.where(lift > 0, hot / np.where(lift > 0, lift, 1.0), np.inf))


def plausibility(
    site: Site,
    slots: pl.DataFrame,
    states: pl.DataFrame,
    days: pl.DataFrame,
    so_far: Account,
    *,
    asked_room_c: float = ASKED_ROOM_C,
) -> Plausibility:
    """Make every check that a site's records allow.

    Parameters
    ----------
    slots, states, days
        Frames of schema SLOT, STATE_SLOT and DAY of this site.
    so_far
        The account in question; only its window is looked at.
    asked_room_c
        Room temperature that the household asked for, degC.
    """
    a, b = so_far.start_utc, so_far.end_utc
    within = (pl.col("slot_start_utc") >= a) & (pl.col("slot_start_utc") < b)
    first, last = a.astimezone(site.tz).date(), b.astimezone(site.tz).date()
    days = days.filter((pl.col("day") >= first) & (pl.col("day") < last))
    check = _heat_check(site, slots.filter(within), states.filter(within))
    found = [
        _house(site, days, so_far),
        _room(site, states.filter(within), days, so_far, asked_room_c),
        _water(check, so_far),
        _carnot(site, days, so_far),
    ]
    return Plausibility(
        doubts=tuple(x for x in found if isinstance(x, Doubt)),
        in_order=tuple(text for x in found if isinstance(x, tuple) for text in x),
        not_measurable=tuple(x for x in found if isinstance(x, str)),
        heat_check=check,
    )


#: A doubt; a tuple of one sentence where all is in order; a sentence where nothing can be said.
Finding = Doubt | tuple[str] | str


def expected_heat(site: Site, outdoor_c: Values) -> float | None:
    """Heat that the days should need by degree days and stated heat loss, kWh.

    Heat loss over its design temperature difference x 24 h x degree days, and the usual
    hot water; None where no heat loss is stated.
    """
    if site.heat_loss_kw is None:
        return None
    outside = site.heat_pump.design_outdoor_temp_c
    span = priors.INDOOR_C - (priors.DESIGN_OUTDOOR_C if outside is None else outside)
    per_k = site.heat_loss_kw / max(span, 10.0)
    return per_k * 24.0 * degree_days(outdoor_c) + priors.BASE_KWH * len(outdoor_c)


def _house(site: Site, days: pl.DataFrame, so_far: Account) -> Finding:
    good = days.filter(pl.col("complete") & pl.col("outdoor_c").is_not_null())
    outdoor = good["outdoor_c"].to_numpy()
    needed = expected_heat(site, outdoor)
    if needed is None:
        return "Heat is not compared with the house: no design heat loss is stated."
    cold = degree_days(outdoor)
    if cold < LEAST_DEGREE_DAYS:
        return (
            f"Heat is not compared with the house: {cold:.0f} degree days are too few to tell "
            f"(at least {LEAST_DEGREE_DAYS:.0f})."
        )
    water = priors.BASE_KWH * good.height
    measured = float(good["heat_kwh"].sum())
    u = float(np.hypot(LOSS_U * (needed - water), WATER_U * water)) / needed
    ratio = max(measured, 1e-9) / needed
    low, high = ratio * exp(-K_95 * u), ratio * exp(K_95 * u)
    text = (
        f"{measured:,.0f} kWh of heat in {cold:.0f} degree days (base {BASE_C:g} degC) are "
        f"{ratio:.2f} times what the stated heat loss of {site.heat_loss_kw:g} kW asks for "
        f"(95 % interval {low:.2f} to {high:.2f})"
    )
    if low <= 1.0 <= high:
        return (f"{text}: no doubt.",)
    shown = so_far.spf
    figures = (
        Figure(name="heat measured", value=measured, unit="kWh"),
        Figure(name="heat expected", value=needed, unit="kWh"),
        Figure(name="degree days", value=cold, unit="K d"),
        Figure(name="ratio", value=ratio),
        Figure(name="ratio, lower end", value=low),
        Figure(name="ratio, upper end", value=high),
    )
    if ratio < 1.0:
        why = (
            "the house may be heated less than it was designed for, by choice or because it "
            "does not get warm, the heat meter may read low, or the heat loss was overstated"
        )
        caution = (
            "Ask first whether the household is warm: an SPF kept by a cold house is no success, "
            "and cold homes harm health."
        )
    else:
        why = "the heat meter may read high, or the house loses more than was stated"
        caution = None
    return Doubt(
        kind=Kind.HOUSE,
        figures=figures,
        spf_now=shown,
        spf_if_corrected=None if shown is None else shown / ratio,
        sentence=f"{text}: {why}. The corrected SPF holds if it is the heat meter.",
        caution=caution,
    )


def _room(
    site: Site, states: pl.DataFrame, days: pl.DataFrame, so_far: Account, asked_c: float
) -> Finding:
    own = states.filter((pl.col("role") == Role.ROOM_TEMP.value) & (pl.col("covered") > 0))
    if own.height == 0:
        return "Room temperature is not recorded: whether the household is warm cannot be seen."
    cold = set(days.filter(pl.col("outdoor_c") < BASE_C)["day"])
    daily = (
        own.with_columns(pl.col("slot_start_utc").dt.convert_time_zone(site.zone).dt.date())
        .group_by("slot_start_utc")
        .agg(pl.col("mean").mean(), pl.col("covered").sum())
        .filter(pl.col("slot_start_utc").is_in(list[date](cold)) & (pl.col("covered") >= 18))
    )
    if daily.height < LEAST_DAYS:
        return (
            f"Room temperature is known for only {daily.height} days of the heating season: too "
            "few to tell whether the household is warm."
        )
    room = daily["mean"].to_numpy()
    mean, under = float(room.mean()), float((room < LEAST_ROOM_C).mean())
    missing = asked_c - mean
    text = (
        f"On {daily.height} heating days the room was at {mean:.1f} degC on average, "
        f"{asked_c:g} degC having been asked for; {under:.0%} of these days lay below "
        f"{LEAST_ROOM_C:g} degC"
    )
    if missing <= ROOM_SLACK_K and mean >= LEAST_ROOM_C:
        return (f"{text}: no doubt.",)
    shown = so_far.spf
    return Doubt(
        kind=Kind.ROOM,
        figures=(
            Figure(name="room temperature", value=mean, unit="degC"),
            Figure(name="asked for", value=asked_c, unit="degC"),
            Figure(name=f"days below {LEAST_ROOM_C:g} degC", value=under),
        ),
        spf_now=shown,
        spf_if_corrected=(None if shown is None else shown * (1.0 - SPF_PER_K * max(missing, 0.0))),
        sentence=(
            f"{text}. A room that is warmer by so much needs about as much hotter water, at "
            f"{SPF_PER_K:.1%} of the SPF for each kelvin."
        ),
        caution=(
            "A household may have been left cold. Call before anything else; below "
            f"{LEAST_ROOM_C:g} degC the old, the very young and the ill are at risk."
        ),
    )


def _heat_check(site: Site, slots: pl.DataFrame, states: pl.DataFrame) -> HeatCheck | None:
    wanted = [Role.FLOW_TEMP.value, Role.RETURN_TEMP.value, Role.FLOW_RATE.value]
    state = states.filter(pl.col("role").is_in(wanted) & (pl.col("covered") >= LEAST_COVERED))
    wide = state.pivot("role", index="slot_start_utc", values="mean")
    if not set(wanted) <= set(wide.columns):
        return None
    heat = (
        slots.filter(pl.col("role").str.starts_with("heat_") & pl.col("kwh").is_not_null())
        .with_columns((pl.col("role") == Role.HEAT_TOTAL.value).alias("whole"))
        .group_by("slot_start_utc")
        .agg(
            pl.when(pl.col("whole").any())
            .then(pl.col("kwh").filter(pl.col("whole")).sum())
            .otherwise(pl.col("kwh").sum())
            .alias("kwh")
        )
        .join(wide, on="slot_start_utc")
        # A backup heater may sit between the heat meter and the sensor.
        .join(_hours_with_backup(slots), on="slot_start_utc", how="anti")
        .join(_hours_of_frost(site, states), on="slot_start_utc", how="left")
        .sort("slot_start_utc")
    )
    if heat.height < LEAST_STEADY_HOURS:
        return None
    kwh = heat["kwh"].to_numpy()
    usual = float(np.quantile(kwh, 0.98))
    steady = kwh >= STEADY_SHARE * usual
    stamp = heat["slot_start_utc"].to_physical().to_numpy()
    beside = np.diff(stamp) == 3_600_000_000
    # An hour whose neighbours run as well has no start or stop in it.
    ahead = np.append(steady[1:] & beside, False)
    behind = np.insert(steady[:-1] & beside, 0, False)
    flow, back = heat[wanted[0]].to_numpy(), heat[wanted[1]].to_numpy()
    rate = heat[wanted[2]].to_numpy()
    offset, u_offset = _offset(flow - back, kwh, usual)
    delta_k = flow - back - offset
    used = steady & ahead & behind & (delta_k >= LEAST_DELTA_K) & (rate > 0)
    computed = rate * delta_k * heat_coefficient_kwh_per_m3k(flow, back)
    used &= np.isfinite(computed)
    thawed = used & heat["frost"].is_null().to_numpy()
    enough = int(thawed.sum()) >= LEAST_STEADY_HOURS
    used, u_frost = (thawed, 0.0) if enough else (used, FROST_U)
    if used.sum() < LEAST_STEADY_HOURS:
        return None
    share = float(computed[used].sum() / kwh[used].sum())
    delta = float(np.average(delta_k[used], weights=kwh[used]))
    spread = float(np.std(computed[used] / kwh[used])) / np.sqrt(used.sum() / 24.0)
    u = share * float(np.linalg.norm([FLOW_U, u_offset / delta, spread, u_frost]))
    return HeatCheck(true_share=share, u=u, hours=int(used.sum()))


def _hours_with_backup(slots: pl.DataFrame) -> pl.DataFrame:
    on = (pl.col("role") == Role.ELEC_BACKUP.value) & (pl.col("block_kwh") > 0.01)
    return slots.filter(on).select("slot_start_utc").unique()


def _hours_of_frost(site: Site, states: pl.DataFrame) -> pl.DataFrame:
    cold = (pl.col("role") == Role.OUTDOOR_TEMP.value) & (pl.col("mean") < FROST_C)
    if site.heat_pump.source != "air":
        cold &= False
    return states.filter(cold).select("slot_start_utc", pl.lit(value=True).alias("frost"))


def _offset(delta_k: Values, kwh: Values, usual: float) -> tuple[float, float]:
    """Error of the difference of two temperature sensors at standstill, and what is left of it."""
    still = kwh <= 0.002 * usual
    # Pipes need an hour to come to one temperature.
    still[1:] &= kwh[:-1] <= 0.002 * usual
    if still.sum() < LEAST_STILL_HOURS:
        return 0.0, DELTA_U_K
    offset = float(np.median(delta_k[still]))
    if abs(offset) > LARGEST_OFFSET_K:
        return 0.0, DELTA_U_K
    return offset, STILL_U_K


def _water(check: HeatCheck | None, so_far: Account) -> Finding:
    if check is None:
        return (
            "The heat meter is not checked: flow rate, flow and return temperature are not all "
            "recorded for enough hours of steady running."
        )
    text = (
        f"In {check.hours} hours of steady running flow and temperatures give "
        f"{check.true_share:.2f} times the heat that the meter shows "
        f"(95 % interval {check.true_share - K_95 * check.u:.2f} to "
        f"{check.true_share + K_95 * check.u:.2f})"
    )
    if not check.is_doubtful:
        return (f"{text}: no doubt.",)
    word = "low" if check.true_share > 1.0 else "high"
    return Doubt(
        kind=Kind.WATER,
        figures=(
            Figure(name="computed over indicated heat", value=check.true_share),
            Figure(name="standard uncertainty", value=check.u),
            Figure(name="hours", value=check.hours),
        ),
        spf_now=so_far.spf,
        spf_if_corrected=None if so_far.spf is None else so_far.spf * check.true_share,
        sentence=(
            f"{text}: the heat meter may read {word}, as with a wrong place or size of its flow "
            "sensor, antifreeze in the water, or a temperature sensor that is not in its pocket."
        ),
    )


def _carnot(site: Site, days: pl.DataFrame, so_far: Account) -> Finding:
    good = days.filter(
        pl.col("complete") & pl.col("flow_c").is_not_null() & (pl.col("electricity_kwh") > 0)
    )
    if site.heat_pump.source == "air":
        good = good.with_columns(pl.coalesce("source_c", "outdoor_c").alias("source_c"))
    good = good.filter(pl.col("source_c").is_not_null())
    flow, source = good["flow_c"].to_numpy(), good["source_c"].to_numpy()
    heat, used = good["heat_kwh"].to_numpy(), good["electricity_kwh"].to_numpy()
    judged = flow - source >= LEAST_LIFT_K
    if judged.sum() < LEAST_DAYS:
        return (
            "COP is not compared with the Carnot bound: flow and source temperature are known "
            "together on too few days."
        )
    bound = carnot_cop(flow[judged], source[judged])
    # Least electricity that the heat can have taken, over what was taken.
    share = float((heat[judged] / bound).sum() / used[judged].sum())
    beyond = int((heat[judged] / used[judged] > bound).sum())
    text = (
        f"Over {int(judged.sum())} days the COP was {share:.2f} of the Carnot bound of flow and "
        f"source, and beyond it on {beyond}"
    )
    if LEAST_OF_CARNOT <= share <= MOST_OF_CARNOT and beyond <= BEYOND_BY_CHANCE:
        return (f"{text}: no doubt.",)
    shown = so_far.spf
    limit = min(max(share, LEAST_OF_CARNOT), MOST_OF_CARNOT)
    meaning = (
        "no heat pump reaches that: a meter counts too much heat or too little electricity, a "
        "unit or a multiplier is wrong, or a temperature sensor is misplaced"
        if share > MOST_OF_CARNOT or beyond > BEYOND_BY_CHANCE
        else "that is little even for a faulty unit: look at the heat meter and its sensors too"
    )
    return Doubt(
        kind=Kind.CARNOT,
        figures=(
            Figure(name="share of the Carnot COP", value=share),
            Figure(name="days beyond the bound", value=beyond),
            Figure(name="days judged", value=int(judged.sum())),
        ),
        spf_now=shown,
        spf_if_corrected=None if shown is None else shown * limit / share,
        sentence=f"{text}: {meaning}. The corrected SPF is the nearest that could be true.",
    )
