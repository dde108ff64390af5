"""What is asked of the fleet page, and how the address bar says it.

An address travels: into histories, the logs of proxies, messages to colleagues. So nothing
that was typed stands in it, and no name. What is searched stays on the page, with the mark
`searched=1`, or in a kept view, with its token; a cohort is told by a digest.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Final
from urllib.parse import parse_qs, urlencode

from monitor.guarantee.standing import StandingWord
from monitor.store.fleet import COHORTS, SORTS

PAGE_SIZE: Final = 50

#: Most sites that are compared side by side.
MOST_PICKED: Final = 6

#: What the fleet can be sorted by: the key, and its words.
SORT_WORDS: Final = {
    "site": "Site",
    "standing": "Standing",
    "promise": "Promise",
    "gap": "SPF against the promise",
    "spf": "SPF so far (95 % interval)",
    "coverage": "Coverage",
    "probability": "Probability of keeping it, so far",
    "ahead": "Probability by the end (90 % interval)",
    "finding": "First finding",
    "age": "Last reading",
    "left": "Left of the period",
    "cost": "Extra cost so far",
}

#: What sites are gathered by: the key, and its words.
COHORT_WORDS: Final = {
    "model": "unit model",
    "designer": "designer",
    "team": "installer team",
    "area": "postcode area",
    "place": "place",
    "boundary": "boundary",
    "age": "age since commissioning",
}

#: What a site that states none is called.
NOT_STATED: Final = "not stated"

#: Standings as addresses and the style sheet spell them.
STANDINGS: Final = (*(word.value.replace(" ", "-") for word in StandingWord), "not-computed")

#: How the id of a site is written.
SITE_ID: Final = r"[a-z0-9][a-z0-9-]{0,63}"

#: Longest text that is searched.
MOST_TEXT: Final = 100

#: How the token of a view and the digest of a cohort are written.
VIEW_MARK: Final = r"[A-Za-z0-9_-]{16}"
COHORT_MARK: Final = r"(?:[0-9a-f]{12})?"


@dataclass(frozen=True)
class FleetQuery:
    """What is asked of the fleet page.

    Attributes
    ----------
    text
        What is searched; never in the address.
    view
        Token of the kept view that the text is of; empty where it was typed.
    lost
        Whether the address is of a search whose text is not known here any more.
    standing
        As the style sheet spells it; empty for all.
    cohorts
        Key and digest of each cohort that was chosen, in the order of `COHORT_WORDS`; an
        empty digest for sites that state none.
    by
        By what the sites are gathered; empty for not at all.
    picked
        Sites to be compared.
    """

    text: str = ""
    view: str = ""
    lost: bool = False
    standing: str = ""
    cohorts: tuple[tuple[str, str], ...] = ()
    by: str = ""
    sort: str = "standing"
    descending: bool = False
    page: int = 1
    picked: tuple[str, ...] = ()

    @classmethod
    def parse(cls, search: str | None, typed: object = "") -> FleetQuery:
        """Read a query string; what is not known is left at its default.

        Parameters
        ----------
        typed
            What the page holds as searched; counts where the address says that it searches.
        """
        lists = parse_qs((search or "").lstrip("?")[:4000], keep_blank_values=True)
        given = {key: values[-1] for key, values in lists.items()}
        sort = given.get("sort", "standing")
        descending, sort = sort.startswith("-"), sort.removeprefix("-")
        page = given.get("page", "1")
        by = given.get("by", "")
        picks = lists.get("pick", ())
        picked = dict.fromkeys(one for one in picks if re.fullmatch(SITE_ID, one))
        standing = given.get("standing", "")
        view = given.get("view", "")
        view = view if re.fullmatch(VIEW_MARK, view) else ""
        searched = not view and given.get("searched") == "1"
        text = typed.strip()[:MOST_TEXT] if searched and isinstance(typed, str) else ""
        return cls(
            text=text,
            view=view,
            lost=searched and not text,
            standing=standing if standing in STANDINGS else "",
            cohorts=tuple(
                (key, given[key])
                for key in COHORTS
                if key in given and re.fullmatch(COHORT_MARK, given[key])
            ),
            by=by if by in COHORTS else "",
            sort=sort if sort in SORTS else "standing",
            descending=descending and sort in SORTS,
            page=int(page) if page.isascii() and page.isdecimal() and len(page) < 6 else 1,
            picked=tuple(picked)[:MOST_PICKED],
        )

    @property
    def search(self) -> str:
        """The query string that `parse` reads as this, given what was typed."""
        parts = {
            "view": self.view,
            "searched": "1" if self.text and not self.view else "",
            "standing": self.standing,
            "by": self.by,
            "sort": ("-" if self.descending else "") + self.sort,
            "page": str(self.page),
        }
        usual = {
            "view": "",
            "searched": "",
            "standing": "",
            "by": "",
            "sort": "standing",
            "page": "1",
        }
        kept = [(key, value) for key, value in parts.items() if value != usual[key]]
        kept += [*self.cohorts, *(("pick", one) for one in self.picked)]
        return f"?{urlencode(kept)}" if kept else ""

    def kept(self, token: str) -> FleetQuery:
        """What a kept view holds: neither the page nor what is picked.

        Parameters
        ----------
        token
            What stands for the text from now on.
        """
        return replace(self, view=token if self.text else "", page=1, picked=())

    @property
    def is_filtered(self) -> bool:
        """Whether it asks for a part of the fleet only."""
        return bool(self.text or self.standing or self.cohorts)

    def searching(self, text: str) -> FleetQuery:
        """The query after a change of the search text."""
        return replace(self, text=text[:MOST_TEXT], view="", lost=False, page=1)

    def sorted_by(self, key: str) -> FleetQuery:
        """The query after a click on a column's head."""
        turned = key == self.sort and not self.descending
        return replace(self, sort=key, descending=turned, page=1)

    def choosing(self, key: str, value: str | None) -> FleetQuery:
        """The query with one cohort chosen by its digest; None for any."""
        chosen = dict(self.cohorts)
        chosen.pop(key, None)
        if value is not None:
            chosen[key] = value
        ordered = tuple((name, chosen[name]) for name in COHORTS if name in chosen)
        return replace(self, cohorts=ordered, page=1)

    def picking(self, site_id: str) -> FleetQuery:
        """The query with a site put among those to compare, or taken out again."""
        if site_id in self.picked:
            return replace(self, picked=tuple(one for one in self.picked if one != site_id))
        return replace(self, picked=(*self.picked, site_id)[:MOST_PICKED])
