"""A supervisor's month end: how the effluent did, what went before the bad night, signed and taken away; on a phone and at a desk."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page
from sqlalchemy import Engine

from service.domain.plant.role import Role
from service.jobs.reports.shift import write_note
from tests.integration.browser.test_pages import opened
from tests.support.alarm_plant import MINUTE, by
from tests.support.effluent_plant import BAD, PERMIT, TANKS, store_low_blankets, store_month
from tests.support.web_plant import WebSite, served, settle

pytestmark = [pytest.mark.browser, pytest.mark.slow]

FEBRUARY = datetime(2026, 2, 2, 15, 0, tzinfo=UTC)
SIZES = ((360, 740), (1440, 900))


@pytest.fixture
def filled_by() -> Callable[[str], None] | None:
    """This plant has a permit and meters of its effluent."""
    return None


@pytest.fixture
def site(engine: Engine) -> Iterator[WebSite]:
    settle(engine, TANKS)
    with served(engine, setups=TANKS, permit=PERMIT) as found:
        store_month(engine, found.plant.model, until=datetime(2026, 2, 1, 5, 0, tzinfo=UTC), silent=[date(2026, 1, 20)])
        times = [BAD[0].astimezone(UTC) + minute * MINUTE for minute in range(-180, 30, 5)]
        found.plant.believe_all({at: 1.1 if at > times[0] + timedelta(hours=2) else 3.0 for at in times}, tank=TANKS[0])
        at = BAD[0].astimezone(UTC) + 40 * MINUTE
        note = "Opened gate C, took flow off the east tank"
        write_note(engine, found.plant.model, note, by("Sam"), id=uuid.uuid4(), now=at)
        found.clock.now = FEBRUARY
        yield found


def _fits(page: Page) -> bool:
    """Whether nothing has to be scrolled sideways."""
    return bool(page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"))


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_the_month_is_read_signed_and_taken_away(
    browser: Browser, site: WebSite, tmp_path: Path, width: int, height: int
) -> None:
    with opened(browser, site, width, height, role=Role.SUPERVISOR) as page:
        page.goto("/reports")
        page.click("text=Effluent against the permit")
        assert "Effluent against the permit, 2026-01" in page.inner_text("h1")
        short = page.inner_text("section[aria-label='In short']")
        assert "30 days within the daily limit on solids, 0 over, 1 not known" in short
        assert "662 kg (1,460 lb) of solids lost above it" in short
        before = page.inner_text("section:has(h2:text('Effluent beyond its limit'))")
        assert "East clarifier: 9.5 ft (72 % of the depth)" in before
        assert "Opened gate C" in before
        assert _fits(page)
        page.screenshot(path=tmp_path / "month.png", full_page=True)
        page.fill("#reason", "reviewed for the monthly report")
        page.click("button.primary:has-text('Sign 2026-01')")
        page.wait_for_selector("td >> text=Supervisor Person")
        assert "Nothing." in page.inner_text("section:has(h2:text('Changed after it was signed'))")
        with page.expect_download() as held:
            page.click("a.button:has-text('CSV')")
        assert "Supervisor Person" in Path(held.value.path()).read_text("utf-8")
        page.goto("/reports/monthly?date=2026-01")
        assert page.inner_text("h2 >> nth=0").startswith("Effluent beyond its limit")
        page.screenshot(path=tmp_path / "report.png", full_page=True)


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_the_tank_says_that_its_effluent_is_over_and_draws_it_beside_its_limit(
    browser: Browser, site: WebSite, tmp_path: Path, width: int, height: int
) -> None:
    site.clock.now = BAD[1].astimezone(UTC) - timedelta(hours=1)
    store_low_blankets(site.plant.engine, site.plant.model, site.clock.now)
    with opened(browser, site, width, height, role=Role.OPERATOR) as page:
        page.goto("/")
        assert "Effluent over its limit by effluent.solids" in page.inner_text("article >> nth=0")
        page.screenshot(path=tmp_path / "board.png", full_page=True)
        page.goto("/tanks/east")
        assert "Effluent over its limit: effluent solids 200 mg/L" in page.inner_text("main")
        page.click("button[data-lane='effluent_solids']")
        page.wait_for_selector("#lane canvas")
        assert "effluent solids" in (page.get_attribute("#lane", "aria-label") or "")
        page.locator("#lane").scroll_into_view_if_needed()
        assert _fits(page)
        page.screenshot(path=tmp_path / "tank.png", full_page=True)


def test_the_month_prints_on_paper(browser: Browser, site: WebSite, tmp_path: Path) -> None:
    with opened(browser, site, 1440, 900, role=Role.SUPERVISOR) as page:
        answer = page.request.get("/permit.pdf?date=2026-01")
        (tmp_path / "month.pdf").write_bytes(answer.body())
        assert answer.body().startswith(b"%PDF")
