"""Converts OPC UA StatusCodes and DataValues to samples."""

from __future__ import annotations

import math
from datetime import UTC, datetime

from asyncua import ua
from asyncua.ua.status_codes import StatusCodes

from connectors.base import Sample, SourceQuality, SourceReason
from connectors.scaling import Scaling

_CODE = 0xFFFF_0000  # the low half carries flags, not the code (OPC 10000-4, 7.39)
_LIMIT_LOW, _LIMIT_HIGH = 0x0000_0100, 0x0000_0200
_DATA_VALUE_FLAGS = 0x0000_0C00  # info type: 01 means that the flags below are those of a data value
_DATA_VALUE_INFO = 0x0000_0400
_OVERFLOW = 0x0000_0080

_NO_COMMUNICATION = frozenset(
    {
        StatusCodes.BadCommunicationError,
        StatusCodes.BadNoCommunication,
        StatusCodes.BadNotConnected,
        StatusCodes.BadServerNotConnected,
        StatusCodes.BadTimeout,
        StatusCodes.BadWaitingForInitialData,
        StatusCodes.BadConnectionClosed,
        StatusCodes.UncertainNoCommunicationLastUsableValue,
    }
)
_INSTRUMENT_FAULT = frozenset({StatusCodes.BadDeviceFailure, StatusCodes.BadSensorFailure})

#: OPC UA's null time; servers send it, or something near it, for "no time".
_NULL_YEAR = 1601


def quality_of(code: int) -> SourceQuality:
    """Severity of a StatusCode: its two top bits; the reserved 11 counts as bad (OPC 10000-4, 7.39).

    >>> quality_of(0x40910000).name
    'UNCERTAIN'
    """
    return (SourceQuality.GOOD, SourceQuality.UNCERTAIN, SourceQuality.BAD, SourceQuality.BAD)[code >> 30 & 3]


def quality_and_reason(code: int) -> tuple[SourceQuality, SourceReason]:
    """Quality and reason of a StatusCode.

    A value that an operator has overridden (GoodLocalOverride) is good to OPC UA but no measurement: it becomes
    uncertain, manual hold.

    >>> quality_and_reason(0x808C0000)[1].name, quality_and_reason(0x00960000)[1].name
    ('INSTRUMENT_FAULT', 'MANUAL_HOLD')
    """
    quality = quality_of(code)
    name = code & _CODE
    if name == StatusCodes.GoodLocalOverride:
        return SourceQuality.UNCERTAIN, SourceReason.MANUAL_HOLD
    if quality is SourceQuality.GOOD:
        return quality, SourceReason.NONE
    if name in _NO_COMMUNICATION:
        return quality, SourceReason.NO_COMMUNICATION
    if name in _INSTRUMENT_FAULT:
        return quality, SourceReason.INSTRUMENT_FAULT
    if name == StatusCodes.UncertainEngineeringUnitsExceeded and code & _DATA_VALUE_FLAGS == _DATA_VALUE_INFO:
        if code & _LIMIT_LOW:
            return quality, SourceReason.UNDER_RANGE
        if code & _LIMIT_HIGH:
            return quality, SourceReason.OVER_RANGE
    if quality is SourceQuality.UNCERTAIN:
        return quality, SourceReason.SOURCE_UNCERTAIN
    return quality, SourceReason.SOURCE_BAD


def overflowed(code: int) -> bool:
    """Whether the server dropped values before this one because its queue was full (overflow bit of a data value)."""
    return code & _DATA_VALUE_FLAGS == _DATA_VALUE_INFO and bool(code & _OVERFLOW)


def status_name(code: int) -> str:
    """A StatusCode with its name.

    >>> status_name(0x80340000)
    'BadNodeIdUnknown (0x80340000)'
    """
    return f"{ua.status_codes.get_name_and_doc(code & _CODE)[0]} (0x{code:08X})"


def time_of(value: ua.DataValue) -> tuple[datetime | None, bool]:
    """The source time of a value, or else the server's, and whether it is the server's; None when it has neither."""
    source, server = _real(value.SourceTimestamp), _real(value.ServerTimestamp)
    return (source, False) if source is not None else (server, server is not None)


def sample_of(address: str, value: ua.DataValue, scaling: Scaling, at: datetime) -> Sample:
    """One sample; a bad value is NaN, as OPC UA says it shall never be used."""
    code = 0 if value.StatusCode is None else int(value.StatusCode.value)
    quality, reason = quality_and_reason(code)
    if quality is SourceQuality.BAD:
        return Sample(address, at, math.nan, quality, reason)
    scaled = scaling.apply(_number(value))
    if scaled.quality > quality:
        quality, reason = scaled.quality, scaled.reason
    return Sample(address, at, scaled.value, quality, reason)


def _number(value: ua.DataValue) -> float:
    content = value.Value.Value if value.Value is not None else None
    # bool is an int in Python, as a status signal needs; text, arrays and structures are no measurement.
    return float(content) if isinstance(content, (int, float)) else math.nan


def _real(time: datetime | None) -> datetime | None:
    if time is None or time.year <= _NULL_YEAR or time.year >= 9999:
        return None
    return time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)
