"""A plugin of the recording run: how long each test took that passed."""

from __future__ import annotations

import json
import os
from collections import defaultdict
from pathlib import Path

import pytest

_times: dict[str, float] = defaultdict(float)
_not_passed: set[str] = set()


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Add one phase of a test."""
    _times[report.nodeid] += report.duration
    if not report.passed:
        _not_passed.add(report.nodeid)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Write them down; workers leave that to who collects their reports."""
    if not hasattr(session.config, "workerinput"):
        passed = {test: round(took, 4) for test, took in _times.items() if test not in _not_passed}
        Path(os.environ["SABOTAGE_TIMES"]).write_text(json.dumps(passed))
