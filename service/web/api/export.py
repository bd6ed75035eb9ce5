"""Streams whole tables: CSV for spreadsheets, Parquet for programs.

Each export has its own thread and connection, which end with the client: a cancelled or stalled download holds nothing. No
other thread touches that connection.
"""

from __future__ import annotations

import asyncio
import contextlib
import csv
import io
import queue
import threading
from collections.abc import AsyncIterator, Callable, Iterable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Literal

import psycopg
import structlog
from fastapi import HTTPException
from fastapi.responses import StreamingResponse
from sqlalchemy import Connection
from starlette.types import Receive, Send
from starlette.types import Scope as AsgiScope

from service.jobs.cores.round import round_values
from service.reports.rendering.document import csv_safe
from service.storage.alarms.alarms import journal, journal_span
from service.storage.blanket.estimates import estimates_span, stream_estimates
from service.storage.cores.cores import current_cores
from service.storage.cores.rounds import rounds_between, rounds_span
from service.storage.database.epoch import from_us
from service.storage.database.session import dedicated_connection, psycopg_connection
from service.storage.readings.readings import stream_between
from service.web.base.plant import WebPlant

log = structlog.get_logger(__name__)

Form = Literal["csv", "parquet"]
What = Literal["readings", "estimates", "cores", "rounds", "journal"]
Row = Mapping[str, Any]

#: Estimates and journal are asked for by so much.
CHUNK_SPAN = timedelta(days=7)
#: So many cores, and so many estimates, are in memory at once.
CORES_AT_ONCE = 2000
ESTIMATES_AT_ONCE = 5000
#: Concurrent exports; each holds a database connection.
_running = threading.BoundedSemaphore(3)
#: A client that reads nothing for so long is gone. [s]
CLIENT_WAIT_S = 60.0
#: Pieces read ahead of the client.
QUEUED_PIECES = 4

#: The columns of each table, and what they hold in Parquet (Arrow's names of types).
_TIME = "timestamp[us]"
Columns = Mapping[str, str]
COLUMNS: dict[What, Columns] = {
    "readings": {
        "tag": "string",
        "time": _TIME,
        "value": "double",
        "quality": "int16",
        "reason": "int16",
    },
    "estimates": {
        "tank": "string",
        "time": _TIME,
        "height_m": "double",
        "sd_m": "double",
        "low_m": "double",
        "high_m": "double",
        "rate_m_per_h": "double",
        "trust": "string",
        "reason": "string",
        "as_known": "string",
    },
    "cores": {
        "id": "string",
        "tank": "string",
        "taken_at": _TIME,
        "thickness_m": "double",
        "distance_from_wall_m": "double",
        "replicate": "int16",
        "fluff_m": "double",
        "surface": "string",
        "taken_by": "string",
        "note": "string",
        "typed_value": "double",
        "typed_unit": "string",
        "correction_reason": "string",
    },
    "rounds": {
        "id": "string",
        "tank": "string",
        "taken_at": _TIME,
        "words": "string",
        "torque": "double",
        "taken_by": "string",
        "note": "string",
        "correction_reason": "string",
    },
    "journal": {
        "id": "int64",
        "at": _TIME,
        "alarm": "string",
        "tank": "string",
        "event": "string",
        "from_state": "string",
        "to_state": "string",
        "reason": "string",
        "actor": "string",
    },
}


