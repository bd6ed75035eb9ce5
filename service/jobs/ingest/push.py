"""Readings posted by a gateway: validate each row, store the valid ones, return a verdict on each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import Engine

from connectors.base import Delivery, Reject, Sample, SourceQuality, SourceReason, block_of
from service.domain.plant.units import convert, to_si
from service.errors import DomainError
from service.jobs.ingest.intake import Intake
from service.jobs.ingest.samples import MOST_AHEAD, OLDEST, SampleReader
from service.jobs.plant.plant import Plant
from service.storage.database.session import transaction
from service.storage.readings.readings import StoredReading, lock_pushes, stored_readings

#: The connector name of pushed readings.
PUSHED = "push"


class RowOutcome(StrEnum):
    """What became of one row."""

    STORED = "stored"
    DUPLICATE = "duplicate"
    REVISED = "revised"
    REJECTED = "rejected"


@dataclass(frozen=True, slots=True)
class RowVerdict:
    """A row by its number, counted from 1, and why when it was rejected."""

    row: int
    verdict: RowOutcome
    reason: str = ""


def store_pushed(
    engine: Engine, plant: Plant, rows: Sequence[Mapping[str, Any]], *, sender: str, now: datetime
) -> tuple[RowVerdict, ...]:
    """Store the valid rows of a batch in one transaction.

    Parameters
    ----------
    rows : each with ``tag``, ``time`` (ISO 8601 with an offset), ``value`` (a number, or nothing where the quality is
        bad), and perhaps ``unit`` (the signal's own when left out) and ``quality`` (good, uncertain or bad).
    sender : who posted it, for the records.

    Raises
    ------
    StorageError
        the database is away or refuses; nothing of the batch was stored.

    Notes
    -----
    Posting the same batch again stores nothing twice: its rows come back as duplicates.
    """
    samples: list[tuple[int, Sample]] = []
    verdicts: dict[int, RowVerdict] = {}
    rejects: list[Reject] = []
    for number, row in enumerate(rows, start=1):
        try:
            samples.append((number, _sample(row, plant, now)))
        except _InvalidRow as invalid:
            verdicts[number] = RowVerdict(number, RowOutcome.REJECTED, str(invalid))
            rejects.append(Reject(number, invalid.field, invalid.text[:200], str(invalid)))
    block = block_of([sample for _, sample in samples])
    delivery = Delivery(origin=sender, samples=block, rejects=tuple(rejects))
    columns = SampleReader(plant, None).read(block, now)
    with transaction(engine) as conn:
        lock_pushes(conn)
        keys = list(zip(columns.signal_id.tolist(), columns.time_us.tolist(), strict=True))
        known = stored_readings(conn, [k[0] for k in keys], [k[1] for k in keys])
        values = zip(columns.value.tolist(), columns.quality.tolist(), columns.reason.tolist(), strict=True)
        for (number, _), key, reading in zip(samples, keys, values, strict=True):
            verdicts[number] = RowVerdict(number, _verdict(known.get(key), reading))
            known[key] = reading
        intake = Intake(PUSHED, plant, None, lambda: now)
        intake.begin(conn, delivery)
        intake.take(delivery)
        intake.finish()
    return tuple(verdicts[number] for number in sorted(verdicts))


class _InvalidRow(Exception):
    """A row that cannot be stored, in words for whoever set up the gateway."""

    def __init__(self, field: str, text: object, reason: str) -> None:
        self.field = field
        self.text = str(text)
        super().__init__(reason)


def _verdict(before: StoredReading | None, after: StoredReading) -> RowOutcome:
    if before is None:
        return RowOutcome.STORED
    same_value = before[0] == after[0] or (math.isnan(before[0]) and math.isnan(after[0]))
    return RowOutcome.DUPLICATE if same_value and before[1:] == after[1:] else RowOutcome.REVISED


def _sample(row: Mapping[str, Any], plant: Plant, now: datetime) -> Sample:
    if not isinstance(row, Mapping):
        raise _InvalidRow("row", row, "the row is no object with tag, time and value")
    strange = sorted(set(row) - {"tag", "time", "value", "unit", "quality"})
    if strange:
        raise _InvalidRow(
            strange[0], row[strange[0]], f"there is no field {strange[0]!r}; known are tag, time, value, unit, quality"
        )
    tag = row.get("tag")
    signal = plant.signals.get(tag) if isinstance(tag, str) else None
    if signal is None:
        raise _InvalidRow("tag", tag, f"no signal of the site file is called {tag!r}")
    at = _time(row.get("time"), now)
    quality = _quality(row.get("quality"))
    value = _value(row.get("value"), quality)
    written = row.get("unit")
    if written not in (None, ""):
        try:
            value = convert(value, str(written), signal.unit)
        except DomainError as error:
            raise _InvalidRow("unit", written, f"{error}; this signal is in {signal.unit}") from None
        if math.isinf(value) or math.isinf(to_si(value, signal.unit)):
            raise _InvalidRow("value", row.get("value"), "the value is beyond all numbers")
    reason = {
        SourceQuality.GOOD: SourceReason.NONE,
        SourceQuality.UNCERTAIN: SourceReason.SOURCE_UNCERTAIN,
        SourceQuality.BAD: SourceReason.SOURCE_BAD,
    }[quality]
    return Sample(signal.tag, at, value, quality, reason)


def _time(written: Any, now: datetime) -> datetime:
    if not isinstance(written, str):
        raise _InvalidRow("time", written, "time is missing; write it as text such as 2026-03-01T03:00:00Z")
    try:
        at = datetime.fromisoformat(written.strip())
    except ValueError:
        raise _InvalidRow("time", written, "this is no time; write it as 2026-03-01T03:00:00Z") from None
    if at.tzinfo is None:
        raise _InvalidRow("time", written, "the time has no offset from UTC; add Z, or one such as -05:00")
    try:
        at = at.astimezone(UTC)
    except OverflowError:
        raise _InvalidRow("time", written, "this time lies beyond the calendar") from None
    if at < OLDEST:
        raise _InvalidRow("time", written, f"the time is before {OLDEST:%Y}: the clock of the gateway is not set")
    if at > now + MOST_AHEAD:
        raise _InvalidRow("time", written, "the time is more than a day ahead: check clock and offset of the gateway")
    return at


def _quality(written: Any) -> SourceQuality:
    if written in (None, ""):
        return SourceQuality.GOOD
    try:
        return SourceQuality[str(written).strip().upper()]
    except KeyError:
        raise _InvalidRow("quality", written, 'quality is "good", "uncertain" or "bad"') from None


def _value(written: Any, quality: SourceQuality) -> float:
    if written is None or (isinstance(written, str) and not written.strip()):
        if quality is SourceQuality.BAD:
            return math.nan
        raise _InvalidRow("value", "", "value is missing; leave it out only where the quality is bad")
    if isinstance(written, bool) or not isinstance(written, int | float | str):
        raise _InvalidRow("value", written, "the value is no number")
    try:
        value = float(written)
    except (ValueError, OverflowError):
        raise _InvalidRow("value", written, "the value is no number; decimals have a point") from None
    if not math.isfinite(value):
        raise _InvalidRow("value", written, "the value is no number; leave it out and set the quality to bad")
    return value
