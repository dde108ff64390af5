"""A provider that fails, what is written down meanwhile, and the file that describes one."""

from __future__ import annotations

import logging
import re
import tomllib
from pathlib import Path
from threading import Thread
from time import sleep

import pytest

from dashboard.app import create_app
from dashboard.auth import MOST_FAILURES
from dashboard.provider import Client, Fault, Provider, ProviderError, provider_from_toml
from monitor.errors import DescriptionError, PledgewattError
from monitor.store import audit, bindings, personal, users
from tests.dashboard.access.at_the_door import (
    BACK,
    at_provider,
    client,
    clock,
    described_as,
    house,
    key,
    other,
    rows,
    said,
    shared,
    sign_in,
    there,
    to_provider,
)
from tests.dashboard.conftest import PASSWORD
from tests.dashboard.openid_provider import OpenIDProvider
from tests.dashboard.telling_people import certificate, server_trust

__all__ = ["client", "clock", "house", "key", "shared", "there"]

GUIDE = (Path(__file__).parents[3] / "docs" / "access.md").read_text()


# A provider that fails -----------------------------------------------------------------------


def test_a_provider_out_of_reach_is_said_in_a_sentence_and_passwords_go_on(client, house, there):
    back = at_provider(to_provider(client))
    there.close()
    assert "Firm Account cannot be reached" in said(client, client.get(back))
    assert rows(house)[-1] == ("sign-in failed", None, "provider: unreachable")
    page = client.get("/login").get_data(as_text=True)
    token = re.search(r'name="csrf" value="([^"]+)"', page)[1]
    form = {"csrf": token, "email": "ines@example.org", "password": PASSWORD}
    assert client.post("/login", data=form).location == "/"


def test_a_provider_that_is_down_from_the_start_keeps_nobody_from_their_password(
    client, there, house
):
    there.close()
    for _ in range(MOST_FAILURES):
        assert "cannot be reached" in said(client, client.get("/login/provider?next=/agenda"))
    assert "Too many attempts" in said(client, client.get("/login/provider"))
    page = client.get("/login").get_data(as_text=True)
    token = re.search(r'name="csrf" value="([^"]+)"', page)[1]
    form = {"csrf": token, "email": "ines@example.org", "password": PASSWORD}
    assert client.post("/login", data=form).location == "/"


@pytest.mark.parametrize(
    ("path", "says"),
    [
        ("/.well-known/openid-configuration", "cannot be reached"),
        ("/keys", "cannot be reached"),
        ("/token", "could not be trusted"),
    ],
)
def test_a_provider_that_answers_with_something_else_lets_nobody_in(client, there, path, says):
    there.spoilt.add(path)
    answer = client.get("/login/provider")
    if answer.location.startswith(there.issuer):
        answer = client.get(at_provider(answer.location))
    assert says in said(client, answer)


@pytest.mark.parametrize(
    "document",
    [
        # Discovery, 4.3: the issuer is the one that was asked for.
        {"issuer": "https://evil.example"},
        {"authorization_endpoint": "http://evil.example/authorize"},
        {"jwks_uri": None},
        {"id_token_signing_alg_values_supported": ["HS256", "none"]},
    ],
)
def test_a_provider_that_describes_itself_otherwise_is_not_used(client, there, document, caplog):
    there.document = document
    assert "could not be trusted" in said(client, client.get("/login/provider"))
    assert "Signing in through Firm Account:" in caplog.text


def test_a_certificate_counts_if_its_authority_is_named(key, there, tmp_path):
    files = certificate(tmp_path)
    guarded = OpenIDProvider(BACK, key=key, trust=server_trust(files))
    try:
        with pytest.raises(ProviderError) as raised:
            Client(described_as(guarded)).begin()
        assert raised.value.fault is Fault.UNREACHABLE
        begun = Client(described_as(guarded, ca_file=files[0])).begin()
    finally:
        guarded.close()
    assert begun.url.startswith("https://127.0.0.1:")


def test_a_provider_that_leads_elsewhere_is_not_followed(client, there):
    there.document = {"token_endpoint": f"{there.issuer}/moved"}
    assert "cannot be reached" in said(client, sign_in(client))
    assert "/token" not in there.asked


def test_a_slow_provider_is_waited_for_by_few(there):
    provider = Client(described_as(there))
    there.slow.clear()
    waiting = [Thread(target=provider.begin) for _ in range(4)]
    try:
        for one in waiting:
            one.start()
        while provider._places._value:
            sleep(0.01)
        with pytest.raises(ProviderError) as raised:
            provider.begin()  # The other threads are left to the pages.
        assert raised.value.fault is Fault.UNREACHABLE
    finally:
        there.slow.set()
        for one in waiting:
            one.join(20)
    assert provider.begin().url.startswith(there.issuer)


def test_failures_are_counted_by_address_as_wrong_passwords_are(client, there):
    beside = client.application.test_client()
    back = at_provider(to_provider(beside))
    there.person = other("nobody")
    for _ in range(MOST_FAILURES):
        assert "Nobody here" in said(client, sign_in(client))
    there.person = other("ines")
    assert "Too many attempts" in said(client, client.get("/login/provider"))
    assert "Too many attempts" in said(beside, beside.get(back))


