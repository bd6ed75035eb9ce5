"""Write readings: append by COPY where no key exists, compare and revise where keys exist.

Before a chunk is stored a few of its keys are looked up. If none of them exists the chunk is appended directly; the
primary key still guards every row, and a violation (a duplicate between the keys looked up, another process that was
quicker) falls back to comparing: rows go into a staging table, new ones are inserted, and differing ones revised after the
replaced row is kept for replays. Equal rows are left alone, so that a repeated delivery changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np
import psycopg
from numpy.typing import NDArray
from sqlalchemy import Connection, text

from service.storage.database.binary_copy import copy_in
from service.storage.database.epoch import from_us, to_us
from service.storage.database.partitions import ensure_months, partition_name, partitions
from service.storage.database.session import transaction
from service.storage.readings.columns import ReadingColumns, by_signal_and_time, deduplicate
from service.storage.trends.rollups import mark_due

#: Keys looked up before a chunk is appended.
PROBES = 64
_DAY_US = 86_400_000_000


@dataclass(slots=True)
class WriteCounts:
    """Counts of the readings of one batch; every reading counts once."""

    accepted: int = 0
    duplicate: int = 0
    revised: int = 0
    #: Per signal row number, the earliest time that was added or changed. [µs]
    earliest_us: dict[int, int] = field(default_factory=dict)

    def note_change(self, signal_id: int, us: int) -> None:
        """Note a change of a signal, for its recompute mark."""
        self.earliest_us[signal_id] = min(us, self.earliest_us.get(signal_id, us))


class ReadingWriter:
    """Stores the readings of one batch, chunk by chunk, inside one transaction."""

    def __init__(self, conn: Connection, batch_id: int) -> None:
        self._conn = conn
        self._batch_id = batch_id
        self._overlaps = False
        self._months: set[int] = set()
        self.stored = WriteCounts()

    def store(self, columns: ReadingColumns) -> None:
        """Store one chunk; 100,000 to 250,000 rows at once are quickest."""
        if not len(columns):
            return
        collapsed = deduplicate(by_signal_and_time(columns))
        rows = collapsed.columns
        self.stored.duplicate += collapsed.duplicate
        self.stored.revised += collapsed.revised
        self._ensure_months(rows.time_us)

        # Once a batch overlaps with stored rows it overlaps with more: no further append is tried in vain.
        self._overlaps = self._overlaps or self._any_stored(rows)
        if self._overlaps:
            self._compare(rows)
        else:
            self._append(rows)

    def _append(self, rows: ReadingColumns) -> None:
        savepoint = self._conn.begin_nested()
        try:
            copy_in(self._conn, "reading", self._with_batch(rows))
        except psycopg.errors.UniqueViolation:
            savepoint.rollback()
            self._overlaps = True
            self._compare(rows)
            return
        savepoint.commit()
        self.stored.accepted += len(rows)
        # In the order of the key: another signal, or a day without readings, begins another stretch.
        day = rows.time_us // _DAY_US
        begins = np.append(True, (rows.signal_id[1:] != rows.signal_id[:-1]) | (day[1:] > day[:-1] + 1))
        first = np.flatnonzero(begins)
        last = np.append(first[1:], len(rows)) - 1
        stretches = zip(
            rows.signal_id[first].tolist(), rows.time_us[first].tolist(), rows.time_us[last].tolist(), strict=True
        )
        self._note((signal_id, from_us(begin), from_us(end)) for signal_id, begin, end in stretches)

    def _compare(self, rows: ReadingColumns) -> None:
        conn = self._conn
        conn.execute(_STAGE)
        conn.execute(_CLEAR_STAGE)
        copy_in(conn, "reading_stage", self._with_batch(rows))
        reach = {
            "signal_ids": np.unique(rows.signal_id).tolist(),
            "earliest": from_us(int(rows.time_us.min())),
            "latest": from_us(int(rows.time_us.max())),
            "batch_id": self._batch_id,
        }
        same = conn.execute(_DROP_SAME, reach).rowcount
        added = revised = 0
        if same < len(rows):
            added = self._changed(conn.execute(_INSERT_NEW).all())
        if same + added < len(rows) and conn.execute(_KEEP_REPLACED, reach).scalar_one():
            revised = self._changed(conn.execute(_REVISE).all())
        self.stored.accepted += added
        self.stored.revised += revised
        self.stored.duplicate += len(rows) - added - revised

    def _changed(self, per_signal: Any) -> int:
        self._note((signal_id, earliest, latest) for signal_id, _, earliest, latest in per_signal)
        return sum(rows for _, rows, _, _ in per_signal)

    def _note(self, stretches: Iterable[tuple[int, datetime, datetime]]) -> None:
        """Note changes for recompute marks, and mark their rollups as due."""
        stretches = list(stretches)
        for signal_id, earliest, _ in stretches:
            self.stored.note_change(signal_id, to_us(earliest))
        mark_due(self._conn, "reading", stretches)

    def _with_batch(self, rows: ReadingColumns) -> dict[str, NDArray[Any]]:
        return {
            "signal_id": rows.signal_id,
            "time": rows.time_us,
            "value": rows.value,
            "batch_id": np.full(len(rows), self._batch_id, dtype=np.int64),
            "quality": rows.quality,
            "reason": rows.reason,
        }

    def _any_stored(self, rows: ReadingColumns) -> bool:
        """Whether any of some keys spread over the chunk is stored already."""
        some = rows.take(np.unique(np.linspace(0, len(rows) - 1, PROBES).astype(np.intp)))
        times = [from_us(us) for us in some.time_us.tolist()]
        keys = {
            "signal_ids": some.signal_id.tolist(),
            "times": times,
            "earliest": min(times),
            "latest": max(times),
        }
        return bool(self._conn.execute(_ANY_STORED, keys).scalar_one())

    def _ensure_months(self, time_us: NDArray[np.int64]) -> None:
        months = np.unique(time_us.astype("datetime64[us]").astype("datetime64[M]")).astype(np.int64).tolist()
        unseen = set(months) - self._months
        if not unseen:
            return
        begins = [datetime(1970 + month // 12, 1 + month % 12, 1, tzinfo=UTC) for month in sorted(unseen)]
        there = set(partitions(self._conn, "reading"))
        missing = [month for month in begins if partition_name("reading", month) not in there]
        if missing:
            # In a transaction of its own, over at once: a large file must not keep every other source waiting for a month
            # that both need. A month made for a file that then fails stays, empty.
            with transaction(self._conn.engine) as apart:
                for month in missing:
                    ensure_months(apart, "reading", month, month)
        self._months |= unseen


# The earliest and latest time of the rows stand in every statement, so that only the months between are looked into.
# OFFSET 0 keeps a look-up a look-up by key, row by row. PostgreSQL holds NaN equal to NaN here, as we want.

_ANY_STORED = text(
    "SELECT EXISTS (SELECT 1 FROM unnest(CAST(:signal_ids AS integer[]), CAST(:times AS timestamptz[])) "
    "AS k(signal_id, time) CROSS JOIN LATERAL ("
    "SELECT 1 FROM reading r WHERE r.signal_id = k.signal_id AND r.time = k.time "
    "AND r.time BETWEEN :earliest AND :latest OFFSET 0) AS found)"
)

_STAGE = text(
    "CREATE TEMPORARY TABLE IF NOT EXISTS reading_stage ("
    "signal_id integer NOT NULL, time timestamptz NOT NULL, value double precision NOT NULL, "
    "batch_id bigint NOT NULL, quality smallint NOT NULL, reason smallint NOT NULL) ON COMMIT DROP"
)

_CLEAR_STAGE = text("TRUNCATE reading_stage")

_DROP_SAME = text(
    "DELETE FROM reading_stage s USING reading r WHERE r.signal_id = s.signal_id AND r.time = s.time "
    "AND r.signal_id = ANY(CAST(:signal_ids AS integer[])) AND r.time BETWEEN :earliest AND :latest "
    "AND (r.value, r.quality, r.reason) IS NOT DISTINCT FROM (s.value, s.quality, s.reason)"
)

#: Rows are inserted in the order of the key: index pages are met once, and two writers lock in the same order.
_INSERT_NEW = text(
    "WITH added AS ("
    "INSERT INTO reading (signal_id, time, value, batch_id, quality, reason) "
    "SELECT signal_id, time, value, batch_id, quality, reason FROM reading_stage "
    "ON CONFLICT (signal_id, time) DO NOTHING RETURNING signal_id, time) "
    "SELECT signal_id, count(*), min(time), max(time) FROM added GROUP BY signal_id, date_trunc('day', time)"
)

#: What the batch itself brought and overruled was never known to anybody and is not kept.
_KEEP_REPLACED = text(
    "WITH replaced AS MATERIALIZED ("
    "SELECT r.* FROM reading_stage s CROSS JOIN LATERAL ("
    "SELECT * FROM reading r WHERE r.signal_id = s.signal_id AND r.time = s.time "
    "AND r.time BETWEEN :earliest AND :latest "
    "AND (r.value, r.quality, r.reason) IS DISTINCT FROM (s.value, s.quality, s.reason) OFFSET 0 FOR UPDATE) r"
    "), kept AS ("
    "INSERT INTO reading_revision (signal_id, time, batch_id, value, quality, reason, replaced_by_batch_id) "
    "SELECT signal_id, time, batch_id, value, quality, reason, :batch_id FROM replaced WHERE batch_id <> :batch_id) "
    "SELECT count(*) FROM replaced"
)

_REVISE = text(
    "WITH revised AS ("
    "INSERT INTO reading AS r (signal_id, time, value, batch_id, quality, reason) "
    "SELECT signal_id, time, value, batch_id, quality, reason FROM reading_stage "
    "ON CONFLICT (signal_id, time) DO UPDATE SET value = excluded.value, batch_id = excluded.batch_id, "
    "quality = excluded.quality, reason = excluded.reason "
    "WHERE (r.value, r.quality, r.reason) IS DISTINCT FROM (excluded.value, excluded.quality, excluded.reason) "
    "RETURNING signal_id, time) "
    "SELECT signal_id, count(*), min(time), max(time) FROM revised GROUP BY signal_id, date_trunc('day', time)"
)
