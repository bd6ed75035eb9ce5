"""``underweir watch-over``: it ends with 1 when a service is silent, and somebody has a mail."""

from __future__ import annotations

import os
import subprocess

from tests.support.command_line import run_command
from tests.support.http_gateway import http_gateway
from tests.support.mail_server import Mailbox, mail_server


def watch_over(port: int, *words: str) -> subprocess.CompletedProcess[str]:
    environment = {
        **os.environ,
        "UNDERWEIR_SMTP_HOST": "127.0.0.1",
        "UNDERWEIR_SMTP_PORT": str(port),
        "UNDERWEIR_SMTP_SECURITY": "none",
        "UNDERWEIR_SMTP_FROM": "watcher@example.org",
    }
    return run_command(environment, "watch-over", *words)


def test_once() -> None:
    mailbox = Mailbox()
    with mail_server(mailbox) as port, http_gateway() as well, http_gateway() as ill:
        ill.status = 503
        done = watch_over(port, well.url, ill.url, "--to", "night@example.org", "--once")
        assert done.returncode == 1, done.stderr
        assert done.stdout.splitlines() == [f"{well.url}: answers", f"{ill.url}: silent, it answers 503"]
        assert len(mailbox.subjects) == 1
        assert watch_over(port, well.url, "--to", "night@example.org", "--once").returncode == 0
        wrong = watch_over(port, well.url, "--to", "+15550100199", "--once")
        assert wrong.returncode == 2
        assert "set --gateway FILE" in wrong.stderr
