"""What the page of one site says: text and tables made from its record."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import polars as pl

from dashboard import data, theme, trade_words
from dashboard import format as fmt
from dashboard.pages import how_cost, how_promise, how_site
from dashboard.view_models import (
    Fact,
    Table,
    extra_cost,
    probability_text,
    promise_text,
    reason,
    spf_interval,
)
from monitor.guarantee.outlook import Outlook
from monitor.guarantee.standing import Standing
from monitor.metrics.account import Account
from monitor.metrics.plausibility import Kind
from monitor.metrics.uncertainty import K_95
from monitor.models import Expectation, MeterFit, Site, Terms
from monitor.store.findings import KeptFinding

DOUBTS: Final = {
    Kind.HOUSE: "heat beside the house's heat loss",
    Kind.ROOM: "room temperature",
    Kind.WATER: "the heat meter",
    Kind.CARNOT: "COP beside the Carnot bound",
    Kind.CLOCKS: "the meters' clocks",
}


@dataclass(frozen=True)
class Judgement:
    """Top of the page: the answer in words, then the figures behind it."""

    name: str
    place: str
    look: theme.Look
    why: str
    facts: tuple[Fact, ...]


def judgement(record: data.Record, now: datetime) -> Judgement:
    """The answer of the page."""
    site, standing = record.site, record.standing
    account = standing.account if standing else None
    figure, between = spf_interval(standing)
    facts: list[Fact] = []
    if standing is not None and standing.promise is not None:
        end = (standing.period_end or now.date()) - timedelta(days=1)
        facts = [
            Fact(
                "SPF so far",
                figure,
                f"95 % interval {between}" if between else "",
                how_site.spf(record, account, how_site.guarantee(record)),
            ),
            Fact(
                "Promise",
                promise_text(standing),
                f"terms version {standing.terms_version}",
                how_promise.promise(site),
            ),
            *_moved(record, standing),
            Fact(
                "Probability of keeping it, so far",
                probability_text(standing),
                _of_what(standing),
                how_promise.probability(standing),
            ),
            *_ahead(record.outlook),
            Fact(
                "Coverage",
                fmt.share(account.coverage if account else None),
                "of the period's hours so far are known",
                how_site.coverage(record, account),
            ),
            Fact(
                "Guarantee period",
                f"{fmt.short_day(standing.period_start)} to {fmt.short_day(end)}",
                f"left: {fmt.days_left(standing.days_left)}",
                how_site.left(standing),
            ),
            Fact(
                "Extra cost so far",
                extra_cost(standing),
                "against the promise, known hours only",
                how_cost.extra_cost(site, account, standing.promise, standing.money)
                if account and standing.money
                else None,
            ),
        ]
        if standing.settlement is not None:
            facts.insert(
                0,
                Fact(
                    "Settlement",
                    standing.settlement,
                    "by the decision rule of the terms",
                    how_promise.settlement(standing, standing.settlement),
                ),
            )
    facts += _doubted(record)
    facts.append(
        Fact(
            "Last reading",
            fmt.age(standing.newest_reading if standing else None, now),
            fmt.moment(
                standing.newest_reading.astimezone(site.tz)
                if standing and standing.newest_reading
                else None
            ),
            how_site.last_reading(record),
        )
    )
    return Judgement(
        name=site.name,
        place=site.place,
        look=theme.look(standing.word if standing else None),
        why=f"{reason(standing)} {record.outlook.sentence if record.outlook else ''}".rstrip(),
        facts=tuple(facts),
    )


def _doubted(record: data.Record) -> list[Fact]:
    """Doubts about the figures, where there are any; they stand in full below."""
    found = record.assessment.plausibility if record.assessment else None
    if found is None or not found.doubts:
        return []
    what = fmt.listing([DOUBTS[doubt.kind] for doubt in found.doubts])
    return [Fact("Doubts about these figures", str(len(found.doubts)), f"{what}: see below")]


def _moved(record: data.Record, standing: Standing) -> list[Fact]:
    """The SPF in the reference climate, where the terms let it decide."""
    moved = standing.allowance
    if moved is None:
        return []
    name, asked = "SPF in the reference climate", how_promise.allowance(record, standing)
    if moved.spf is None or moved.u_spf is None:
        return [Fact(name, fmt.NOTHING, moved.sentence)]
    low, high = moved.spf - K_95 * moved.u_spf, moved.spf + K_95 * moved.u_spf
    between = fmt.interval(low, high, moved.u_spf)
    remark = f"95 % interval {between}; by the terms this one decides"
    return [Fact(name, fmt.spf(moved.spf, moved.u_spf), remark, asked)]


def _of_what(standing: Standing) -> str:
    if standing.allowance is None:
        return "that the true SPF so far is at least the promise"
    plain = fmt.share(standing.probability_as_measured)
    return f"of the SPF in the reference climate; as measured {plain}"


def _ahead(outlook: Outlook | None) -> list[Fact]:
    if outlook is None or not outlook.is_forecast:
        return []
    between = fmt.interval(outlook.low_90, outlook.high_90)
    remark = f"90 % interval {between}"
    if not outlook.is_adequate:
        remark += "; leans on what is usual for such homes"
    of_what = "that the true SPF of the whole period is at least the promise"
    allowed = outlook.allowed
    if allowed is not None:
        moved = fmt.interval(allowed.low_90, allowed.high_90)
        remark += f"; in the reference climate {fmt.spf(allowed.median)}, {moved}"
        of_what = (
            f"of the SPF in the reference climate; as measured {fmt.share(outlook.probability)}"
        )
    return [
        Fact(
            "SPF at the end, expected",
            fmt.spf(outlook.median),
            remark,
            how_promise.outlook(outlook, of_probability=False),
        ),
        Fact(
            "Probability of keeping it, at the end",
            fmt.share(outlook.deciding_probability),
            of_what,
            how_promise.outlook(outlook, of_probability=True),
        ),
    ]


def fan_says(outlook: Outlook | None) -> str:
    """The outlook's fan in a sentence."""
    if outlook is None or not outlook.fan:
        return ""
    return (
        "The dotted line is the outlook to the end of the period: half of the futures lie in "
        "its darker band, nine of ten in the lighter."
    )


