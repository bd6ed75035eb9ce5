"""The service as a process of its own: a file dropped becomes a mail, whatever kills it on the way."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psutil
import pytest
from sqlalchemy import Engine, text

from service.demo.mail_sink import MailSink
from service.storage.database.session import transaction

SITE = """\
[site]
name = "Invented Creek Works"
units = "us"
time_zone = "America/New_York"

[[tank]]
key = "east"
label = "East clarifier"
kind = "secondary"
shape = "circular"
diameter = 80
side_water_depth = 14
core_position = "1/3"

[[signal]]
tag = "EAST_BLANKET"
kind = "blanket"
tank = "east"
unit = "ft"
measures = "height"
zero_height = 0
distance_from_wall = 20
low = 0
high = 14
stale_after = "2 h"

[[connector]]
key = "export"
kind = "csv"
folder = "drop"
settle = "0 s"

[[alarm]]
kind = "high"
clearance = 5
deadband = 0.5
on_delay = "5 s"
off_delay = "1 min"

[[alarm]]
kind = "high-high"
clearance = 3
deadband = 0.5
on_delay = "5 s"
off_delay = "1 min"

[[alarm]]
kind = "core overdue"
enabled = false

[[contact]]
name = "Night operator (invented)"
email = "night@example.org"
"""

PATIENCE_S = 300.0


class Service:
    """``underweir run`` in a folder of its own."""

    def __init__(self, folder: Path, database_url: str, smtp_port: int) -> None:
        self.drop = folder / "drop"
        self.drop.mkdir(exist_ok=True)
        (folder / "site.toml").write_text(SITE, "utf-8")
        self._log = folder / "service.log"
        self._environment = {
            **os.environ,
            "UNDERWEIR_DATABASE_URL": database_url,
            "UNDERWEIR_DATA_DIR": str(folder / "data"),
            "UNDERWEIR_SITE_FILE": str(folder / "site.toml"),
            "UNDERWEIR_SMTP_HOST": "127.0.0.1",
            "UNDERWEIR_SMTP_PORT": str(smtp_port),
            "UNDERWEIR_SMTP_SECURITY": "none",
            "UNDERWEIR_SMTP_FROM": "underweir@example.org",
            "UNDERWEIR_HTTP_PORT": "0",
        }
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "service", "run"], env=self._environment, stdout=log, stderr=log
            )

    def end(self, number: signal.Signals) -> int:
        assert self._process is not None
        self._process.send_signal(number)
        return self._process.wait(timeout=PATIENCE_S)

    def log(self) -> list[dict[str, object]]:
        return [json.loads(line) for line in self._log.read_text("utf-8").splitlines()]

    def export(self, name: str, start: datetime, heights: list[float]) -> None:
        """Write a file as another system would: under another name first, then renamed."""
        rows = [
            f"{start + timedelta(minutes=i):%Y-%m-%dT%H:%M:%SZ},EAST_BLANKET,{height:.2f}"
            for i, height in enumerate(heights)
        ]
        unfinished = self.drop / f"{name}.part"
        unfinished.write_text("\n".join(["time,tag,value", *rows]) + "\n", "utf-8")
        unfinished.rename(self.drop / f"{name}.csv")


@pytest.fixture
def mails() -> Iterator[MailSink]:
    with MailSink() as sink:
        yield sink


@pytest.fixture
def service(tmp_path: Path, database_url: str, mails: MailSink) -> Iterator[Service]:
    made = Service(tmp_path, database_url, mails.port)
    yield made
    if made._process is not None and made._process.poll() is None:
        made.end(signal.SIGKILL)


def _wait(for_what: Callable[[], bool], service: Service) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not for_what():
        if time.monotonic() > deadline:
            pytest.fail(f"it did not happen; the service said:\n{service._log.read_text('utf-8')[-6000:]}")
        time.sleep(0.2)


def _subjects(mails: MailSink) -> list[str]:
    return [str(mail["Subject"]) for mail in mails.mails]


def _stored(engine: Engine) -> int:
    with transaction(engine) as conn:
        return int(conn.execute(text("SELECT count(*) FROM reading")).scalar_one())


def test_a_dropped_file_becomes_an_alarm_mail(service: Service, mails: MailSink, engine: Engine) -> None:
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    service.start()
    service.export("calm", now - timedelta(minutes=230), [4.0 + i / 100 for i in range(30)])
    _wait(lambda: _stored(engine) == 30, service)
    _wait(lambda: any(line["event"] == "estimated" for line in service.log()), service)
    service.export("storm", now - timedelta(minutes=200), [4.3 + 0.04 * i for i in range(200)])  # 2.4 ft/h
    _wait(lambda: any("DANGER" in subject for subject in _subjects(mails)), service)
    danger = next(mail for mail in mails.mails if "DANGER" in str(mail["Subject"]))
    assert danger["To"] == "night@example.org"
    assert danger["Auto-Submitted"] == "auto-generated"
    assert "East clarifier" in str(danger["Subject"])
    assert service.end(signal.SIGTERM) == 0
    events = [line["event"] for line in service.log()]
    assert events[-1] == "stopped"
    assert not [line for line in service.log() if line["level"] in ("error", "critical")]
    assert sorted(path.name for path in (service.drop / "processed").iterdir()) == ["calm.csv", "storm.csv"]


def _bomb(path: Path) -> None:
    """An archive of 150 kB that unfolds to a gigabyte at once."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_LZMA) as archive, archive.open("readings.csv", "w") as member:
        for _ in range(32):
            member.write(bytes(32 << 20))


