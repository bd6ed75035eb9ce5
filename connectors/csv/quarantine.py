"""Writes rejected rows and reasons beside a file, with line and reason, safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence

from connectors.base import Reject
from connectors.csv.decoding.lines import MAX_LISTED_REJECTS
from connectors.csv.folder import Folder, fit_name

REJECTED = ".rejected.csv"
REASON = ".reason.txt"

_NUMBER = re.compile(r"[+-]?[0-9.,]+(?:[eE][+-]?[0-9]+)?")


def neutralize_formula(text: str) -> str:
    """Cell text that a spreadsheet does not take for a formula.

    >>> neutralize_formula("=1+1"), neutralize_formula("-2.5"), neutralize_formula("@x")
    ("'=1+1", '-2.5', "'@x")
    """
    if text[:1] in {"=", "+", "-", "@", "\t", "\r"} and not _NUMBER.fullmatch(text):
        return "'" + text
    return text


def rejected_name(name: str) -> str:
    """The name of the file that holds a file's rejected rows."""
    return fit_name(name, REJECTED)


def reason_name(name: str) -> str:
    """The name of the file that says why a file cannot be used."""
    return fit_name(name, REASON)


class RejectedRows:
    """Collects the rejects of one file, up to ``MAX_LISTED_REJECTS``, and publishes them beside it."""

    def __init__(self) -> None:
        self._rows: list[Reject] = []
        self._unlisted = 0

    def add(self, rejects: Sequence[Reject], unlisted: int = 0) -> None:
        """Add rejects; *unlisted* counts those of which only the number is known."""
        listed = rejects[: max(MAX_LISTED_REJECTS - len(self._rows), 0)]
        self._rows += listed
        self._unlisted += unlisted + len(rejects) - len(listed)

    def publish(self, folder: Folder, name: str) -> None:
        """Write the rows beside the file *name*; without rows, remove those of an earlier reading.

        Raises
        ------
        OSError
            when they cannot be written.
        """
        if not self._rows and not self._unlisted:
            folder.remove(rejected_name(name))
            return
        rows: list[tuple[object, ...]] = [("line", "field", "text", "reason")]
        rows += [(reject.line, reject.field, reject.text, reject.reason) for reject in self._rows]
        if self._unlisted:
            rows.append(("", "file", "", f"{self._unlisted} more rows were rejected and are not listed here"))
        text = io.StringIO()
        csv.writer(text, lineterminator="\r\n").writerows(
            [neutralize_formula(cell) if isinstance(cell, str) else cell for cell in row] for row in rows
        )
        content = text.getvalue().encode("utf-8", "backslashreplace")
        folder.publish(rejected_name(name), content)


def write_reason(folder: Folder, name: str, reason: str | None) -> None:
    """Write why a file cannot be used into a text file beside it; without a reason, remove that of an earlier reading.

    Raises
    ------
    OSError
        when it cannot be written.
    """
    if reason is None:
        folder.remove(reason_name(name))
    else:
        content = (reason.rstrip() + "\n").encode("utf-8", "backslashreplace")
        folder.publish(reason_name(name), content)
