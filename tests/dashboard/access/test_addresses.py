"""No address says anything of a person: no name, no e-mail, nothing that was typed.

Addresses travel into histories, bookmarks and the logs of proxies. Every page is walked by
its links, as each kind of person; what a link or form leads to must be sayable.
"""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from urllib.parse import unquote_plus

import pytest

from dashboard import fleet_data
from dashboard.components import shell
from dashboard.rules import CALLBACK, RULES, sayable
from monitor.store.fleet import COHORTS
from tests.dashboard.access.conftest import OWN, World
from tests.dashboard.conftest import NOW, SITES

#: What is searched: no other word of any page or file holds it.
TYPED = "Ow Arl"

#: Words that say who or where somebody is, wherever they come from.
PERSONAL = (
    "example.org", "@", "Ines", "Iris", "Wanda", "Hugo", "Olga", "Fred", TYPED,
    *(word for site, _ in SITES.values()
      for word in (site.name, site.place, site.designer, site.installer_team, site.postcode_area)
      if word),
)  # fmt: skip


def strings(part: object, names: tuple[str, ...]) -> Iterator[str]:
    """Values of some properties, wherever they stand in a page."""
    if isinstance(part, dict):
        for name, value in part.items():
            if name in names and isinstance(value, str):
                yield value
            yield from strings(value, names)
    elif isinstance(part, list):
        for one in part:
            yield from strings(one, names)


class Walker:
    """Reads pages as a browser of one person does, and gives the addresses on them."""

    def __init__(self, world: World, who: str) -> None:
        self.client = world.client(who)
        self.frame: set[str] = set()
        if self.client.get("/_dash-layout").status_code == 200:
            layout = self.client.get("/_dash-layout").get_json()
            self.frame = set(strings(layout, ("href", "action")))

    def content(self, address: str, typed: str = "") -> set[str]:
        """Addresses on a page; none where there is no such page."""
        path, _, search = address.partition("?")
        answer = self.client.get(address, buffered=True)
        if answer.mimetype != "text/html" or answer.status_code != 200:
            return set()
        body = answer.get_data(as_text=True)
        if "_dash-renderer" not in body:
            found = re.findall(r'\s(?:href|action|src)="([^"]*)"', body)
            return {html.unescape(one) for one in found}
        outputs = [("page", "children"), ("title", "data"), ("notice", "children")]
        request = {
            "output": ".." + "...".join(".".join(one) for one in outputs) + "..",
            "outputs": [{"id": a, "property": b} for a, b in outputs],
            "inputs": [{"id": "url", "property": "pathname", "value": path}],
            "state": [
                {"id": "url", "property": "search", "value": f"?{search}" if search else ""},
                {"id": shell.SEARCHED, "property": "data", "value": typed},
            ],
            "changedPropIds": ["url.pathname"],
        }
        drawn = self.client.post(CALLBACK, json=request, headers={"X-CSRFToken": "token"})
        assert drawn.status_code == 200, address
        return self.frame | set(strings(drawn.get_json(), ("href", "action")))


def shape(address: str) -> tuple[str, tuple[str, ...]]:
    """What makes an address worth another look: its kind, and what it asks for."""
    path, _, search = address.partition("?")
    kind = next((rule.path for rule in RULES if rule.pattern.fullmatch(path)), path)
    # What the fleet is gathered by makes other links by its value.
    parts = (
        part if part.startswith("by=") else part.partition("=")[0] for part in search.split("&")
    )
    names = set(parts) - {"sort", "page", "period"}
    # One of each is enough: what is asked for twice over makes no other kind of link.
    return kind, tuple(sorted(names)) if len(names) == 1 else ("several",)


