"""A real browser in front of the real server."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, sync_playwright
from sqlalchemy import Engine

from tests.web_plant import WebSite, served

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium; started once."""
    path = os.environ.get("UNDERWEIR_TEST_CHROMIUM") or shutil.which("chromium")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        yield started
        started.close()


@pytest.fixture
def site(engine: Engine) -> Iterator[WebSite]:
    """A server of this test's own."""
    with served(engine) as found:
        yield found
