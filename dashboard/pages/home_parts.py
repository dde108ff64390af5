"""Parts of the homeowner's page: cost, warmth, hot water, gaps, what to do, how to complain."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup, escape

from dashboard import format as fmt
from dashboard import home_data
from dashboard.pages import how_home
from dashboard.view_models import How
from monitor.models import Role
from monitor.store.cases import Claim, What

#: A room this much colder than was asked for is told as such. Common practice, no source.
COLDER_K: Final = 1.0

#: Words that a household need not know, with what they mean in one or two sentences.
WORDS: Final = {
    "kWh": "A kilowatt-hour (kWh) is an amount of energy. A small electric heater uses about one "
    "kWh in an hour.",
    "promise": "Your installer promised how much heat each kWh of electricity gives. It is an "
    "average over the whole guarantee time: it is lower in frost and higher in mild weather.",
    "guarantee": "The time over which the promise must hold. The start and the length stand in "
    "the paper that you signed.",
    "boundary": "It says which parts are counted. H1 is the heat pump alone. H2 adds its fan or "
    "ground pump. H3 adds electric back-up heaters. H4 adds the pumps of your heating.",
    "standing charge": "What the supplier asks for each day, however much you use.",
    "Hours known": "We only count hours in which heat and electricity were both read. We do not "
    "guess the rest.",
}

_FINDER = re.compile("|".join(rf"\b{re.escape(word)}\b" for word in WORDS))


@dataclass(frozen=True)
class SpentRow:
    """One stretch of days as text."""

    name: str
    heat: str
    cost: str
    old: str
    difference: str
    known: str
    how: How | None


@dataclass(frozen=True)
class ClaimLine:
    """One step of the household's own claim."""

    when: str
    said: str


class Explainer:
    """Turns the first use of a word into a button that says what it means."""

    def __init__(self) -> None:
        self.used: dict[str, str] = {}

    def __call__(self, sentence: str) -> Markup:
        """Give a sentence as HTML; each word is explained once on the page."""
        out, at = Markup(""), 0  # nothing but what is escaped below is added
        for match in _FINDER.finditer(sentence):
            word = match[0]
            if word in self.used:
                continue
            name = f"word-{len(self.used) + 1}"
            self.used[word] = name
            out += escape(sentence[at : match.start()])
            out += Markup(
                '<button type="button" class="word" popovertarget="{name}">{word}</button>'
            ).format(name=name, word=word)
            at = match.end()
        return out + escape(sentence[at:])

    @property
    def explained(self) -> list[tuple[str, str, str]]:
        """Name, word and meaning of every word that was made a button so far."""
        return [(name, word, WORDS[word]) for word, name in self.used.items()]


def spent_rows(home: home_data.Home) -> list[SpentRow]:
    """Cost of the last week, month and year beside that of the old heating."""
    rows = []
    for spent in home.spent:
        cost, compared = spent.cost, spent.compared
        old = difference = fmt.NOTHING
        if compared is not None and compared.heat_kwh > 0:
            before = compared.fuel_cost.best + compared.standing_saved
            old = fmt.money(before, compared.currency)
            saved = compared.saved
            word = "less" if saved.best >= 0 else "more"
            difference = f"{fmt.money(abs(saved.best), compared.currency)} {word}"
            if saved.low < 0 < saved.high:
                difference = "about the same"
        rows.append(
            SpentRow(
                name=spent.window.name,
                heat=fmt.energy(spent.heat_kwh),
                cost=fmt.NOTHING if cost is None else fmt.money(cost.energy_cost, cost.currency),
                old=old,
                difference=difference,
                known=fmt.share(spent.coverage),
                how=how_home.spent(spent),
            )
        )
    return rows


def spent_note(home: home_data.Home) -> str:
    """How sure the cost of the old heating is."""
    year = home.spent[-1].compared if home.spent else None
    if year is None or year.heat_kwh <= 0:
        return (
            "What heated your home before, or a price, is not on record, so we cannot compare."
            if home.spent
            else ""
        )
    between = fmt.amounts(year.saved.low, year.saved.high, year.currency)
    return (
        "Nobody knows exactly how good the old heating was. In the last line the difference is "
        f"anything from {between} (a minus sign means that the heat pump costs more). Only hours "
        "known are counted, on both sides."
    )