def outlook_table(outlook: Outlook | None) -> Table | None:
    """What the outlook was made from."""
    if outlook is None:
        return None
    rows = tuple((fmt.initial(i.name), i.detail) for i in outlook.ingredients)
    return Table(("Ingredient", "Taken from"), rows, frozenset()) if rows else None


def summary(account: Account, words: str) -> str:
    """One window in a sentence: figure, interval, period, boundary and coverage."""
    if account.spf is None or account.u_spf is None:
        return (
            f"{fmt.initial(words)}: no hour is known in full, so there is no SPF "
            f"(boundary {account.boundary})."
        )
    u = account.u_spf
    between = fmt.interval(account.spf - K_95 * u, account.spf + K_95 * u, u)
    return (
        f"{fmt.initial(words)}: {fmt.energy(account.heat_kwh)} of heat from "
        f"{fmt.energy(account.electricity_kwh)} of electricity, SPF {fmt.spf(account.spf, u)} "
        f"(95 % interval {between}), boundary {account.boundary}, "
        f"{fmt.share(account.coverage)} of the hours known."
    )


def budget_table(account: Account | None) -> Table | None:
    """What the uncertainty of a window is made of."""
    if account is None or account.u_spf is None:
        return None
    rows: list[tuple[str, ...]] = [
        (
            _source(line.source),
            line.detail,
            f"{line.limit:.3g} {line.unit}",
            line.distribution,
            f"{line.divisor:.3f}".rstrip("0").rstrip("."),
            f"{line.sensitivity:.4g}",
            f"{line.u_spf:.3f}",
        )
        for line in account.budget
    ]
    together = ("together", "root of the sum of squares (JCGM 100)", "", "", "", "")
    rows.append((*together, f"{account.u_spf:.3f}"))
    head = (
        "Source",
        "Taken from",
        "Limit or spread",
        "Distribution",
        "Divisor",
        "Sensitivity, SPF per unit",
        "u of the SPF",
    )
    hows = how_site.budget(account.budget, account.u_spf, [row[0] for row in rows[:-1]])
    return Table(head, tuple(rows), frozenset({2, 4, 5, 6}), hows)


