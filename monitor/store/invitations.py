"""Links that let a person choose a password: used once, good for some days, kept as a hash."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

import duckdb

from monitor.errors import NotFoundError
from monitor.store import audit, users
from monitor.store.connection import Store
from monitor.store.users import AccountError, Scope, User, UserRole

#: Days that a link is good for, at most and if nothing else is said.
MOST_DAYS: Final = 30
USUAL_DAYS: Final = 7

_COLUMNS: Final = (
    "invitation_id, email, name, role, everywhere, team, sites, user_id, invited_by, expires_at"
)

_INSERT: Final = (
    "INSERT INTO invitation (token_hash, email, name, role, everywhere, team, sites, "  # noqa: S608
    "user_id, invited_by, created_at, expires_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) "
    f"RETURNING {_COLUMNS}"
)


@dataclass(frozen=True)
class Invitation:
    """A link that is open.

    Attributes
    ----------
    user_id
        The account whose password it sets anew; None where it makes one.
    invited_by
        The account that made it; None for a command.
    """

    number: int
    email: str
    name: str
    role: UserRole
    scope: Scope
    user_id: int | None
    invited_by: int | None
    expires_at: datetime


class LinkError(NotFoundError):
    """A link leads nowhere: used, withdrawn, too old or never made."""

    def __init__(self) -> None:
        super().__init__(
            "This link is not good any more: it was used, withdrawn or is too old. Ask for a new "
            "one."
        )


def invite(
    store: Store,
    *,
    email: str,
    name: str,
    role: str,
    sites: Sequence[str] = (),
    team: str | None = None,
    by: User | None = None,
    days: int = USUAL_DAYS,
    now: datetime,
) -> tuple[Invitation, str]:
    """Invite a person who has no account; an earlier invitation of the e-mail is withdrawn.

    Returns
    -------
    tuple
        The invitation, and the token that its link carries: nobody can give it again.

    Raises
    ------
    AccountError
        As `users.checked`, the e-mail has an account, or the days are none.
    NotFoundError
        A site does not exist.
    """
    email, name, known, scope = users.checked(
        store, email=email, name=name, role=role, sites=sites, team=team
    )
    if any(one.email == email for one in users.list_users(store)):
        raise users.taken(email)
    return _make(store, email, name, known, scope, None, by, days, now)


def new_password(
    store: Store, user: User, *, by: User | None = None, days: int = USUAL_DAYS, now: datetime
) -> tuple[Invitation, str]:
    """Let a person choose another password; the present one holds until they have.

    Raises
    ------
    AccountError
        The days are none.
    """
    return _make(store, user.email, user.name, user.role, user.scope, user.user_id, by, days, now)


def _make(
    store: Store,
    email: str,
    name: str,
    role: UserRole,
    scope: Scope,
    user_id: int | None,
    by: User | None,
    days: int,
    now: datetime,
) -> tuple[Invitation, str]:
    if not 1 <= days <= MOST_DAYS:
        message = f"A link is good for 1 to {MOST_DAYS} days, not {days}."
        raise AccountError(message)
    token = secrets.token_urlsafe(32)
    with store.transaction() as cursor:
        cursor.execute("DELETE FROM invitation WHERE email = ? OR expires_at <= ?", [email, now])
        row = cursor.execute(
            _INSERT,
            [
                _hash(token),
                email,
                name,
                role,
                scope.everywhere,
                scope.team,
                ",".join(scope.sites),
                user_id,
                None if by is None else by.user_id,
                now,
                now + timedelta(days=days),
            ],
        ).fetchall()[0]
        made = _invitation(row)
        audit.note(
            cursor,
            "invited" if user_id is None else "new password offered",
            site=scope.sites[0] if role == "homeowner" else None,
            person=user_id,
            detail=f"invitation {made.number} {role}",
        )
    audit.seal(store)
    return made, token


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode(errors="replace")).hexdigest()


def _invitation(row: Sequence[object]) -> Invitation:
    number, email, name, role, everywhere, team, sites, user_id, by, expires = row
    assert isinstance(expires, datetime)  # noqa: S101 - the column's type
    known: dict[str, UserRole] = {one: one for one in users.ROLES}
    return Invitation(
        number=int(str(number)),
        email=str(email),
        name=str(name),
        role=known[str(role)],
        scope=Scope(
            bool(everywhere),
            None if team is None else str(team),
            tuple(str(sites).split(",")) if sites else (),
        ),
        user_id=None if user_id is None else int(str(user_id)),
        invited_by=None if by is None else int(str(by)),
        expires_at=expires.astimezone(UTC),
    )


def open_invitations(store: Store, now: datetime) -> list[Invitation]:
    """Links that are still good, by e-mail."""
    rows = (
        store.cursor()
        .execute(
            f"SELECT {_COLUMNS} FROM invitation WHERE expires_at > ? ORDER BY email",  # noqa: S608
            [now],
        )
        .fetchall()
    )
    return [_invitation(row) for row in rows]


def find(store: Store, token: str, now: datetime) -> Invitation:
    """The invitation of a token.

    Raises
    ------
    LinkError
        There is none that is still good.
    """
    rows = (
        store.cursor()
        .execute(
            f"SELECT {_COLUMNS} FROM invitation WHERE token_hash = ? AND expires_at > ?",  # noqa: S608
            [_hash(token), now],
        )
        .fetchall()
    )
    if not rows:
        raise LinkError
    return _invitation(rows[0])


def accept(store: Store, token: str, password: str, now: datetime) -> User:
    """Take an invitation up with a password; its link is spent.

    Raises
    ------
    LinkError
        The link is not good any more.
    AccountError
        The password is too short or too long; the link stays good.
    """
    password_hash = users.hashed(password)
    invitation = find(store, token, now)
    try:
        with store.transaction() as cursor:
            spent = cursor.execute(
                "DELETE FROM invitation WHERE token_hash = ? AND expires_at > ? "
                "RETURNING invitation_id",
                [_hash(token), now],
            ).fetchall()
            if not spent:
                raise LinkError
            user_id = invitation.user_id
            if user_id is None:
                user_id = users.insert(
                    cursor,
                    invitation.email,
                    invitation.name,
                    invitation.role,
                    invitation.scope,
                    password_hash,
                    now,
                )
            else:
                users.renew(cursor, user_id, password_hash)
            audit.note(
                cursor,
                "invitation taken up",
                person=user_id,
                detail=f"invitation {invitation.number}",
            )
    except (duckdb.ConstraintException, duckdb.TransactionException) as error:
        # Somebody else used the very link, or the e-mail got an account meanwhile.
        raise LinkError from error
    audit.seal(store)
    found = users.load_user(store, user_id)
    if found is None:
        raise LinkError
    return found


def withdraw(store: Store, number: int) -> None:
    """Withdraw an invitation: its link leads nowhere from now on.

    Raises
    ------
    NotFoundError
        None of that number is open.
    """
    with store.transaction() as cursor:
        gone = cursor.execute(
            "DELETE FROM invitation WHERE invitation_id = ? RETURNING user_id", [number]
        ).fetchall()
        if not gone:
            message = f"No invitation {number} is open."
            raise NotFoundError(message)
        audit.note(cursor, "invitation withdrawn", person=gone[0][0], detail=f"invitation {number}")
    audit.seal(store)
