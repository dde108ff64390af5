"""What is held on a person: all of it on request, and its erasure.

`HELD` says for every table how it bears on a person; a test fails on a table without a line.
"""

from __future__ import annotations

import contextlib
import json
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from typing import IO, Any, Final

import duckdb

from monitor.store import audit, fleet
from monitor.store.connection import Store, query
from monitor.store.users import User

_SITE: Final = "site_id IN (SELECT unnest($sites::VARCHAR[]))"
_PERSON: Final = "user_id = $person"
_NOTHING: Final = "false"

#: Columns that open doors: held, but nobody's to be given.
_SECRET: Final = frozenset({"password_hash", "session_key", "token_hash"})

#: Tables as long as the readings; given as CSV, the others as JSON.
_LONG: Final = frozenset({"reading", "slot", "state_slot", "behaviour", "suspect", "quarantine"})


def _through(key: str, table: str, column: str = "") -> str:
    """Condition for rows that belong to a home by way of another table."""
    return f"{key} IN (SELECT {column or key} FROM {table} WHERE {_SITE})"  # noqa: S608


@dataclass(frozen=True)
class Held:
    """How a table bears on a person.

    Attributes
    ----------
    of_home, of_person
        Conditions for rows of the sites of a homeowner, and of the account.
    erased
        Whether the account's rows go when the person is erased.
    names
        Columns in which somebody has typed who they are.
    """

    of_home: str = _NOTHING
    of_person: str = _NOTHING
    erased: bool = False
    names: tuple[str, ...] = ()


_HOME: Final = Held(of_home=_SITE)
_CHANNEL: Final = Held(of_home=_through("channel_id", "channel"))
_OWN: Final = Held(of_person=_PERSON, erased=True)
#: Holds nothing of anybody: prices, weather of places, the program's own business.
_NOBODY: Final = Held()
_SOURCE: Final = Held(of_home=_through("source", "source", "name"))

HELD: Final[Mapping[str, Held]] = {
    "account": _OWN,
    "account_site": _OWN,
    "account_provider": _OWN,
    "invitation": Held(of_person="user_id = $person OR email = $email", erased=True),
    "saved_view": _OWN,
    "telling_wish": _OWN,
    "telling_from": _OWN,
    "telling": _OWN,
    "told": _OWN,
    "audit": Held(of_person="by_person = $person OR person = $person"),
    "audit_pending": _NOBODY,
    "audit_head": _NOBODY,
    "site_version": _HOME,
    "channel": _HOME,
    "reading": _CHANNEL,
    "contested": _CHANNEL,
    "import": _HOME,
    "quarantine": Held(of_home=_through("import_id", "import")),
    "changed": _NOBODY,
    "slot": _HOME,
    "state_slot": _HOME,
    "behaviour": _HOME,
    "suspect": _HOME,
    "standing": _HOME,
    "outlook": _HOME,
    "assessment": _HOME,
    "fleet": _HOME,
    "fleet_finding": _HOME,
    "finding": _HOME,
    "finding_note": Held(
        of_home=_through("finding_id", "finding"),
        names=("noted_by",),
    ),
    "exclusion": Held(of_home=_SITE, names=("entered_by",)),
    "exclusion_withdrawn": Held(
        of_home=_through("exclusion_id", "exclusion"),
        names=("withdrawn_by",),
    ),
    "settlement": _HOME,
    "claim": _HOME,
    "claim_step": Held(of_home=_through("claim_id", "claim"), of_person=_PERSON),
    "source": _HOME,
    "source_import": _SOURCE,
    "source_failed": _SOURCE,
    "source_try": _SOURCE,
    "source_fetched": _SOURCE,
    "price": _NOBODY,
    "price_import": _NOBODY,
    "price_quarantine": _NOBODY,
    "weather_day": _NOBODY,
    "weather_import": _NOBODY,
    "ended_session": _NOBODY,
    "secret": _NOBODY,
    "schema_version": _NOBODY,
}

#: What may say more of a person than their account, and stays as evidence or as work done.
_KEPT: Final = {
    "settlement": ("settlement", "sealed with the description of the home as it was then"),
    "claim_step": ("step of claims", "with what was said, under the number of the account"),
    "exclusion": ("exclusion", "with the reason as it was typed"),
    "import": ("import", "with the name of its file"),
    "finding_note": ("note on findings", "as it was typed"),
}


@dataclass(frozen=True)
class Erased:
    """What an erasure did.

    Attributes
    ----------
    sites
        Homes whose name and place went with the person; not those where somebody else lives.
    kept
        Sentences on what stays, for somebody to look at.
    """

    user_id: int
    sites: tuple[str, ...]
    kept: tuple[str, ...]


