"""Setting up the second step, and signing in with it, as a person does: every state readable and usable on a phone."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Literal

import pyotp
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from service.domain.plant.role import Role
from service.jobs.accounts.people import PROVEN_FOR
from tests.integration.browser.test_pages import TAGS, opened
from tests.integration.web.test_second_factor import STEP
from tests.support.web_plant import PASSWORD, WebSite

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.mark.parametrize(("width", "height", "scheme"), [(360, 740, "dark"), (1440, 900, "light")])
def test_a_second_step_is_set_up_and_used(
    browser: Browser, site: WebSite, tmp_path: Path, width: int, height: int, scheme: Literal["light", "dark"]
) -> None:
    wrong: list[str] = []

    def look(page: Page, name: str) -> None:
        page.screenshot(path=tmp_path / f"{name}.png", full_page=True)
        if page.evaluate("document.documentElement.scrollWidth") > width:
            wrong.append(f"{name}: wider than {width} px")
        found = Axe().run(page, options={"runOnly": {"type": "tag", "values": TAGS}})
        wrong.extend(f"{name}: {v['id']}: {v['nodes'][0]['html'][:160]}" for v in found.response["violations"])

    with opened(browser, site, width, height, scheme, Role.ADMINISTRATOR) as page:
        page.goto("/account")
        look(page, "account")
        page.goto("/people")
        look(page, "people")
        site.clock.forward(PROVEN_FOR + STEP)
        page.goto("/account")
        look(page, "account to be confirmed")
        page.goto("/people")
        look(page, "people to be confirmed")
        page.click("main a.button.primary")
        page.fill("#proof", "wrong horse battery")
        page.click("main button[type=submit]")
        page.wait_for_selector("[role=alert]")
        look(page, "confirm")
        page.fill("#proof", PASSWORD)
        page.click("main button[type=submit]")
        page.wait_for_url("**/people")
        assert page.locator('form[action="/people"]').count() == 1

    with opened(browser, site, width, height, scheme, Role.OPERATOR) as page:
        page.goto("/account")
        page.click("text=Set it up")
        page.fill("#password", PASSWORD)
        page.click(".reveal")
        assert page.get_attribute("#password", "type") == "text"
        look(page, "off")
        page.click(".reveal")
        assert page.get_attribute("#password", "type") == "password"
        page.click("text=Set it up")
        page.wait_for_load_state("load")
        page.eval_on_selector(".qr", "(picture) => picture.decode()")  # drawn, under the strict policy
        look(page, "key")
        phone = pyotp.TOTP(re.sub(r"\s", "", page.inner_text(".key code")))
        page.fill("#code", phone.at(site.clock()))
        page.click("text=Turn it on")
        page.wait_for_selector(".codes")
        look(page, "codes")
        site.clock.forward(STEP)
        page.click("text=I have written them down")
        page.goto("/account")
        look(page, "account")
        page.goto("/more")
        page.click("text=Sign out")
        page.wait_for_url("**/sign-in")
        page.fill("#name", "operator")
        page.fill("#password", PASSWORD)
        page.click("button[type=submit]")
        page.wait_for_url("**/sign-in/code")
        look(page, "asked")
        page.fill("#code", "000 00")
        page.keyboard.press("Enter")
        page.wait_for_selector("#wrong")
        look(page, "wrong")
        page.fill("#code", phone.at(site.clock()))
        page.keyboard.press("Enter")
        page.wait_for_url("**/")
        page.goto("/account/second-factor")
        look(page, "on")
    assert wrong == []
