"""Every page as people see it: no rule of WCAG 2.2 AA broken that axe-core can find, nothing wider than the phone."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, time, timedelta
from pathlib import Path
from typing import Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from service.calls.duty import Rota, Shift
from service.domain.plant.role import Role
from service.jobs.alarms.evaluate import evaluate
from tests.support.alarm_plant import MINUTE, NIGHT, WEST
from tests.support.web_plant import PASSWORD, WebSite

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PAGES = (
    "/",
    "/tanks/east",
    "/tanks/east/what-if?return_flow=much",
    "/round?tank=east",
    "/alarms",
    "/alarms/east.high",
    "/journal",
    "/duty?tested=Supervisor",
    "/figures",
    "/definitions",
    "/cores",
    "/laboratory",
    "/rounds",
    "/shift",
    "/reports",
    "/reports/daily?date=2026-01-14",
    "/log-sheet",
    "/more",
    "/health",
    "/people",
    "/account",
    "/account/weak-password",
    "/privacy",
    "/account/second-factor",
    "/audit",
    "/cautions",
    "/offline",
    "/nowhere",
)
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def storm(site: WebSite) -> None:
    """East comes near the weir and its alarm calls; west is heard of no more."""
    for minute in range(4):
        site.plant.believe(NIGHT + minute * MINUTE, 0.9 - 0.02 * minute, rate=0.1)
    site.plant.believe(NIGHT - timedelta(hours=3), 2.4, tank=WEST)
    site.plant.core(NIGHT - timedelta(hours=1), 3.0)
    for minute in (0, 2, 3):
        now = NIGHT + minute * MINUTE
        evaluate(site.plant.engine, site.plant.model, projected={}, now=now)
    site.clock.now = NIGHT + 4 * MINUTE


def on_duty(site: WebSite) -> None:
    """Nights are taken in turn by two; an hour each evening is nobody's."""
    names = [contact.name for contact in site.plant.setup.contacts]
    nights = Shift(name="nights", people=tuple(names), first_day=date(2026, 1, 5), start=time(19), end=time(7))
    days = replace(nights, name="days", people=(names[-1],), start=time(7), end=time(18))
    rota = Rota(key="operations", zone=site.web.zone, shifts=(nights, days))
    site.app.state.plant = replace(site.web, alarms=replace(site.plant.setup, rotas=(rota,)))


@contextmanager
def opened(
    browser: Browser,
    site: WebSite,
    width: int,
    height: int,
    scheme: Literal["light", "dark"] = "light",
    role: Role = Role.ADMINISTRATOR,
) -> Iterator[Page]:
    """A signed-in page; whatever the browser complains about fails the test."""
    context = browser.new_context(
        base_url=site.url, viewport={"width": width, "height": height}, color_scheme=scheme, has_touch=width < 500
    )
    complaints: list[str] = []
    page = context.new_page()
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    page.goto("/sign-in")
    page.fill("#name", role.value)
    page.fill("#password", PASSWORD)
    page.click("button[type=submit]")
    page.wait_for_url("**/")
    page.evaluate("localStorage.setItem('uw-cautions', String(Date.now()))")
    yield page
    context.close()
    assert [line for line in complaints if not line.startswith("Failed to load resource")] == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(360, 740), (1440, 900)])
def test_every_page_can_be_used_by_everybody(
    browser: Browser, site: WebSite, tmp_path: Path, width: int, height: int, scheme: Literal["light", "dark"]
) -> None:
    storm(site)
    on_duty(site)
    axe, wrong = Axe(), []
    with opened(browser, site, width, height, scheme) as page:
        for path in PAGES:
            page.goto(path, wait_until="load")
            if path == "/tanks/east":
                page.wait_for_selector("#chart canvas")
                assert page.inner_text("#chart .u-legend").count("band") == 1
            page.screenshot(path=tmp_path / f"{path.strip('/').replace('/', '-').replace('?', '-') or 'home'}.png")
            if page.evaluate("document.documentElement.scrollWidth") > width:
                wrong.append(f"{path}: wider than {width} px")
            found = axe.run(page, options={"runOnly": {"type": "tag", "values": TAGS}})
            wrong += [f"{path}: {v['id']}: {v['nodes'][0]['html'][:160]}" for v in found.response["violations"]]
    assert wrong == []


