"""What is sent of a page: still content goes together, what a callback names stands alone."""

from __future__ import annotations

import orjson
import pytest
from dash import dcc, html
from dash.development.base_component import Component
from hypothesis import given
from hypothesis import strategies as st

from dashboard.components.written import written
from dashboard.pages import fleet, site
from tests.dashboard.test_site_page import revived, walk


def sent(part):
    return orjson.loads(orjson.dumps(written(part)))


def followed(node):
    """The components that Dash is told of."""
    if isinstance(node, list):
        for child in node:
            yield from followed(child)
    elif isinstance(node, dict) and "namespace" in node:
        yield node
        yield from followed(node["props"].get("children"))


def plain(node):
    """A tree as nested lists, whichever way it was sent."""
    if isinstance(node, Component):
        node = node.to_plotly_json()
    if isinstance(node, list | tuple):
        return [one for child in node for one in plain(child)]
    if not isinstance(node, dict):
        return [] if node is None else [node]
    if node["namespace"] == "pledgewatt":
        return plain([revived(one) for one in node["props"]["nodes"]])
    rest = {name: value for name, value in node["props"].items() if name != "children"}
    return [[node["type"], rest, plain(node["props"].get("children"))]]


WORDS = st.text("ab<", max_size=3) | st.integers(0, 9)
ATTRIBUTES = st.fixed_dictionaries(
    {},
    optional={
        "id": st.sampled_from(["a", "b"]),
        "className": st.sampled_from(["num", ""]),
        "aria-label": st.just("said"),
    },
)


def element(children):
    return st.builds(
        lambda kind, inside, attributes: kind(inside, **attributes),
        st.sampled_from([html.Div, html.Td, html.H3]),
        st.lists(children, max_size=4) | children,
        ATTRIBUTES,
    )


LEAVES = (
    WORDS
    | st.none()
    | st.just(dcc.Graph(figure={}))
    | st.builds(lambda words: dcc.Link(words, href="/site/x"), st.sampled_from(["one", "two"]))
)
TREES = st.recursive(LEAVES, element, max_leaves=20)


@given(st.lists(TREES, max_size=4) | TREES)
def test_what_is_sent_is_what_was_written(tree):
    assert plain(sent(tree)) == plain(tree)


@given(TREES)
def test_whatever_has_an_id_is_followed_by_dash(tree):
    named = [node for node in walk(tree) if getattr(node, "id", None)]
    reached = [node for node in followed(sent(tree)) if "id" in node["props"]]
    assert [node.id for node in named] == [node["props"]["id"] for node in reached]


@given(TREES)
def test_what_is_written_already_may_stand_in_another_part(tree):
    assert plain(sent(html.Div([written(tree), "and"], id="x"))) == plain(
        html.Div([tree, "and"], id="x")
    )


def test_neighbours_that_stand_still_go_together():
    page = html.Div([html.H2("Heat"), html.P("12 kWh"), html.Button("Go", id="go"), "and more"])
    still, button, words = sent(page)["props"]["children"]
    assert still["props"]["nodes"] == [["h2", 0, "Heat"], ["p", 0, "12 kWh"]]
    assert (button["type"], words) == ("Button", "and more")


def test_a_page_is_followed_in_few_places(store, installer, now):
    """Each place that is followed costs the browser a look at each change of the page."""
    page = sent(site.layout(installer, store, "alder-row-3", "?period=all", now))
    assert sum(1 for _ in walk(page)) > 3_000
    assert sum(1 for _ in followed(page)) < 100
    whole = sent(fleet.layout(installer, store, "", now))
    assert sum(1 for _ in followed(whole)) < 60


def test_what_is_no_part_of_a_page_is_refused():
    with pytest.raises(TypeError, match="set"):
        written(html.Div({1, 2}))