def export(store: Store, user: User, target: IO[bytes]) -> dict[str, int]:
    """Write a zip of everything that is held on a person; it is logged.

    For a homeowner that is the account and the home with its readings; for others the
    account, what they did and what bears their name.

    Returns
    -------
    dict
        Rows by table, those without any left out.
    """
    audit.record(store, "data exported", person=user.user_id)
    counts: dict[str, int] = {}
    with (
        zipfile.ZipFile(target, "w", compression=zipfile.ZIP_DEFLATED) as out,
        store.transaction() as cursor,
    ):
        for name in _tables(cursor):
            frame = query(cursor, *_select(cursor, name, HELD.get(name, _NOBODY), user))
            if frame.height == 0:
                continue
            counts[name] = frame.height
            if name in _LONG:
                with out.open(f"{name}.csv", "w") as stream:
                    frame.write_csv(stream, datetime_format="%Y-%m-%dT%H:%M:%SZ")
            else:
                out.writestr(f"{name}.json", _json([_opened(row) for row in frame.to_dicts()]))
        about = {
            "account": user.user_id,
            "email": user.email,
            "name": user.name,
            "role": user.role,
            "sees": user.scope.words,
            "rows": counts,
        }
        out.writestr("about.json", _json(about))
    return counts


def _tables(cursor: duckdb.DuckDBPyConnection) -> list[str]:
    rows = cursor.execute("SELECT table_name FROM duckdb_tables() ORDER BY table_name").fetchall()
    return [str(name) for (name,) in rows]


def _select(
    cursor: duckdb.DuckDBPyConnection, name: str, held: Held, user: User
) -> tuple[str, dict[str, object]]:
    """The statement, with its values, for all rows of a table that are held on a person."""
    columns = cursor.execute(
        "SELECT column_name FROM duckdb_columns() WHERE table_name = ? ORDER BY column_index",
        [name],
    ).fetchall()
    shown = ", ".join(f'"{column}"' for (column,) in columns if column not in _SECRET)
    given: dict[str, object] = {
        "sites": list(user.sites) if user.role == "homeowner" else [],
        "person": user.user_id,
        "email": user.email,
        "name": user.name.casefold(),
    }
    named = [f"lower({column}) IN ($name, $email)" for column in held.names]
    where = " OR ".join(f"({one})" for one in (held.of_home, held.of_person, *named))
    used = {key: value for key, value in given.items() if f"${key}" in where}
    return f'SELECT {shown} FROM "{name}" WHERE {where}', used  # noqa: S608


def _opened(row: dict[str, Any]) -> dict[str, Any]:
    """A row whose documents are parsed."""
    for key in ("document", "record", "validators"):
        if isinstance(row.get(key), str):
            row[key] = json.loads(row[key])
    return row


def _json(document: object) -> str:
    return json.dumps(document, indent=1, default=str, ensure_ascii=False) + "\n"


def erase(store: Store, user: User) -> Erased:
    """Erase a person: the account and what only serves it, their name, and their home's.

    Readings, settlements and claims stay under the id of the site: evidence on a promise
    is kept for both sides. The log keeps its rows, which hold the number of the account and
    no name. A home's name and place stay where another homeowner lives on.
    """
    given = {"person": user.user_id, "email": user.email}
    with store.transaction() as cursor:
        sites = [
            one for one in user.sites if user.role == "homeowner" and _lonely(cursor, one, user)
        ]
        for site_id in sites:
            _forget_home(cursor, site_id)
        kept = tuple(_kept(cursor, user))
        for name, held in HELD.items():
            for column in held.names:
                cursor.execute(
                    f"UPDATE {name} SET {column} = 'person ' || $person "  # noqa: S608
                    f"WHERE lower({column}) IN ($name, $email)",
                    {**given, "name": user.name.casefold()},
                )
            if held.erased:
                used = {key: value for key, value in given.items() if f"${key}" in held.of_person}
                cursor.execute(f"DELETE FROM {name} WHERE {held.of_person}", used)  # noqa: S608
        audit.note(
            cursor,
            "person erased",
            site=sites[0] if sites else None,
            person=user.user_id,
        )
    audit.seal(store)
    # So that nothing of it is left in the log of the file; it waits where others write.
    with contextlib.suppress(duckdb.TransactionException):
        store.cursor().execute("CHECKPOINT")
    return Erased(user.user_id, tuple(sites), kept)


def _lonely(cursor: duckdb.DuckDBPyConnection, site_id: str, user: User) -> bool:
    """Whether no other homeowner has this home."""
    rows = cursor.execute(
        "SELECT 1 FROM account_site JOIN account USING (user_id) "
        "WHERE site_id = ? AND user_id <> ? AND role = 'homeowner'",
        [site_id, user.user_id],
    ).fetchall()
    return not rows


def _forget_home(cursor: duckdb.DuckDBPyConnection, site_id: str) -> None:
    """Take name, place and postcode area out of every version of a home's description."""
    rows = cursor.execute(
        "SELECT version_id, document FROM site_version WHERE site_id = ?", [site_id]
    ).fetchall()
    for version, document in rows:
        described = json.loads(document) | {"name": site_id, "place": ""}
        described.pop("postcode_area", None)
        cursor.execute(
            "UPDATE site_version SET document = ? WHERE version_id = ?",
            [json.dumps(described, ensure_ascii=False), version],
        )
    fleet.keep_description(cursor, site_id)


def _kept(cursor: duckdb.DuckDBPyConnection, user: User) -> list[str]:
    """Sentences on what may still say something of a person."""
    found = []
    for name, (what, how) in _KEPT.items():
        sql, used = _select(cursor, name, HELD[name], user)
        (count,) = cursor.execute(f"SELECT count(*) FROM ({sql})", used).fetchall()[0]  # noqa: S608
        if count:
            found.append(f"{count} × {what}, {how}.")
    return found
