"""The service stops when it is told to, whichever of its threads the signal reaches."""

from __future__ import annotations

import ctypes
import os
import signal
from pathlib import Path

import pytest

from tests.acceptance.test_service import SITE
from tests.support.postgres_servers import wait_for
from tests.support.service_process import PATIENCE_S, ServiceProcess

SYS_TGKILL = {"x86_64": 234, "aarch64": 131}.get(os.uname().machine)


@pytest.mark.skipif(SYS_TGKILL is None, reason="the number of tgkill is not known for this processor")
def test_a_signal_that_reaches_another_thread_stops_it_too(tmp_path: Path, database_url: str) -> None:
    (tmp_path / "drop").mkdir()
    (tmp_path / "site.toml").write_text(SITE, "utf-8")
    node = ServiceProcess("north", tmp_path, site_file=tmp_path / "site.toml", database_url=database_url, smtp_port=1)
    node.start()
    try:
        wait_for(lambda: any(line["event"] == "watching" for line in node.log()), node.log_file.read_text(), PATIENCE_S)
        assert node.process is not None
        other = max(int(name) for name in os.listdir(f"/proc/{node.process.pid}/task"))
        assert other != node.process.pid
        assert ctypes.CDLL(None).syscall(SYS_TGKILL, node.process.pid, other, int(signal.SIGTERM)) == 0
        assert node.process.wait(PATIENCE_S) == 0
    finally:
        if node.running:
            node.end(signal.SIGKILL)
    assert node.log()[-1]["event"] == "stopped"
