"""A backup of a plant in the middle of an alarm, restored on an embedded database elsewhere: the service goes on, and calls nobody twice."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from service.demo.mail_sink import MailSink
from tests.acceptance.test_service import Service, _subjects, _wait


@pytest.fixture
def mails() -> Iterator[MailSink]:
    with MailSink() as sink:
        yield sink


class Home:
    """One machine's installation with the embedded database, all in one folder."""

    def __init__(self, folder: Path, mails: MailSink) -> None:
        folder.mkdir(mode=0o711)
        self.service = Service(folder, "", mails.port)
        del self.service._environment["UNDERWEIR_DATABASE_URL"]

    def command(self, *words: str, status: int = 0) -> Any:
        environment = {**self.service._environment, "PYTHONPATH": os.pathsep.join(sys.path)}
        done = subprocess.run(
            [sys.executable, "-m", "service", *words, "--json"],
            env=environment,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert done.returncode == status, done.stdout + done.stderr
        return json.loads(done.stdout) if done.stdout else done.stderr


@pytest.mark.slow
def test_the_restored_service_goes_on_and_calls_nobody_twice(data_dir: Path, mails: MailSink) -> None:
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    first, second = Home(data_dir / "first", mails), Home(data_dir / "second", mails)
    try:
        first.service.start()
        first.service.export("calm", now - timedelta(minutes=230), [4.0 + i / 100 for i in range(30)])
        _wait(lambda: any(line["event"] == "estimated" for line in first.service.log()), first.service)
        first.service.export("storm", now - timedelta(minutes=200), [4.3 + 0.04 * i for i in range(200)])
        _wait(lambda: any("DANGER" in subject for subject in _subjects(mails)), first.service)
        made = first.command("backup", str(data_dir / "backups"))  # while it runs
        assert first.service.end(signal.SIGTERM) == 0
        said = first.command("alarms", status=1)

        # A machine with a key of its own.
        assert "another secret key" in second.command("restore", made["file"], status=1)
        key = data_dir / "first" / "data" / "secret.key"
        shutil.copy(key, data_dir / "second" / "data" / "secret.key")
        restored = second.command("restore", made["file"])
        assert sum(restored["rows"].values()) == made["rows"] > 200
        assert second.command("alarms", status=1) == said

        mailed = len(mails.mails)
        second.service.start()
        second.service.export("after", now + timedelta(minutes=1), [12.31, 12.32])
        _wait(lambda: any(line["event"] == "estimated" for line in second.service.log()), second.service)
        assert second.service.end(signal.SIGTERM) == 0
        assert len(mails.mails) == mailed, _subjects(mails)
        assert not [line for line in second.service.log() if line["level"] in ("error", "critical")]
    finally:
        for home in (first, second):
            process = home.service._process
            if process is not None and process.poll() is None:
                home.service.end(signal.SIGKILL)
