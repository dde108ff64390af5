"""What is said about a site: meters, terms, tariffs and events, as validated records.

One TOML file describes one site; `site_from_toml` reads it. Every model is frozen
and refuses keys that it does not know, so a slip of the pen is an error with the
key's name and not a setting that silently does nothing.
"""

from __future__ import annotations

import re
import tomllib
from datetime import date, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, Literal, Self, TypeVar
from zoneinfo import ZoneInfo

from pydantic import Field, ValidationError, field_validator, model_validator

from monitor.errors import DescriptionError
from monitor.record import Finite as Finite
from monitor.record import Identifier as Identifier
from monitor.record import NotNegative as NotNegative
from monitor.record import Positive as Positive
from monitor.record import Record as Record
from monitor.record import ZoneName as ZoneName
from monitor.tariffs import Boiler as Boiler
from monitor.tariffs import CarbonFactor as CarbonFactor
from monitor.tariffs import FuelTariff as FuelTariff
from monitor.tariffs import PastBills as PastBills
from monitor.tariffs import PriceBand as PriceBand
from monitor.tariffs import Tariff as Tariff
from monitor.terms import Assumption as Assumption
from monitor.terms import Boundary as Boundary
from monitor.terms import Expectation as Expectation
from monitor.terms import RatedPoint as RatedPoint
from monitor.terms import Terms as Terms


class Role(StrEnum):
    """What a channel measures at a site."""

    HEAT_TOTAL = "heat_total"
    HEAT_SPACE = "heat_space"
    HEAT_DHW = "heat_dhw"
    ELEC_UNIT = "elec_unit"
    ELEC_SOURCE = "elec_source"
    ELEC_BACKUP = "elec_backup"
    ELEC_IMMERSION = "elec_immersion"
    ELEC_PUMPS = "elec_pumps"
    ELEC_TOTAL = "elec_total"
    FLOW_TEMP = "flow_temp"
    RETURN_TEMP = "return_temp"
    FLOW_RATE = "flow_rate"
    OUTDOOR_TEMP = "outdoor_temp"
    ROOM_TEMP = "room_temp"
    DHW_TEMP = "dhw_temp"
    SOURCE_TEMP = "source_temp"

    @property
    def is_heat(self) -> bool:
        """True where the role is heat energy."""
        return self.value.startswith("heat_")

    @property
    def is_electricity(self) -> bool:
        """True where the role is electrical energy."""
        return self.value.startswith("elec_")

    @property
    def is_energy(self) -> bool:
        """True where the role is an energy stream, and not a plain quantity."""
        return self.is_heat or self.is_electricity


class Kind(StrEnum):
    """How a channel's values relate to time."""

    REGISTER = "register"
    INTERVAL = "interval"
    POWER = "power"
    STATE = "state"


class Consumer(StrEnum):
    """Parts of a system that use electricity; an electricity meter counts a set of them."""

    UNIT = "unit"
    SOURCE = "source"
    BACKUP = "backup"
    IMMERSION = "immersion"
    PUMPS = "pumps"


class Channel(Record):
    """One measured quantity of one meter fit, of one kind.

    Attributes
    ----------
    role, kind
        What is measured, and whether it comes as `register` (cumulative),
        `interval` (energy in a stated interval), `power` or `state`.
    unit
        Unit of the register on the meter's face (kWh, MWh, GJ ...); only used to read
        `digits`, `decimals` and the register values of a swap. Exports state their own.
    digits, decimals
        Number of digits of the register in all, and of those behind the point; with
        `digits` a fall through zero is a rollover, without it is a reset.
    resolution
        Smallest step of the register in `unit`; default from `decimals`, else 1 kWh.
    signed
        True where falls are real energy taken back, as by defrost or cooling.
    counts
        For electricity: which consumers the meter counts. For heat: which resistive
        heaters lie upstream of it, so that their heat is in the reading.
    hold
        Power only: `left` (a sample holds until the next) or `trapezoid`.
    max_power_kw
        Largest power that is possible; default from the site.
    """

    role: Role
    kind: Kind
    unit: str = "kWh"
    digits: int | None = Field(default=None, ge=3, le=12)
    decimals: int | None = Field(default=None, ge=0, le=6)
    resolution: Positive | None = None
    signed: bool = False
    counts: tuple[Consumer, ...] | None = None
    hold: Literal["left", "trapezoid"] = "left"
    max_power_kw: Positive | None = None

    @model_validator(mode="after")
    def _kinds_fit_roles(self) -> Self:
        if self.role.is_energy == (self.kind is Kind.STATE):
            allowed = "register, interval or power" if self.role.is_energy else "state"
            message = f"role '{self.role}' needs kind {allowed}, not '{self.kind}'"
            raise ValueError(message)
        if self.counts is not None and not self.role.is_energy:
            message = f"'counts' belongs to heat and electricity, not to role '{self.role}'"
            raise ValueError(message)
        if self.counts is not None and self.role.is_heat:
            wrong = set(self.counts) - {Consumer.BACKUP, Consumer.IMMERSION}
            if wrong:
                message = "a heat meter's 'counts' may only name 'backup' and 'immersion'"
                raise ValueError(message)
        if self.digits is not None and self.kind is not Kind.REGISTER:
            message = "'digits' belongs to a register"
            raise ValueError(message)
        return self


