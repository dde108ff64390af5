"""What the pages know: the only module of the web part that reads the store.

Every function takes the person first and answers with `NotFoundError` for a site that
is none of theirs, exactly as for one that does not exist. Figures come from `monitor`;
here they are only asked for, window by window.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Final

import numpy as np
import polars as pl

from dashboard.looks import looked
from monitor.errors import CannotMeasureError, NotFoundError
from monitor.guarantee.assessment import Assessment
from monitor.guarantee.outlook import Outlook
from monitor.guarantee.settlement import ExclusionEffect, exclusion_effects, spans
from monitor.guarantee.standing import Standing
from monitor.metrics import periods
from monitor.metrics.account import (
    Account,
    account,
    heat_meter_use,
    with_u_spf,
)
from monitor.metrics.boundary import Recipe, measurable, promised_recipe, recipe
from monitor.metrics.daily import DAY, day_frame
from monitor.metrics.hidden import Hidden, hidden
from monitor.metrics.performance import Blocks, Whole, accounts, exclude, pair
from monitor.metrics.periods import Window
from monitor.metrics.site_weather import SiteWeather, site_weather
from monitor.metrics.uncertainty import K_95, HeatMeterUse
from monitor.models import Role, Site
from monitor.schemas import empty
from monitor.store import claims, derived, readings
from monitor.store.connection import Store
from monitor.store.findings import KeptFinding, load_findings
from monitor.store.memory import Kept
from monitor.store.sites import load_site
from monitor.store.sources import SourceState, source_states
from monitor.store.users import User
from monitor.store.weather import load_weather

#: Periods that a page offers by name; besides them, any month as `2026-03`.
ROLLING: Final = {"7": 7, "30": 30, "365": 365}

#: Most points of a cumulative course: a longer period takes every second day, and so on.
MOST_POINTS = 370

#: Parts of pages that are kept with a record.
MOST_PARTS: Final = 24

#: Longest period whose every reading is handed out in one file.
MOST_READING_DAYS: Final = 31

_MONTH = re.compile(r"(\d{4})-(0[1-9]|1[0-2])")


@dataclass(frozen=True)
class Period:
    """A period that was asked for: `key` is what the address bar holds."""

    key: str
    window: Window


@dataclass(frozen=True)
class Record:
    """A site with everything that its figures are made from.

    Attributes
    ----------
    outlook, assessment
        Of a period that is not over; what was found out about the promise.
    exclusions, findings
        Those in force, each with what it does; those that are open.
    recipe, blocks
        Boundary of the promise, or the widest that can be measured where nothing was
        promised; None where `why_not` says why there is none.
    use
        Working point of the heat meter.
    given, excluded
        Weather of the site from elsewhere; stretches that do not count.
    first, until
        First local day with any known energy, and the hour up to which figures reach.
    parts
        What pages made from this record and nothing else, kept as long as it is.
    """

    site: Site
    standing: Standing | None
    outlook: Outlook | None
    assessment: Assessment | None
    exclusions: tuple[ExclusionEffect, ...]
    findings: list[KeptFinding]
    slots: pl.DataFrame
    states: pl.DataFrame
    recipe: Recipe | None
    blocks: Blocks | None
    use: HeatMeterUse
    given: SiteWeather
    excluded: list[tuple[datetime, datetime]]
    why_not: str
    first: date
    until: datetime
    parts: Kept = field(
        default_factory=lambda: Kept(MOST_PARTS), init=False, repr=False, compare=False
    )

    @cached_property
    def hides(self) -> Hidden | None:
        """What hours that are not known may hide, for the uncertainty of any window."""
        if self.recipe is None:
            return None
        return hidden(self.site, self.days, self.given, self.until)

    @cached_property
    def days(self) -> pl.DataFrame:
        """Frame of schema DAY up to the hour that figures reach."""
        if self.recipe is None:
            return empty(DAY)
        slots = self.slots.filter(pl.col("block_end_utc") <= self.until)
        return day_frame(
            self.site, self.recipe, slots, self.states, self.given.daily, self.excluded
        )

    @cached_property
    def every_day(self) -> pl.DataFrame:
        """One row a local day of the record and of the guarantee period so far; see `daily`."""
        terms = self.site.current_terms
        first = self.first if terms is None else min(self.first, terms.start)
        return _daily(self, periods.days(first, self.today + timedelta(days=1)))

    @property
    def today(self) -> date:
        """Local day of the last hour that figures reach."""
        return periods.local_day(self.site, self.until - timedelta(hours=1))

    def span(self, window: Window) -> tuple[datetime, datetime]:
        """UTC times of a window, cut at the hour up to which figures reach."""
        start, end = periods.span(self.site, window)
        return start, max(start, min(end, self.until))


def _own(user: User, store: Store, site_id: str) -> Site:
    """A site of this person, which is logged as a look at it."""
    site = must_exist(user, store, site_id)
    looked(site_id)
    return site


def must_exist(user: User, store: Store, site_id: str) -> Site:
    """A site, if it is there for this person; nothing of it is shown yet."""
    if not user.may_see(site_id):
        message = f"There is no site '{site_id}'."
        raise NotFoundError(message)
    return load_site(store, site_id)


def sources(user: User, store: Store) -> list[SourceState]:
    """What brings files by itself; for those who see the whole fleet."""
    if user.role != "installer":
        message = "There is nothing here."
        raise NotFoundError(message)
    looked()
    return [state for state in source_states(store) if user.may_see(state.site_id)]


def record(user: User, store: Store, site_id: str, now: datetime) -> Record:
    """A site with its slots paired inside the boundary of its promise.

    It is made once an hour, and anew after each change of the site; whether the person may
    see it is asked, and the look logged, each time.
    """
    site = _own(user, store, site_id)
    until = now.replace(minute=0, second=0, microsecond=0)
    return store.of_site.get(site_id, lambda: _record(store, site, until), stamp=until)


def _record(store: Store, site: Site, until: datetime) -> Record:
    site_id = site.id
    standing = derived.load_standing(store, site_id)
    slots, states = derived.load_slots(store, site_id), derived.load_states(store, site_id)
    chosen, why_not = _recipe(site)
    in_force = tuple(claims.exclusions(store, site_id).values())
    every = pair(slots, chosen) if chosen else None
    use = heat_meter_use(site, slots, states)
    effects: tuple[ExclusionEffect, ...] = ()
    if chosen is not None and every is not None and in_force and site.current_terms is not None:
        effects = exclusion_effects(site, chosen, every, use, in_force, until)
    earliest = slots["slot_start_utc"].min()
    if isinstance(earliest, datetime):
        first = periods.local_day(site, earliest)
    else:
        first = site.current_terms.start if site.current_terms else site.commissioned
    return Record(
        site=site,
        standing=standing,
        outlook=_current(standing, derived.load_outlook(store, site_id)),
        assessment=_of_terms(site, derived.load_assessment(store, site_id)),
        exclusions=effects,
        findings=load_findings(store, site_id),
        slots=slots,
        states=states,
        recipe=chosen,
        blocks=None if every is None else exclude(every, spans(in_force)),
        use=use,
        given=site_weather(site, load_weather(store, site.weather)),
        excluded=spans(in_force),
        why_not=why_not,
        first=first,
        until=until,
    )


def _current(standing: Standing | None, ahead: Outlook | None) -> Outlook | None:
    """An outlook only while the promise that it is about is still open."""
    if standing is None or ahead is None or standing.settlement is not None:
        return None
    same = (standing.promise, standing.period_end) == (ahead.promise, ahead.period_end)
    return ahead if same else None


def _of_terms(site: Site, found: Assessment | None) -> Assessment | None:
    """An assessment only of the terms in force."""
    terms = site.current_terms
    if found is None or terms is None or found.terms_version != terms.version:
        return None
    return found


def _recipe(site: Site) -> tuple[Recipe | None, str]:
    terms = site.current_terms
    try:
        if terms is not None:
            return promised_recipe(site, terms), ""
        able = measurable(site)
        if able:
            return recipe(site, able[-1]), ""
    except CannotMeasureError as error:
        return None, error.user_message
    return None, f"The meters of site '{site.id}' can measure no boundary."


def choices(record: Record) -> list[Period]:
    """Periods that a page offers, the usual one first."""
    after = record.today + timedelta(days=1)
    found = []
    terms = record.site.current_terms
    if terms is not None:
        found.append(Period("guarantee", Window("guarantee period", terms.start, terms.end)))
    found += [
        Period(key, Window(f"last {days} days", after - timedelta(days=days), after))
        for key, days in ROLLING.items()
    ]
    seasons = periods.heating_seasons(record.first, after)
    if seasons:
        found.append(Period("season", seasons[-1]))
    found.append(Period("all", Window("whole record", min(record.first, record.today), after)))
    return found


def period(record: Record, key: str | None) -> Period:
    """The period of a key; what is not known or not offered gives the usual one."""
    offered = {choice.key: choice for choice in choices(record)}
    if key in offered:
        return offered[key]
    match = _MONTH.fullmatch(key or "")
    if match and 1 <= int(match[1]) <= 9998:
        first = date(int(match[1]), int(match[2]), 1)
        if record.first.replace(day=1) <= first <= record.today:
            return Period(match[0], periods.months(first, first + timedelta(days=1))[0])
    return next(iter(offered.values()))


def window_account(record: Record, window: Window) -> Account | None:
    """Account of a window with its uncertainty; None where no boundary can be measured."""
    if record.recipe is None or record.blocks is None:
        return None
    return account(
        record.site,
        record.recipe,
        record.blocks,
        record.use,
        window.first,
        window.end,
        record.until,
        record.hides,
        daily(record, window),
    )


def table(record: Record, windows: list[Window]) -> pl.DataFrame:
    """Accounts of many windows: `name`, `first`, `end` and the columns of `accounts`."""
    if record.blocks is None or not windows:
        return pl.DataFrame(schema={"name": pl.String, "first": pl.Date, "end": pl.Date})
    spans = [record.span(window) for window in windows]
    names = pl.DataFrame(
        {
            "name": [w.name for w in windows],
            "first": [w.first for w in windows],
            "end": [w.end for w in windows],
        }
    )
    return names.hstack(accounts(record.blocks, [a for a, _ in spans], [b for _, b in spans]))


def months(record: Record) -> pl.DataFrame:
    """One row a calendar month, with `u_spf`; the first is cut to where the record begins."""
    whole = periods.months(record.first, record.today + timedelta(days=1))
    return _certain(record, [Window(m.name, max(m.first, record.first), m.end) for m in whole])


def seasons(record: Record) -> pl.DataFrame:
    """One row a heating season, with `u_spf`."""
    after = record.today + timedelta(days=1)
    return _certain(record, periods.heating_seasons(record.first, after))


def _certain(record: Record, windows: list[Window]) -> pl.DataFrame:
    """As `table`, with `u_spf`."""
    found = table(record, windows)
    if record.recipe is None or found.height == 0:
        return found
    whole = Window("", min(w.first for w in windows), max(w.end for w in windows))
    days = daily(record, whole)
    return with_u_spf(record.site, record.recipe, record.use, found, days, record.hides)


def daily(record: Record, window: Window) -> pl.DataFrame:
    """One row a local day that has begun.

    Returns
    -------
    pl.DataFrame
        As `table`, with `status` (`whole`, `bridged`, `part`, `missing` or `excluded`), `in_run`
        (hours inside a bridged block that is longer than the day, so that their energy
        belongs to no day) and `outdoor_c` (mean outdoor temperature, null if unknown).
    """
    every = record.every_day
    if every.height and every["first"][0] <= window.first:
        return every.filter(pl.col("first").is_between(window.first, window.end, closed="left"))
    last = min(window.end, record.today + timedelta(days=1))
    return _daily(record, periods.days(window.first, last))


def _daily(record: Record, days: list[Window]) -> pl.DataFrame:
    frame = table(record, days)
    if record.blocks is None or frame.height == 0:
        return frame
    known = pl.col("hours_measured") + pl.col("hours_bridged")
    return (
        frame.with_columns(
            pl.Series("in_run", _hours_in_bridges(record.blocks, frame)) - pl.col("hours_bridged")
        )
        .with_columns(
            pl.when(pl.col("hours_total") == 0)
            .then(pl.lit("excluded"))
            .when(pl.col("hours_measured") == pl.col("hours_total"))
            .then(pl.lit("whole"))
            .when(known + pl.col("in_run") == 0)
            .then(pl.lit("missing"))
            .when(known + pl.col("in_run") == pl.col("hours_total"))
            .then(pl.lit("bridged"))
            .otherwise(pl.lit("part"))
            .alias("status")
        )
        .join(_daily_mean(record, Role.OUTDOOR_TEMP, "outdoor_c"), on="first", how="left")
        .sort("first")
    )


def _hours_in_bridges(blocks: Blocks, frame: pl.DataFrame) -> Whole:
    """Hours of each window that known bridged blocks cover, whole or in part."""
    if len(blocks.start) == 0:
        return np.zeros(frame.height, dtype=np.int64)
    edges = np.append(blocks.start, blocks.end[-1])
    size = (blocks.end - blocks.start) * (blocks.known & blocks.bridged)
    running = np.concatenate(([0], np.cumsum(size)))
    start, end = (frame[c].dt.epoch("s").to_numpy() // 3600 for c in ("start_utc", "end_utc"))
    covered = np.interp(end, edges, running) - np.interp(start, edges, running)
    return np.asarray(np.rint(covered), dtype=np.int64)


def _daily_mean(record: Record, role: Role, name: str) -> pl.DataFrame:
    """Mean of a plain quantity by local day, weighted by the time that is covered."""
    return (
        record.states.filter(pl.col("role") == role.value)
        .with_columns(
            pl.col("slot_start_utc").dt.convert_time_zone(record.site.zone).dt.date().alias("first")
        )
        .group_by("first")
        .agg(
            (pl.col("mean") * pl.col("covered")).sum().truediv(pl.col("covered").sum()).alias(name)
        )
    )


def cumulative(record: Record, window: Window) -> pl.DataFrame:
    """Course of the SPF from the window's start to the end of each day.

    Returns
    -------
    pl.DataFrame
        `day`, `spf`, `low`, `high` (95 % interval), `coverage`, `heat_kwh`,
        `electricity_kwh`; the last row is the account of the window so far.
    """
    schema = {"day": pl.Date, "coverage": pl.Float64} | dict.fromkeys(
        ("spf", "low", "high", "heat_kwh", "electricity_kwh"), pl.Float64
    )
    by_day = daily(record, window)
    if record.blocks is None or record.recipe is None or by_day.height == 0:
        return pl.DataFrame(schema=schema)
    step = -(-by_day.height // MOST_POINTS)
    picked = list(range((by_day.height - 1) % step, by_day.height, step))
    start = by_day["start_utc"][0]
    so_far = accounts(
        record.blocks, [start] * len(picked), [by_day["end_utc"][i] for i in picked]
    ).with_columns(pl.Series("day", [by_day["first"][i] for i in picked]))
    return with_u_spf(record.site, record.recipe, record.use, so_far, by_day, record.hides).select(
        "day",
        "spf",
        (pl.col("spf") - K_95 * pl.col("u_spf")).alias("low"),
        (pl.col("spf") + K_95 * pl.col("u_spf")).alias("high"),
        "coverage",
        "heat_kwh",
        "electricity_kwh",
    )


def shares(record: Record) -> pl.DataFrame:
    """The shortfall by cause: share with its 95 % interval, kWh and cost, and why."""
    found = record.assessment.shortfall if record.assessment else None
    if found is None:
        message = f"There is no shortfall of site '{record.site.id}' to download."
        raise NotFoundError(message)
    rows = [share.model_dump(mode="json") for share in found.shares]
    return pl.DataFrame(rows, infer_schema_length=None).with_columns(
        pl.lit(found.currency).alias("currency")
    )


def days_of(window: Window) -> int:
    """Number of local days of a window."""
    return (window.end - window.first).days


def imports(user: User, store: Store, site_id: str) -> pl.DataFrame:
    """Every import of a site with its counts, newest first."""
    return readings.imports(store, _own(user, store, site_id).id)


def quarantine(user: User, store: Store, site_id: str) -> pl.DataFrame:
    """Readings of a site that never became figures, with the reason."""
    return readings.quarantined(store, _own(user, store, site_id).id)
