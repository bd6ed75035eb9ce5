"""What could not be read, put where a person finds it: beside the file, with line and reason, safe to open."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence

from connectors.base import Reject
from connectors.csv.decoding.lines import MOST_LISTED
from connectors.csv.folder import Folder, fitted

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


def rejected_name(name: str) -> str:
    """The name of the file that holds a file's rejected rows."""
    return fitted(name, REJECTED)


def reason_name(name: str) -> str:
    """The name of the file that says why a file cannot be used."""
    return fitted(name, REASON)


class RejectedRows:
    """The rejects of one file, so many as are listed, published beside it as a whole."""

    def __init__(self) -> None:
        self._rows: list[Reject] = []
        self._unlisted = 0

    def add(self, rejects: Sequence[Reject], unlisted: int = 0) -> None:
        """Gather rejects; *unlisted* is how many more there were, of which only the number is known."""
        listed = rejects[: max(MOST_LISTED - len(self._rows), 0)]
        self._rows += listed
        self._unlisted += unlisted + len(rejects) - len(listed)

    def publish(self, folder: Folder, name: str) -> None:
        """Put the rows beside the file of that name; where there are none, what an earlier reading left is removed.

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
            [neutral(cell) if isinstance(cell, str) else cell for cell in row] for row in rows
        )
        content = text.getvalue().encode("utf-8", "backslashreplace")
        folder.publish(rejected_name(name), content)


def tell_reason(folder: Folder, name: str, reason: str | None) -> None:
    """Say in a text file beside a file why it cannot be used; without a reason, what an earlier reading said is withdrawn.

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
