"""How figures are written: the one place that turns numbers into text."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from math import floor, isfinite, log10

from monitor.guarantee.money import Money

#: Between a number and its unit: no line break.
NBSP = "\u00a0"
NOTHING = "–"

#: Signs of currencies by ISO 4217 code; others are written as their code.
SIGNS = {"GBP": "£", "EUR": "€", "USD": "$", "JPY": "¥", "INR": "₹", "PLN": "zł", "CZK": "Kč"}
_SIGN_BEHIND = {"PLN", "CZK"}


def _known(value: float | None) -> bool:
    return value is not None and isfinite(value)


def decimals(u: float | None, *, least: int = 1, most: int = 2) -> int:
    """Decimals that a standard uncertainty leaves worth writing.

    Two significant digits of the uncertainty (JCGM 100:2008, 7.2.6), within bounds.
    """
    if u is None or not isfinite(u) or u <= 0:
        return most
    return min(most, max(least, 1 - floor(log10(u))))


def spf(value: float | None, u: float | None = None) -> str:
    """A performance factor, with the digits that its uncertainty leaves."""
    if value is None or not isfinite(value):
        return NOTHING
    return f"{value:.{decimals(u)}f}"


def signed(value: float | None, places: int = 2) -> str:
    """A difference with its sign."""
    if value is None or not isfinite(value):
        return NOTHING
    text = number(value, places)
    return text if text.startswith("−") or float(text.replace(",", "")) == 0 else f"+{text}"


def interval(low: float | None, high: float | None, u: float | None = None) -> str:
    """A 95 % interval as `3.16 to 3.68`."""
    if not _known(low) or not _known(high):
        return NOTHING
    return f"{spf(low, u)}{NBSP}to{NBSP}{spf(high, u)}"


def promise(value: float | None) -> str:
    """A promised figure, as it was given: up to two decimals, at least one."""
    if value is None:
        return NOTHING
    text = f"{value:.2f}"
    return text[:-1] if text.endswith("0") else text


def number(value: float | None, places: int = 0) -> str:
    """A plain number with thousands separators."""
    if value is None or not isfinite(value):
        return NOTHING
    text = f"{value:,.{places}f}"
    return text.replace("-", "−") if float(text.replace(",", "")) else text.lstrip("-")


def figures(value: float | None) -> str:
    """Three figures of a number, or all of its whole ones: never with an exponent."""
    if value is None or not isfinite(value):
        return NOTHING
    if abs(value) >= 1000 or abs(value) < 0.0001:
        return number(value)
    return f"{value:.3g}".replace("-", "−")


def energy(kwh: float | None) -> str:
    """Energy in kWh, or in MWh from 10 000 kWh on."""
    if kwh is None or not isfinite(kwh):
        return NOTHING
    if abs(kwh) >= 10_000:
        return f"{number(kwh / 1000, 1)}{NBSP}MWh"
    return f"{number(kwh, 1 if abs(kwh) < 100 else 0)}{NBSP}kWh"


def temperature(celsius: float | None) -> str:
    """A temperature in degrees Celsius."""
    if celsius is None or not isfinite(celsius):
        return NOTHING
    return f"{number(celsius, 1)}{NBSP}°C"


def share(value: float | None) -> str:
    """A share in per cent; never 0 or 100 unless it is."""
    if value is None or not isfinite(value):
        return NOTHING
    percent = 100 * value
    if 0 < percent < 1:
        return f"under{NBSP}1{NBSP}%"
    if 99 < percent < 100:
        return f"over{NBSP}99{NBSP}%"
    return f"{percent:.0f}{NBSP}%"


def fine_share(value: float | None) -> str:
    """A share in per cent with the decimals that tell it from 0 and 100 %."""
    if value is None or not isfinite(value):
        return NOTHING
    near = min(value, 1 - value)
    places = 1 if near <= 0 or near >= 0.001 else min(5, -floor(log10(100 * near)) + 1)
    return f"{100 * value:.{places}f}{NBSP}%"


def chance(value: float | None) -> str:
    """A probability as a plain number, which tells small ones apart."""
    if value is None or not isfinite(value):
        return NOTHING
    return "under 0.0001" if 0 < value < 0.0001 else f"{value:.4f}"


def money(amount: float | None, currency: str | None) -> str:
    """An amount of money in whole units from 100 on, else with two decimals."""
    if amount is None or currency is None or not isfinite(amount):
        return NOTHING
    figure = number(abs(amount), 0 if abs(amount) >= 100 else 2)
    minus = "−" if amount < 0 and figure.strip("0.") else ""
    sign = SIGNS.get(currency)
    if sign is None:
        return f"{minus}{currency}{NBSP}{figure}"
    if currency in _SIGN_BEHIND:
        return f"{minus}{figure}{NBSP}{sign}"
    return f"{minus}{sign}{figure}"


def amounts(low: float | None, high: float | None, currency: str | None) -> str:
    """Bounds of an amount as `£120 to £240`; both the same, one."""
    if low is None or high is None or currency is None:
        return NOTHING
    ends = money(low, currency), money(high, currency)
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def remedy(owed: Money) -> str:
    """What the terms give for a broken promise, with its bounds."""
    bounds = amounts(owed.remedy_low, owed.remedy_high, owed.currency)
    if owed.remedy_owed is None:
        return "no amount yet" if bounds == NOTHING else f"no amount yet; {bounds} if owed"
    if owed.remedy_owed == 0 and owed.remedy_high in (None, 0):
        return "nothing owed"
    return f"{money(owed.remedy_owed, owed.currency)} (95 % bounds {bounds})"


def price(amount: float, currency: str) -> str:
    """A price of one unit, with as many decimals as it has, at least two."""
    places = max(2, min(4, len(f"{amount:.4f}".rstrip("0").partition(".")[2])))
    sign = SIGNS.get(currency)
    if sign is None or currency in _SIGN_BEHIND:
        return f"{amount:.{places}f}{NBSP}{sign or currency}"
    return f"{sign}{amount:.{places}f}"


def day(value: date | None) -> str:
    """A date as `4 March 2026`."""
    return NOTHING if value is None else f"{value.day} {value:%B %Y}"


def short_day(value: date | None) -> str:
    """A date as `4 Mar 2026`."""
    return NOTHING if value is None else f"{value.day} {value:%b %Y}"


def moment(value: datetime | None) -> str:
    """A local time as `4 March 2026, 14:05`."""
    return NOTHING if value is None else f"{day(value.date())}, {value:%H:%M}"


def stretch(first: date, end: date) -> str:
    """The days from `first` up to, not including, `end`."""
    last = end - timedelta(days=1)
    if last <= first:
        return day(first)
    return f"{day(first)} to {day(last)}"


def plural(count: int, one: str, many: str | None = None) -> str:
    """A count with its noun."""
    return f"{count:,}{NBSP}{one if count == 1 else many or one + 's'}"


def age(then: datetime | None, now: datetime) -> str:
    """How long ago something was."""
    if then is None:
        return "never"
    seconds = (now - then).total_seconds()
    if seconds < 0:
        return "in the future"
    if seconds < 3600:
        return "within the hour"
    if seconds < 48 * 3600:
        return f"{plural(int(seconds // 3600), 'hour')} ago"
    return f"{plural(int(seconds // 86400), 'day')} ago"


def unbroken(sentence: str) -> str:
    """A sentence whose numbers do not part from their per cent sign at a line's end."""
    return sentence.replace(" %", f"{NBSP}%")


def days_left(days: int | None) -> str:
    """Days until the guarantee period is over."""
    if days is None:
        return NOTHING
    return "over" if days == 0 else plural(days, "day")


def initial(sentence: str) -> str:
    """A sentence with a capital at its start."""
    return sentence[:1].upper() + sentence[1:]


def listing(words: list[str]) -> str:
    """Words as `a, b and c`."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
