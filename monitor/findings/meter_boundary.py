"""Meters that count something else than the site file says."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.findings.finding import Confidence, Effect, Evidence, Finding, Seen, Topic
from monitor.findings.pair import LEAST_HOURS, Pair, Values, channels, counts, energy, step_kwh
from monitor.findings.standstill import ELECTRICS
from monitor.metrics.heat_check import K_95
from monitor.metrics.plausibility import Figure
from monitor.models import Consumer, Role

#: Hours with the backup heater on, and without it, and its electricity, kWh, from which its
#: share of the metered heat is told. Common practice, no source.
LEAST_BACKUP_H: Final = 24
LEAST_UNIT_H: Final = 100
LEAST_BACKUP_KWH: Final = 20.0
LEAST_HOUR_KWH: Final = 0.1

#: Part of the heater's electricity that the heat meter must count, or at most, before the
#: site file is doubted; and on which side of it the whole 95 % interval must lie. Common
#: practice, no source: the truth is none or all of it.
COUNTED_FROM: Final = 0.65
NOT_COUNTED_TO: Final = 0.35
BETWEEN: Final = 0.5

#: Standard uncertainty of the unit's own heat while the heater runs, relative: its COP is
#: told by other hours. Common practice, no source.
COP_U: Final = 0.06

#: Hours that are looked at, up to the newest with the heater on. Common practice, no source.
WINDOW_H: Final = 120 * 24

#: What a whole may lack of the sum of its parts, as a share of the sum, before one of them is
#: held to be outside: two limits of class B electricity meters, 2 % each (EN 50470-3, from
#: memory), and 1 % for hours cut at different moments.
PARTS_SHARE: Final = 0.05


def boundary_differs(seen: Seen, beside: Pair | None) -> list[Finding]:
    """Backup heat in the heat meter though not stated, or parts outside a meter of the whole."""
    heat = None if beside is None else _backup_heat(seen, beside)
    parts = _parts(seen)
    told = [x for x in (heat, parts) if x is not None]
    if not told:
        return []
    since = min(x.since for x in told)
    start = seen.site.midnight(date.fromordinal(date(1970, 1, 1).toordinal() + since))
    return [
        Finding(
            kind="boundary-differs",
            topic=Topic.METER,
            title="A meter counts something else than the site file says",
            what=" ".join(x.sentence for x in told),
            confidence=Confidence.LIKELY,
            since=start,
            window_start=start,
            window_end=seen.now,
            roles=tuple(role for x in told for role in x.roles),
            figures=tuple(figure for x in told for figure in x.figures),
            evidence=tuple(
                Evidence(of="slot", name=role.value, label=_label(role), unit="kWh")
                for x in told
                for role in (*x.roles, *x.beside)
            ),
            effect=next((x.effect for x in told if x.effect is not None), None),
            check=(
                "Where the meter sits: before or behind the heater, on which circuit",
                "'counts' of its channel in the site file; the boundary of the promise follows it",
                "Terms and settlement once the site file is right",
            ),
            caution=ELECTRICS,
        )
    ]


@dataclass(frozen=True)
class _Differs:
    """One meter that counts something else.

    Attributes
    ----------
    roles, beside
        The meter, and what it was held against.
    since
        Local day since 1970.
    """

    roles: tuple[Role, ...]
    beside: tuple[Role, ...]
    since: int
    sentence: str
    figures: tuple[Figure, ...]
    effect: Effect | None = None


def _label(role: Role) -> str:
    return role.value.replace("_", " ")


def _backup_heat(seen: Seen, beside: Pair) -> _Differs | None:
    """Tell by how much the metered heat rises for each kWh of the backup heater.

    The unit's own heat is its electricity times a COP that is linear in the outdoor
    temperature, from all hours; what remains goes with the heater or it does not.
    """
    site = seen.site
    if Role.ELEC_BACKUP not in site.roles or Consumer.BACKUP in beside.unmetered:
        return None
    stated = any(
        Consumer.BACKUP in (c.counts or ())
        for role in beside.heat_roles
        for c in channels(site, role)
    )
    count = len(beside.heat)
    backup = energy(seen, Role.ELEC_BACKUP, beside.first, count)
    known = np.isfinite(beside.heat + beside.used + beside.outdoor + backup)
    known &= beside.used >= beside.running_used
    last = np.flatnonzero(known & (backup >= LEAST_HOUR_KWH))
    if len(last) == 0:
        return None
    known[: max(int(last[-1]) + 1 - WINDOW_H, 0)] = False
    on = known & (backup >= LEAST_HOUR_KWH)
    spent = float(backup[on].sum())
    if on.sum() < LEAST_BACKUP_H or spent < LEAST_BACKUP_KWH:
        return None
    # Hours as cold as those with the heater tell the unit's COP best.
    mild = float(np.quantile(beside.outdoor[on], 0.9)) + 6.0
    used_hours = known & (beside.outdoor <= mild)
    if (used_hours & ~on).sum() < LEAST_UNIT_H:
        return None
    heat, used = beside.heat[used_hours], beside.used[used_hours]
    outside, extra = beside.outdoor[used_hours], backup[used_hours]
    design = np.column_stack((used, used * outside, extra))
    # Errors grow with the energy: each hour weighs by what the unit took.
    weight = 1.0 / used
    found = np.linalg.lstsq(design * weight[:, None], heat * weight, rcond=None)[0]
    part = float(found[2])
    off = (heat - design @ found) * weight
    u = float(
        np.hypot(
            _clustered(design * weight[:, None], off, beside.day[used_hours]),
            COP_U * float((design[:, :2] @ found[:2])[extra >= LEAST_HOUR_KWH].sum()) / spent,
        )
    )
    low, high = part - K_95 * u, part + K_95 * u
    counts_it = part >= COUNTED_FROM and low > BETWEEN
    leaves_it = part <= NOT_COUNTED_TO and high < BETWEEN
    if not (counts_it and not stated) and not (leaves_it and stated):
        return None
    first = int(beside.day[np.argmax(on)])
    says = (
        "though the site file says that it does not count it: the heater's heat is in the sum twice"
        if counts_it
        else "though the site file says that it counts it: the heater's heat is left out"
    )
    return _Differs(
        roles=beside.heat_roles,
        beside=(Role.ELEC_BACKUP,),
        since=first,
        sentence=(
            f"In {int(on.sum())} hours with the backup heater on, metered heat rose by "
            f"{part:.2f} kWh for each kWh of the heater (95 % interval {low:.2f} to {high:.2f}) "
            f"beyond what the unit's own electricity explains, {says}."
        ),
        figures=(
            Figure(name="backup heater", value=spent, unit="kWh"),
            Figure(name="heat for each kWh of the heater", value=part),
            Figure(name="lower end", value=low),
            Figure(name="upper end", value=high),
        ),
        effect=_effect(seen, beside, backup, -1.0 if counts_it else 1.0),
    )


def _clustered(design: Values, off: Values, day: npt.NDArray[np.int64]) -> float:
    """Standard uncertainty of the last coefficient; hours of one day are not independent."""
    inverse = np.linalg.pinv(design.T @ design)
    _, cluster = np.unique(day, return_inverse=True)
    score = np.zeros((int(cluster.max()) + 1, design.shape[1]))
    np.add.at(score, cluster, design * off[:, None])
    spread = inverse @ (score.T @ score) @ inverse
    return float(np.sqrt(spread[-1, -1]))


def _effect(seen: Seen, beside: Pair, backup: Values, sign: float) -> Effect | None:
    """SPF that the heater's heat adds to, or takes from, the period so far."""
    account = seen.standing.account
    terms = seen.site.current_terms
    if (
        account is None
        or account.spf is None
        or terms is None
        or terms.boundary not in {"H3", "H4"}
    ):
        return None
    at = (np.arange(len(backup)) + beside.first) * 3600
    inside = (at >= account.start_utc.timestamp()) & (at < account.end_utc.timestamp())
    spf = sign * float(np.nansum(np.where(inside, backup, 0.0))) / account.electricity_kwh
    ends = sorted((0.9 * spf, 1.1 * spf))
    return Effect(spf=spf, low=ends[0], high=ends[1], kwh_year=0.0)