def test_no_page_elsewhere_uses_up_the_tries_of_a_visitor(client, house):
    before = len(rows(house))
    for _ in range(MOST_FAILURES + 1):
        assert "out of date" in said(client, client.get("/login/provider/back?code=x&state=y"))
    assert len(rows(house)) == before
    assert sign_in(client).location == "/"


def test_whoever_comes_in_never_waits(client):
    for _ in range(MOST_FAILURES + 1):
        assert sign_in(client).location == "/"
        client.delete_cookie("pledgewatt_session")


def test_no_log_holds_a_secret_or_an_email(client, house, there, caplog):
    caplog.set_level(logging.DEBUG)
    sign_in(client)
    client.delete_cookie("pledgewatt_session")
    for spoil in ({"sub": "later"}, other("nobody"), {"email_verified": False}):
        there.person |= spoil
        sign_in(client)
    there.claims = {"aud": "other-pages"}
    sign_in(client)
    back = at_provider(to_provider(client))
    there.codes.clear()
    client.get(back)
    logged = caplog.text + repr(audit.entries(house))
    assert "Signing in through Firm Account: it answers invalid_grant" in caplog.text
    assert "InvalidClaimError" in caplog.text
    hidden = [*filter(None, there.secrets), "access-1", "@example.org", there.person["sub"]]
    assert len(hidden) > 10
    assert [one for one in hidden if one in logged] == []


# The page and the file -----------------------------------------------------------------------


def test_without_a_provider_there_is_no_link_and_no_address(house):
    client = create_app(house).server.test_client()
    assert "/login/provider" not in client.get("/login").get_data(as_text=True)
    assert client.get("/login/provider").status_code == 404
    assert client.get("/login/provider/back?code=x&state=y").status_code == 404


def test_the_link_says_where_it_leads_and_stays_text(house, there):
    provider = described_as(there, name="Firm <b>& Co</b>")
    page = create_app(house, provider=provider).server.test_client().get("/login")
    assert "Sign in with Firm &lt;b&gt;&amp; Co&lt;/b&gt;</a>" in page.get_data(as_text=True)
    assert "form-action 'self'" in page.headers["Content-Security-Policy"]


def test_an_export_says_who_somebody_is_at_the_provider_and_an_erasure_forgets_it(
    client, house, there, tmp_path
):
    sign_in(client)
    ines = users.account(house, "ines@example.org")
    with (tmp_path / "ines.zip").open("wb") as target:
        assert personal.export(house, ines, target)["account_provider"] == 1
    personal.erase(house, ines)
    assert bindings.bound(house) == frozenset()
    client.delete_cookie("pledgewatt_session")
    assert "Nobody here" in said(client, sign_in(client))


def test_a_removed_account_leaves_its_binding_to_nobody(client, house, there):
    sign_in(client)
    users.remove_user(house, "ines@example.org")
    assert bindings.bound(house) == frozenset()


def test_without_its_secret_nothing_is_served(house, there, monkeypatch):
    monkeypatch.delenv("PROVIDER_SECRET")
    with pytest.raises(PledgewattError, match="needs the environment variable PROVIDER_SECRET"):
        create_app(house, provider=described_as(there))


FILE = """
name = "Firm Account"
issuer = "https://id.firm.example"
client_id = "watt-pages"
client_secret_env = "WATT_SIGN_IN_SECRET"
base_url = "https://watt.firm.example"
"""


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (FILE.replace("https://id", "http://id"), "http:// is for this computer only"),
        (FILE.replace("https://watt", "http://watt"), "http:// is for this computer only"),
        (FILE.replace('firm.example"\nclient', 'firm.example?a=1"\nclient'), "no '?' and no '#'"),
        (FILE.replace("watt.firm.example", "watt.firm.example/pages"), "scheme and host alone"),
        (FILE.replace('"Firm Account"', '""'), "name"),
        (FILE + 'client_secret = "four wet ducks"', "name that variable in 'client_secret_env'"),
        (FILE + 'prompt = "none"', "prompt"),
        (FILE + 'timeout = "PT2M"', "must lie between"),
        (FILE + "colour = 3", "this key is not known"),
    ],
)
def test_what_cannot_be_meant_is_said_in_a_sentence(tmp_path, text, says):
    (tmp_path / "sign-in.toml").write_text(text)
    with pytest.raises(DescriptionError) as raised:
        provider_from_toml(tmp_path / "sign-in.toml")
    assert says in raised.value.user_message
    assert "sign-in.toml is not a usable sign-in file" in raised.value.user_message
    assert "ducks" not in raised.value.user_message


def test_the_file_of_an_authority_counts_from_the_folder_of_the_file(tmp_path):
    (tmp_path / "sign-in.toml").write_text(FILE + 'ca_file = "own.pem"')
    read = provider_from_toml(tmp_path / "sign-in.toml")
    assert read.ca_file == tmp_path / "own.pem"
    assert read.redirect_uri == "https://watt.firm.example/login/provider/back"


def test_the_guide_explains_every_key_and_its_example_is_read():
    (block,) = re.findall(r"```toml\n(.*?)```", GUIDE, flags=re.DOTALL)
    Provider.model_validate(tomllib.loads(block))
    assert [name for name in Provider.model_fields if f"`{name}`" not in GUIDE] == []
