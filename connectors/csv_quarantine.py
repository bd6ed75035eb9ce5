"""What could not be read, put where a person finds it: beside the file, with line and reason, safe to open."""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Sequence
from pathlib import Path

from connectors.base import Reject

REJECTED = ".rejected.csv"
REASON = ".reason.txt"

_NUMBER = re.compile(r"[+-]?[0-9.,]+(?:[eE][+-]?[0-9]+)?")


def neutral(text: str) -> str:
    """Cell text that no spreadsheet takes for a formula.

    >>> neutral("=1+1"), neutral("-2.5"), neutral("@x")
    ("'=1+1", '-2.5', "'@x")
    """
    if text[:1] in {"=", "+", "-", "@", "\t", "\r"} and not _NUMBER.fullmatch(text):
        return "'" + text
    return text


class RejectedRows:
    """The rejects of one file, written as they come and put in place, whole, at the end.

    The rows go to a hidden file first, so a crash leaves either the former quarantine file or the new one, never half of one.
    """

    def __init__(self, beside: Path) -> None:
        self.path = beside.with_name(beside.name + REJECTED)
        self._draft = beside.with_name(f".{beside.name}{REJECTED}.tmp")
        self._started = False

    def add(self, rejects: Sequence[Reject]) -> None:
        if not rejects:
            return
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\r\n")
        if not self._started:
            writer.writerow(("line", "field", "text", "reason"))
        for reject in rejects:
            writer.writerow((reject.line, neutral(reject.field), neutral(reject.text), neutral(reject.reason)))
        with open(self._draft, "a" if self._started else "w", encoding="utf-8", newline="") as draft:
            draft.write(text.getvalue())
        self._started = True

    def finish(self) -> Path | None:
        """Put the rows in place; an earlier quarantine file of a file that now has none is removed."""
        if not self._started:
            self.path.unlink(missing_ok=True)
            return None
        with open(self._draft, "rb") as draft:
            os.fsync(draft.fileno())
        os.replace(self._draft, self.path)
        return self.path

    def discard(self) -> None:
        """Forget rows of a file that was not read to its end."""
        self._draft.unlink(missing_ok=True)


def add_refused(beside: Path, refused: Sequence[Reject]) -> None:
    """Put what the service refused after the rows that the reader rejected, in the same file."""
    if not refused:
        return
    path = beside.with_name(beside.name + REJECTED)
    rows = RejectedRows(beside)
    rows.add(refused)
    draft = beside.with_name(f".{beside.name}{REJECTED}.tmp")
    if path.is_file():
        with open(path, encoding="utf-8", newline="") as already:
            before = already.read()
        with open(draft, encoding="utf-8", newline="") as added:
            added.readline()  # its own heading
            before += added.read()
        draft.write_text(before, encoding="utf-8", newline="")
    rows.finish()


def tell_reason(beside: Path, reason: str | None) -> None:
    """Say in a text file beside a file why it cannot be used; without a reason, what an earlier reading said is withdrawn."""
    path = beside.with_name(beside.name + REASON)
    if reason is None:
        path.unlink(missing_ok=True)
    else:
        path.write_text(reason.rstrip() + "\n", encoding="utf-8")