class MeterFit(Record):
    """One meter in one place from one time to another; a swap is two fits.

    Attributes
    ----------
    fitted, removed
        Local or offset time of fitting and removal; readings outside are not its own.
    counts_from
        Where it was fitted beside the meter that it replaces: from when it is the one that
        counts. Until then its readings are kept, and the earlier meter counts.
    accuracy_class
        Heat: EN 1434 class 1, 2 or 3. Electricity: MID class A, B or C.
    q_p_m3h, delta_theta_min_k
        Heat meter: permanent flow and lower limit of the temperature difference.
    calibrated_for
        Heat meter: plain water, or the very mixture that flows through it.
    parts_verified
        Heat meter: flow sensor, sensor pair and calculator were each verified by
        themselves, so that their errors are independent and each within its own limit.
    start_register, end_register
        Register values read at fitting and removal, by role, in the channel's unit.
    """

    serial: str = Field(min_length=1, max_length=64)
    measures: Literal["heat", "electricity", "sensors"]
    fitted: datetime
    removed: datetime | None = None
    counts_from: datetime | None = None
    accuracy_class: Literal["1", "2", "3", "A", "B", "C"] | None = None
    q_p_m3h: Positive | None = None
    delta_theta_min_k: Positive = 3.0
    calibrated_for: Literal["water", "mixture"] = "water"
    parts_verified: bool = False
    start_register: dict[Role, NotNegative] = Field(default_factory=dict)
    end_register: dict[Role, NotNegative] = Field(default_factory=dict)
    channel: tuple[Channel, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _is_consistent(self) -> Self:
        if self.accuracy_class is not None:
            allowed = {"heat": "123", "electricity": "ABC", "sensors": ""}[self.measures]
            if self.accuracy_class not in allowed:
                message = f"accuracy_class '{self.accuracy_class}' is not one for {self.measures}"
                raise ValueError(message)
        seen: set[Role] = set()
        for channel in self.channel:
            if channel.role in seen:
                message = f"meter '{self.serial}' has two channels of role '{channel.role}'"
                raise ValueError(message)
            seen.add(channel.role)
        return self


class Antifreeze(Record):
    """Antifreeze in the heating water.

    Attributes
    ----------
    mass_fraction, mass_fraction_limit
        Share of the mixture's mass, and how far it may be off.
    """

    fluid: Literal["propylene_glycol", "ethylene_glycol"]
    mass_fraction: float = Field(ge=0.05, le=0.5)
    mass_fraction_limit: float = Field(default=0.05, ge=0, le=0.2)


class HeatPump(Record):
    """The unit and the resistive heaters and pumps about it.

    Attributes
    ----------
    nominal_heat_kw
        Rated heat output; three times this is the default limit of plausible power.
    source_drive
        Whether fan or brine pump run on the unit's own supply, or apart.
    backup_heater, immersion_heater, pumps_apart
        What else the system has: an inline heater, a cylinder heater, distribution
        pumps that are not fed from the unit.
    antifreeze
        What the heating water carries, if anything.
    """

    model: str = ""
    source: Literal["air", "brine", "water"] = "air"
    nominal_heat_kw: Positive
    max_heat_kw: Positive | None = None
    max_electric_kw: Positive | None = None
    source_drive: Literal["in_unit", "apart"] = "in_unit"
    backup_heater: bool = False
    immersion_heater: bool = False
    pumps_apart: bool = False
    antifreeze: Antifreeze | None = None
    design_flow_temp_c: Finite | None = None
    design_outdoor_temp_c: Finite | None = None
    flow_temp_at_15_c: Finite | None = None
    design_delta_t_k: Positive = 5.0

    @property
    def consumers(self) -> frozenset[Consumer]:
        """Every consumer that this system has."""
        present = {Consumer.UNIT, Consumer.SOURCE}
        if self.backup_heater:
            present.add(Consumer.BACKUP)
        if self.immersion_heater:
            present.add(Consumer.IMMERSION)
        if self.pumps_apart:
            present.add(Consumer.PUMPS)
        return frozenset(present)


class Climate(Record):
    """Reference climate of the place, for the outlook.

    Attributes
    ----------
    monthly_means_c
        Mean outdoor temperatures of twelve months, January first.
    origin
        Where they were published.
    """

    monthly_means_c: tuple[Annotated[float, Field(ge=-60, le=60)], ...] = Field(
        min_length=12, max_length=12
    )
    origin: str = Field(min_length=1, max_length=200)


class Event(Record):
    """Something that happened at the site and that a reader of its figures should know."""

    at: datetime
    what: Literal["commissioned", "visit", "repair", "settings", "swap", "outage", "note"]
    note: str = Field(min_length=1, max_length=500)


#: Part of a postcode that is no whole one: those of digits alone have four or more.
_AREA = re.compile(r"|(?=[0-9]*[A-Z])[A-Z0-9]{1,4}|[0-9]{2,3}")


class Site(Record):
    """One home with one heat pump system.

    Attributes
    ----------
    postcode_area
        First part of the postcode; not the whole one, which points to a few doors.
    climate, weather
        Monthly means of the place; and the name of imported weather of it.
    """

    id: Identifier
    name: str = Field(min_length=1, max_length=120)
    place: str = ""
    # Left out where it is not stated: documents of before it was known stay the same.
    postcode_area: str = Field(default="", exclude_if=lambda area: not area)
    zone: ZoneName
    commissioned: date
    installer_team: str = ""
    designer: str = ""
    heat_loss_kw: Positive | None = None
    heat_pump: HeatPump
    meter: tuple[MeterFit, ...] = Field(min_length=1)
    terms: tuple[Terms, ...] = ()
    tariff: tuple[Tariff, ...] = ()
    boiler: Boiler | None = None
    carbon: tuple[CarbonFactor, ...] = ()
    event: tuple[Event, ...] = ()
    climate: Climate | None = None
    weather: Identifier | None = None

    @field_validator("postcode_area")
    @classmethod
    def _is_an_area(cls, area: str) -> str:
        if not _AREA.fullmatch(area):
            message = (
                "the first part of the postcode alone: at most four capital letters and digits, "
                "such as 'XV4', or two or three digits; never the whole postcode"
            )
            raise ValueError(message)
        return area

    @field_validator("terms")
    @classmethod
    def _versions_ascend(cls, terms: tuple[Terms, ...]) -> tuple[Terms, ...]:
        versions = [term.version for term in terms]
        if versions != sorted(set(versions)):
            message = f"versions of the terms must ascend and differ, not {versions}"
            raise ValueError(message)
        return terms

    @field_validator("tariff")
    @classmethod
    def _tariffs_ascend(cls, tariffs: tuple[Tariff, ...]) -> tuple[Tariff, ...]:
        dates = [tariff.valid_from for tariff in tariffs]
        if dates != sorted(set(dates)):
            message = "tariffs must be in order of 'valid_from', each date once"
            raise ValueError(message)
        if len({tariff.currency for tariff in tariffs}) > 1:
            message = "all tariffs of a site must be in one currency"
            raise ValueError(message)
        return tariffs

    @field_validator("carbon")
    @classmethod
    def _factors_ascend(cls, carbon: tuple[CarbonFactor, ...]) -> tuple[CarbonFactor, ...]:
        dates = [factor.valid_from for factor in carbon]
        if dates != sorted(set(dates)):
            message = "carbon factors must be in order of 'valid_from', each date once"
            raise ValueError(message)
        return carbon

    @model_validator(mode="after")
    def _allowance_has_a_climate(self) -> Self:
        granted = any(terms.weather_allowance == "reference_climate" for terms in self.terms)
        if granted and self.climate is None and self.weather is None:
            message = (
                "terms that grant a weather allowance need the reference climate: give "
                "[climate] with twelve monthly means, or 'weather' with the name of an "
                "imported weather file"
            )
            raise ValueError(message)
        return self

    @model_validator(mode="after")
    def _fits_do_not_overlap(self) -> Self:
        last: dict[Role, MeterFit] = {}
        for fit in sorted(self.meter, key=lambda fit: self.utc(fit.fitted)):
            begins = self.utc(fit.fitted)
            if fit.removed is not None and self.utc(fit.removed) <= begins:
                message = f"meter '{fit.serial}' is removed before it is fitted"
                raise ValueError(message)
            if fit.counts_from is not None and self.utc(fit.counts_from) < begins:
                message = f"meter '{fit.serial}' cannot count before it is fitted"
                raise ValueError(message)
            for channel in fit.channel:
                earlier = last.get(channel.role)
                if (
                    earlier is not None
                    and fit.counts_from is None
                    and (earlier.removed is None or self.utc(earlier.removed) > begins)
                ):
                    message = (
                        f"meters '{earlier.serial}' and '{fit.serial}' both measure "
                        f"'{channel.role}' at the same time; give the first one 'removed', or "
                        "the second one 'counts_from' if both are fitted for a while"
                    )
                    raise ValueError(message)
                last[channel.role] = fit
        return self

    @property
    def tz(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.zone)

    @property
    def current_terms(self) -> Terms | None:
        """Terms of the highest version, or None where nothing was promised."""
        return self.terms[-1] if self.terms else None

    @property
    def roles(self) -> frozenset[Role]:
        """Every role that some meter of the site has measured."""
        return frozenset(channel.role for fit in self.meter for channel in fit.channel)

    def utc(self, moment: datetime) -> datetime:
        """Give a moment of the description in UTC; without an offset it is local time."""
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=self.tz)
        return moment.astimezone(ZoneInfo("UTC"))

    def midnight(self, day: date) -> datetime:
        """UTC time of the start of a local day."""
        return datetime(day.year, day.month, day.day, tzinfo=self.tz).astimezone(ZoneInfo("UTC"))

    def max_power_kw(self, channel: Channel) -> float:
        """Largest plausible power of an energy channel, in kW (rule R6)."""
        if channel.max_power_kw is not None:
            return channel.max_power_kw
        stated = (
            self.heat_pump.max_heat_kw if channel.role.is_heat else self.heat_pump.max_electric_kw
        )
        return stated if stated is not None else 3.0 * self.heat_pump.nominal_heat_kw


