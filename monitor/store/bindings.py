"""Who an account is at a provider: bound by the first sign-in through it, and by it from then on.

The first time a person is found by an e-mail that the provider has verified. What is kept is
the provider's own name for the person (issuer and subject), because an e-mail is given on when
somebody leaves: its next holder is another subject, and is refused.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import datetime
from enum import Enum

import duckdb

from monitor.errors import NotFoundError, PledgewattError
from monitor.store import audit, users
from monitor.store.connection import Store
from monitor.store.users import User


class Why(Enum):
    """Why somebody whom a provider vouches for is not let in; the values stand in the log."""

    UNVERIFIED = "e-mail not verified"
    UNKNOWN = "no such account"
    ANOTHER = "bound to another"
    LOCKED = "locked"
    MEANWHILE = "bound meanwhile"


class NotLetInError(PledgewattError):
    """A provider vouches for somebody who is not let in; `person` is the account, if any."""

    def __init__(self, why: Why, person: int | None = None) -> None:
        self.why, self.person = why, person
        super().__init__(f"Nobody was signed in: {why.value}.")


@dataclass(frozen=True)
class Vouched:
    """Somebody for whom a provider vouches.

    Attributes
    ----------
    email
        Their e-mail, or None unless the provider has verified it.
    """

    issuer: str
    subject: str
    email: str | None


def sign_in(store: Store, person: Vouched, now: datetime) -> User:
    """The account of somebody for whom a provider vouches; it is bound to them if it was not yet.

    It is logged, and so is a refusal; neither makes an account.

    Raises
    ------
    NotLetInError
        There is none, it is somebody else's, or it is locked.
    """
    try:
        user = _bound(store, person)
        if user is None:
            user = _by_email(store, person)
            _enter(store, user, now, first=person)
        else:
            _enter(store, user, now)
    except NotLetInError as error:
        refused(store, error.why.value, person=error.person)
        raise
    audit.seal(store)
    return user


def _enter(store: Store, user: User, now: datetime, *, first: Vouched | None = None) -> None:
    """Log that somebody is let in; the first time, bind the account to them."""
    if user.locked:
        raise NotLetInError(Why.LOCKED, user.user_id)
    try:
        with store.transaction() as cursor:
            if first is not None:
                cursor.execute(
                    "INSERT INTO account_provider VALUES (?, ?, ?, ?)",
                    [first.issuer, first.subject, user.user_id, now],
                )
                audit.note(cursor, "provider bound", person=user.user_id)
            audit.note(cursor, "signed in", person=user.user_id, detail="provider")
    except (duckdb.ConstraintException, duckdb.TransactionException) as error:
        # The same person twice at once, or two persons: the next try will tell.
        raise NotLetInError(Why.MEANWHILE, user.user_id) from error


def _bound(store: Store, person: Vouched) -> User | None:
    rows = (
        store.cursor()
        .execute(
            "SELECT user_id FROM account_provider WHERE issuer = ? AND subject = ?",
            [person.issuer, person.subject],
        )
        .fetchall()
    )
    return users.load_user(store, rows[0][0]) if rows else None


def _by_email(store: Store, person: Vouched) -> User:
    if not person.email:
        raise NotLetInError(Why.UNVERIFIED)
    # Beyond ASCII different addresses are written alike once case is folded.
    if not person.email.isascii():
        raise NotLetInError(Why.UNKNOWN)
    try:
        user = users.account(store, person.email)
    except NotFoundError as error:
        raise NotLetInError(Why.UNKNOWN) from error
    rows = store.cursor().execute(
        "SELECT 1 FROM account_provider WHERE issuer = ? AND user_id = ?",
        [person.issuer, user.user_id],
    )
    if rows.fetchall():
        raise NotLetInError(Why.ANOTHER, user.user_id)
    return user


def refused(store: Store, why: str, *, person: int | None = None) -> None:
    """Log that nobody was let in through a provider."""
    audit.record(store, "sign-in failed", person=person, detail=f"provider: {why}")


def bound(store: Store) -> frozenset[int]:
    """Numbers of the accounts that are bound to somebody at a provider."""
    rows = store.cursor().execute("SELECT DISTINCT user_id FROM account_provider").fetchall()
    return frozenset(number for (number,) in rows)


def unbind(store: Store, user: User) -> None:
    """Forget who an account is at providers, and end its sessions; its e-mail finds it anew."""
    with store.transaction() as cursor:
        cursor.execute("DELETE FROM account_provider WHERE user_id = ?", [user.user_id])
        cursor.execute(
            "UPDATE account SET session_key = ? WHERE user_id = ?",
            [secrets.token_urlsafe(24), user.user_id],
        )
        audit.note(cursor, "provider unbound", person=user.user_id)
    audit.seal(store)
