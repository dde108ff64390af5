"""Who may reach what: one table for addresses, one for callbacks. What is in neither is refused.

To add a page, a download or a form, add a line to `RULES`; to add a callback, a line to
`CALLBACKS`. The access tests walk every route and callback with every kind of person and
fail on one without a line.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from functools import cached_property
from typing import Final

from monitor.store.users import User

#: Who sees homes that are not their own; which homes is a matter of the account.
FLEET: Final = frozenset({"installer", "warranty"})
WARRANTY: Final = frozenset({"warranty"})
INSTALLERS: Final = frozenset({"installer"})
HOMEOWNERS: Final = frozenset({"homeowner"})
ADMINISTRATORS: Final = frozenset({"administrator"})
#: Who lets others in: an administrator anybody, an installer the people of their homes.
INVITING: Final = INSTALLERS | ADMINISTRATORS
EVERYONE: Final = FLEET | HOMEOWNERS | ADMINISTRATORS
#: Whoever runs pages with scripts.
SCRIPTED: Final = FLEET

_READ: Final = frozenset({"GET", "HEAD"})
_SEND: Final = frozenset({"POST"})

#: What the named parts of an address may look like.
_PARTS: Final = {
    "site_id": r"[a-z0-9][a-z0-9-]{0,63}",
    "what": r"[a-z]+",
    "number": r"\d{1,9}",
    "nth": r"\d{1,2}",
    "user_id": r"\d{1,9}",
    "token": r"[A-Za-z0-9_-]{43}",
    "file": r"[A-Za-z0-9_.-]+",
    "path": r"[A-Za-z0-9_./@-]+",
}


@dataclass(frozen=True)
class Rule:
    """Who may reach an address.

    Attributes
    ----------
    path
        Address with parts in angle brackets; a `site_id` must be one that the person may see.
    roles
        None for anybody, signed in or not.
    methods
        Whatever is no mere reading must carry the token of the session.
    """

    path: str
    roles: frozenset[str] | None
    methods: frozenset[str] = _READ

    @cached_property
    def pattern(self) -> re.Pattern[str]:
        """What an address must match as a whole."""
        pieces = re.split(r"<(\w+)>", self.path)
        return re.compile(
            "".join(
                f"(?P<{piece}>{_PARTS[piece]})" if n % 2 else re.escape(piece)
                for n, piece in enumerate(pieces)
            )
        )


RULES: Final = (
    # Anybody: nothing here says anything about a site or a person.
    Rule("/login", None),
    Rule("/login", None, _SEND),
    Rule("/login/provider", None),
    Rule("/login/provider/back", None),
    Rule("/join", None),
    Rule("/join", None, _SEND),
    Rule("/join/<token>", None),
    Rule("/health", None),
    Rule("/assets/pledgewatt.css", None),
    Rule("/assets/favicon.svg", None),
    # Whoever is signed in.
    Rule("/logout", EVERYONE, _SEND),
    Rule("/own-data.zip", EVERYONE),
    # The own home.
    Rule("/home", HOMEOWNERS),
    Rule("/home/claim", HOMEOWNERS, _SEND),
    # The fleet.
    Rule("/", FLEET),
    Rule("/agenda", FLEET),
    Rule("/compare", FLEET),
    Rule("/fleet.csv", FLEET),
    Rule("/agenda.csv", FLEET),
    Rule("/compare.csv", FLEET),
    Rule("/site/<site_id>", FLEET),
    Rule("/site/<site_id>/home", FLEET),
    Rule("/site/<site_id>/finding/<number>", FLEET),
    Rule("/download/<site_id>/<what>.csv", FLEET),
    Rule("/download/<site_id>/evidence-<number>-<nth>.csv", FLEET),
    # Claims; whose homes they are about is asked where a claim is loaded.
    Rule("/desk", WARRANTY),
    Rule("/claim/<number>", WARRANTY),
    Rule("/import", INSTALLERS),
    Rule("/sources", INSTALLERS),
    # People and what they did.
    Rule("/people", INVITING),
    Rule("/people/invite", INVITING, _SEND),
    Rule("/people/withdraw/<number>", INVITING, _SEND),
    Rule("/people/<user_id>/lock", ADMINISTRATORS, _SEND),
    Rule("/people/<user_id>/unlock", ADMINISTRATORS, _SEND),
    Rule("/people/<user_id>/password", ADMINISTRATORS, _SEND),
    Rule("/people/<user_id>/unbind", ADMINISTRATORS, _SEND),
    Rule("/people/<user_id>/erase", ADMINISTRATORS, _SEND),
    Rule("/audit", ADMINISTRATORS),
    Rule("/audit/verify", ADMINISTRATORS, _SEND),
    # What pages with scripts are made of; each callback has a rule of its own below.
    Rule("/assets/<file>", SCRIPTED),
    Rule("/_dash-layout", SCRIPTED),
    Rule("/_dash-dependencies", SCRIPTED),
    Rule("/_dash-component-suites/<path>", SCRIPTED),
    Rule("/_favicon.ico", SCRIPTED),
    Rule("/_dash-update-component", SCRIPTED, _SEND),
)

#: Where every callback arrives.
CALLBACK: Final = "/_dash-update-component"

#: Who may run a callback, by `module.function`; whose homes they see is asked of the data.
CALLBACKS: Final[Mapping[str, frozenset[str]]] = {
    "app.route": FLEET,
    "fleet_pages.fleet_results": FLEET,
    "fleet_pages.search_to_address": FLEET,
    "fleet_pages.compare_results": FLEET,
    "fleet_pages.agenda_results": FLEET,
    "fleet_pages.keep_views": FLEET,
    "app.closer": FLEET,
    "app.take_note": FLEET,
    "claim.claim_effect": WARRANTY,
    "claim.claim_step": WARRANTY,
    "import_page.arrived": INSTALLERS,
    "import_page.again": INSTALLERS,
    "import_page.confirmed": INSTALLERS,
}

#: Where each role begins.
_START: Final = {"homeowner": "/home", "administrator": "/people"}


class Verdict(Enum):
    """What happens to a request before any page sees it."""

    ALLOW = "allow"
    SIGN_IN = "sign in"
    UNAUTHENTICATED = "401"
    NOT_FOUND = "404"
    START = "to where the person begins"


def start(user: User) -> str:
    """The page on which a person begins."""
    return _START.get(user.role, "/")


def site_in(path: str) -> str | None:
    """The site that an address of the table names, if it does."""
    for rule in RULES:
        match = rule.pattern.fullmatch(path)
        if match and "site_id" in match.groupdict():
            return match["site_id"]
    return None


def decide(user: User | None, method: str, path: str) -> Verdict:
    """Say whether a person may make a request; what they may not see does not exist."""
    for rule in RULES:
        if method not in rule.methods:
            continue
        match = rule.pattern.fullmatch(path)
        if match is None:
            continue
        if rule.roles is None:
            return Verdict.ALLOW
        if user is None or user.role not in rule.roles:
            continue
        site = match.groupdict().get("site_id")
        if site is None or user.may_see(site):
            return Verdict.ALLOW
    if user is None:
        return Verdict.UNAUTHENTICATED if path.startswith("/_") else Verdict.SIGN_IN
    return Verdict.START if path == "/" and method in _READ else Verdict.NOT_FOUND


def reaches(user: User, path: str) -> bool:
    """Whether a person may read a page."""
    return decide(user, "GET", path) is Verdict.ALLOW
