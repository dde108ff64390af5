"""The fleet as one flat table: written with what it comes from, read in single queries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Final

import duckdb
import polars as pl

from monitor.store.connection import Store, query

#: Columns that each kept document gives to the flat table.
_OF_SITE = (
    *("name", "place", "postcode_area", "commissioned", "unit_model", "designer", "team"),
    "sought",
)
_OF_STANDING = (
    *("word", "why", "promise", "boundary", "period_start", "period_end", "days_left"),
    *("spf", "u_spf", "low", "high", "coverage", "heat_kwh", "electricity_kwh"),
    *("deciding_spf", "probability", "settlement", "extra_cost", "currency"),
    *("newest_reading", "computed_at"),
)
_OF_OUTLOOK = ("ahead_promise", "ahead_end", "ahead_low", "ahead_high", "ahead_probability")

#: Standings in which the SPF says something about the promise.
_JUDGED = "word IN ('on course', 'in doubt', 'off course')"

#: Full years since commissioning, by the name of each bracket.
_AGE = (
    "CASE WHEN commissioned IS NULL THEN '' "
    "WHEN years < 1 THEN 'under 1 year' WHEN years < 2 THEN '1 to 2 years' "
    "WHEN years < 3 THEN '2 to 3 years' WHEN years < 5 THEN '3 to 5 years' "
    "ELSE '5 years or more' END"
)

#: By what sites are gathered into cohorts: the key and its expression.
COHORTS: Final[Mapping[str, str]] = {
    "model": "unit_model",
    "designer": "designer",
    "team": "team",
    "area": "postcode_area",
    "place": "place",
    "boundary": "coalesce(boundary, '')",
    "age": _AGE,
}


def _token(key: str, expression: str) -> str:
    """Expression for what stands in an address for a value of a cohort: nobody's name."""
    keyed = "(SELECT value FROM secret WHERE name = 'addresses')"
    return (
        f"CASE WHEN {expression} = '' THEN '' "
        f"ELSE left(sha256({keyed} || '{key}' || {expression}), 12) END"
    )


_URGENCY = (
    "list_position(['off course', 'blind', 'in doubt', 'too early', 'on course', "
    "'no promise'], word)"
)

#: By what the fleet can be sorted: the key and its expression; null stands last either way.
SORTS: Final[Mapping[str, str]] = {
    # Worst first: by urgency, then the less probable.
    "standing": f"{_URGENCY} + coalesce(probability, 0.999) / 2",
    "site": "lower(name)",
    "promise": "promise",
    "spf": "spf",
    "coverage": "coverage",
    "probability": "probability",
    "ahead": "ahead_now",
    "finding": "finding_order",
    "age": "-epoch(newest_reading)",
    "left": "days_left",
    "gap": "gap",
    "cost": "extra_cost",
}

#: One row a site with everything that can be asked for. An outlook counts only while the
#: promise that it is about is still open.
_ROWS = f"""
    SELECT f.* EXCLUDE (ahead_low, ahead_high, ahead_probability, ahead_promise, ahead_end),
        CASE WHEN {_JUDGED} THEN deciding_spf - promise END AS gap,
        CASE WHEN is_ahead THEN ahead_probability END AS ahead_now,
        CASE WHEN is_ahead THEN ahead_low END AS ahead_low,
        CASE WHEN is_ahead THEN ahead_high END AS ahead_high,
        finding_id, finding, topic, coalesce(findings, 0) AS findings, finding_order
    FROM (SELECT *, date_sub('year', commissioned, $today::DATE) AS years,
              settlement IS NULL AND promise = ahead_promise AND period_end = ahead_end
                  AS is_ahead
          FROM fleet WHERE name IS NOT NULL) f
    LEFT JOIN (
        SELECT site_id, count(*) AS findings, arg_min(finding_id, ranked) AS finding_id,
            arg_min(title, ranked) AS finding, arg_min(topic, ranked) AS topic,
            min(ranked) AS finding_order
        FROM (SELECT *, rank * 1e9 - cost + finding_id * 1e-6 AS ranked FROM fleet_finding)
        GROUP BY site_id
    ) USING (site_id)
"""  # noqa: S608 - built of constants


