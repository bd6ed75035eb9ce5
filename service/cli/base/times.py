"""Parses times as people type them: in the plant's time, or with an offset."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from service.cli.base.output import usage_error

_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")
_AGO = re.compile(r"(\d+(?:\.\d+)?)\s*(min|m|h|d)(?:\s+ago)?")
_SPAN = {"m": 60.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}


def moment(text: str, zone: ZoneInfo, now: datetime) -> datetime:
    """The time meant: '03:10' (the last time the plant's clock showed it), '2 h ago', or a date and time.

    A time without offset is the plant's. In the autumn's repeated hour the later one not after now is meant, since people
    log what has just happened; the spring's missing hour is refused.
    """
    text = text.strip()
    if text == "now":
        return now
    if match := _AGO.fullmatch(text):
        return now - timedelta(seconds=float(match[1]) * _SPAN[match[2]])
    if match := _CLOCK.fullmatch(text):
        here = now.astimezone(zone)
        for days in (0, 1):
            day = here.date() - timedelta(days=days)
            naive = datetime.combine(day, datetime.min.time()).replace(hour=int(match[1]), minute=int(match[2]))
            found = _resolved(naive, zone, now, text)
            if found <= now:
                return found
        return found
    try:
        given = datetime.fromisoformat(text)
    except ValueError:
        usage_error(
            f"{text!r} is not a time; write '03:10', '2 h ago', '2026-03-14 03:10' or 2026-03-14T03:10:00-04:00"
        )
    return given.astimezone(UTC) if given.tzinfo is not None else _resolved(given, zone, now, text)


def future_moment(text: str, zone: ZoneInfo, now: datetime) -> datetime:
    """The future time meant: '2 h', '06:00' (the next time the plant's clock shows it), or a date and time."""
    text = text.strip()
    if match := _AGO.fullmatch(text):
        return now + timedelta(seconds=float(match[1]) * _SPAN[match[2]])
    found = moment(text, zone, now)
    if _CLOCK.fullmatch(text) and found <= now:
        here = found.astimezone(zone).replace(tzinfo=None) + timedelta(days=1)
        return _resolved(here, zone, now + timedelta(days=2), text)
    return found


def _resolved(naive: datetime, zone: ZoneInfo, now: datetime, text: str) -> datetime:
    early, late = (naive.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    if early.astimezone(zone).replace(tzinfo=None) != naive:
        usage_error(f"{text!r} did not exist: the plant's clocks ({zone.key}) were put forward over it")
    return late if late <= now else early