def _source(source: str) -> str:
    """A line of the budget in words; one meter may count several streams."""
    name = source.removeprefix("meter: ")
    if name == source:
        return source
    known = {r.value: words for r, words in trade_words.ROLES.items()}
    return f"meter: {fmt.listing([known.get(part, part) for part in name.split(' and ')])}"


def streams_table(record: data.Record, frame: pl.DataFrame, chosen: data.Period) -> Table:
    """Hours of each stream."""
    return Table(
        ("Stream", "Measured, h", "Bridged, h", "Missing, h", "Energy in known hours"),
        tuple(
            (
                fmt.initial(trade_words.role(r["role"])),
                fmt.number(r["hours_measured"]),
                fmt.number(r["hours_bridged"]),
                fmt.number(r["hours_missing"]),
                fmt.energy(r["kwh"]),
            )
            for r in frame.iter_rows(named=True)
        ),
        frozenset({1, 2, 3, 4}),
        tuple(how_site.stream(record, r, chosen) for r in frame.iter_rows(named=True)),
    )


#: Columns of the tables of months and seasons; the first links to the period.
WINDOW_HEAD: Final = (
    "Period",
    "SPF",
    "u",
    "Heat",
    "Electricity",
    "Coverage",
    "Measured, h",
    "Bridged, h",
    "Missing, h",
)


def window_row(row: dict[str, float]) -> tuple[str, ...]:
    """One window of a table of windows, without its name."""
    known = row["hours_measured"] + row["hours_bridged"] > 0
    return (
        fmt.spf(row["spf"], row["u_spf"]),
        fmt.number(row["u_spf"], 2),
        fmt.energy(row["heat_kwh"] if known else None),
        fmt.energy(row["electricity_kwh"] if known else None),
        fmt.share(row["coverage"]),
        fmt.number(row["hours_measured"]),
        fmt.number(row["hours_bridged"]),
        fmt.number(row["hours_missing"]),
    )


def terms_facts(terms: Terms | None) -> tuple[Fact, ...]:
    """The promise, clause by clause."""
    if terms is None:
        return ()
    rule = (
        "simple acceptance: kept if the SPF reaches the promise"
        if terms.decision == "simple"
        else f"guarded, with guard band {terms.guard_factor:g} × U (JCGM 106)"
    )
    remedy = {
        "extra_electricity": "the extra electricity, at the tariff in force",
        "none": "none agreed",
    }[terms.remedy]
    facts = [
        ("Promised SPF", f"{fmt.promise(terms.promised_spf)}, version {terms.version}"),
        ("Boundary", f"{terms.boundary}: {trade_words.BOUNDARIES[terms.boundary]}"),
        ("Scope", "heating and hot water"),
        ("Period", fmt.stretch(terms.start, terms.end)),
        ("Signed", fmt.day(terms.signed)),
        ("Decision rule", rule),
        ("Least coverage for a decision", fmt.share(terms.minimum_coverage)),
        ("Remedy", remedy),
    ]
    if terms.weather_allowance == "reference_climate":
        facts.append(
            (
                "Weather allowance",
                "the SPF moved to the reference climate decides; the SPF as measured stands "
                "beside it",
            )
        )
    facts += _expected(terms.expects)
    facts += [("Assumption", a.sentence) for a in terms.assumptions]
    facts += [("Condition", condition) for condition in terms.conditions]
    return tuple(Fact(*pair) for pair in facts)


