"""OPC UA: subscribes to the items of one server, reads those that send nothing, and reads the history after an outage.

While connected, the subscription puts values into a bounded queue until they are stored. After an outage or a restart, the
history of the gap is read where the server has one.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from threading import Lock
from typing import Any

from asyncua import ua

from connectors.base import Delivery, ProbeRow, Sample, SourceHealth, SourceQuality, SourceReason, block_of
from connectors.errors import ConnectorError, Malformed, Unreachable
from connectors.opcua.items import Monitoring, OpcuaSource
from connectors.opcua.session import OpcuaSession
from connectors.opcua.status import overflowed, sample_of, status_name, time_of

_BATCH = 10_000
_SKEW_EVERY = timedelta(seconds=60)
#: Items asked for their history in one request.
_HISTORY_ITEMS = 50


class SampleQueue:
    """Samples to be stored, oldest first. An offer stays until it is committed; overflow drops the oldest and is counted.

    Thread-safe.
    """

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._waiting: deque[Sample] = deque()
        self._offered: list[Sample] = []
        self._lock = Lock()
        self._lost = 0

    @property
    def lost(self) -> int:
        """Samples dropped since the queue was made, because it was full."""
        return self._lost

    def __len__(self) -> int:
        with self._lock:
            return len(self._offered) + len(self._waiting)

    def extend(self, samples: Iterable[Sample]) -> None:
        """Append; when full, drop the oldest that were not offered yet."""
        with self._lock:
            for sample in samples:
                if len(self._waiting) >= self._limit:
                    self._waiting.popleft()
                    self._lost += 1
                self._waiting.append(sample)

    def offer(self, most: int) -> list[Sample]:
        """Up to *most* samples to store; the same ones until :meth:`commit`."""
        with self._lock:
            if not self._offered:
                self._offered = [self._waiting.popleft() for _ in range(min(most, len(self._waiting)))]
            return self._offered

    def commit(self) -> None:
        """Remove what was offered, which is stored."""
        with self._lock:
            self._offered = []


class OpcuaConnector:
    """Reads one OPC UA server. ``clock`` gives our time, for ages and the measurement of clock skew."""

    def __init__(self, source: OpcuaSource, clock: Callable[[], datetime]) -> None:
        self.key = source.key
        self._source = source
        self._clock = clock
        self._queue = SampleQueue(source.buffer)
        self._session = OpcuaSession(source, clock, self._on_values)
        self._offered: int | None = None
        self._offers = 0
        self._subscribed = False
        self._gap: tuple[datetime, datetime] | None = None
        self._seen_to: datetime | None = None
        #: Per item: when a value was last received [our time], and the time of the last value.
        self._received_at: list[datetime] = []
        self._last_time: list[datetime | None] = []
        self._server_timed: set[str] = set()
        self._overflows = 0
        self._dropped_since: datetime | None = None
        self._problem = ""
        self._refused: list[str] = []
        self._history_refused: dict[str, str] = {}
        self._skew: float | None = None
        self._skew_at: datetime | None = None

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        """Connect if necessary, then yield the history of a gap, then the queue."""
        try:
            if not self._session.alive:
                self._open(state)
            if self._dropped_since is not None:
                dropped_since, self._dropped_since = self._dropped_since, None
                self._plan_history(dropped_since)
            if self._gap is not None:
                yield from self._read_history(self._gap)
                self._gap = None
            self._read_silent()
            self._measure_skew()
        except ConnectorError as exc:
            self._problem = str(exc)
            if isinstance(exc, Unreachable):
                self._session.disconnect()
            # What arrived before the connection broke is still stored.
            yield from self._take_queue()
            raise
        self._problem = ""
        yield from self._take_queue()

    def committed(self, delivery: Delivery) -> None:
        """Remove what is stored from the queue."""
        if self._offered is not None and delivery.state.get("offer") == self._offered:
            self._queue.commit()
            self._offered = None
            self._seen_to = datetime.fromisoformat(delivery.state["seen_to"])

    def rest(self) -> None:
        """End the session until the next poll."""
        self._session.disconnect()

    def close(self) -> None:
        """End session and thread."""
        self._session.close()

    def health(self) -> SourceHealth:
        """Connection, refused items, samples lost, clock skew."""
        problems = [self._problem] if self._problem else []
        problems += self._refused
        problems += [f"{name}: no history ({why})." for name, why in sorted(self._history_refused.items())]
        if self._server_timed:
            problems.append(f"{len(self._server_timed)} items bear the server's time, not the source's.")
        if self._overflows:
            problems.append(f"the server dropped values {self._overflows} times because its queue was full.")
        return SourceHealth(
            connected=self._session.alive,
            problems=tuple(problems),
            waiting=len(self._queue),
            lost=self._queue.lost,
            clock_skew=self._skew,
        )

    def probe(self) -> tuple[ProbeRow, ...]:
        """Read every item once."""
        if not self._session.alive:
            self._session.disconnect()
            self._session.connect()
        now = self._clock()
        values = dict(self._session.read(range(len(self._source.items))))
        unresolved = dict(self._session.unresolved)
        return tuple(self._row(i, values.get(i), unresolved.get(i, ""), now) for i in range(len(self._source.items)))

    def _open(self, state: Mapping[str, Any]) -> None:
        self._session.disconnect()
        self._session.connect()
        known = state.get("seen_to")
        seen_to = self._seen_to or (datetime.fromisoformat(known) if isinstance(known, str) else None)
        self._seen_to = seen_to
        self._skew_at = None
        self._history_refused = {}
        items = self._source.items
        self._received_at = [self._clock()] * len(items)
        self._last_time = [None] * len(items)
        self._refused = [f"{items[i].name} ({items[i].node}): {why}." for i, why in self._session.unresolved]
        self._subscribed = False
        if self._source.watch is Monitoring.SUBSCRIBE:
            subscribed = self._session.subscribe()
            self._subscribed = subscribed.offered
            self._refused += [f"{items[i].name} ({items[i].node}): {status_name(c)}." for i, c in subscribed.refused]
            if not subscribed.offered:
                self._refused.append("the server offers no subscription; items are polled instead.")
        if seen_to is not None:
            self._plan_history(seen_to)
        if len(self._session.unresolved) == len(items):
            raise Malformed(self.key, f"none of the {len(items)} items exists: {self._refused[0]}")

    def _plan_history(self, since: datetime) -> None:
        """Have the next poll read the history since *since*, after which values may have been missed.

        The end is after the present, to cover what came while the subscription was made on a server whose clock is ahead.
        """
        if not self._source.history:
            return
        now = self._clock()
        overlap = timedelta(seconds=self._source.history_overlap)
        # A source whose clock was ahead once must not hide the gap.
        start = min(since, now) - overlap
        if self._gap is not None:
            start = min(start, self._gap[0])
        self._gap = (max(start, now - timedelta(seconds=self._source.history_limit)), now + overlap)

    def _on_values(self, values: list[tuple[int, ua.DataValue]]) -> None:
        now = self._clock()
        self._queue.extend([self._sample(i, v, now) for i, v in values])

    def _sample(self, index: int, value: ua.DataValue, now: datetime) -> Sample:
        item = self._source.items[index]
        at, from_server = time_of(value)
        if from_server:
            self._server_timed.add(item.name)
        if value.StatusCode is not None and overflowed(int(value.StatusCode.value)):
            self._overflows += 1
            if (before := self._last_time[index]) is not None:
                self._dropped_since = before if self._dropped_since is None else min(before, self._dropped_since)
        at = now if at is None else at
        self._received_at[index] = now
        self._last_time[index] = at
        return sample_of(item.name, value, item.scaling, at)

    def _read_silent(self) -> None:
        """Read all items without a subscription; with one, those that sent nothing for ``refresh``."""
        now = self._clock()
        refresh = timedelta(seconds=self._source.refresh)
        silent = {i for i, at in enumerate(self._received_at) if now - at >= refresh}
        due = sorted(silent) if self._subscribed else range(len(self._received_at))
        samples: list[Sample] = []
        for index, value in self._session.read(due) if due else []:
            received_at, last_time = self._received_at[index], self._last_time[index]
            sample = self._sample(index, value, now)
            if sample.time == last_time:
                if index not in silent or not self._source.trust_silence or sample.quality is not SourceQuality.GOOD:
                    self._received_at[index] = received_at
                    continue
                sample = replace(sample, time=self._confirmed_time(value, last_time, now))
            samples.append(sample)
        self._queue.extend(samples)

    def _confirmed_time(self, value: ua.DataValue, last_time: datetime, now: datetime) -> datetime:
        """When an old value was last known to be accurate: the server's time if that advances, else the time of this read.

        A server timestamp is when the server knew the value to be accurate (OPC 10000-4, 7.11); servers that do not update it
        were still asked for a value of age 0.
        """
        server, _ = time_of(ua.DataValue(ServerTimestamp=value.ServerTimestamp))
        if server is not None and server > last_time:
            return server
        return now + timedelta(seconds=self._skew or 0.0)

    def _read_history(self, gap: tuple[datetime, datetime]) -> Iterator[Delivery]:
        """The history of every item that has one; the state stays the old one until all of it is stored."""
        start, end = gap
        state = {"seen_to": self._seen_to.isoformat()} if self._seen_to is not None else {}
        indices = self._session.with_history()
        now = self._clock()
        for first in range(0, len(indices), _HISTORY_ITEMS):
            samples: list[Sample] = []
            for index, past in self._session.history(indices[first : first + _HISTORY_ITEMS], start, end):
                item = self._source.items[index]
                if isinstance(past, int):
                    self._history_refused[item.name] = status_name(past)
                    continue
                samples += [sample_of(item.name, value, item.scaling, time_of(value)[0] or now) for value in past]
            for part in range(0, len(samples), _BATCH):
                yield Delivery(
                    origin=f"{self._source.endpoint} history",
                    samples=block_of(samples[part : part + _BATCH]),
                    state=state,
                )

    def _take_queue(self) -> Iterator[Delivery]:
        while batch := self._queue.offer(_BATCH):
            seen_to = max(sample.time for sample in batch)
            if self._seen_to is not None:
                seen_to = max(seen_to, self._seen_to)
            self._offers += 1
            self._offered = self._offers
            yield Delivery(
                origin=self._source.endpoint,
                samples=block_of(batch),
                # The delivery comes back as a copy, so it is known by its number.
                state={"seen_to": seen_to.isoformat(), "offer": self._offers},
            )
            if self._offered is not None:
                return  # it was not stored; offering it again at once would not change that

    def _row(self, index: int, value: ua.DataValue | None, missing: str, now: datetime) -> ProbeRow:
        item = self._source.items[index]
        if value is None:
            return ProbeRow(
                address=item.name,
                place=item.node,
                raw="",
                value=math.nan,
                quality=SourceQuality.BAD,
                reason=SourceReason.SOURCE_BAD,
                remark=missing,
            )
        at, from_server = time_of(value)
        sample = sample_of(item.name, value, item.scaling, at or now)
        code = int(value.StatusCode.value) if value.StatusCode is not None else 0
        remarks = [status_name(code)] if code else []
        if from_server:
            remarks.append("no source time; the server's is shown.")
        if (item.low is not None and sample.value < item.low) or (item.high is not None and sample.value > item.high):
            remarks.append(f"outside {item.low} to {item.high}: check scale and unit.")
        return ProbeRow(
            address=item.name,
            place=item.node,
            raw=str(value.Value.Value) if value.Value is not None else "",
            value=sample.value,
            quality=sample.quality,
            reason=sample.reason,
            age=None if at is None else (now - at).total_seconds(),
            remark=" ".join(remarks),
        )

    def _measure_skew(self) -> None:
        now = self._clock()
        if self._skew_at is None or now - self._skew_at >= _SKEW_EVERY:
            self._skew = self._session.clock_skew()
            self._skew_at = now
