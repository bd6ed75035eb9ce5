"""A reading: one stored value of one signal, with its quality and the reason for it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import IntEnum


class Quality(IntEnum):
    """Severity as in OPC UA StatusCodes (IEC 62541-4): the top two bits."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2


class ReadingReason(IntEnum):
    """Why a value is doubted. Below 100: said by the source. From 100: found by conditioning. Numbers are stored: never reused."""

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
    OUT_OF_RANGE = 100
    STALE = 101
    FLAT = 102
    ARM_PASS = 103
    IMPLAUSIBLE_JUMP = 104
    ECHO_LOST = 105
    SURFACE_ECHO = 106
    FLUFF_LOCK = 107
    NOISY = 108
    SPIKE = 109
    READS_HIGH_UNCONFIRMED = 110
    OUT_OF_SERVICE = 111


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one signal in SI, in the signal's own frame. ``value`` is NaN only where quality is BAD."""

    tag: str
    time: datetime
    value: float
    quality: Quality = Quality.GOOD
    reason: ReadingReason = ReadingReason.NONE
