"""Every command as a process of its own: what it loads by itself is all it needs, and its output and exit status are the system's."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from service.cli.app import PARTS
from tests.acceptance.test_commands import EXAMPLE


def underweir(*words: str, **settings: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "service", *words]
    return subprocess.run(command, env={**os.environ, **settings}, capture_output=True, text=True, check=False)


@pytest.mark.slow
@pytest.mark.parametrize("command", [commands[0] for commands in PARTS.values()])
def test_a_command_loads_what_it_needs_by_itself(command: str) -> None:
    done = underweir(command, "--help")
    assert done.returncode == 0, done.stderr
    assert f"underweir {command}" in done.stdout.replace("python -m service", "underweir")
    assert done.stderr == ""


def test_results_and_errors_go_to_streams_and_statuses_of_their_own(tmp_path: Path, database_url: str) -> None:
    site = tmp_path / "site.toml"
    site.write_text(EXAMPLE.read_text("utf-8"), "utf-8")
    settings = {
        "UNDERWEIR_DATABASE_URL": database_url,
        "UNDERWEIR_DATA_DIR": str(tmp_path / "data"),
        "UNDERWEIR_SITE_FILE": str(site),
    }
    well = underweir("check", str(site))
    assert (well.returncode, well.stderr) == (0, "")
    assert "no mistakes found" in well.stdout
    applied = underweir("apply", "--yes", **settings)
    assert applied.returncode == 0, applied.stderr
    stored = underweir("core", "add", "east", "3.4 ft", "--json", **settings)
    assert (stored.returncode, stored.stderr) == (0, "")
    refused = underweir("core", "add", "east", "30 ft", "--yes", **settings)
    assert (refused.returncode, refused.stdout) == (1, "")
    assert "not stored" in refused.stderr
    misused = underweir("no-such-command")
    assert (misused.returncode, misused.stdout) == (2, "")
    assert "no-such-command" in misused.stderr
