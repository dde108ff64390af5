"""Before anything has come in, and when something goes wrong, each page says so in a sentence."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from dashboard import access, data
from dashboard.app import create_app
from dashboard.pages import agenda, claim, compare, desk, fleet, home, import_page, site, sources
from monitor.refresh import refresh_site
from monitor.store import cases, users
from monitor.store.connection import Store, open_store
from monitor.store.sites import save_site
from monitor.store.users import User
from tests.dashboard.conftest import NOW, PASSWORD, SITES, clock, signed_in
from tests.dashboard.test_site_page import alive, text, walk

NEW = SITES["alder-row-3"][0].model_copy(update={"id": "new-home", "name": "New Home"})


@pytest.fixture
def bare(tmp_path) -> Iterator[Store]:
    with open_store(tmp_path / "bare.duckdb", create=True) as opened:
        yield opened


def add(store: Store, role: str) -> User:
    return users.add_user(
        store, email=f"{role}@example.org", name=role, role=role, password=PASSWORD, now=NOW
    )


@pytest.mark.parametrize("refreshed", [False, True])
def test_a_home_of_which_nothing_came_in_has_a_sentence_for_each_chart(bare, refreshed):
    save_site(bare, NEW, NOW)
    if refreshed:
        refresh_site(bare, NEW.id, now=NOW)
    ines = add(bare, "installer")
    page = site.layout(ines, bare, NEW.id, "", NOW)
    kinds = [type(node).__name__ for node in walk(page)]
    assert "Graph" not in kinds, "there is nothing to draw"
    charts = [
        "SPF since the start",
        "Where the difference to the promise comes from",
        "Heat and electricity per day",
        "Daily COP against outdoor temperature",
        "Flow temperature against outdoor temperature",
        "What is known, day by day",
    ]
    sections = [node for node in walk(page) if type(node).__name__ == "Section"]
    for title in charts:
        (said,) = [
            text(one.children[1])
            for one in sections
            if type(alive(one.children[0])).__name__ == "H3"
            and text(one.children[0]).startswith(title)
        ]
        assert said.rstrip().endswith("."), f"{title}: {said}"
    assert "Nothing has been imported for this site yet." in text(page)


def test_a_household_of_which_nothing_came_in_is_told_so(bare):
    save_site(bare, NEW, NOW)
    view = home.home_view(add(bare, "installer"), bare, NEW.id, NOW)
    assert "not ready yet" in view.headline
    assert all(bar.nothing for bar in view.bars)
    refresh_site(bare, NEW.id, now=NOW)
    assert (
        "too little was measured"
        in home.home_view(next(iter(users.list_users(bare))), bare, NEW.id, NOW).headline
    )


def test_a_claim_on_a_home_of_which_nothing_came_in_can_be_opened(bare):
    save_site(bare, NEW, NOW)
    number = cases.raise_claim(
        bare, NEW.id, user_id=1, role="homeowner", said="No figures.", now=NOW
    )
    words = text(claim.layout(add(bare, "warranty"), bare, number, NOW))
    assert "nothing is known yet" in words


@pytest.mark.parametrize(
    ("layout", "says"),
    [
        (lambda who, store: fleet.layout(who, store, "", NOW), "Describe a home in a site file"),
        (lambda who, store: agenda.layout(who, store, "", NOW), "Nothing waits for you today"),
        (lambda who, store: compare.layout(who, store, "", NOW), "can be compared"),
        (lambda who, store: desk.layout(who, store, None, NOW), "No claim waits"),
        (lambda who, store: sources.layout(who, store, NOW), "No source"),
        (lambda who, store: import_page.layout(who, store, NOW), "site"),
    ],
    ids=["fleet", "agenda", "compare", "desk", "sources", "import"],
)
def test_a_fleet_without_homes_says_so(bare, layout, says):
    assert says in text(layout(add(bare, "installer"), bare))


def test_a_page_that_fails_says_so_and_keeps_the_details_for_the_log(
    bare, monkeypatch, caplog: pytest.LogCaptureFixture
):
    save_site(bare, NEW, NOW)
    app = create_app(bare, clock=clock)
    client = signed_in(app, add(bare, "installer"))

    def broken(*_: object) -> None:
        raise RuntimeError("the inside of the machine")

    monkeypatch.setattr(data, "record", broken)
    body = {
        "output": "..page.children...title.data...notice.children..",
        "outputs": [
            {"id": "page", "property": "children"},
            {"id": "title", "property": "data"},
            {"id": "notice", "property": "children"},
        ],
        "inputs": [{"id": "url", "property": "pathname", "value": f"/site/{NEW.id}"}],
        "state": [
            {"id": "url", "property": "search", "value": ""},
            {"id": "fleet-searched", "property": "data", "value": None},
        ],
        "changedPropIds": ["url.pathname"],
    }
    answer = client.post(access.CALLBACK, json=body, headers={"X-CSRFToken": "token"})
    said = answer.get_data(as_text=True)
    assert answer.status_code == 200
    assert "could not be computed" in said
    assert "inside of the machine" not in said
    assert "inside of the machine" in caplog.text
