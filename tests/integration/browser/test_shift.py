"""The hand-over as it is done: a note on the phone, a signature, a page that is printed."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from service.domain.plant.role import Role
from tests.integration.browser.test_pages import opened, storm
from tests.support.alarm_plant import NIGHT
from tests.support.web_plant import WebSite

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def test_a_night_is_noted_signed_and_printed_on_one_page(browser: Browser, site: WebSite, tmp_path: Path) -> None:
    storm(site)
    for hour in (7, 4, 2):
        site.plant.core(NIGHT - timedelta(hours=hour), 1.0)
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        page.goto("/shift")
        for words in ("Gate B sticks", "Scum box of the west tank hosed down"):
            page.fill("#note", words)
            page.click("button.primary:has-text('Save')")
            page.wait_for_selector(f".written >> text={words}")
        page.click("summary >> text=Correct >> nth=0")
        page.fill('textarea[name="note"] >> nth=0', "It is gate C")
        page.click("text=Save correction")
        page.wait_for_selector("text=Correction: It is gate C")
        page.click("button:has-text('I take over')")
        page.wait_for_selector("dd >> text=Operator Person")
        page.screenshot(path=tmp_path / "phone.png", full_page=True)
        printed = page.pdf(format="A4", path=tmp_path / "shift.pdf")
        assert printed.count(b"/Type /Page\n") == 1
        page.goto("/log-sheet")
        assert page.pdf(format="A4", path=tmp_path / "sheet.pdf").count(b"/Type /Page\n") == 1