@dataclass(frozen=True)
class Wanted:
    """Which part of the fleet is asked for.

    Attributes
    ----------
    today
        From which the age of a site is counted.
    text
        Words that must all be in name, place, postcode area, id, model, designer or team.
    word
        A standing; empty for those not computed yet, None for all.
    cohorts
        Token of a value for any of the keys of `COHORTS` (see `cohorts`); empty for sites
        that state none.
    sites
        Only these; None for all.
    """

    today: date
    text: str = ""
    word: str | None = None
    cohorts: Mapping[str, str] = field(default_factory=dict)
    sites: Sequence[str] | None = None

    def parameters(self, *, any_word: bool = False) -> dict[str, object]:
        """Values for a statement with this condition."""
        found: dict[str, object] = {"today": self.today}
        found |= {f"text{n}": text for n, text in enumerate(self.text.split())}
        found |= {f"of_{key}": value for key, value in self.cohorts.items()}
        if self.word and not any_word:
            found["word"] = self.word
        if self.sites is not None:
            found["sites"] = list(self.sites)
        return found

    def where(self, *, any_word: bool = False) -> str:
        """The condition; `any_word` leaves the standing open."""
        terms = ["true"]
        terms += [
            f"contains(sought, strip_accents(lower($text{n})))"
            for n in range(len(self.text.split()))
        ]
        terms += [f"{_token(key, COHORTS[key])} = $of_{key}" for key in self.cohorts]
        if self.sites is not None:
            terms.append("list_contains($sites, site_id)")
        if self.word is not None and not any_word:
            terms.append("word = $word" if self.word else "word IS NULL")
        return " AND ".join(terms)


def keep_description(cursor: duckdb.DuckDBPyConnection, site_id: str) -> None:
    """Bring a site's row up to date with its description, in the caller's transaction."""
    _keep(cursor, site_id, "fleet_site_now", _OF_SITE)


def keep_standing(
    cursor: duckdb.DuckDBPyConnection,
    site_id: str,
    trend: tuple[date, Sequence[float | None]] | None = None,
) -> None:
    """Bring a site's row up to date with its standing, in the caller's transaction.

    Parameters
    ----------
    trend
        The day after the newest, and the rolling SPF (see `monitor.metrics.trend`); None
        leaves what is kept.
    """
    _keep(cursor, site_id, "fleet_standing_now", _OF_STANDING)
    if trend is not None:
        end, values = trend
        text = ",".join("" if value is None else f"{value:.3f}" for value in values)
        cursor.execute(
            "UPDATE fleet SET trend = ?, trend_end = ? WHERE site_id = ?", [text, end, site_id]
        )


def keep_outlook(cursor: duckdb.DuckDBPyConnection, site_id: str) -> None:
    """Bring a site's row up to date with its outlook, in the caller's transaction."""
    _keep(cursor, site_id, "fleet_outlook_now", _OF_OUTLOOK)


def keep_open_findings(cursor: duckdb.DuckDBPyConnection, site_id: str) -> None:
    """Replace a site's open findings if they changed, in the caller's transaction."""
    both = "(FROM {0} WHERE site_id = $site) EXCEPT ALL (FROM {1} WHERE site_id = $site)".format
    tables = ("fleet_finding", "fleet_finding_now")
    changed = any(
        cursor.execute(f"SELECT 1 FROM ({both(*pair)}) LIMIT 1", {"site": site_id}).fetchall()  # noqa: S608
        for pair in (tables, tables[::-1])
    )
    if changed:
        cursor.execute("DELETE FROM fleet_finding WHERE site_id = ?", [site_id])
        cursor.execute(
            "INSERT INTO fleet_finding BY NAME SELECT * FROM fleet_finding_now WHERE site_id = ?",
            [site_id],
        )


