"""What a page says, as plain records of text: pure functions of figures."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final
from urllib.parse import parse_qs, urlencode

from dashboard import format as fmt
from dashboard import theme
from dashboard.data import FleetRow
from monitor.guarantee.standing import Standing, StandingWord

#: Standings that want a person.
WANTING: Final = (StandingWord.OFF_COURSE, StandingWord.BLIND, StandingWord.IN_DOUBT)

PAGE_SIZE: Final = 50

#: Columns of the fleet by the key that sorts them: title, short explanation.
COLUMNS: Final = {
    "site": "Site",
    "standing": "Standing",
    "promise": "Promise",
    "spf": "SPF so far (95 % interval)",
    "probability": "Probability of keeping it, so far",
    "ahead": "Probability by the end (90 % interval)",
    "coverage": "Coverage",
    "age": "Last reading",
    "left": "Left of the period",
    "cost": "Extra cost so far",
}


@dataclass(frozen=True)
class Table:
    """A table as text; `numeric` says which columns stand to the right."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()


@dataclass(frozen=True)
class FleetQuery:
    """What the address bar asks of the fleet page."""

    text: str = ""
    standing: str = ""
    sort: str = "standing"
    descending: bool = False
    page: int = 1

    @classmethod
    def parse(cls, search: str | None) -> FleetQuery:
        """Read a query string; what is not known is left at its default."""
        given = {k: v[-1] for k, v in parse_qs((search or "").lstrip("?")).items()}
        sort = given.get("sort", "standing")
        descending, sort = sort.startswith("-"), sort.removeprefix("-")
        page = given.get("page", "1")
        return cls(
            text=given.get("q", "")[:100],
            standing=given.get("standing", "")[:20],
            sort=sort if sort in COLUMNS else "standing",
            descending=descending and sort in COLUMNS,
            page=int(page) if page.isascii() and page.isdecimal() and len(page) < 6 else 1,
        )

    @property
    def search(self) -> str:
        """The query string that `parse` reads as this."""
        parts = {
            "q": self.text,
            "standing": self.standing,
            "sort": ("-" if self.descending else "") + self.sort,
            "page": str(self.page),
        }
        usual = {"q": "", "standing": "", "sort": "standing", "page": "1"}
        kept = {k: v for k, v in parts.items() if v != usual[k]}
        return f"?{urlencode(kept)}" if kept else ""

    def searching(self, text: str) -> FleetQuery:
        """The query after a change of the search text."""
        return replace(self, text=text[:100], page=1)

    def sorted_by(self, key: str) -> FleetQuery:
        """The query after a click on a column's head."""
        turned = key == self.sort and not self.descending
        return replace(self, sort=key, descending=turned, page=1)


@dataclass(frozen=True)
class Chip:
    """A filter: a standing and how many sites have it."""

    look: theme.Look
    count: int
    href: str
    chosen: bool


@dataclass(frozen=True)
class FleetLine:
    """One site of the fleet as text."""

    site_id: str
    name: str
    place: str
    look: theme.Look
    why: str
    promise: str
    spf: str
    interval: str
    probability: str
    ahead: str
    ahead_interval: str
    coverage: str
    age: str
    left: str
    cost: str


@dataclass(frozen=True)
class FleetView:
    """The fleet page."""

    chips: tuple[Chip, ...]
    lines: tuple[FleetLine, ...]
    found: str
    query: FleetQuery
    pages: int


def spf_interval(standing: Standing | None) -> tuple[str, str]:
    """SPF so far and its 95 % interval."""
    if standing is None or standing.account is None:
        return fmt.NOTHING, ""
    u = standing.account.u_spf
    if standing.account.spf is None:
        return fmt.NOTHING, ""
    return fmt.spf(standing.account.spf, u), fmt.interval(standing.low, standing.high, u)


def extra_cost(standing: Standing | None) -> str:
    """Cost of the electricity beyond what the promise would have needed."""
    money = standing.money if standing else None
    if money is None or money.extra_cost is None:
        return fmt.NOTHING
    return fmt.money(money.extra_cost, money.currency) if money.extra_cost > 0 else "none"


def probability_text(standing: Standing | None) -> str:
    """Probability that the promise is kept so far; none where too little is known to judge."""
    if standing is None or standing.probability is None:
        return fmt.NOTHING
    if standing.word in {StandingWord.BLIND, StandingWord.TOO_EARLY}:
        return "not judged"
    return fmt.share(standing.probability)


def promise_text(standing: Standing | None) -> str:
    """The promised figure with its boundary."""
    if standing is None or standing.promise is None:
        return fmt.NOTHING
    return f"{fmt.promise(standing.promise)}{fmt.NBSP}({standing.boundary})"


def reason(standing: Standing | None) -> str:
    """The standing in a sentence."""
    if standing is None:
        return "The figures of this site have not been computed yet."
    return fmt.unbroken(standing.why)


def brief(standing: Standing | None) -> str:
    """The reason as short as a row of the fleet allows; the other columns say the rest."""
    judged = standing is not None and standing.word not in {
        StandingWord.BLIND,
        StandingWord.TOO_EARLY,
    }
    account = standing.account if standing else None
    if not judged or standing is None or account is None or account.spf is None:
        return reason(standing)
    if standing.promise is None:
        return reason(standing)
    if standing.deciding_spf is None:
        return reason(standing)
    margin = standing.deciding_spf - standing.promise
    side = "above" if margin >= 0 else "below"
    return f"{fmt.spf(abs(margin), account.u_spf)} {side} the promise"


