"""A command that is told to end takes down what it started."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import psutil
import pytest

pytestmark = pytest.mark.slow


def servers_in(folder: Path) -> list[int]:
    found = []
    for process in psutil.process_iter(["pid", "cmdline"]):
        if any(word.startswith(str(folder)) for word in process.info["cmdline"] or ()):
            found.append(process.info["pid"])
    return found


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_demo_that_is_stopped_leaves_no_server_behind(data_dir: Path, tmp_path: Path, number: signal.Signals) -> None:
    command = [sys.executable, "-m", "service", "demo", "--folder", str(tmp_path / "shown")]
    with subprocess.Popen(
        command,
        env={**os.environ, "TMPDIR": str(data_dir)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # Whoever runs the tests may have us ignore some of these, and children inherit that.
        preexec_fn=lambda: signal.signal(number, signal.SIG_DFL),
    ) as demo:
        assert demo.stdout is not None
        assert demo.stderr is not None
        while "hand cores typed in" not in demo.stdout.readline():
            assert demo.poll() is None, demo.stderr.read()
        assert [pid for pid in servers_in(data_dir) if pid != demo.pid]
        demo.send_signal(number)
        _, complaints = demo.communicate(timeout=600)
    assert demo.returncode == 130, complaints
    assert complaints.endswith("underweir: stopped\n")
    assert "Traceback" not in complaints
    assert servers_in(data_dir) == []
