"""Every version of readings, cores and calibrations in the order of arrival, for replays."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, LiteralString, NamedTuple
from uuid import UUID

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, Connection, select, text, true
from sqlalchemy.orm import aliased

from service.domain.cores.core import Calibration, Core
from service.storage.cores.cores import find_core
from service.storage.database.binary_copy import copy_out
from service.storage.database.epoch import from_us, to_us
from service.storage.database.tables import CalibrationRow, CoreRow
from service.storage.readings.arrival import ArrivalModel, latest_delay
from service.storage.readings.columns import ReadingColumns
from service.storage.sensors.calibrations import find_calibration

CHUNK_ROWS = 100_000


@dataclass(frozen=True, slots=True)
class ArrivedReadings:
    """Readings in the order they arrived, a row a version: a value that was changed later has a row for each.

    ``arrived_us`` is when the batch was received, or is taken as received where ``imported``, in microseconds since the Unix
    epoch, like the times of the readings.
    """

    readings: ReadingColumns
    arrived_us: NDArray[np.int64]
    imported: NDArray[np.bool_]

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
        return ordered.take(last), ArrivedReadings(self.readings.take(rest), self.arrived_us[rest], self.imported[rest])


class RecordedChange(NamedTuple):
    """A core or calibration that was recorded: the new version, and the one it supersedes."""

    at: datetime
    came: Core | Calibration | None
    gone: Core | Calibration | None


def arrived_readings(
    conn: Connection,
    signal_ids: Sequence[int],
    until: datetime,
    *,
    since: datetime | None = None,
    models: Mapping[int, ArrivalModel] | None = None,
) -> ArrivedReadings:
    """Every version of every reading of some signals that had arrived at *until*.

    Parameters
    ----------
    since : only readings of this time or later; None for all.
    models : of signals of which some was imported; None: everything arrived when it was received.
    """
    models = models or {}
    params = {
        "signal_ids": list(signal_ids),
        "since": since or "-infinity",
        "until": until,
        "modelled": list(models),
        "began": [model.began for model in models.values()],
        "delay": [model.delay for model in models.values()],
    }
    parts = list(copy_out(conn, _VERSIONS, params, _COLUMNS, CHUNK_ROWS))
    if not parts:
        return ArrivedReadings(ReadingColumns.empty(), np.empty(0, np.int64), np.empty(0, np.bool_))
    whole = {name: np.concatenate([part[name] for part in parts]) for name in _COLUMNS}
    whole["arrived"], imported = _taken_as_arrived(whole, models)
    kept = np.flatnonzero(whole["arrived"] <= to_us(until))
    order = kept[np.lexsort([whole[name][kept] for name in ("signal_id", "time", "batch", "arrived")])]
    columns = {name: column[order] for name, column in whole.items()}
    return ArrivedReadings(
        ReadingColumns(columns["signal_id"], columns["time"], columns["value"], columns["quality"], columns["reason"]),
        columns["arrived"],
        imported[order],
    )


def _taken_as_arrived(
    whole: Mapping[str, NDArray[Any]], models: Mapping[int, ArrivalModel]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """When each version arrived, and whether that is by the model. Only the first version of a reading goes by it."""
    arrived = whole["arrived"].copy()
    imported = np.zeros(arrived.size, dtype=np.bool_)
    order = np.lexsort((whole["batch"], whole["time"], whole["signal_id"]))
    ids, times = whole["signal_id"][order], whole["time"][order]
    first = np.empty(arrived.size, dtype=np.bool_)
    first[order] = np.append(True, (ids[1:] != ids[:-1]) | (times[1:] != times[:-1]))
    for signal_id, model in models.items():
        rows = first & (whole["signal_id"] == signal_id) & (whole["time"] < to_us(model.began))
        rows &= arrived - whole["time"] > model.later_than // _MICROSECOND
        # In whole minutes, so that what a plant measures every second is not looked at every second.
        modelled = -(-(whole["time"][rows] + model.delay // _MICROSECOND) // _MINUTE_US) * _MINUTE_US
        arrived[rows] = np.minimum(arrived[rows], modelled)
        imported |= rows
    return arrived, imported


def recorded_cores(
    conn: Connection, tank_id: int, until: datetime, model: ArrivalModel | None = None
) -> list[RecordedChange]:
    """Cores of a tank in the order they were recorded; a correction comes with what it corrects, a withdrawal alone goes.

    *model*: of cores that were imported; None: each became known when it was recorded.
    """
    old = aliased(CoreRow)
    rows = conn.execute(
        select(
            CoreRow.id, CoreRow.taken_at, CoreRow.recorded_at, CoreRow.supersedes, CoreRow.withdrawn, CoreRow.tank_id
        )
        .outerjoin(old, old.id == CoreRow.supersedes)
        .where((CoreRow.tank_id == tank_id) | (old.tank_id == tank_id), _known(CoreRow.recorded_at, until, model))
        .order_by(CoreRow.recorded_at, CoreRow.taken_at, CoreRow.replicate, CoreRow.id)
    ).all()
    found: list[RecordedChange] = []
    for row in rows:
        came = None if row.withdrawn or row.tank_id != tank_id else find_core(conn, row.id)
        gone = None if row.supersedes is None else find_core(conn, row.supersedes)
        # A correction may move a core from one tank to another: here it only goes.
        left = None if gone is None or gone.tank_id != tank_id else gone.core
        at = _arrived(row.taken_at, row.recorded_at, row.supersedes, model)
        found.append(RecordedChange(at, None if came is None else came.core, left))
    return _in_order(found, until)


def recorded_calibrations(
    conn: Connection, signal_ids: Sequence[int], until: datetime, model: ArrivalModel | None = None
) -> list[RecordedChange]:
    """Work on some sensors in the order it was recorded, corrections and withdrawals as for cores."""
    old = aliased(CalibrationRow)
    ours = list(signal_ids)
    rows = conn.execute(
        select(
            CalibrationRow.id,
            CalibrationRow.at,
            CalibrationRow.recorded_at,
            CalibrationRow.supersedes,
            CalibrationRow.withdrawn,
        )
        .outerjoin(old, old.id == CalibrationRow.supersedes)
        .where(
            CalibrationRow.signal_id.in_(ours) | old.signal_id.in_(ours),
            _known(CalibrationRow.recorded_at, until, model),
        )
        .order_by(CalibrationRow.recorded_at, CalibrationRow.at, CalibrationRow.id)
    ).all()
    found: list[RecordedChange] = []
    for row in rows:
        came = None if row.withdrawn else find_calibration(conn, row.id)
        gone = None if row.supersedes is None else find_calibration(conn, row.supersedes)
        found.append(
            RecordedChange(
                _arrived(row.at, row.recorded_at, row.supersedes, model),
                came.calibration if came is not None and came.signal_id in ours else None,
                gone.calibration if gone is not None and gone.signal_id in ours else None,
            )
        )
    return _in_order(found, until)


def _known(recorded_at: Any, until: datetime, model: ArrivalModel | None) -> ColumnElement[bool]:
    """What may be known at a time; what was imported may have been recorded long after."""
    return recorded_at <= until if model is None else true()


def _arrived(at: datetime, recorded_at: datetime, supersedes: UUID | None, model: ArrivalModel | None) -> datetime:
    return recorded_at if model is None or supersedes is not None else model.arrived(at, recorded_at)


def _in_order(found: list[RecordedChange], until: datetime) -> list[RecordedChange]:
    return sorted((change for change in found if change.at <= until), key=lambda change: change.at)


def earliest_late_reading(
    conn: Connection, signal_ids: Sequence[int], after: datetime, models: Mapping[int, ArrivalModel] | None = None
) -> datetime | None:
    """The earliest time of a reading that arrived, or got its present value, only after a moment; None where there is none."""
    models = models or {}
    params = {
        "signal_ids": list(signal_ids),
        "after": after,
        "modelled": list(models),
        "began": [model.began for model in models.values()],
        "later_than": [model.later_than for model in models.values()],
    }
    found: datetime | None = conn.execute(_LATE, params).scalar_one()
    # What was imported is taken as arrived within the longest usual delay, rounded up to a minute.
    late = after - latest_delay(models) - timedelta(minutes=1) if models else None
    return min((bound for bound in (found, late) if bound is not None), default=None)


_MICROSECOND = timedelta(microseconds=1)
_MINUTE_US = 60_000_000
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
    ") AS v JOIN batch b ON b.id = v.batch_id "
    "LEFT JOIN unnest(%(modelled)s::integer[], %(began)s::timestamptz[], %(delay)s::interval[]) AS m (id, began, delay) "
    "ON m.id = v.signal_id AND v.time < m.began "
    "WHERE b.received_at <= %(until)s OR v.time + m.delay <= %(until)s"
)

_LATE = text(
    "SELECT min(r.time) FROM reading r JOIN batch b ON b.id = r.batch_id "
    "LEFT JOIN unnest(CAST(:modelled AS integer[]), CAST(:began AS timestamptz[]), CAST(:later_than AS interval[])) "
    "AS m (id, began, later_than) ON m.id = r.signal_id AND r.time < m.began AND b.received_at - r.time > m.later_than "
    "WHERE r.signal_id = ANY(CAST(:signal_ids AS integer[])) AND r.time <= :after AND b.received_at > :after AND m.id IS NULL"
)
