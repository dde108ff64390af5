"""A house with people, a provider beside it, and the way of a visitor from one to the other."""

from __future__ import annotations

import html
import re
import shutil
from datetime import UTC, datetime
from urllib.parse import urlsplit

import pytest
import requests
from joserfc.jwk import RSAKey

from dashboard.app import create_app
from dashboard.provider import Provider
from monitor.store import audit, users
from monitor.store.connection import open_store
from tests.dashboard.conftest import PASSWORD
from tests.dashboard.openid_provider import CLIENT, SECRET, OpenIDProvider

NOW = datetime(2026, 3, 20, 12, 20, tzinfo=UTC)
BASE = "http://localhost"
BACK = f"{BASE}/login/provider/back"


class Clock:
    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture(scope="module")
def key() -> RSAKey:
    return RSAKey.generate_key(2048, auto_kid=True)


@pytest.fixture(scope="module")
def other_key() -> RSAKey:
    return RSAKey.generate_key(2048, auto_kid=True)


@pytest.fixture
def there(key, monkeypatch):
    monkeypatch.setenv("PROVIDER_SECRET", SECRET)
    provider = OpenIDProvider(BACK, key=key)
    yield provider
    provider.close()


@pytest.fixture(scope="module")
def shared(tmp_path_factory, described, _quick_hashes):
    path = tmp_path_factory.mktemp("house") / "house.duckdb"
    with open_store(shutil.copy(described, path)) as opened:
        for name, role, given in (
            ("ines", "installer", {}),
            ("hugo", "homeowner", {"sites": ["alder-row-3"]}),
        ):
            users.add_user(
                opened, email=f"{name}@example.org", name=name.capitalize(), role=role,
                password=PASSWORD, now=NOW, **given,
            )  # fmt: skip
        opened.cursor().execute("CREATE TABLE as_it_was AS FROM account")
        yield opened


@pytest.fixture
def house(shared):
    """The store of this module with its people as they were, bound to nobody."""
    for statement in (
        "DELETE FROM account_provider",
        "DELETE FROM account",
        "INSERT INTO account FROM as_it_was",
    ):
        shared.cursor().execute(statement)
    return shared


@pytest.fixture
def clock() -> Clock:
    return Clock()


def described_as(there: OpenIDProvider, **more) -> Provider:
    usual = {
        "name": "Firm Account",
        "issuer": there.issuer,
        "client_id": CLIENT,
        "client_secret_env": "PROVIDER_SECRET",
        "base_url": BASE,
    }
    return Provider.model_validate(usual | more)


@pytest.fixture
def client(house, there, clock):
    return create_app(house, provider=described_as(there), clock=clock).server.test_client()


def to_provider(client, wanted: str = "") -> str:
    """Where the link of the sign-in page leads on to."""
    page = client.get(f"/login?next={wanted}" if wanted else "/login").get_data(as_text=True)
    link = html.unescape(re.search(r'<a class="button" href="([^"]+)"', page)[1])
    answer = client.get(link)
    assert answer.status_code == 303, answer.status
    return answer.location


def at_provider(location: str, host: str = BASE) -> str:
    """Where the provider sends the visitor back to, as an address of these pages."""
    answer = requests.get(location, allow_redirects=False, timeout=20)
    assert answer.status_code == 302, answer.text
    back = urlsplit(answer.headers["Location"])
    assert f"{back.scheme}://{back.netloc}{back.path}" == f"{host}/login/provider/back"
    return f"{back.path}?{back.query}"


def sign_in(client, wanted: str = ""):
    return client.get(at_provider(to_provider(client, wanted)))


def said(client, answer) -> str:
    """What the sign-in page says after an answer that let nobody in."""
    assert (answer.status_code, answer.location.partition("?")[0]) == (303, "/login")
    assert client.get("/").status_code == 303
    page = client.get(answer.location).get_data(as_text=True)
    return html.unescape(re.search(r'<p class="problem" role="alert">([^<]*)', page)[1])


def rows(store) -> list[tuple[str, int | None, str]]:
    return [(e.action, e.person, e.detail) for e in audit.entries(store)][::-1]


def other(name: str, sub: str = "subject-7", **more):
    return {"sub": sub, "email": f"{name}@example.org", "email_verified": True, **more}
