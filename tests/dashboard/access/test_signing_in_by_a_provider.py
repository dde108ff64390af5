"""Signing in through a provider, against one that runs beside: who comes in, and who does not.

Sources, where a check names one: OpenID Connect Core 1.0 and Discovery 1.0 (with errata set 2),
RFC 6749 (OAuth 2.0), RFC 7636 (PKCE), RFC 9207 (issuer in the answer), RFC 9700 (best current
practice for security of OAuth 2.0), RFC 8725 (best current practice for JSON web tokens).
"""

from __future__ import annotations

import re
from datetime import timedelta
from urllib.parse import parse_qs, urlsplit

import pytest
from authlib.oauth2.rfc7636 import create_s256_code_challenge
from joserfc.jwk import ECKey, OctKey, RSAKey

from dashboard.app import create_app
from dashboard.provider_door import PATIENCE
from monitor.store import bindings, personal, users
from tests.dashboard.access.at_the_door import (
    BACK,
    NOW,
    at_provider,
    client,
    clock,
    described_as,
    house,
    key,
    other,
    other_key,
    rows,
    said,
    shared,
    sign_in,
    there,
    to_provider,
)
from tests.dashboard.openid_provider import CLIENT, SECRET, s256

__all__ = ["client", "clock", "house", "key", "other_key", "shared", "there"]


# Coming in -----------------------------------------------------------------------------------


def test_whoever_has_an_account_comes_in_and_is_bound_to_it(client, house, there):
    before = len(rows(house))
    answer = sign_in(client)
    assert (answer.status_code, answer.location) == (303, "/")
    assert client.get("/").status_code == 200
    ines = users.account(house, "ines@example.org")
    assert bindings.bound(house) == {ines.user_id}
    assert rows(house)[before:][:2] == [
        ("provider bound", ines.user_id, ""),
        ("signed in", ines.user_id, "provider"),
    ]


def test_the_page_that_was_asked_for_is_the_one_that_follows(client):
    assert sign_in(client, "/site/alder-row-3%3Fperiod%3D30").location == (
        "/site/alder-row-3?period=30"
    )


@pytest.mark.parametrize("wanted", ["//evil.example", "https://evil.example", "/logout"])
def test_it_leads_nowhere_else(client, wanted):
    assert sign_in(client, wanted).location == "/"


def test_a_homeowner_comes_to_the_own_home(client, there):
    there.person = other("hugo")
    assert sign_in(client).location == "/home"


def test_the_session_is_the_usual_one_made_anew(client, house):
    client.get("/login")
    with client.session_transaction() as before:
        token = before["csrf"]
        before["invitation"] = "of whoever sat here before"
    answer = sign_in(client)
    cookie = next(c for c in answer.headers.getlist("Set-Cookie") if "pledgewatt_session" in c)
    assert "HttpOnly" in cookie
    assert "Expires" in cookie
    with client.session_transaction() as after:
        assert set(after) == {"_permanent", "user", "key", "id", "csrf"}
        assert after["csrf"] != token
        token = after["csrf"]
    assert client.post("/logout", data={"csrf": "wrong"}).status_code == 400
    copied = client.get_cookie("pledgewatt_session").value
    assert client.post("/logout", data={"csrf": token}).status_code == 303
    client.set_cookie("pledgewatt_session", copied)
    assert client.get("/").status_code == 303


@pytest.mark.parametrize("end", ["lock", "unbind", "erase"])
def test_a_lock_an_unbinding_and_an_erasure_end_the_session(client, house, end):
    sign_in(client)
    ines = users.account(house, "ines@example.org")
    if end == "lock":
        users.lock(house, ines.email, locked=True)
    elif end == "unbind":
        bindings.unbind(house, ines)
    else:
        personal.erase(house, ines)
    assert client.get("/").status_code == 303


def test_whoever_is_signed_in_already_stays_who_they_are(client, there):
    location = to_provider(client)
    sign_in(client)
    there.person = other("hugo")
    assert client.get("/login/provider").location == "/"
    assert client.get(at_provider(location)).location == "/"
    with client.session_transaction() as session:
        assert session["user"] == 1


