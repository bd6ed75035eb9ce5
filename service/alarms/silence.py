"""When a service that is watched from outside counts as silent, and when people hear of it. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum


class Word(StrEnum):
    """What people are told."""

    SILENT = "silent"
    STILL_SILENT = "still silent"
    BACK = "answers again"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outside:
    """How one service looks from outside."""

    #: First look without an answer since the last one with; None while it answers.
    silent_since: datetime | None = None
    why: str = ""
    #: When people were last told of this silence.
    told_at: datetime | None = None


def seen(before: Outside, trouble: str | None, now: datetime) -> Outside:
    """After one look; *trouble* says why it did not answer, None that it did."""
    if trouble is None:
        return replace(before, silent_since=None)
    return replace(before, silent_since=before.silent_since or now, why=trouble)


def due(standing: Outside, now: datetime, *, after: timedelta, again: timedelta) -> Word | None:
    """What people have to be told now; it stays due until :func:`told` says that they were.

    Parameters
    ----------
    after : silence shorter than this is a restart or a short hiccup.
    again : a silence that lasts is told again so often.

    >>> from datetime import UTC
    >>> start = datetime(2026, 1, 1, tzinfo=UTC)
    >>> silent = Outside(silent_since=start)
    >>> limits = {"after": timedelta(minutes=3), "again": timedelta(minutes=30)}
    >>> due(silent, start + timedelta(minutes=2), **limits), due(silent, start + timedelta(minutes=3), **limits)
    (None, <Word.SILENT: 'silent'>)
    """
    if standing.silent_since is None:
        return None if standing.told_at is None else Word.BACK
    if standing.told_at is None:
        return Word.SILENT if now - standing.silent_since >= after else None
    return Word.STILL_SILENT if now - standing.told_at >= again else None


def told(standing: Outside, word: Word, now: datetime) -> Outside:
    """After people were told."""
    return replace(standing, told_at=None if word is Word.BACK else now)
