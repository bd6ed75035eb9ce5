"""Readings as numpy columns, for millions at a time; sorting and deduplication within a delivery."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.plant.reading import Quality, Reading, ReadingReason
from service.storage.database.epoch import from_us


@dataclass(frozen=True, slots=True)
class ReadingColumns:
    """Equally long columns, one row a reading: values in SI, times in microseconds since the Unix epoch, UTC."""

    signal_id: NDArray[np.int32]
    time_us: NDArray[np.int64]
    value: NDArray[np.float64]
    quality: NDArray[np.int16]
    reason: NDArray[np.int16]

    def __len__(self) -> int:
        return int(self.time_us.size)

    def take(self, rows: NDArray[np.bool_] | NDArray[np.intp]) -> ReadingColumns:
        """Select rows, in that order."""
        return ReadingColumns(
            self.signal_id[rows], self.time_us[rows], self.value[rows], self.quality[rows], self.reason[rows]
        )

    def readings(self, tag_of: Mapping[int, str]) -> Iterator[Reading]:
        """Yield the rows as domain objects."""
        columns = (self.signal_id, self.time_us, self.value, self.quality, self.reason)
        for signal_id, us, value, quality, reason in zip(*(column.tolist() for column in columns), strict=True):
            yield Reading(tag_of[signal_id], from_us(us), value, Quality(quality), ReadingReason(reason))

    @classmethod
    def empty(cls) -> ReadingColumns:
        """No rows."""
        return cls(
            np.empty(0, np.int32),
            np.empty(0, np.int64),
            np.empty(0, np.float64),
            np.empty(0, np.int16),
            np.empty(0, np.int16),
        )

    @classmethod
    def concatenate(cls, parts: list[ReadingColumns]) -> ReadingColumns:
        """Concatenate parts."""
        if not parts:
            return cls.empty()
        return cls(
            np.concatenate([part.signal_id for part in parts]),
            np.concatenate([part.time_us for part in parts]),
            np.concatenate([part.value for part in parts]),
            np.concatenate([part.quality for part in parts]),
            np.concatenate([part.reason for part in parts]),
        )


def by_signal_and_time(columns: ReadingColumns) -> ReadingColumns:
    """Sort rows by the primary key; rows of the same key keep their order."""
    signal_id, time_us = columns.signal_id, columns.time_us
    if len(columns) < 2:
        return columns
    if bool(np.all(time_us[1:] >= time_us[:-1])):
        # Usual: a file in the order of time. Then a stable sort by signal is enough, and on 16-bit numbers it is a radix sort.
        if bool(np.all(signal_id[1:] >= signal_id[:-1])):
            return columns
        if int(signal_id.min()) >= 0 and int(signal_id.max()) < 2**15:
            return columns.take(np.argsort(signal_id.astype(np.int16), kind="stable"))
    return columns.take(np.lexsort((time_us, signal_id)))


@dataclass(frozen=True, slots=True)
class Deduplicated:
    """Rows of distinct keys, and how many earlier rows were duplicates or revised by a later one."""

    columns: ReadingColumns
    duplicate: int
    revised: int


def deduplicate(ordered: ReadingColumns) -> Deduplicated:
    """Keep the last value of each key in a delivery; earlier rows count as duplicate or as revised.

    Every row is compared with the next of its key: the same again is a duplicate, another value is a revision. Together
    with the verdict on the last row, every row is counted exactly once.
    """
    same_key = (ordered.signal_id[1:] == ordered.signal_id[:-1]) & (ordered.time_us[1:] == ordered.time_us[:-1])
    if not same_key.any():
        return Deduplicated(ordered, 0, 0)
    value, after = ordered.value[:-1], ordered.value[1:]
    same_value = (
        ((value == after) | (np.isnan(value) & np.isnan(after)))
        & (ordered.quality[1:] == ordered.quality[:-1])
        & (ordered.reason[1:] == ordered.reason[:-1])
    )
    duplicate = int(np.count_nonzero(same_key & same_value))
    revised = int(np.count_nonzero(same_key)) - duplicate
    return Deduplicated(ordered.take(np.append(~same_key, True)), duplicate, revised)