def test_elliptic_keys_sign_as_well(client, there):
    there.key, there.alg = ECKey.generate_key("P-256", auto_kid=True), "ES256"
    there.published.append(there.key)
    assert sign_in(client).location == "/"


def test_keys_that_are_new_are_fetched_when_they_are_met(client, there, other_key):
    sign_in(client)
    client.delete_cookie("pledgewatt_session")
    there.key, there.published = other_key, [other_key]  # Core, 10.1.1: rotation
    assert sign_in(client).location == "/"
    assert there.asked.count("/.well-known/openid-configuration") == 1


def test_an_email_that_only_the_userinfo_has_is_taken_from_there(client, there):
    # Core, 5.4: claims of the scope `email` may be answered by the UserInfo endpoint.
    there.claims, there.userinfo = {"email": None, "email_verified": None}, there.person
    assert sign_in(client).location == "/"


def test_a_userinfo_of_somebody_else_proves_nothing(client, there):
    there.claims, there.userinfo = {"email": None}, other("ines")  # Core, 5.3.2
    assert "could not be trusted" in said(client, sign_in(client))


def test_a_provider_that_takes_the_secret_in_the_form_only_gets_it_there(house, there, clock):
    there.document = {"token_endpoint_auth_methods_supported": ["client_secret_post"]}
    app = create_app(house, provider=described_as(there, prompt="select_account"), clock=clock)
    assert sign_in(app.server.test_client()).location == "/"
    assert there.authorizations[-1]["prompt"] == "select_account"


def test_behind_a_proxy_that_ends_tls_the_address_back_and_the_cookie_are_the_same(
    house, there, clock
):
    host = "https://watt.firm.example"
    there.redirect_uri = f"{host}/login/provider/back"
    app = create_app(
        house, secure_cookies=True, proxies=1, clock=clock,
        provider=described_as(there, base_url=f"{host}/"),
    )  # fmt: skip
    client = app.server.test_client()
    seen = {
        "base_url": host.replace("https", "http"),
        "headers": {"X-Forwarded-For": "192.0.2.7", "X-Forwarded-Proto": "https"},
    }
    begun = client.get("/login/provider", **seen)
    # Lax (RFC 6265bis, 4.1.2.7): sent again when the provider leads back here.
    assert "__Host-pledgewatt=" in begun.headers["Set-Cookie"]
    assert "SameSite=Lax" in begun.headers["Set-Cookie"]
    assert client.get(at_provider(begun.location, host), **seen).location == "/"
    assert client.get("/", **seen).status_code == 200


# What is asked -------------------------------------------------------------------------------


def test_the_challenge_is_the_one_of_the_published_example():
    # RFC 7636, appendix B.
    verifier = "dBjftJeZ4CVP-mB92K27uhbUJU1p1r_wW1gFWFOEjXk"
    challenge = "E9Melhoa2OwvFrEMTJguCHaoeK1t8URWbuGJSstw-cM"
    assert create_s256_code_challenge(verifier) == s256(verifier) == challenge


def test_a_request_has_what_the_standards_ask_for(client):
    with_parts = to_provider(client)
    asked = {key: values[0] for key, values in parse_qs(urlsplit(with_parts).query).items()}
    with client.session_transaction() as session:
        kept = session["provider"]
    # Core, 3.1.2.1; RFC 9700, 2.1.1 (PKCE with S256) and 4.1.3 (the address back, exactly).
    assert asked == {
        "response_type": "code",
        "client_id": CLIENT,
        "redirect_uri": BACK,
        "scope": "openid email",
        "state": kept["state"],
        "nonce": kept["nonce"],
        "code_challenge": s256(kept["verifier"]),
        "code_challenge_method": "S256",
    }
    assert re.fullmatch(r"[A-Za-z0-9._~-]{43,128}", kept["verifier"])  # RFC 7636, 4.1
    to_provider(client)
    with client.session_transaction() as session:
        assert not set(kept.values()) & set(session["provider"].values()) - {kept["at"], ""}


