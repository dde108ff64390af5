"""One server for all tests in a browser; one browser and one profile for those of a module.

A profile of its own for each test would have the browser read and compile five megabytes of
scripts anew each time.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright import sync_api
from waitress.server import create_server

CHROMIUM = Path("/usr/bin/chromium")


@pytest.fixture(scope="session")
def address(app) -> Iterator[str]:
    server = create_server(app.server, host="127.0.0.1", port=0, threads=4)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.effective_port}"
    server.trigger.pull_trigger(lambda: server.close())
    thread.join(timeout=5)
    server.task_dispatcher.shutdown()


@pytest.fixture(scope="module")
def browser() -> Iterator[sync_api.Browser]:
    # Not for the session: while it is open, no other test can run an event loop of its own.
    with sync_api.sync_playwright() as play:
        opened = play.chromium.launch(
            executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-gpu"]
        )
        sync_api.expect.set_options(timeout=20_000)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def profile(browser, address) -> Iterator[sync_api.BrowserContext]:
    """Keeps the scripts that every page needs; nobody is signed in between two tests."""
    opened = browser.new_context(base_url=address, viewport={"width": 1440, "height": 900})
    yield opened
    opened.close()


@pytest.fixture
def page(profile) -> Iterator[sync_api.Page]:
    """A page that fails its test on any error that the console shows."""
    opened = profile.new_page()
    problems: list[str] = []
    opened.on("console", lambda m: problems.append(m.text) if m.type == "error" else None)
    opened.on("pageerror", lambda error: problems.append(str(error)))
    yield opened
    opened.close()
    profile.clear_cookies()
    assert problems == []