def _parts(seen: Seen) -> _Differs | None:
    """Tell whether the meter of the whole shows less than the sum of its metered parts."""
    site = seen.site
    if Role.ELEC_TOTAL not in site.roles:
        return None
    whole = counts(site, Role.ELEC_TOTAL)
    parts = [
        role
        for role in (
            Role.ELEC_UNIT,
            Role.ELEC_SOURCE,
            Role.ELEC_BACKUP,
            Role.ELEC_IMMERSION,
            Role.ELEC_PUMPS,
        )
        if role in site.roles and counts(site, role) <= whole
    ]
    hour = seen.slots["slot_start_utc"].dt.epoch("s").to_numpy() // 3600
    if not parts or len(hour) == 0:
        return None
    first, count = int(hour.min()), int(hour.max() - hour.min()) + 1
    total = energy(seen, Role.ELEC_TOTAL, first, count)
    own = {role: energy(seen, role, first, count) for role in parts}
    summed = np.sum(list(own.values()), axis=0)
    day = (np.arange(count) + first) // 24
    known = np.isfinite(total) & np.isfinite(summed)
    at = day - day[0]
    number = np.bincount(at, weights=known)
    of_whole = np.bincount(at, weights=np.where(known, total, 0.0))
    of_parts = np.bincount(at, weights=np.where(known, summed, 0.0))
    steps = sum(step_kwh(c) for role in (*parts, Role.ELEC_TOTAL) for c in channels(site, role)[:1])
    judged = (number >= LEAST_HOURS) & (of_parts > 0)
    lacks = judged & (of_parts - of_whole > PARTS_SHARE * of_parts + steps)
    newest = np.flatnonzero(judged)[-14:]
    if len(newest) < 7 or lacks[newest].sum() < max(7, 0.6 * len(newest)):
        return None
    begin = int(np.argmax(lacks))
    short = float((of_parts - of_whole)[newest].sum())
    nearest = min(
        parts,
        key=lambda role: abs(
            short - float(np.where(known, own[role], 0.0)[np.isin(at, newest)].sum())
        ),
    )
    return _Differs(
        roles=(Role.ELEC_TOTAL,),
        beside=tuple(parts),
        since=int(day[0]) + begin,
        sentence=(
            f"On {int(lacks[newest].sum())} of the newest {len(newest)} days the meter of the "
            f"whole showed less than the sum of its parts, {short:.1f} kWh in all; that is "
            f"nearest to what '{nearest}' shows. A part that the site file says it counts passes "
            "it by."
        ),
        figures=(
            Figure(name="meter of the whole", value=float(of_whole[newest].sum()), unit="kWh"),
            Figure(name="sum of its parts", value=float(of_parts[newest].sum()), unit="kWh"),
        ),
    )
