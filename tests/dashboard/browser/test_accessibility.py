"""Every page against the WCAG 2.2 AA rules that axe-core can check, light and dark.

axe-core is Deque's open-source rule engine; the package that carries it is a test
dependency. What it cannot check (order of reading, sense of words) is left to people.
"""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe

from monitor.store import cases, users
from monitor.store.findings import load_findings
from tests.dashboard.browser.test_in_a_browser import PASSWORD, address, browser, sign_in
from tests.dashboard.conftest import NOW

__all__ = ["address", "browser"]

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]

RULES = {
    "light": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]},
    # The same page in other colours.
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
            ("/told", "h1"),
            (f"/claim/{number}", "tbody tr"),
        ],
        "wanda": [("/desk", "tbody tr"), (f"/claim/{number}", "tbody tr")],
        "hugo": [("/home", ".bars li"), ("/told", "h1")],
    }


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("who", ["nobody", "ines", "wanda", "hugo"])
def test_no_page_breaks_a_rule(browser, address, pages, who, scheme):
    # The engine is put into the page as a script, which the pages' own policy forbids.
    context = browser.new_context(
        base_url=address, color_scheme=scheme, bypass_csp=True, reduced_motion="reduce"
    )
    page = context.new_page()
    if who != "nobody":
        sign_in(page, who)
        page.wait_for_url(lambda url: "/login" not in url)
    broken = []
    for path, mark in pages[who]:
        page.goto(path)
        page.locator(mark).first.wait_for()
        for found in Axe().run(page, options={"runOnly": RULES[scheme]}).response["violations"]:
            nodes = [node["html"][:120] for node in found["nodes"][:3]]
            broken.append(f"{path}: {found['id']}: {nodes}")
    context.close()
    assert broken == [], "\n".join(broken)
