"""Archive files: a month of rows as Parquet, written atomically, with a checksum to verify it."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from service.errors import StorageError
from service.storage.database.fsync import sync_folder
from service.storage.trends.chart_series import Source

#: Tables that are archived: time series by partition; batches, the journal and its messages by row.
Kept = Source | Literal["batch", "alarm_event", "outbox", "delivery_attempt"]

_TIME = pa.timestamp("us", tz="UTC")
#: JSON as it is written.
_JSON = pa.string()
SCHEMAS: dict[Kept, pa.Schema] = {
    "reading": pa.schema(
        [
            ("signal_id", pa.int32()),
            ("time", _TIME),
            ("value", pa.float64()),
            ("batch_id", pa.int64()),
            ("quality", pa.int16()),
            ("reason", pa.int16()),
        ]
    ),
    "assessment": pa.schema(
        [
            ("signal_id", pa.int32()),
            ("time", _TIME),
            ("height", pa.float64()),
            ("corrected", pa.float64()),
            ("verdict", pa.int16()),
        ]
    ),
    "estimate": pa.schema(
        [
            ("tank_id", pa.int32()),
            ("time", _TIME),
            ("height", pa.float64()),
            ("sd", pa.float64()),
            ("rate", pa.float64()),
            ("trust", pa.string()),
            ("reason", pa.string()),
            ("stories", pa.list_(pa.float64())),
        ]
    ),
    "batch": pa.schema(
        [
            ("id", pa.int64()),
            ("received_at", _TIME),
            ("connector", pa.string()),
            ("origin", pa.string()),
            ("accepted", pa.int32()),
            ("duplicate", pa.int32()),
            ("revised", pa.int32()),
            ("rejected", pa.int32()),
        ]
    ),
    "alarm_event": pa.schema(
        [
            ("id", pa.int64()),
            ("alarm_id", pa.int32()),
            ("at", _TIME),
            ("recorded_at", _TIME),
            ("event", pa.string()),
            ("from_state", pa.string()),
            ("to_state", pa.string()),
            ("reason", pa.string()),
            ("actor", pa.string()),
            ("detail", _JSON),
        ]
    ),
    "outbox": pa.schema(
        [
            ("id", pa.int64()),
            ("key", pa.string()),
            ("alarm_event_id", pa.int64()),
            ("channel", pa.string()),
            ("recipient", pa.string()),
            ("payload", _JSON),
            ("status", pa.string()),
            ("attempts", pa.int32()),
            ("created_at", _TIME),
            ("next_attempt_at", _TIME),
            ("claimed_until", _TIME),
            ("sent_at", _TIME),
            ("gateway_id", pa.string()),
            ("delivered_at", _TIME),
        ]
    ),
    "delivery_attempt": pa.schema(
        [
            ("id", pa.int64()),
            ("outbox_id", pa.int64()),
            ("at", _TIME),
            ("outcome", pa.string()),
            ("reason", pa.string()),
            ("answer", pa.string()),
        ]
    ),
}


@dataclass(frozen=True, slots=True)
class Content:
    """Row count and checksum (SHA-256 over all values in order)."""

    rows: int
    checksum: str


class _Checksum:
    def __init__(self) -> None:
        self._digest = hashlib.sha256()
        self._rows = 0

    def add(self, table: pa.Table) -> None:
        self._rows += table.num_rows
        for column in table.itercolumns():
            if column.null_count:
                self._digest.update(np.ascontiguousarray(column.is_null().to_numpy()).tobytes())
            if pa.types.is_string(column.type):
                self._digest.update("\x00".join(column.fill_null("").to_pylist()).encode("utf-8"))
            elif pa.types.is_list(column.type):
                for numbers in (pc.list_value_length(column).fill_null(0), pc.list_flatten(column)):
                    self._digest.update(np.ascontiguousarray(numbers.to_numpy()).tobytes())
            else:
                number = column.cast(pa.int64()) if pa.types.is_timestamp(column.type) else column
                self._digest.update(np.ascontiguousarray(number.fill_null(0).to_numpy()).tobytes())

    def content(self) -> Content:
        return Content(self._rows, self._digest.hexdigest())


def write(path: Path, source: Kept, parts: Iterable[pa.Table]) -> Content:
    """Write the rows under a temporary name, sync them to disk, then rename the file.

    Raises
    ------
    StorageError
        when the file cannot be written; nothing of it is left.
    """
    unfinished = path.with_suffix(".unfinished")
    total = _Checksum()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            with pq.ParquetWriter(unfinished, SCHEMAS[source], compression="zstd") as writer:
                for part in parts:
                    writer.write_table(part, row_group_size=max(1, part.num_rows))
                    total.add(part)
            with unfinished.open("rb") as file:
                os.fsync(file.fileno())
            unfinished.rename(path)
            sync_folder(path.parent)
        finally:
            unfinished.unlink(missing_ok=True)
    except OSError as error:
        raise StorageError(
            f"The archive file {path} cannot be written: {error.strerror or error}. Nothing was taken out of the database;"
            " free space there, or choose another folder (UNDERWEIR_ARCHIVE_DIR).",
            retryable=True,
        ) from error
    return total.content()


def read(path: Path, columns: Sequence[str] | None = None) -> Iterator[pa.Table]:
    """Yield the rows of a file in the order they were written; only *columns* where given.

    Raises
    ------
    StorageError
        when the file is missing or damaged.
    """
    try:
        with pq.ParquetFile(path) as file:
            for number in range(file.num_row_groups):
                yield file.read_row_group(number, columns)
    except (OSError, pa.ArrowException) as error:
        raise StorageError(
            f"The archive file {path} cannot be read: {str(error).splitlines()[0]}. Bring it back from a backup.",
            retryable=False,
        ) from error


def content_of(path: Path) -> Content:
    """Read a whole file and return its row count and checksum."""
    total = _Checksum()
    for part in read(path):
        total.add(part)
    return total.content()
