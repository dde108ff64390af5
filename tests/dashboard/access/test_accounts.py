"""Accounts in the store."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from monitor.errors import NotFoundError
from monitor.store import users
from monitor.store.connection import open_store
from monitor.store.sites import save_site
from monitor.store.users import AccountError

NOW = datetime(2026, 3, 20, 12, 20, tzinfo=UTC)
PASSWORD = "nine green bottles"


@pytest.fixture
def empty(tmp_path, sites):
    with open_store(tmp_path / "empty.duckdb", create=True) as opened:
        save_site(opened, sites["alder-row-3"], NOW)
        yield opened


def add(store, **more):
    usual = {
        "email": "Hugo@Example.org ",
        "name": "Hugo",
        "role": "homeowner",
        "password": PASSWORD,
        "sites": ["alder-row-3"],
        "now": NOW,
    }
    return users.add_user(store, **(usual | more))


def test_an_email_is_one_account_however_it_is_written(empty):
    user = add(empty)
    assert user.email == "hugo@example.org"
    assert user.sites == ("alder-row-3",)
    with pytest.raises(AccountError, match="already"):
        add(empty, email="HUGO@EXAMPLE.ORG")
    assert users.verify(empty, " hugo@EXAMPLE.org", PASSWORD) == user
    assert users.load_user(empty, user.user_id) == user
    assert users.list_users(empty) == [user]


def test_the_password_is_kept_as_an_argon2_hash_only(empty):
    add(empty)
    kept = empty.cursor().execute("SELECT * FROM account").fetchall()[0]
    assert any(str(value).startswith("$argon2id$") for value in kept)
    assert PASSWORD not in str(kept)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"email": "hugo"}, "not an e-mail address"),
        ({"email": "a b@c"}, "not an e-mail address"),
        ({"name": " "}, "Give the person's name"),
        ({"role": "admin"}, "not a role"),
        ({"sites": []}, "exactly one site"),
        ({"sites": ["alder-row-3", "alder-row-3"]}, "exactly one site"),
        ({"role": "installer"}, "sees every site"),
        ({"password": "short"}, "10 to 256 characters"),
        ({"password": "x" * 257}, "10 to 256 characters"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(empty, wrong, says):
    with pytest.raises(AccountError, match=says):
        add(empty, **wrong)
    assert users.list_users(empty) == []


def test_a_homeowner_of_no_known_site_is_refused(empty):
    with pytest.raises(NotFoundError, match="no site 'no-such-home'"):
        add(empty, sites=["no-such-home"])


def test_another_password_turns_the_session_key(empty):
    before = add(empty)
    after = users.set_password(empty, "hugo@example.org", "ten green bottles")
    assert after.session_key != before.session_key
    assert users.verify(empty, "hugo@example.org", PASSWORD) is None
    assert users.verify(empty, "hugo@example.org", "ten green bottles") == after


def test_nobody_cannot_be_changed_or_removed(empty):
    with pytest.raises(NotFoundError, match="no account"):
        users.set_password(empty, "nobody@example.org", PASSWORD)
    with pytest.raises(NotFoundError, match="no account"):
        users.remove_user(empty, "nobody@example.org")


def test_a_removed_person_is_gone(empty):
    user = add(empty)
    users.remove_user(empty, "hugo@example.org")
    assert users.load_user(empty, user.user_id) is None
    assert users.verify(empty, "hugo@example.org", PASSWORD) is None


def test_the_secret_is_made_once_and_differs_between_stores(empty, tmp_path):
    assert users.secret_key(empty) == users.secret_key(empty)
    with open_store(tmp_path / "other.duckdb", create=True) as other:
        assert users.secret_key(other) != users.secret_key(empty)


def test_a_user_shown_in_a_log_gives_away_no_key(empty):
    user = add(empty)
    assert user.session_key not in repr(user)
