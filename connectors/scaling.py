"""Scales raw numbers to the site's unit, with the quality that follows: a linear factor and offset, a span of raw counts, or the
counts of a 4–20 mA input, where the current itself shows a broken loop.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from connectors.base import SourceQuality, SourceReason

#: NAMUR NE 43: measuring information lives between 3.8 and 20.5 mA; at 3.6 mA and below, or 21 mA and above, the
#: transmitter reports its own failure (or the wire is broken). Between the two the transmitter is saturated.
FAULT_LOW, MEASURING_LOW, MEASURING_HIGH, FAULT_HIGH = 3.6, 3.8, 20.5, 21.0

#: A converter's step: 4 mA over 65 535 counts and a decimal constant both miss a limit by less than this [mA].
_STEP = 1e-9


class Scaled(NamedTuple):
    """A value in the site's unit and its quality."""

    value: float
    quality: SourceQuality = SourceQuality.GOOD
    reason: SourceReason = SourceReason.NONE


@dataclass(frozen=True, slots=True)
class Linear:
    """value = raw × factor + offset.

    >>> Linear(factor=0.01).apply(312.0).value
    3.12
    """

    factor: float = 1.0
    offset: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.factor) and math.isfinite(self.offset)) or self.factor == 0.0:
            raise ValueError("scale needs a finite factor other than zero and a finite offset")

    def apply(self, raw: float) -> Scaled:
        """The value for one raw number."""
        if not math.isfinite(raw):
            return _not_a_number()
        return _finite(raw * self.factor + self.offset)


@dataclass(frozen=True, slots=True)
class ScaledSpan:
    """Maps a span of raw counts to a span of values; counts beyond it are kept as uncertain.

    >>> ScaledSpan(raw_low=0, raw_high=27648, low=0.0, high=5.0).apply(13824.0).value
    2.5
    """

    raw_low: float
    raw_high: float
    low: float
    high: float

    def __post_init__(self) -> None:
        if not all(map(math.isfinite, (self.raw_low, self.raw_high, self.low, self.high))):
            raise ValueError("a span needs four finite numbers")
        if self.raw_low == self.raw_high or self.low == self.high:
            raise ValueError("a span needs two different raw counts and two different values")

    def apply(self, raw: float) -> Scaled:
        """The value for one raw count."""
        if not math.isfinite(raw):
            return _not_a_number()
        fraction = (raw - self.raw_low) / (self.raw_high - self.raw_low)
        value = self.low + fraction * (self.high - self.low)
        if fraction < 0.0:
            return Scaled(value, SourceQuality.UNCERTAIN, SourceReason.UNDER_RANGE)
        if fraction > 1.0:
            return Scaled(value, SourceQuality.UNCERTAIN, SourceReason.OVER_RANGE)
        return _finite(value)


@dataclass(frozen=True, slots=True)
class CurrentLoop:
    """Counts of a 4–20 mA input: ``low`` at 4 mA, ``high`` at 20 mA.

    ``raw_4ma`` and ``raw_20ma`` are what the input card shows at those currents; 4 and 20 when it already shows
    milliamperes.

    Notes
    -----
    Limits follow NAMUR NE 43. Up to 3.6 mA and from 21 mA the value is bad (loop fault); between there and the
    measuring range (3.8 to 20.5 mA) the transmitter is saturated and the value uncertain.

    >>> CurrentLoop(low=0.0, high=5.0).apply(12.0).value
    2.5
    >>> CurrentLoop(low=0.0, high=5.0).apply(3.5).reason.name
    'LOOP_FAULT_LOW'
    """

    low: float
    high: float
    raw_4ma: float = 4.0
    raw_20ma: float = 20.0

    def __post_init__(self) -> None:
        if not all(map(math.isfinite, (self.low, self.high, self.raw_4ma, self.raw_20ma))):
            raise ValueError("a current loop needs finite numbers")
        if self.low == self.high or self.raw_4ma == self.raw_20ma:
            raise ValueError("a current loop needs two different values at 4 and 20 mA")

    def current(self, raw: float) -> float:
        """Loop current for a raw count. [mA]"""
        return 4.0 + (raw - self.raw_4ma) / (self.raw_20ma - self.raw_4ma) * 16.0

    def apply(self, raw: float) -> Scaled:
        """The value for one raw count; NaN when the loop reports a fault."""
        if not math.isfinite(raw):
            return _not_a_number()
        current = self.current(raw)
        if current <= FAULT_LOW + _STEP:
            return Scaled(math.nan, SourceQuality.BAD, SourceReason.LOOP_FAULT_LOW)
        if current >= FAULT_HIGH - _STEP:
            return Scaled(math.nan, SourceQuality.BAD, SourceReason.LOOP_FAULT_HIGH)
        value = self.low + (current - 4.0) / 16.0 * (self.high - self.low)
        if current < MEASURING_LOW - _STEP:
            return Scaled(value, SourceQuality.UNCERTAIN, SourceReason.UNDER_RANGE)
        if current > MEASURING_HIGH + _STEP:
            return Scaled(value, SourceQuality.UNCERTAIN, SourceReason.OVER_RANGE)
        return _finite(value)


Scaling = Linear | ScaledSpan | CurrentLoop


def _finite(value: float) -> Scaled:
    # A float32 near its limit times a factor can overflow: that is no measurement.
    return Scaled(value) if math.isfinite(value) else _not_a_number()


def _not_a_number() -> Scaled:
    return Scaled(math.nan, SourceQuality.BAD, SourceReason.NOT_A_NUMBER)
