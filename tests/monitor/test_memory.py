"""What is kept in memory is dropped with what it was made from, whoever is at work meanwhile."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path
from threading import Event, Thread

import pytest

from monitor.store.connection import NO_SITE, Store, open_store
from monitor.store.memory import Kept


def test_a_value_is_made_once_until_it_is_dropped() -> None:
    kept, made = Kept(4), iter(range(9))
    assert [kept.get("a", lambda: next(made)) for _ in range(3)] == [0, 0, 0]
    kept.drop(["b"])
    assert kept.get("a", lambda: next(made)) == 0
    kept.drop(["a"])
    assert kept.get("a", lambda: next(made)) == 1
    kept.drop(None)
    assert kept.get("a", lambda: next(made)) == 2


def test_another_stamp_is_another_value() -> None:
    kept = Kept(4)
    assert kept.get("a", lambda: "nine", stamp=9) == "nine"
    assert kept.get("a", lambda: "ten", stamp=10) == "ten"
    assert kept.get("a", lambda: "again", stamp=10) == "ten"


def test_the_value_not_asked_for_the_longest_goes_first() -> None:
    kept = Kept(2)
    for key in ("a", "b", "a", "c"):
        kept.get(key, lambda key=key: key)
    assert kept.get("a", lambda: "new") == "a"
    assert kept.get("b", lambda: "new") == "new"


def test_what_failed_is_tried_again() -> None:
    kept = Kept(2)
    with pytest.raises(ZeroDivisionError):
        kept.get("a", lambda: 1 / 0)
    assert kept.get("a", lambda: 1.0) == 1.0


def test_whoever_asks_after_a_change_does_not_get_what_was_being_made() -> None:
    kept, begun, go_on, got = Kept(2), Event(), Event(), []

    def slowly() -> str:
        begun.set()
        go_on.wait(5)
        return "old"

    early = Thread(target=lambda: got.append(kept.get("a", slowly)))
    early.start()
    begun.wait(5)
    kept.drop(["a"])
    assert kept.get("a", lambda: "new") == "new"
    go_on.set()
    early.join(5)
    assert got == ["old"]
    assert kept.get("a", lambda: "newer") == "new"


def test_two_who_ask_at_once_have_it_made_once() -> None:
    kept, begun, made = Kept(2), Event(), []

    def slowly() -> int:
        made.append(1)
        begun.wait(0.2)
        return len(made)

    both = [Thread(target=kept.get, args=("a", slowly)) for _ in range(2)]
    for one in both:
        one.start()
    for one in both:
        one.join(5)
    assert made == [1]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return open_store(tmp_path / "s.duckdb", create=True)


@pytest.mark.parametrize(
    ("about", "left"),
    [(None, []), (["a"], ["b"]), (["b", "a"], []), (NO_SITE, ["a", "b"])],
)
def test_a_transaction_drops_what_it_is_about_and_without_a_word_all(store, about, left) -> None:
    for site in ("a", "b"):
        store.of_site.get(site, lambda: "old")
    with store.transaction(about):
        assert store.of_site.get("a", lambda: "new") == "old", "nothing has changed yet"
    found = [s for s in ("a", "b") if store.of_site.get(s, lambda: "new") == "old"]
    assert found == left
    store.close()


def test_only_rows_that_say_nothing_of_a_site_are_written_without_dropping_any() -> None:
    """A table that a site's figures or words rest on must not be written unnoticed."""
    harmless = {"account", "audit", "audit_head", "audit_pending", "ended_session", "saved_view"}
    harmless |= {"source", "source_failed", "source_fetched", "source_import", "source_try"}
    harmless |= {"telling", "telling_from", "telling_wish", "told"}
    root = Path(__file__).parents[2]
    written = set()
    for path in [*(root / "monitor/store").glob("*.py"), root / "dashboard/looks.py"]:
        for block in _blocks(path.read_text(), "NO_SITE"):
            sql = re.sub(r'"\s+f?"', "", block)
            written |= set(re.findall(r"(?:INSERT INTO|UPDATE|DELETE FROM) (\w+)", sql))
    written.discard("SET")
    assert {"account", "saved_view", "source_try", "told"} <= written <= harmless


def _blocks(text: str, mark: str) -> list[str]:
    """Bodies of the transactions that bear a mark."""
    found = []
    lines = text.splitlines()
    for n, line in enumerate(lines):
        if f"transaction({mark})" in line:
            depth = len(line) - len(line.lstrip())
            own = []
            for later in lines[n + 1 :]:
                if later.strip() and len(later) - len(later.lstrip()) <= depth:
                    break
                own.append(later)
            found.append("\n".join(own))
    return found


def test_the_log_drops_nothing(store) -> None:
    from monitor.store import audit

    store.of_site.get("a", lambda: "old")
    with audit.acting("command"):
        audit.record(store, "looked", site="a")
    assert store.of_site.get("a", lambda: "new") == "old"
    assert audit.entries(store)[0].at <= datetime.now(UTC)
    store.close()
