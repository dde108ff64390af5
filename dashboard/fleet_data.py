"""What the pages of the whole fleet know; every function takes the person first.

A person sees the part of the fleet that is theirs; somebody who sees no fleet at all gets
`NotFoundError`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Final

import polars as pl

from dashboard import data, theme
from dashboard.fleet_query import MOST_TEXT, PAGE_SIZE, FleetQuery
from dashboard.looks import looked
from dashboard.rules import FLEET
from monitor.errors import NotFoundError
from monitor.guarantee.standing import StandingWord
from monitor.metrics import periods
from monitor.metrics.periods import Window
from monitor.store import fleet as stored
from monitor.store import views
from monitor.store.connection import Store
from monitor.store.findings import finding_sites, note_findings
from monitor.store.fleet import Wanted
from monitor.store.users import User

#: Standings by how the style sheet spells them.
_WORDS: Final = {theme.look(word).css: word.value for word in StandingWord}

_MONTH: Final = {"site_id": pl.String, "month": pl.Date, "boundary": pl.String} | dict.fromkeys(
    ("spf", "coverage", "heat_kwh", "electricity_kwh"), pl.Float64
)

#: Longest stretch whose months are compared.
MOST_MONTHS: Final = 36


@dataclass(frozen=True)
class Fleet:
    """One page of the fleet.

    Attributes
    ----------
    rows
        Sites of the page (see `monitor.store.fleet.rows`).
    total, found
        Sites with each standing, by its look in the style sheet: of all, and of those
        asked for whatever their standing.
    query
        As asked, its page within those there are.
    matching, pages
        Sites asked for, and pages of them.
    chosen
        Names of the cohorts that were chosen, by their keys.
    picked
        Names of the sites to be compared, by id.
    """

    rows: pl.DataFrame
    total: dict[str, int]
    found: dict[str, int]
    query: FleetQuery
    matching: int
    pages: int
    chosen: dict[str, str]
    picked: dict[str, str]


def seen(user: User) -> Sequence[str] | None:
    """Ids of the sites that a person sees; None for all.

    Raises
    ------
    NotFoundError
        The person sees no fleet.
    """
    if user.role not in FLEET:
        message = "There is nothing here."
        raise NotFoundError(message)
    looked()
    return None if user.everywhere else user.sites


def asked(user: User, store: Store, search: str | None, typed: object = "") -> FleetQuery:
    """What an address asks of the fleet, with what was typed or what its view searches."""
    seen(user)
    query = FleetQuery.parse(search, typed)
    if not query.view:
        return query
    text = views.sought(store, query.view)
    return replace(query, view="", lost=True) if text is None else replace(query, text=text)


def _wanted(user: User, query: FleetQuery, today: date) -> Wanted:
    word: str | None = None
    if query.standing:
        word = _WORDS.get(query.standing, "")
    return Wanted(today, query.text, word, dict(query.cohorts), seen(user))


def fleet(user: User, store: Store, query: FleetQuery, now: datetime) -> Fleet:
    """The sites that are asked for, one page of them."""
    wanted = _wanted(user, query, now.date())
    counted = stored.words(store, wanted)
    total, found = (
        {
            theme.look(None if word is None else StandingWord(word)).css: n
            for word, n in counted.select("word", column).iter_rows()
        }
        for column in ("total", "found")
    )
    matching = found.get(query.standing, 0) if query.standing else sum(found.values())
    pages = max(1, -(-matching // PAGE_SIZE))
    query = replace(query, page=min(max(query.page, 1), pages))
    rows = stored.rows(
        store,
        wanted,
        sort=query.sort,
        descending=query.descending,
        first=(query.page - 1) * PAGE_SIZE,
        count=PAGE_SIZE,
    )
    return Fleet(
        rows=rows,
        total=total,
        found=found,
        query=query,
        matching=matching,
        pages=pages,
        chosen=_chosen(user, store, query, wanted.today),
        picked=_names(user, store, query.picked),
    )


def _chosen(user: User, store: Store, query: FleetQuery, today: date) -> dict[str, str]:
    found = {}
    for key, token in query.cohorts:
        one = Wanted(today, cohorts={key: token}, sites=seen(user))
        name = stored.cohort_name(store, one, key)
        if name is not None:
            found[key] = name
    return found


def _names(user: User, store: Store, site_ids: Sequence[str]) -> dict[str, str]:
    return stored.names(store, [one for one in site_ids if user.may_see(one)])


def find(
    user: User, store: Store, text: str, now: datetime, *, most: int
) -> tuple[list[tuple[str, str, str]], int]:
    """The first few sites that a text finds: id, name and place; and how many there are."""
    return stored.find(store, Wanted(now.date(), text[:MOST_TEXT], sites=seen(user)), most)


def cohorts(user: User, store: Store, query: FleetQuery, now: datetime) -> pl.DataFrame:
    """The sites that are asked for, gathered by `query.by`."""
    return stored.cohorts(store, _wanted(user, query, now.date()), query.by)


def table(user: User, store: Store, query: FleetQuery, now: datetime) -> pl.DataFrame:
    """All sites that are asked for, with every column, for a file."""
    return stored.rows(
        store, _wanted(user, query, now.date()), sort=query.sort, descending=query.descending
    )


def some(user: User, store: Store, site_ids: Sequence[str], now: datetime) -> pl.DataFrame:
    """Rows of a few sites, in the order asked; those that are not the person's are not there."""
    own = [one for one in site_ids if user.may_see(one)]
    seen(user)
    order = pl.DataFrame({"site_id": own}, schema={"site_id": pl.String})
    found = stored.rows(store, Wanted(now.date(), sites=own))
    return order.join(found, on="site_id", how="inner", maintain_order="left")


