"""People who may sign in, and the secrets that their sessions rest on."""

from __future__ import annotations

import re
import secrets
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Final, Literal, get_args

import duckdb
from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from monitor.errors import NotFoundError, PledgewattError
from monitor.store import audit
from monitor.store.connection import NO_SITE, Store
from monitor.store.sites import load_site

UserRole = Literal["installer", "warranty", "homeowner", "administrator"]
ROLES: Final[tuple[UserRole, ...]] = get_args(UserRole)

#: Roles that may be given every site, those of a team, or a stated set.
WITH_SCOPE: Final = frozenset({"installer", "warranty"})

#: Shortest password that is taken (NIST SP 800-63B asks for at least 8; longer is better).
LEAST_PASSWORD = 10
#: Longest, so that nobody makes the server hash a novel.
MOST_PASSWORD = 256
#: Wrong passwords in a row after which an account is locked until somebody unlocks it
#: (NIST SP 800-63B, 5.2.2: no more than 100; from memory).
MOST_IN_A_ROW: Final = 100

_EMAIL = re.compile(r"[^@\s]{1,64}@[^@\s]{1,189}")
_ROLES = "'installer', 'warranty', 'homeowner' or 'administrator'"
_SELECT = (
    "SELECT user_id, email, name, role, everywhere, team, session_key, locked_at IS NOT NULL, "
    "password_hash FROM account "
)
_hasher = PasswordHasher()


class AccountError(PledgewattError):
    """An account cannot be made or changed as asked."""


@dataclass(frozen=True)
class Scope:
    """The sites that a person may see: every one, those of a team, or these."""

    everywhere: bool = False
    team: str | None = None
    sites: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """In a few words."""
        if self.everywhere:
            return "every site"
        if self.team is not None:
            return f"team {self.team}"
        return ", ".join(self.sites) or "no site"


@dataclass(frozen=True)
class User:
    """One person.

    Attributes
    ----------
    sites
        Sites that the person may see; empty for who may see every one.
    session_key
        Part of every session of this person; a new one ends them all.
    everywhere, team
        Whether every site is theirs to see, and the team whose sites are.
    locked
        Whether the account is shut: nobody signs in with it.
    """

    user_id: int
    email: str
    name: str
    role: UserRole
    sites: tuple[str, ...]
    session_key: str = field(repr=False)
    everywhere: bool = False
    team: str | None = None
    locked: bool = False

    def may_see(self, site_id: str) -> bool:
        """Whether a site is any business of this person."""
        return self.everywhere or site_id in self.sites

    @property
    def scope(self) -> Scope:
        """What the account was given."""
        return Scope(self.everywhere, self.team, () if self.team else self.sites)


def _user(row: Sequence[object], sites: tuple[str, ...]) -> User:
    user_id, email, name, role, everywhere, team, session_key, locked, _ = row
    known: dict[str, UserRole] = {one: one for one in ROLES}
    return User(
        user_id=int(str(user_id)),
        email=str(email),
        name=str(name),
        role=known[str(role)],
        sites=sites,
        session_key=str(session_key),
        everywhere=bool(everywhere),
        team=None if team is None else str(team),
        locked=bool(locked),
    )


def normal_email(email: str) -> str:
    """Form under which an e-mail address is kept and looked up."""
    return email.strip().casefold()


def hashed(password: str) -> str:
    """Argon2 hash of a password.

    Raises
    ------
    AccountError
        It is too short or too long.
    """
    if not LEAST_PASSWORD <= len(password) <= MOST_PASSWORD:
        message = (
            f"A password needs {LEAST_PASSWORD} to {MOST_PASSWORD} characters, and this one has "
            f"{len(password)}. A few words in a row make a good one."
        )
        raise AccountError(message)
    return _hasher.hash(password)


@cache
def _nobody() -> str:
    """Hash that is checked for an unknown e-mail, so that the answer takes as long."""
    return _hasher.hash(secrets.token_urlsafe(24))


def checked(
    store: Store, *, email: str, name: str, role: str, sites: Sequence[str], team: str | None
) -> tuple[str, str, UserRole, Scope]:
    """Check who is to be let in, and as what.

    Parameters
    ----------
    sites, team
        What an installer or warranty person sees; with neither, every site.

    Raises
    ------
    AccountError
        The e-mail is taken or none, the role unknown, or the sites do not fit the role.
    NotFoundError
        A site does not exist.
    """
    email, name = normal_email(email), name.strip()
    if not _EMAIL.fullmatch(email):
        message = f"'{email}' is not an e-mail address such as 'name@example.org'."
        raise AccountError(message)
    if not name or len(name) > 120:
        message = "Give the person's name, in at most 120 characters."
        raise AccountError(message)
    known: dict[str, UserRole] = {one: one for one in ROLES}
    if role not in known:
        message = f"'{role}' is not a role. Give {_ROLES}."
        raise AccountError(message)
    if role == "homeowner" and len(sites) != 1:
        message = f"A homeowner sees exactly one site; {len(sites)} were given."
        raise AccountError(message)
    if role == "administrator" and sites:
        message = "An administrator lets people in and sees no site; leave the site out."
        raise AccountError(message)
    if team is not None and (role not in WITH_SCOPE or sites or not team.strip()):
        message = (
            "A team's sites are for an installer or a warranty person, and not together with "
            "sites by name."
        )
        raise AccountError(message)
    ids = tuple(sorted({load_site(store, one).id for one in sites}))
    everywhere = role in WITH_SCOPE and not ids and team is None
    return email, name, known[role], Scope(everywhere, team.strip() if team else None, ids)


