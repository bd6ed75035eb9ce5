"""Store and forward: what a live source sends while the database is away waits in a spool, and goes first when it is back.

A file waits in its folder by itself; a register shows a value once. A :class:`ForwardingSource` stands between such a
source and :func:`ingest` and is a connector itself: it replays its spool before it asks the source, and
:meth:`ForwardingSource.hold` reads the source into the spool when nothing can be stored.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import structlog

from connectors.base import Connector, Delivery, SampleBlock, SourceHealth
from service.storage.spool import Spool, SpoolCounts

log = structlog.get_logger(__name__)

_LENGTH = struct.Struct("<I")
_COLUMNS = (("address_index", "<i4"), ("time_us", "<i8"), ("value", "<f8"), ("quality", "<i2"), ("reason", "<i2"))


class ForwardingSource:
    """A live connector with a spool behind it."""

    def __init__(self, connector: Connector, spool: Spool, every: timedelta = timedelta(seconds=5)) -> None:
        self.key = connector.key
        #: How often it wants to be read.
        self.every = every
        self._connector = connector
        self._spool = spool
        self._open: Delivery | None = None
        self._replayed: int | None = None
        self._state: Mapping[str, Any] | None = None
        self._disk_refuses = False

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        """First what the spool holds, oldest first, then what the source has now."""
        self._keep_open()
        for record in self._spool.pending():
            held = decode(record.payload)
            self._replayed = record.sequence
            yield held
            if self._replayed is not None:
                return  # not stored: what follows must not overtake it
            if self._state is None:
                state = held.state
        for delivery in self._connector.poll(state if self._state is None else self._state):
            self._state = delivery.state
            self._open = delivery
            yield delivery
            if self._open is not None:
                return

    def committed(self, delivery: Delivery) -> None:
        """Trim the spool, or let the source move on."""
        if self._replayed is not None:
            self._spool.trim(self._replayed)
            self._replayed = None
        elif self._open is not None:
            self._open = None
            self._connector.committed(delivery)

    def hold(self) -> int:
        """Read the source into the spool, for the database is away.

        Returns
        -------
        How many samples were put by.

        Raises
        ------
        ConnectorError
            when the source cannot be read either.
        """
        self._replayed = None
        held = self._keep_open()
        state = self._state
        if state is None:
            state = {}
            for record in self._spool.pending():
                state = decode(record.payload).state
        for delivery in self._connector.poll(state):
            self._state = delivery.state
            self._open = delivery
            held += self._keep_open()
        return held

    def remains(self) -> SpoolRemains | None:
        """What the spool still holds, as a source of its own: for the node whose source another node reads now."""
        return SpoolRemains(self.key, self._spool) if self._spool.counts().records else None

    def rest(self) -> None:
        """Leave the source to another node: what it still gives is put by, then the line is closed until the next reading."""
        try:
            if self._state is not None:
                self.hold()
        finally:
            self._state = None
            rest = getattr(self._connector, "rest", None)
            if callable(rest):
                rest()

    def spooled(self) -> SpoolCounts:
        """What the spool holds and has lost."""
        return self._spool.counts()

    def losses_reported(self, counts: SpoolCounts) -> None:
        """The losses in *counts* are written down where people see them."""
        self._spool.losses_reported(counts)

    def health(self) -> SourceHealth | None:
        """The source's own account of itself, if it gives one."""
        asked = getattr(self._connector, "health", None)
        return asked() if callable(asked) else None

    def close(self) -> None:
        """Put by what is on its way, and release the source."""
        try:
            self._keep_open()
        finally:
            self._connector.close()
            self._spool.close()

    def _keep_open(self) -> int:
        """Put a delivery by that was given out and not stored, and let the source move on."""
        delivery, self._open = self._open, None
        if delivery is None:
            return 0
        try:
            if len(delivery.samples):
                self._spool.append(encode(delivery), len(delivery.samples))
                self._tell_of_disk(self._spool.counts())
        finally:
            self._connector.committed(delivery)
        return len(delivery.samples)

    def _tell_of_disk(self, counts: SpoolCounts) -> None:
        refuses = counts.in_memory > 0
        if refuses and not self._disk_refuses:
            log.error(
                "neither database nor disk takes anything: what is read waits in memory; free space on the disk",
                source=self.key,
            )
        self._disk_refuses = refuses


class SpoolRemains:
    """A spool alone as a connector. It moves no place in the source: that is kept by whoever reads it now."""

    def __init__(self, key: str, spool: Spool) -> None:
        self.key = key
        self._spool = spool
        self._offered: int | None = None

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        """What the spool holds, oldest first."""
        for record in self._spool.pending():
            self._offered = record.sequence
            yield replace(decode(record.payload), state=state)
            if self._offered is not None:
                return

    def committed(self, delivery: Delivery) -> None:
        """Trim the spool."""
        if self._offered is not None:
            self._spool.trim(self._offered)
            self._offered = None

    def close(self) -> None:
        """Nothing is held open."""


def encode(delivery: Delivery) -> bytes:
    """A delivery of a live source as bytes: its head as JSON, then its columns."""
    block = delivery.samples
    head = json.dumps(
        {
            "origin": delivery.origin,
            "state": dict(delivery.state),
            "addresses": list(block.addresses),
            "samples": len(block),
        },
        separators=(",", ":"),
    ).encode("utf-8")
    columns = b"".join(np.ascontiguousarray(getattr(block, name), dtype=kind).tobytes() for name, kind in _COLUMNS)
    return _LENGTH.pack(len(head)) + head + columns


def decode(data: bytes) -> Delivery:
    """The delivery that :func:`encode` wrote."""
    (length,) = _LENGTH.unpack_from(data)
    head = json.loads(data[_LENGTH.size : _LENGTH.size + length])
    position = _LENGTH.size + length
    columns = {}
    for name, kind in _COLUMNS:
        size = np.dtype(kind).itemsize * head["samples"]
        columns[name] = np.frombuffer(data, dtype=kind, count=head["samples"], offset=position)
        position += size
    return Delivery(
        origin=head["origin"],
        samples=SampleBlock(addresses=tuple(head["addresses"]), **columns),
        state=head["state"],
    )
