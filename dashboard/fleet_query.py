"""What the address bar asks of the fleet page: everything that a saved link keeps."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final
from urllib.parse import parse_qs, urlencode

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
    "place": "place",
    "boundary": "boundary",
    "age": "age since commissioning",
}

#: What a site that states none is called.
NOT_STATED: Final = "not stated"


@dataclass(frozen=True)
class FleetQuery:
    """What the address bar asks of the fleet page.

    Attributes
    ----------
    standing
        As the style sheet spells it; empty for all.
    cohorts
        Key and value of each cohort that was chosen, in the order of `COHORT_WORDS`; an
        empty value for sites that state none.
    by
        By what the sites are gathered; empty for not at all.
    picked
        Sites to be compared.
    """

    text: str = ""
    standing: str = ""
    cohorts: tuple[tuple[str, str], ...] = ()
    by: str = ""
    sort: str = "standing"
    descending: bool = False
    page: int = 1
    picked: tuple[str, ...] = ()

    @classmethod
    def parse(cls, search: str | None) -> FleetQuery:
        """Read a query string; what is not known is left at its default."""
        lists = parse_qs((search or "").lstrip("?")[:4000], keep_blank_values=True)
        given = {key: values[-1] for key, values in lists.items()}
        sort = given.get("sort", "standing")
        descending, sort = sort.startswith("-"), sort.removeprefix("-")
        page = given.get("page", "1")
        by = given.get("by", "")
        picked = dict.fromkeys(one[:64] for one in lists.get("pick", ()) if one)
        return cls(
            text=given.get("q", "")[:100],
            standing=given.get("standing", "")[:20],
            cohorts=tuple((key, given[key][:120]) for key in COHORTS if key in given),
            by=by if by in COHORTS else "",
            sort=sort if sort in SORTS else "standing",
            descending=descending and sort in SORTS,
            page=int(page) if page.isascii() and page.isdecimal() and len(page) < 6 else 1,
            picked=tuple(picked)[:MOST_PICKED],
        )

    @property
    def search(self) -> str:
        """The query string that `parse` reads as this."""
        parts = {
            "q": self.text,
            "standing": self.standing,
            "by": self.by,
            "sort": ("-" if self.descending else "") + self.sort,
            "page": str(self.page),
        }
        usual = {"q": "", "standing": "", "by": "", "sort": "standing", "page": "1"}
        kept = [(key, value) for key, value in parts.items() if value != usual[key]]
        kept += [*self.cohorts, *(("pick", one) for one in self.picked)]
        return f"?{urlencode(kept)}" if kept else ""

    @property
    def view(self) -> FleetQuery:
        """What a saved view keeps: neither the page nor what is picked."""
        return replace(self, page=1, picked=())

    @property
    def is_filtered(self) -> bool:
        """Whether it asks for a part of the fleet only."""
        return bool(self.text or self.standing or self.cohorts)

    def searching(self, text: str) -> FleetQuery:
        """The query after a change of the search text."""
        return replace(self, text=text[:100], page=1)

    def sorted_by(self, key: str) -> FleetQuery:
        """The query after a click on a column's head."""
        turned = key == self.sort and not self.descending
        return replace(self, sort=key, descending=turned, page=1)

    def choosing(self, key: str, value: str | None) -> FleetQuery:
        """The query with one cohort chosen; None for any."""
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
