"""The catalogue's records: what a home is, how it is metered and what was promised."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from demo_telemetry.faults import Trouble
from demo_telemetry.house import House
from demo_telemetry.meters import Channel, Meter
from demo_telemetry.simulate import Plant

Layout = Literal["logger", "portal", "points", "halfhour", "mbus"]


@dataclass(frozen=True)
class Export:
    """One kind of file that a home's logger or portal gives.

    Attributes
    ----------
    name
        Stem of its files and of its profile.
    layout
        See `demo_telemetry.export`.
    every_min
        Minutes between rows.
    roles
        What is in it.
    jitter_s
        Rows come up to this many seconds late.
    overlap_days
        Monthly files that each run this many days into the next month; None is one file.
    blank_cells
        True where a hole leaves rows with empty cells and not missing rows.
    doubled_rows, corrupt_lines
        How many rows stand twice, and how many lines are damaged.
    """

    name: str
    layout: Layout
    every_min: int
    roles: tuple[str, ...]
    jitter_s: int = 0
    overlap_days: int | None = None
    blank_cells: bool = False
    doubled_rows: int = 0
    corrupt_lines: int = 0


@dataclass(frozen=True)
class Holes:
    """How much of a home's data is lost.

    Attributes
    ----------
    share, mean_hours
        Random holes in everything.
    long_days, long_at
        One long outage, and when, as a share of the span.
    role_share, role_hours, roles
        Random holes in some roles only.
    """

    share: float = 0.004
    mean_hours: float = 5.0
    long_days: float = 0.0
    long_at: float = 0.5
    role_share: float = 0.0
    role_hours: float = 60.0
    roles: tuple[str, ...] = ()


@dataclass(frozen=True)
class Promise:
    """What the installer signed.

    Attributes
    ----------
    after_months
        Whole months between the start of the data and the start of the guarantee.
    weather_allowance
        True where the SPF moved to the reference climate decides.
    hot_water_kwh_day, room_c
        What was taken for granted; None where the papers do not say.
    """

    spf: float
    boundary: Literal["H1", "H2", "H3", "H4"]
    months: int = 12
    decision: Literal["simple", "guarded"] = "simple"
    guard_factor: float = 1.0
    minimum_coverage: float = 0.9
    after_months: int = 1
    conditions: tuple[str, ...] = ()
    weather_allowance: bool = False
    hot_water_kwh_day: float | None = None
    room_c: float | None = None


@dataclass(frozen=True)
class Before:
    """What heated a home before.

    Attributes
    ----------
    yearly_kwh
        Fuel of past years, as bills count it.
    """

    fuel: Literal["gas", "oil"]
    installed: int
    price: float
    standing: float = 0.0
    yearly_kwh: tuple[float, ...] = ()
    cooks: bool = False


@dataclass(frozen=True)
class Visit:
    """An event of the site file.

    Attributes
    ----------
    share
        When, as a share of the span.
    """

    share: float
    note: str
    what: Literal["visit", "outage"] = "visit"


@dataclass(frozen=True)
class Home:
    """One home of the fleet.

    Attributes
    ----------
    looks
        Why a home that is fine may look bad at first sight; empty for the others.
    heating
        False where space heating has not been switched on yet.
    last_days
        Length of the data where the home joined late; None is the whole span.
    """

    id: str
    title: str
    place: str
    area: str
    team: str
    designer: str
    owner: str
    email: str
    house: House
    plant: Plant
    meters: tuple[Meter, ...]
    exports: tuple[Export, ...]
    promise: Promise
    price: float
    standing: float = 0.55
    currency: str = "GBP"
    zone: str = "Europe/London"
    trouble: Trouble | None = None
    looks: str = ""
    holes: Holes = Holes()
    heating: bool = True
    last_days: int | None = None
    visit: Visit | None = None
    before: Before | None = None


def counted_parts(home: Home, channel: Channel) -> tuple[str, ...]:
    """Give the booked parts a channel counts: an inline heater may lie before the heat meter."""
    inline = channel.role == "heat_total" and home.plant.heat_meter_counts_backup
    if inline and home.plant.backup_kw:
        return (*channel.parts, "backup")
    # A pump that is fed from the unit is booked there.
    return tuple(part for part in channel.parts if part != "pumps" or home.plant.pumps_apart)


def heat(role: str = "heat_total", **more: object) -> Channel:
    """Heat register; `parts` follow from the role."""
    parts = {
        "heat_total": ("space", "dhw"),
        "heat_space": ("space",),
        "heat_dhw": ("dhw",),
    }[role]
    return Channel(role=role, **{"parts": parts, **more})  # type: ignore[arg-type]


def elec(role: str, *parts: str, **more: object) -> Channel:
    """Electricity channel that counts the named consumers."""
    return Channel(role=role, parts=parts, **more)  # type: ignore[arg-type]


def temperature(role: str, **more: object) -> Channel:
    """Temperature sensor, in tenths of a degree."""
    fixed = {"parts": (role,), "kind": "state", "unit": "degC", "step": 0.1}
    return Channel(role=role, **{**fixed, **more})  # type: ignore[arg-type]


def flow_rate(**more: object) -> Channel:
    """Flow sensor, m3/h."""
    fixed = {"parts": ("flow_rate",), "kind": "state", "unit": "m3/h", "step": 0.001}
    return Channel(role="flow_rate", **{**fixed, **more})  # type: ignore[arg-type]


def heat_meter(serial: str, *channels: Channel, swap: tuple[str, float] | None = None) -> Meter:
    """Heat meter of class 2."""
    return Meter(
        serial,
        "heat",
        channels,
        "2",
        swap_serial=swap[0] if swap else None,
        swap_share=swap[1] if swap else 0.0,
    )


def electricity_meter(serial: str, *channels: Channel) -> Meter:
    """Electricity meter of class B."""
    return Meter(serial, "electricity", channels, "B")


def sensors(serial: str, *channels: Channel) -> Meter:
    """Temperature and flow sensors of a logger."""
    return Meter(serial, "sensors", channels)