def add_user(
    store: Store,
    *,
    email: str,
    name: str,
    role: str,
    password: str,
    sites: Sequence[str] = (),
    team: str | None = None,
    now: datetime,
) -> User:
    """Add a person; who sees what is as in `checked`.

    Raises
    ------
    AccountError
        As `checked`, or the password is too short or too long.
    NotFoundError
        A site does not exist.
    """
    email, name, known, scope = checked(
        store, email=email, name=name, role=role, sites=sites, team=team
    )
    password_hash = hashed(password)
    with _once(email), store.transaction() as cursor:
        user_id = insert(cursor, email, name, known, scope, password_hash, now)
        audit.note(cursor, "account added", person=user_id, detail=known)
    audit.seal(store)
    return account(store, email)


def insert(
    cursor: duckdb.DuckDBPyConnection,
    email: str,
    name: str,
    role: UserRole,
    scope: Scope,
    password_hash: str,
    now: datetime,
) -> int:
    """Insert what `checked` has checked; returns the number of the account."""
    (user_id,) = cursor.execute(
        "INSERT INTO account (email, name, role, everywhere, team, password_hash, session_key, "
        "created_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?) RETURNING user_id",
        [
            email,
            name,
            role,
            scope.everywhere,
            scope.team,
            password_hash,
            secrets.token_urlsafe(24),
            now,
        ],
    ).fetchall()[0]
    for site_id in scope.sites:
        cursor.execute("INSERT INTO account_site VALUES (?, ?)", [user_id, site_id])
    return int(user_id)


@contextmanager
def _once(email: str) -> Iterator[None]:
    try:
        yield
    except duckdb.ConstraintException as error:
        raise taken(email) from error


def taken(email: str) -> AccountError:
    """An e-mail has an account already."""
    message = (
        f"There is an account for {email} already. Remove it first, or give it another password."
    )
    return AccountError(message)


def verify(store: Store, email: str, password: str) -> User | None:
    """The person whom e-mail and password belong to, or None.

    An unknown e-mail takes as long to refuse as a wrong password, and so does an account
    that is locked. Each try is logged; the last of `MOST_IN_A_ROW` wrong ones locks.
    """
    email = normal_email(email)
    user, kept = next(iter(_found(store, "WHERE email = ?", [email])), (None, _nobody()))
    right = _fits(kept, password) and user is not None and not user.locked
    with store.transaction(NO_SITE) as cursor:
        if right:
            cursor.execute(
                "UPDATE account SET failures = 0 WHERE email = ? AND failures > 0", [email]
            )
        else:
            cursor.execute("UPDATE account SET failures = failures + 1 WHERE email = ?", [email])
            cursor.execute(
                "UPDATE account SET locked_at = now() WHERE email = ? AND failures >= ? "
                "AND locked_at IS NULL",
                [email, MOST_IN_A_ROW],
            )
        audit.note(
            cursor,
            "signed in" if right else "sign-in failed",
            person=None if user is None else user.user_id,
            detail="password",
        )
    audit.seal(store)
    return user if right else None


def _fits(kept: str, password: str) -> bool:
    try:
        _hasher.verify(kept, password[: MOST_PASSWORD + 1])
    except (VerificationError, InvalidHashError):
        return False
    return True


def _found(store: Store, where: str, given: list[object]) -> list[tuple[User, str]]:
    """Accounts with the hash of their password; the sites of a team are those it has now."""
    cursor = store.cursor()
    rows = cursor.execute(_SELECT + where, given).fetchall()
    sites: dict[int, list[str]] = {}
    teams: dict[str, list[str]] = {}
    numbers = [row[0] for row in rows if not row[4] and row[5] is None]
    if numbers:
        cursor.execute(
            "SELECT user_id, site_id FROM account_site WHERE list_contains(?::INTEGER[], user_id) "
            "ORDER BY site_id",
            [numbers],
        )
        for number, site_id in cursor.fetchall():
            sites.setdefault(number, []).append(site_id)
    for team in {row[5] for row in rows if row[5] is not None}:
        teams[team] = [
            site_id
            for (site_id,) in cursor.execute(
                "SELECT site_id FROM fleet WHERE team = ? ORDER BY site_id", [team]
            ).fetchall()
        ]
    return [
        (_user(row, tuple(teams[row[5]] if row[5] is not None else sites.get(row[0], ()))), row[-1])
        for row in rows
    ]


