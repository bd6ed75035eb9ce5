"""Times as addresses and programs give them."""

from __future__ import annotations

from datetime import UTC, datetime

from fastapi import HTTPException


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
