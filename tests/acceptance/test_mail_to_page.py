"""From a file dropped to somebody who has it: the mail really received, its link opened in a browser, the button pressed."""

from __future__ import annotations

import re
import signal
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from service.demo.mail_sink import MailSink
from tests.acceptance.test_commands import Command
from tests.acceptance.test_pages import answering
from tests.acceptance.test_service import PATIENCE_S, Service
from tests.support.plant_servers import free_port

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def alarm_mail(sink: MailSink) -> str:
    """The text of the first alarm mail."""
    for _ in range(int(PATIENCE_S * 10)):
        for mail in sink.mails:
            body = mail.get_body(("plain",))
            if body is not None and "DANGER" in str(mail["Subject"]):
                return str(body.get_content())
        time.sleep(0.1)
    raise AssertionError(f"no alarm mail came, only {[str(mail['Subject']) for mail in sink.mails]}")


def test_the_link_in_a_mail_takes_the_alarm_and_the_shift_log_says_who(
    tmp_path: Path, database_url: str, browser: Browser
) -> None:
    port = free_port()
    url = f"http://127.0.0.1:{port}"
    with MailSink() as sink:
        service = Service(tmp_path, database_url, sink.port)
        service._environment |= {"UNDERWEIR_HTTP_PORT": str(port), "UNDERWEIR_PUBLIC_URL": url}
        service.start()
        try:
            answering(url)
            now = datetime.now(UTC)
            service.export("night", now - timedelta(minutes=20), [6.0, *[12.5] * 19])
            found = re.search(rf"{url}/a/\S+", alarm_mail(sink))
            assert found is not None
            page = browser.new_page(viewport={"width": 360, "height": 740}, has_touch=True)
            page.goto(found[0])
            assert "East clarifier" in page.inner_text("h1")
            assert page.evaluate("document.documentElement.scrollWidth") <= 360
            page.fill("#note", "on my way")
            page.click("button:has-text('I have it')")
            page.wait_for_selector("h1 >> text=Night operator (invented) has it")
            page.goto(found[0])  # again, as people do
            page.wait_for_selector("text=Night operator (invented) has it.")
            page.close()
        finally:
            service.end(signal.SIGTERM)
    site = (tmp_path / "site.toml").read_text("utf-8")
    command = Command(tmp_path, database_url)
    command.site.write_text(site, "utf-8")
    log = command("shift")
    assert "Night operator (invented) had it after" in log
    assert "(on my way)" in log
