"""Whatever is ended by SIGTERM takes its database servers down with it."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

pytestmark = pytest.mark.timeout(1200)


def servers_of(command: psutil.Process) -> list[psutil.Process]:
    """Every process of PostgreSQL that a command has started, and theirs."""
    found = []
    for process in command.children(recursive=True):
        try:
            if process.name() == "postgres":
                found.append(process)
        except psutil.NoSuchProcess:  # gone this very moment
            continue
    return found


@pytest.mark.parametrize(
    "command",
    [
        ["tests.benchmarks.alarm_nights", "--nights", "100000"],
        ["tests.benchmarks.ingest", "--rows", "200000", "--rounds", "1000"],
        pytest.param(["tests.faults", "--rounds", "3"], marks=pytest.mark.postgresql),
    ],
    ids=lambda command: str(command[0]),
)
def test_sigterm_leaves_no_server_behind(command: list[str]) -> None:
    asked = subprocess.Popen([sys.executable, "-m", *command], cwd=Path(__file__).parents[3], stdout=subprocess.DEVNULL)
    try:
        seen: list[psutil.Process] = []
        while len(seen) < 4:  # the postmaster and what it starts once it is up
            assert asked.poll() is None
            time.sleep(0.05)
            seen = servers_of(psutil.Process(asked.pid))
        asked.send_signal(signal.SIGTERM)
        asked.send_signal(signal.SIGTERM)
        assert asked.wait(timeout=300) == 128 + signal.SIGTERM
        _gone, left = psutil.wait_procs(seen, timeout=120)
        assert left == []
    finally:
        if asked.poll() is None:
            for process in servers_of(psutil.Process(asked.pid)):
                process.kill()
            asked.kill()
            asked.wait()
