"""``underweir run`` as a process of its own, on one node, with its log."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

PATIENCE_S = 300.0


class ServiceProcess:
    """One node. Its data folder and log are its own; site file, database and mail server may be shared."""

    def __init__(self, name: str, folder: Path, *, site_file: Path, database_url: str, smtp_port: int) -> None:
        self.name = name
        self.data = folder / f"{name}-data"
        self.log_file = folder / f"{name}.log"
        self.environment = {
            **os.environ,
            "UNDERWEIR_NODE_NAME": name,
            "UNDERWEIR_DATABASE_URL": database_url,
            "UNDERWEIR_DATA_DIR": str(self.data),
            "UNDERWEIR_SITE_FILE": str(site_file),
            "UNDERWEIR_HTTP_PORT": "0",
            "UNDERWEIR_SECRET_KEY": "the same on every node, and long enough",
            "UNDERWEIR_SMTP_HOST": "127.0.0.1",
            "UNDERWEIR_SMTP_PORT": str(smtp_port),
            "UNDERWEIR_SMTP_SECURITY": "none",
            "UNDERWEIR_SMTP_FROM": "underweir@example.org",
            "UNDERWEIR_SMTP_TIMEOUT": "5",
        }
        self.process: subprocess.Popen[bytes] | None = None
        #: Whether it is meant to run: one that ended by itself is started again, as systemd and compose do.
        self.wanted = False
        self.started_again = 0

    def start(self) -> None:
        """Start it, or start it again."""
        self.wanted = True
        with self.log_file.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "service", "run"], env=self.environment, stdout=log, stderr=log
            )

    @property
    def running(self) -> bool:
        """Whether the process lives."""
        return self.process is not None and self.process.poll() is None

    def keep_running(self) -> None:
        """Start it again where it ended although nobody ended it."""
        if self.wanted and not self.running:
            self.started_again += 1
            self.start()

    def send(self, number: signal.Signals) -> None:
        """Send a signal, if it lives."""
        if number in (signal.SIGTERM, signal.SIGKILL):
            self.wanted = False
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(number)

    def end(self, number: signal.Signals = signal.SIGTERM) -> int:
        """End it and return its exit status."""
        assert self.process is not None
        self.send(signal.SIGCONT)
        self.send(number)
        self.wanted = False
        return self.process.wait(timeout=PATIENCE_S)

    def log(self) -> list[dict[str, object]]:
        """What it said, a dictionary a line; a line cut short by a kill is left out."""
        if not self.log_file.is_file():
            return []
        lines: list[dict[str, object]] = []
        for line in self.log_file.read_text("utf-8", "replace").splitlines():
            try:
                lines.append(json.loads(line))
            except ValueError:
                continue
        return lines
