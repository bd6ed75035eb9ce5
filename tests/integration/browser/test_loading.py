"""Loading, state point and what-if of a tank with its flows measured, as people see them."""

from __future__ import annotations

from typing import Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser
from sqlalchemy import Engine

from service.domain.plant.role import Role
from tests.integration.browser.test_pages import TAGS, opened
from tests.support.flowing_plant import TANKS, store_day
from tests.support.web_plant import served

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PAGES = ("/tanks/east", "/tanks/east/what-if?return_flow=%2B50%25&out=west", "/tanks/east/what-if?return_flow=much")


@pytest.mark.parametrize("filled_by", [None])  # another plant than usual
@pytest.mark.parametrize(("width", "height", "scheme"), [(360, 740, "dark"), (1440, 900, "light")])
def test_pictures_and_forms_can_be_used_by_everybody(
    browser: Browser, engine: Engine, width: int, height: int, scheme: Literal["light", "dark"]
) -> None:
    axe, wrong = Axe(), []
    with served(engine, setups=tuple(TANKS)) as site:
        store_day(engine, site.plant.ids)
        with opened(browser, site, width, height, scheme, role=Role.OPERATOR) as page:
            for path in PAGES:
                page.goto(path, wait_until="load")
                if path == PAGES[0]:
                    page.wait_for_selector("#chart canvas")
                    page.click("[data-lane=solids_loading]")
                    page.wait_for_selector("#lane canvas")
                    assert "solids loading over the same time" in (page.get_attribute("#lane", "aria-label") or "")
                if page.evaluate("document.documentElement.scrollWidth") > width:
                    wrong.append(f"{path}: wider than {width} px")
                found = axe.run(page, options={"runOnly": {"type": "tag", "values": TAGS}})
                wrong += [f"{path}: {v['id']}: {v['nodes'][0]['html'][:160]}" for v in found.response["violations"]]
            page.goto("/tanks/east")
            page.fill("#w-return", "+40 %")
            page.press("#w-return", "Enter")
            page.wait_for_selector("text=The next 6 hours")
    assert wrong == []
