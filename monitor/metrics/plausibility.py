"""Whether the measured heat can be true, and the house that it is measured in is warm.

Five checks that stand beside every account: heat against what the house should need, room
temperature against what was asked for, heat against flow and temperatures, COP against the
Carnot bound, and the clocks of heat and electricity meter against each other. A check that
fails is a doubt, not a verdict: it says what was compared, what the SPF would be if the doubt
is right, and what to look at.
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
from monitor.metrics.heat_check import K_95, HeatCheck, heat_check
from monitor.metrics.lag import LEAST_CORRELATION, clock_lag
from monitor.models import Record, Role, Site

Values = npt.NDArray[np.float64]

#: Base temperature of British degree days, degC: 18.5 degC inside less 3 K of free gains
#: (ESRU, University of Strathclyde; CIBSE TM41:2006, from memory).
BASE_C: Final = 15.5

#: Relative standard uncertainties of what a house should need, hot water and heat loss as
#: stated. Common practice, no source: surveys of heat loss stray by a third.
LOSS_U: Final = 0.30
WATER_U: Final = 0.35

#: Standard uncertainty of what sun, people and lamps give, kW: nobody records it, and in mild
#: weather or a tight house it is most of the heat. Common practice, no source.
GAINS_U_KW: Final = 0.3

#: Fewest degree days, K d, and days from which heat is compared with them, and days with
#: room temperature. Common practice, no source.
LEAST_DEGREE_DAYS: Final = 300.0
LEAST_DAYS: Final = 30

#: Room temperature where nothing else was asked for, and what it may lie below it before
#: it is a doubt, K. Below 18 degC health is at risk (WHO Housing and health guidelines,
#: 2018).
ASKED_ROOM_C: Final = 20.0
ROOM_SLACK_K: Final = 1.5

#: Local hours of the day whose warmth was asked for, so that a set-back by night is no cold
#: house, and how many of them must be known. Common practice, no source.
WAKING_H: Final = (7, 22)
LEAST_WAKING_H: Final = 11.0

#: Below this room temperature health is at risk, degC; see above.
LEAST_ROOM_C: Final = 18.0

#: SPF lost for each kelvin that the flow is hotter. Common practice, no source.
SPF_PER_K: Final = 0.022

#: Share of the Carnot COP, flow to source: real units reach 0.35 to 0.55 (from memory);
#: more than 0.6, or less than 0.2, is doubted. Lifts below the least are not judged.
MOST_OF_CARNOT: Final = 0.60
LEAST_OF_CARNOT: Final = 0.20
LEAST_LIFT_K: Final = 15.0

#: Heat of a day, as a share of the nominal output around the clock, from which its COP is
#: judged: on days with less, standby hides what the unit does. Common practice, no source.
LEAST_RUNNING: Final = 0.10

#: Days beyond the bound that may come of energy placed on the wrong side of midnight.
BEYOND_BY_CHANCE: Final = 2

KELVIN: Final = 273.15


class Kind(StrEnum):
    """What is compared."""

    HOUSE = "heat_beside_heat_loss"
    ROOM = "room_temperature"
    WATER = "heat_beside_flow_and_temperatures"
    CARNOT = "cop_beside_carnot"
    CLOCKS = "clocks_beside_each_other"


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
    check = heat_check(site, slots.filter(within), states.filter(within))
    found = [
        _house(site, days, so_far),
        rooms(site, states.filter(within), days, so_far, asked_room_c),
        _water(check, so_far),
        _carnot(site, days, so_far),
        clocks(site, slots.filter(within), so_far),
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
    heating = int((outdoor < BASE_C).sum())
    parts = (
        LOSS_U * (needed - water),
        WATER_U * water,
        24.0 * GAINS_U_KW * heating,
    )
    u = float(np.linalg.norm(parts)) / needed
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


def rooms(
    site: Site, states: pl.DataFrame, days: pl.DataFrame, so_far: Account, asked_c: float
) -> Finding:
    """Compare the rooms with what was asked for, over the states given.

    Parameters
    ----------
    states
        Frame of schema STATE_SLOT of the window in question.
    days
        Frame of schema DAY; those that called for heating are judged.
    so_far
        The account whose SPF is told beside a doubt.
    asked_c
        Room temperature that the household asked for, degC.
    """
    own = states.filter((pl.col("role") == Role.ROOM_TEMP.value) & (pl.col("covered") > 0))
    if own.height == 0:
        return "Room temperature is not recorded: whether the household is warm cannot be seen."
    cold = set(days.filter(pl.col("outdoor_c") < BASE_C)["day"])
    local = pl.col("slot_start_utc").dt.convert_time_zone(site.zone)
    daily = (
        own.filter(local.dt.hour().is_between(*WAKING_H, closed="left"))
        .group_by(local.dt.date().alias("day"))
        .agg(pl.col("mean").mean(), pl.col("covered").sum())
        .filter(pl.col("day").is_in(list[date](cold)) & (pl.col("covered") >= LEAST_WAKING_H))
    )
    if daily.height < LEAST_DAYS:
        return (
            f"Room temperature is known for only {daily.height} days of the heating season: too "
            "few to tell whether the household is warm."
        )
    room = daily["mean"].to_numpy()
    # A fortnight away, set back, makes no cold house: the middle day tells.
    mean, under = float(np.median(room)), float((room < LEAST_ROOM_C).mean())
    missing = asked_c - mean
    text = (
        f"Over {daily.height} heating days the room was at {mean:.1f} degC by day in the median, "
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
        pl.col("complete")
        & pl.col("flow_c").is_not_null()
        & (pl.col("electricity_kwh") > 0)
        & (pl.col("heat_kwh") >= LEAST_RUNNING * 24.0 * site.heat_pump.nominal_heat_kw)
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


def clocks(site: Site, slots: pl.DataFrame, so_far: Account) -> Finding:
    """Compare the clocks of heat and electricity meter over the slots given.

    Parameters
    ----------
    slots
        Frame of schema SLOT of the window in question.
    so_far
        The account whose SPF is told beside a doubt.
    """
    found = clock_lag(site, slots)
    if found is None:
        return (
            "The meters' clocks are not compared: heat and electricity are not both measured by "
            "the hour for long enough."
        )
    if found.correlation < LEAST_CORRELATION:
        return (
            "The meters' clocks are not compared: heat and electricity hardly rise and fall "
            f"together (correlation {found.correlation:.2f} at best)."
        )
    if abs(found.hours) < 0.05:
        return ("Heat is stamped at the hour of the electricity that makes it: no doubt.",)
    text = (
        f"Heat is stamped {abs(found.hours):.1f} h {'after' if found.hours > 0 else 'before'} "
        "the electricity that makes it"
    )
    if not found.is_doubtful:
        return (f"{text}: no doubt.",)
    spread = max(found.by_quarter, default=0.0) - min(found.by_quarter, default=0.0)
    drifts = spread >= 0.5
    return Doubt(
        kind=Kind.CLOCKS,
        figures=(
            Figure(name="lag", value=found.hours, unit="h"),
            Figure(name="correlation at that lag", value=found.correlation),
            Figure(name="correlation without a lag", value=found.unshifted),
            *(
                Figure(name=f"lag, quarter {number}", value=hours, unit="h")
                for number, hours in enumerate(found.by_quarter, start=1)
            ),
        ),
        spf_now=so_far.spf,
        spf_if_corrected=None,
        sentence=(
            f"{text} (correlation {found.correlation:.2f}, {found.unshifted:.2f} without a "
            f"shift){', and the lag changes over the year' if drifts else ''}: one of the two "
            "clocks is wrong, or a profile names the wrong zone. The SPF of long periods hardly "
            "changes; that of hours and days does."
        ),
    )
