"""Pages left open on a screen: they move by themselves, and nothing that somebody types is lost."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest
from playwright.sync_api import Browser, Page

from service.domain.plant.role import Role
from service.jobs.alarms.evaluate import evaluate
from service.web.blanket import live
from service.web.blanket.board import Board
from tests.integration.browser.test_pages import opened
from tests.support.alarm_plant import MINUTE, NIGHT
from tests.support.web_plant import WebSite

pytestmark = [pytest.mark.browser, pytest.mark.slow]

#: A machine loaded ten times over still gets there. [ms]
PATIENCE = 120_000


def until(page: Page, done: Callable[[], bool]) -> None:
    """Wait for something to be so; a function in the page would be code from a string, which the pages forbid."""
    for _ in range(PATIENCE // 100):
        if done():
            return
        page.wait_for_timeout(100)
    pytest.fail(f"it did not happen; the page {page.title()!r} says:\n{page.inner_text('main')[:2000]}")


def storm(site: WebSite) -> None:
    """East comes near the weir, and its alarm calls."""
    for minute in range(4):
        site.plant.believe(NIGHT + minute * MINUTE, 0.9 - 0.02 * minute, rate=0.1)
    for minute in (0, 2, 3):
        evaluate(site.plant.engine, site.plant.model, projected={}, now=NIGHT + minute * MINUTE)
    site.clock.now = NIGHT + 4 * MINUTE


def later(site: WebSite, minutes: int, clearance: float) -> None:
    """Time goes on, and the blanket of the east tank with it."""
    now = NIGHT + (4 + minutes) * MINUTE
    site.plant.believe(now, clearance, rate=0.1)
    evaluate(site.plant.engine, site.plant.model, projected={}, now=now)
    site.clock.now = now


def marked(page: Page) -> None:
    page.evaluate("window.marked = true")


def not_reloaded(page: Page) -> None:
    assert page.evaluate("window.marked") is True


def test_alarms_left_open_show_a_new_alarm_and_the_time_that_is_left(browser: Browser, site: WebSite) -> None:
    site.plant.believe(NIGHT, 2.0)
    with opened(browser, site, 360, 740) as page:
        page.goto("/alarms")
        marked(page)
        page.wait_for_selector("text=No alarms.")
        storm(site)
        page.wait_for_selector("article >> text=WARNING", timeout=PATIENCE)
        until(page, lambda: page.title().startswith("("))
        before = page.inner_text("article .big")
        assert "danger in about" in before
        later(site, 28, 0.75)
        until(page, lambda: page.inner_text("article .big >> nth=0") != before)
        assert "danger in about" in page.inner_text("article .big")
        not_reloaded(page)


def test_a_half_typed_reason_is_kept_while_the_page_moves(browser: Browser, site: WebSite) -> None:
    storm(site)
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        page.goto("/alarms")
        marked(page)
        page.click("article summary >> nth=0")
        page.check("article input[name=hours][value='2.0'] >> nth=0")
        field = page.locator("article input[name=why]").first
        field.press_sequentially("waiting for the")
        before = page.inner_text("article .big >> nth=0")
        later(site, 28, 0.75)
        until(page, lambda: page.inner_text("article .big >> nth=0") != before)
        page.keyboard.type(" electrician")
        assert field.input_value() == "waiting for the electrician"
        assert page.is_checked("article input[name=hours][value='2.0'] >> nth=0")
        assert page.evaluate("document.activeElement.name") == "why"
        not_reloaded(page)


def test_the_tank_moves_and_its_chart_and_form_stay(browser: Browser, site: WebSite) -> None:
    site.plant.believe(NIGHT, 2.0)
    with opened(browser, site, 1440, 900) as page:
        page.goto("/tanks/east")
        marked(page)
        page.wait_for_selector("#chart canvas")
        page.evaluate("document.querySelector('#chart canvas').marked = true")
        page.fill("#w-return", "+20 %")
        storm(site)
        page.wait_for_selector("main li >> text=WARNING", timeout=PATIENCE)
        assert page.evaluate("document.querySelector('#chart canvas').marked") is True
        assert page.input_value("#w-return") == "+20 %"
        not_reloaded(page)


def test_a_page_that_cannot_be_brought_up_to_date_says_so(browser: Browser, site: WebSite) -> None:
    storm(site)
    with opened(browser, site, 360, 740) as page:
        page.clock.install()
        page.goto("/alarms")
        until(page, lambda: page.title().startswith("("))
        page.context.set_offline(True)
        page.clock.fast_forward(20_000)
        page.wait_for_selector("text=Not live", timeout=PATIENCE)
        assert page.title().startswith("(?)")


def test_whoever_is_signed_out_keeps_what_was_typed(browser: Browser, site: WebSite) -> None:
    storm(site)
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        page.goto("/alarms")
        page.click("article summary >> nth=0")
        page.fill("article input[name=why] >> nth=0", "half a sentence")
        page.context.clear_cookies()
        later(site, 10, 0.7)
        page.wait_for_selector("#offline-notice >> text=signed out", timeout=PATIENCE)
        assert page.input_value("article input[name=why] >> nth=0") == "half a sentence"


def test_a_hundred_screens_cost_the_database_what_one_does(site: WebSite, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every screen hears of the storm; the plant is read once a beat and not once a screen."""
    read, lock, screens = [0], threading.Lock(), 100
    whole = Board.view

    def counted(self: Board, **given: object) -> object:
        with lock:
            read[0] += 1
        return whole(self, **given)  # type: ignore[arg-type]

    monkeypatch.setattr(Board, "view", counted)
    clients = [site.client(Role.VIEWER) for _ in range(4)]
    cookies = [client.cookies for client in clients]
    everyone, beats = threading.Barrier(screens), 4

    def screen(number: int) -> list[str]:
        client = httpx.Client(base_url=site.url, cookies=cookies[number % len(cookies)], timeout=120)
        with client, client.stream("GET", "/live") as news:
            assert news.status_code == 200
            everyone.wait(timeout=120)
            lines = (line for line in news.iter_lines() if line.startswith(("id:", "data:")))
            return [next(lines) for _ in range(2 * beats)]

    with ThreadPoolExecutor(screens) as pool:
        told = list(pool.map(screen, range(screens)))
    assert all(line.startswith("id:") for lines in told for line in lines[::2])
    # Each beat is read by one for all; those that came late may need a few more.
    assert read[0] < screens


def test_screens_are_bounded_and_the_same_plant_has_the_same_mark(
    site: WebSite, monkeypatch: pytest.MonkeyPatch
) -> None:
    storm(site)
    client = site.client(Role.VIEWER)
    first, again = (client.get("/live?once=1").json() for _ in range(2))
    assert first == again
    assert first["waiting"] > 0
    monkeypatch.setattr(live, "MOST_SCREENS", 0)
    with client.stream("GET", "/live") as news:
        assert news.status_code == 503
