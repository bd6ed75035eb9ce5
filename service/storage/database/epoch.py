"""Convert times to integer microseconds since the Unix epoch and back, exactly."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def to_us(time: datetime) -> int:
    """Return microseconds since the Unix epoch; integer arithmetic, nothing is rounded.

    >>> to_us(datetime(2000, 1, 1, tzinfo=UTC))
    946684800000000
    """
    return (time - _EPOCH) // _MICROSECOND


def from_us(us: int) -> datetime:
    """Return the time in UTC, from microseconds since the Unix epoch.

    >>> from_us(946684800000001).isoformat()
    '2000-01-01T00:00:00.000001+00:00'
    """
    return _EPOCH + timedelta(microseconds=int(us))