def _keep(
    cursor: duckdb.DuckDBPyConnection, site_id: str, view: str, columns: tuple[str, ...]
) -> None:
    names = ", ".join(columns)
    fresh = ", ".join(f"{name} = excluded.{name}" for name in columns)
    cursor.execute(
        f"INSERT INTO fleet (site_id, {names}) SELECT site_id, {names} FROM {view} "  # noqa: S608
        f"WHERE site_id = ? ON CONFLICT (site_id) DO UPDATE SET {fresh}",
        [site_id],
    )


def rows(
    store: Store,
    wanted: Wanted,
    *,
    sort: str = "standing",
    descending: bool = False,
    first: int = 0,
    count: int | None = None,
) -> pl.DataFrame:
    """Sites in order: those whose value is not known come last, the same in order of name.

    Parameters
    ----------
    sort
        A key of `SORTS`.
    first, count
        Which of them; None for all that follow.

    Returns
    -------
    pl.DataFrame
        Columns of the table `fleet` but those of the outlook's terms, and `gap` (SPF that
        decides minus promise where it is judged), `ahead_now` (probability by the end),
        `finding_id`, `finding`, `topic` (of what is to be looked at first), `findings` (how
        many are open).
    """
    order = f"{SORTS[sort]} {'DESC' if descending else 'ASC'} NULLS LAST, lower(name), site_id"
    limit = "" if count is None else f" LIMIT {int(count)} OFFSET {int(first)}"
    return query(
        store.cursor(),
        f"SELECT * EXCLUDE (sought, years, is_ahead, finding_order) FROM ({_ROWS}) "  # noqa: S608
        f"WHERE {wanted.where()} ORDER BY {order}{limit}",
        wanted.parameters(),
    )


def words(store: Store, wanted: Wanted) -> pl.DataFrame:
    """How many sites have each standing: `word` (null: not computed), `total`, `found`.

    `total` counts every site among `wanted.sites`, `found` those asked for, whatever their
    standing.
    """
    which, _ = _only(wanted.sites)
    return query(
        store.cursor(),
        "SELECT word, count(*) AS total, "  # noqa: S608
        f"count(*) FILTER (WHERE {wanted.where(any_word=True)}) AS found "
        "FROM (SELECT *, date_sub('year', commissioned, $today::DATE) AS years FROM fleet "
        f"WHERE name IS NOT NULL) WHERE {which} GROUP BY word",
        wanted.parameters(any_word=True),
    )


def names(store: Store, site_ids: Sequence[str]) -> dict[str, str]:
    """Names of sites by id, in the order asked; those that are not there are left out."""
    found = dict(
        store.cursor()
        .execute(
            "SELECT site_id, name FROM fleet WHERE list_contains(?, site_id) AND name IS NOT NULL",
            [list(site_ids)],
        )
        .fetchall()
    )
    return {site_id: found[site_id] for site_id in site_ids if site_id in found}


