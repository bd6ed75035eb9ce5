"""Watchdog rules: when a service counts as silent, and when people are notified. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum


class SilenceNotice(StrEnum):
    """What people are told."""

    SILENT = "silent"
    STILL_SILENT = "still silent"
    BACK = "answers again"


@dataclass(frozen=True, slots=True, kw_only=True)
class Liveness:
    """Whether one service is there, as whoever watches it sees it."""

    #: First look without an answer since the last one with; None while it answers.
    silent_since: datetime | None = None
    why: str = ""
    #: When people were last told of this silence.
    told_at: datetime | None = None


def seen(before: Liveness, trouble: str | None, now: datetime) -> Liveness:
    """After one look; *trouble* says why it did not answer, None that it did."""
    if trouble is None:
        return replace(before, silent_since=None)
    return replace(before, silent_since=before.silent_since or now, why=trouble)


def due(standing: Liveness, now: datetime, *, after: timedelta, again: timedelta) -> SilenceNotice | None:
    """What people have to be told now; it stays due until :func:`told` says that they were.

    Parameters
    ----------
    after : silence shorter than this is a restart or a short hiccup.
    again : a silence that lasts is told again so often.

    >>> from datetime import UTC
    >>> start = datetime(2026, 1, 1, tzinfo=UTC)
    >>> silent = Liveness(silent_since=start)
    >>> limits = {"after": timedelta(minutes=3), "again": timedelta(minutes=30)}
    >>> due(silent, start + timedelta(minutes=2), **limits), due(silent, start + timedelta(minutes=3), **limits)
    (None, <SilenceNotice.SILENT: 'silent'>)
    """
    if standing.silent_since is None:
        return None if standing.told_at is None else SilenceNotice.BACK
    if standing.told_at is None:
        return SilenceNotice.SILENT if now - standing.silent_since >= after else None
    return SilenceNotice.STILL_SILENT if now - standing.told_at >= again else None


def told(standing: Liveness, word: SilenceNotice, now: datetime) -> Liveness:
    """After people were told."""
    return replace(standing, told_at=None if word is SilenceNotice.BACK else now)
