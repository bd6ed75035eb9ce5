"""Figures for monitoring: queue lengths, deliveries of the last day, facts about the database."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Connection, func, select, text

from service.storage.database.tables import DeliveryAttempt, OutboxRow, Recompute


@dataclass(frozen=True, slots=True, kw_only=True)
class Backlog:
    """Queue lengths."""

    #: (channel, how many wait, the oldest of them).
    messages: tuple[tuple[str, int, datetime], ...]
    tanks: int  #: to be estimated again
    tanks_from: datetime | None  #: the earliest time of theirs


@dataclass(frozen=True, slots=True, kw_only=True)
class DatabaseFacts:
    """The server's own description."""

    now: datetime
    server: str
    size_bytes: int
    standby: bool
    read_only: bool  #: no standby, but set to take no writes
    role: str  #: the current role
    superuser: bool
    owner: bool  #: whether that role owns the tables


def backlog(conn: Connection) -> Backlog:
    """Count messages not yet sent, and tanks not yet estimated."""
    waiting = conn.execute(
        select(OutboxRow.channel, func.count(), func.min(OutboxRow.created_at))
        .where(OutboxRow.status == "waiting")
        .group_by(OutboxRow.channel)
        .order_by(OutboxRow.channel)
    )
    due = conn.execute(
        select(
            func.count(),
            func.least(
                func.min(Recompute.dirty_from), func.min(Recompute.working_from), func.min(Recompute.past_from)
            ).label("earliest"),
        ).where(
            Recompute.dirty_from.is_not(None) | Recompute.working_from.is_not(None) | Recompute.past_from.is_not(None)
        )
    ).one()
    return Backlog(messages=tuple((row[0], row[1], row[2]) for row in waiting), tanks=due[0], tanks_from=due[1])


def deliveries_since(conn: Connection, since: datetime) -> dict[tuple[str, str], int]:
    """Count delivery attempts since a time, by channel and outcome."""
    rows = conn.execute(
        select(OutboxRow.channel, DeliveryAttempt.outcome, func.count())
        .join(OutboxRow, OutboxRow.id == DeliveryAttempt.outbox_id)
        .where(DeliveryAttempt.at >= since)
        .group_by(OutboxRow.channel, DeliveryAttempt.outcome)
        .order_by(OutboxRow.channel, DeliveryAttempt.outcome)
    )
    return {(channel, outcome): count for channel, outcome, count in rows}


def database_facts(conn: Connection) -> DatabaseFacts:
    """Read the server's description of itself."""
    row = conn.execute(
        text(
            "SELECT clock_timestamp(), current_setting('server_version'),"
            " pg_database_size(current_database()), pg_is_in_recovery(),"
            " current_setting('default_transaction_read_only')::boolean, current_user,"
            " (SELECT rolsuper FROM pg_roles WHERE rolname = current_user),"
            " EXISTS (SELECT FROM pg_tables WHERE tablename = 'audit_event' AND tableowner = current_user)"
        )
    ).one()
    return DatabaseFacts(
        now=row[0],
        server=row[1],
        size_bytes=row[2],
        standby=row[3],
        read_only=row[4],
        role=row[5],
        superuser=row[6],
        owner=row[7],
    )


#: The period of delivery counts.
DAY = timedelta(days=1)
