"""The form, the session and its end."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

from dashboard.app import create_app
from dashboard.auth import MOST_FAILURES, WINDOW, Attempts
from monitor.store import users
from monitor.store.connection import open_store

PASSWORD = "nine green bottles"
NOW = datetime(2026, 3, 20, 12, 20, tzinfo=UTC)


@pytest.fixture
def small(tmp_path):
    """A store of its own, so that passwords can change and people can go."""
    with open_store(tmp_path / "small.duckdb", create=True) as opened:
        users.add_user(
            opened, email="ines@example.org", name="Ines", role="installer", password=PASSWORD,
            now=NOW,
        )  # fmt: skip
        yield opened


@pytest.fixture
def client(small):
    return create_app(small).server.test_client()


def send(client, email="ines@example.org", password=PASSWORD, **more):
    page = client.get("/login").get_data(as_text=True)
    found = re.search(r'name="csrf" value="([^"]+)"', page)
    form = {"csrf": found[1] if found else "", "email": email, "password": password}
    return client.post("/login", data=form | more)


def test_the_right_password_opens_the_first_page(client):
    response = send(client)
    assert (response.status_code, response.location) == (303, "/")
    assert client.get("/").status_code == 200


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(client):
    cookie = next(
        c for c in send(client).headers.getlist("Set-Cookie") if c.startswith("pledgewatt_session")
    )
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie
    assert "Secure" not in cookie


def test_over_tls_cookies_never_travel_without_it(small):
    client = create_app(small, secure_cookies=True).server.test_client()
    page = client.get("/login", base_url="https://localhost")
    assert "Secure" in page.headers["Set-Cookie"]


def test_signing_in_makes_the_session_anew(client):
    client.get("/login")
    with client.session_transaction() as before:
        token = before["csrf"]
    send(client)
    with client.session_transaction() as after:
        assert after["csrf"] != token
        assert after["id"]


def test_a_wrong_password_and_an_unknown_email_get_the_same_answer(client):
    wrong = send(client, password="ten green bottles")
    unknown = send(client, email="nobody@example.org")
    assert wrong.status_code == unknown.status_code == 401
    strip = [re.sub(r'value="[^"]*"', "", r.get_data(as_text=True)) for r in (wrong, unknown)]
    assert strip[0] == strip[1]


def test_a_form_without_its_token_is_refused(client):
    assert send(client, csrf="").status_code == 400
    assert send(client, csrf="schlüssel").status_code == 400
    assert client.get("/").status_code == 303


def test_after_ten_failures_even_the_right_password_must_wait(client):
    for _ in range(MOST_FAILURES):
        assert send(client, password="wrong wrong wrong").status_code == 401
    assert send(client).status_code == 429


def test_failures_are_counted_by_email_and_by_address_and_forgotten_in_time():
    attempts = Attempts()
    for n in range(MOST_FAILURES):
        attempts.failed(("e-mail a", f"address {n}"), now=float(n))
    assert attempts.blocked(("e-mail a", "address 99"), now=20.0)
    assert not attempts.blocked(("e-mail b", "address 0"), now=20.0)
    assert not attempts.blocked(("e-mail a",), now=20.0 + WINDOW.total_seconds())


def test_guesses_at_many_emails_do_not_fill_the_memory():
    attempts = Attempts()
    attempts.most_keys = 50
    for n in range(500):
        attempts.failed((f"e-mail {n}",), now=float(n))
    assert len(attempts._failures) == 50


@pytest.mark.parametrize(
    "wanted", ["//evil.example", "https://evil.example", "/\\evil.example", "/logout", "/x\r\ny"]
)
def test_signing_in_leads_nowhere_else(client, wanted):
    assert send(client, next=wanted).location == "/"


def test_signing_in_leads_back_to_the_page_that_was_asked_for(client):
    first = client.get("/site/alder-row-3?period=30")
    assert first.location == "/login?next=/site/alder-row-3%3Fperiod%3D30"
    assert send(client, next="/site/alder-row-3?period=30").location == (
        "/site/alder-row-3?period=30"
    )


def test_signing_out_ends_the_session_also_for_a_copied_cookie(client, small):
    send(client)
    cookie = client.get_cookie("pledgewatt_session").value
    with client.session_transaction() as session:
        token = session["csrf"]
    assert client.post("/logout", data={"csrf": "wrong"}).status_code == 400
    assert client.post("/logout", data={"csrf": token}).status_code == 303
    for app in (client.application, create_app(small).server):
        thief = app.test_client()
        thief.set_cookie("pledgewatt_session", cookie)
        assert thief.get("/").status_code == 303


def test_another_password_ends_every_session(client, small):
    send(client)
    users.set_password(small, "ines@example.org", "ten green bottles")
    assert client.get("/").status_code == 303
    assert send(client, password="ten green bottles").status_code == 303


def test_a_removed_person_is_out_at_once(client, small):
    send(client)
    users.remove_user(small, "ines@example.org")
    assert client.get("/").status_code == 303


def test_sessions_outlive_a_restart(client, small):
    send(client)
    again = create_app(small).server.test_client()
    again.set_cookie("pledgewatt_session", client.get_cookie("pledgewatt_session").value)
    assert again.get("/").status_code == 200


def test_a_forged_session_is_nobodys(client):
    with client.session_transaction() as session:
        session.update(user=1, key="guessed", id="x", csrf="y")
    assert client.get("/").status_code == 303
