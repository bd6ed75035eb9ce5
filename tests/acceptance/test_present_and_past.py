"""Old readings brought in beside a tank that rises: whoever is due to be called is called all the same.

The past is held up while the tank rises, so that the test needs neither half a year of it nor luck: whatever the present waited
for would never come.
"""

from __future__ import annotations

import math
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import uuid4

import pytest
from sqlalchemy import Engine, text

from service.demo.mail_sink import MailSink
from service.domain.operations.lease import PAST, TERM_S
from service.storage.database.session import transaction
from service.storage.operations.leases import Holder, create_leases, release, renew
from tests.acceptance.test_service import SITE
from tests.support.service_process import ServiceProcess

#: As for a plant that stands near the weir: called at once.
PROMPT = (
    SITE.replace('on_delay = "5 s"', 'on_delay = "0 s"')
    + '\n[reports]\nto = ["Night operator (invented)"]\ndaily = "00:01"\n'
)
#: More than fits between two looks at the alarms, in several pieces.
DAYS = 20
PATIENCE_S = 900.0

#: How the past stands: whether some is still to come, and where it has come to.
_PAST = text("SELECT past_from FROM recompute WHERE past_from IS NOT NULL")


class PastElsewhere:
    """Another node, which has the past and never comes to an end with it."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.node = Holder(node="elsewhere", node_name="slow node", process=str(uuid4()))
        self.asked = threading.Event()
        with transaction(engine) as conn:
            create_leases(conn, [PAST])
        assert self.renewed()
        self.thread = threading.Thread(target=self.keep, daemon=True)
        self.thread.start()

    def renewed(self) -> bool:
        with transaction(self.engine) as conn:
            return PAST in renew(conn, self.node, [PAST], 1.8 * TERM_S)  # twice the term would be no lease of ours

    def keep(self) -> None:
        while not self.asked.wait(1.0):
            assert self.renewed(), "the past went to somebody else"

    def end(self) -> None:
        """It gives the work up."""
        self.asked.set()
        self.thread.join()
        # What it has not got any more, giving up leaves alone.
        with transaction(self.engine) as conn:
            release(conn, self.node)


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


@pytest.fixture
def slow(plant: Plant) -> Iterator[PastElsewhere]:
    node = PastElsewhere(plant.engine)
    yield node
    node.end()


@pytest.mark.slow
def test_old_readings_do_not_keep_the_alarms_from_a_tank_that_rises(
    plant: Plant, mails: MailSink, slow: PastElsewhere
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
        assert ingest.wait(PATIENCE_S) == 0
        begun = plant.past()
        storm = [4.0 + 0.125 * i for i in range(60)]  # to within 2.6 ft of the weir
        plant.write(plant.folder / "drop" / "storm.csv", now - timedelta(minutes=60), storm)
        plant.wait("danger is called", lambda: any("DANGER" in str(mail["Subject"]) for mail in mails.mails))
        assert plant.past() == begun, "a look at the alarms worked on the past"
        # What is believed now goes by the storm, and says so of the past: the board is not shown as if all were known.
        status = subprocess.run(
            [sys.executable, "-m", "service", "status"], env=plant.service.environment, capture_output=True, text=True
        )
        assert "is being estimated again" in status.stdout

    # The past goes on where it was, also after a kill in the middle of it.
    slow.end()
    plant.wait("the past goes on", lambda: (at := plant.past()) is None or at > old + timedelta(days=2))
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
