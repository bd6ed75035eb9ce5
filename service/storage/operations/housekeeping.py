"""PostgreSQL housekeeping: autovacuum, transaction age, replication slots, dead rows, and what blocks them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, text


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadRows:
    """A table with more dead than live rows."""

    table: str
    alive: int
    dead: int


@dataclass(frozen=True, slots=True, kw_only=True)
class IdleSlot:
    """An inactive replication slot: the server keeps its WAL from there on."""

    name: str
    kept_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenSnapshot:
    """The oldest transaction whose snapshot the server has to keep."""

    application: str  #: its application_name
    since: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Housekeeping:
    """State of the server's housekeeping, as far as the account may see it."""

    now: datetime
    autovacuum: bool  #: autovacuum is on
    oldest_transaction: int  #: transactions since the oldest row that is not frozen, of any database
    snapshot: OpenSnapshot | None
    prepared: int  #: transactions prepared and never ended
    slots: tuple[IdleSlot, ...]
    synchronous_standbys: str  #: the standbys that have to answer before a commit returns; empty when none has to
    standbys: int  #: how many are connected
    dead: tuple[DeadRows, ...]


def housekeeping(conn: Connection, *, least_dead: int) -> Housekeeping:
    """Read the state of the server's housekeeping.

    Parameters
    ----------
    least_dead : tables with fewer dead rows are left out [rows].
    """
    facts = conn.execute(_FACTS).one()
    snapshot = conn.execute(_SNAPSHOT).one_or_none()
    return Housekeeping(
        now=facts.now,
        autovacuum=facts.autovacuum,
        oldest_transaction=facts.oldest,
        snapshot=None if snapshot is None else OpenSnapshot(application=snapshot.application, since=snapshot.since),
        prepared=facts.prepared,
        slots=tuple(IdleSlot(name=row.name, kept_bytes=int(row.kept)) for row in conn.execute(_SLOTS)),
        synchronous_standbys=facts.synchronous_standbys,
        standbys=facts.standbys,
        dead=tuple(
            DeadRows(table=row.name, alive=row.alive, dead=row.dead)
            for row in conn.execute(_DEAD, {"least": least_dead})
        ),
    )


_FACTS = text(
    "SELECT clock_timestamp() AS now,"
    " current_setting('autovacuum')::bool AND current_setting('track_counts')::bool AS autovacuum,"
    " (SELECT max(age(datfrozenxid)) FROM pg_database) AS oldest,"
    " (SELECT count(*) FROM pg_prepared_xacts WHERE database = current_database()) AS prepared,"
    " trim(current_setting('synchronous_standby_names')) AS synchronous_standbys,"
    " (SELECT count(*) FROM pg_stat_replication) AS standbys"
)
_SNAPSHOT = text(
    "SELECT coalesce(nullif(application_name, ''), 'process ' || pid) AS application, xact_start AS since FROM pg_stat_activity"
    " WHERE datname = current_database() AND pid <> pg_backend_pid() AND xact_start IS NOT NULL"
    " AND (backend_xmin IS NOT NULL OR backend_xid IS NOT NULL) ORDER BY xact_start LIMIT 1"
)
_SLOTS = text(
    "SELECT slot_name AS name, coalesce(pg_wal_lsn_diff(CASE WHEN pg_is_in_recovery() THEN pg_last_wal_replay_lsn()"
    " ELSE pg_current_wal_lsn() END, restart_lsn), 0) AS kept FROM pg_replication_slots WHERE NOT active ORDER BY slot_name"
)
_DEAD = text(
    "SELECT relname AS name, n_live_tup AS alive, n_dead_tup AS dead FROM pg_stat_user_tables"
    " WHERE n_dead_tup > n_live_tup AND n_dead_tup >= :least ORDER BY n_dead_tup DESC, relname"
)
