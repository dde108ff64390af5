"""What a person may do about other people's accounts; every function takes that person first.

An administrator sees every account and no home. An installer sees, and invites, the people
of homes that the installer sees. What is not theirs to touch does not exist for them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from dashboard.looks import looked
from monitor.errors import NotFoundError
from monitor.store import audit, bindings, fleet, invitations, personal, users
from monitor.store.connection import Store
from monitor.store.fleet import Wanted
from monitor.store.invitations import Invitation
from monitor.store.users import AccountError, User

#: Rows of the log on one page.
ROWS: Final = 200

#: Most ids of sites that a form offers while one is typed.
MOST_OFFERED: Final = 200


@dataclass(frozen=True)
class People:
    """Accounts and open invitations that a person may see, and some sites to invite for.

    `bound` holds the numbers of accounts that are bound to somebody at a provider.
    """

    accounts: tuple[User, ...]
    invitations: tuple[Invitation, ...]
    sites: tuple[str, ...]
    bound: frozenset[int]


def overview(user: User, store: Store, now: datetime) -> People:
    """Everybody who is any business of this person."""
    looked()
    accounts = [one for one in users.list_users(store) if _concerns(user, one.role, one.sites)]
    waiting = [
        one
        for one in invitations.open_invitations(store, now)
        if _concerns(user, one.role, one.scope.sites)
    ]
    of = Wanted(now.date(), sites=None if user.everywhere else user.sites)
    offered, _ = fleet.find(store, of, MOST_OFFERED)
    return People(
        tuple(accounts),
        tuple(waiting),
        tuple(site_id for site_id, _, _ in offered),
        bindings.bound(store),
    )


def _concerns(user: User, role: str, sites: Sequence[str]) -> bool:
    if user.role == "administrator":
        return True
    return (
        user.role == "installer"
        and role == "homeowner"
        and bool(sites)
        and all(user.may_see(site) for site in sites)
    )


def invite(
    user: User,
    store: Store,
    *,
    email: str,
    name: str,
    role: str,
    sites: Sequence[str],
    team: str | None,
    now: datetime,
) -> tuple[Invitation, str]:
    """Invite somebody; an installer invites the people of homes that the installer sees.

    Raises
    ------
    AccountError
        It cannot be, as the sentence says.
    NotFoundError
        A site does not exist, or is not theirs.
    """
    if not _concerns(user, role, sites):
        message = (
            "Give the id of one of your sites: you invite the people who live there."
            if user.role == "installer"
            else "There is nothing here."
        )
        raise AccountError(message)
    return invitations.invite(
        store, email=email, name=name, role=role, sites=sites, team=team, by=user, now=now
    )


def withdraw(user: User, store: Store, number: int, now: datetime) -> None:
    """Withdraw an invitation that is theirs to see."""
    for one in invitations.open_invitations(store, now):
        if one.number == number and _concerns(user, one.role, one.scope.sites):
            invitations.withdraw(store, number)
            return
    raise _nothing()


def account(user: User, store: Store, user_id: int, *, other: bool) -> User:
    """An account, for an administrator.

    Parameters
    ----------
    other
        True where it must not be their own: nobody shuts themselves out.
    """
    found = users.load_user(store, user_id) if user.role == "administrator" else None
    if found is None:
        raise _nothing()
    if other and found.user_id == user.user_id:
        message = "This is your own account: have another administrator do it, or a command."
        raise AccountError(message)
    return found


def new_password(user: User, store: Store, user_id: int, now: datetime) -> tuple[Invitation, str]:
    """A link by which somebody chooses another password."""
    found = account(user, store, user_id, other=False)
    return invitations.new_password(store, found, by=user, now=now)


def lock(user: User, store: Store, user_id: int, *, locked: bool) -> None:
    """Shut somebody's account, or open it."""
    found = account(user, store, user_id, other=True)
    users.lock(store, found.email, locked=locked)


def unbind(user: User, store: Store, user_id: int) -> None:
    """Forget who somebody is at a provider, so that their e-mail finds their account anew."""
    bindings.unbind(store, account(user, store, user_id, other=False))


def erase(user: User, store: Store, user_id: int, email: str) -> personal.Erased:
    """Erase a person, once their e-mail was typed again."""
    found = account(user, store, user_id, other=True)
    if users.normal_email(email) != found.email:
        message = "Nothing was erased: the e-mail that was typed is not the one of the account."
        raise AccountError(message)
    return personal.erase(store, found)


def log(user: User, store: Store, before: int | None) -> list[audit.Entry]:
    """Rows of the log, the newest first, for an administrator."""
    if user.role != "administrator":
        raise _nothing()
    looked()
    return audit.entries(store, before=before, most=ROWS)


def verify(user: User, store: Store) -> audit.Check:
    """Check the log's chain, for an administrator."""
    if user.role != "administrator":
        raise _nothing()
    return audit.verify(store)


def _nothing() -> NotFoundError:
    return NotFoundError("There is nothing here.")
