"""The pages are a process of their own: whatever becomes of it, the watch goes on, and it ends with the watch."""

from __future__ import annotations

import signal
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import psutil
import pytest
from sqlalchemy import Engine, text

from service.demo.mail_sink import MailSink
from service.storage.database.session import transaction
from tests.acceptance.test_apply import site
from tests.support.plant_servers import free_port
from tests.support.service_process import PATIENCE_S, ServiceProcess

pytestmark = pytest.mark.slow


class Plant:
    """A running service with pages."""

    def __init__(self, folder: Path, database_url: str, mails: MailSink) -> None:
        self.folder, self.mails = folder, mails
        self.file = folder / "site.toml"
        self.file.write_text(site("east"), "utf-8")
        (folder / "drop").mkdir()
        self.node = ServiceProcess("n", folder, site_file=self.file, database_url=database_url, smtp_port=mails.port)
        self.url = f"http://127.0.0.1:{free_port()}"
        self.node.environment["UNDERWEIR_HTTP_PORT"] = self.url.rpartition(":")[2]
        self.start = datetime.now(UTC).replace(second=0, microsecond=0) - timedelta(minutes=230)

    @property
    def pages(self) -> psutil.Process:
        """The process that serves them."""
        assert self.node.process is not None
        [found] = [
            child
            for child in psutil.Process(self.node.process.pid).children()
            if "service.pages" in child.cmdline() and child.status() != psutil.STATUS_ZOMBIE
        ]
        return found

    def answer(self, path: str) -> int:
        with suppress(httpx.TransportError):
            return httpx.get(f"{self.url}{path}", timeout=30, verify=False).status_code
        return 0

    def until(self, done: Callable[[], bool], what: str) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while not done():
            assert time.monotonic() < deadline, f"{what}\n{self.node.log_file.read_text('utf-8')[-6000:]}"
            time.sleep(0.2)

    def export(self, name: str, after: int, heights: list[float]) -> None:
        rows = [
            f"{self.start + timedelta(minutes=after + i):%Y-%m-%dT%H:%M:%SZ},EAST_BLANKET,{height:.2f}"
            for i, height in enumerate(heights)
        ]
        unfinished = self.folder / "drop" / f"{name}.part"
        unfinished.write_text("\n".join(["time,tag,value", *rows]) + "\n", "utf-8")
        unfinished.rename(self.folder / "drop" / f"{name}.csv")

    def called(self) -> bool:
        return any("DANGER East" in str(mail["Subject"]) for mail in self.mails.mails)


@pytest.fixture
def plant(tmp_path: Path, database_url: str) -> Iterator[Plant]:
    with MailSink() as mails:
        made = Plant(tmp_path, database_url, mails)
        made.node.start()
        made.until(lambda: made.answer("/readyz") == 200, "the pages never came up")
        yield made
        if made.node.running:
            made.node.end(signal.SIGKILL)


def test_people_are_called_while_the_pages_hang_in_the_midst_of_a_change_and_after_they_were_killed(
    plant: Plant, engine: Engine
) -> None:
    watch = plant.node.process
    plant.export("calm", 0, [4.0 + i / 100 for i in range(30)])
    plant.until(lambda: any(line["event"] == "estimated" for line in plant.node.log()), "nothing was estimated")
    first = plant.pages
    first.send_signal(signal.SIGSTOP)
    plant.export("storm", 30, [4.3 + 0.04 * i for i in range(200)])
    plant.until(plant.called, "nobody was called while the pages hang")
    plant.until(lambda: not first.is_running(), "pages that hang are left alone")
    plant.until(lambda: plant.answer("/readyz") == 200, "the pages never came back")
    plant.pages.kill()
    plant.until(lambda: plant.answer("/readyz/alarms") == 200, "the pages never came back")
    assert plant.node.process is watch
    assert plant.node.running
    plant.until(lambda: _failures(engine) > 0, "nobody wrote down that the pages were down")
    pages = plant.pages
    assert plant.node.end() == 0
    assert not pages.is_running()
    assert plant.node.log()[-1]["event"] == "stopped"


def test_the_pages_end_with_the_watch_and_the_next_one_has_its_port_back(plant: Plant) -> None:
    pages = plant.pages
    pages.send_signal(signal.SIGSTOP)
    assert plant.node.end(signal.SIGKILL) == -signal.SIGKILL
    plant.until(lambda: not pages.is_running() or pages.status() == psutil.STATUS_ZOMBIE, "the pages outlive the watch")
    plant.node.start()
    plant.until(lambda: plant.answer("/readyz") == 200, "the port is still taken")


def _failures(engine: Engine) -> int:
    with transaction(engine) as conn:
        return int(
            conn.execute(text("SELECT coalesce(sum(failures), 0) FROM job_run WHERE job = 'pages'")).scalar_one()
        )
