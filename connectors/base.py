"""The interface between plant and service: a connector delivers samples, and commits its place when they are stored.

The service drives every connector the same way::

    for delivery in connector.poll(state):       # state: what the connector stored last time
        ...store delivery.samples and delivery.state in one transaction...
        connector.committed(delivery)            # only now may files be moved, queues be trimmed

A crash between any two of these lines repeats a delivery; storing is idempotent, so a repeat changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from enum import IntEnum
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray


class SourceQuality(IntEnum):
    """The source's own quality of a value, in the severity order of OPC UA StatusCodes (IEC 62541-4)."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2


class SourceReason(IntEnum):
    """Why a source called a value uncertain or bad. Numbers are stored, so they never change meaning."""

    NONE = 0
    SOURCE_UNCERTAIN = 1
    SOURCE_BAD = 2
    UNDER_RANGE = 3
    OVER_RANGE = 4
    LOOP_FAULT_LOW = 5
    LOOP_FAULT_HIGH = 6
    NOT_A_NUMBER = 7
    INSTRUMENT_FAULT = 8
    NO_COMMUNICATION = 9
    MANUAL_HOLD = 10


@dataclass(frozen=True, slots=True)
class Sample:
    """One value as the source gave it, in the source's own unit.

    ``address`` is what the site file maps to a signal: a tag, a column, a register name or a node id.
    ``time`` is the source's own time and is always timezone-aware, in UTC.
    """

    address: str
    time: datetime
    value: float
    quality: SourceQuality = SourceQuality.GOOD
    reason: SourceReason = SourceReason.NONE


@dataclass(frozen=True, slots=True)
class SampleBlock:
    """Many samples as columns.

    ``addresses[address_index[i]]`` is the address of sample *i*; ``time_us`` is microseconds since the Unix epoch, UTC.
    All arrays have the same length.
    """

    addresses: tuple[str, ...]
    address_index: NDArray[np.int32]
    time_us: NDArray[np.int64]
    value: NDArray[np.float64]
    quality: NDArray[np.int16]
    reason: NDArray[np.int16]

    def __len__(self) -> int:
        return int(self.time_us.size)


@dataclass(frozen=True, slots=True)
class Reject:
    """A piece of input that could not become a sample or core: its place, its text and the reason."""

    line: int
    field: str
    text: str
    reason: str


@dataclass(frozen=True, slots=True)
class HandCore:
    """One hand core as delivered; thickness in ``unit``, position as distance from the wall in ``distance_unit``."""

    tank: str
    time: datetime
    thickness: float
    unit: str
    distance_from_wall: float | None = None
    distance_unit: str | None = None
    arm_position: float | None = None
    replicate: int = 1
    fluff: float | None = None
    surface: tuple[str, ...] = ()
    taken_by: str = ""
    note: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True)
class LaboratoryValue:
    """One laboratory or field value as delivered, in ``unit``; an empty ``tank`` is the whole plant.

    ``minute``, ``dilution`` and ``stirred`` are those of a settling test.
    """

    kind: str
    time: datetime
    value: float
    unit: str = ""
    tank: str = ""
    minute: int | None = None
    dilution: float = 1.0
    stirred: bool = False
    taken_by: str = ""
    note: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True)
class Delivery:
    """The samples of one poll, its rejects, and the state to store with them.

    ``origin`` names the file, device or server for people; ``content_hash`` (SHA-256, hex) identifies a file's content. A large
    file comes as several deliveries with the same ``origin`` and ``content_hash``, ``part`` counting from 0 and ``last_part`` set
    on the final one.
    """

    origin: str
    samples: SampleBlock
    rejects: tuple[Reject, ...] = ()
    #: Rejects beyond those listed, of which only the number is known.
    unlisted: int = 0
    cores: tuple[HandCore, ...] = ()
    laboratory: tuple[LaboratoryValue, ...] = ()
    state: Mapping[str, Any] = field(default_factory=dict)
    content_hash: str | None = None
    size_bytes: int | None = None
    part: int = 0
    last_part: bool = True
    #: Filled in by the service before :meth:`Connector.committed`, on the last part: what it refused of the whole file although
    #: the connector could read it (a core deeper than its tank, an address without a signal).
    refused: tuple[Reject, ...] = ()
    #: Refused beyond those listed, of which only the number is known.
    refused_unlisted: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceHealth:
    """The status of a source.

    ``problems`` are sentences for people, one for each problem now. ``waiting`` counts samples queued in the connector, ``lost``
    those it had to drop since it was made. ``clock_skew`` is source clock minus ours [s], None when unknown.
    """

    connected: bool
    problems: tuple[str, ...] = ()
    waiting: int = 0
    lost: int = 0
    clock_skew: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeRow:
    """One configured point, read once for commissioning. ``age`` is our time minus source time [s]."""

    address: str
    place: str
    raw: str
    value: float
    quality: SourceQuality
    reason: SourceReason
    age: float | None = None
    remark: str = ""


@runtime_checkable
class Cancellable(Protocol):
    """A connector whose poll can be cancelled from any thread."""

    def cancel(self) -> None:
        """End the poll under way soon, and start no other."""
        ...


class Connector(Protocol):
    """A source of samples. One instance per ``[[connector]]`` in the site file, used by one thread at a time."""

    key: str

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        """Yield what is new since *state*; raise a ConnectorError when the source cannot be read at all."""
        ...

    def committed(self, delivery: Delivery) -> None:
        """Called when *delivery* is stored; its samples are left out, of one in parts also its rejects and cores."""
        ...

    def close(self) -> None:
        """Release sockets and files; called once, safe to call again."""
        ...


def block_of(samples: list[Sample]) -> SampleBlock:
    """Columns from a list of samples, keeping their order."""
    addresses = tuple(dict.fromkeys(s.address for s in samples))
    index = {address: i for i, address in enumerate(addresses)}
    return SampleBlock(
        addresses=addresses,
        address_index=np.array([index[s.address] for s in samples], dtype=np.int32),
        time_us=np.array([microseconds_of(s.time) for s in samples], dtype=np.int64),
        value=np.array([s.value for s in samples], dtype=np.float64),
        quality=np.array([int(s.quality) for s in samples], dtype=np.int16),
        reason=np.array([int(s.reason) for s in samples], dtype=np.int16),
    )


#: The Unix epoch.
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def microseconds_of(time: datetime) -> int:
    """Microseconds since the Unix epoch, by integer arithmetic: ``timestamp()`` would lose some to float rounding.

    Raises
    ------
    ValueError
        when *time* has no time zone.
    """
    if time.tzinfo is None:
        raise ValueError(f"sample time {time.isoformat()} has no time zone")
    return (time - EPOCH) // timedelta(microseconds=1)