def warmth(home: home_data.Home) -> str:
    """Room temperature against what was asked for, in a sentence."""
    if Role.ROOM_TEMP not in home.record.site.roles:
        return "No sensor measures how warm your rooms are. If you are cold, tell your installer."
    if home.room_week_c is None:
        return "How warm your rooms are was not measured in the last seven days."
    said = f"In the last seven days your room was {fmt.temperature(home.room_week_c)} on average."
    if home.asked_c is None:
        return said
    asked = fmt.temperature(home.asked_c)
    if home.room_week_c < home.asked_c - COLDER_K:
        return (
            f"{said} That is colder than the {asked} that was planned. If you did not choose "
            "that, tell your installer: you should not be cold."
        )
    return f"{said} {asked} was planned."


def hot_water(home: home_data.Home) -> list[str]:
    """Heat and temperature of the hot water, as far as they are measured."""
    said = []
    if home.water_kwh_day is not None:
        share = (
            f", {fmt.share(home.water_share)} of all heat" if home.water_share is not None else ""
        )
        said.append(
            f"Hot water took {fmt.number(home.water_kwh_day, 1)}{fmt.NBSP}kWh of heat a day in the "
            f"last 30 days{share}."
        )
    if home.cylinder_high_c is not None:
        said.append(
            f"The tank got up to {fmt.temperature(home.cylinder_high_c)} in the last seven days. "
            "It must get hot from time to time to stay free of germs. Please leave that setting "
            "to your installer."
        )
    return said or ["Your hot water is not measured by itself."]


def gaps(home: home_data.Home) -> str:
    """What could not be measured, honestly."""
    gap = home.gap
    if gap is None:
        return ""
    if gap.hours == 0 or gap.first is None or gap.last is None:
        return "Every hour so far was measured."
    length = (
        fmt.plural(round(gap.longest_h / 24), "day")
        if gap.longest_h >= 48
        else fmt.plural(gap.longest_h, "hour")
    )
    return (
        f"In {fmt.plural(gap.hours, 'hour')} out of {fmt.number(gap.of_hours)} the readings are "
        f"missing. The longest gap was {length}, from {fmt.moment(gap.first)}. We do not guess "
        "what happened then; it only makes the result less sure."
    )


def yours() -> tuple[str, ...]:
    """What a household can safely do by itself."""
    return (
        "Keep the rooms as warm as you like them. Small, steady settings cost less than turning "
        "the heating off and on.",
        "Keep the outside unit free of leaves and snow, without opening it.",
        "Leave the hot water settings alone, and never switch off its hot run.",
        "Tell your installer if you are cold, if it is noisy, or if your household changes.",
    )


def installers(home: home_data.Home) -> list[str]:
    """What the installer is to look at, and whether they know."""
    said = []
    for kept in home.record.findings:
        plain = kept.finding.plainly
        if plain is None or plain in said:
            continue
        known = ""
        if kept.noted_at is not None:
            day = fmt.day(kept.noted_at.astimezone(home.record.site.tz).date())
            known = f" Your installer has taken note of it on {day}."
        said.append(plain + known)
    return said


def claim_lines(claim: Claim, home: home_data.Home) -> list[ClaimLine]:
    """The steps of a claim that its household may read: their own words, and what came of it."""
    words = {
        What.PROPOSED: "A decision was proposed. A second person has to confirm it.",
        What.REFUSED: "The proposed decision was sent back to be looked at again.",
        What.CONFIRMED: "The claim was decided.",
        What.CLOSED: "The claim was closed.",
    }
    lines = []
    for step in claim.steps:
        if step.role == "homeowner":
            said = f"You wrote: {step.said}"
        elif step.what in words:
            said = words[step.what]
            if step.what in {What.CONFIRMED, What.CLOSED} and step.said:
                said += f" {step.said}"
        elif step.what is What.RAISED and step.role == "warranty":
            said = "The time of the promise is over. It is being looked at whether it was kept."
        elif step.what is What.RAISED:
            said = f"The claim was raised for you: {step.said}"
        elif step.visited is not None:
            said = f"Your installer says that they came on {fmt.day(step.visited)}."
        else:
            continue
        day = fmt.day(step.at.astimezone(home.record.site.tz).date())
        lines.append(ClaimLine(day, said))
    return lines
