"""Copy rows of fixed width to and from PostgreSQL by binary COPY, straight from and into numpy columns.

The layout is that of PostgreSQL's documentation of COPY, section "Binary Format": a 19-byte header, then for every row
the number of fields and for every field its length and its bytes, big-endian; a row with field count -1 ends it.
Timestamps are microseconds since 2000-01-01 UTC.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, LiteralString

import numpy as np
from numpy.typing import NDArray
from psycopg import sql
from sqlalchemy import Connection

from service.storage.database.session import psycopg_connection

_HEADER = b"PGCOPY\n\xff\r\n\x00" + bytes(8)
_TRAILER = b"\xff\xff"
_POSTGRES_EPOCH_US = 946_684_800_000_000
#: Rows per write: small enough that the server works on one slice while the next is laid out.
_SLICE_ROWS = 8_192

#: Columns of this name hold times, as microseconds since the Unix epoch in numpy.
TIME = "time"


def copy_in(conn: Connection, table: str, columns: Mapping[str, NDArray[Any]]) -> None:
    """Append equally long numpy columns to *table*; a column named ``time`` is taken as microseconds since 1970.

    Raises
    ------
    psycopg.Error
        as the server sends it, so that the caller can tell a unique violation from the rest.
    """
    rows = next(iter(columns.values())).size
    layout = _layout({name: column.dtype for name, column in columns.items()})
    statement = copy_in_statement(table, columns)
    slice_rows = np.empty(min(rows, _SLICE_ROWS), dtype=layout)
    slice_rows["fields"] = len(columns)
    for name, column in columns.items():
        slice_rows[f"length of {name}"] = column.dtype.itemsize
    with psycopg_connection(conn).cursor() as cursor, cursor.copy(statement) as copy:
        copy.write(_HEADER)
        for start in range(0, rows, _SLICE_ROWS):
            stop = min(start + _SLICE_ROWS, rows)
            part = slice_rows[: stop - start]
            for name, column in columns.items():
                if name == TIME:
                    np.subtract(column[start:stop], _POSTGRES_EPOCH_US, out=part[name])
                else:
                    part[name] = column[start:stop]
            copy.write(part.tobytes())
        copy.write(_TRAILER)


def copy_out(
    conn: Connection,
    query: LiteralString,
    params: Mapping[str, Any],
    columns: Mapping[str, np.dtype[Any]],
    chunk_rows: int,
) -> Iterator[dict[str, NDArray[Any]]]:
    """Stream the rows of *query* as numpy columns, at most *chunk_rows* at a time.

    *columns* names what the query selects, in order; none may be null. A column named ``time`` comes as microseconds since
    1970.
    """
    layout = _layout(columns)
    # A reader that stops half way cancels the statement; the savepoint keeps the transaction usable after that.
    with (
        conn.begin_nested(),
        psycopg_connection(conn).cursor() as cursor,
        cursor.copy(sql.SQL("COPY ({}) TO STDOUT (FORMAT BINARY)").format(sql.SQL(query)), params) as copy,
    ):
        pending: list[bytes] = []
        size = -len(_HEADER)
        for piece in copy:
            pending.append(bytes(piece))
            size += len(piece)
            if size >= chunk_rows * layout.itemsize:
                whole, rest = _whole_rows(b"".join(pending), layout)
                yield _columns(whole, layout, columns)
                pending, size = [rest], len(rest)
        whole, _ = _whole_rows(b"".join(pending), layout)
        if whole:
            yield _columns(whole, layout, columns)


def copy_in_statement(table: str, columns: Iterable[str]) -> sql.Composed:
    """Build the COPY statement that appends rows of these columns in binary form."""
    return sql.SQL("COPY {} ({}) FROM STDIN (FORMAT BINARY)").format(
        sql.Identifier(table), sql.SQL(", ").join(map(sql.Identifier, columns))
    )


def _whole_rows(data: bytes, layout: np.dtype[Any]) -> tuple[bytes, bytes]:
    """Split off complete rows; what is left over is less than a row (or the two bytes that end the stream)."""
    body = data[len(_HEADER) :] if data.startswith(_HEADER) else data
    whole = len(body) // layout.itemsize * layout.itemsize
    return body[:whole], body[whole:]


def _layout(columns: Mapping[str, np.dtype[Any]]) -> np.dtype[Any]:
    fields: list[tuple[str, np.dtype[Any]]] = [("fields", np.dtype(">i2"))]
    for name, kind in columns.items():
        fields += [(f"length of {name}", np.dtype(">i4")), (name, kind.newbyteorder(">"))]
    return np.dtype(fields)


def _columns(data: bytes, layout: np.dtype[Any], columns: Mapping[str, np.dtype[Any]]) -> dict[str, NDArray[Any]]:
    rows = np.frombuffer(data, dtype=layout)
    out = {name: rows[name].astype(kind) for name, kind in columns.items()}
    if TIME in out:
        out[TIME] += _POSTGRES_EPOCH_US
    return out
