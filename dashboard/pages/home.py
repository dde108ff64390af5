"""The homeowner's page: their own home in plain words, written by the server itself.

It runs no script, so that it opens on any phone and prints as it is, and so that a
homeowner's session needs to reach nothing but this one address.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from dashboard import data, home_data, theme
from dashboard import format as fmt
from dashboard.pages import home_parts, how_home
from dashboard.pages.home_parts import ClaimLine, Explainer, SpentRow
from dashboard.view_models import Fact, How
from monitor.errors import NotFoundError
from monitor.guarantee.outlook import Outlook
from monitor.guarantee.standing import Standing, StandingWord
from monitor.metrics.uncertainty import K_95
from monitor.store import cases
from monitor.store.connection import Store
from monitor.store.users import User

#: Longest bar, in per cent of the width; the rest is for the figure beside it.
LONGEST_BAR: Final = 62.0

#: Longest text of a claim, in characters.
MOST_WORDS: Final = 2000

#: Rooms below this are cold for anyone and unhealthy for the old, the very young and the
#: ill: WHO Housing and health guidelines (2018), chapter on indoor cold; from memory.
COLD_ROOM_C: Final = 18.0

_SAID: Final = {
    StandingWord.ON_COURSE: "Your heat pump is doing what was promised.",
    StandingWord.OFF_COURSE: "Your heat pump is not doing what was promised: it uses more "
    "electricity for its heat than it should.",
    StandingWord.IN_DOUBT: "It is close: we cannot yet tell whether the promise is being kept.",
    StandingWord.TOO_EARLY: "It is too early to tell whether the promise is being kept.",
    StandingWord.BLIND: "We cannot tell whether the promise is being kept, because too little "
    "was measured.",
    StandingWord.NO_PROMISE: "No promise is on record for this heat pump. Here is what it does.",
}

_SETTLED: Final = {
    "kept": "The guarantee period is over, and the promise was kept.",
    "not kept": "The guarantee period is over, and the promise was not kept.",
    "undecided": "The guarantee period is over, and the readings do not decide whether the "
    "promise was kept.",
}


@dataclass(frozen=True)
class Bar:
    """A month's heat and electricity as lengths in per cent and as text."""

    month: str
    heat_width: float
    electricity_width: float
    heat: str
    electricity: str
    known: str
    nothing: bool


@dataclass(frozen=True)
class Hows:
    """How the figures that stand in sentences came about; None where there is none."""

    spf: How | None
    outlook: How | None
    warmth: How | None
    hot_water: How | None
    months: How | None
    gaps: How | None


@dataclass(frozen=True)
class HomeView:
    """The page."""

    name: str
    look: theme.Look
    headline: str
    sentences: tuple[str, ...]
    period: str
    facts: tuple[Fact, ...]
    bars: tuple[Bar, ...]
    chart_says: str
    cold: str
    promise: str
    boundary: str
    updated: str
    spent: tuple[SpentRow, ...]
    spent_note: str
    warmth: str
    hot_water: tuple[str, ...]
    gaps: str
    yours: tuple[str, ...]
    installers: tuple[str, ...]
    claim: tuple[ClaimLine, ...]
    claim_open: bool
    explain: Explainer
    how: Hows


def _headline(standing: Standing | None) -> str:
    if standing is None:
        return "The figures of your home are not ready yet. Please look again later."
    if standing.settlement is not None:
        return _SETTLED[standing.settlement]
    return _SAID[standing.word]