def _expected(expects: Expectation) -> list[tuple[str, str]]:
    """What the promise took for granted."""
    out = [
        (name, f"{value:g} {unit}")
        for name, value, unit in (
            ("Expected hot water", expects.hot_water_kwh_day, "kWh a day"),
            ("Expected flow for hot water", expects.hot_water_flow_c, "°C"),
            ("Expected standby", expects.standby_kwh_day, "kWh a day"),
            ("Room temperature asked for", expects.room_c, "°C"),
        )
        if value is not None
    ]
    if expects.test_point:
        points = [f"{p.cop:g} at {p.source_c:g}/{p.flow_c:g} °C" for p in expects.test_point]
        out.append(("COP of the unit as tested", fmt.listing(points)))
    return out


def meters_table(site: Site) -> Table:
    """Every meter fit with what it measures."""
    return Table(
        ("Serial", "Measures", "Class", "From", "To"),
        tuple(
            (
                fit.serial,
                fmt.listing([f"{trade_words.ROLES[c.role]} ({c.kind})" for c in fit.channel]),
                _grade(fit),
                fmt.short_day(site.utc(fit.fitted).astimezone(site.tz).date()),
                fmt.short_day(site.utc(fit.removed).astimezone(site.tz).date())
                if fit.removed
                else "now",
            )
            for fit in site.meter
        ),
    )


def _grade(fit: MeterFit) -> str:
    if fit.accuracy_class is None:
        return fmt.NOTHING if fit.measures == "sensors" else "not stated"
    return f"{'EN 1434' if fit.measures == 'heat' else 'MID'} {fit.accuracy_class}"


def events_table(site: Site, findings: Iterable[KeptFinding]) -> Table | None:
    """What happened at the site and what people noted, newest first; None where nothing did."""
    lines = [(site.utc(e.at), e.what, e.note) for e in site.event]
    lines += [
        (kept.noted_at, "note", f"{kept.finding.title}: {kept.note} ({kept.noted_by})")
        for kept in findings
        if kept.noted_at is not None
    ]
    if not lines:
        return None
    rows = tuple(
        (fmt.moment(at.astimezone(site.tz)), what, note)
        for at, what, note in sorted(lines, key=lambda line: line[0], reverse=True)
    )
    return Table(("When", "What", "Note"), rows)


#: Rows of long tables that a page shows; their files have all.
MOST_ROWS: Final = 50


def imports_table(site: Site, frame: pl.DataFrame) -> Table:
    """Imports with the accounting identity of each (rule R10)."""
    return Table(
        (
            "When",
            "File",
            "Profile",
            "Readings",
            "Accepted",
            "Duplicates",
            "Conflicts",
            "Quarantined",
        ),
        tuple(
            (
                fmt.moment(r["imported_at"].astimezone(site.tz)),
                r["file_name"],
                r["profile_name"] + (" (correction)" if r["correction"] else ""),
                *(
                    fmt.number(r[c])
                    for c in ("rows_read", "accepted", "duplicates", "conflicts", "quarantined")
                ),
            )
            for r in frame.head(MOST_ROWS).iter_rows(named=True)
        ),
        frozenset({3, 4, 5, 6, 7}),
    )


_STAGES: Final = {
    "import": "refused on import",
    "account": "set aside since, as it cannot be true",
    "conflict": "contradicted by another import",
}


def quarantine_table(frame: pl.DataFrame) -> Table:
    """Readings that never became figures, counted by reason."""
    counted = frame.group_by("stage", "reason").agg(pl.len().alias("n")).sort("n", descending=True)
    return Table(
        ("Where", "Reason", "Readings"),
        tuple(
            (_STAGES[r["stage"]], r["reason"], fmt.number(r["n"]))
            for r in counted.head(MOST_ROWS).iter_rows(named=True)
        ),
        frozenset({2}),
    )
