"""Brings a site's figures up to date: the one place that joins store and mathematics."""

from __future__ import annotations

import contextlib
import hashlib
from dataclasses import replace
from datetime import datetime, timedelta

import polars as pl

from monitor.errors import CannotMeasureError, DescriptionError
from monitor.findings.finding import Seen, SourceSeen, Topic
from monitor.findings.registry import BY_CLOCK, findings
from monitor.guarantee.assessment import assessment
from monitor.guarantee.basis import Basis, basis
from monitor.guarantee.outlook import outlook
from monitor.guarantee.settlement import (
    Exclusion,
    Settlement,
    SettlementRecord,
    make_record,
    period_of,
    settle,
    spans,
)
from monitor.guarantee.standing import Standing, standing
from monitor.metrics import periods
from monitor.metrics.behaviour import MARGIN_DAYS, behaviour
from monitor.metrics.boundary import measurable, recipe
from monitor.metrics.courses import KWH_PER_UNIT, courses
from monitor.metrics.daily import DAY, day_frame
from monitor.metrics.site_weather import SiteWeather, site_weather
from monitor.metrics.slots import chain, energy_slots, state_slots
from monitor.metrics.stuck import stuck_slots
from monitor.metrics.trend import trend
from monitor.models import Kind, Role, Site
from monitor.rules import DEFAULT_RULES, RULES_VERSION, Rules
from monitor.schemas import SLOT, STATE_SLOT, SUSPECT, empty
from monitor.schemas import UTC as UTC_TIME
from monitor.store import claims, derived, readings
from monitor.store.changes import EVER, Change, pending
from monitor.store.connection import Store
from monitor.store.findings import keep_findings
from monitor.store.prices import load_prices, newest_prices
from monitor.store.sites import StoredChannel, load_site, stored_channels
from monitor.store.sources import source_states
from monitor.store.weather import load_weather, newest_weather


