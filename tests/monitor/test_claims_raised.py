"""Claims and what is done about them are kept for ever, in order."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.errors import NotFoundError
from monitor.store.cases import What, add_step, claim, load_claims, raise_claim
from monitor.store.connection import Store, open_store

NOW = datetime(2026, 10, 1, 9, tzinfo=UTC)
OWNER = {"user_id": 7, "role": "homeowner"}
DESK = {"user_id": 3, "role": "warranty"}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "homes.duckdb", create=True) as opened:
        yield opened


def test_a_claim_is_open_until_somebody_closes_it(store: Store) -> None:
    number = raise_claim(store, "mill-lane-1", said="The bills are high.", now=NOW, **OWNER)
    (found,) = load_claims(store, "mill-lane-1")
    assert (found.number, found.is_open, found.raised_at) == (number, True, NOW)
    add_step(store, number, What.CLOSED, said="Withdrawn.", now=NOW, **DESK)
    assert not claim(store, number).is_open
    with pytest.raises(NotFoundError, match="closed"):
        add_step(store, number, What.NOTE, said="More.", now=NOW, **DESK)


def test_raising_again_adds_to_the_claim_that_is_open(store: Store) -> None:
    first = raise_claim(store, "mill-lane-1", said="High bills.", now=NOW, **OWNER)
    again = raise_claim(
        store, "mill-lane-1", said="Still high.", now=NOW + timedelta(days=3), **OWNER
    )
    other = raise_claim(store, "mill-lane-2", said="Cold.", now=NOW, **OWNER)
    assert first == again != other
    assert [s.said for s in claim(store, first).steps] == ["High bills.", "Still high."]


def test_a_proposal_waits_until_it_is_confirmed_or_refused(store: Store) -> None:
    number = raise_claim(store, "mill-lane-1", said="High bills.", now=NOW, **OWNER)
    assert claim(store, number).proposal is None
    add_step(store, number, What.PROPOSED, said="Not kept.", now=NOW, document="{}", **DESK)
    waiting = claim(store, number).proposal
    assert waiting is not None
    assert waiting.user_id == DESK["user_id"]
    add_step(store, number, What.REFUSED, said="Weather missing.", now=NOW, **DESK)
    assert claim(store, number).proposal is None
    assert claim(store, number).is_open
