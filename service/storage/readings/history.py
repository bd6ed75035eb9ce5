"""Every version of readings, cores and calibrations in the order of arrival, for replays."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, LiteralString, NamedTuple

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, select, text
from sqlalchemy.orm import aliased

from service.domain.cores.core import Calibration, Core
from service.storage.cores.cores import find_core
from service.storage.database.binary_copy import copy_out
from service.storage.database.epoch import from_us, to_us
from service.storage.database.tables import CalibrationRow, CoreRow
from service.storage.readings.columns import ReadingColumns
from service.storage.sensors.calibrations import find_calibration

CHUNK_ROWS = 100_000


@dataclass(frozen=True, slots=True)
class ArrivedReadings:
    """Readings in the order they arrived, a row a version: a value that was changed later has a row for each.

    ``arrived_us`` is when the batch was received, in microseconds since the Unix epoch, like the times of the readings.
    """

    readings: ReadingColumns
    arrived_us: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.readings)

    def part(self, rows: slice) -> ReadingColumns:
        """Select a slice of rows."""
        whole = self.readings
        return ReadingColumns(
            whole.signal_id[rows], whole.time_us[rows], whole.value[rows], whole.quality[rows], whole.reason[rows]
        )

    def groups(self) -> Iterator[tuple[datetime, slice]]:
        """Yield each time of arrival and its rows."""
        if not len(self):
            return
        starts = np.flatnonzero(np.append(True, self.arrived_us[1:] != self.arrived_us[:-1])).tolist()
        for start, stop in zip(starts, [*starts[1:], len(self)], strict=True):
            yield from_us(int(self.arrived_us[start])), slice(start, stop)

    def known(self, moment: datetime) -> tuple[ReadingColumns, ArrivedReadings]:
        """Split at a time: what was known then, each reading with its value of then, in the order of time; and what came later."""
        split = int(np.searchsorted(self.arrived_us, to_us(moment), side="right"))
        before = self.readings.take(np.arange(split))
        # Stable: of several versions of a reading the last that arrived comes last.
        order = np.lexsort((before.signal_id, before.time_us))
        ordered = before.take(order)
        last = np.append(
            (ordered.time_us[1:] != ordered.time_us[:-1]) | (ordered.signal_id[1:] != ordered.signal_id[:-1]), True
        )[: len(ordered)]
        rest = np.arange(split, len(self))
        return ordered.take(last), ArrivedReadings(self.readings.take(rest), self.arrived_us[rest])


class RecordedChange(NamedTuple):
    """A core or calibration that was recorded: the new version, and the one it supersedes."""

    at: datetime
    came: Core | Calibration | None
    gone: Core | Calibration | None


def arrived_readings(
    conn: Connection, signal_ids: Sequence[int], until: datetime, *, since: datetime | None = None
) -> ArrivedReadings:
    """Every version of every reading of some signals that had arrived at *until*.

    Parameters
    ----------
    since : only readings of this time or later; None for all.
    """
    params = {"signal_ids": list(signal_ids), "since": since or "-infinity", "until": until}
    parts = list(copy_out(conn, _VERSIONS, params, _COLUMNS, CHUNK_ROWS))
    if not parts:
        return ArrivedReadings(ReadingColumns.empty(), np.empty(0, np.int64))
    whole = {name: np.concatenate([part[name] for part in parts]) for name in _COLUMNS}
    order = np.lexsort((whole["signal_id"], whole["time"], whole["batch"], whole["arrived"]))
    columns = {name: column[order] for name, column in whole.items()}
    return ArrivedReadings(
        ReadingColumns(columns["signal_id"], columns["time"], columns["value"], columns["quality"], columns["reason"]),
        columns["arrived"],
    )


def recorded_cores(conn: Connection, tank_id: int, until: datetime) -> list[RecordedChange]:
    """Cores of a tank in the order they were recorded; a correction comes with what it corrects, a withdrawal alone goes."""
    old = aliased(CoreRow)
    rows = conn.execute(
        select(CoreRow.id, CoreRow.recorded_at, CoreRow.supersedes, CoreRow.withdrawn, CoreRow.tank_id)
        .outerjoin(old, old.id == CoreRow.supersedes)
        .where((CoreRow.tank_id == tank_id) | (old.tank_id == tank_id), CoreRow.recorded_at <= until)
        .order_by(CoreRow.recorded_at, CoreRow.taken_at, CoreRow.replicate, CoreRow.id)
    ).all()
    found: list[RecordedChange] = []
    for row in rows:
        came = None if row.withdrawn or row.tank_id != tank_id else find_core(conn, row.id)
        gone = None if row.supersedes is None else find_core(conn, row.supersedes)
        # A correction may move a core from one tank to another: here it only goes.
        left = None if gone is None or gone.tank_id != tank_id else gone.core
        found.append(RecordedChange(row.recorded_at, None if came is None else came.core, left))
    return found


def recorded_calibrations(conn: Connection, signal_ids: Sequence[int], until: datetime) -> list[RecordedChange]:
    """Work on some sensors in the order it was recorded, corrections and withdrawals as for cores."""
    old = aliased(CalibrationRow)
    ours = list(signal_ids)
    rows = conn.execute(
        select(CalibrationRow.id, CalibrationRow.recorded_at, CalibrationRow.supersedes, CalibrationRow.withdrawn)
        .outerjoin(old, old.id == CalibrationRow.supersedes)
        .where(CalibrationRow.signal_id.in_(ours) | old.signal_id.in_(ours), CalibrationRow.recorded_at <= until)
        .order_by(CalibrationRow.recorded_at, CalibrationRow.at, CalibrationRow.id)
    ).all()
    found: list[RecordedChange] = []
    for row in rows:
        came = None if row.withdrawn else find_calibration(conn, row.id)
        gone = None if row.supersedes is None else find_calibration(conn, row.supersedes)
        found.append(
            RecordedChange(
                row.recorded_at,
                came.calibration if came is not None and came.signal_id in ours else None,
                gone.calibration if gone is not None and gone.signal_id in ours else None,
            )
        )
    return found


def earliest_late_reading(conn: Connection, signal_ids: Sequence[int], after: datetime) -> datetime | None:
    """The earliest time of a reading that arrived, or got its present value, only after a moment; None where there is none."""
    found: datetime | None = conn.execute(_LATE, {"signal_ids": list(signal_ids), "after": after}).scalar_one()
    return found


_COLUMNS: dict[str, np.dtype[Any]] = {
    "signal_id": np.dtype(np.int32),
    "time": np.dtype(np.int64),
    "value": np.dtype(np.float64),
    "quality": np.dtype(np.int16),
    "reason": np.dtype(np.int16),
    "arrived": np.dtype(np.int64),
    "batch": np.dtype(np.int64),
}

_VERSIONS: LiteralString = (
    "SELECT v.signal_id, v.time, v.value, v.quality, v.reason, "
    "(extract(epoch FROM b.received_at) * 1000000)::bigint, b.id FROM ("
    "SELECT signal_id, time, value, quality, reason, batch_id FROM reading "
    "WHERE signal_id = ANY(%(signal_ids)s) AND time >= %(since)s "
    "UNION ALL SELECT signal_id, time, value, quality, reason, batch_id FROM reading_revision "
    "WHERE signal_id = ANY(%(signal_ids)s) AND time >= %(since)s"
    ") AS v JOIN batch b ON b.id = v.batch_id WHERE b.received_at <= %(until)s"
)

_LATE = text(
    "SELECT min(r.time) FROM reading r JOIN batch b ON b.id = r.batch_id "
    "WHERE r.signal_id = ANY(CAST(:signal_ids AS integer[])) AND r.time <= :after AND b.received_at > :after"
)
