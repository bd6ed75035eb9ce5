"""Maintenance of the database: create partitions ahead, thin checkpoints, archive old months."""

from __future__ import annotations

from datetime import datetime, timedelta

import structlog
from sqlalchemy import Engine

from service.jobs.operations.retention import RetentionPolicy
from service.storage.blanket.checkpoints import thin_checkpoints
from service.storage.database.partitions import ensure_months
from service.storage.database.session import transaction
from service.storage.database.tables import PARTITIONED

log = structlog.get_logger(__name__)

#: Partitions exist before they are needed, so that the first reading of a month waits for no lock.
AHEAD = timedelta(days=62)


def maintain(engine: Engine, policy: RetentionPolicy, now: datetime) -> None:
    """Make the coming months' partitions, thin old checkpoints, and move months that are no longer kept to files."""
    with transaction(engine) as conn:
        made = [name for table in PARTITIONED for name in ensure_months(conn, table, now, now + AHEAD)]
        thinned = thin_checkpoints(conn, now)
    if made or thinned:
        log.info("store kept in order", partitions_made=made, checkpoints_dropped=thinned)
    if policy.months or policy.journal_months is not None:
        from service.jobs.operations.archive import archive_old  # a large library, for a few minutes a month

        archive_old(engine, policy, now)
