"""Each of the three does their main job in a real browser, from signing in to the result.

Pictures of what they saw are kept at three widths where `PLEDGEWATT_SCREENSHOTS` names a folder.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from playwright import sync_api

from monitor.findings.finding import Finding
from monitor.store import users
from monitor.store.cases import load_claims, raise_claim
from monitor.store.findings import keep_findings, load_findings
from tests.dashboard.browser.test_in_a_browser import PASSWORD, sign_in
from tests.dashboard.conftest import NOW
from tests.dashboard.test_finding_page import WARM

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]

SITE = "alder-row-3"
expect = sync_api.expect


def picture(page: sync_api.Page, name: str) -> None:
    """Keep what is seen at three widths, where a folder for it is named."""
    folder = os.environ.get("PLEDGEWATT_SCREENSHOTS")
    if folder is None:
        return
    Path(folder).mkdir(parents=True, exist_ok=True)
    for width in (1440, 768, 390):
        page.set_viewport_size({"width": width, "height": 900})
        page.wait_for_timeout(200)
        page.screenshot(path=str(Path(folder) / f"{name}-{width}.png"), full_page=True)
    page.set_viewport_size({"width": 1440, "height": 900})


@pytest.fixture
def found(store) -> Finding:
    before = [kept.finding for kept in load_findings(store, SITE)]
    keep_findings(store, SITE, [*before, WARM], NOW)
    yield WARM
    keep_findings(store, SITE, before, NOW)


def test_an_installer_finds_what_to_look_at_sees_why_and_takes_note(page, store, found):
    sign_in(page, "ines")
    expect(page.get_by_role("heading", level=1)).to_have_text("Fleet")
    picture(page, "installer-fleet")
    page.get_by_role("link", name="3 Alder Row").first.click()
    page.get_by_text(found.title).click()
    page.locator("details[open]").get_by_role("link", name="See what shows it").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(found.title)
    expect(page.locator(".js-plotly-plot")).to_have_count(2)
    expect(page.get_by_text("Heating curve in the controller")).to_be_visible()
    picture(page, "installer-finding")
    page.get_by_label("Take note").fill("Curve lowered by two kelvin.")
    page.get_by_role("button", name="Take note").click()
    expect(page.locator("#finding-history")).to_contain_text("Curve lowered by two kelvin.")
    kept = next(k for k in load_findings(store, SITE) if k.finding.kind == found.kind)
    assert kept.note == "Curve lowered by two kelvin."


def test_a_household_reads_its_page_looks_a_word_up_and_raises_a_claim(page, store):
    page.set_viewport_size({"width": 390, "height": 844})
    sign_in(page, "hugo")
    expect(page.get_by_text("doing what was promised")).to_be_visible()
    expect(page.get_by_role("heading", name="What it cost")).to_be_visible()
    page.get_by_role("button", name="kWh", exact=True).first.click()
    meaning = page.locator(".meaning:popover-open")
    expect(meaning).to_contain_text("is an amount of energy")
    meaning.get_by_role("button", name="Close").click()
    expect(meaning).to_have_count(0)
    page.get_by_label("In your own words").fill("Our bills are higher than you said.")
    page.get_by_role("button", name="Raise a claim").click()
    expect(page.get_by_text("You wrote: Our bills are higher than you said.")).to_be_visible()
    picture(page, "household")
    assert any(claim.site_id == SITE and claim.is_open for claim in load_claims(store, SITE))


def test_the_warranty_team_weighs_a_claim_and_leaves_hours_out(page, store):
    if not any(user.email == "wanda@example.org" for user in users.list_users(store)):
        users.add_user(
            store, email="wanda@example.org", name="Wanda", role="warranty", password=PASSWORD,
            now=NOW,
        )  # fmt: skip
    waiting = [claim for claim in load_claims(store, SITE) if claim.is_open]
    number = waiting[0].number if waiting else raise_claim(
        store, SITE, user_id=1, role="homeowner", said="Our bills are high.", now=NOW
    )  # fmt: skip
    sign_in(page, "wanda")
    page.get_by_role("link", name="Warranty desk").first.click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Warranty desk")
    picture(page, "warranty-desk")
    page.get_by_role("link", name=f"Claim {number}", exact=True).click()
    expect(page.get_by_role("heading", name="Evidence")).to_be_visible()
    page.get_by_role("button", name=re.compile("Confirm.*household was heard")).click()
    expect(page.get_by_role("status")).to_have_text("Confirmed.")
    page.get_by_label("From (local, on the hour)").fill("2026-01-05 00:00")
    page.get_by_label("To", exact=True).fill("2026-01-12 00:00")
    page.keyboard.press("Tab")
    expect(page.get_by_text("What it would do; not entered")).to_be_visible()
    page.get_by_label("Why", exact=True).fill("The meters were read in the wrong unit.")
    picture(page, "warranty-claim")
    page.get_by_role("button", name="Leave these hours out").click()
    expect(page.get_by_role("status")).to_have_text("These hours are left out from now on.")
    page.get_by_role("button", name="Withdraw").click()
    expect(page.get_by_role("status")).to_have_text(
        "The exclusion is withdrawn; it stays on record."
    )
    page.get_by_role("button", name="Propose the settlement").click()
    expect(page.get_by_role("status")).to_contain_text("lasts until")