@pytest.mark.parametrize("who", ["nobody", "ines", "wanda", "hugo", "agnes"])
def test_no_address_on_any_page_says_anything_of_a_person(world, who):
    walker = Walker(world, who)
    if who == "ines":
        query = fleet_data.asked(world.people[who], world.store, "?searched=1", TYPED)
        fleet_data.save(world.people[who], world.store, "Hugo and Olga", query, NOW)
    start = {"nobody": "/login", "hugo": "/home", "agnes": "/people"}.get(who, "/")
    # A gathering of each kind, so that a cohort of each kind is chosen.
    waiting = [start, *(f"/?by={by}" for by in COHORTS if start == "/")]
    found: set[str] = set()
    seen: set[object] = set()
    while waiting:
        address = waiting.pop()
        if shape(address) in seen:
            continue
        seen.add(shape(address))
        typed = TYPED if "searched" in address else ""
        for href in walker.content(address, typed):
            if href.startswith(("#", "data:")):
                continue
            assert href.startswith("/"), href
            found.add(href.partition("#")[0])
            waiting.append(href.partition("#")[0])
    if start == "/":
        assert {f"{key}=" in "".join(found) for key in COHORTS} == {True}
        assert any("view=" in href for href in found) is (who == "ines")
    posts = {rule.path for rule in RULES if "POST" in rule.methods}
    for href in sorted(found):
        said = [word for word in PERSONAL if word.lower() in unquote_plus(href).lower()]
        assert said == [], href
        sent = any(rule.pattern.fullmatch(href) for rule in RULES if rule.path in posts)
        assert sent or sayable(href) == href, href


def test_what_is_searched_changes_no_address_but_for_a_mark(world):
    walker = Walker(world, "ines")
    without, withal = walker.content("/"), walker.content("/?searched=1", "Alder")
    assert any("searched=1" in href for href in withal)
    marked = {re.sub(r"\?searched=1&?|&searched=1", "?", href).rstrip("?") for href in withal}
    # What is found is less, so that there may be fewer links.
    assert marked - without <= {"", "/"}


@pytest.mark.parametrize(
    ("asked", "led"),
    [
        ("/?q=Hugo+Householder&standing=blind", "/%3Fstanding%3Dblind"),
        ("/?place=Marlbeck&sort=-spf", "/%3Fsort%3D-spf"),
        (f"/site/{OWN}?period=30&note=hugo@example.org", f"/site/{OWN}%3Fperiod%3D30"),
        ("/agenda?kind=New%20home", "/agenda"),
        ("/?standing=hugo&by=olga&pick=hugo@example.org&sort=site", "/%3Fsort%3Dsite"),
        ("/?q=Hugo", None),
        ("/hugo@example.org", None),
    ],
)
def test_signing_in_is_asked_for_without_what_was_typed(world, asked, led):
    location = world.client("nobody").get(asked).location
    assert location == ("/login" if led is None else f"/login?next={led}")


def test_the_form_does_not_say_again_what_its_address_was_made_to_say(world):
    body = (
        world.client("nobody").get("/login?next=/%3Fq%3DHugo%26sort%3Dspf").get_data(as_text=True)
    )
    assert "Hugo" not in body
    assert 'value="/?sort=spf"' in body


@pytest.mark.parametrize(
    "address", ["//evil.example", "/\\evil", "https://evil.example", "/_dash-layout"]
)
def test_an_address_that_is_no_page_is_none(address):
    assert sayable(address) == ""


def test_a_file_of_what_is_searched_is_asked_for_without_an_address(world):
    client = world.client("ines")
    assert client.get("/fleet.csv").status_code == 404
    form = {"asked": "?searched=1", "text": "alder"}
    assert client.post("/fleet.csv", data=form).status_code == 400
    body = client.post("/fleet.csv", data=form | {"csrf": "token"}).get_data(as_text=True)
    assert [line.split(",")[0] for line in body.splitlines()[1:]] == [OWN]


def test_what_answers_to_a_search_says_nothing_in_its_headers(world):
    answer = world.client("ines").post(
        "/fleet.csv", data={"csrf": "token", "asked": "?searched=1", "text": TYPED}
    )
    assert TYPED not in json.dumps(dict(answer.headers))
