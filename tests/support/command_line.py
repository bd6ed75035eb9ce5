"""``underweir …`` within this process: the entry point itself, with its output and exit status, but not a second and a half of loading.

What a process of its own adds is shown once a command by ``tests/acceptance/test_processes.py``.
"""

from __future__ import annotations

import io
import logging
import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from unittest import mock

import structlog

from service import logs
from service.cli.app import main

_SIGNALS = (signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGALRM)


def run_command(
    environment: Mapping[str, str], *words: str, given: str = "", folder: Path | None = None
) -> subprocess.CompletedProcess[str]:
    """Run one command as a shell would: what is typed, what was said where, and the exit status."""
    stdin = io.TextIOWrapper(io.BytesIO(given.encode()), "utf-8")
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", write_through=True) for _ in range(2))
    before = Path.cwd()
    with _as_before(), mock.patch.dict(os.environ, environment, clear=True):
        os.chdir(folder or before)
        try:
            with mock.patch.multiple(sys, argv=["underweir", *words], stdin=stdin, stdout=out, stderr=err):
                status = _status(main)
        finally:
            os.chdir(before)
    said, warned = (stream.buffer.getvalue().decode() for stream in (out, err))
    return subprocess.CompletedProcess(list(words), status, said, warned)


def _status(entry: object) -> int:
    try:
        entry()  # type: ignore[operator]
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else int(end.code is not None)
    return 0


@contextmanager
def _as_before() -> Iterator[None]:
    """Put back what belongs to the whole process and a command takes for itself: signals, logging, the known secrets."""
    handlers = {number: signal.getsignal(number) for number in _SIGNALS}
    root = logging.getLogger()
    logging_to, level = root.handlers[:], root.level
    with mock.patch.object(sys, "unraisablehook", sys.unraisablehook), mock.patch.object(logs, "_secrets", set()):
        try:
            yield
        finally:
            root.handlers[:] = logging_to
            root.setLevel(level)
            structlog.reset_defaults()
            for number, handler in handlers.items():
                signal.signal(number, handler)
