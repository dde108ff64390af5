"""The pages in a real browser: no error on the console, no page wider than its screen."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright import sync_api

PASSWORD = "nine green bottles"

pytestmark = [
    pytest.mark.browser,
    pytest.mark.xdist_group("browser"),
]


def sign_in(page, who: str) -> None:
    page.goto("/login")
    page.get_by_label("E-mail").fill(f"{who}@example.org")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()


def test_from_the_form_to_a_site_and_out_again(page):
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    sign_in(page, "ines")
    expect = sync_api.expect
    expect(page.get_by_text("3 of 6 sites need attention")).to_be_visible()
    expect(page.locator("tbody tr")).to_have_count(6)
    page.get_by_label("Search name, place").fill("marl")
    expect(page.locator("tbody tr")).to_have_count(3)
    expect(page).to_have_url("/?searched=1")
    with page.expect_download() as download:
        page.get_by_role("button", name="Download as CSV").click()
    assert Path(download.value.path()).read_text().count("Marlbeck") == 3
    page.get_by_role("link", name="in doubt").click()
    expect(page.locator("tbody tr")).to_have_count(1)
    page.get_by_role("link", name="12 Chapel Hill", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("12 Chapel Hill")
    expect(page).to_have_title("12 Chapel Hill – pledgewatt")
    expect(page.locator(".js-plotly-plot")).to_have_count(6)
    page.get_by_role("link", name="Last 30 days").click()
    expect(page.get_by_text("Last 30 days, 19 February 2026 to 20 March 2026")).to_be_visible()
    # Who chooses a period stays where its figures are.
    expect(page.get_by_role("heading", name="A closer look")).to_be_in_viewport()
    page.go_back()
    page.go_back()
    expect(page.get_by_role("heading", level=1)).to_have_text("Fleet")
    # The page remembers what was searched; no address ever held it.
    expect(page.get_by_label("Search name, place")).to_have_value("marl")
    expect(page.locator("tbody tr")).to_have_count(1)
    page.reload()
    expect(page.get_by_text("addresses do not hold what was searched")).to_be_visible()
    assert [url for url in asked if "marl" in url.lower()] == []
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")


def test_who_chooses_by_keyboard_stays_where_they_are(page):
    sign_in(page, "ines")
    expect = sync_api.expect
    page.get_by_role("link", name="12 Chapel Hill", exact=True).click()
    expect(page.locator(".js-plotly-plot")).to_have_count(6)
    for name in ("Last 30 days", "Last 365 days"):
        page.get_by_role("link", name=name, exact=True).focus()
        page.keyboard.press("Enter")
        expect(page.locator("#site-period")).to_contain_text(f"{name}, ")
        expect(page.get_by_role("link", name=name, exact=True)).to_be_focused()


def test_a_link_to_a_filtered_fleet_shows_it(page):
    sign_in(page, "ines")
    page.goto("/?standing=blind")
    sync_api.expect(page.locator("tbody tr")).to_have_count(1)
    sync_api.expect(page.locator("tbody th")).to_contain_text("Dene Farm")


def test_a_session_that_ended_leads_back_to_the_form(profile):
    # Not the page that fails on console errors: the browser notes the refusal there.
    page = profile.new_page()
    # The search box's own first call comes last and changes nothing.
    with page.expect_response(lambda answer: answer.status == 204):
        sign_in(page, "ines")
    sync_api.expect(page.locator("tbody tr")).to_have_count(6)
    profile.clear_cookies()
    page.get_by_role("link", name="Brook Cottage", exact=True).click()
    sync_api.expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")
    page.close()


def test_the_fleet_can_be_used_by_keyboard_alone(page):
    sign_in(page, "ines")
    sync_api.expect(page.locator("tbody tr")).to_have_count(6)
    page.keyboard.press("Tab")
    sync_api.expect(page.get_by_role("link", name="Skip to the content")).to_be_focused()
    page.get_by_role("link", name="Brook Cottage", exact=True).focus()
    page.keyboard.press("Enter")
    heading = page.get_by_role("heading", level=1)
    sync_api.expect(heading).to_have_text("Brook Cottage")
    sync_api.expect(heading).to_be_focused()


def test_a_homeowner_sees_their_home_without_any_script(browser, address):
    context = browser.new_context(base_url=address, java_script_enabled=False)
    page = context.new_page()
    sign_in(page, "hugo")
    sync_api.expect(page).to_have_url("/home")
    sync_api.expect(page.get_by_role("heading", level=1)).to_have_text("3 Alder Row")
    page.get_by_text("The promise", exact=True).click()
    sync_api.expect(page.get_by_text("seasonal performance factor")).to_be_visible()
    context.close()
