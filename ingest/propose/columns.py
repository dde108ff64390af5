"""Role and kind of each column: by its name, its unit, and how its values run."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Final

from ingest.profile import MbusRecord
from ingest.propose.behaviour import MANY_RISES, Run
from ingest.propose.model import Guess
from ingest.propose.units import by_magnitude, dimension_of_unit
from ingest.propose.words import (
    ENERGY,
    FLOW,
    TEMPERATURE,
    Named,
    is_of_no_role,
    named_roles,
    plain_words,
)
from monitor.models import Kind, MeterFit, Role, Site

POWER: Final = "power"
_POWER_WORDS: Final = re.compile(
    r"power|leistung|puissance|vermogen|effekt|effect|potenza|potencia|\bwatt|\bkw\b"
)
_ENERGY_WORDS: Final = re.compile(r"energ|\barbeit|zahlerstand|meterstand|\bregister\b|\bmenge")
_END_WORDS: Final = re.compile(r"\bend|\bbis\b|\bfin\b|eind|\bslut|\bto\b|\btot\b|\btil\b|hasta")
_START_WORDS: Final = re.compile(
    r"start|begin|\bvon\b|\bfrom\b|debut|\bvan\b|\bfra\b|\bdesde\b|inizio|inicio"
)


@dataclass
class Seen:
    """One column, point or record, and what has been told of it so far.

    Attributes
    ----------
    unit
        As the file states it; empty where it does not.
    states_unit
        True where files of the format state the unit themselves, so that a profile need not.
    states_length
        True where they state the length and the end of an interval, too.
    role, kind
        Where the format itself says so.
    called
        Part of the name that says what it is, where the rest says where it stands.
    given
        What a person has said: `role`, `kind`, `unit`, `stamp` ...
    """

    name: str
    run: Run
    unit: Guess = field(default_factory=Guess)
    states_unit: bool = False
    states_length: bool = False
    serial: str | None = None
    record: MbusRecord | None = None
    role: Guess = field(default_factory=Guess)
    kind: Guess = field(default_factory=Guess)
    given: dict[str, str] = field(default_factory=dict)
    dimension: str | None = None
    interval_s: int | None = None
    stamp: str | None = None
    left_out: str = ""
    called: str = ""

    @property
    def words(self) -> str:
        """What is looked at for words."""
        return self.called or self.name

    def said(self, key: str) -> str | None:
        """What a person has said of the column."""
        return self.given.get(key)


def tell_kinds(seen: list[Seen], site: Site | None) -> None:
    """Fill in unit, dimension and kind of every column, as far as they can be told."""
    for one in seen:
        unit = one.said("unit")
        if unit is not None:
            one.unit = Guess(value=unit, confidence=1.0, reasons=("You said so.",))
        one.dimension = dimension_of_unit(one.unit.value) if one.unit.value else None
        if one.dimension is None:
            one.dimension = _dimension(one)
        if one.unit.value is None and one.dimension in (TEMPERATURE, FLOW, POWER):
            one.unit = by_magnitude(one.dimension, one.run.values)
        kind = one.said("kind")
        if kind is not None:
            one.kind = Guess(value=kind, confidence=1.0, reasons=("You said so.",))
        elif one.kind.value is None:
            one.kind = _kind(one, site)


def _dimension(one: Seen) -> str | None:
    """Tell energy, power, temperature or flow without a unit: by the name, then by the run."""
    words = plain_words(one.words)
    run = one.run
    if is_of_no_role(one.words) is not None or not run.count:
        return None
    said = one.said("role")
    if said is not None and said in set(Role):
        role = Role(said)
        if role is Role.FLOW_RATE:
            return FLOW
        if not role.is_energy:
            return TEMPERATURE
        return POWER if one.said("kind") == "power" else ENERGY
    if _POWER_WORDS.search(words) and not run.climbs:
        return POWER
    if run.climbs and run.rises >= MANY_RISES:
        return ENERGY
    low, high = float(run.values.min()), float(run.values.max())
    if _ENERGY_WORDS.search(words):
        return ENERGY
    if re.search(r"\btemp|temperatur|\bt\b|\bdegc?\b", words):
        return TEMPERATURE
    named = named_roles(one.words, None)
    energy = [n for n in named if n.role.is_energy]
    states = [n for n in named if not n.role.is_energy]
    if states and any(n.role is Role.FLOW_RATE for n in states):
        # Water flows at some m3/h, l/min or l/h; it is at most some tens of degrees.
        temperatures = [n for n in states if n.role is not Role.FLOW_RATE]
        return TEMPERATURE if temperatures and 5.0 < run.mean < 70.0 and low > -5 else FLOW
    if states and (not energy or (low >= -40.0 and high <= 120.0 and low != 0.0)):
        return TEMPERATURE
    if energy:
        return ENERGY
    if -45.0 <= low < -0.5 and high <= 110.0:
        return TEMPERATURE
    return None


def _kind(one: Seen, site: Site | None) -> Guess:
    run = one.run
    if one.dimension in (TEMPERATURE, FLOW):
        return Guess(value="state", confidence=0.97, reasons=("A temperature or flow is a state.",))
    if one.dimension == POWER:
        if run.climbs and run.rises >= MANY_RISES:
            return Guess(
                value="power",
                confidence=0.4,
                reasons=("The unit is one of power, but the values only go up, as a register's.",),
            )
        return Guess(value="power", confidence=0.95, reasons=("The unit is one of power.",))
    if one.dimension != ENERGY:
        return Guess(reasons=("It is neither energy, power, temperature nor flow.",))
    if run.climbs:
        many = run.rises >= MANY_RISES
        return Guess(
            value="register",
            confidence=0.97 if many else 0.85,
            reasons=(
                f"The values go up {run.rises:,} times and down {run.falls:,} times, as a "
                "register's do.",
            ),
        )
    if run.stands:
        kinds = _site_kinds(one, site)
        value = kinds.pop() if len(kinds) == 1 else _standing(run)
        return Guess(
            value=value,
            confidence=0.6,
            reasons=("The value never changes, so that its kind cannot be told by it.",),
        )
    return Guess(
        value="interval",
        confidence=0.9 if run.falls >= MANY_RISES else 0.7,
        reasons=(
            f"The values go up {run.rises:,} and down {run.falls:,} times: energy of intervals.",
        ),
    )


def _standing(run: Run) -> str:
    return "interval" if run.count and float(run.values[0]) == 0.0 else "register"


def _site_kinds(one: Seen, site: Site | None) -> set[str]:
    """Kinds that the site's meters have for the likeliest role of a name."""
    if site is None:
        return set()
    named = named_roles(one.words, ENERGY)
    return {
        channel.kind.value
        for fit in site.meter
        for channel in fit.channel
        if named and channel.role is named[0].role
    }


