"""Convert samples to readings: addresses to signals, units to SI, as columns."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

import numpy as np

from connectors.base import Reject, SampleBlock
from service.domain.plant.reading import Quality, ReadingReason
from service.domain.plant.units import unit
from service.jobs.plant.plant import Plant
from service.storage.database.epoch import to_us
from service.storage.readings.columns import ReadingColumns

#: A source whose clock says less has lost its battery.
OLDEST = datetime(2000, 1, 1, tzinfo=UTC)
#: A source whose clock is further ahead is wrong by more than any time zone; its values would pass for the newest for days.
MOST_AHEAD = timedelta(days=1)


class SampleReader:
    """Turns blocks of samples into readings, for one connector."""

    def __init__(self, plant: Plant, tags: Mapping[str, str] | None) -> None:
        self._plant = plant
        self._tags = tags
        self._known: dict[str, tuple[int, float, float]] = {}
        self._rejected: Counter[tuple[str, str]] = Counter()

    def read(self, block: SampleBlock, now: datetime) -> ReadingColumns:
        """Map addresses to signals and units to SI; what has no signal or an impossible time is left out and counted."""
        if not len(block):
            return ReadingColumns.empty()
        known = [self._signal(address) for address in block.addresses]
        signal_id = np.array([number for number, _, _ in known], dtype=np.int32)[block.address_index]
        factor = np.array([factor for _, factor, _ in known], dtype=np.float64)[block.address_index]
        offset = np.array([offset for _, _, offset in known], dtype=np.float64)[block.address_index]
        too_old = block.time_us < to_us(OLDEST)
        too_new = block.time_us > to_us(now + MOST_AHEAD)
        unknown = signal_id == _UNKNOWN
        value, quality, reason = block.value * factor + offset, block.quality, block.reason
        no_number = ~np.isfinite(value)
        if no_number.any():
            value = np.where(no_number, np.nan, value)
            unexplained = no_number & (quality != Quality.BAD)
            quality = np.where(unexplained, np.int16(Quality.BAD), quality)
            reason = np.where(unexplained, np.int16(ReadingReason.NOT_A_NUMBER), reason)
        columns = ReadingColumns(signal_id, block.time_us, value, quality, reason)
        bad = unknown | too_old | too_new
        if not bad.any():
            return columns
        for rows, why in ((unknown, _NO_SIGNAL), (too_old & ~unknown, _TOO_OLD), (too_new & ~unknown, _TOO_NEW)):
            per_address = np.bincount(block.address_index[rows], minlength=len(block.addresses)).tolist()
            for address, count in zip(block.addresses, per_address, strict=True):
                if count:
                    self._rejected[address, why] += count
        return columns.take(~bad)

    @property
    def rejected(self) -> int:
        """How many samples were left out of everything read so far."""
        return self._rejected.total()

    def rejects(self) -> tuple[Reject, ...]:
        """One line for every address and reason."""
        return tuple(
            Reject(line=0, field=address, text="1 sample" if count == 1 else f"{count} samples", reason=why)
            for (address, why), count in self._rejected.items()
        )

    def _signal(self, address: str) -> tuple[int, float, float]:
        if address not in self._known:
            tag = address if self._tags is None else self._tags.get(address)
            signal = None if tag is None else self._plant.signals.get(tag)
            if signal is None:
                self._known[address] = (_UNKNOWN, np.nan, np.nan)
            else:
                read_in = unit(signal.unit)
                self._known[address] = (self._plant.ids.signals[signal.tag], read_in.factor, read_in.offset)
        return self._known[address]


_UNKNOWN = -1

_NO_SIGNAL = "no signal of the site file has this address; add it, or take it out of the source"
_TOO_OLD = f"its time is before {OLDEST:%Y}: the clock of the source is not set"
_TOO_NEW = "its time is more than a day ahead: check clock and time zone of the source"
