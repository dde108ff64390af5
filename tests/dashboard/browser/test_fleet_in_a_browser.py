"""The fleet in a real browser: gathering, comparing, saving a view, taking note by keyboard."""

from __future__ import annotations

import re

import pytest
from playwright import sync_api

from monitor.findings.finding import Confidence, Finding, Topic
from monitor.store.findings import keep_findings, load_findings
from tests.dashboard.browser.test_in_a_browser import sign_in

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]
expect = sync_api.expect


def test_a_place_is_chosen_its_sites_picked_and_put_side_by_side(page):
    sign_in(page, "ines")
    page.get_by_role("link", name="place", exact=True).click()
    expect(page.get_by_role("heading", name="Sites by place")).to_be_visible()
    page.get_by_role("link", name="Marlbeck", exact=True).click()
    expect(page.locator("table.sites tbody tr")).to_have_count(3)
    expect(page).to_have_url(re.compile(r"/\?place=[0-9a-f]{12}$"))
    page.get_by_role("link", name="compare 3 Alder Row").click()
    # The next link carries what was picked before it.
    expect(page.get_by_text("Choose at least one more.")).to_be_visible()
    page.get_by_role("link", name="compare 12 Chapel Hill").click()
    page.get_by_role("link", name="Compare side by side").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Side by side")
    expect(page.locator(".js-plotly-plot")).to_have_count(1)
    page.go_back()
    expect(page.locator("table.sites tbody tr")).to_have_count(3)
    page.get_by_role("link", name="place: Marlbeck").click()
    expect(page.locator("table.sites tbody tr")).to_have_count(6)


def test_a_view_is_saved_called_again_and_removed(page):
    sign_in(page, "ines")
    page.get_by_label("Search name, place").fill("fen")
    expect(page.locator("table.sites tbody tr")).to_have_count(1)
    page.get_by_text("Save this view").first.click()
    page.get_by_label("Name for what is shown now").fill("Fens")
    page.get_by_role("button", name="Save this view").click()
    expect(page.get_by_text("The view is saved.")).to_be_visible()
    page.get_by_role("link", name="pledgewatt").click()
    expect(page.locator("table.sites tbody tr")).to_have_count(6)
    expect(page.get_by_label("Search name, place")).to_have_value("")
    page.get_by_role("link", name="Fens").click()
    expect(page).to_have_url(re.compile(r"/\?view=[A-Za-z0-9_-]{16}$"))
    expect(page.locator("table.sites tbody tr")).to_have_count(1)
    page.reload()
    expect(page.locator("table.sites tbody tr")).to_have_count(1)
    expect(page.get_by_label("Search name, place")).to_have_value("fen")
    page.get_by_text("Save or remove views").click()
    page.locator("#fleet-view-dropped input").check()
    page.get_by_role("button", name="Remove ticked views").click()
    expect(page.get_by_role("link", name="Fens")).to_have_count(0)


def test_findings_are_ticked_and_noted_by_keyboard(page, store, now):
    kinds = ("one-thing", "another-thing")
    keep_findings(
        store,
        "fen-view",
        [
            Finding(
                kind=kind,
                topic=Topic.HOUSEHOLD,
                title=kind.replace("-", " "),
                what="It is so.",
                confidence=Confidence.CERTAIN,
            )
            for kind in kinds
        ],
        now,
    )
    sign_in(page, "ines")
    page.get_by_role("link", name="Open the agenda").click()
    expect(page.get_by_role("link", name="one thing")).to_be_visible()
    for n in range(2):
        page.locator("#agenda-ticked input").nth(n).focus()
        page.keyboard.press("Space")
    page.get_by_label("Take note of what is ticked").fill("Seen on the morning round.")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.get_by_text("2 findings noted.")).to_be_visible()
    expect(page.get_by_role("link", name="one thing")).to_have_count(0)
    noted = {kept.finding.kind: kept.note for kept in load_findings(store, "fen-view")}
    assert [noted[kind] for kind in kinds] == ["Seen on the morning round."] * 2