def tell_roles(seen: list[Seen], site: Site | None) -> None:
    """Give every column the role that fits it best, each role once."""
    taken: set[tuple[Role, str | None]] = set()
    open_: list[tuple[float, int, Named, str]] = []
    for index, one in enumerate(seen):
        said = one.said("role")
        if said is not None:
            leaves = said == "none"
            one.role = Guess(
                value=None if leaves else said, confidence=1.0, reasons=("You said so.",)
            )
            one.left_out = "You said so." if leaves else ""
            if not leaves and said in set(Role):
                taken.add((Role(said), one.serial))
            continue
        if one.role.value is not None:
            open_.append((one.role.confidence, index, Named(Role(one.role.value), 1.0, ""), ""))
            continue
        if one.kind.value is None or not one.run.count:
            word = is_of_no_role(one.words)
            why = f"'{word}' is no quantity that has a role." if word else one.kind.reasons[-1]
            one.left_out = why if one.run.count else "It holds no numbers."
            continue
        dimension = ENERGY if one.dimension == POWER else one.dimension
        open_ += [(n.confidence, index, n, n.word) for n in _candidates(one, dimension, site)]
    for confidence, index, named, word in sorted(open_, key=lambda o: (-o[0], o[1])):
        one = seen[index]
        if one.left_out or (one.role.value is not None and word):
            continue
        key = (named.role, one.serial)
        if key in taken:
            continue
        if one.role.value is None:
            why = f"'{word}' in '{one.name}' speaks for it."
            one.role = Guess(
                value=named.role.value, confidence=round(confidence, 2), reasons=(why,)
            )
        taken.add(key)
    for one in seen:
        if one.role.value is None and not one.left_out:
            one.left_out = "Its name does not say what it is."
    _by_size(seen, taken, site)


