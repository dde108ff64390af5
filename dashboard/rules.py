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
from urllib.parse import parse_qsl, urlencode

from dashboard.fleet_query import COHORT_MARK, SITE_ID, STANDINGS, VIEW_MARK
from monitor.store.fleet import AGENDA, COHORTS, SORTS
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
    "site_id": SITE_ID,
    "what": r"[a-z]+",
    "number": r"\d{1,9}",
    "nth": r"\d{1,2}",
    "user_id": r"\d{1,9}",
    "token": r"[A-Za-z0-9_-]{43}",
    "file": r"[A-Za-z0-9_.-]+",
    "path": r"[A-Za-z0-9_./@-]+",
}


#: What addresses may ask for beside their path, by name. An address travels into histories
#: and the logs of proxies, so none of these can hold a name, an e-mail or a typed text.
_ASKED: Final = {
    "standing": "|".join(STANDINGS),
    "by": "|".join(COHORTS),
    "sort": f"-?(?:{'|'.join(SORTS)})",
    "page": r"\d{1,5}",
    "searched": "1",
    "view": VIEW_MARK,
    "kind": "|".join(AGENDA),
    "period": r"guarantee|season|all|\d{1,3}|\d{4}-\d{2}",
    "before": r"\d{1,15}",
    **dict.fromkeys(("pick", "site"), _PARTS["site_id"]),
    **dict.fromkeys(COHORTS, COHORT_MARK),
}
_OF_FLEET: Final = frozenset(
    {"standing", "by", "sort", "page", "searched", "view", "pick", *COHORTS}
)


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
    asks
        What it may ask for beside its path: names of `_ASKED`.
    """

    path: str
    roles: frozenset[str] | None
    methods: frozenset[str] = _READ
    asks: frozenset[str] = frozenset()

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
    # How they are told of findings; an administrator sees no home and is told of none.
    Rule("/told", FLEET | HOMEOWNERS),
    Rule("/told", FLEET | HOMEOWNERS, _SEND),
    # The own home.
    Rule("/home", HOMEOWNERS),
    Rule("/home/claim", HOMEOWNERS, _SEND),
    # The fleet.
    Rule("/", FLEET, asks=_OF_FLEET),
    Rule("/agenda", FLEET, asks=frozenset({"kind", "page"})),
    Rule("/compare", FLEET, asks=frozenset({"site"})),
    Rule("/fleet.csv", FLEET, _SEND),
    Rule("/agenda.csv", FLEET, asks=frozenset({"kind"})),
    Rule("/compare.csv", FLEET, asks=frozenset({"site"})),
    Rule("/site/<site_id>", FLEET, asks=frozenset({"period"})),
    Rule("/site/<site_id>/home", FLEET),
    Rule("/site/<site_id>/finding/<number>", FLEET),
    Rule("/download/<site_id>/<what>.csv", FLEET, asks=frozenset({"period"})),
    Rule("/download/<site_id>/evidence-<number>-<nth>.csv", FLEET),
    # Claims; whose homes they are about is asked where a claim is loaded.
    Rule("/desk", WARRANTY),
    Rule("/claim/<number>", FLEET),
    Rule("/site/<site_id>/settle", WARRANTY, _SEND),
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
    Rule("/audit", ADMINISTRATORS, asks=frozenset({"before"})),
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
    "fleet_pages.search_typed": FLEET,
    "fleet_pages.compare_results": FLEET,
    "fleet_pages.agenda_results": FLEET,
    "fleet_pages.keep_views": FLEET,
    "app.closer": FLEET,
    "app.take_note": FLEET,
    "claim.claim_effect": WARRANTY,
    "claim.claim_step": WARRANTY,
    "claim_of_site.claim_added": INSTALLERS,
    "import_site.sought": INSTALLERS,
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


def sayable(address: str) -> str:
    """An address of a page without anything that an address must not say.

    Parameters
    ----------
    address
        Path and query string, as somebody gave them.

    Returns
    -------
    str
        Empty where no page is of that path.
    """
    path, _, asked = address.partition("?")
    for rule in RULES:
        if "GET" in rule.methods and not path.startswith("/_") and rule.pattern.fullmatch(path):
            kept = [
                (name, value)
                for name, value in parse_qsl(asked[:4000], keep_blank_values=True)
                if name in rule.asks and re.fullmatch(_ASKED[name], value)
            ]
            return f"{path}?{urlencode(kept)}" if kept else path
    return ""


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
