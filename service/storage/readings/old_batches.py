"""Old batches: which may go because nothing left in the database names them, their going, and which a restored month needs.

A reading's time is at most a day after its batch was received (``MOST_AHEAD`` of the intake). So what was received before a
month is named by no reading of the month after it or later, and those months, which are most of the readings, need no look.
"""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pyarrow as pa
from sqlalchemy import Connection, text

from service.storage.database.binary_copy import copy_out
from service.storage.database.partitions import next_month, partition_month, partitions, previous_month
from service.storage.trends.archive_files import Kept

TABLE: Kept = "batch"
#: What goes, as a statement goes on from FROM.
GOING = "batch WHERE id IN (SELECT id FROM going_batch)"


def choose(conn: Connection, oldest_kept: datetime, most: int) -> datetime | None:
    """Settle for this transaction which batches go: of one month, the oldest that has any, and so many at most.

    Parameters
    ----------
    oldest_kept : the month whose readings are the oldest that stay. Of older ones only those count that are in the database
        all the same: brought back for a while, or delivered late.

    Returns
    -------
    The month they were received in; None when none may go.
    """
    for statement in _BEGIN:
        conn.execute(text(statement))
    for partition in partitions(conn, "reading"):
        if partition_month(partition) < oldest_kept:
            conn.execute(
                text(f"INSERT INTO named_batch SELECT DISTINCT batch_id FROM {partition} ON CONFLICT DO NOTHING")
            )
    for column in ("batch_id", "replaced_by_batch_id"):
        revisions = f"SELECT DISTINCT {column} FROM reading_revision"
        conn.execute(text(f"INSERT INTO named_batch {revisions} ON CONFLICT DO NOTHING"))
    # The server does not count a temporary table by itself, and takes a long way where it has not counted.
    conn.execute(text("ANALYZE named_batch"))
    given = {"before": previous_month(oldest_kept), "most": most}
    oldest: datetime | None = conn.execute(_CHOOSE, given).scalar_one()
    if oldest is None:
        return None
    month = oldest.replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    conn.execute(_ONE_MONTH, {"until": next_month(month)})
    return month


def drop(conn: Connection) -> int:
    """Delete what was chosen, by a function of the tables' owner; returns how many that were."""
    return int(conn.execute(text("SELECT drop_old_batches(ARRAY(SELECT id FROM going_batch))")).scalar_one())


def missing(conn: Connection, month: datetime) -> pa.Array:
    """The batches that readings of a month name and that are not in the database."""
    given = {"first": month, "until": next_month(month)}
    parts = [part["id"] for part in copy_out(conn, _MISSING, given, {"id": np.dtype(np.int64)}, 100_000)]
    return pa.array(np.concatenate(parts) if parts else [], type=pa.int64())


_BEGIN = (
    "DROP TABLE IF EXISTS going_batch, named_batch",
    "CREATE TEMPORARY TABLE going_batch (id bigint PRIMARY KEY, received_at timestamptz NOT NULL) ON COMMIT DROP",
    "CREATE TEMPORARY TABLE named_batch (id bigint PRIMARY KEY) ON COMMIT DROP",
)
#: Revisions, hand cores and the ledger stay for ever, and so does what they name. Each of the three looks goes by an index.
_CHOOSE = text(
    "WITH chosen AS (INSERT INTO going_batch SELECT b.id, b.received_at FROM batch AS b WHERE b.received_at < :before"
    " AND NOT EXISTS (SELECT FROM named_batch AS n WHERE n.id = b.id)"
    " AND NOT EXISTS (SELECT FROM hand_core AS c WHERE c.batch_id = b.id)"
    " AND NOT EXISTS (SELECT FROM file_ledger AS f WHERE f.batch_id = b.id)"
    " ORDER BY b.received_at LIMIT :most RETURNING received_at) SELECT min(received_at) FROM chosen"
)
_ONE_MONTH = text("DELETE FROM going_batch WHERE received_at >= :until")
_MISSING = (
    "SELECT DISTINCT r.batch_id FROM reading AS r WHERE r.time >= %(first)s AND r.time < %(until)s"
    " AND NOT EXISTS (SELECT FROM batch AS b WHERE b.id = r.batch_id)"
)
