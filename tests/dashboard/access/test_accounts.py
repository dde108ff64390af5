"""Accounts in the store."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime

import pytest

from monitor.errors import NotFoundError
from monitor.store import connection, users
from monitor.store.connection import open_store
from monitor.store.sites import save_site
from monitor.store.users import AccountError

NOW = datetime(2026, 3, 20, 12, 20, tzinfo=UTC)
PASSWORD = "nine green bottles"


@pytest.fixture
def empty(tmp_path, described):
    with open_store(shutil.copy(described, tmp_path / "empty.duckdb")) as opened:
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
        ({"role": "administrator"}, "sees no site"),
        ({"team": "North"}, "installer or a warranty person"),
        ({"role": "installer", "team": "North"}, "not together with sites"),
        ({"role": "installer", "team": " ", "sites": []}, "A team's sites are for"),
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


def test_who_is_given_no_site_by_name_sees_every_one(empty):
    for role in ("installer", "warranty"):
        user = add(empty, email=f"{role}@example.org", role=role, sites=[])
        assert user.may_see("alder-row-3")
        assert user.may_see("a-site-that-comes-later")


def test_a_stated_set_of_sites_is_all_that_is_seen(empty):
    user = add(empty, role="warranty")
    assert user.may_see("alder-row-3")
    assert not user.may_see("brook-cottage")
    assert users.load_user(empty, user.user_id) == user


def test_a_team_sees_the_sites_that_are_its_own_now(empty, sites):
    user = add(empty, role="installer", sites=[], team="North")
    assert not user.may_see("alder-row-3")
    ours = sites["alder-row-3"].model_copy(update={"installer_team": "North"})
    save_site(empty, ours, NOW)
    found = users.load_user(empty, user.user_id)
    assert found is not None
    assert found.sites == ("alder-row-3",)
    save_site(empty, ours.model_copy(update={"installer_team": "South"}), NOW)
    assert users.account(empty, user.email).sites == ()


def test_an_administrator_sees_no_site(empty):
    assert not add(empty, role="administrator", sites=[]).may_see("alder-row-3")


def test_a_locked_account_is_nobodys_until_it_is_unlocked(empty):
    before = add(empty)
    locked = users.lock(empty, "hugo@example.org", locked=True)
    assert locked.locked
    assert locked.session_key != before.session_key
    assert users.verify(empty, "hugo@example.org", PASSWORD) is None
    users.lock(empty, "hugo@example.org", locked=False)
    assert users.verify(empty, "hugo@example.org", PASSWORD) is not None


def test_a_hundred_wrong_passwords_in_a_row_lock_an_account(empty, monkeypatch):
    # NIST SP 800-63B, 5.2.2, allows no more than a hundred; from memory.
    assert users.MOST_IN_A_ROW == 100
    monkeypatch.setattr(users, "MOST_IN_A_ROW", 3)
    add(empty)
    for _ in range(2):
        users.verify(empty, "hugo@example.org", "wrong wrong wrong")
    assert users.verify(empty, "hugo@example.org", PASSWORD) is not None
    for _ in range(3):
        users.verify(empty, "hugo@example.org", "wrong wrong wrong")
    assert users.account(empty, "hugo@example.org").locked
    assert users.verify(empty, "hugo@example.org", PASSWORD) is None
    users.set_password(empty, "hugo@example.org", "ten green bottles")
    assert users.verify(empty, "hugo@example.org", "ten green bottles") is not None


def test_accounts_of_an_older_store_keep_what_they_saw(tmp_path, monkeypatch):
    steps = connection._migrations()
    monkeypatch.setattr(connection, "_migrations", lambda: [s for s in steps if s[0] < 8])
    monkeypatch.setattr(connection.audit, "seal", lambda _: None)
    with open_store(tmp_path / "old.duckdb", create=True) as old, old.transaction() as cursor:
        cursor.execute(
            "INSERT INTO account (email, name, role, site_id, password_hash, session_key, "
            "created_at) VALUES ('i@x', 'I', 'installer', NULL, 'h', 'k', now()), "
            "('h@x', 'H', 'homeowner', 'alder-row-3', 'h', 'k', now())"
        )
    monkeypatch.undo()
    with open_store(tmp_path / "old.duckdb") as opened:
        home, installer = users.list_users(opened)
        assert (home.user_id, home.role, home.sites) == (2, "homeowner", ("alder-row-3",))
        assert (installer.user_id, installer.everywhere, installer.sites) == (1, True, ())
        assert add(opened, role="installer", sites=[]).user_id == 3