# Who does not come in ------------------------------------------------------------------------


def test_an_answer_to_another_sessions_question_is_refused(client, house, there, clock):
    # RFC 6749, 10.12, and RFC 9700, 4.7.1: an attacker's own code, brought by a victim.
    attacker = create_app(house, provider=described_as(there), clock=clock).server.test_client()
    there.person = other("hugo")
    foreign = at_provider(to_provider(attacker))
    assert "out of date" in said(client, client.get(foreign))
    to_provider(client)
    assert "out of date" in said(client, client.get(foreign))
    assert "/token" not in there.asked


@pytest.mark.parametrize("state", ["", "wrong", "schlüssel"])
def test_a_wrong_state_is_refused(client, there, state):
    back = at_provider(to_provider(client))
    wrong = re.sub(r"state=[^&]+", f"state={state}", back)
    assert "out of date" in said(client, client.get(wrong))
    assert "/token" not in there.asked


def test_an_answer_is_good_once(client, there):
    there.person = other("nobody")
    back = at_provider(to_provider(client))
    assert "Nobody here" in said(client, client.get(back))
    assert "out of date" in said(client, client.get(back))
    assert there.asked.count("/token") == 1


def test_a_code_that_was_used_already_is_out_of_date(client, there):
    back = at_provider(to_provider(client))
    there.codes.clear()  # RFC 6749, 4.1.2 and 5.2: invalid_grant
    assert "out of date" in said(client, client.get(back))


def test_an_answer_that_comes_too_late_is_refused(client, clock):
    back = at_provider(to_provider(client))
    clock.now += PATIENCE + timedelta(seconds=1)
    assert "out of date" in said(client, client.get(back))


def test_a_stolen_code_is_worth_nothing_without_its_verifier(client, there):
    # RFC 7636, 1; RFC 9700, 4.5: a code of one sign-in put into another.
    stolen = parse_qs(urlsplit(at_provider(to_provider(client))).query)["code"][0]
    back = at_provider(to_provider(client))
    assert "out of date" in said(client, client.get(re.sub(r"code=[^&]+", f"code={stolen}", back)))


@pytest.mark.parametrize(
    "claims",
    [
        # Core, 3.1.3.7, with the number of its step.
        pytest.param({"iss": "https://evil.example"}, id="2: another issuer"),
        pytest.param({"iss": None}, id="2: no issuer"),
        pytest.param({"aud": "other-pages"}, id="3: another audience"),
        pytest.param({"aud": "other-pages", "azp": CLIENT}, id="3: party without audience"),
        pytest.param({"aud": None}, id="3: no audience"),
        pytest.param({"aud": [CLIENT, "other-pages"]}, id="4: audiences, no party"),
        pytest.param({"azp": "other-pages"}, id="5: another party"),
        pytest.param({"exp": 1_700_000_000}, id="9: expired"),
        pytest.param({"exp": None}, id="9: without an end"),
        pytest.param({"iat": 4_000_000_000, "exp": 4_000_000_300}, id="10: of the future"),
        pytest.param({"nonce": "of-another-sign-in"}, id="11: another nonce"),
        pytest.param({"nonce": None}, id="11: no nonce"),
        # Section 2.
        pytest.param({"sub": None}, id="no subject"),
        pytest.param({"sub": ""}, id="empty subject"),
        pytest.param({"sub": "x" * 256}, id="subject too long"),
        # 3.1.3.8.
        pytest.param({"at_hash": "AAAAAAAAAAAAAAAAAAAAAA"}, id="hash of another access token"),
    ],
)
def test_a_token_that_was_not_made_for_this_sign_in_is_refused(client, house, there, claims):
    there.claims = claims
    assert "could not be trusted" in said(client, sign_in(client))
    assert bindings.bound(house) == frozenset()
    assert rows(house)[-1] == ("sign-in failed", None, "provider: not proven")