def _sentences(home: home_data.Home) -> list[str]:
    account, terms = home.account, home.record.site.current_terms
    standing = home.record.standing
    out = []
    if account is not None and account.spf is not None and account.u_spf is not None:
        u = account.u_spf
        low, high = account.spf - K_95 * u, account.spf + K_95 * u
        out.append(
            f"For each kilowatt-hour (kWh) of electricity it has given {fmt.spf(account.spf, u)} "
            "kWh of heat so far."
        )
        if terms is not None:
            out.append(f"The promise is at least {fmt.promise(terms.promised_spf)}.")
        out.append(
            "No meter is perfect: the true figure is very likely (19 times out of 20) between "
            f"{fmt.spf(low, u)} and {fmt.spf(high, u)}."
        )
    moved = standing.allowance if standing else None
    if moved is not None and moved.spf is not None:
        out.append(
            "Your guarantee allows for the weather: as in a usual year the figure would be "
            f"{fmt.spf(moved.spf, moved.u_spf)}, and that one counts."
        )
    ahead = _ahead(home)
    if ahead is not None:
        out.append(
            f"By the end of your guarantee we expect {fmt.spf(ahead.median)}, very likely between "
            f"{fmt.spf(ahead.low_90)} and {fmt.spf(ahead.high_90)} (9 times out of 10). The "
            f"chance that the promise is kept is {fmt.share(ahead.deciding_probability)}."
        )
    if standing is not None and standing.word is StandingWord.OFF_COURSE:
        out.append("Your installer sees the same figures. You can ask what happens next.")
    if standing is not None and standing.word is StandingWord.BLIND:
        out.append("Your installer can check why the readings stopped or have holes.")
    return out


def _ahead(home: home_data.Home) -> Outlook | None:
    """The outlook, where it is good enough to be told to a household."""
    found = home.record.outlook
    return found if found is not None and found.is_forecast and found.is_adequate else None


def _against_before(home: home_data.Home) -> list[Fact]:
    """Cost and carbon against what heated the home before."""
    found = home.record.assessment
    if found is None:
        return []
    facts = []
    compared = found.comparison
    if compared is not None and compared.heat_kwh > 0:
        saved = compared.saved
        between = fmt.amounts(saved.low, saved.high, compared.currency)
        name = "Saved against your old heating"
        if saved.best < 0:
            name = "More than your old heating would have cost"
        facts.append(
            Fact(
                name,
                fmt.money(abs(saved.best), compared.currency),
                f"for the same heat, at the prices on record; anything from {between}, a minus "
                "sign meaning that it costs more, as nobody knows exactly how good the old one was",
                how_home.saved(compared),
            )
        )
    carbon = found.carbon.saved if found.carbon else None
    if carbon is not None:
        word = "less" if carbon.best >= 0 else "more"
        facts.append(
            Fact(
                "Greenhouse gas",
                f"{fmt.number(abs(carbon.best))}{fmt.NBSP}kg {word}",
                "than your old heating would have given off for the same heat",
                how_home.carbon(found.carbon) if found.carbon else None,
            )
        )
    return facts


def _facts(home: home_data.Home) -> list[Fact]:
    account, cost = home.account, home.cost
    if account is None:
        return []
    known = fmt.share(account.coverage)
    facts = [
        Fact(
            "Heat for your home",
            fmt.energy(account.heat_kwh),
            "in the hours we could measure",
            how_home.heat(home, account),
        ),
        Fact(
            "Electricity it used",
            fmt.energy(account.electricity_kwh),
            "by the heat pump, in the same hours",
            how_home.electricity(home, account),
        ),
    ]
    if cost is not None:
        remark = "for that electricity, at your price"
        tariffs = home.record.site.tariff
        flat = tariffs[0].flat_price if len(tariffs) == 1 else None
        if flat is not None:
            remark = f"for that electricity, at {fmt.price(flat, cost.currency)} a kWh"
        if cost.standing_cost > 0:
            remark += (
                f"; the standing charge of {fmt.money(cost.standing_cost, cost.currency)} for the "
                "whole house comes on top"
            )
        if cost.unpriced_kwh >= 1:
            remark += f"; {fmt.energy(cost.unpriced_kwh)} have no price on record and are not in it"
        paid = fmt.money(cost.energy_cost, cost.currency)
        facts.append(Fact("Cost", paid, remark, how_home.cost(account, cost)))
    facts += _against_before(home)
    facts.append(
        Fact(
            "How much we could measure",
            known,
            "of all hours, for heat and electricity together",
            how_home.coverage(account),
        )
    )
    return facts


