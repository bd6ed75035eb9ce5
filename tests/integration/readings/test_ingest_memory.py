"""A file larger than what is held at once goes through in bounded memory."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.benchmarks.ingest import write_files

ROWS = 500_000


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="only Linux tells a process's peak memory")
def test_half_a_million_rows_in_less_than_300_mb(engine: Engine, tmp_path: Path) -> None:
    write_files(tmp_path, ROWS)
    url = engine.url.set(drivername="postgresql").render_as_string(hide_password=False)
    command = [sys.executable, "-m", "tests.benchmarks.ingest", "--rows", str(ROWS)]
    done = subprocess.run(
        [*command, "--one", "whole path", url, str(tmp_path)], check=True, capture_output=True, text=True, timeout=240
    )
    figures = json.loads(done.stdout.splitlines()[-1])
    assert figures["rows"] == ROWS
    assert figures["peak_mb"] < 300.0
