"""Parses times from addresses, API requests and form fields."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from fastapi import HTTPException

from service.errors import InputError


def moment(text: str) -> datetime:
    """The moment written in ISO 8601; UTC where no offset is given.

    >>> moment("2026-03-14T03:10:00Z").isoformat()
    '2026-03-14T03:10:00+00:00'
    """
    try:
        # A plus sign in an address arrives as a blank.
        found = datetime.fromisoformat(text.strip().replace(" ", "+") if "T" in text else text.strip())
        found = found if found.tzinfo is not None else found.replace(tzinfo=UTC)
        return found.astimezone(UTC)
    except (ValueError, OverflowError):
        raise HTTPException(400, f"{text[:60]!r} is not a time; write one as 2026-03-14T03:10:00Z.") from None


def plant_moment(text: str, zone: ZoneInfo, now: datetime) -> datetime:
    """What a browser's field says in the plant's time; now where it is empty.

    Raises
    ------
    InputError
        when it is not a time.

    >>> plant_moment("2026-03-14T03:10", ZoneInfo("America/New_York"), datetime(2026, 3, 15, tzinfo=UTC)).isoformat()
    '2026-03-14T03:10:00-04:00'
    """
    if not text:
        return now
    try:
        naive = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(f"{text[:30]!r} is not a time") from None
    if naive.tzinfo is not None:
        return naive
    early, late = (naive.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    # In the autumn's repeated hour the later one not after now is meant: people log what has just happened.
    return late if late <= now else early