def load_user(store: Store, user_id: int) -> User | None:
    """The person of a number, or None once removed."""
    return next((one for one, _ in _found(store, "WHERE user_id = ?", [user_id])), None)


def account(store: Store, email: str) -> User:
    """The person of an e-mail.

    Raises
    ------
    NotFoundError
        No account has that e-mail.
    """
    for one, _ in _found(store, "WHERE email = ?", [normal_email(email)]):
        return one
    raise _no_account(email)


def list_users(store: Store) -> list[User]:
    """Everyone, by e-mail."""
    return [one for one, _ in _found(store, "ORDER BY email", [])]


def set_password(store: Store, email: str, password: str) -> User:
    """Give a person another password and end all of their sessions; a lock is undone.

    Raises
    ------
    NotFoundError
        No account has that e-mail.
    AccountError
        The password is too short or too long.
    """
    password_hash = hashed(password)
    user = account(store, email)
    with store.transaction() as cursor:
        renew(cursor, user.user_id, password_hash)
    audit.seal(store)
    return account(store, email)


def renew(cursor: duckdb.DuckDBPyConnection, user_id: int, password_hash: str) -> None:
    """Put another password in place; every session of the person ends."""
    cursor.execute(
        "UPDATE account SET password_hash = ?, session_key = ?, failures = 0, locked_at = NULL "
        "WHERE user_id = ?",
        [password_hash, secrets.token_urlsafe(24), user_id],
    )
    audit.note(cursor, "password set", person=user_id)


def lock(store: Store, email: str, *, locked: bool) -> User:
    """Shut an account, so that its sessions end and nobody signs in with it; or open it.

    Raises
    ------
    NotFoundError
        No account has that e-mail.
    """
    user = account(store, email)
    with store.transaction() as cursor:
        cursor.execute(
            "UPDATE account SET session_key = ?, failures = 0, "
            "locked_at = CASE WHEN ? THEN now() END WHERE user_id = ?",
            [secrets.token_urlsafe(24), locked, user.user_id],
        )
        audit.note(cursor, "account locked" if locked else "account unlocked", person=user.user_id)
    audit.seal(store)
    return account(store, email)


def remove_user(store: Store, email: str) -> None:
    """Remove a person; their sessions end at once.

    Raises
    ------
    NotFoundError
        No account has that e-mail.
    """
    user = account(store, email)
    with store.transaction() as cursor:
        delete(cursor, user.user_id)
        audit.note(cursor, "account removed", person=user.user_id)
    audit.seal(store)


def delete(cursor: duckdb.DuckDBPyConnection, user_id: int) -> None:
    """Delete an account with all that only serves it."""
    for name in ("account", "account_site", "account_provider", "invitation"):
        cursor.execute(f"DELETE FROM {name} WHERE user_id = ?", [user_id])  # noqa: S608


def _no_account(email: str) -> NotFoundError:
    message = (
        f"There is no account for {normal_email(email)}. 'pledgewatt users list' shows those "
        "there are."
    )
    return NotFoundError(message)


def secret_key(store: Store) -> str:
    """The secret that signs session cookies; made once, then kept in the store."""
    with store.transaction() as cursor:
        cursor.execute(
            "INSERT INTO secret VALUES ('session', ?) ON CONFLICT DO NOTHING",
            [secrets.token_urlsafe(48)],
        )
        value = cursor.execute("SELECT value FROM secret WHERE name = 'session'").fetchall()[0][0]
    return str(value)


def end_session(store: Store, session_id: str, now: datetime, *, lifetime: timedelta) -> None:
    """Keep in mind that a session was signed out of, for as long as its cookie could live."""
    with store.transaction(NO_SITE) as cursor:
        cursor.execute("DELETE FROM ended_session WHERE ended_at < ?", [now - lifetime])
        cursor.execute(
            "INSERT INTO ended_session VALUES (?, ?) ON CONFLICT DO NOTHING", [session_id, now]
        )


def ended_sessions(store: Store, now: datetime, *, lifetime: timedelta) -> set[str]:
    """Sessions that were signed out of and whose cookies could still be alive."""
    rows = (
        store.cursor()
        .execute(
            "SELECT session_id FROM ended_session WHERE ended_at >= ?",
            [now.astimezone(UTC) - lifetime],
        )
        .fetchall()
    )
    return {str(session_id) for (session_id,) in rows}