def export(
    plant: WebPlant, what: What, form: Form, tanks: Sequence[str], start: datetime, end: datetime
) -> StreamingResponse:
    """Stream a table.

    Raises
    ------
    HTTPException
        503 while too many exports are running.
    """
    if not _running.acquire(blocking=False):
        raise HTTPException(503, "Other exports are running; try again when they are done.", {"Retry-After": "30"})
    name = f"{what}-{start:%Y%m%d}-{end:%Y%m%d}.{form}"
    kind = "text/csv; charset=utf-8" if form == "csv" else "application/vnd.apache.parquet"

    def pieces(conn: Connection) -> Iterator[bytes]:
        return (_csv if form == "csv" else _parquet)(COLUMNS[what], _ROWS[what](conn, plant, tanks, start, end))

    producer = _Producer(plant, pieces)
    return _Download(producer, media_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'})


class _Producer:
    """Reads a table on its own thread, a few pieces ahead of the consumer; owns the connection."""

    def __init__(self, plant: WebPlant, pieces: Callable[[Connection], Iterator[bytes]]) -> None:
        self._plant = plant
        self._pieces = pieces
        self._ready: queue.Queue[bytes | BaseException | None] = queue.Queue(QUEUED_PIECES)
        self._over = threading.Event()
        self._cancel: Callable[[], None] | None = None
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, name="export", daemon=True)
        self._thread.start()

    def end(self) -> None:
        """Cancel; returns at once. The thread closes its connection."""
        self._over.set()
        with self._lock:
            if self._cancel is not None:
                # Cancelling opens another connection, so it needs another thread: this one may be the event loop's.
                threading.Thread(target=_cancelled, args=(self._cancel,), name="export cancel", daemon=True).start()

    async def taken(self) -> AsyncIterator[bytes]:
        """The pieces as they come; raises what the reading raised."""
        while True:
            piece = await asyncio.to_thread(self._next)
            if piece is None:
                return
            if isinstance(piece, BaseException):
                raise piece
            if piece:
                yield piece

    def _next(self) -> bytes | BaseException | None:
        try:
            # Short, so that the waiting thread is free soon after the client has gone.
            return self._ready.get(timeout=1.0)
        except queue.Empty:
            return None if self._over.is_set() else b""

    def _run(self) -> None:
        try:
            with dedicated_connection(self._plant.engine) as conn:
                line = psycopg_connection(conn)
                with self._lock:
                    self._cancel = line.cancel_safe
                try:
                    for piece in self._pieces(conn):
                        if not self._put(piece):
                            return
                finally:
                    with self._lock:
                        self._cancel = None
            self._put(None)
        except Exception as error:  # raised again in pieces(), for the consumer
            if not self._over.is_set():
                log.warning("export broke off", error=str(error))
                self._put(error)
        finally:
            self._over.set()
            _running.release()

    def _put(self, piece: bytes | BaseException | None) -> bool:
        """Queue a piece; False when the consumer is gone."""
        waited = 0.0
        while not self._over.is_set() and waited < CLIENT_WAIT_S:
            try:
                self._ready.put(piece, timeout=0.5)
                return True
            except queue.Full:
                waited += 0.5
        return False


def _cancelled(cancel: Callable[[], None]) -> None:
    with contextlib.suppress(psycopg.Error):  # it ended by itself meanwhile
        cancel()


