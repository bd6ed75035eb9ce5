"""Spool record format: encode a delivery of a live source as bytes, and decode it."""

from __future__ import annotations

import json
import struct

import numpy as np

from connectors.base import Delivery, SampleBlock

_LENGTH = struct.Struct("<I")
_COLUMNS = (("address_index", "<i4"), ("time_us", "<i8"), ("value", "<f8"), ("quality", "<i2"), ("reason", "<i2"))


def encode(delivery: Delivery) -> bytes:
    """Encode a delivery of a live source: a JSON header, then its columns."""
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
    """Decode what :func:`encode` wrote.

    Raises
    ------
    ValueError
        these bytes are no such delivery: another version wrote them, or they are damaged.
    """
    try:
        (length,) = _LENGTH.unpack_from(data)
        head = json.loads(data[_LENGTH.size : _LENGTH.size + length])
        position = _LENGTH.size + length
        if head["samples"] < 0:
            raise ValueError("it holds less than nothing")
        columns = {}
        for name, kind in _COLUMNS:
            size = np.dtype(kind).itemsize * head["samples"]
            columns[name] = np.frombuffer(data, dtype=kind, count=head["samples"], offset=position)
            position += size
        addresses = tuple(str(address) for address in head["addresses"])
        index = columns["address_index"]
        if index.size and not (int(index.min()) >= 0 and int(index.max()) < len(addresses)):
            raise ValueError("a sample has no address")
        return Delivery(
            origin=str(head["origin"]),
            samples=SampleBlock(addresses=addresses, **columns),
            state=dict(head["state"]),
        )
    except (ValueError, LookupError, TypeError, struct.error) as exc:
        raise ValueError(f"it cannot be read as a record of this version ({exc})") from exc
