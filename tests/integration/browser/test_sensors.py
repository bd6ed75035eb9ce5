"""The technician's pages in a real browser: read by everybody, printed, worked with the keyboard alone."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser
from sqlalchemy import Engine

from service.domain.plant.role import Role
from service.storage.database.session import transaction
from service.storage.sensors.calibrations import current_calibrations
from tests.integration.browser.test_pages import TAGS, opened
from tests.support.sensor_bench import BENCH, CLEANING, bench_filled
from tests.support.web_plant import WebSite, served

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PAGES = (
    "/sensors",
    "/sensors/east.blanket",
    "/sensors/west.blanket",
    "/sensors/east.blanket/calibrate",
    f"/calibrations/{CLEANING}",
)
SIZES: tuple[tuple[int, int], ...] = ((360, 740), (1440, 900))
SCHEMES: tuple[Literal["light", "dark"], ...] = ("light", "dark")


@pytest.fixture
def filled_by() -> Callable[[str], None] | None:
    """Weeks of two sensors are in the database already."""
    return bench_filled


@pytest.fixture
def bench(engine: Engine) -> Iterator[WebSite]:
    """A server with weeks of two sensors behind it."""
    with served(engine, setups=BENCH) as found:
        yield found


def test_the_technicians_pages_can_be_used_by_everybody(browser: Browser, bench: WebSite, tmp_path: Path) -> None:
    axe, wrong = Axe(), []
    for width, height in SIZES:
        for scheme in SCHEMES:
            with opened(browser, bench, width, height, scheme) as page:
                for path in PAGES:
                    page.goto(path, wait_until="load")
                    for summary in page.query_selector_all("details:not([open]) > summary"):
                        summary.click()
                    name = f"{path.strip('/').replace('/', '-')}-{width}-{scheme}.png"
                    page.screenshot(path=tmp_path / name, full_page=True)
                    if page.evaluate("document.documentElement.scrollWidth") > width:
                        wrong.append(f"{path}: wider than {width} px")
                    found = axe.run(page, options={"runOnly": {"type": "tag", "values": TAGS}})
                    wrong += [f"{path}: {v['id']}: {v['nodes'][0]['html'][:160]}" for v in found.response["violations"]]
    assert wrong == []


def test_charts_are_there_on_paper_and_what_is_pressed_is_not(browser: Browser, bench: WebSite) -> None:
    with opened(browser, bench, 1440, 900) as page:
        page.goto("/sensors/east.blanket")
        page.emulate_media(media="print")
        assert page.locator("svg.plot[role=img]:visible").count() == 4
        assert page.locator("main .button:visible").count() == 0


def test_work_is_recorded_with_the_keyboard_alone(browser: Browser, bench: WebSite) -> None:
    def tab_to(name: str) -> None:
        for _ in range(60):
            page.keyboard.press("Tab")
            if page.evaluate("[document.activeElement.id, document.activeElement.textContent.trim()]").count(name):
                return
        raise AssertionError(f"{name} cannot be reached")

    with opened(browser, bench, 360, 740, role=Role.TECHNICIAN) as page:
        page.goto("/sensors")
        tab_to("east.blanket")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=Clean it first")
        tab_to("Record work on this sensor")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=the instrument hangs over the tank")
        for name, typed in (("found_error", "-1.2"), ("why", "wiper worn"), ("left_error", "0")):
            tab_to(name)
            page.keyboard.type(typed)
        tab_to("Review")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=Nothing is written to the transmitter")
        tab_to("Record it")
        page.keyboard.press("Enter")
        page.wait_for_url("**/calibrations/*")
        assert "Too few hand cores to say" in page.inner_text("main")
    with transaction(bench.web.engine) as conn:
        newest = current_calibrations(conn, [bench.plant.ids.signals["east.blanket"]])[-1]
    assert newest.calibration.as_found_offset == pytest.approx(-1.2 * 0.3048)