def cohorts(store: Store, wanted: Wanted, by: str) -> pl.DataFrame:
    """Sites gathered into cohorts, the lowest against its promises first.

    Parameters
    ----------
    by
        A key of `COHORTS`.

    Returns
    -------
    pl.DataFrame
        `cohort`, `token` (what stands for it in an address), `sites`, `on_course`,
        `in_doubt`, `off_course`, `blind`, `judged` (sites whose gap is known), `gap`, `gap_25`,
        `gap_75` (median and quartiles of SPF minus promise), `low`, `high` (notch about the
        median, 1.57 times the interquartile range over the root of their number: McGill, Tukey
        and Larsen, The American Statistician 32 (1978) 12-16) and `gap_all`, the median of all
        sites asked for.
    """
    return query(
        store.cursor(),
        f"""
        WITH asked AS (SELECT *, {COHORTS[by]} AS cohort FROM ({_ROWS}) WHERE {wanted.where()}),
        gathered AS (
            SELECT cohort, count(*) AS sites,
                count(*) FILTER (WHERE word = 'on course') AS on_course,
                count(*) FILTER (WHERE word = 'in doubt') AS in_doubt,
                count(*) FILTER (WHERE word = 'off course') AS off_course,
                count(*) FILTER (WHERE word = 'blind') AS blind,
                count(gap) AS judged, median(gap) AS gap,
                quantile_cont(gap, 0.25) AS gap_25, quantile_cont(gap, 0.75) AS gap_75
            FROM asked GROUP BY cohort
        )
        SELECT *, {_token(by, "cohort")} AS token,
            gap - 1.57 * (gap_75 - gap_25) / sqrt(judged) AS low,
            gap + 1.57 * (gap_75 - gap_25) / sqrt(judged) AS high,
            (SELECT median(gap) FROM asked) AS gap_all
        FROM gathered ORDER BY gap ASC NULLS LAST, cohort
        """,  # noqa: S608
        wanted.parameters(),
    )


def cohort_name(store: Store, wanted: Wanted, key: str) -> str | None:
    """Name of the cohort that is asked for under a key; None where there is none such."""
    rows = (
        store.cursor()
        .execute(
            f"SELECT {COHORTS[key]} FROM ({_ROWS}) WHERE {wanted.where()} LIMIT 1",  # noqa: S608
            wanted.parameters(),
        )
        .fetchall()
    )
    return str(rows[0][0]) if rows else None


def find(store: Store, wanted: Wanted, most: int) -> tuple[list[tuple[str, str, str]], int]:
    """The first few sites asked for by name: id, name and place; and how many there are."""
    rows = query(
        store.cursor(),
        f"SELECT site_id, name, place, count(*) OVER () AS found FROM ({_ROWS}) "  # noqa: S608
        f"WHERE {wanted.where()} ORDER BY lower(name), site_id LIMIT {int(most)}",
        wanted.parameters(),
    )
    count = rows["found"][0] if rows.height else 0
    return rows.select("site_id", "name", "place").rows(), int(count)


#: Days before the end of a period from which it is on the agenda. Common practice, no source.
ENDING_DAYS: Final = 60

#: What is on the agenda, most pressing first: the keys of `agenda`.
AGENDA: Final = ("new", "silent", "claim", "due", "ending")

_AGENDA = """
    WITH note AS (
        SELECT finding_id, times_opened, arg_max(noted_by, noted_at) AS noted_by,
            max(noted_at) AS noted_at, arg_max(note, noted_at) AS note
        FROM finding_note GROUP BY finding_id, times_opened
    ),
    open_finding AS (
        SELECT f.*, n.noted_by, n.noted_at, n.note, starts_with(f.kind, 'silent-') AS is_silence
        FROM fleet_finding f LEFT JOIN note n
            ON n.finding_id = f.finding_id AND n.times_opened = f.times_opened
    ),
    item AS (
        SELECT CASE WHEN is_silence THEN 'silent' ELSE 'new' END AS item, site_id, finding_id,
            topic, title, todo, confidence, opened_at, noted_by, noted_at, note, spf, kwh_year,
            money_year, currency AS cost_currency,
            CASE WHEN is_silence THEN (noted_at IS NOT NULL)::INTEGER ELSE rank END AS first_by,
            CASE WHEN is_silence THEN epoch(opened_at) ELSE -cost END AS then_by
        FROM open_finding WHERE is_silence OR noted_at IS NULL
        UNION ALL BY NAME
        SELECT 'claim' AS item, site_id, claim_id, arg_max(s.what, s.step_id) AS title,
            0 AS first_by, min(epoch(c.raised_at)) AS then_by, min(c.raised_at) AS opened_at
        FROM claim c JOIN claim_step s USING (claim_id) GROUP BY site_id, claim_id
        HAVING title NOT IN ('confirmed', 'closed')
        UNION ALL BY NAME
        SELECT 'due' AS item, site_id, settlement AS title,
            0 AS first_by, epoch(period_end) AS then_by
        FROM fleet ANTI JOIN (
            SELECT s.site_id FROM settlement s JOIN fleet f USING (site_id)
            WHERE s.settled_at >= f.period_end
        ) settled USING (site_id)
        WHERE settlement IS NOT NULL
        UNION ALL BY NAME
        SELECT 'ending' AS item, site_id, word AS title, 0 AS first_by,
            days_left + coalesce(probability, 0.5) / 2 AS then_by
        FROM fleet WHERE days_left BETWEEN 1 AND $ending AND settlement IS NULL
    )
    SELECT item.*, f.name, f.place, f.word, f.promise, f.boundary, f.period_end, f.days_left,
        f.spf AS site_spf, f.coverage, f.probability, f.settlement, f.newest_reading
    FROM item JOIN fleet f USING (site_id) WHERE f.name IS NOT NULL
"""


