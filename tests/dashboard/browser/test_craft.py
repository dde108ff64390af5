"""Each person's pages as a browser finds them: rules, width, quiet, keyboard, paper.

axe-core is Deque's open-source rule engine; the package that carries it is a test
dependency. What it cannot check (order of reading, sense of words) is left to people. The
limit of the layout shift is the one that web.dev calls good (from memory).
"""

from __future__ import annotations

from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright import sync_api

from monitor.store import cases, invitations, users
from monitor.store.findings import load_findings
from tests.dashboard.browser.test_in_a_browser import PASSWORD, sign_in
from tests.dashboard.browser.test_three_people import picture
from tests.dashboard.conftest import NOW

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]

WCAG = {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
#: The same page in other colours.
CONTRAST = {"type": "rule", "values": ["color-contrast"]}

MOST_SHIFT = 0.1

#: Watches a page from its first moment on: what moves by itself, and what gets the focus.
WATCH = """
window.shift = 0;
window.focused = [];
new PerformanceObserver((list) => {
  for (const entry of list.getEntries()) if (!entry.hadRecentInput) window.shift += entry.value;
}).observe({ type: "layout-shift", buffered: true });
document.addEventListener("focusin", (event) => {
  // A field that is drawn inside of a box shows it there.
  const shown = [event.target, event.target.closest(".dash-input-container")].some((one) => {
    const style = one && getComputedStyle(one);
    return style && style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
  });
  window.focused.push([event.target, shown]);
}, true);
"""

#: Whether everything is drawn that a page draws by itself.
SETTLED = """() => document.readyState === "complete"
  && !document.querySelector("[data-dash-is-loading=true]")
  && [...document.querySelectorAll(".graph")].every((one) => one.querySelector(".main-svg"))"""

#: Marks what a person can use, and says how much there is. One button of a group of round ones
#: stands for all: the arrow keys lead to the others.
USABLE = """() => {
  const all = "a[href], button, input, select, textarea, summary, [tabindex]";
  const groups = new Set();
  window.usable = [...document.querySelectorAll(all)].filter((one) => {
    if (one.tabIndex < 0 || one.disabled || one.type === "hidden") return false;
    if (!one.checkVisibility({ visibilityProperty: true })) return false;
    if (one.type !== "radio") return true;
    const isNew = !groups.has(one.name);
    groups.add(one.name);
    return isNew;
  });
  window.focused = [];
  document.activeElement.blur();
  window.scrollTo(0, 0);
  return window.usable.length;
}"""

#: What the Tab key did not reach, and what had the focus without showing it.
MISSED = """() => {
  const reached = new Map(window.focused);
  const name = (one) => one.outerHTML.slice(0, 110);
  const same = (one) => reached.has(one) || (one.type === "radio"
    && [...reached.keys()].some((other) => other.type === "radio" && other.name === one.name));
  return [
    window.usable.filter((one) => !same(one)).map(name),
    window.usable.filter((one) => reached.get(one) === false).map(name),
  ];
}"""

#: Opens every answer to "How was this computed?": what it stands under must not move, nor a
#: column of its table.
ANSWERS = """() => {
  const heads = [...document.querySelectorAll("th[scope=col]")];
  const left = () => heads.map((one) => one.getBoundingClientRect().left);
  const before = left();
  const moved = [];
  for (const one of document.querySelectorAll("details.computed")) {
    const place = () => JSON.stringify(one.firstChild.getBoundingClientRect());
    const was = place();
    one.open = true;
    if (place() !== was) moved.push(one.textContent.slice(0, 80));
  }
  left().forEach((now, n) => { if (now !== before[n]) moved.push(heads[n].textContent); });
  return moved;
}"""

FITS = "() => document.documentElement.scrollWidth <= document.documentElement.clientWidth"


@pytest.fixture(scope="module")
def pages(store) -> dict[str, list[tuple[str, str]]]:
    """Address and a mark that it is drawn, of every page that each person opens."""
    for who, role in (("wanda", "warranty"), ("ada", "administrator")):
        if not any(user.email == f"{who}@example.org" for user in users.list_users(store)):
            users.add_user(
                store,
                email=f"{who}@example.org",
                name=who.title(),
                role=role,
                password=PASSWORD,
                now=NOW,
            )
    number = cases.raise_claim(
        store, "brook-cottage", user_id=1, role="homeowner", said="High bills.", now=NOW
    )
    _, token = invitations.invite(
        store, email="new@example.org", name="New", role="homeowner", sites=["fen-view"], now=NOW
    )
    kept = load_findings(store)[0]
    return {
        "nobody": [("/login", "form"), (f"/join/{token}", "form")],
        "ines": [
            ("/", "tbody tr"),
            ("/?by=designer&pick=brook-cottage&pick=fen-view", "tbody tr"),
            ("/agenda", "#page h2"),
            ("/compare?site=alder-row-3&site=brook-cottage", ".js-plotly-plot .main-svg"),
            ("/site/brook-cottage", ".js-plotly-plot .main-svg"),
            (f"/site/{kept.site_id}/finding/{kept.number}", "#page h1"),
            ("/import", "#page h1"),
            ("/sources", "#page h1"),
            ("/people", "h1"),
            ("/told", "h1"),
            (f"/claim/{number}", "tbody tr"),
        ],
        "wanda": [("/desk", "tbody tr"), (f"/claim/{number}", "tbody tr")],
        "ada": [("/people", "h1"), ("/audit", "h1")],
        "hugo": [("/home", ".bars li"), ("/told", "h1")],
    }


@pytest.mark.parametrize("who", ["nobody", "ines", "wanda", "ada", "hugo"])
def test_every_page_is_well_made(browser, address, pages, who):
    # The engine is put into the page as a script, which the pages' own policy forbids.
    context = browser.new_context(
        base_url=address,
        bypass_csp=True,
        reduced_motion="reduce",
        viewport={"width": 1440, "height": 900},
    )
    context.add_init_script(WATCH)
    page = context.new_page()
    if who != "nobody":
        sign_in(page, who)
        page.wait_for_url(lambda url: "/login" not in url)
    wrong: list[str] = []
    for path, mark in pages[who]:
        page.goto(path)
        page.locator(mark).first.wait_for()
        page.wait_for_function(SETTLED)
        wrong += [f"{path}: {one}" for one in _faults(page)]
        picture(page, f"craft-{who}-{path.partition('?')[0].strip('/').replace('/', '-')}")
    context.close()
    assert wrong == [], "\n".join(wrong)


def _faults(page: sync_api.Page) -> list[str]:
    """What is wrong with the page that is open."""
    wrong = []
    moved = page.evaluate("() => window.shift")
    if moved >= MOST_SHIFT:
        wrong.append(f"moves by {moved:.2f} while it is drawn")
    wrong += [f"an opened answer moves {one}" for one in page.evaluate(ANSWERS)]
    wrong += _broken(page, WCAG)
    page.emulate_media(color_scheme="dark")
    wrong += [f"dark: {one}" for one in _broken(page, CONTRAST)]
    page.emulate_media(color_scheme="light")
    for _ in range(page.evaluate(USABLE) + 1):
        page.keyboard.press("Tab")
    missed, unseen = page.evaluate(MISSED)
    wrong += [f"Tab does not reach {one}" for one in missed]
    wrong += [f"nothing shows the focus of {one}" for one in unseen]
    for width in (768, 390, 320):
        page.set_viewport_size({"width": width, "height": 900})
        try:
            page.wait_for_function(FITS, timeout=3000)
        except sync_api.TimeoutError:
            wrong.append(f"is wider than a screen of {width}")
    page.set_viewport_size({"width": 1440, "height": 900})
    return wrong


def _broken(page: sync_api.Page, rules: dict[str, Any]) -> list[str]:
    options = {"runOnly": rules, "resultTypes": ["violations"]}
    found = Axe().run(page, options=options).response["violations"]
    return [f"{one['id']}: {[n['html'][:120] for n in one['nodes'][:3]]}" for one in found]


def test_a_household_prints_its_page_black_on_white_and_without_what_is_for_the_screen(
    browser, address
):
    context = browser.new_context(base_url=address, color_scheme="dark")
    page = context.new_page()
    sign_in(page, "hugo")
    page.wait_for_url("**/home")
    page.emulate_media(media="print", color_scheme="dark")
    for only_screen in ("header.top", ".skip", "form", "button[type=submit]", "summary", "nav"):
        expect_none = page.locator(only_screen).locator("visible=true")
        assert expect_none.count() == 0, only_screen
    colours = page.evaluate(
        """() => ["body", ".headline", "dd", "td", ".headline .shape"].map((one) => {
          const style = getComputedStyle(document.querySelector(one));
          return [style.color, getComputedStyle(document.body).backgroundColor];
        })"""
    )
    assert {tuple(pair) for pair in colours} == {("rgb(0, 0, 0)", "rgb(255, 255, 255)")}
    assert page.get_by_role("heading", name="What it cost").is_visible()
    assert page.pdf(format="A4").startswith(b"%PDF")
    context.close()


def test_an_answer_opens_by_keyboard_and_leads_to_the_part_of_the_page_that_it_names(
    browser, address
):
    context = browser.new_context(base_url=address, viewport={"width": 1440, "height": 900})
    page = context.new_page()
    sign_in(page, "ines")
    page.wait_for_url(lambda url: "/login" not in url)
    page.goto("/site/brook-cottage")
    fact = page.locator(".facts.big > div", has_text="Probability of keeping it, so far")
    fact.locator("summary").focus()
    page.keyboard.press("Enter")
    sync_api.expect(fact.get_by_text("Φ((SPF − promise) / u)")).to_be_visible()
    fact.get_by_role("link", name="What u is made of").click()
    sync_api.expect(page.get_by_role("heading", name="Uncertainty budget")).to_be_in_viewport()
    sync_api.expect(page).to_have_url("/site/brook-cottage#budget")
    context.close()