def _candidates(one: Seen, dimension: str | None, site: Site | None) -> list[Named]:
    """Roles that a name may speak for, held against what the site's meters measure."""
    named = named_roles(one.words, dimension)
    if site is None:
        return named
    fits = [fit for fit in site.meter if one.serial is not None and fit.serial == one.serial]
    roles = _roles(fits or list(site.meter))
    held = [n for n in named if n.role in roles]
    best = held[0].confidence if held else 0.0
    if held and best >= 0.7:
        return [Named(n.role, min(n.confidence + 0.05, 0.97), n.word) for n in held]
    for group in ("heat_", "elec_"):
        mine = [n for n in named if n.role.value.startswith(group)]
        there = [role for role in roles if role.value.startswith(group)]
        if mine and len(there) == 1 and there[0] not in {n.role for n in held}:
            held.append(Named(there[0], 0.72, mine[0].word))
    if not held and fits and dimension is not None:
        own = [role for role in roles if _dimension_of(role) == dimension]
        if len(own) == 1:
            held.append(Named(own[0], 0.8, f"meter {one.serial}"))
    if not held and named:
        one.left_out = (
            f"'{named[0].word}' speaks for {named[0].role}, but no meter of this site measures it."
        )
    return held


def _dimension_of(role: Role) -> str:
    return ENERGY if role.is_energy else FLOW if role is Role.FLOW_RATE else TEMPERATURE


def _roles(fits: list[MeterFit]) -> list[Role]:
    return sorted({channel.role for fit in fits for channel in fit.channel})


def _by_size(seen: list[Seen], taken: set[tuple[Role, str | None]], site: Site | None) -> None:
    """Tell two nameless registers apart: a heat pump gives more heat than it takes."""
    if any(role.is_energy for role, _ in taken):
        return
    nameless = [
        one
        for one in seen
        if one.role.value is None
        and one.left_out == "Its name does not say what it is."
        and one.dimension == ENERGY
        and one.kind.value == "register"
        and (one.run.per_hour or 0.0) > 0
    ]
    if len(nameless) != 2:
        return
    less, more = sorted(nameless, key=lambda one: one.run.per_hour or 0.0)
    for one, group, usual in ((more, "heat_", Role.HEAT_TOTAL), (less, "elec_", Role.ELEC_TOTAL)):
        role = usual
        if site is not None:
            own = [r for r in sorted(site.roles) if r.value.startswith(group)]
            if len(own) != 1:
                continue
            role = own[0]
        one.left_out = ""
        one.role = Guess(
            value=role.value,
            confidence=0.45,
            reasons=(
                "No name says so: of two registers the one that goes up faster should be heat.",
            ),
        )


def tell_intervals(
    seen: list[Seen], time_name: str, first_us: int | None, last_us: int | None
) -> str | None:
    """Fill in length and stamp of interval columns; give why the stamp is doubtful, if it is.

    Parameters
    ----------
    first_us, last_us
        First and last time of the file as written, in microseconds.
    """
    doubt = None
    for one in seen:
        if one.kind.value != "interval" or one.role.value is None or one.states_length:
            continue
        length = one.said("interval")
        if length is not None and length.isdecimal():
            one.interval_s = int(length)
        elif one.run.step_s and one.run.regular:
            one.interval_s = round(one.run.step_s)
        said = one.said("stamp")
        if said is not None:
            one.stamp = said
            continue
        one.stamp, why, sure = _stamp(
            plain_words(f"{time_name} {one.words}"), one.interval_s, first_us, last_us
        )
        one.kind = one.kind.model_copy(update={"reasons": (*one.kind.reasons, why)})
        if not sure:
            doubt = why
    return doubt


def _stamp(
    words: str, length: int | None, first_us: int | None, last_us: int | None
) -> tuple[str, str, bool]:
    if _END_WORDS.search(words):
        return "end", "The time column speaks of the end.", True
    if _START_WORDS.search(words):
        return "start", "The time column speaks of the start.", True
    if length and first_us is not None and last_us is not None:
        day = 86_400
        begins, ends = first_us // 1_000_000 % day, last_us // 1_000_000 % day
        if begins == length % day and ends == 0:
            return "end", "The file begins one interval after midnight and ends at midnight.", True
        if begins == 0 and ends == day - length:
            return "start", "The file begins at midnight and ends one interval before it.", True
    why = "Nothing says whether a time is the start or the end of its interval; start was taken."
    return "start", why, False


__all__ = ["Kind", "Seen", "tell_intervals", "tell_kinds", "tell_roles"]
