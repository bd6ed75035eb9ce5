"""Times as text, against the standard library's own readers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from connectors.csv.times.columns import parse_times
from connectors.csv.times.pattern import (
    EPOCH,
    EPOCH_MS,
    ISO,
    TimePattern,
    UnreadableTime,
    parse_time,
    pattern_of,
    sniff_pattern,
)

ZERO = datetime(1970, 1, 1)  # noqa: DTZ001  (wall time)
HOUR = 3_600_000_000


def micros(text: str) -> int:
    return (datetime.fromisoformat(text) - ZERO) // timedelta(microseconds=1)


def column(pattern: TimePattern, texts: list[str]) -> list[tuple[int, int | None] | None]:
    """What the fast way makes of cells, in the terms of the careful way."""
    data = "\n".join(texts).encode()
    lengths = [len(text.encode()) for text in texts]
    start = np.cumsum([0, *(length + 1 for length in lengths[:-1])], dtype=np.intp)
    parsed = parse_times(pattern, np.frombuffer(data, dtype=np.uint8), start, start + lengths)
    return [
        None if bad else (int(wall), None if naive else int(offset))
        for wall, offset, naive, bad in zip(parsed.wall, parsed.offset, parsed.naive, parsed.bad, strict=True)
    ]


def careful(pattern: TimePattern, text: str) -> tuple[int, int | None] | None:
    try:
        return parse_time(pattern, text)
    except UnreadableTime:
        return None


# ISO 8601 / RFC 3339 (from memory): T or blank, Z or an offset, decimal point or comma, basic form, 24:00 as the day's end.
@pytest.mark.parametrize(
    ("text", "wall", "offset"),
    [
        ("2024-11-03T05:30:00Z", "2024-11-03 05:30:00", 0),
        ("2024-11-03t05:30:00z", "2024-11-03 05:30:00", 0),
        ("2024-11-03 05:30", "2024-11-03 05:30:00", None),
        ("2024-11-03", "2024-11-03 00:00:00", None),
        ("2024-11-03T05:30:00.25-04:00", "2024-11-03 05:30:00.250000", -4 * HOUR),
        ("2024-11-03T05:30:00,123456789+0530", "2024-11-03 05:30:00.123456", 11 * HOUR // 2),
        ("2024-11-03T05:30:00+01", "2024-11-03 05:30:00", HOUR),
        ("2024-11-03 05:30:00 +01:00", "2024-11-03 05:30:00", HOUR),
        ("2024-11-03T05:30:00-00:00", "2024-11-03 05:30:00", 0),
        ("2024-11-03 05:30:00 UTC", "2024-11-03 05:30:00", 0),
        ("20241103T053000Z", "2024-11-03 05:30:00", 0),
        ("20241103T0530", "2024-11-03 05:30:00", None),
        ("2024/11/03 05:30:00", "2024-11-03 05:30:00", None),
        ("2024-11-03T24:00:00", "2024-11-04 00:00:00", None),
        ("2024-02-29T00:00:00", "2024-02-29 00:00:00", None),
    ],
)
def test_iso(text: str, wall: str, offset: int | None) -> None:
    assert parse_time(ISO, text) == (micros(wall), offset)
    assert column(ISO, [text, text]) == [(micros(wall), offset)] * 2


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("2023-02-29T00:00:00", "day 29 does not exist in 2023-02"),
        ("1900-02-29", "day 29 does not exist in 1900-02"),
        ("2024-13-01T00:00:00", "month 13 does not exist"),
        ("2024-00-01T00:00:00", "month 0 does not exist"),
        ("0000-01-01T00:00:00", "year 0 does not exist"),
        ("2024-01-01T24:00:01", "hour 24 does not exist"),
        ("2024-01-01T23:60:00", "minute 60 does not exist"),
        ("2016-12-31T23:59:60Z", "second 60 cannot be placed"),
        ("2024-01-01T00:00:00+25:00", "offset \\+25:00 does not exist"),
        ("2024-01/01", "not a time written as ISO 8601"),
        ("", "the time is empty"),
        ("٢٠٢٤-٠١-٠١", "not a time"),
    ],
)
def test_iso_refused_with_its_reason(text: str, reason: str) -> None:
    with pytest.raises(UnreadableTime, match=reason):
        parse_time(ISO, text)
    assert column(ISO, ["2024-01-01T00:00:00", text])[1] is None


@settings(derandomize=True)
@given(
    st.lists(
        st.datetimes(timezones=st.sampled_from([None, UTC, timezone(timedelta(hours=-9, minutes=-30))])), min_size=1
    )
)
def test_isoformat_comes_back(times: list[datetime]) -> None:
    read = column(ISO, [time.isoformat() for time in times])
    expected = []
    for time in times:
        offset = time.utcoffset()
        expected.append(
            (
                (time.replace(tzinfo=None) - ZERO) // timedelta(microseconds=1),
                None if offset is None else offset // timedelta(microseconds=1),
            )
        )
    assert read == expected


PARTS = st.lists(
    st.sampled_from([*"0123456789", "-", ":", "T", " ", ".", "Z", "+", "24", "2024", "-02-", "12"]), max_size=14
)


@settings(derandomize=True, max_examples=300)
@given(
    st.lists(
        PARTS.map("".join) | st.sampled_from(["2024-02-30 10:00", "2024-02-28 10:00", "1709114400", " 2024-02-28 "]),
        min_size=1,
        max_size=60,
    )
)
def test_the_fast_way_reads_what_the_careful_way_reads(texts: list[str]) -> None:
    for pattern in (ISO, EPOCH, EPOCH_MS, pattern_of("%d.%m.%Y %H:%M"), pattern_of("%m/%d/%y %I:%M %p")):
        assert column(pattern, texts) == [careful(pattern, text) for text in texts]


STRPTIME = [
    "%d.%m.%Y %H:%M:%S", "%m/%d/%Y %I:%M:%S %p", "%d-%b-%Y %H:%M:%S.%f", "%Y%m%d%H%M%S", "%d %B %Y %H:%M", "%y-%m-%d %H:%M:%S%z",
    "%d/%m/%y %H:%M", "%FT%T", "%D %R",
]  # fmt: skip


@settings(derandomize=True)
@given(
    st.sampled_from(STRPTIME),
    st.lists(st.datetimes(ZERO, ZERO.replace(year=2068), timezones=st.just(UTC)), min_size=1, max_size=8),
)
def test_a_given_format_reads_as_strptime_does(time_format: str, times: list[datetime]) -> None:
    texts = [time.strftime(time_format) for time in times]
    for text, read in zip(texts, column(pattern_of(time_format), texts), strict=True):
        full = (
            time_format.replace("%F", "%Y-%m-%d")
            .replace("%T", "%H:%M:%S")
            .replace("%D", "%m/%d/%y")
            .replace("%R", "%H:%M")
        )
        stdlib = datetime.strptime(text, full).replace(tzinfo=None)  # noqa: DTZ007  (the wall time is what is compared)
        assert read is not None
        assert read[0] == (stdlib - ZERO) // timedelta(microseconds=1)


@pytest.mark.parametrize(
    ("text", "time_format"), [("3.1.2024 7:05", "%d.%m.%Y %H:%M"), ("1/3/2024 7:05 PM", "%m/%d/%Y %I:%M %p")]
)
def test_single_digits(text: str, time_format: str) -> None:
    stdlib = datetime.strptime(text, time_format)  # noqa: DTZ007
    expected = ((stdlib - ZERO) // timedelta(microseconds=1), None)
    assert parse_time(pattern_of(time_format), text) == expected
    assert column(pattern_of(time_format), [text, text]) == [expected] * 2


@pytest.mark.parametrize(
    ("pattern", "text", "expected"),
    [
        (EPOCH, "1730611800", 1_730_611_800_000_000),
        (EPOCH, "1730611800.123456", 1_730_611_800_123_456),
        (EPOCH, "1730611800,5", 1_730_611_800_500_000),
        (EPOCH, "-1.5", -1_500_000),
        (EPOCH_MS, "1730611800123", 1_730_611_800_123_000),
        (EPOCH_MS, "1730611800123.25", 1_730_611_800_123_250),
        (pattern_of("epoch_us"), "1730611800123456", 1_730_611_800_123_456),
        (pattern_of("epoch_ns"), "1730611800123456789", None),
        (pattern_of("epoch_ns"), "173061180012345678", 173_061_180_012_345),
    ],
)
def test_epoch(pattern: TimePattern, text: str, expected: int | None) -> None:
    read = careful(pattern, text)
    assert read == (None if expected is None else (expected, 0))
    assert column(pattern, [text, text]) == [read, read]


@pytest.mark.parametrize(
    ("texts", "name"),
    [
        (["2024-11-03 01:30:00", "2024-11-03T01:30:00Z"], "ISO 8601"),
        (["03.11.2024 01:30"], "%d.%m.%Y %H:%M"),
        (["03.11.2024 01:30:00,25"], "%d.%m.%Y %H:%M:%S,%f"),
        (["11/23/2024 01:30 PM"], "%m/%d/%Y %I:%M %p"),
        (["23/11/2024 13:30:00"], "%d/%m/%Y %H:%M:%S"),
        (["03-Nov-2024 01:30:00"], "%d-%b-%Y %H:%M:%S"),
        (["1730611800.5", "1730611801"], "epoch seconds"),
        (["1730611800500"], "epoch milliseconds"),
        (["1730611800500123"], "epoch microseconds"),
        (["1730611800500123456"[:18]], "epoch nanoseconds"),
        (["nonsense", "2024-11-03 01:30:00"], "ISO 8601"),
    ],
)
def test_sniffed(texts: list[str], name: str) -> None:
    found = sniff_pattern(texts)
    assert found is not None
    assert found.name == name


def test_a_day_that_could_be_a_month_is_not_guessed() -> None:
    with pytest.raises(UnreadableTime, match="cannot tell day from month"):
        sniff_pattern(["03/04/2024 10:00", "05/06/2024 10:00"])
    assert sniff_pattern(["03/04/2024 10:00", "13/06/2024 10:00"]) is not None
    assert sniff_pattern(["nothing", "12"]) is None


def test_a_thousand_unreadable_cells_before_the_good_ones() -> None:
    texts = ["x"] * 1500 + ["2024-11-03T05:30:00Z"] * 3
    assert column(ISO, texts)[1500:] == [(micros("2024-11-03 05:30:00"), 0)] * 3
