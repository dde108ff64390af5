"""Heat beside the electricity that makes it, hour by hour, as a home's meters show both."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from monitor.findings.finding import Seen
from monitor.findings.spells import LEAST_DAYS, OF_LAST, SHARE, Spell, spell
from monitor.metrics.boundary import RESISTIVE
from monitor.metrics.courses import HOUR_US, KWH_PER_UNIT
from monitor.metrics.daily import LONGEST_SPREAD_H
from monitor.metrics.slots import MEASURED
from monitor.metrics.stuck import HEAT
from monitor.models import Channel, Consumer, Kind, Role, Site

Values = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]

#: How the account says that a stream stood at zero for a day on which the other moved.
STOOD: Final = "stood still all day while the other meter moved"

#: Hours of a day that must be known of both meters. Common practice, no source.
LEAST_HOURS: Final = 18

#: Heat and electricity of an hour from which the unit runs, as shares of its nominal output,
#: and least electricity, kWh. A compressor at its lowest speed makes a fifth of its nominal
#: heat or more; controls, pump and crankcase heater take 0.02 to 0.12 kW. Common practice, no
#: source.
RUNNING_HEAT: Final = 0.10
RUNNING_USED: Final = 0.04
LEAST_USED_KWH: Final = 0.15

#: Heat or electricity of an hour that counts as none, as a share of the nominal output.
#: Common practice, no source.
NOTHING: Final = 0.005

_RESISTIVE_ROLES: Final = {
    Consumer.BACKUP: Role.ELEC_BACKUP,
    Consumer.IMMERSION: Role.ELEC_IMMERSION,
}

#: Smallest step of an interval or power channel that states none, kWh. Common practice, no
#: source.
FINE_KWH: Final = 0.01

#: Hours that tell of clocks, largest shift that is looked for, hours, and the correlation that
#: it must gain before stamps are held to explain what two meters show. Common practice, no
#: source.
LEAST_CLOCK_H: Final = 48
MOST_SHIFT_H: Final = 8
SHIFT_GAIN: Final = 0.1

_EPOCH: Final = date(1970, 1, 1).toordinal()


@dataclass(frozen=True)
class Pair:
    """The two streams that rise and fall together, on one grid of UTC hours.

    Attributes
    ----------
    first
        First hour, since 1970.
    heat_roles, used_roles
        What the heat is the sum of, and the electricity meter of the unit.
    heat, used
        kWh of each measured hour, 0 where the account set the hour aside because the stream
        stood still; NaN where not measured. Electricity is without separately metered
        resistive heaters.
    heat_spread, used_spread
        The same with bridged blocks of up to a day spread over their hours.
    resistive
        Separately metered electricity of resistive heaters; 0 where there is none.
    unmetered
        Resistive heaters that the electricity may hold unseen.
    outdoor
        degC, NaN where not known.
    day, hour
        Local day since 1970 and local hour of the day.
    """

    site: Site
    first: int
    heat_roles: tuple[Role, ...]
    used_roles: tuple[Role, ...]
    heat: Values
    used: Values
    heat_spread: Values
    used_spread: Values
    resistive: Values
    unmetered: frozenset[Consumer]
    outdoor: Values
    day: Whole
    hour: Whole

    @property
    def nominal(self) -> float:
        """Nominal heat output, kW."""
        return self.site.heat_pump.nominal_heat_kw

    @property
    def running_heat(self) -> float:
        """Heat of an hour from which the unit runs, kWh."""
        return RUNNING_HEAT * self.nominal

    @property
    def running_used(self) -> float:
        """Electricity of an hour from which the unit runs, kWh."""
        return max(RUNNING_USED * self.nominal, LEAST_USED_KWH)

    @property
    def nothing(self) -> float:
        """Energy of an hour that counts as none, kWh."""
        return NOTHING * self.nominal

    @property
    def days(self) -> list[date]:
        """The local days of the grid."""
        first, last = int(self.day[0]), int(self.day[-1])
        return [date.fromordinal(_EPOCH + n) for n in range(first, last + 1)]

    def by_day(self, values: Values | Flags) -> Values:
        """Sum of each local day; NaN counts 0."""
        return np.bincount(self.day - self.day[0], weights=np.nan_to_num(values)).astype(float)

    def count(self, aside: pl.DataFrame) -> Values:
        """Readings set aside in each hour."""
        at = aside["t_utc"].to_physical().to_numpy() // HOUR_US - self.first
        inside = (at >= 0) & (at < len(self.heat))
        return np.bincount(at[inside], minlength=len(self.heat)).astype(float)

    def placed(self, seen: Seen, roles: tuple[Role, ...]) -> Flags:
        """Hours in which every one of some streams is known, if only inside a bridged block."""
        own = seen.slots.filter(pl.col("role").is_in([r.value for r in roles]))
        stood = seen.suspects.filter(
            pl.col("role").is_in([r.value for r in roles]) & (pl.col("reason") == STOOD)
        )
        at = own["slot_start_utc"].to_physical().to_numpy() // HOUR_US - self.first
        return (np.bincount(at, minlength=len(self.heat)) + self.count(stood)) >= len(roles)

    def clocks_differ(self, hours: Flags) -> bool:
        """Whether heat goes better with the electricity of some hours before or after."""
        hours = hours & np.isfinite(self.heat + self.used)
        if hours.sum() < LEAST_CLOCK_H:
            return False

        def together(shift: int) -> float:
            both = hours & np.roll(hours, shift)
            x, y = self.heat[both], np.roll(self.used, shift)[both]
            x, y = x - x.mean(), y - y.mean()
            size = float(np.sqrt((x @ x) * (y @ y)))
            return float(x @ y) / size if size > 0 else 0.0

        unshifted = together(0)
        shifts = [n for n in range(-MOST_SHIFT_H, MOST_SHIFT_H + 1) if n]
        return max(together(n) for n in shifts) > unshifted + SHIFT_GAIN

    def shows(
        self,
        judged: Flags,
        shown: Flags,
        *,
        of_last: int = OF_LAST,
        least_days: int = LEAST_DAYS,
        share: float = SHARE,
    ) -> Spell | None:
        """The spell up to the newest judged day, from flags of each local day."""
        frame = pl.DataFrame(
            {"day": self.days, "judged": judged, "shown": shown},
            schema={"day": pl.Date, "judged": pl.Boolean, "shown": pl.Boolean},
        )
        flag = pl.when("judged").then("shown")
        return spell(frame, flag, of_last=of_last, least_days=least_days, share=share)

    def since(self, found: Spell) -> Flags:
        """Hours from the first local day of a spell to its last."""
        first = found.since.toordinal() - _EPOCH
        last = found.until.toordinal() - _EPOCH
        return np.asarray((self.day >= first) & (self.day <= last))

    def days_of(self, found: Spell) -> Flags:
        """Local days from the first of a spell to its last."""
        at = np.arange(int(self.day[-1] - self.day[0]) + 1) + int(self.day[0]) + _EPOCH
        return np.asarray((at >= found.since.toordinal()) & (at <= found.until.toordinal()))

    def step(self, roles: tuple[Role, ...]) -> float:
        """Smallest step that streams show, kWh."""
        return max(step_kwh(channel) for role in roles for channel in channels(self.site, role))


def channels(site: Site, role: Role) -> list[Channel]:
    """Channels of a role, one a meter fit."""
    return [c for fit in site.meter for c in fit.channel if c.role is role]


def step_kwh(channel: Channel) -> float:
    """Smallest step that an energy channel shows, kWh."""
    unit = KWH_PER_UNIT.get(channel.unit, 1.0)
    if channel.resolution is not None:
        return channel.resolution * unit
    if channel.decimals is not None:
        return float(10.0**-channel.decimals * unit)
    return 1.0 if channel.kind is Kind.REGISTER else FINE_KWH


def pair(seen: Seen) -> Pair | None:
    """Lay the meters of a home side by side.

    Returns
    -------
    Pair or None
        None where the heat of rooms and water, or the electricity of the unit, has no meter.
    """
    site, roles = seen.site, seen.site.roles
    heat_roles = next((tuple(r) for r in HEAT if roles.issuperset(r)), None)
    used = next((r for r in (Role.ELEC_UNIT, Role.ELEC_TOTAL) if r in roles), None)
    if heat_roles is None or used is None:
        return None
    hour = seen.slots["slot_start_utc"].to_physical().to_numpy() // HOUR_US
    if len(hour) == 0:
        return None
    first, count = int(hour.min()), int(hour.max() - hour.min()) + 1
    frame = seen.slots.with_columns(pl.Series("hour", hour - first))

    def of(role: Role) -> tuple[Values, Values]:
        return _stream(seen, frame, role, first, count)

    heats = [of(role) for role in heat_roles]
    used_hour, used_spread = of(used)
    counted = counts(site, used)
    resistive = np.zeros(count)
    unmetered = set(counted & RESISTIVE)
    for consumer, role in _RESISTIVE_ROLES.items():
        if role not in roles:
            continue
        own, own_spread = of(role)
        resistive = resistive + own_spread
        if consumer in counted:
            used_hour, used_spread = used_hour - own, used_spread - own_spread
            unmetered.discard(consumer)
    local = (
        pl.Series((np.arange(count) + first) * HOUR_US)
        .cast(pl.Datetime("us", "UTC"))
        .dt.convert_time_zone(site.zone)
    )
    return Pair(
        site=site,
        first=first,
        heat_roles=heat_roles,
        used_roles=(used,),
        heat=np.sum([h for h, _ in heats], axis=0),
        used=used_hour,
        heat_spread=np.sum([s for _, s in heats], axis=0),
        used_spread=used_spread,
        resistive=resistive,
        unmetered=frozenset(unmetered),
        outdoor=state(seen, Role.OUTDOOR_TEMP, first, count),
        day=local.dt.date().to_physical().to_numpy().astype(np.int64),
        hour=local.dt.hour().to_numpy().astype(np.int64),
    )


def state(seen: Seen, role: Role, first: int, count: int) -> Values:
    """Hourly means of a plain quantity on a grid of hours; NaN where not known."""
    own = seen.states.filter((pl.col("role") == role.value) & (pl.col("covered") > 0))
    out = np.full(count, np.nan)
    at = own["slot_start_utc"].to_physical().to_numpy() // HOUR_US - first
    inside = (at >= 0) & (at < count)
    out[at[inside]] = own["mean"].to_numpy()[inside]
    return out


def energy(seen: Seen, role: Role, first: int, count: int) -> Values:
    """Measured energy of one stream on a grid of hours, kWh; NaN where not measured."""
    own = seen.slots.filter((pl.col("role") == role.value) & (pl.col("status") == MEASURED))
    out = np.full(count, np.nan)
    at = own["slot_start_utc"].to_physical().to_numpy() // HOUR_US - first
    inside = (at >= 0) & (at < count)
    out[at[inside]] = own["kwh"].to_numpy()[inside]
    return out


def _stream(
    seen: Seen, frame: pl.DataFrame, role: Role, first: int, count: int
) -> tuple[Values, Values]:
    """Measured hours of a stream, and the same with short bridged blocks spread."""
    length = (pl.col("block_end_utc") - pl.col("block_start_utc")).dt.total_hours()
    own = frame.filter(pl.col("role") == role.value).select(
        "hour", "kwh", (pl.col("block_kwh") / length).alias("even"), length.alias("length")
    )
    at = own["hour"].to_numpy()
    measured, spread = np.full(count, np.nan), np.full(count, np.nan)
    measured[at] = own["kwh"].to_numpy()
    spread[at] = np.where(own["length"].to_numpy() <= LONGEST_SPREAD_H, own["even"], np.nan)
    stood = seen.suspects.filter((pl.col("role") == role.value) & (pl.col("reason") == STOOD))
    still = stood["t_utc"].to_physical().to_numpy() // HOUR_US - first
    still = still[(still >= 0) & (still < count)]
    measured[still] = spread[still] = 0.0
    return measured, spread


def counts(site: Site, role: Role) -> frozenset[Consumer]:
    """Consumers that an electricity meter is said to count."""
    stated = [c.counts for c in channels(site, role) if c.counts is not None]
    if stated:
        return frozenset(stated[-1])
    pump = site.heat_pump
    if role is Role.ELEC_TOTAL:
        return pump.consumers
    if role is Role.ELEC_UNIT and pump.source_drive == "in_unit":
        return frozenset({Consumer.UNIT, Consumer.SOURCE})
    return frozenset({_OWN[role]})


_OWN: Final = {
    Role.ELEC_UNIT: Consumer.UNIT,
    Role.ELEC_SOURCE: Consumer.SOURCE,
    Role.ELEC_BACKUP: Consumer.BACKUP,
    Role.ELEC_IMMERSION: Consumer.IMMERSION,
    Role.ELEC_PUMPS: Consumer.PUMPS,
}
