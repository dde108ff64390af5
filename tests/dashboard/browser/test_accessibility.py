"""Every page against the WCAG 2.2 AA rules that axe-core can check, light and dark.

axe-core is Deque's open-source rule engine; the package that carries it is a test
dependency. What it cannot check (order of reading, sense of words) is left to people.
"""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe

from monitor.store import cases, users
from monitor.store.findings import load_findings
from tests.dashboard.browser.test_in_a_browser import PASSWORD, sign_in
from tests.dashboard.conftest import NOW

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]

RULES = {
    "light": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]},
    # The same page in other colours: the style sheet alone asks for the scheme.
    "dark": {"type": "rule", "values": ["color-contrast"]},
}


@pytest.fixture(scope="module")
def pages(store) -> dict[str, list[tuple[str, str]]]:
    """Address and a mark that it is drawn, of every page that each person opens."""
    users.add_user(
        store, email="wanda@example.org", name="Wanda", role="warranty", password=PASSWORD, now=NOW
    )
    number = cases.raise_claim(
        store, "brook-cottage", user_id=1, role="homeowner", said="High bills.", now=NOW
    )
    kept = load_findings(store)[0]
    return {
        "nobody": [("/login", "form")],
        "ines": [
            ("/", "tbody tr"),
            ("/site/brook-cottage", ".js-plotly-plot .main-svg"),
            (f"/site/{kept.site_id}/finding/{kept.number}", "h1"),
            ("/agenda", "h1"),
            ("/compare?site=alder-row-3&site=brook-cottage", "h1"),
            ("/import", "h1"),
            ("/sources", "h1"),
            ("/people", "h1"),
        ],
        "wanda": [("/desk", "tbody tr"), (f"/claim/{number}", "tbody tr")],
        "hugo": [("/home", ".bars li")],
    }


@pytest.fixture(scope="module")
def open_profile(browser, address):
    """The engine is put into the page as a script, which the pages' own policy forbids."""
    opened = browser.new_context(base_url=address, bypass_csp=True, reduced_motion="reduce")
    yield opened
    opened.close()


@pytest.mark.parametrize("who", ["nobody", "ines", "wanda", "hugo"])
def test_no_page_breaks_a_rule(open_profile, pages, who):
    page = open_profile.new_page()
    if who != "nobody":
        sign_in(page, who)
        page.wait_for_url(lambda url: "/login" not in url)
    broken = []
    for path, mark in pages[who]:
        page.goto(path)
        page.locator(mark).first.wait_for()
        for scheme, rules in RULES.items():
            page.emulate_media(color_scheme=scheme)
            for found in Axe().run(page, options={"runOnly": rules}).response["violations"]:
                nodes = [node["html"][:120] for node in found["nodes"][:3]]
                broken.append(f"{path}, {scheme}: {found['id']}: {nodes}")
    page.close()
    open_profile.clear_cookies()
    assert broken == [], "\n".join(broken)
