"""A core logged on a phone: quickly, without a connection, and never twice."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from service.domain.plant.role import Role
from service.storage.cores.cores import CoreRecord, current_cores
from service.storage.database.session import transaction
from tests.integration.browser.test_pages import opened
from tests.support.alarm_plant import NIGHT
from tests.support.photographs import photo
from tests.support.web_plant import WebSite

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def stored(site: WebSite) -> list[CoreRecord]:
    with transaction(site.web.engine) as conn:
        return current_cores(conn, [site.plant.ids.tanks["east"]])


def press(page: Page, digits: str) -> None:
    for digit in digits:
        page.click(f'#pad button[data-key="{digit}"]')


def now_in_browser(site: WebSite, page: Page) -> None:
    """The phone's clock agrees with the service's."""
    page.clock.install(time=NIGHT)


def test_a_core_takes_a_tank_its_digits_and_one_more_press(browser: Browser, site: WebSite) -> None:
    site.plant.believe(NIGHT, 2.9)  # 1.1 m of sludge
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        now_in_browser(site, page)
        page.goto("/round")
        page.click("text=East clarifier")
        press(page, "3.6")
        page.click("#keep")
        page.wait_for_selector("text=✓ Saved.")
        assert "3.6 ft of sludge in East clarifier" in page.inner_text("#said")
        assert "east.blanket reads" in page.inner_text("#said")
    [record] = stored(site)
    assert (record.typed_value, record.typed_unit) == (3.6, "ft")
    assert record.core.taken_by == "Operator Person"


def test_a_round_is_walked_in_order_and_the_next_tank_is_offered(browser: Browser, site: WebSite) -> None:
    site.plant.believe(NIGHT, 2.9)
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        now_in_browser(site, page)
        page.goto("/round")
        tanks = [one.get_attribute("value") for one in page.locator('input[name="tank"]').all()]
        assert tanks == list(site.web.tanks), "in walking order, whatever is worst"
        assert page.inner_text("#round-done").startswith("0 of 2 done")
        page.check('input[name="tank"][value="east"]')
        press(page, "3.6")
        # Wherever the page is scrolled to, the button lies above the bar.
        for y in (0, 200, 10_000):
            page.evaluate(f"scrollTo(0, {y})")
            save, bar = (page.locator(one).bounding_box() for one in ("#keep", "nav.main"))
            assert save is not None
            assert bar is not None
            assert save["y"] + save["height"] <= bar["y"], y
        page.click("#keep")
        page.wait_for_selector("text=Next: West clarifier (1 of 2 done)")
        assert page.inner_text("#round-done").startswith("1 of 2 done")
        assert page.locator('label[data-done]:has(input[value="east"])').count() == 1
        assert page.is_checked('input[name="tank"][value="west"]')
        page.reload()
        assert page.inner_text("#round-done").startswith("1 of 2 done"), "the service knows it too"


def test_a_doubtful_core_is_asked_about_and_kept_when_confirmed(browser: Browser, site: WebSite) -> None:
    site.plant.believe(NIGHT, 2.9)
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        now_in_browser(site, page)
        page.goto("/round?tank=east")
        press(page, "9.9")
        page.click("#keep")
        page.wait_for_selector("text=Check again")
        assert stored(site) == []
        page.click("text=It is correct: save")
        page.wait_for_selector("text=✓ Saved.")
    assert stored(site)[0].warnings == ("far from the estimate",)


def test_what_cannot_be_is_refused_with_the_reason(browser: Browser, site: WebSite) -> None:
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        now_in_browser(site, page)
        page.goto("/round?tank=east")
        press(page, "41")
        page.click("#keep")
        page.wait_for_selector("text=This value is not possible")
        assert "41 in" in page.inner_text("#said")  # the unit that would fit
    assert stored(site) == []


def test_without_a_connection_cores_wait_and_are_sent_once_with_their_own_time(browser: Browser, site: WebSite) -> None:
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        page.goto("/round")
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        page.goto("/round")  # now in the worker's hands
        page.context.set_offline(True)
        page.goto("/round")
        assert "Log a core" in page.inner_text("h1")
        now_in_browser(site, page)
        page.reload()
        for digits in ("3.6", "3.8"):
            page.check('input[name="tank"][value="east"]')
            press(page, digits)
            page.click("#keep")
            page.wait_for_selector("text=Saved on this device")
        page.wait_for_selector("#queue-count >> text=2")
        page.goto("/")
        assert "No connection" in page.inner_text("h1")
        page.goto("/round")
        page.wait_for_selector("#queue-list li:nth-child(2)")  # read from the device, after the page has loaded
        assert page.locator("#queue-list li").count() == 2
        assert stored(site) == []
        page.context.set_offline(False)
        page.evaluate("Promise.all([underweir.sync(), underweir.sync()])")
        page.wait_for_selector("#queue-count", state="hidden")
    records = stored(site)
    assert sorted(record.typed_value for record in records) == [3.6, 3.8]
    assert all(abs((record.core.taken_at - NIGHT).total_seconds()) < 120 for record in records)


def test_an_answer_lost_on_the_way_makes_no_second_core(browser: Browser, site: WebSite) -> None:
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        now_in_browser(site, page)
        page.goto("/round?tank=east")
        lost: list[str] = []

        def swallow(route: object) -> None:
            if not lost:
                lost.append("one")
                route.fetch()  # type: ignore[attr-defined]  # the service keeps it …
                route.abort()  # type: ignore[attr-defined]  # … and its answer never arrives
            else:
                route.continue_()  # type: ignore[attr-defined]

        page.context.route("**/api/v1/cores", swallow)
        press(page, "3.6")
        page.click("#keep")
        page.wait_for_selector("text=Saved on this device")
        assert len(stored(site)) == 1
        page.evaluate("underweir.sync()")
        page.wait_for_selector("#queue-count", state="hidden")
    assert len(stored(site)) == 1


def test_a_photo_waits_with_its_core_and_travels_small(browser: Browser, site: WebSite, tmp_path: Path) -> None:
    """Taken without a connection; kept on the phone, through a reload; sent with its core, made small before."""
    picture = tmp_path / "surface.jpg"
    picture.write_bytes(photo(3000, 2000, orientation=6))
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        page.goto("/round")
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        page.goto("/round")  # now in the worker's hands
        page.context.set_offline(True)
        now_in_browser(site, page)
        page.reload()
        page.click("text=East clarifier")
        press(page, "3.6")
        page.click("summary >> text=Photo")
        page.set_input_files("#photo", picture)
        page.click("#keep")
        page.wait_for_selector("text=Saved on this device")
        page.reload()
        page.wait_for_selector("text=waiting to be sent, with its photo")
        page.context.set_offline(False)
        with page.expect_request("**/photo") as sent:
            page.evaluate("underweir.sync()")
        assert len(sent.value.post_data_buffer or b"") < picture.stat().st_size
        page.wait_for_selector("#queue-count", state="hidden")
        [record] = stored(site)
        page.goto(f"/cores/{record.core.id}")
        shown = page.locator("img.photo")
        assert shown.evaluate("(e) => e.decode().then(() => [e.naturalWidth, e.naturalHeight])") == [853, 1280]


def test_an_answer_lost_after_the_photo_makes_no_second_one(browser: Browser, site: WebSite, tmp_path: Path) -> None:
    picture = tmp_path / "surface.jpg"
    picture.write_bytes(photo())
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        now_in_browser(site, page)
        page.goto("/round?tank=east")
        lost: list[str] = []

        def swallow(route: object) -> None:
            if not lost:
                lost.append("one")
                route.fetch()  # type: ignore[attr-defined]
                route.abort()  # type: ignore[attr-defined]
            else:
                route.continue_()  # type: ignore[attr-defined]

        page.context.route("**/photo", swallow)
        press(page, "3.6")
        page.click("summary >> text=Photo")
        page.set_input_files("#photo", picture)
        page.click("#keep")
        page.wait_for_selector("text=Saved on this device")
        page.evaluate("underweir.sync()")
        page.wait_for_selector("#queue-count", state="hidden")
        assert "Its photo was not saved" not in page.inner_text("main")
    assert len(stored(site)) == 1


def test_the_cautions_come_by_themselves_once_in_a_shift(browser: Browser, site: WebSite) -> None:
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        page.evaluate("localStorage.removeItem('uw-cautions')")
        page.goto("/round")
        assert page.is_visible("text=Stay behind the guard rail")
        page.click("text=Understood")
        page.goto("/round")
        assert not page.is_visible("text=Stay behind the guard rail")
        assert page.is_visible("text=Cautions, and how to take a good core")


def test_the_cautions_come_again_when_the_plant_has_handed_over(browser: Browser, site: WebSite) -> None:
    """Shifts are the plant's: here day and night, handed over at 07:00 and 19:00 in New York."""
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        page.clock.install(time=NIGHT)
        for seen, comes in (("18:59", True), ("19:01", False)):
            at = datetime.fromisoformat(f"2026-01-13T{seen}:00-05:00")
            page.evaluate(f"localStorage.setItem('uw-cautions', '{int(at.timestamp() * 1000)}')")
            page.goto("/round")
            assert page.is_visible("#first-caution") is comes


def test_a_core_is_put_right_in_feet_and_inches(browser: Browser, site: WebSite) -> None:
    site.plant.core(NIGHT, 1.0)
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        page.goto("/cores")
        page.click("text=History, correct")
        page.fill("#c-value", "3")
        page.click("text=feet and inches >> nth=0")
        page.fill("#c-inches", "6")
        page.fill("#c-reason", "misread the scale")
        page.click("button:has-text('Correct')")
        page.wait_for_selector("text=misread the scale")
        assert page.input_value("#c-value") == "3"
        assert page.input_value("#c-inches") == "6"
    [record] = stored(site)
    assert record.core.thickness == pytest.approx(42 * 0.0254)


def test_opened_up_the_form_is_no_wider_than_the_phone(browser: Browser, site: WebSite) -> None:
    with opened(browser, site, 360, 740, role=Role.OPERATOR) as page:
        page.goto("/round")
        for summary in page.query_selector_all("details:not([open]) > summary"):
            summary.click()
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
