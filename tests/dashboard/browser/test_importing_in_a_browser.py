"""A file is sent and looked at in a real browser; nothing is imported."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from playwright import sync_api

from tests.dashboard.browser.test_in_a_browser import sign_in
from tests.ingest.homes_to_propose import hours, table

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]


@pytest.mark.parametrize("width", [1280, 390])
def test_a_file_is_looked_at_and_corrected(page, width):
    expect = sync_api.expect
    page.set_viewport_size({"width": width, "height": 900})
    sign_in(page, "ines")
    page.get_by_role("link", name="Import a file").click()
    page.get_by_label("Find it by name, place or id").fill("marlbeck")
    expect(page.get_by_text("3 sites.")).to_be_visible()
    # On from the field by keyboard: into the sites, and down to the one that is meant.
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    expect(page.get_by_label("12 Chapel Hill (chapel-hill-12)")).to_be_checked()
    page.keyboard.press("ArrowDown")
    expect(page.get_by_label("3 Alder Row (alder-row-3)")).to_be_checked()
    frame = hours(10, start=datetime(2026, 1, 5, tzinfo=UTC))
    text = table(frame, {"heat": "heat [kWh]", "elec": "electricity [kWh]"})
    export = {"name": "january.csv", "mimeType": "text/csv", "buffer": text.encode()}
    page.locator("#import-file input[type=file]").set_input_files(export)
    expect(page.get_by_role("heading", name="What an import would bring")).to_be_visible()
    expect(page.get_by_text("january.csv is delimited; 2 columns are read")).to_be_visible()
    expect(page.locator(".js-plotly-plot")).to_have_count(1)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.get_by_label("Name of the profile").fill("Hourly logger")
    page.get_by_role("button", name="Look again").click()
    expect(page.locator("pre")).to_contain_text('name = "Hourly logger"')
