"""The form, the session and its end."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, datetime

import pytest
from flask import request

from dashboard.app import create_app
from dashboard.auth import MOST_FAILURES, WINDOW, Attempts, address_key
from monitor.store import audit, users
from monitor.store.connection import open_store

PASSWORD = "nine green bottles"
NOW = datetime(2026, 3, 20, 12, 20, tzinfo=UTC)


@pytest.fixture
def small(tmp_path, described):
    """A store of its own, so that passwords can change and people can go."""
    with open_store(shutil.copy(described, tmp_path / "small.duckdb")) as opened:
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
    cookie = page.headers["Set-Cookie"]
    # RFC 6265bis, 4.1.3.2: a cookie of this prefix is Secure, for one host and every path.
    assert cookie.startswith("__Host-pledgewatt=")
    assert "Secure" in cookie
    assert "Path=/" in cookie
    assert "Domain" not in cookie
    assert "max-age=" in page.headers["Strict-Transport-Security"]


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


def test_tries_are_counted_by_email_and_by_address_and_forgotten_in_time():
    attempts = Attempts()
    for n in range(MOST_FAILURES):
        assert attempts.admit(("e-mail a", f"address {n}"), now=float(n))
    assert not attempts.admit(("e-mail a", "address 99"), now=20.0)
    assert attempts.admit(("e-mail b", "address 0"), now=20.0)
    assert attempts.admit(("e-mail a",), now=20.0 + WINDOW.total_seconds())


def test_one_address_may_not_try_many_emails():
    attempts = Attempts()
    for n in range(MOST_FAILURES):
        assert attempts.admit((f"e-mail {n}", "address a"), now=0.0)
    assert not attempts.admit(("e-mail 99", "address a"), now=1.0)


def test_people_behind_one_address_who_know_their_passwords_never_wait():
    attempts = Attempts()
    for n in range(5 * MOST_FAILURES):
        assert attempts.admit((f"e-mail {n}", "address a"), now=0.0)
        attempts.succeeded(f"e-mail {n}", "address a")


def test_a_try_counts_before_the_password_is_looked_at():
    attempts = Attempts()
    # As many side by side as there are threads: none of them has an answer yet.
    let_in = [attempts.admit(("e-mail a",), now=0.0) for _ in range(3 * MOST_FAILURES)]
    assert sum(let_in) == MOST_FAILURES


@pytest.mark.parametrize(
    ("address", "key"),
    [
        ("192.0.2.7", "address 192.0.2.7"),
        # RFC 4291: a line is given a /64 at the least; its host part is free to choose.
        ("2001:db8:1:2:3:4:5:6", "address 2001:db8:1:2::/64"),
        ("::ffff:192.0.2.7", "address 192.0.2.7"),
        (None, "address None"),
    ],
)
def test_tries_are_counted_by_the_line_that_they_come_from(address, key):
    assert address_key(address) == key


def test_guesses_at_many_emails_do_not_fill_the_memory():
    attempts = Attempts()
    attempts.most_keys = 50
    for n in range(500):
        attempts.admit((f"e-mail {n}",), now=float(n))
    assert len(attempts._failures) == 50


def guesses(small, proxies, header):
    client = create_app(small, proxies=proxies).server.test_client()
    answers = []
    for n in range(MOST_FAILURES + 1):
        page = client.get("/login").get_data(as_text=True)
        token = re.search(r'name="csrf" value="([^"]+)"', page)[1]
        answers.append(
            client.post(
                "/login",
                data={"csrf": token, "email": f"nobody{n}@example.org", "password": "x" * 12},
                headers={"X-Forwarded-For": header(n)},
            ).status_code
        )
    return answers


def test_without_a_proxy_nobody_says_where_they_come_from(small):
    assert guesses(small, 0, lambda n: f"192.0.2.{n}")[-1] == 429


def test_behind_a_proxy_each_address_counts_on_its_own(small):
    assert 429 not in guesses(small, 1, lambda n: f"192.0.2.{n}")


def test_what_a_visitor_adds_in_front_of_the_proxys_word_is_not_believed(small):
    assert guesses(small, 1, lambda n: f"192.0.2.{n}, 198.51.100.1")[-1] == 429


def test_behind_a_proxy_a_link_has_the_scheme_that_the_visitor_used(small):
    app = create_app(small, proxies=1)
    seen = {}
    app.server.view_functions["health"] = lambda: seen.update(url=request.host_url) or "ok"
    said = {"X-Forwarded-Proto": "https", "X-Forwarded-Host": "evil.example"}
    app.server.test_client().get("/health", headers=said)
    assert seen == {"url": "https://localhost/"}


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


def test_a_locked_person_is_out_at_once_and_gets_the_answer_of_a_wrong_password(client, small):
    send(client)
    users.lock(small, "ines@example.org", locked=True)
    assert client.get("/").status_code == 303
    locked, wrong = send(client), send(client, password="wrong wrong wrong")
    assert locked.status_code == wrong.status_code == 401
    strip = [re.sub(r'value="[^"]*"', "", r.get_data(as_text=True)) for r in (locked, wrong)]
    assert strip[0] == strip[1]


def test_signing_in_and_out_is_logged_without_a_name(client, small):
    send(client, password="wrong wrong wrong")
    send(client, email="nobody@example.org")
    send(client)
    with client.session_transaction() as session:
        token = session["csrf"]
    client.post("/logout", data={"csrf": token})
    rows = [(e.action, e.actor.kind, e.actor.person, e.person) for e in audit.entries(small)]
    assert rows[:4][::-1] == [
        ("sign-in failed", "visitor", None, 1),
        ("sign-in failed", "visitor", None, None),
        ("signed in", "visitor", None, 1),
        ("signed out", "person", 1, None),
    ]
