"""The way to the identity provider and back, as a browser takes it."""

from __future__ import annotations

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from tests.integration.browser.test_pages import TAGS
from tests.integration.web.test_single_sign_on import use
from tests.support.identity_provider import identity_provider
from tests.support.web_plant import WebSite

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def test_a_phone_is_signed_in_with_one_press(browser: Browser, site: WebSite, tmp_path: Path) -> None:
    with identity_provider(site.clock) as provider:
        provider.claims["roles"] = ["operator"]
        use(site, provider)
        context = browser.new_context(base_url=site.url, viewport={"width": 360, "height": 740})
        page = context.new_page()
        page.goto("/round?tank=east")
        page.screenshot(path=tmp_path / "sign-in.png")
        found = Axe().run(page, options={"runOnly": {"type": "tag", "values": TAGS}})
        assert [v["id"] for v in found.response["violations"]] == []
        page.click("text=Single sign-on")
        page.wait_for_selector("h1 >> text=Log a core")
        page.goto("/more")
        assert page.is_visible("text=Sam O.")
        assert provider.problems == []
        context.close()
