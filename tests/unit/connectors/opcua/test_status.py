"""StatusCodes and DataValues against OPC 10000-4 and 10000-8 (IEC 62541-4 and -8)."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from asyncua import ua
from hypothesis import given
from hypothesis import strategies as st

from connectors.base import SourceQuality, SourceReason
from connectors.opcua.status import overflowed, quality_and_reason, quality_of, sample_of, status_name, time_of
from connectors.scaling import CurrentLoop, Linear

AT = datetime(2026, 3, 1, tzinfo=UTC)
GOOD, UNCERTAIN, BAD = SourceQuality.GOOD, SourceQuality.UNCERTAIN, SourceQuality.BAD


@pytest.mark.parametrize(
    ("name", "code", "quality", "reason"),
    # Codes: OPC 10000-4, 7.39, and OPC 10000-8, 7.3.2, as published at reference.opcfoundation.org; those marked "from
    # memory" in the comment at the end of the line were compared with the table that asyncua generates from the
    # foundation's own list.
    [
        ("Good", 0x00000000, GOOD, SourceReason.NONE),
        ("GoodEdited", 0x00DC0000, GOOD, SourceReason.NONE),
        ("GoodClamped", 0x00300000, GOOD, SourceReason.NONE),  # from memory
        ("GoodLocalOverride", 0x00960000, UNCERTAIN, SourceReason.MANUAL_HOLD),  # from memory
        ("Uncertain", 0x40000000, UNCERTAIN, SourceReason.SOURCE_UNCERTAIN),
        ("UncertainLastUsableValue", 0x40900000, UNCERTAIN, SourceReason.SOURCE_UNCERTAIN),
        ("UncertainSubstituteValue", 0x40910000, UNCERTAIN, SourceReason.SOURCE_UNCERTAIN),
        ("UncertainInitialValue", 0x40920000, UNCERTAIN, SourceReason.SOURCE_UNCERTAIN),
        ("UncertainSensorNotAccurate", 0x40930000, UNCERTAIN, SourceReason.SOURCE_UNCERTAIN),
        ("UncertainEngineeringUnitsExceeded", 0x40940000, UNCERTAIN, SourceReason.SOURCE_UNCERTAIN),
        ("UncertainSubNormal", 0x40950000, UNCERTAIN, SourceReason.SOURCE_UNCERTAIN),
        ("UncertainSimulatedValue", 0x42090000, UNCERTAIN, SourceReason.SOURCE_UNCERTAIN),
        (
            "UncertainNoCommunicationLastUsableValue",
            0x408F0000,
            UNCERTAIN,
            SourceReason.NO_COMMUNICATION,
        ),  # from memory
        ("Bad", 0x80000000, BAD, SourceReason.SOURCE_BAD),
        ("BadCommunicationError", 0x80050000, BAD, SourceReason.NO_COMMUNICATION),
        ("BadTimeout", 0x800A0000, BAD, SourceReason.NO_COMMUNICATION),  # from memory
        ("BadNoCommunication", 0x80310000, BAD, SourceReason.NO_COMMUNICATION),
        ("BadWaitingForInitialData", 0x80320000, BAD, SourceReason.NO_COMMUNICATION),  # from memory
        ("BadConfigurationError", 0x80890000, BAD, SourceReason.SOURCE_BAD),
        ("BadNotConnected", 0x808A0000, BAD, SourceReason.NO_COMMUNICATION),
        ("BadDeviceFailure", 0x808B0000, BAD, SourceReason.INSTRUMENT_FAULT),
        ("BadSensorFailure", 0x808C0000, BAD, SourceReason.INSTRUMENT_FAULT),
        ("BadOutOfService", 0x808D0000, BAD, SourceReason.SOURCE_BAD),
    ],
)
def test_status_code_table(name: str, code: int, quality: SourceQuality, reason: SourceReason) -> None:
    assert quality_and_reason(code) == (quality, reason)
    assert status_name(code) == f"{name} (0x{code:08X})"


@given(st.integers(0, 2**32 - 1))
def test_severity_is_the_two_top_bits_whatever_the_flags(code: int) -> None:
    # OPC 10000-4, 7.39: bits 31:30; 00 good, 01 uncertain, 10 bad, 11 reserved.
    assert quality_of(code) == min(code >> 30, 2)
    quality, reason = quality_and_reason(code)
    assert (quality is GOOD) == (reason is SourceReason.NONE)


@pytest.mark.parametrize(
    ("flags", "reason"),
    # Data value info bits: 11:10 = 01, limit bits 9:8 = 01 low, 10 high (OPC 10000-4, 7.39).
    [(0x0500, SourceReason.UNDER_RANGE), (0x0600, SourceReason.OVER_RANGE), (0x0100, SourceReason.SOURCE_UNCERTAIN)],
)
def test_limit_bits_tell_which_way_the_range_was_left(flags: int, reason: SourceReason) -> None:
    assert quality_and_reason(0x40940000 | flags)[1] is reason


def test_overflow_bit() -> None:
    # Bit 7 of a data value's info bits: the server dropped values.
    assert overflowed(0x0000_0480)
    assert not overflowed(0x0000_0080)
    assert not overflowed(0)


def value(held: Any, code: int = 0, **times: Any) -> ua.DataValue:
    return ua.DataValue(ua.Variant(held), ua.StatusCode(ua.UInt32(code)), **times)


def test_a_bad_value_is_never_used() -> None:
    # OPC 10000-4, 7.39: "Results with a bad/failed status shall never be used".
    sample = sample_of("a", value(3.0, 0x808C0000), Linear(), AT)
    assert math.isnan(sample.value)
    assert sample.quality is BAD


@pytest.mark.parametrize("held", ["3.0", None, [1.0, 2.0], b"3", AT])
def test_what_is_no_number_is_bad(held: Any) -> None:
    sample = sample_of("a", value(held), Linear(), AT)
    assert (sample.quality, sample.reason) == (BAD, SourceReason.NOT_A_NUMBER)


@pytest.mark.parametrize(("held", "number"), [(True, 1.0), (False, 0.0), (7, 7.0), (2.5, 2.5)])
def test_numbers_and_switches(held: Any, number: float) -> None:
    assert sample_of("a", value(held), Linear(), AT).value == number


def test_the_worse_of_status_and_scaling_wins() -> None:
    loop = CurrentLoop(low=0.0, high=5.0)
    assert sample_of("a", value(3.0, 0x40000000), loop, AT).reason is SourceReason.LOOP_FAULT_LOW
    assert sample_of("a", value(20.7, 0x40930000), loop, AT).reason is SourceReason.SOURCE_UNCERTAIN
    assert sample_of("a", value(20.7), loop, AT).reason is SourceReason.OVER_RANGE


def test_source_time_first_then_the_servers() -> None:
    later = AT + timedelta(seconds=5)
    assert time_of(value(1.0, SourceTimestamp=AT, ServerTimestamp=later)) == (AT, False)
    assert time_of(value(1.0, ServerTimestamp=later)) == (later, True)
    assert time_of(value(1.0)) == (None, False)


def test_null_times_are_no_times() -> None:
    # OPC 10000-6, 5.2.2.5: 0 is 1601-01-01; the largest value stands for year 9999.
    null = datetime(1601, 1, 1, tzinfo=UTC)
    assert time_of(value(1.0, SourceTimestamp=null, ServerTimestamp=AT)) == (AT, True)
    assert time_of(value(1.0, SourceTimestamp=datetime(9999, 12, 31, tzinfo=UTC))) == (None, False)


def test_times_come_back_in_utc() -> None:
    naive = AT.replace(tzinfo=None)
    elsewhere = AT.astimezone(timezone(timedelta(hours=5)))
    for given_time in (naive, elsewhere):
        at, _ = time_of(value(1.0, SourceTimestamp=given_time))
        assert at == AT
        assert at is not None
        assert at.utcoffset() == timedelta(0)
