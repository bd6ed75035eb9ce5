"""What the overview of 50 tanks weighs over the network, and when it can be used, in a real browser.

    python -m tests.benchmarks.pages
    python -m tests.benchmarks.pages --tanks 10 --rounds 9

A first view: nothing cached, everything the page loads counted as it goes over the wire, headers included. It can be used when
it is built and no script holds the browser any more (the end of the last task of more than 50 ms). The phone is the same
machine with its processor slowed down four times. Debian's Chromium has to be installed. The tanks are invented.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import shutil
import statistics
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import structlog
from playwright.sync_api import Browser, sync_playwright

from service.domain.plant.role import Role
from service.storage.database.schema import migrate
from service.storage.database.session import make_engine
from tests.benchmarks.trend import server
from tests.support.alarm_plant import MINUTE, NIGHT, TANKS, tank_setup
from tests.support.stopping import in_order
from tests.support.web_plant import PASSWORD, WebSite, served

FLAGS = ("--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--disable-background-networking")
BUDGET_KB = 150.0
#: Name, width, height, and how many times the processor is slowed down.
SCREENS = (("control room", 1440, 900, 1), ("phone", 360, 740, 4))


@dataclass(frozen=True, slots=True)
class View:
    """One first view."""

    weight_kb: float
    requests: int
    usable_ms: float


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--tanks", type=int, default=50, help="two at least")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    found = measure(given.tanks, given.rounds)
    if given.json:
        print(json.dumps({screen: vars_of(view) for screen, view in found.items()}, indent=2))
        return
    print(f"overview of {given.tanks} tanks, first view, median of {given.rounds} rounds; budget {BUDGET_KB:.0f} kB")
    print(f"{'screen':<16}{'weight':>10}{'of budget':>11}{'requests':>10}{'usable after':>14}")
    for screen, view in found.items():
        print(
            f"{screen:<16}{view.weight_kb:>7.1f} kB{view.weight_kb / BUDGET_KB:>11.0%}{view.requests:>10}"
            f"{view.usable_ms:>11.0f} ms"
        )


def measure(tanks: int, rounds: int) -> dict[str, View]:
    """The median first view of each screen."""
    path = os.environ.get("UNDERWEIR_TEST_CHROMIUM") or shutil.which("chromium")
    if path is None:
        raise SystemExit("there is no chromium on this machine (apt-get install chromium)")
    with _plant(tanks) as site, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        found: dict[str, View] = {}
        for name, width, height, slower in SCREENS:
            views = [_first_view(browser, site, width, height, slower) for _ in range(rounds)]
            found[name] = View(
                statistics.median(view.weight_kb for view in views),
                views[0].requests,
                statistics.median(view.usable_ms for view in views),
            )
        browser.close()
    return found


def vars_of(view: View) -> dict[str, float]:
    """Plain numbers."""
    return {"weight_kb": view.weight_kb, "requests": view.requests, "usable_ms": view.usable_ms}


@contextmanager
def _plant(tanks: int) -> Iterator[WebSite]:
    more = (tank_setup(f"t{number:02}", f"Clarifier {number}") for number in range(3, tanks + 1))
    setups = (*TANKS, *more)[:tanks]
    with server() as url:
        migrate(url)
        engine = make_engine(url)
        try:
            with served(engine, setups=setups) as site:
                for number, setup in enumerate(setups):
                    heights = {NIGHT - n * MINUTE: 2.6 - 0.04 * number for n in range(30)}
                    site.plant.believe_all(heights, tank=setup)
                    site.plant.core(NIGHT - timedelta(hours=2), 1.0 + 0.02 * number, tank=setup)
                yield site
        finally:
            engine.dispose()


def _first_view(browser: Browser, site: WebSite, width: int, height: int, slower: int) -> View:
    context = browser.new_context(viewport={"width": width, "height": height})
    page = context.new_page()
    page.goto(f"{site.url}/sign-in")
    page.get_by_label("Name").fill(Role.VIEWER.value)
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    cookies: Any = None
    with page.expect_navigation():
        page.keyboard.press("Enter")
    cookies = context.cookies()
    context.close()

    context = browser.new_context(viewport={"width": width, "height": height})
    context.add_cookies(cookies)
    page = context.new_page()
    devtools = context.new_cdp_session(page)
    devtools.send("Network.enable")
    devtools.send("Emulation.setCPUThrottlingRate", {"rate": slower})
    weights: list[float] = []
    devtools.on("Network.loadingFinished", lambda event: weights.append(event["encodedDataLength"]))
    page.goto(f"{site.url}/", wait_until="load")
    assert page.locator("#board").count() == 1
    usable = page.evaluate(_USABLE)
    context.close()
    return View(sum(weights) / 1000, len(weights), usable)


#: Waits until two seconds passed without a long task, and says when the last one ended; the page itself at the earliest.
_USABLE = """() => new Promise((done) => {
  const built = performance.getEntriesByType("navigation")[0].domContentLoadedEventEnd;
  let last = built, timer = 0;
  const wait = () => { clearTimeout(timer); timer = setTimeout(() => done(last), 2000); };
  new PerformanceObserver((list) => {
    for (const task of list.getEntries()) last = Math.max(last, task.startTime + task.duration);
    wait();
  }).observe({ type: "longtask", buffered: true });
  wait();
})"""


if __name__ == "__main__":
    in_order(main)