Model = TypeVar("Model", bound=Record)


def record_from_toml(model: type[Model], path: Path, *, what: str) -> Model:
    """Read one record from a TOML file.

    Raises
    ------
    DescriptionError
        With the file, each wrong key and why, as sentences.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError as error:
        message = f"There is no {what} file at {path}."
        raise DescriptionError(message) from error
    except (OSError, UnicodeDecodeError) as error:
        message = f"{path} cannot be read as a {what} file: {error}."
        raise DescriptionError(message) from error
    except tomllib.TOMLDecodeError as error:
        message = f"{path} is not valid TOML: {error}."
        raise DescriptionError(message) from error
    return record_from_data(model, data, where=str(path), what=what)


def record_from_data(model: type[Model], data: dict[str, Any], *, where: str, what: str) -> Model:
    """Validate plain data as a record; `where` names its origin in error sentences."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        lines = [f"{where} is not a usable {what} file:"]
        for item in error.errors():
            key = ".".join(str(part) for part in item["loc"]) or "(whole file)"
            why = item["msg"].removeprefix("Value error, ")
            if item["type"] == "extra_forbidden":
                why = "this key is not known; check its spelling or its table"
            elif item["type"] == "missing":
                why = "this key is required and missing"
            else:
                given = item.get("input")
                if isinstance(given, str | int | float | bool | date | timedelta):
                    why = f"{why} (given: {given!r})"
            lines.append(f"  {key}: {why}")
        raise DescriptionError("\n".join(lines)) from error


def site_from_toml(path: Path) -> Site:
    """Read a site's description; see docs/site-file.md for its keys."""
    return record_from_toml(Site, path, what="site")
