"""Registers that stand, jump or have reached the end of what they can show."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any, Final

import numpy as np
import polars as pl

from monitor.findings.finding import BandPoint, Confidence, Evidence, Finding, Seen, Topic
from monitor.findings.pair import LEAST_HOURS, STOOD, Flags, Pair, Values, channels
from monitor.findings.standstill import ELECTRICS
from monitor.metrics.courses import HOUR_US
from monitor.metrics.plausibility import Figure
from monitor.models import Kind, Role

#: Days of standing still among the newest judged ones: few, since each is lost, and a meter
#: that stood will stand again. Common practice, no source.
STUCK_OF_LAST: Final = 14
STUCK_DAYS: Final = 2
STUCK_SHARE: Final = 2.0 / 14.0

#: A register that hangs and catches up: hours of a day and days of the last fortnight that
#: show it. Common practice, no source.
HANGING: Final = "repeats an old value while the register moved on"
HANGING_H: Final = 3.0

#: Steps of its resolution that a stream must have missed while it stood, and the COP that
#: it is reckoned with. Common practice, no source.
STEPS: Final = 3.0
LEAST_COP: Final = 2.0
MOST_COP: Final = 6.0

#: Last days in which jumps are counted; readings set aside, and days with any, and breaks of
#: a register's course that make a finding: one in a while is what radio and loggers do. Common
#: practice, no source.
JUMP_DAYS: Final = 61
LEAST_JUMPS: Final = 5
LEAST_JUMP_DAYS: Final = 3
LEAST_BREAKS: Final = 2

#: A meter that is swapped breaks the course, too, at its time give or take this.
SWAP_H: Final = 48

#: Reasons that do not tell of a jump.
NOT_JUMPS: Final = (STOOD, HANGING)

#: Hours that show one and the same largest value, how near to it they are, and how many times
#: as many as a smooth course has there; and how many different values above half of it a
#: stream must show, so that its resolution does not make them alike. Common practice, no
#: source.
TOP_HOURS: Final = 12
ALIKE: Final = 1e-4
NEAR_TOP: Final = 0.1
TIMES_SMOOTH: Final = 20.0
LEAST_VALUES: Final = 100


def register_stuck(seen: Seen, beside: Pair, off: frozenset[Role]) -> list[Finding]:
    """Streams that stand at one value for whole days while the other meter moves.

    The account sets days aside on which the other moves far (rule R6); here any movement
    counts that the standing meter's resolution does not hide.

    Parameters
    ----------
    off
        Roles in a wrong unit, which may seem to stand.
    """
    heat, used = beside.by_day(beside.heat), beside.by_day(beside.used)
    known = beside.by_day(np.isfinite(beside.heat) & np.isfinite(beside.used)) >= LEAST_HOURS
    took = beside.by_day(np.where(beside.used >= beside.running_used, beside.used, 0.0))
    made = beside.by_day(np.where(beside.heat >= beside.running_heat, beside.heat, 0.0))
    may_cool = _warm_days(beside) | bool(beside.unmetered)
    found = []
    for roles, own, moved in (
        (beside.heat_roles, heat, np.where(may_cool, 0.0, LEAST_COP * took)),
        (beside.used_roles, used, made / MOST_COP),
    ):
        if off.intersection(roles):
            continue
        judged = known & (moved > np.maximum(STEPS * beside.step(roles), beside.nothing * 24.0))
        judged |= known & (own > 0) & (moved > 0)
        whole = _set_aside_days(seen, beside, roles, STOOD)
        hangs = _set_aside_days(seen, beside, roles, HANGING)
        stood = (judged & (own <= 1e-9)) | (whole >= LEAST_HOURS)
        shown = stood | (hangs >= HANGING_H)
        spell = beside.shows(
            judged | shown,
            shown,
            of_last=STUCK_OF_LAST,
            least_days=STUCK_DAYS,
            share=STUCK_SHARE,
        )
        if spell is not None:
            inside = beside.days_of(spell)
            found.append((roles, spell, int((stood & inside).sum()), float(moved[inside].sum())))
    if not found:
        return []
    first = min(spell.since for _, spell, _, _ in found)
    return [
        Finding(
            kind="register-stuck",
            topic=Topic.METER,
            title="A meter stands still",
            what=" ".join(
                f"The {'heat' if roles[0].is_heat else 'electricity'} meter "
                + (
                    f"stood still on {days} of {spell.judged} days judged since "
                    f"{spell.since:%-d %B %Y}, while the other meter moved."
                    if days
                    else f"hung for hours and caught up on {spell.days} of {spell.judged} days "
                    f"judged since {spell.since:%-d %B %Y}."
                )
                for roles, spell, days, _ in found
            )
            + " What it did not count is not known; days on which the account can tell are set "
            "aside and count as missing.",
            plainly="A meter of your heat pump has stopped. Your installer is told; the heating "
            "itself is not affected.",
            confidence=Confidence.LIKELY,
            since=seen.site.midnight(first),
            window_start=seen.site.midnight(first),
            window_end=seen.now,
            roles=tuple(role for roles, _, _, _ in found for role in roles),
            figures=tuple(
                Figure(name=f"days without a step, {roles[0].value}", value=days)
                for roles, _, days, _ in found
            ),
            evidence=tuple(
                Evidence(of="slot", name=role.value, label=_label(role), unit="kWh")
                for role in beside.heat_roles + beside.used_roles
            ),
            check=(
                "The meter's own display: does it count while the unit runs",
                "Its battery or supply, the pulse or bus cable, the logger's last telegram",
                "Whether it has reached the highest value that it can show",
            ),
            caution=ELECTRICS,
        )
    ]


def _label(role: Role) -> str:
    return "Heat" if role.is_heat else "Electricity"


def _warm_days(beside: Pair) -> Flags:
    """Days on which the unit may cool rather than heat."""
    warm = np.nan_to_num(beside.outdoor, nan=0.0)
    hours = np.maximum(beside.by_day(np.isfinite(beside.outdoor)), 1.0)
    return np.asarray(beside.by_day(warm) / hours >= 20.0)


def _set_aside_days(seen: Seen, beside: Pair, roles: tuple[Role, ...], reason: str) -> Values:
    """Different hours of each local day of which readings were set aside for a reason."""
    own = seen.suspects.filter(
        pl.col("role").is_in([r.value for r in roles]) & (pl.col("reason") == reason)
    )
    return beside.by_day(beside.count(own) > 0)


def register_jumps(seen: Seen, off: frozenset[Role]) -> list[Finding]:
    """Readings that cannot be true, and registers whose course breaks, again and again.

    Between two readings of a register all energy is known however far apart they are (rule
    R1), so an hour that is missing among known ones is a break: a fall, a jump, or a contested
    reading.

    Parameters
    ----------
    off
        Roles that stand or are in a wrong unit, whose readings are refused for that.
    """
    latest = seen.slots["slot_start_utc"].max()
    if not isinstance(latest, datetime):
        return []
    begin = latest - timedelta(days=JUMP_DAYS)
    refused = _refused(seen, off, begin)
    broken = {
        role: at
        for role in sorted(seen.site.roles - off)
        if role.is_energy and len(at := _breaks(seen, role, begin)) >= LEAST_BREAKS
    }
    told = sorted({*(row["role"] for row in refused), *broken})
    if not told:
        return []
    times = [t for row in refused for t in (row["first"], row["last"])]
    times += [t for at in broken.values() for t in at]
    parts = [
        f"{row['count']} readings of '{row['role']}' on {row['days']} days were set aside ("
        + ", ".join(f"{why['count']} times {why['reason']}" for why in row["why"])
        + ")"
        for row in refused
    ] + [
        f"the course of '{role}' broke {len(at)} times, by a fall, by a jump that no system could "
        "make or by a contested reading, last on "
        f"{at[-1].astimezone(seen.site.tz):%-d %B %Y at %H:%M}"
        for role, at in broken.items()
    ]
    return [
        Finding(
            kind="register-jumps",
            topic=Topic.METER,
            title="A meter jumps again and again",
            what=f"In the last {JUMP_DAYS} days {'; '.join(parts)}. None of this is in any figure: "
            "what lies between is bridged or missing.",
            confidence=Confidence.LIKELY,
            since=min(times),
            window_start=min(times),
            window_end=max(times),
            roles=tuple(Role(role) for role in told),
            figures=(
                *(
                    Figure(name=f"readings set aside, {row['role']}", value=row["count"])
                    for row in refused
                ),
                *(Figure(name=f"breaks, {role}", value=len(at)) for role, at in broken.items()),
            ),
            evidence=tuple(_evidence(Role(role)) for role in told),
            check=(
                "Values that the meter or logger writes for a failed reading: declare them as "
                "sentinels in the profile",
                "Bus or radio: cable, termination, distance, two devices with one address",
                "Supply of the meter: a register that falls was reset, or has rolled over and "
                "its digits are not declared",
                "Whether two imports disagree, and which one is the correction",
            ),
            caution=ELECTRICS,
        )
    ]


def _refused(seen: Seen, off: frozenset[Role], begin: datetime) -> list[dict[str, Any]]:
    """Roles of which readings were set aside on several days: count, days and reasons."""
    local = pl.col("t_utc").dt.convert_time_zone(seen.site.zone).dt.date()
    return (
        seen.suspects.filter(
            ~pl.col("reason").is_in(NOT_JUMPS)
            & ~pl.col("role").is_in([r.value for r in off])
            & (pl.col("t_utc") > begin)
        )
        .group_by("role")
        .agg(
            pl.len().alias("count"),
            local.n_unique().alias("days"),
            pl.col("t_utc").min().alias("first"),
            pl.col("t_utc").max().alias("last"),
            pl.col("reason").value_counts(sort=True).alias("why"),
        )
        .filter((pl.col("count") >= LEAST_JUMPS) & (pl.col("days") >= LEAST_JUMP_DAYS))
        .sort("role")
        .to_dicts()
    )


def _breaks(seen: Seen, role: Role, begin: datetime) -> list[datetime]:
    """First missing hour of each break of a register's course."""
    if any(c.kind is not Kind.REGISTER for c in channels(seen.site, role)):
        return []
    known = seen.slots.filter((pl.col("role") == role.value) & (pl.col("slot_start_utc") > begin))
    hour = np.sort(known["slot_start_utc"].to_physical().to_numpy() // HOUR_US)
    stood = seen.suspects.filter((pl.col("role") == role.value) & (pl.col("reason") == STOOD))
    still = stood["t_utc"].to_physical().to_numpy() // HOUR_US
    hour = np.union1d(hour, still[still >= hour[0]] if len(hour) else still)
    after = hour[:-1][np.diff(hour) > 1] + 1
    fits = [f for f in seen.site.meter if any(c.role is role for c in f.channel)]
    moments = [
        seen.site.utc(t).timestamp() / 3600.0
        for fit in fits
        for t in (fit.fitted, fit.removed, fit.counts_from)
        if t is not None
    ]
    return [
        datetime.fromtimestamp(int(at) * 3600, UTC)
        for at in after.tolist()
        if all(abs(at - moment) > SWAP_H for moment in moments)
    ]


def _evidence(role: Role) -> Evidence:
    unit = "kWh" if role.is_energy else "m3/h" if role is Role.FLOW_RATE else "degC"
    return Evidence(
        of="slot" if role.is_energy else "state",
        name=role.value,
        label=role.value.replace("_", " "),
        unit=unit,
    )


def register_saturated(beside: Pair) -> list[Finding]:
    """Energy of the hour that is cut off at one exact value."""
    found = []
    for roles, values in ((beside.heat_roles, beside.heat), (beside.used_roles, beside.used)):
        top = _ceiling(beside, values)
        if top is not None:
            found.append((roles, *top))
    if not found:
        return []
    begin = min(since for _, _, _, since in found)
    since = beside.site.midnight(beside.days[begin])
    return [
        Finding(
            kind="register-saturated",
            topic=Topic.METER,
            title="A meter is cut off at its highest value",
            what=" ".join(
                f"In {hours} hours since {beside.days[day]:%-d %B %Y} the "
                f"{'heat' if roles[0].is_heat else 'electricity'} meter showed exactly "
                f"{most:.4g} kWh and never more: power above that is not counted."
                for roles, most, hours, day in found
            ),
            confidence=Confidence.LIKELY,
            since=since,
            window_start=since,
            window_end=None,
            roles=tuple(role for roles, _, _, _ in found for role in roles),
            figures=tuple(
                Figure(name=f"highest value, {roles[0].value}", value=most, unit="kWh")
                for roles, most, _, _ in found
            ),
            evidence=tuple(
                Evidence(
                    of="slot",
                    name=role.value,
                    label=_label(role),
                    unit="kWh",
                    band=(BandPoint(high=most),),
                )
                for roles, most, _, _ in found
                for role in roles
            ),
            check=(
                "Range of the meter, of its pulse output and of the logger's field",
                "Size of the meter and of its current transformers against the unit",
            ),
            caution=ELECTRICS,
        )
    ]


def _ceiling(beside: Pair, values: Values) -> tuple[float, int, int] | None:
    """The value at which hours are cut off, how many are, and the first local day of them."""
    known = values[np.isfinite(values)]
    if len(known) == 0 or known.max() <= 0:
        return None
    most = float(known.max())
    at_top = values >= most * (1.0 - ALIKE)
    smooth = ALIKE / NEAR_TOP * float((known >= (1.0 - NEAR_TOP) * most).sum())
    distinct = len(np.unique(np.round(known[known >= 0.5 * most], 6)))
    count = int(at_top.sum())
    if count < TOP_HOURS or count < TIMES_SMOOTH * smooth or distinct < LEAST_VALUES:
        return None
    return most, count, int(beside.day[np.argmax(at_top)] - beside.day[0])
