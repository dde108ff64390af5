"""People who may sign in, and the secrets that their sessions rest on."""

from __future__ import annotations

import re
import secrets
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Literal, get_args

import duckdb
from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from monitor.errors import NotFoundError, PledgewattError
from monitor.store.connection import Store
from monitor.store.sites import load_site

UserRole = Literal["installer", "homeowner"]

#: Shortest password that is taken (NIST SP 800-63B asks for at least 8; longer is better).
LEAST_PASSWORD = 10
#: Longest, so that nobody makes the server hash a novel.
MOST_PASSWORD = 256

_EMAIL = re.compile(r"[^@\s]{1,64}@[^@\s]{1,189}")
_COLUMNS = "user_id, email, name, role, site_id, session_key"
_INSERT = (
    "INSERT INTO account (email, name, role, site_id, password_hash, session_key, created_at) "  # noqa: S608
    f"VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING {_COLUMNS}"
)
_UPDATE = (
    "UPDATE account SET password_hash = ?, session_key = ? WHERE email = ? "  # noqa: S608
    f"RETURNING {_COLUMNS}"
)
_hasher = PasswordHasher()


class AccountError(PledgewattError):
    """An account cannot be made or changed as asked."""


@dataclass(frozen=True)
class User:
    """One person.

    Attributes
    ----------
    sites
        A homeowner's one site. Empty for an installer, who sees every site.
    session_key
        Part of every session of this person; a new one ends them all.
    """

    user_id: int
    email: str
    name: str
    role: UserRole
    sites: tuple[str, ...]
    session_key: str = field(repr=False)

    def may_see(self, site_id: str) -> bool:
        """Whether a site is any business of this person."""
        return self.role == "installer" or site_id in self.sites


def _user(row: Sequence[object]) -> User:
    user_id, email, name, role, site_id, session_key = row
    return User(
        user_id=int(str(user_id)),
        email=str(email),
        name=str(name),
        role="homeowner" if role == "homeowner" else "installer",
        sites=(str(site_id),) if site_id is not None else (),
        session_key=str(session_key),
    )


def normal_email(email: str) -> str:
    """Form under which an e-mail address is kept and looked up."""
    return email.strip().casefold()


def _hashed(password: str) -> str:
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


def add_user(
    store: Store,
    *,
    email: str,
    name: str,
    role: str,
    password: str,
    sites: Sequence[str] = (),
    now: datetime,
) -> User:
    """Add a person.

    Raises
    ------
    AccountError
        The e-mail is taken or none, the role unknown, the password too short, or the
        sites do not fit the role.
    NotFoundError
        The homeowner's site does not exist.
    """
    email, name = normal_email(email), name.strip()
    if not _EMAIL.fullmatch(email):
        message = f"'{email}' is not an e-mail address such as 'name@example.org'."
        raise AccountError(message)
    if not name or len(name) > 120:
        message = "Give the person's name, in at most 120 characters."
        raise AccountError(message)
    if role not in get_args(UserRole):
        message = f"'{role}' is not a role. Give 'installer' or 'homeowner'."
        raise AccountError(message)
    if role == "homeowner" and len(sites) != 1:
        message = f"A homeowner sees exactly one site; {len(sites)} were given."
        raise AccountError(message)
    if role == "installer" and sites:
        message = "An installer sees every site; leave the site out, or make it a homeowner."
        raise AccountError(message)
    site_id = load_site(store, sites[0]).id if sites else None
    hashed = _hashed(password)
    try:
        with store.transaction() as cursor:
            row = cursor.execute(
                _INSERT,
                [email, name, role, site_id, hashed, secrets.token_urlsafe(24), now],
            ).fetchall()[0]
    except duckdb.ConstraintException as error:
        message = (
            f"There is an account for {email} already. Remove it first, or give it another "
            "password."
        )
        raise AccountError(message) from error
    return _user(row)


def verify(store: Store, email: str, password: str) -> User | None:
    """The person whom e-mail and password belong to, or None.

    An unknown e-mail takes as long to refuse as a wrong password.
    """
    rows = (
        store.cursor()
        .execute(
            f"SELECT {_COLUMNS}, password_hash FROM account WHERE email = ?",  # noqa: S608
            [normal_email(email)],
        )
        .fetchall()
    )
    kept = rows[0][-1] if rows else _nobody()
    try:
        _hasher.verify(kept, password[: MOST_PASSWORD + 1])
    except (VerificationError, InvalidHashError):
        return None
    return _user(rows[0][:-1]) if rows else None


def load_user(store: Store, user_id: int) -> User | None:
    """The person of a number, or None once removed."""
    rows = (
        store.cursor()
        .execute(
            f"SELECT {_COLUMNS} FROM account WHERE user_id = ?",  # noqa: S608
            [user_id],
        )
        .fetchall()
    )
    return _user(rows[0]) if rows else None


def list_users(store: Store) -> list[User]:
    """Everyone, by e-mail."""
    rows = (
        store.cursor()
        .execute(f"SELECT {_COLUMNS} FROM account ORDER BY email")  # noqa: S608
        .fetchall()
    )
    return [_user(row) for row in rows]


def set_password(store: Store, email: str, password: str) -> User:
    """Give a person another password and end all of their sessions.

    Raises
    ------
    NotFoundError
        No account has that e-mail.
    AccountError
        The password is too short or too long.
    """
    hashed = _hashed(password)
    with store.transaction() as cursor:
        rows = cursor.execute(
            _UPDATE,
            [hashed, secrets.token_urlsafe(24), normal_email(email)],
        ).fetchall()
    if not rows:
        raise _no_account(email)
    return _user(rows[0])


def remove_user(store: Store, email: str) -> None:
    """Remove a person; their sessions end at once.

    Raises
    ------
    NotFoundError
        No account has that e-mail.
    """
    with store.transaction() as cursor:
        rows = cursor.execute(
            "DELETE FROM account WHERE email = ? RETURNING user_id", [normal_email(email)]
        ).fetchall()
    if not rows:
        raise _no_account(email)


def _no_account(email: str) -> NotFoundError:
    message = (
        f"There is no account for {normal_email(email)}. 'pledgewatt user list' shows those "
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
    with store.transaction() as cursor:
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
