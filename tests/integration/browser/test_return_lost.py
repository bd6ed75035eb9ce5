"""An operator's night: the return pump is lost, the page leads with it, what helps is ranked, and what was done is written down."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser
from sqlalchemy import Engine, text

from service.domain.plant.role import Role
from service.domain.plant.units import to_si
from service.jobs.alarms.evaluate import evaluate
from service.jobs.blanket.estimate import project_all, update_estimates
from service.storage.blanket.recompute import mark_signals_dirty
from service.storage.database.session import transaction
from service.storage.readings.batches import open_batch
from service.storage.readings.writer import ReadingWriter
from tests.integration.browser.test_pages import opened
from tests.support.alarm_plant import EAST, MINUTE, NIGHT
from tests.support.flowing_plant import FEED, FLOW, RETURN, STEP, TANKS, store_day
from tests.support.plant import columns
from tests.support.web_plant import WebSite, served, settle

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture
def filled_by() -> Callable[[str], None] | None:
    """This plant measures its flows."""
    return None


@pytest.fixture
def site(engine: Engine) -> Iterator[WebSite]:
    tanks = tuple(TANKS)
    settle(engine, tanks)
    with served(engine, setups=tanks) as found:
        ids = found.plant.ids
        store_day(engine, ids, storm=1.0, returns=0.1)
        # The pump stays away for an hour and a half, and the blanket rises from 1.7 m to 3.6 m in a tank of 4.
        steps = 18
        rising = {
            EAST.blankets[0].tag: np.linspace(1.75, 3.6, steps),
            FLOW.tag: np.full(steps, to_si(500.0, "m3/h")),
            RETURN.tag: np.full(steps, to_si(25.0, "m3/h")),
            FEED.tag: np.full(steps, 3.2),
        }
        with transaction(engine) as conn:
            writer = ReadingWriter(conn, open_batch(conn, "test", "rising", NIGHT))
            for tag, values in rising.items():
                writer.store(columns(ids.signals[tag], values.tolist(), start=NIGHT + STEP, step=STEP))
            mark_signals_dirty(conn, writer.stored.earliest_us)
        now = NIGHT + steps * STEP
        update_estimates(engine, tanks, ids, now)
        for minute in range(4):
            found.clock.now = now + minute * MINUTE
            projected = project_all(engine, tanks, ids, found.clock.now)
            evaluate(engine, found.plant.model, projected=projected, now=found.clock.now)
        yield found


@pytest.mark.parametrize(("width", "height"), [(360, 740), (1440, 900)])
def test_the_lost_return_leads_is_taken_and_written_down(
    browser: Browser, site: WebSite, tmp_path: Path, width: int, height: int
) -> None:
    with transaction(site.plant.engine) as conn:
        mail = conn.execute(
            text("SELECT payload->>'text' FROM outbox WHERE payload->>'subject' LIKE 'DANGER%'")
        ).scalar()
    assert "Return flow is down. Pump running?" in str(mail)
    with opened(browser, site, width, height, role=Role.OPERATOR) as page:
        page.goto("/tanks/east")
        suspected = page.inner_text("section:has(details.mode)")
        assert "Return flow is down. Pump running?" in suspected
        leading = page.locator("details.mode").first
        assert leading.inner_text().startswith("Return sludge lost: ")
        leading.locator("summary").click()
        assert "Never" in leading.inner_text()
        assert "Gas lifts" not in leading.inner_text()
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        page.screenshot(path=tmp_path / "tank.png", full_page=True)
        page.goto("/alarms/east.high-high")
        page.click("button:has-text('I have it')")
        page.wait_for_selector("text=Operator Person")
        page.goto("/rounds")
        page.check("input[name=tank][value=east]")
        page.check("input[name=words][value='noise from the drive']")
        page.fill("#note", "return pump 2 tripped; pump 1 started")
        page.click("button:has-text('Save')")
        page.wait_for_selector("text=✓ Saved.")
        page.screenshot(path=tmp_path / "round.png", full_page=True)
        page.goto("/shift")
        log = page.inner_text("main")
        assert "noise from the drive; return pump 2 tripped; pump 1 started" in log
        assert "Operator Person" in log
        page.screenshot(path=tmp_path / "shift.png", full_page=True)
