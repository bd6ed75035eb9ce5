"""A person's word stands: the service as a process, cores typed as commands, and the mails that come of them."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.acceptance.test_commands import Command
from tests.support.mail_server import Mailbox, mail_server

SITE = """\
[site]
name = "Invented Creek Works"
units = "us"
time_zone = "UTC"

[[tank]]
key = "south"
label = "South clarifier"
kind = "secondary"
shape = "circular"
diameter = 80
side_water_depth = 14
core_position = "1/3"

[[signal]]
tag = "SOUTH_A"
kind = "blanket"
tank = "south"
unit = "ft"
measures = "height"
zero_height = 0
low = 0
high = 14
stale_after = "4 h"

[[signal]]
tag = "SOUTH_B"
kind = "blanket"
tank = "south"
unit = "ft"
measures = "height"
zero_height = 0
low = 0
high = 14
stale_after = "4 h"

[[connector]]
key = "export"
kind = "csv"
folder = "drop"

[[alarm]]
kind = "high-high"
clearance = 4
on_delay = "0 s"
off_delay = "0 s"

[[alarm]]
kind = "high"
enabled = false

[[alarm]]
kind = "core overdue"
enabled = false

[[contact]]
name = "Night operator (invented)"
email = "night@example.org"
"""
PATIENCE_S = 240.0


class Night:
    """A running service, its mails, and somebody who types."""

    def __init__(self, underweir: Command, mailbox: Mailbox) -> None:
        self.type = underweir
        self.mailbox = mailbox

    def mail(self, word: str, number: int = 1) -> str:
        """The text of the last mail whose subject begins with the word, once there are so many; spaces made single."""
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            found = [mail for mail in self.mailbox.mails if str(mail["Subject"]).strip().startswith(word)]
            if len(found) >= number:
                part = found[-1].get_body(("plain",))
                assert part is not None
                return " ".join(str(part.get_content()).split())
            time.sleep(0.2)
        raise AssertionError(f"no {word} among {self.mailbox.subjects}")


@contextmanager
def night(folder: Path, database_url: str, hours: float = 2.0) -> Iterator[Night]:
    """Both sensors have said 2.5 ft for some hours."""
    mailbox = Mailbox()
    with mail_server(mailbox) as port:
        underweir = Command(folder, database_url)
        underweir.site.write_text(SITE, "utf-8")
        (folder / "drop").mkdir()
        for name, value in (
            ("SMTP_HOST", "127.0.0.1"),
            ("SMTP_PORT", str(port)),
            ("SMTP_SECURITY", "none"),
            ("SMTP_FROM", "underweir@example.org"),
            ("HTTP_PORT", "0"),
        ):
            underweir.set(f"UNDERWEIR_{name}", value)
        now = datetime.now(UTC)
        rows = [
            f"{now - timedelta(minutes=m):%Y-%m-%dT%H:%M:%SZ},{tag},{2.5 + 0.01 * (m % 3)}"
            for m in range(int(hours * 60), 0, -1)
            for tag in ("SOUTH_A", "SOUTH_B")
        ]
        file = folder / "night.csv"
        file.write_text("\n".join(["time,tag,value", *rows]) + "\n")
        underweir.apply()
        underweir("ingest", "--connector", "export", str(file))
        with (folder / "service.log").open("ab") as log:
            service = subprocess.Popen(
                [sys.executable, "-m", "service", "run"], env=underweir.environment, stdout=log, stderr=log
            )
        try:
            yield Night(underweir, mailbox)
        finally:
            service.send_signal(signal.SIGTERM)
            service.wait(timeout=120)


@pytest.mark.slow
def test_solids_over_the_weir_typed_in_is_a_danger_until_a_round_says_otherwise(
    tmp_path: Path, database_url: str
) -> None:
    with night(tmp_path, database_url) as watch:
        watch.type(
            "core", "add", "south", "2 ft", "--fluff", "11 ft", "--surface", "solids over the weir", "--by", "Kim"
        )
        told = watch.mail("DANGER South clarifier: solids over weir, seen by Kim")
        assert "do not trust it" in told
        assert "is reliable" not in told
        status = watch.type("status")
        assert "solids over weir, seen by Kim" in status
        assert " good " not in status.splitlines()[1]
        watch.type("core", "add", "south", "2 ft", "--surface", "clear", "--by", "Lee", "--yes")
        over = watch.mail("CLEARED South clarifier: danger over")
        assert "Cleared by hand core by Lee" in over


@pytest.mark.slow
def test_a_confirmed_core_beside_sensors_that_contradict_it_stays_a_danger(tmp_path: Path, database_url: str) -> None:
    with night(tmp_path, database_url) as watch:
        taken = datetime.now(UTC) - timedelta(minutes=45)
        added = watch.type.json(
            "core", "add", "south", "11.5 ft", "--at", f"{taken:%Y-%m-%d %H:%M}", "--by", "Kim", "--yes"
        )
        told = watch.mail("DANGER South clarifier: hand core by Kim")
        assert "It counts until another core, or two sensors that agree" in told
        watch.type("core", "withdraw", added["id"], "--reason", "wrong tank", "--by", "Kim")
        over = watch.mail("CLEARED South clarifier: danger over, core of")
        assert "which was withdrawn by Kim (wrong tank)" in over
