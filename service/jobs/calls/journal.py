"""The alarm journal with the delivery status of every message it names."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from sqlalchemy import Connection

from service.storage.alarms.alarms import JournalLine, journal
from service.storage.calls.outbox import traces


def told_journal(
    conn: Connection,
    *,
    key: str | None = None,
    start: datetime | None = None,
    end: datetime | None = None,
    limit: int | None = None,
) -> list[JournalLine]:
    """Journal lines at start ≤ time < end, newest first; each of those told has a ``fate``."""
    lines = journal(conn, key=key, start=start, end=end, limit=limit)
    fates = {(t.alarm_event_id, t.contact, t.channel): t.fate for t in traces(conn, [line.id for line in lines])}

    def with_fates(line: JournalLine) -> JournalLine:
        told = [{**t, "fate": fates.get((line.id, t["contact"], t["channel"]))} for t in line.detail.get("told", [])]
        return replace(line, detail={**line.detail, "told": told}) if told else line

    return [with_fates(line) for line in lines]