def test_what_one_cell_says_stands_together_on_a_phone(browser: Browser, site: WebSite) -> None:
    """Words and tags of one cell run on beside its heading; none begins under it."""
    storm(site)
    with opened(browser, site, 360, 740) as page:
        page.goto("/alarms/east.high")
        assert page.locator("td[data-head=What]").count() > 1
        astray = page.evaluate(
            """() => [...document.querySelectorAll("table.stack td[data-head] > *")]
                .filter((e) => e.tagName !== "BR" && [...e.getClientRects()].some(
                    (box) => box.left < e.parentElement.getBoundingClientRect().left + 7 * 16))
                .map((e) => e.outerHTML)"""
        )
    assert astray == []


def test_whatever_is_pressed_is_large_enough_for_a_glove(browser: Browser, site: WebSite) -> None:
    """44 px, as WCAG 2.2 success criterion 2.5.5 (AAA) asks for, of all that is pressed on the walkway."""
    storm(site)
    small = []
    with opened(browser, site, 360, 740) as page:
        for path in ("/round?tank=east", "/alarms"):
            page.goto(path)
            small += page.evaluate(
                """() => [...document.querySelectorAll("main button, main .tiles label, main .chips label, nav.main a")]
                    .filter((e) => e.offsetParent && (e.offsetHeight < 44 || e.offsetWidth < 44))
                    .map((e) => `${e.textContent.trim()} ${e.offsetWidth}x${e.offsetHeight}`)"""
            )
    assert small == []


def test_the_keyboard_reaches_everything_and_shows_where_it_is(browser: Browser, site: WebSite) -> None:
    storm(site)
    with opened(browser, site, 1440, 900) as page:
        page.goto("/alarms")
        reached = set()
        for _ in range(60):
            page.keyboard.press("Tab")
            reached.add(page.evaluate("(document.activeElement.textContent || '').trim()"))
            if page.evaluate("document.activeElement === document.body"):
                break
            outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert outline != "none", page.evaluate("document.activeElement.outerHTML")
        assert any(text.startswith("I have it") for text in reached)
        assert {"Skip to content", "Journal"} <= reached


def test_an_alarm_is_answered_with_the_keyboard_alone(browser: Browser, site: WebSite) -> None:
    storm(site)
    with opened(browser, site, 1440, 900, role=Role.OPERATOR) as page:
        page.goto("/alarms")
        for _ in range(40):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.textContent").strip().startswith("I have it"):
                break
        page.keyboard.press("Enter")
        page.wait_for_selector("text=Operator Person has it")


def test_the_overview_follows_without_reloading(browser: Browser, site: WebSite) -> None:
    site.plant.believe(NIGHT, 2.0)
    with opened(browser, site, 360, 740) as page:
        page.goto("/")
        page.evaluate("window.marked = true")
        assert "DANGER" not in page.inner_text("main")
        storm(site)
        page.wait_for_selector(".card .alarm-words >> text=WARNING", timeout=15_000)
        assert page.evaluate("window.marked") is True


def test_the_overview_says_when_it_is_cut_off(browser: Browser, site: WebSite) -> None:
    storm(site)
    context = browser.new_context(base_url=site.url, viewport={"width": 360, "height": 740})
    page = context.new_page()
    page.clock.install()
    page.goto("/sign-in")
    page.fill("#name", "viewer")
    page.fill("#password", PASSWORD)
    page.click("button[type=submit]")
    page.wait_for_selector(".card")
    context.set_offline(True)
    page.clock.fast_forward(20_000)
    page.wait_for_selector("text=Not live", timeout=15_000)
    context.close()


def test_old_readings_are_called_old(browser: Browser, site: WebSite) -> None:
    storm(site)
    with opened(browser, site, 360, 740) as page:
        page.goto("/")
        assert "Old data" in page.inner_text('[data-tank="west"]')