def test_a_token_of_another_key_is_refused(client, there, key, other_key):
    forged = RSAKey.import_key({**other_key.as_dict(private=True), "kid": key.kid})
    there.key = forged  # Core, 3.1.3.7, step 6
    assert "could not be trusted" in said(client, sign_in(client))


@pytest.mark.parametrize("kind", ["nobody", "the secret"])
def test_a_token_that_no_key_pair_has_signed_is_refused(client, there, kind):
    # Core, 3.1.3.7, steps 6 to 8; RFC 8725, 2.1: the provider itself names both as supported.
    there.key = None if kind == "nobody" else OctKey.import_key(SECRET, {"kid": "secret"})
    there.alg = "HS256"
    if there.key is not None:
        there.published.append(there.key)
    assert "could not be trusted" in said(client, sign_in(client))


@pytest.mark.parametrize("verified", [False, None, "true", 1])
def test_an_email_that_is_not_verified_opens_nothing(client, house, there, verified):
    there.person["email_verified"] = verified  # Core, 5.1: a JSON boolean
    assert "does not say that your e-mail address is really yours" in said(client, sign_in(client))
    assert rows(house)[-1] == ("sign-in failed", None, "provider: e-mail not verified")


@pytest.mark.parametrize(
    "email",
    [
        "nobody@example.org",
        # The Kelvin sign and the long s, which folding of case makes a plain k and s.
        "ine\u017f@example.org",
        "",
        7,
    ],
)
def test_whoever_has_no_account_is_told_so_and_gets_none(client, house, there, email):
    there.person["email"] = email
    people = users.list_users(house)
    sentence = said(client, sign_in(client))
    assert ("Nobody here has the e-mail" in sentence) or email in {"", 7}
    assert users.list_users(house) == people
    assert bindings.bound(house) == frozenset()


def test_a_locked_account_stays_locked_and_unbound(client, house):
    ines = users.lock(house, "ines@example.org", locked=True)
    assert "This account is locked" in said(client, sign_in(client))
    assert bindings.bound(house) == frozenset()
    assert rows(house)[-1] == ("sign-in failed", ines.user_id, "provider: locked")


def test_whoever_inherits_an_email_does_not_inherit_the_account(client, house, there):
    # Core, 5.7: only issuer and subject together name a person; an e-mail may be given on.
    sign_in(client)
    client.delete_cookie("pledgewatt_session")
    there.person["sub"] = "somebody who came later"
    assert "belonged to another account of Firm Account before" in said(client, sign_in(client))
    assert rows(house)[-1] == ("sign-in failed", 1, "provider: bound to another")
    # Until somebody who knows both says that it is the same person.
    bindings.unbind(house, users.account(house, "ines@example.org"))
    assert sign_in(client).location == "/"


def test_whoever_gets_another_email_keeps_the_account(client, there):
    sign_in(client)
    client.delete_cookie("pledgewatt_session")
    there.person |= {"email": "hugo@example.org", "email_verified": False}
    assert sign_in(client).location == "/"


def test_somebody_who_is_bound_at_another_provider_is_somebody_else(client, house, there):
    ines = users.account(house, "ines@example.org")
    elsewhere = bindings.Vouched("https://other.example", there.person["sub"], "hugo@example.org")
    hugo = bindings.sign_in(house, elsewhere, NOW)
    assert sign_in(client).location == "/"
    assert bindings.bound(house) == {ines.user_id, hugo.user_id}


def test_whoever_says_no_at_the_provider_is_asked_again(client, house, there):
    there.answer = {"error": "access_denied", "error_description": "ines@example.org said no"}
    assert "did not sign you in" in said(client, sign_in(client))  # Core, 3.1.2.6
    assert rows(house)[-1] == ("sign-in failed", None, "provider: refused")


def test_an_answer_of_another_issuer_is_refused(client, there):
    there.answer = {"code": "x", "iss": "https://evil.example"}  # RFC 9207, 2.4
    assert "could not be trusted" in said(client, sign_in(client))
    assert "/token" not in there.asked