def agenda_counts(store: Store, sites: Sequence[str] | None = None) -> dict[str, int]:
    """How many items of each kind are on the agenda of some sites, or of all."""
    which, parameters = _only(sites)
    found = dict(
        store.cursor()
        .execute(
            f"SELECT item, count(*) FROM ({_AGENDA}) WHERE {which} GROUP BY item",  # noqa: S608
            {"ending": ENDING_DAYS} | parameters,
        )
        .fetchall()
    )
    return {kind: int(found.get(kind, 0)) for kind in AGENDA}


def agenda(
    store: Store,
    kinds: Sequence[str] = AGENDA,
    sites: Sequence[str] | None = None,
    *,
    first: int = 0,
    count: int | None = None,
) -> pl.DataFrame:
    """What wants a person today, most pressing first.

    Parameters
    ----------
    kinds
        `new` (open findings that nobody took note of), `silent` (sites and sources that
        fell silent, noted or not), `claim` (open ones), `due` (periods that are over and not
        settled), `ending`
        (periods that end within `ENDING_DAYS`).
    sites
        Only of these; None for all.
    first, count
        Which of them; None for all that follow.
    """
    which, parameters = _only(sites)
    limit = "" if count is None else f" LIMIT {int(count)} OFFSET {int(first)}"
    return query(
        store.cursor(),
        f"SELECT * EXCLUDE (first_by, then_by) FROM ({_AGENDA}) "  # noqa: S608
        f"WHERE list_contains($kinds, item) AND {which} "
        "ORDER BY list_position($kinds, item), first_by, then_by, lower(name), finding_id, claim_id"
        f"{limit}",
        {"ending": ENDING_DAYS, "kinds": list(kinds)} | parameters,
    )


def to_settle(store: Store, before: date, sites: Sequence[str] | None = None) -> list[str]:
    """Sites whose period ends by a day and was not settled at its end, the first one first.

    Parameters
    ----------
    sites
        Only of these; None for all.
    """
    which, parameters = _only(sites)
    rows = (
        store.cursor()
        .execute(
            "SELECT site_id FROM fleet ANTI JOIN ("  # noqa: S608
            "SELECT s.site_id FROM settlement s JOIN fleet f USING (site_id) "
            "WHERE s.settled_at >= f.period_end) settled USING (site_id) "
            f"WHERE period_end <= $before AND name IS NOT NULL AND {which} "
            "ORDER BY period_end, lower(name), site_id",
            {"before": before} | parameters,
        )
        .fetchall()
    )
    return [site_id for (site_id,) in rows]


def _only(sites: Sequence[str] | None) -> tuple[str, dict[str, object]]:
    """Condition, and its value, for some sites or all."""
    if sites is None:
        return "true", {}
    return "list_contains($sites, site_id)", {"sites": list(sites)}
