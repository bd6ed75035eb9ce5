"""A password's strength while it is typed, and what stays on a phone when its session ends."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from service.domain.plant.role import Role
from tests.integration.browser.test_pages import TAGS, opened
from tests.integration.browser.test_round import now_in_browser, press, stored
from tests.support.web_plant import PASSWORD, WebSite

pytestmark = [pytest.mark.browser, pytest.mark.slow]

KEPT = "caches.open('underweir-pages').then((pages) => pages.match('/round')).then((found) => found !== undefined)"


def test_the_meter_follows_what_is_typed(browser: Browser, site: WebSite) -> None:
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        page.goto("/account")
        assert page.locator("#password meter").is_hidden()
        page.fill("#new", "sunshine1234")
        page.wait_for_selector("text=This password is one that many people use")
        weak = page.evaluate("document.querySelector('#password meter').value")
        page.fill("#new", "four quiet copper bells")
        page.wait_for_selector("text=This is a good password.")
        good = page.evaluate("document.querySelector('#password meter').value")
        assert weak < 8 <= good
        found = Axe().run(page, options={"runOnly": {"type": "tag", "values": TAGS}})
        assert [v["id"] for v in found.response["violations"]] == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 360


@pytest.mark.parametrize("ended", ["signed out", "by time"])
def test_with_the_session_goes_what_the_service_told_and_no_core_that_is_not_sent(
    browser: Browser, site: WebSite, ended: str
) -> None:
    """ASVS 8.2.3: the form names the plant's tanks, and this device's fields who was here."""
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        now_in_browser(site, page)
        page.goto("/round")
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        page.goto("/round")
        assert page.evaluate(KEPT)
        page.evaluate("['uw-by', 'uw-spot-east-ft', 'uw-unit'].forEach((key) => localStorage.setItem(key, '13.3'))")
        page.context.set_offline(True)
        page.click("text=East clarifier")
        press(page, "3.6")
        page.click("#keep")
        page.wait_for_selector("text=Saved on this device")
        page.context.set_offline(False)
        if ended == "signed out":
            page.route("**/api/v1/cores", lambda route: route.abort())
            page.goto("/more")
            page.click("#sign-out button")
        else:
            page.context.clear_cookies()
            page.goto("/alarms")
        page.wait_for_url("**/sign-in**")
        page.wait_for_function(f"({KEPT}).then((kept) => !kept)")
        assert _remembered(page) == []
        page.context.set_offline(True)
        page.goto("/round")
        assert "No connection" in page.inner_text("h1")
        page.context.set_offline(False)
        page.unroute("**/api/v1/cores")
        page.goto("/sign-in")
        page.fill("#name", Role.OPERATOR.value)
        page.fill("#password", PASSWORD)
        page.click("button[type=submit]")
        page.wait_for_url("**/")
        page.evaluate("underweir.sync()")
        page.wait_for_selector("#queue-count", state="hidden")
    assert [core.typed_value for core in stored(site)] == [3.6]


def _remembered(page: Page) -> list[str]:
    found: list[str] = page.evaluate(
        "Object.keys(localStorage).filter((key) => key === 'uw-by' || key.startsWith('uw-spot-'))"
    )
    return found
