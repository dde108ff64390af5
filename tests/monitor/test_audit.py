"""The log of who did what: a chain in which nothing can be changed without a trace."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from threading import Thread

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.store import audit
from monitor.store.connection import Store, open_store

ROWS = 9
COLUMNS = ["number", "at_utc", "by_kind", "by_person", "action", "site_id", "person", "detail",
           "previous", "hash"]  # fmt: skip


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    path = tmp_path_factory.mktemp("audit") / "log.duckdb"
    with open_store(path, create=True) as opened:
        for n in range(ROWS):
            with audit.acting("person", n % 3 + 1):
                audit.record(opened, "looked", site=f"site-{n % 2}", person=n, detail=f"page {n}")
        yield opened


@pytest.fixture
def spoiled(store: Store) -> Iterator[Store]:
    """The log, put back as it was after a test."""
    cursor = store.cursor()
    for name in ("audit", "audit_head"):
        cursor.execute(f"CREATE OR REPLACE TEMP TABLE kept_{name} AS FROM {name}")
    yield store
    for name in ("audit", "audit_head"):
        cursor.execute(f"DELETE FROM {name}")
        cursor.execute(f"INSERT INTO {name} FROM kept_{name}")


def change(store: Store, sql: str, given: list[object] | None = None) -> None:
    store.cursor().execute(sql, given or [])


def test_an_untouched_log_is_whole(store: Store) -> None:
    check = audit.verify(store)
    assert (check.rows, check.problems) == (ROWS, ())
    assert audit.verify(store, (ROWS, check.head)).problems == ()


def test_a_row_can_be_hashed_by_anybody_from_what_the_documentation_says(store: Store) -> None:
    first = audit.entries(store)[-1]
    text = json.dumps(
        {
            "action": "looked",
            "at": first.at.strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
            "by": "person",
            "by_person": 1,
            "detail": "page 0",
            "number": 1,
            "person": 0,
            "previous": "0" * 64,
            "site": "site-0",
        },
        separators=(",", ":"),
    )
    # FIPS 180-4: SHA-256.
    assert hashlib.sha256(text.encode()).hexdigest() == first.hash


VALUES = {
    "number": st.integers(1, 40),
    "at_utc": st.integers(1, 10**9).map(lambda n: f"2026-01-01 00:00:{n % 60:02d}.{n % 10**6:06d}"),
    "by_kind": st.sampled_from(["person", "command", "program", "visitor"]),
    "by_person": st.none() | st.integers(0, 5),
    "action": st.sampled_from(["looked", "signed in", ""]),
    "site_id": st.none() | st.sampled_from(["site-0", "site-1", ""]),
    "person": st.none() | st.integers(0, 12),
    "detail": st.sampled_from(["page 0", "page 1", ""]),
    "previous": st.text("0123456789abcdef", min_size=64, max_size=64),
    "hash": st.text("0123456789abcdef", min_size=64, max_size=64),
}


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data(), row=st.integers(1, ROWS), column=st.sampled_from(COLUMNS))
def test_any_value_of_any_row_that_is_altered_is_found(spoiled, data, row, column) -> None:
    value = data.draw(VALUES[column])
    cursor = spoiled.cursor()
    before = cursor.execute(f"SELECT {column} FROM audit WHERE number = ?", [row]).fetchall()
    taken = column == "number" and value <= ROWS
    if taken or str(before[0][0]) == str(value):
        return
    change(spoiled, f"UPDATE audit SET {column} = ? WHERE number = ?", [value, row])
    assert audit.verify(spoiled).problems != ()
    put_back = value if column == "number" else row
    change(spoiled, f"UPDATE audit SET {column} = ? WHERE number = ?", [before[0][0], put_back])
    assert audit.verify(spoiled).problems == ()


@pytest.mark.parametrize("row", range(1, ROWS + 1))
def test_a_row_that_is_removed_is_found(spoiled: Store, row: int) -> None:
    change(spoiled, "DELETE FROM audit WHERE number = ?", [row])
    assert audit.verify(spoiled).problems != ()


def test_the_sentence_names_the_row(spoiled: Store) -> None:
    change(spoiled, "UPDATE audit SET site_id = 'site-9' WHERE number = 4")
    assert audit.verify(spoiled).problems == (
        "Row 4 was altered: its content and its hash differ.",
    )
    change(spoiled, "DELETE FROM audit WHERE number IN (6, 7)")
    assert "Rows are missing before row 8." in audit.verify(spoiled).problems


def test_rows_taken_off_the_end_are_missed(spoiled: Store) -> None:
    change(spoiled, "DELETE FROM audit WHERE number > 6")
    (problem,) = audit.verify(spoiled).problems
    assert "ends with row 6, but was last added to with row 9" in problem


def forged(store: Store, number: int, previous: str) -> None:
    """Put a row in whose own hash is right."""
    last = audit.entries(store)[0]
    row = audit.Entry(
        number, last.at + timedelta(seconds=1), last.actor, "looked", None, None, "", previous, ""
    )
    change(
        store,
        "INSERT INTO audit VALUES (?, ?, 'person', ?, 'looked', NULL, NULL, '', ?, ?)",
        [number, row.at.replace(tzinfo=None), last.actor.person, previous, row.computed_hash],
    )


def test_a_row_that_is_put_at_the_end_is_found(spoiled: Store) -> None:
    forged(spoiled, ROWS + 1, audit.verify(spoiled).head)
    assert any("its end or put there" in one for one in audit.verify(spoiled).problems)


def test_a_row_that_is_put_between_two_others_is_found(spoiled: Store) -> None:
    change(spoiled, f"UPDATE audit SET number = number + {ROWS} WHERE number > 5")
    change(spoiled, f"UPDATE audit SET number = number - {ROWS} + 1 WHERE number > {ROWS}")
    previous = spoiled.cursor().execute("SELECT hash FROM audit WHERE number = 5").fetchall()[0][0]
    forged(spoiled, 6, previous)
    assert "Row 7 does not follow the row before it." in audit.verify(spoiled).problems


def test_a_chain_that_is_made_anew_differs_from_what_was_noted(spoiled: Store) -> None:
    noted = (ROWS, audit.verify(spoiled).head)
    change(spoiled, "DELETE FROM audit")
    change(spoiled, f"UPDATE audit_head SET number = 0, hash = '{audit.NOTHING}'")
    for _ in range(ROWS):
        audit.record(spoiled, "looked")
    assert audit.verify(spoiled).problems == ()
    assert any("made anew" in one for one in audit.verify(spoiled, noted).problems)


def test_what_a_transaction_did_is_logged_if_and_only_if_it_was_done(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    with open_store(path, create=True) as opened:

        def breaks_off() -> None:
            with opened.transaction() as cursor:
                audit.note(cursor, "site described", site="a")
                raise RuntimeError

        with pytest.raises(RuntimeError):
            breaks_off()
        assert audit.entries(opened) == []
        with opened.transaction() as cursor:
            audit.note(cursor, "site described", site="b")
        # Chained when the store is closed, if nothing did it before.
    with open_store(path) as opened:
        assert [entry.site for entry in audit.entries(opened)] == ["b"]
        assert audit.verify(opened).problems == ()


def test_many_at_once_make_one_chain(tmp_path: Path) -> None:
    with open_store(tmp_path / "s.duckdb", create=True) as opened:

        def look(person: int) -> None:
            for _ in range(5):
                with audit.acting("person", person):
                    audit.record(opened, "looked")

        threads = [Thread(target=look, args=(n,)) for n in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert audit.verify(opened) == audit.Check(20, audit.verify(opened).head, ())
        by = [entry.actor.person for entry in audit.entries(opened)]
        assert sorted(by, key=str) == sorted([*range(4)] * 5, key=str)


@pytest.mark.parametrize(
    "given", [{"action": "Looked At"}, {"detail": "Hugo"}, {"detail": "a@b"}, {"detail": "é"}]
)
def test_there_is_no_room_for_a_name(store: Store, given: dict[str, str]) -> None:
    with pytest.raises(ValueError, match="not fit for the log"):
        audit.record(store, **({"action": "looked"} | given))
