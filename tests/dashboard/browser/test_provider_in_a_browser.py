"""Signing in through a provider in a real browser, whose own rules on cookies and forms hold."""

from __future__ import annotations

import socket
import threading
from urllib.parse import urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from joserfc.jwk import RSAKey
from playwright import sync_api
from waitress.server import create_server

from dashboard.app import create_app
from dashboard.provider import Provider
from monitor.store import bindings, users
from monitor.store.connection import open_store
from monitor.store.sites import save_site
from tests.dashboard.browser.test_craft import CONTRAST, WCAG
from tests.dashboard.conftest import NOW, PASSWORD, SITES, clock
from tests.dashboard.openid_provider import CLIENT, SECRET, OpenIDProvider

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]


@pytest.fixture
def house(tmp_path, _quick_hashes):
    with open_store(tmp_path / "house.duckdb", create=True) as store:
        save_site(store, SITES["alder-row-3"][0], NOW)
        users.add_user(
            store, email="agnes@example.org", name="Agnes", role="administrator",
            password=PASSWORD, now=NOW,
        )  # fmt: skip
        yield store


@pytest.fixture
def served(house, monkeypatch):
    """The pages and their provider, under two names of this computer: different sites to a browser.

    The provider is at 127.0.0.1, the pages are at localhost.
    """
    door = socket.create_server(("127.0.0.1", 0))
    base = f"http://localhost:{door.getsockname()[1]}"
    monkeypatch.setenv("PROVIDER_SECRET", SECRET)
    there = OpenIDProvider(
        f"{base}/login/provider/back", key=RSAKey.generate_key(2048, auto_kid=True)
    )
    there.person |= {"email": "agnes@example.org"}
    described = Provider(
        name="Firm Account",
        issuer=there.issuer,
        client_id=CLIENT,
        client_secret_env="PROVIDER_SECRET",
        base_url=base,
    )
    app = create_app(house, provider=described, clock=clock)
    server = create_server(app.server, sockets=[door], threads=4)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield base, there
    server.trigger.pull_trigger(lambda: server.close())
    thread.join(timeout=5)
    server.task_dispatcher.shutdown()
    there.close()


def test_by_keyboard_to_the_provider_and_back(browser, served, house):
    base, there = served
    context = browser.new_context(base_url=base)
    page = context.new_page()
    problems: list[str] = []
    page.on("console", lambda m: problems.append(m.text) if m.type == "error" else None)
    page.goto("/people")
    page.get_by_role("button", name="Sign in").focus()
    page.keyboard.press("Tab")
    sync_api.expect(page.get_by_role("link", name="Sign in with Firm Account")).to_be_focused()
    page.keyboard.press("Enter")
    sync_api.expect(page.get_by_role("heading", level=1)).to_have_text("People")
    assert urlsplit(page.url).path == "/people"
    assert bindings.bound(house) == {1}
    page.get_by_role("button", name="Forget sign-in by provider").click()
    # Unbinding ends every session, this one too.
    sync_api.expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")
    assert bindings.bound(house) == frozenset()
    assert problems == []
    there.person |= {"email": "nobody@example.org"}
    page.get_by_role("link", name="Sign in with Firm Account").click()
    sync_api.expect(page.get_by_role("alert")).to_contain_text("Nobody here has the e-mail")
    # Nothing of the answer stays in the address.
    assert "code=" not in page.url
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_with_its_link_breaks_no_rule(browser, served, scheme):
    context = browser.new_context(base_url=served[0], color_scheme=scheme, bypass_csp=True)
    page = context.new_page()
    page.goto("/login/provider/back")
    page.get_by_role("link", name="Sign in with Firm Account").wait_for()
    found = (
        Axe()
        .run(page, options={"runOnly": WCAG if scheme == "light" else CONTRAST})
        .response["violations"]
    )
    context.close()
    assert found == []
