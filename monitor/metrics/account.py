"""The energy account of one window: heat, electricity, SPF, coverage and uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import UTC, date, datetime, timedelta
from math import sqrt
from typing import Any, Final

import numpy as np
import polars as pl

from monitor.metrics import periods
from monitor.metrics.boundary import Recipe
from monitor.metrics.hidden import Hidden
from monitor.metrics.performance import Blocks, Values, Whole, accounts
from monitor.metrics.uncertainty import (
    BudgetLine,
    HeatMeterUse,
    WholeSpf,
    combined,
    spf_components,
    u_of_many,
)
from monitor.metrics.water import heat_coefficient_kwh_per_m3k
from monitor.models import Assumption, Boundary, Record, Role, Site

#: Share of the nominal heat output from which an hour counts as running, when flow and
#: return are read for the heat meter's working point. Common practice, no source.
RUNNING_SHARE = 0.3

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)


class Hours(Record):
    """Slots of a window by what is known of them (R10: they add up to the window)."""

    total: int
    measured: int
    bridged: int
    missing: int


class Account(Record):
    """What is known of one window of one site inside one boundary.

    Attributes
    ----------
    heat_kwh, electricity_kwh
        Sums over the slots in which every needed stream is known.
    spf, u_spf
        Their ratio and its standard uncertainty; None without electricity.
    coverage
        Share of the window's hours that are known.
    excluded_hours
        Hours of the window that both parties agree do not count; not among `hours`.
    budget
        Contributions to u_spf.
    """

    boundary: Boundary
    assumption: Assumption | None
    start_utc: datetime
    end_utc: datetime
    heat_kwh: float
    electricity_kwh: float
    spf: float | None
    u_spf: float | None
    coverage: float
    hours: Hours
    excluded_hours: int = 0
    budget: tuple[BudgetLine, ...]


def heat_meter_use(site: Site, slots: pl.DataFrame, states: pl.DataFrame) -> HeatMeterUse:
    """Heat-weighted working point of the heat meter, from recorded temperatures and flow.

    Parameters
    ----------
    slots, states
        Frames of schema SLOT and STATE_SLOT.
    """
    design = HeatMeterUse(site.heat_pump.design_delta_t_k, None, recorded=False)
    wide = states.filter(
        pl.col("role").is_in([Role.FLOW_TEMP, Role.RETURN_TEMP, Role.FLOW_RATE])
    ).pivot("role", index="slot_start_utc", values="mean")
    if not {Role.FLOW_TEMP.value, Role.RETURN_TEMP.value} <= set(wide.columns):
        return design
    heat = slots.filter(
        pl.col("role").str.starts_with("heat_")
        & (pl.col("kwh") > RUNNING_SHARE * site.heat_pump.nominal_heat_kw)
    )
    running = (
        heat.join(wide, on="slot_start_utc")
        .with_columns((pl.col("flow_temp") - pl.col("return_temp")).alias("delta"))
        .filter(pl.col("delta") > 0)
    )
    if running.height == 0:
        return design
    weight = running["kwh"].to_numpy()
    delta = running["delta"].to_numpy()
    rated = min(
        (f.delta_theta_min_k for f in site.meter if f.measures == "heat"), default=delta.min()
    )
    flow = weight / (
        heat_coefficient_kwh_per_m3k(running["flow_temp"], running["return_temp"]) * delta
    )
    if Role.FLOW_RATE.value in running.columns:
        recorded = running["flow_rate"].to_numpy()
        flow = np.where(recorded > 0, recorded, flow)
    known = np.isfinite(flow) & (flow > 0)
    return HeatMeterUse(
        delta_theta_k=_harmonic(np.maximum(delta, rated), weight),
        flow_m3h=_harmonic(flow[known], weight[known]) if known.any() else None,
        recorded=True,
        below_rating=float(weight[delta < rated].sum() / weight.sum()),
    )


def _harmonic(values: Values, weight: Values) -> float:
    return float(weight.sum() / (weight / values).sum())


@dataclass(frozen=True)
class Days:
    """Accounts of local days in order, as plain arrays: a page asks for hundreds of windows.

    Attributes
    ----------
    start
        Begin of each, in microseconds since 1970 (UTC).
    day
        Its local date, in days since 1970.
    electricity, spf
        kWh, and the SPF of the day (NaN where no electricity is known).
    known, missing
        Hours.
    """

    start: Whole
    day: Whole
    electricity: Values
    spf: Values
    known: Whole
    missing: Whole

    @classmethod
    def of(cls, daily: pl.DataFrame, zone: str) -> Days:
        """From a frame as `accounts` gives it, in the time zone of its days."""
        day = daily["start_utc"].dt.convert_time_zone(zone).dt.date()
        return cls(
            start=daily["start_utc"].dt.epoch("us").to_numpy(),
            day=day.to_physical().cast(pl.Int64).to_numpy(),
            electricity=daily["electricity_kwh"].cast(pl.Float64).to_numpy(),
            spf=daily["spf"].cast(pl.Float64).fill_null(np.nan).to_numpy(),
            known=(daily["hours_measured"] + daily["hours_bridged"]).to_numpy(),
            missing=daily["hours_missing"].to_numpy(),
        )

    def between(self, start_utc: datetime, end_utc: datetime) -> Days:
        """Those that begin in a window."""
        edges = [(moment - _EPOCH) // _MICROSECOND for moment in (start_utc, end_utc)]
        own = slice(*np.searchsorted(self.start, edges).tolist())
        return Days(**{field.name: getattr(self, field.name)[own] for field in fields(self)})

    def hidden_share(self, hours_missing: int) -> float:
        """Share of the electricity that the hours not known are held to hide.

        Each such hour is held to have used what the known hours of its calendar month did on
        average, or those of the whole window where the month has none. An estimate, used only
        to say how uncertain the figure is (R9).

        Parameters
        ----------
        hours_missing
            Of the whole window. Days know fewer hours, as a bridged block across midnight is
            in neither; only what the window does not know is hidden.
        """
        if not hours_missing:
            return 0.0
        months = self.day.astype("datetime64[D]").astype("datetime64[M]")
        _, month = np.unique(months, return_inverse=True)
        used, known, missing = (
            np.bincount(month, each) for each in (self.electricity, self.known, self.missing)
        )
        if not known.sum() or used.sum() <= 0:
            return 1.0
        rate = np.where(known > 0, used / np.maximum(known, 1), used.sum() / known.sum())
        hidden = float((rate * missing).sum()) * hours_missing / float(missing.sum())
        return hidden / (hidden + float(used.sum()))

    @property
    def spread(self) -> float:
        """Energy-weighted standard deviation of daily SPF; 0 with fewer than two days."""
        own = self.electricity > 0
        if own.sum() < 2:
            return 0.0
        weight, spf = self.electricity[own], self.spf[own]
        mean = np.average(spf, weights=weight)
        return sqrt(float(np.average((spf - mean) ** 2, weights=weight)))


def _budget(
    site: Site,
    recipe: Recipe,
    use: HeatMeterUse,
    row: dict[str, Any],
    days: Days,
    hides: Hidden | None,
) -> list[BudgetLine]:
    """Budget of one row of `accounts`, from the accounts of its days."""
    return spf_components(
        site,
        recipe,
        streams={r: row[f"stream:{r}"] for r in recipe.streams},
        edges={r: row[f"u_edge:{r}"] for r in recipe.streams},
        missing_share=days.hidden_share(row["hours_missing"]),
        daily_spread=days.spread,
        use=use,
        whole=_whole(row, days, hides),
    )


def _whole(row: dict[str, Any], days: Days, hides: Hidden | None) -> WholeSpf | None:
    """What the energy model says of the hidden hours of one row of `accounts`."""
    if hides is None or not row["hours_missing"]:
        return None
    energies = row["heat_kwh"], row["electricity_kwh"]
    return hides.whole(*energies, days.day, days.missing, row["hours_missing"])


def with_u_spf(
    site: Site,
    recipe: Recipe,
    use: HeatMeterUse,
    table: pl.DataFrame,
    daily: pl.DataFrame,
    hides: Hidden | None = None,
) -> pl.DataFrame:
    """Add `u_spf`, the standard uncertainty of the SPF, to accounts of many windows.

    Parameters
    ----------
    table
        Accounts of windows, as `accounts` gives them.
    daily
        Accounts of the days that the windows hold, in order; a day that a window cuts is
        cut there as well.
    hides
        What hours that are not known may hide; None where there is no energy model.
    """
    days = Days.of(daily, site.zone)
    known = table.with_row_index("at").filter(pl.col("spf").is_not_null())
    gaps = np.zeros(table.height)
    for row in known.filter(pl.col("hours_missing") > 0).iter_rows(named=True):
        own = days.between(row["start_utc"], row["end_utc"])
        whole = _whole(row, own, hides)
        gaps[row["at"]] = (
            own.hidden_share(row["hours_missing"]) * own.spread if whole is None else whole.rms
        )
    at = known["at"].to_numpy()
    found = np.full(table.height, np.nan)
    found[at] = u_of_many(
        site,
        recipe,
        streams={r: known[f"stream:{r}"].to_numpy() for r in recipe.streams},
        edges={r: known[f"u_edge:{r}"].to_numpy() for r in recipe.streams},
        gaps=gaps[at],
        use=use,
    )
    return table.with_columns(pl.Series("u_spf", found, dtype=pl.Float64).fill_nan(None))


def account(
    site: Site,
    recipe: Recipe,
    blocks: Blocks,
    use: HeatMeterUse,
    first: date,
    end: date,
    until: datetime | None = None,
    hides: Hidden | None = None,
    daily: pl.DataFrame | None = None,
) -> Account:
    """Account of the local days from `first` up to, not including, `end`.

    Parameters
    ----------
    until
        Stop at this hour if it comes before `end`.
    hides
        As for `with_u_spf`.
    daily
        Accounts of the window's days up to that hour, where they are at hand.
    """
    start_utc, end_utc = periods.span(site, periods.Window("", first, end))
    if until is not None:
        end_utc = max(start_utc, min(end_utc, until))
    row = accounts(blocks, [start_utc], [end_utc]).row(0, named=True)
    if daily is None:
        spans = [periods.span(site, day) for day in periods.days(first, end)]
        spans = [(a, min(b, end_utc)) for a, b in spans if a < end_utc]
        daily = accounts(blocks, [a for a, _ in spans], [b for _, b in spans])
    hours = Hours(
        total=row["hours_total"],
        measured=row["hours_measured"],
        bridged=row["hours_bridged"],
        missing=row["hours_missing"],
    )
    budget = _budget(site, recipe, use, row, Days.of(daily, site.zone), hides)
    return Account(
        boundary=recipe.boundary,
        assumption=recipe.assumption,
        start_utc=start_utc,
        end_utc=end_utc,
        heat_kwh=row["heat_kwh"],
        electricity_kwh=row["electricity_kwh"],
        spf=row["spf"],
        u_spf=combined(budget) if row["spf"] is not None else None,
        coverage=row["coverage"],
        hours=hours,
        excluded_hours=row["hours_excluded"],
        budget=tuple(budget),
    )
