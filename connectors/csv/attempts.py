"""What is being read stands on disk meanwhile: a file that ends the service each time it is read is known for it afterwards."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path

from connectors.csv.decoding.parts import ReadJob
from connectors.csv.folder import FileSignature
from connectors.errors import ReaderEnded

#: The service may be killed, or lose its power, while it reads a good file: once, twice, but hardly the same file three times.
MOST_ATTEMPTS = 3


class Attempts:
    """The note of one source, which reads one file at a time; without a path nothing is noted.

    Not flushed to disk: it shall outlive the process, and after a power cut one attempt more does no harm.
    """

    def __init__(self, path: Path | None) -> None:
        self._path = path

    def begin(self, job: ReadJob, signature: FileSignature) -> None:
        """Note that a file is being read.

        Raises
        ------
        ReaderEnded
            when the service has ended too often while it read this file.
        """
        if self._path is None:
            return
        before = self._noted()
        known = [job.origin, signature.size, signature.modified_ns]
        times = before[1] if before is not None and before[0] == known else 0
        if times >= MOST_ATTEMPTS:
            raise ReaderEnded(
                job.source,
                f"{job.origin}: the service ended {times} times while it read this file.",
                "It may be made to do harm, or larger than this machine can bear.",
            )
        with suppress(OSError):  # a full disk is no reason not to read
            self._path.parent.mkdir(parents=True, exist_ok=True)
            draft = self._path.with_suffix(".new")
            draft.write_text(json.dumps([known, times + 1]), "utf-8")
            draft.replace(self._path)

    def end(self) -> None:
        """Nothing is being read any more."""
        if self._path is not None:
            with suppress(OSError):
                self._path.unlink()

    def _noted(self) -> tuple[list[object], int] | None:
        assert self._path is not None
        try:
            known, times = json.loads(self._path.read_text("utf-8"))
            return list(known), int(times)
        except (OSError, ValueError, TypeError):
            return None
