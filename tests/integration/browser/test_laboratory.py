"""One operator types the day's sheet on a phone."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from service.domain.plant.role import Role
from service.storage.database.session import transaction
from service.storage.laboratory.results import laboratory_results
from tests.integration.browser.test_pages import opened
from tests.support.alarm_plant import NIGHT
from tests.support.web_plant import WebSite

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def test_the_days_sheet_is_typed_on_a_phone_a_slip_is_asked_about_and_the_index_told(
    browser: Browser, site: WebSite
) -> None:
    site.plant.believe(NIGHT, 2.9)
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        page.goto("/more")
        page.click("text=Day's sheet")
        page.fill("#mixed_liquor_solids", "2.4")
        for minute, volume in ((5, "620"), (10, "450"), (30, "240"), (60, "200")):
            page.fill(f"#plain_{minute}", volume)
        page.fill("#temperature", "59")
        page.click("text=Save")
        page.wait_for_selector("text=As 2.40 g/L it would fit")
        assert page.input_value("#plain_30") == "240"
        page.select_option("[name=mixed_liquor_solids_unit]", "g/L")
        page.click("button:has-text('Save')")
        page.wait_for_selector("text=✓ Saved.")
        assert "100 mL/g" in page.inner_text("section[aria-labelledby=follows]")
        page.select_option("#trend-what", "temperature")
        page.click("text=Draw")
        assert page.get_attribute("svg.plot[role=img]", "aria-label") == "temperature: 1 values, from 59 to 59 °F"
        # Nothing is wider than the phone.
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        if folder := os.environ.get("UNDERWEIR_TEST_PICTURES"):
            page.screenshot(path=Path(folder) / "laboratory-phone.png", full_page=True)
    with transaction(site.web.engine) as conn:
        kept = laboratory_results(conn)
    assert len(kept) == 6
    assert {r.result.taken_by for r in kept} == {"Operator Person"}