def _reader(service: Service) -> psutil.Process | None:
    assert service._process is not None
    found = psutil.Process(service._process.pid).children(recursive=True)
    return next((child for child in found if any("reader_child" in word for word in child.cmdline())), None)


@pytest.mark.slow
def test_a_file_that_ends_its_reader_stops_no_call_and_one_that_hangs_does_not_hold_up_the_stop(
    service: Service, mails: MailSink, engine: Engine, tmp_path: Path
) -> None:
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    _bomb(tmp_path / "bomb")
    service.start()
    service.export("calm", now - timedelta(minutes=230), [4.0 + i / 100 for i in range(30)])
    _wait(lambda: _stored(engine) == 30, service)
    (tmp_path / "bomb").rename(service.drop / "evil.csv.zip")  # older than the file that follows, so it is read first
    service.export("storm", now - timedelta(minutes=200), [4.3 + 0.04 * i for i in range(200)])
    _wait(lambda: any("DANGER" in subject for subject in _subjects(mails)), service)
    _wait((service.drop / "quarantine/evil.csv.zip").is_file, service)
    assert "of memory" in (service.drop / "quarantine/evil.csv.zip.reason.txt").read_text()
    _wait(lambda: not list(service.drop.glob("*.csv*")), service)
    assert len([line for line in service.log() if line["event"] == "a file ended its reader"]) == 1

    reader = _reader(service)
    assert reader is not None
    reader.suspend()
    service.export("last", now, [9.0])
    note = tmp_path / "data/spool/export.reading"
    _wait(note.exists, service)
    assert service.end(signal.SIGTERM) == 0
    assert not reader.is_running() or reader.status() == psutil.STATUS_ZOMBIE
    assert (service.drop / "last.csv").is_file()  # nobody blames it
    assert not note.exists()


@pytest.mark.slow
def test_killed_again_and_again_it_loses_nothing_and_mails_at_most_once_more_per_kill(
    service: Service, mails: MailSink, engine: Engine
) -> None:
    rng = random.Random(20260314)
    start = datetime.now(UTC).replace(second=0, microsecond=0) - timedelta(hours=4)
    files, each, kills = 8, 25, 4
    heights = [4.0 + 8.0 * i / (files * each) for i in range(files * each)]
    service.start()
    for number in range(files):
        first = number * each
        service.export(f"part-{number}", start + timedelta(minutes=first), heights[first : first + each])
        time.sleep(rng.uniform(0.5, 3.0))
        if number % 2:
            service.end(signal.SIGKILL)
            service.start()
    _wait(lambda: _stored(engine) == files * each, service)
    _wait(lambda: any("DANGER" in subject for subject in _subjects(mails)), service)
    _wait(lambda: not list(service.drop.glob("*.csv")), service)
    assert service.end(signal.SIGTERM) == 0
    with transaction(engine) as conn:
        batches = conn.execute(text("SELECT sum(accepted), sum(duplicate), sum(revised) FROM batch")).one()
        waiting = conn.execute(text("SELECT count(*) FROM outbox WHERE status <> 'sent'")).scalar_one()
        keys = conn.execute(text("SELECT count(*) FROM outbox")).scalar_one()
    assert tuple(batches) == (files * each, 0, 0)
    assert waiting == 0
    sent = Counter(str(mail["Message-ID"]) for mail in mails.mails)
    assert len(sent) == keys
    assert sum(count - 1 for count in sent.values()) <= kills
