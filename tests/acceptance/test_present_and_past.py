"""Half a year of old readings brought in beside a tank that rises: whoever is due to be called is called all the same."""

from __future__ import annotations

import math
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from service.demo.mail_sink import MailSink
from service.storage.session import transaction
from tests.acceptance.test_service import SITE
from tests.service_process import ServiceProcess

#: As for a plant that stands near the weir: called at once.
PROMPT = (
    SITE.replace('on_delay = "5 s"', 'on_delay = "0 s"')
    + '\n[reports]\nto = ["Night operator (invented)"]\ndaily = "00:01"\n'
)
DAYS = 182
PATIENCE_S = 900.0

#: How the past stands: whether some is still to come, and where it has come to.
_PAST = text("SELECT past_from FROM recompute WHERE past_from IS NOT NULL")


class Plant:
    """The service on its folder, and what it stored."""

    def __init__(self, folder: Path, service: ServiceProcess, engine: Engine) -> None:
        self.folder, self.service, self.engine = folder, service, engine

    def wait(self, what: str, happened: Callable[[], bool]) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while not happened():
            if time.monotonic() > deadline:
                pytest.fail(f"{what}: it did not happen; the service said:\n{self.service.log()[-30:]}")
            time.sleep(0.1)

    def ask(self, statement: str) -> int:
        with transaction(self.engine) as conn:
            return int(conn.execute(text(statement)).scalar_one() or 0)

    def past(self) -> datetime | None:
        with transaction(self.engine) as conn:
            return conn.execute(_PAST).scalar_one_or_none()

    def write(self, file: Path, start: datetime, heights: list[float]) -> None:
        rows = (
            f"{start + timedelta(minutes=i):%Y-%m-%dT%H:%M:%SZ},EAST_BLANKET,{height:.2f}"
            for i, height in enumerate(heights)
        )
        unfinished = file.with_suffix(".part")
        unfinished.write_text("\n".join(["time,tag,value", *rows]) + "\n", "utf-8")
        unfinished.rename(file)


@pytest.fixture
def mails() -> Iterator[MailSink]:
    with MailSink() as sink:
        yield sink


@pytest.fixture
def plant(tmp_path: Path, database_url: str, engine: Engine, mails: MailSink) -> Iterator[Plant]:
    (tmp_path / "drop").mkdir()
    site = tmp_path / "site.toml"
    site.write_text(PROMPT, "utf-8")
    service = ServiceProcess("node", tmp_path, site_file=site, database_url=database_url, smtp_port=mails.port)
    yield Plant(tmp_path, service, engine)
    if service.running:
        service.end(signal.SIGKILL)


def test_half_a_year_of_old_readings_does_not_keep_the_alarms_from_a_tank_that_rises(
    plant: Plant, mails: MailSink
) -> None:
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    history = [6.0 + 2.0 * math.sin(i / 700.0) + 0.03 * (i % 3) for i in range(DAYS * 24 * 60)]
    old = now - timedelta(days=DAYS, hours=6)
    plant.write(plant.folder / "history.csv", old, history)
    calm = [4.0 + 0.02 * (i % 2) for i in range(180)]
    plant.write(plant.folder / "drop" / "calm.csv", now - timedelta(minutes=240), calm)
    plant.service.start()
    plant.wait("the calm is believed", lambda: plant.ask("SELECT count(*) FROM estimate") == len(calm))
    plant.wait("the alarms were looked at", lambda: plant.ask("SELECT count(*) FROM alarm_event") > 0)

    command = [sys.executable, "-m", "service", "ingest", str(plant.folder / "history.csv")]
    with subprocess.Popen(command, env=plant.service.environment, stdout=subprocess.DEVNULL) as ingest:
        plant.wait("the history comes in", lambda: plant.past() is not None)
        storm = [4.0 + 0.125 * i for i in range(60)]  # to within 2.6 ft of the weir
        plant.write(plant.folder / "drop" / "storm.csv", now - timedelta(minutes=60), storm)
        plant.wait("danger is called", lambda: any("DANGER" in str(mail["Subject"]) for mail in mails.mails))
        reached = plant.past()
        assert reached is not None, (
            "the past was over before danger was called: it called after it, or there is too little of it"
        )
        assert ingest.wait(PATIENCE_S) == 0

    # The past goes on where it was, also after a kill in the middle of it.
    plant.wait("the past goes on", lambda: (at := plant.past()) is None or at > old + timedelta(days=10))
    plant.service.end(signal.SIGKILL)
    plant.service.start()
    plant.wait("the past has arrived", lambda: plant.past() is None)
    plant.wait("everything is estimated", lambda: plant.ask("SELECT count(*) FROM estimate") == len(history) + 240)
    assert plant.service.end() == 0
    assert plant.ask("SELECT count(*) FROM estimate WHERE trust = 'blind' AND time > now() - interval '5 h'") == 0
    subjects = [str(mail["Subject"]) for mail in mails.mails]
    # Neither "blind", nor old alarms of the past, nor a report of days on which nobody watched.
    assert all("DANGER" in subject or "WARNING" in subject for subject in subjects), subjects
    assert plant.ask("SELECT count(*) FROM alarm_event e WHERE at < now() - interval '5 h'") == 0
    assert [line for line in plant.service.log() if line["level"] in ("error", "critical")] == []