def months(user: User, store: Store, site_ids: Sequence[str], now: datetime) -> pl.DataFrame:
    """SPF by calendar month of a few sites, each inside its own boundary.

    Returns
    -------
    pl.DataFrame
        `site_id`, `month` (first day), `spf`, `coverage`, `heat_kwh`, `electricity_kwh`,
        `boundary`; `spf` is null where no electricity is known.
    """
    seen(user)
    frames = [pl.DataFrame(schema=_MONTH)]
    for site_id in site_ids:
        record = data.record(user, store, site_id, now)
        if record.recipe is None:
            continue
        windows = [
            Window(month.name, max(month.first, record.first), month.end)
            for month in periods.months(record.first, record.today + timedelta(days=1))
        ]
        frames.append(
            data.table(record, windows[-MOST_MONTHS:])
            .with_columns(
                pl.lit(site_id).alias("site_id"),
                pl.col("first").dt.truncate("1mo").alias("month"),
                pl.lit(str(record.recipe.boundary)).alias("boundary"),
            )
            .select(*_MONTH)
        )
    return pl.concat(frames)


def agenda_counts(user: User, store: Store) -> dict[str, int]:
    """How many things of each kind want somebody today."""
    return stored.agenda_counts(store, seen(user))


def agenda(
    user: User, store: Store, kinds: Sequence[str], *, first: int = 0, count: int | None = None
) -> pl.DataFrame:
    """What wants somebody today (see `monitor.store.fleet.agenda`)."""
    return stored.agenda(store, kinds, seen(user), first=first, count=count)


def take_note(user: User, store: Store, numbers: Sequence[int], note: str, now: datetime) -> int:
    """Take note of several findings at once; returns how many were still open."""
    seen(user)
    where = finding_sites(store, numbers)
    mine = [number for number, site_id in where.items() if user.may_see(site_id)]
    return note_findings(store, mine, user.name, note, now) if mine else 0


def saved(user: User, store: Store) -> list[views.SavedView]:
    """Views that a person keeps."""
    seen(user)
    return views.saved_views(store, user.user_id)


def save(user: User, store: Store, name: str, query: FleetQuery, now: datetime) -> None:
    """Keep a view under a name; what it searches under a token of its own."""
    seen(user)
    kept = query.kept(views.new_token())
    views.save_view(
        store,
        user.user_id,
        name,
        kept.search,
        now,
        token=kept.view or None,
        sought=kept.text or None,
    )


def forget(user: User, store: Store, view_ids: Sequence[int]) -> None:
    """Remove views that a person keeps."""
    seen(user)
    views.remove_views(store, user.user_id, list(view_ids))