class _Download(StreamingResponse):
    """A download; however it ends, its producer ends with it."""

    def __init__(self, producer: _Producer, media_type: str, headers: Mapping[str, str]) -> None:
        super().__init__(producer.taken(), media_type=media_type, headers=headers)
        self._producer = producer

    async def __call__(self, scope: AsgiScope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._producer.end()


def _csv(columns: Columns, chunks: Iterable[list[Row]]) -> Iterator[bytes]:
    buffer = io.StringIO()
    writer = csv.writer(buffer)
    writer.writerow(columns)
    for chunk in chunks:
        for row in chunk:
            writer.writerow([csv_safe(_plain(row[name])) for name in columns])
        yield buffer.getvalue().encode("utf-8")
        buffer.seek(0)
        buffer.truncate()
    yield buffer.getvalue().encode("utf-8")


def _plain(cell: Any) -> Any:
    if isinstance(cell, datetime):
        return cell.isoformat()
    return "" if cell is None else cell


class _Sink(io.RawIOBase):
    """A file for the Parquet writer, emptied piece by piece."""

    def __init__(self) -> None:
        super().__init__()
        self._parts: list[bytes] = []
        self._at = 0

    def writable(self) -> bool:
        return True

    def write(self, part: Any) -> int:
        self._parts.append(bytes(part))
        self._at += len(self._parts[-1])
        return len(self._parts[-1])

    def tell(self) -> int:
        return self._at

    def taken(self) -> bytes:
        whole, self._parts = b"".join(self._parts), []
        return whole


def _parquet(columns: Columns, chunks: Iterable[list[Row]]) -> Iterator[bytes]:
    # Some 40 MB in memory, for the few who ask for this form.
    import pyarrow as pa
    import pyarrow.parquet as pq

    kinds = {
        name: pa.timestamp("us", tz="UTC") if kind == _TIME else pa.type_for_alias(kind)
        for name, kind in columns.items()
    }
    schema = pa.schema(list(kinds.items()))
    sink = _Sink()
    with pq.ParquetWriter(pa.PythonFile(sink, mode="w"), schema, compression="snappy") as writer:
        for chunk in chunks:
            if chunk:
                writer.write_table(pa.Table.from_pylist([dict(row) for row in chunk], schema=schema))
                yield sink.taken()
    yield sink.taken()


def _readings(
    conn: Connection, plant: WebPlant, tanks: Sequence[str], start: datetime, end: datetime
) -> Iterator[list[Row]]:
    setups = [setup for setup in plant.setups if setup.tank.key in tanks]
    tags = dict.fromkeys(signal.tag for setup in setups for signal in (*setup.blankets, *setup.others))
    tag_of = {plant.ids.signals[tag]: tag for tag in tags}
    for columns in stream_between(conn, list(tag_of), start, end, chunk_rows=20_000):
        yield [
            {"tag": tag_of[signal], "time": from_us(time), "value": value, "quality": quality, "reason": reason}
            for signal, time, value, quality, reason in zip(
                columns.signal_id.tolist(),
                columns.time_us.tolist(),
                columns.value.tolist(),
                columns.quality.tolist(),
                columns.reason.tolist(),
                strict=True,
            )
        ]


def _stretches(
    start: datetime, end: datetime, span: tuple[datetime, datetime] | None
) -> Iterator[tuple[datetime, datetime]]:
    """Split a range into pieces, clipped to the data."""
    if span is None:
        return
    start, end = max(start, span[0]), min(end, span[1] + timedelta.resolution)
    while start < end:
        yield start, min(start + CHUNK_SPAN, end)
        start += CHUNK_SPAN


def _estimates(
    conn: Connection, plant: WebPlant, tanks: Sequence[str], start: datetime, end: datetime
) -> Iterator[list[Row]]:
    ids = [plant.ids.tanks[key] for key in tanks]
    for first, last in _stretches(start, end, estimates_span(conn, ids)):
        for found in stream_estimates(conn, ids, first, last, at_once=ESTIMATES_AT_ONCE):
            yield [
                {
                    "tank": e.tank,
                    "time": e.time,
                    "height_m": e.height,
                    "sd_m": e.sd,
                    "low_m": e.interval[0],
                    "high_m": e.interval[1],
                    "rate_m_per_h": e.rate,
                    "trust": e.trust.value,
                    "reason": e.reason.value,
                    "as_known": "now",  # the past as it is known today, with what came later
                }
                for e in found
            ]


def _cores(
    conn: Connection, plant: WebPlant, tanks: Sequence[str], start: datetime, end: datetime
) -> Iterator[list[Row]]:
    ids = [plant.ids.tanks[key] for key in tanks]
    while found := current_cores(conn, ids, start, end, limit=CORES_AT_ONCE):
        yield [
            {
                "id": str(r.core.id),
                "tank": r.core.tank,
                "taken_at": r.core.taken_at,
                "thickness_m": r.core.thickness,
                "distance_from_wall_m": r.core.distance_from_wall,
                "replicate": r.core.replicate,
                "fluff_m": r.core.fluff,
                "surface": "; ".join(r.core.surface),
                "taken_by": r.core.taken_by,
                "note": r.core.note,
                "typed_value": r.typed_value,
                "typed_unit": r.typed_unit,
                "correction_reason": r.correction_reason,
            }
            for r in found
        ]
        start = found[-1].core.taken_at + timedelta.resolution  # cores of one moment come together


def _rounds(
    conn: Connection, plant: WebPlant, tanks: Sequence[str], start: datetime, end: datetime
) -> Iterator[list[Row]]:
    ids = [plant.ids.tanks[key] for key in tanks]
    for first, last in _stretches(start, end, rounds_span(conn)):
        found = rounds_between(conn, ids, first, last, limit=None)
        yield [{**round_values(r), "id": str(r.seen.id), "words": "; ".join(r.seen.words)} for r in found]


def _journal(
    conn: Connection, plant: WebPlant, tanks: Sequence[str], start: datetime, end: datetime
) -> Iterator[list[Row]]:
    for first, last in _stretches(start, end, journal_span(conn)):
        yield [
            {
                "id": line.id,
                "at": line.at,
                "alarm": line.key,
                "tank": line.tank or "",
                "event": line.event,
                "from_state": line.from_state,
                "to_state": line.to_state,
                "reason": line.reason,
                "actor": line.actor,
            }
            for line in reversed(journal(conn, start=first, end=last))
            if line.tank is None or line.tank in tanks
        ]


_ROWS = {"readings": _readings, "estimates": _estimates, "cores": _cores, "rounds": _rounds, "journal": _journal}
