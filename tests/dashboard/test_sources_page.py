"""The page of what brings files by itself, for the installer only."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from dashboard import data
from dashboard import source_text as say
from dashboard.pages import sources
from monitor.errors import NotFoundError
from monitor.store.connection import open_store
from monitor.store.sources import Described, SourceState, describe_sources
from tests.dashboard.test_site_page import text, walk


@pytest.fixture
def state(now) -> SourceState:
    return SourceState(
        name="logger",
        site_id="alder-row-3",
        kind="folder",
        silent_after=timedelta(days=2),
        described_at=now - timedelta(days=90),
        attempted_at=now,
        succeeded_at=now,
        error=None,
        note=None,
        failures=0,
        retry_at=None,
        files=12,
        readings=3456,
        rejects=7,
        failed=0,
        waiting=0,
        newest=now - timedelta(hours=3),
        file_at=now - timedelta(hours=1),
    )


@pytest.fixture
def states(state, now) -> list[SourceState]:
    new = now - timedelta(hours=1)
    return [
        replace(state, name="a-working"),
        replace(state, name="b-silent", newest=now - timedelta(days=3)),
        replace(state, name="c-failing", error="The host cannot be reached."),
        replace(state, name="d-files", failed=2),
        replace(state, name="e-new", newest=None, described_at=new),
        replace(state, name="f-never", newest=None),
    ]


def shown(monkeypatch, installer, states, now):
    monkeypatch.setattr(data, "source_states", lambda store: states)
    return sources.layout(installer, None, now)


def test_silent_sources_come_first(monkeypatch, installer, states, now):
    page = shown(monkeypatch, installer, states, now)
    heads = [text(node) for node in walk(page) if type(node).__name__ == "Th"]
    assert [head.split()[0] for head in heads if head[1:2] == "-"] == [
        "b-silent",
        "f-never",
        "c-failing",
        "d-files",
        "e-new",
        "a-working",
    ]


def test_one_sentence_says_how_many_need_attention(states, now):
    plain = say.attention(states, now).replace("\u00a0", " ")
    assert plain == "4 of 6 sources need attention: 2 silent, 1 failing and 1 with failed files."
    assert say.attention(states[:1], now) == "The one source does not need attention."
    assert "by hand" in say.attention([], now)


def test_a_state_is_a_word_and_a_shape_of_its_own(states, now):
    looks = {say.look(state, now) for state in states}
    assert looks == set(say.LOOKS)
    assert len({look.shape for look in looks}) == len({look.word for look in looks}) == len(looks)


def test_what_is_the_matter_is_said(state, now):
    silent = replace(state, newest=now - timedelta(days=3))
    assert say.why(silent, now).replace("\u00a0", " ") == (
        "Its newest reading is from 3 days ago; it should be at most 2 days old."
    )
    failing = replace(state, error="No answer.", retry_at=now + timedelta(minutes=20))
    assert say.why(failing, now) == "No answer. Next try at 12:40 UTC."
    assert say.why(state, now) == ""


def test_figures_stand_in_the_row(monkeypatch, installer, state, now):
    page = shown(monkeypatch, installer, [state], now)
    cells = [text(n).replace("\u00a0", " ") for n in walk(page) if type(n).__name__ == "Td"]
    assert cells[0].split() == ["●", "working"]
    assert cells[1:] == ["within the hour", "3 hours ago", "12", "0", "3,456", "7"]


def test_texts_of_a_server_stay_texts(monkeypatch, installer, state, now):
    hostile = replace(state, error="<script>alert(1)</script>", note="=1+1")
    page = shown(monkeypatch, installer, [hostile], now)
    assert "<script>alert(1)</script>" in text(page)
    assert {type(node).__name__ for node in walk(page)}.isdisjoint({"Script", "Markdown"})


def test_only_an_installer_sees_sources(store, installer, homeowner):
    assert data.sources(installer, store) == []
    with pytest.raises(NotFoundError):
        data.sources(homeowner, store)


def test_the_page_is_reached_by_its_address(app, as_installer, as_homeowner, anonymous):
    assert as_installer.get("/sources").status_code == 200
    assert as_homeowner.get("/sources").status_code == 404
    assert anonymous.get("/sources").status_code == 303
    body = {
        "output": "..page.children...title.data...notice.children..",
        "outputs": [
            {"id": "page", "property": "children"},
            {"id": "title", "property": "data"},
            {"id": "notice", "property": "children"},
        ],
        "inputs": [{"id": "url", "property": "pathname", "value": "/sources"}],
        "state": [
            {"id": "url", "property": "search", "value": ""},
            {"id": "fleet-searched", "property": "data", "value": None},
        ],
        "changedPropIds": ["url.pathname"],
    }
    call = {"json": body, "headers": {"X-CSRFToken": "token"}}
    answer = as_installer.post("/_dash-update-component", **call)
    assert answer.status_code == 200
    assert "No source brings files by itself" in answer.get_data(as_text=True)
    assert as_homeowner.post("/_dash-update-component", **call).status_code == 404


def test_a_described_source_that_brought_nothing_is_shown(tmp_path, installer, now):
    with open_store(tmp_path / "s.duckdb", create=True) as store:
        known = Described("logger", "alder-row-3", "folder", timedelta(days=2))
        describe_sources(store, [known], now)
        page = text(sources.layout(installer, store, now + timedelta(days=3)))
    assert "It has brought no reading in more than" in page
    assert "silent" in page
