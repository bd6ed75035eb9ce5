"""Old lines of the journal with their messages: which may go, and their going in the order the tables refer to each other.

Never goes: an alarm's first line, which says since when it is known; and a line with a message that still waits.
"""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, text

from service.storage.database.partitions import next_month
from service.storage.trends.archive_files import Kept

#: In the order they are put back.
TABLES: tuple[Kept, ...] = ("alarm_event", "outbox", "delivery_attempt")

#: What of each table goes, as a statement goes on from FROM.
GOING: dict[Kept, str] = {
    "alarm_event": "alarm_event WHERE id IN (SELECT id FROM going_event)",
    "outbox": "outbox WHERE id IN (SELECT id FROM going_message)",
    "delivery_attempt": "delivery_attempt WHERE outbox_id IN (SELECT id FROM going_message)",
}


def oldest_month(conn: Connection, before: datetime) -> datetime | None:
    """The month of the oldest line or message that may go; None when there is none before that time."""
    found: datetime | None = conn.execute(_OLDEST, {"before": before}).scalar_one()
    return None if found is None else found.replace(day=1, hour=0, minute=0, second=0, microsecond=0)


def choose(conn: Connection, month: datetime) -> None:
    """Settle for this transaction what of a month goes."""
    given = {"first": month, "until": next_month(month)}
    for statement in _CHOOSE:
        conn.execute(text(statement), given)


def drop(conn: Connection) -> None:
    """Delete what was chosen, by a function of the tables' owner: who works with them every day may delete no line of the journal."""
    conn.execute(
        text("SELECT drop_old_journal(ARRAY(SELECT id FROM going_event), ARRAY(SELECT id FROM going_message))")
    )


_MAY_GO = (
    "e.id > (SELECT min(f.id) FROM alarm_event AS f WHERE f.alarm_id = e.alarm_id)"
    " AND NOT EXISTS (SELECT FROM outbox AS o WHERE o.alarm_event_id = e.id AND o.status = 'waiting')"
)
_ALONE = "o.alarm_event_id IS NULL AND o.status <> 'waiting'"
_OLDEST = text(
    f"SELECT least((SELECT min(e.at) FROM alarm_event AS e WHERE e.at < :before AND {_MAY_GO}),"
    f" (SELECT min(o.created_at) FROM outbox AS o WHERE o.created_at < :before AND {_ALONE}))"
)
_CHOOSE = (
    "DROP TABLE IF EXISTS going_event, going_message",
    "CREATE TEMPORARY TABLE going_event (id bigint PRIMARY KEY) ON COMMIT DROP",
    "CREATE TEMPORARY TABLE going_message (id bigint PRIMARY KEY) ON COMMIT DROP",
    f"INSERT INTO going_event SELECT e.id FROM alarm_event AS e WHERE e.at >= :first AND e.at < :until AND {_MAY_GO}",
    "INSERT INTO going_message SELECT o.id FROM outbox AS o WHERE o.alarm_event_id IN (SELECT id FROM going_event)"
    f" OR ({_ALONE} AND o.created_at >= :first AND o.created_at < :until)",
)
