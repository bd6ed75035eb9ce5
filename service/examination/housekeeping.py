"""Checks what stops a database server after a year or two: vacuum, old transactions, replication slots."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from sqlalchemy import Connection

from service.examination.verdict import ExaminationResult, fine, look, wrong
from service.storage.operations.housekeeping import Housekeeping, housekeeping

ABOUT = "database's upkeep"
#: The server freezes old rows from 200 million transactions on (autovacuum_freeze_max_age) and refuses to write at some 2.1
#: billion: PostgreSQL documentation, 25.1.5 "Preventing Transaction ID Wraparound Failures".
FREEZING_LATE, FREEZING_WRONG = 500_000_000, 1_500_000_000
#: The longest that the service itself keeps a view of the rows is a backup's hours.
LONGEST_SNAPSHOT = timedelta(hours=12)
#: A standby that is away for a day leaves less than this at ten plants.
KEPT_LOG = 2 << 30
#: Below that, dead rows cost nothing anybody would feel.
LEAST_DEAD = 1_000_000


def server_upkeep(conn: Connection) -> Iterator[ExaminationResult]:
    """Whether the server can go on clearing up after itself."""
    troubles = list(judged(housekeeping(conn, least_dead=LEAST_DEAD)))
    yield from troubles or [fine(ABOUT, "the server clears up after itself")]


def judged(found: Housekeeping) -> Iterator[ExaminationResult]:
    """What is not well in it."""
    if not found.autovacuum:
        yield look(
            ABOUT,
            "the server does not clear up by itself: tables grow, and at last it refuses to write",
            "set autovacuum and track_counts to on",
        )
    if found.oldest_transaction > FREEZING_LATE:
        grade = wrong if found.oldest_transaction > FREEZING_WRONG else look
        yield grade(
            ABOUT,
            f"rows {found.oldest_transaction / 1e6:,.0f} million transactions old are not frozen; at 2,100 million the server"
            " stops writing",
            "look for transactions open for long and at autovacuum's settings, then VACUUM FREEZE as the database's owner",
        )
    if found.snapshot is not None and found.now - found.snapshot.since > LONGEST_SNAPSHOT:
        yield look(
            ABOUT,
            f"a transaction of {found.snapshot.application!r} is open since {found.snapshot.since:%Y-%m-%d %H:%M} UTC and keeps the"
            " server from clearing up",
            "end it if nobody knows what it is for: pg_stat_activity, pg_terminate_backend()",
        )
    if found.prepared:
        yield look(
            ABOUT,
            f"{found.prepared} prepared transactions were never ended; the service makes none",
            "see pg_prepared_xacts, then ROLLBACK PREPARED",
        )
    if found.synchronous_standbys and not found.standbys:
        yield wrong(
            ABOUT,
            f"every store waits for a standby ({found.synchronous_standbys}) and none is connected: nothing can be stored",
            "start the standby, or empty synchronous_standby_names on the primary and reload it",
        )
    for slot in found.slots:
        if slot.kept_bytes > KEPT_LOG:
            yield wrong(
                ABOUT,
                f"{slot.kept_bytes / 1e9:.0f} GB of log are kept for a standby that does not come (slot {slot.name}): the disk"
                " fills",
                f"bring the standby back, or let the log go: SELECT pg_drop_replication_slot('{slot.name}')",
            )
    for table in found.dead:
        yield look(
            ABOUT,
            f"table {table.table} holds {table.dead:,} dead rows beside {table.alive:,} living ones",
            f"VACUUM {table.table}; if it comes again, a transaction is open for long or autovacuum is too slow",
        )
