"""What energy costs at a site, what heated it before, and what its energy emits."""

from __future__ import annotations

from datetime import date, time
from typing import Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from monitor.record import Identifier, NotNegative, Positive, Record

#: Half hours of a week; Monday 00:00 is the first.
HALF_HOURS_OF_WEEK: Final = 7 * 48

_DAYS: Final = {"all": range(7), "weekdays": range(5), "weekends": range(5, 7)}

Fuel = Literal["gas", "oil", "lpg", "direct_electric"]
Share = Annotated[float, Field(gt=0, le=1)]


class PriceBand(Record):
    """Hours of the day with a price of their own, by the clock on the wall.

    Attributes
    ----------
    start, end
        Local times on the half hour. A band whose end is not after its start runs across
        midnight; with both the same it lasts 24 hours.
    days
        Days on which the band starts: what runs across midnight into Saturday is still
        Friday's. Public holidays are days like any other.
    """

    start: time
    end: time
    days: Literal["all", "weekdays", "weekends"] = "all"
    price_per_kwh: NotNegative

    @model_validator(mode="after")
    def _is_on_the_half_hour(self) -> Self:
        for moment in (self.start, self.end):
            if moment.tzinfo is not None:
                message = "times of a band are local and carry no offset"
                raise ValueError(message)
            if moment.minute % 30 or moment.second or moment.microsecond:
                message = f"a band starts and ends on the half hour, not at {moment}"
                raise ValueError(message)
        return self

    @property
    def half_hours(self) -> tuple[int, ...]:
        """Which half hours of the week the band holds."""
        first, last = (t.hour * 2 + t.minute // 30 for t in (self.start, self.end))
        length = (last - first) % 48 or 48
        return tuple(
            (day * 48 + first + n) % HALF_HOURS_OF_WEEK
            for day in _DAYS[self.days]
            for n in range(length)
        )


class Tariff(Record):
    """Price of electricity from a local day on, until the next tariff begins.

    Attributes
    ----------
    price_per_kwh
        The flat price; with bands, the price outside of them.
    standing_per_day
        Charge for each day, whatever is used.
    band
        Hours with another price.
    series
        Name of an imported series of prices, in place of `price_per_kwh`.
    """

    valid_from: date
    price_per_kwh: NotNegative | None = None
    standing_per_day: NotNegative = 0.0
    currency: str = Field(default="GBP", pattern=r"^[A-Z]{3}$")
    band: tuple[PriceBand, ...] = ()
    series: Identifier | None = None

    @model_validator(mode="after")
    def _has_one_price_at_a_time(self) -> Self:
        if (self.price_per_kwh is None) == (self.series is None):
            message = (
                "give either 'price_per_kwh' (flat, or the price outside of all bands) or "
                "'series' (the name of imported prices)"
            )
            raise ValueError(message)
        if self.series is not None and self.band:
            message = "bands belong to 'price_per_kwh'; a series has a price for every time"
            raise ValueError(message)
        taken: dict[int, int] = {}
        for number, band in enumerate(self.band):
            for half_hour in band.half_hours:
                other = taken.setdefault(half_hour, number)
                if other != number:
                    day, slot = divmod(half_hour, 48)
                    names = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday")
                    name = (*names, "Sunday")[day]
                    message = (
                        f"bands {other + 1} and {number + 1} both hold {name} "
                        f"{slot // 2:02d}:{slot % 2 * 30:02d}; a time has one price"
                    )
                    raise ValueError(message)
        return self

    @property
    def flat_price(self) -> float | None:
        """The one price of this tariff, or None where the price depends on the time."""
        return None if self.band else self.price_per_kwh

    @property
    def week(self) -> tuple[float, ...]:
        """Price of each half hour of the local week; empty where a series gives it."""
        if self.price_per_kwh is None:
            return ()
        prices = [self.price_per_kwh] * HALF_HOURS_OF_WEEK
        for band in self.band:
            for half_hour in band.half_hours:
                prices[half_hour] = band.price_per_kwh
        return tuple(prices)


class FuelTariff(Record):
    """Price of the former fuel from a local day on, in the currency of the tariffs.

    Attributes
    ----------
    price_per_kwh
        For a kWh of gross calorific value, as gas bills count.
    """

    valid_from: date
    price_per_kwh: NotNegative
    standing_per_day: NotNegative = 0.0


class PastBills(Record):
    """Fuel of whole years before the heat pump.

    Attributes
    ----------
    yearly_kwh
        One figure a year, gross calorific value.
    cooks_with_fuel
        True where the home cooked with the same fuel, so that a part of it gave no heat.
    """

    yearly_kwh: tuple[Positive, ...] = Field(min_length=1)
    cooks_with_fuel: bool = False


class Boiler(Record):
    """What heated the home before the heat pump.

    Attributes
    ----------
    seasonal_efficiency
        Heat over fuel of a year, gross calorific value. Where it is left out it follows
        from the boiler's age.
    installed
        Year in which the boiler was installed.
    keeps_fuel
        True where the fuel is still supplied, for cooking for instance: then its standing
        charge is not saved.
    fuel_tariff
        Dated prices of the fuel. Direct electric heating is priced by the site's tariffs.
    """

    fuel: Fuel
    seasonal_efficiency: Share | None = None
    installed: int | None = Field(default=None, ge=1950, le=2100)
    keeps_fuel: bool = False
    fuel_tariff: tuple[FuelTariff, ...] = ()
    past_bills: PastBills | None = None

    @model_validator(mode="after")
    def _is_consistent(self) -> Self:
        dates = [tariff.valid_from for tariff in self.fuel_tariff]
        if dates != sorted(set(dates)):
            message = "fuel tariffs must be in order of 'valid_from', each date once"
            raise ValueError(message)
        if self.fuel == "direct_electric":
            if self.fuel_tariff:
                message = "direct electric heating is priced by [[tariff]]; leave out 'fuel_tariff'"
                raise ValueError(message)
            if self.past_bills is not None:
                message = (
                    "electricity bills hold the whole household; 'past_bills' is for fuel that "
                    "only heated (and cooked)"
                )
                raise ValueError(message)
            if self.seasonal_efficiency is not None or self.installed is not None:
                message = (
                    "direct electric heating turns all electricity into heat; leave out "
                    "'seasonal_efficiency' and 'installed'"
                )
                raise ValueError(message)
        elif self.seasonal_efficiency is None and self.installed is None:
            message = "give 'seasonal_efficiency', or the year in which it was 'installed'"
            raise ValueError(message)
        return self


class CarbonFactor(Record):
    """Emissions of energy from a local day on, until the next factor of the same energy.

    Attributes
    ----------
    electricity_kg_per_kwh, fuel_kg_per_kwh
        kg of carbon dioxide equivalent; at least one of the two. Fuel: for a kWh of gross
        calorific value.
    source
        Where the figures stand.
    """

    valid_from: date
    electricity_kg_per_kwh: NotNegative | None = None
    fuel_kg_per_kwh: NotNegative | None = None
    source: str = Field(min_length=1, max_length=200)

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if self.electricity_kg_per_kwh is None and self.fuel_kg_per_kwh is None:
            message = "give 'electricity_kg_per_kwh', 'fuel_kg_per_kwh' or both"
            raise ValueError(message)
        return self
