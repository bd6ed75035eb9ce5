"""From samples as the source gave them to readings in SI, as columns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from connectors.base import Reject, SampleBlock
from service.domain.reading import Quality, Reason
from service.domain.units import unit
from service.jobs.ingest.plant import Plant
from service.storage.moments import to_us
from service.storage.reading_columns import ReadingColumns

#: A source whose clock says less has lost its battery.
OLDEST = datetime(2000, 1, 1, tzinfo=UTC)
#: A source whose clock is further ahead is wrong by more than any time zone; its values would pass for the newest for days.
MOST_AHEAD = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Read:
    """Readings to store, and how many samples were rejected for which reason."""

    columns: ReadingColumns
    rejected: int
    rejects: tuple[Reject, ...]


class SampleReader:
    """Turns blocks of samples into readings, for one connector."""

    def __init__(self, plant: Plant, tags: Mapping[str, str] | None) -> None:
        self._plant = plant
        self._tags = tags
        self._known: dict[str, tuple[int, float]] = {}

    def read(self, block: SampleBlock, now: datetime) -> Read:
        """Map addresses to signals and units to SI; what has no signal or an impossible time is rejected."""
        if not len(block):
            return Read(ReadingColumns.empty(), 0, ())
        known = [self._signal(address) for address in block.addresses]
        signal_id = np.array([number for number, _ in known], dtype=np.int32)[block.address_index]
        factor = np.array([factor for _, factor in known], dtype=np.float64)[block.address_index]
        too_old = block.time_us < to_us(OLDEST)
        too_new = block.time_us > to_us(now + MOST_AHEAD)
        unknown = signal_id == _UNKNOWN
        value, quality, reason = block.value * factor, block.quality, block.reason
        no_number = ~np.isfinite(value)
        if no_number.any():
            value = np.where(no_number, np.nan, value)
            unexplained = no_number & (quality != Quality.BAD)
            quality = np.where(unexplained, np.int16(Quality.BAD), quality)
            reason = np.where(unexplained, np.int16(Reason.NOT_A_NUMBER), reason)
        columns = ReadingColumns(signal_id, block.time_us, value, quality, reason)
        bad = unknown | too_old | too_new
        if not bad.any():
            return Read(columns, 0, ())
        rejects: list[Reject] = []
        for i, address in enumerate(block.addresses):
            here = block.address_index == i
            for rows, why in (
                (here & unknown, "no signal of the site file has this address; add it, or take it out of the source"),
                (here & too_old & ~unknown, f"its time is before {OLDEST:%Y}: the clock of the source is not set"),
                (
                    here & too_new & ~unknown,
                    "its time is more than a day ahead: check clock and time zone of the source",
                ),
            ):
                count = int(np.count_nonzero(rows))
                if count:
                    rejects.append(Reject(line=0, field=address, text=_how_many(count), reason=why))
        return Read(columns.take(~bad), int(np.count_nonzero(bad)), tuple(rejects))

    def _signal(self, address: str) -> tuple[int, float]:
        if address not in self._known:
            tag = address if self._tags is None else self._tags.get(address)
            signal = None if tag is None else self._plant.signals.get(tag)
            if signal is None:
                self._known[address] = (_UNKNOWN, np.nan)
            else:
                self._known[address] = (self._plant.ids.signals[signal.tag], unit(signal.unit).factor)
        return self._known[address]


_UNKNOWN = -1


def _how_many(count: int) -> str:
    return "1 sample" if count == 1 else f"{count} samples"