def _left(standing: Standing | None) -> str:
    """Days that are left, or how the promise was settled."""
    if standing is None:
        return fmt.NOTHING
    left = fmt.days_left(standing.days_left)
    return f"{left}: {standing.settlement}" if standing.settlement else left


def _ahead(row: FleetRow) -> tuple[str, str]:
    """Probability by the end of the period, and the SPF expected then."""
    outlook = row.outlook
    if outlook is None or not outlook.is_forecast:
        return fmt.NOTHING, ""
    low, high = outlook.low_90, outlook.high_90
    if outlook.allowed is not None:
        low, high = outlook.allowed.low_90, outlook.allowed.high_90
    return fmt.share(outlook.deciding_probability), f"SPF {fmt.interval(low, high)}"


def _why(row: FleetRow) -> str:
    """The reason in brief, and what to look at first."""
    said = brief(row.standing)
    if not row.findings:
        return said
    more = f" (+{len(row.findings) - 1})" if len(row.findings) > 1 else ""
    return f"{said.rstrip('.')}. {row.findings[0].finding.title}{more}"


def _line(row: FleetRow, now: datetime) -> FleetLine:
    standing = row.standing
    figure, between = spf_interval(standing)
    account = standing.account if standing else None
    return FleetLine(
        site_id=row.site.id,
        name=row.site.name,
        place=row.site.place,
        look=theme.look(standing.word if standing else None),
        why=_why(row),
        promise=promise_text(standing),
        spf=figure,
        interval=between,
        probability=probability_text(standing),
        ahead=_ahead(row)[0],
        ahead_interval=_ahead(row)[1],
        coverage=fmt.share(account.coverage if account else None),
        age=fmt.age(standing.newest_reading if standing else None, now),
        left=_left(standing),
        cost=extra_cost(standing),
    )


def _sort_value(row: FleetRow, key: str) -> float | str | None:
    s = row.standing
    if key == "site":
        return row.site.name.casefold()
    if s is None:
        return None
    if key == "standing":
        # Worst first: by urgency, then the less probable.
        return s.word.urgency + (s.probability if s.probability is not None else 0.999) / 2
    if key == "age":
        return -s.newest_reading.timestamp() if s.newest_reading else None
    if key == "cost":
        return s.money.extra_cost if s.money else None
    if key in {"spf", "coverage"}:
        value: float | None = getattr(s.account, key) if s.account else None
        return value
    if key == "ahead":
        return row.outlook.deciding_probability if row.outlook else None
    return {"promise": s.promise, "probability": s.probability, "left": s.days_left}[key]


def _in_order(rows: list[FleetRow], query: FleetQuery) -> list[FleetRow]:
    keyed = [(_sort_value(row, query.sort), row) for row in rows]
    with_value = [(value, row) for value, row in keyed if value is not None]
    # Same values stay in order of name; sites without a value come last either way.
    with_value.sort(key=lambda item: item[1].site.name.casefold())
    with_value.sort(key=lambda item: item[0], reverse=query.descending)
    return [row for _, row in with_value] + [row for value, row in keyed if value is None]


def attention(rows: list[FleetRow]) -> str:
    """The fleet in one sentence."""
    total = len(rows)
    if total == 0:
        return "There is no site in this store yet."
    counts = {
        word: sum(1 for row in rows if row.standing and row.standing.word is word)
        for word in WANTING
    }
    wanting = sum(counts.values())
    sites = fmt.plural(total, "site")
    if wanting == 0:
        return (
            "The one site does not need attention today."
            if total == 1
            else f"None of {sites} needs attention today."
        )
    kinds = fmt.listing([f"{n} {word.value}" for word, n in counts.items() if n])
    verb = "needs" if wanting == 1 else "need"
    return f"{wanting} of {sites} {verb} attention: {kinds}."


def fleet_view(rows: list[FleetRow], query: FleetQuery, now: datetime) -> FleetView:
    """The fleet, searched, filtered, sorted and cut to a page."""
    words = query.text.casefold().split()
    matching = [
        row
        for row in rows
        if all(w in f"{row.site.name} {row.site.place} {row.site.id}".casefold() for w in words)
    ]
    looks = [theme.look(word) for word in sorted(StandingWord, key=lambda w: w.urgency)]
    looks.append(theme.NOT_COMPUTED)
    here = [theme.look(row.standing.word if row.standing else None).css for row in matching]
    chips = [
        Chip(
            shape,
            here.count(shape.css),
            replace(
                query, standing="" if query.standing == shape.css else shape.css, page=1
            ).search,
            chosen=query.standing == shape.css,
        )
        for shape in looks
        if shape.css in here or query.standing == shape.css
    ]
    if query.standing:
        matching = [row for row, css in zip(matching, here, strict=True) if css == query.standing]
    pages = max(1, -(-len(matching) // PAGE_SIZE))
    page = min(max(query.page, 1), pages)
    query = replace(query, page=page)
    ordered = _in_order(matching, query)[(page - 1) * PAGE_SIZE : page * PAGE_SIZE]
    shown = f"{fmt.plural(len(matching), 'site')} shown"
    if len(matching) != len(rows):
        shown = f"{len(matching)} of {fmt.plural(len(rows), 'site')} shown"
    if pages > 1:
        shown += f", page {page} of {pages}"
    return FleetView(
        chips=tuple(chips),
        lines=tuple(_line(row, now) for row in ordered),
        found=shown,
        query=query,
        pages=pages,
    )