def derive(
    site: Site, channels: list[StoredChannel], frame: pl.DataFrame, rules: Rules
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Slots, hourly states, suspects and daily behaviour of one site from its readings.

    Parameters
    ----------
    frame
        Frame of schema READING, sorted by channel and time.

    Returns
    -------
    tuple
        Frames of schema SLOT, STATE_SLOT, SUSPECT and BEHAVIOUR.
    """
    numbers = frame["channel_id"].set_sorted()
    points: dict[Role, list[pl.DataFrame]] = {}
    power: dict[Role, float] = {}
    suspects: list[pl.DataFrame] = []
    for stored in channels:
        role = stored.channel.role
        limit = site.max_power_kw(stored.channel) if role.is_energy else 0.0
        first = numbers.search_sorted(stored.channel_id, "left")
        count = numbers.search_sorted(stored.channel_id, "right") - first
        own = _with_swap_readings(site, stored, frame.slice(first, count))
        if stored.fit.counts_from is not None:
            # Until then the meter beside it counts.
            own = own.filter(pl.col("t_utc") >= site.utc(stored.fit.counts_from))
        result = courses(
            own, stored.channel, channel_id=stored.channel_id, max_power_kw=limit, rules=rules
        )
        points.setdefault(role, []).append(result.points)
        power[role] = max(limit, power.get(role, 0.0))
        suspects.append(result.suspects)
    slots, states = [empty(SLOT)], [empty(STATE_SLOT)]
    whole: dict[Role, pl.DataFrame] = {}
    for role in list(points):
        # What is strung together need not be held apart as well.
        whole[role] = course = chain(points.pop(role))
        if role.is_energy:
            slots.append(energy_slots(course, role, max_power_kw=power[role], rules=rules))
        else:
            states.append(state_slots(course, role))
    known = pl.concat(slots)
    stuck = stuck_slots(known, rules)
    known = known.join(stuck, on=["role", "slot_start_utc"], how="anti")
    suspects.append(_stuck_suspects(site, channels, stuck))
    aside = pl.concat([empty(SUSPECT), *suspects])
    return known, pl.concat(states), aside, behaviour(site, whole)


def _stuck_suspects(site: Site, channels: list[StoredChannel], stuck: pl.DataFrame) -> pl.DataFrame:
    """Say of each hour set aside which channel stood still."""
    fits = pl.DataFrame(
        {
            "role": [s.channel.role.value for s in channels],
            "channel_id": [s.channel_id for s in channels],
            "fitted": [site.utc(s.fit.fitted) for s in channels],
        },
        schema={"role": pl.String, "channel_id": pl.Int32, "fitted": UTC_TIME},
    ).sort("fitted")
    return (
        stuck.sort("slot_start_utc")
        .join_asof(
            fits, left_on="slot_start_utc", right_on="fitted", by="role", check_sortedness=False
        )
        .select(
            pl.col("channel_id").fill_null(channels[0].channel_id if channels else 0),
            pl.col("slot_start_utc").alias("t_utc"),
            pl.col("kwh").alias("value"),
            pl.lit("stood still all day while the other meter moved").alias("reason"),
        )
    )


def _with_swap_readings(site: Site, stored: StoredChannel, own: pl.DataFrame) -> pl.DataFrame:
    """Add the register values that a fitter read when fitting and removing a meter."""
    noted = _noted(site, stored)
    if not noted:
        return own
    extra = pl.DataFrame(
        {
            "channel_id": [stored.channel_id] * len(noted),
            "t_utc": [moment for moment, _ in noted],
            "duration_s": [None] * len(noted),
            "value": [value for _, value in noted],
            "conflict": [False] * len(noted),
        },
        schema=own.schema,
    )
    # What the meter itself exported at that instant comes first.
    return pl.concat([own, extra]).unique("t_utc", keep="first", maintain_order=True).sort("t_utc")


def _noted(site: Site, stored: StoredChannel) -> list[tuple[datetime, float]]:
    """Registers read when a meter was fitted and removed: UTC time and kWh."""
    fit, channel = stored.fit, stored.channel
    if channel.kind is not Kind.REGISTER:
        return []
    unit = KWH_PER_UNIT.get(channel.unit, 1.0)
    return [
        (site.utc(moment), values[channel.role] * unit)
        for moment, values in ((fit.fitted, fit.start_register), (fit.removed, fit.end_register))
        if moment is not None and channel.role in values
    ]


def refresh_site(
    store: Store, site_id: str, *, now: datetime, rules: Rules = DEFAULT_RULES, full: bool = False
) -> Standing:
    """Compute what is new, keep it, and judge the promise.

    The account is computed anew from `rules.lookback` before the first changed reading,
    or from the start of the bridged blocks that reach across that hour.
    """
    with store.alone(site_id):
        # Before anything is read: what comes from now on is not known to what is computed.
        new = pending(store, site_id)
        site = load_site(store, site_id)
        channels = stored_channels(store, site)
        since = EVER if full else None if new is None else new.since
        if since is not None:
            _derive_from(store, site, channels, since, new, rules)
        return judge(store, site, channels, now=now, rules=rules, changed=since is not None)


def _derive_from(
    store: Store,
    site: Site,
    channels: list[StoredChannel],
    since: datetime,
    new: Change | None,
    rules: Rules,
) -> None:
    ids = [stored.channel_id for stored in channels]
    beginning = start = EVER
    anchored: set[int] = set()
    if since - beginning > rules.lookback:
        start = (since - rules.lookback).replace(hour=0, minute=0, second=0, microsecond=0)
        newest = readings.newest(store, ids)
        noted = {s.channel_id: [t for t, _ in _noted(site, s)] for s in channels}
        energy = [
            s
            for s in channels
            if s.channel.role.is_energy
            and max([newest.get(s.channel_id, beginning), *noted[s.channel_id]]) >= start
        ]
        anchors = readings.last_before(store, [s.channel_id for s in energy], start)
        for stored in energy:
            earlier = [t for t in noted[stored.channel_id] if t <= start]
            if earlier and stored.channel_id not in anchors:
                anchors[stored.channel_id] = max(earlier)
        anchored = set(anchors)
        start = min([start, *anchors.values()])
        roles = sorted({s.channel.role.value for s in energy})
        start = derived.block_start(store, site.id, roles, start) or start
        start = start.replace(minute=0, second=0, microsecond=0)
    load_from = start
    if start > beginning:
        # A whole day before and the reading before it, so that the first boundary is resolved,
        # the first samples are held as they were, and a standstill is seen from its day on.
        load_from = (start - rules.max_profile_gap - timedelta(days=1)).replace(hour=0, minute=0)
        before = readings.last_before(store, ids, load_from)
        load_from = min([load_from, *(t for n, t in before.items() if n in anchored)])
    frame = readings.load_readings(store, ids, load_from)
    slots, states, suspects, days = derive(site, channels, frame, rules)
    # The first day that lies whole in what was loaded, and a day before it.
    first_day = periods.local_day(site, start) + timedelta(days=MARGIN_DAYS)
    new_days = (first_day, days)
    derived.replace_derived(store, site.id, start, slots, states, suspects, new_days, known=new)


def judge(
    store: Store,
    site: Site,
    channels: list[StoredChannel],
    *,
    now: datetime,
    rules: Rules = DEFAULT_RULES,
    changed: bool = False,
) -> Standing:
    """Judge the promise on the stored slots, look ahead, and keep both with what is found.

    What takes the home's energy model is computed once a day, and whenever anything that
    it rests on has changed.

    Parameters
    ----------
    changed
        True where the slots are new.
    """
    times = readings.newest(store, [s.channel_id for s in channels if s.channel.role.is_energy])
    slots, states = derived.load_slots(store, site.id), derived.load_states(store, site.id)
    in_force = claims.exclusions(store, site.id)
    excluded = spans(in_force.values())
    prices = site_prices(store, site)
    rests_on = _basis_hash(store, site, in_force)
    today = periods.local_day(site, now)
    found = None
    if not changed:
        found = derived.load_assessment(store, site.id, basis=rests_on, local_day=today)
    base, given = None, site_weather(site, load_weather(store, site.weather))
    if found is None:
        # A boundary that cannot be measured is what the standing says.
        with contextlib.suppress(CannotMeasureError):
            base = basis(site, slots, states, now=now, given=given, excluded=excluded)
        found = None if base is None else assessment(base, prices)
    result = standing(
        site,
        slots,
        states,
        newest_reading=max(times.values(), default=None),
        now=now,
        rules=rules,
        excluded=excluded,
        prices=prices,
        given=given,
        granted=found.allowance if found is not None else None,
    )
    moved = None
    if base is not None:
        moved = trend(site, base.blocks, base.until, least_coverage=rules.least_coverage)
    derived.save_standing(store, result, moved)
    if base is not None and found is not None:
        derived.save_assessment(store, found, rests_on, today)
        if result.settlement is None:
            ahead = outlook(base, climate=given.climate, granted=found.allowance)
            derived.save_outlook(store, ahead)
    seen = Seen(
        site,
        result,
        found,
        _sources(store, site),
        now,
        rules,
        slots=slots,
        states=states,
        behaviour=derived.load_behaviour(store, site.id),
        suspects=derived.load_suspects(store, site.id),
        base=base,
        price_per_kwh=found.price_per_kwh if found is not None else None,
        currency=site.tariff[-1].currency if site.tariff else None,
    )
    if base is None and found is not None:
        # The records are those of the last look.
        clock = frozenset({Topic.DATA})
        keep_findings(store, site.id, findings(seen, BY_CLOCK), now, looked_at=clock)
    else:
        seen = replace(seen, days=_days(site, base, slots, states, given))
        keep_findings(store, site.id, findings(seen), now)
    return result


def _days(
    site: Site, base: Basis | None, slots: pl.DataFrame, states: pl.DataFrame, given: SiteWeather
) -> pl.DataFrame:
    """Days inside the boundary of the promise, or inside the widest one that is measured."""
    if base is not None:
        return base.days
    # Meters that contradict one another measure nothing: the standing says so.
    with contextlib.suppress(CannotMeasureError):
        if boundaries := measurable(site):
            return day_frame(site, recipe(site, boundaries[-1]), slots, states, given.daily)
    return empty(DAY)


def _sources(store: Store, site: Site) -> tuple[SourceSeen, ...]:
    """Sources that bring a site's files by themselves."""
    return tuple(
        SourceSeen(state.name, state.newest or state.described_at, state.silent_after, state.error)
        for state in source_states(store)
        if state.site_id == site.id
    )


def _basis_hash(store: Store, site: Site, in_force: dict[int, Exclusion]) -> str:
    """Hash of everything that an assessment rests on, apart from readings and clock."""
    parts = [
        str(RULES_VERSION),
        site.model_dump_json(),
        *(f"{n} {e.model_dump_json()}" for n, e in in_force.items()),
        str(newest_prices(store, _series(site))),
        str(newest_weather(store, site.weather)),
    ]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _series(site: Site) -> list[str]:
    return sorted({t.series for t in site.tariff if t.series})


def site_prices(store: Store, site: Site) -> pl.DataFrame:
    """Prices of the series that a site's tariffs name (schema PRICE)."""
    return load_prices(store, _series(site))


def propose_settlement(
    store: Store, site_id: str, *, now: datetime, rules: Rules = DEFAULT_RULES
) -> tuple[SettlementRecord, Settlement]:
    """Settle a promise whose period is over without keeping anything.

    Raises
    ------
    DescriptionError
        Nothing was promised, or the period is not over.
    """
    refresh_site(store, site_id, now=now, rules=rules)
    site = load_site(store, site_id)
    terms = site.current_terms
    if terms is not None and now < site.midnight(terms.end):
        message = (
            f"The guarantee period of site '{site_id}' lasts until {terms.end}; it can be settled "
            "from then on. 'pledgewatt outlook' says how it is likely to end."
        )
        raise DescriptionError(message)
    slots = derived.load_slots(store, site_id)
    states = derived.load_states(store, site_id)
    prices, weather = site_prices(store, site), load_weather(store, site.weather)
    if terms is not None:
        slots, states = period_of(site, slots), period_of(site, states)
    in_force = tuple(claims.exclusions(store, site_id).values())
    record = make_record(site, slots, states, prices, weather, rules=rules, exclusions=in_force)
    return record, settle(record, slots, states, prices, weather)


def settle_site(
    store: Store, site_id: str, *, now: datetime, rules: Rules = DEFAULT_RULES
) -> tuple[int, Settlement]:
    """Settle a promise whose period is over, and keep record and settlement.

    Raises
    ------
    DescriptionError
        Nothing was promised, or the period is not over.
    """
    record, settlement = propose_settlement(store, site_id, now=now, rules=rules)
    return claims.save_settlement(store, record, settlement, now), settlement