def _bars(home: home_data.Home) -> list[Bar]:
    rows = list(home.months.iter_rows(named=True))
    most = max((max(r["heat_kwh"], r["electricity_kwh"]) for r in rows), default=0.0) or 1.0
    return [
        Bar(
            month=f"{r['first']:%b %Y}",
            heat_width=round(LONGEST_BAR * max(r["heat_kwh"], 0.0) / most, 2),
            electricity_width=round(LONGEST_BAR * max(r["electricity_kwh"], 0.0) / most, 2),
            heat=fmt.energy(r["heat_kwh"]),
            electricity=fmt.energy(r["electricity_kwh"]),
            known=fmt.share(r["coverage"]),
            nothing=r["hours_measured"] + r["hours_bridged"] == 0,
        )
        for r in rows
    ]


def _cold(home: home_data.Home) -> str:
    if home.room_week_c is None or home.room_week_c >= COLD_ROOM_C:
        return ""
    return (
        f"In the last seven days the room was {fmt.temperature(home.room_week_c)} on average. That "
        "is cold. Do not stay cold to save electricity: turn the heating up, or ask your "
        "installer today. If somebody old, very young or ill lives here, do not wait."
    )


def view(home: home_data.Home, now: datetime) -> HomeView:
    """The page's text from one home's figures."""
    record = home.record
    standing = record.standing
    terms = record.site.current_terms
    last = min(home.window.end, record.today + timedelta(days=1))
    began = last > home.window.first
    bars = _bars(home) if began else []
    claim = home.claims[0] if home.claims else None
    measured = [bar for bar in bars if not bar.nothing]
    chart_says = "No month has been measured yet."
    if measured:
        top = max(measured, key=lambda bar: bar.heat_width)
        chart_says = (
            f"Most heat was needed in {top.month}: {top.heat} of heat from {top.electricity} of "
            "electricity."
        )
    return HomeView(
        name=record.site.name,
        look=theme.look(standing.word if standing else None),
        headline=_headline(standing),
        sentences=tuple(_sentences(home)),
        period=(
            fmt.stretch(home.window.first, last)
            if began
            else f"starts on {fmt.day(home.window.first)}"
        ),
        facts=tuple(_facts(home)) if began else (),
        bars=tuple(bars),
        chart_says=chart_says,
        cold=_cold(home),
        promise=fmt.promise(terms.promised_spf) if terms else "",
        boundary=str(record.recipe.boundary) if record.recipe else "",
        updated=fmt.moment(now.astimezone(record.site.tz)),
        spent=tuple(home_parts.spent_rows(home)),
        spent_note=home_parts.spent_note(home),
        warmth=home_parts.warmth(home),
        hot_water=tuple(home_parts.hot_water(home)),
        gaps=home_parts.gaps(home),
        yours=home_parts.yours(),
        installers=tuple(home_parts.installers(home)),
        claim=tuple(home_parts.claim_lines(claim, home)) if claim else (),
        claim_open=claim is not None and claim.is_open,
        explain=Explainer(),
        how=Hows(
            spf=how_home.spf(home),
            outlook=how_home.outlook(ahead) if (ahead := _ahead(home)) else None,
            warmth=how_home.warmth(home),
            hot_water=how_home.hot_water(home),
            months=how_home.months(home),
            gaps=how_home.gaps(home),
        ),
    )


def home_view(user: User, store: Store, site_id: str, now: datetime) -> HomeView:
    """The page of one home, for a person who may see it."""
    return view(home_data.home(user, store, site_id, now), now)


def raise_claim(user: User, store: Store, words: str, now: datetime) -> None:
    """Raise the household's claim on the promise of its own home, or add to the open one.

    Raises
    ------
    NotFoundError
        The person has no home here, or nothing was promised for it.
    """
    site_id = next(iter(user.sites), "")
    site = data.record(user, store, site_id, now).site
    if site.current_terms is None:
        message = f"Nothing was promised for site '{site_id}'."
        raise NotFoundError(message)
    said = words.strip()[:MOST_WORDS]
    if said:
        cases.raise_claim(store, site_id, user_id=user.user_id, role=user.role, said=said, now=now)
